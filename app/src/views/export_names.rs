//! The list of everything that an export would write, before it runs.

use egui::{Align, Label, Layout, RichText, ScrollArea, Ui, vec2};

use super::export_pane::{LIST_HEIGHT, clipping_of};
use crate::model::ui_state::is_in;
use crate::views::ViewCx;
use crate::widgets::parts::note_ui;
use crate::widgets::theme;

/// Every file name, with what stands in its way, and the frames that are not written.
pub(super) fn names_ui(ui: &mut Ui, cx: &ViewCx<'_>) {
    let names = &cx.status.export_names;
    let p = theme::palette(ui);
    let is_one_kind = cx.session.output.chosen().len() == 1;
    ScrollArea::vertical().id_salt("names").max_height(LIST_HEIGHT).auto_shrink([false, true]).show(
        ui,
        |ui| {
            ui.spacing_mut().item_spacing.y = 2.0;
            let row =
                |ui: &mut Ui, mark: &str, (name, note): (&str, &str), clipping: Option<(String, bool)>| {
                    ui.horizontal(|ui| {
                        ui.spacing_mut().item_spacing.x = 6.0;
                        let colour = if mark == "▲" { p.warn } else { p.text_weak };
                        ui.add_sized(vec2(14.0, 18.0), Label::new(RichText::new(mark).small().color(colour)));
                        let colour = if mark == "–" { p.text_weak } else { p.text };
                        ui.add(Label::new(RichText::new(name).color(colour)).truncate());
                        if !note.is_empty() {
                            ui.label(RichText::new(note).small().color(p.text_weak));
                        }
                        if let Some((text, is_warning)) = clipping {
                            let colour = if is_warning { p.warn } else { p.text_weak };
                            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                                ui.label(RichText::new(text).small().color(colour));
                            });
                        }
                    });
                };
            for file in &names.files {
                let clipping = if is_one_kind { clipping_of(cx, &file.frame) } else { None };
                match &file.path {
                    Err(trouble) => row(ui, "▲", (&file.name, trouble), None),
                    Ok(path) if cx.status.existing_files.contains(path) => {
                        row(ui, "▲", (&file.name, "exists"), clipping);
                    }
                    Ok(_) => row(ui, "", (&file.name, ""), clipping),
                }
            }
            for frame in cx.session.frames.iter().filter(|frame| !is_in(&names.scope, frame)) {
                let name = format!("frame {}", cx.session.output.number_of(frame, 1));
                let why = if frame.is_left_out() { "left out" } else { "not selected" };
                row(ui, "–", (&name, why), None);
            }
            if cx.session.frames.is_empty() {
                note_ui(ui, "there is no frame to export");
            }
        },
    );
}
