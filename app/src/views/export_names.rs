//! The list of everything that an export would write, before it runs.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::{Align, Label, Layout, RichText, ScrollArea, Ui, vec2};
use glassine_engine::{FrameScope, planned_files};
use glassine_session::Frame;

use super::export_pane::{LIST_HEIGHT, clipping_of};
use crate::model::ui_state::is_in;
use crate::platform::clock;
use crate::views::ViewCx;
use crate::widgets::parts::note_ui;
use crate::widgets::theme;

/// A file that an export would write.
pub(super) struct NamedFile {
    frame: Arc<Frame>,
    /// Path below the folder, or the number of the frame if it has no possible name.
    name: String,
    pub(super) exists: bool,
    /// Why it can't be written.
    pub(super) trouble: Option<String>,
}

/// Every file of the export with the present settings, kind by kind.
pub(super) fn files(cx: &ViewCx<'_>, scope: &FrameScope) -> Vec<NamedFile> {
    let output = &cx.session.output;
    let frames: Vec<_> = cx.session.frames.iter().filter(|frame| is_in(scope, frame)).cloned().collect();
    if frames.is_empty() {
        return Vec::new();
    }
    let folder = output.folder.as_deref().unwrap_or(Path::new(""));
    let existing: HashSet<&PathBuf> = cx.status.existing_files.iter().collect();
    let kinds = output.chosen();
    let named = planned_files(cx.session, &frames, folder, &kinds, &clock::today_text());
    let file = |(frame, kind, path): (Arc<Frame>, usize, Result<PathBuf, glassine_engine::Notice>)| match path
    {
        Ok(path) => NamedFile {
            frame,
            name: path.strip_prefix(folder).unwrap_or(&path).display().to_string(),
            exists: output.folder.is_some() && existing.contains(&path),
            trouble: None,
        },
        Err(notice) => NamedFile {
            name: format!("frame {}, {}", output.number_of(&frame, 1), kinds[kind].recipe_name()),
            frame,
            exists: false,
            trouble: Some(notice.headline),
        },
    };
    named.into_iter().map(file).collect()
}

/// Every file name, with what stands in its way, and the frames that are left out.
pub(super) fn names_ui(ui: &mut Ui, cx: &ViewCx<'_>, files: &[NamedFile], scope: &FrameScope) {
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
            for file in files {
                let clipping = if is_one_kind { clipping_of(cx, &file.frame) } else { None };
                match (&file.trouble, file.exists) {
                    (Some(trouble), _) => row(ui, "▲", (&file.name, trouble), None),
                    (None, true) => row(ui, "▲", (&file.name, "exists"), clipping),
                    (None, false) => row(ui, "", (&file.name, ""), clipping),
                }
            }
            for frame in cx.session.frames.iter().filter(|frame| !is_in(scope, frame)) {
                let name = format!("frame {}", cx.session.output.number_of(frame, 1));
                row(ui, "–", (&name, "left out"), None);
            }
            if cx.session.frames.is_empty() {
                note_ui(ui, "there is no frame to export");
            }
        },
    );
}
