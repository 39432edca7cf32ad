//! The settings column: what the strip shares, what each frame has, what is written.

mod balance_section;
mod cast_correction;
mod clean_section;
mod film_section;
mod frame_section;
mod output_sizes;
mod scan_reading;

use egui::{Button, Label, Margin, RichText, ScrollArea, Ui, UiBuilder};
use glassine_film::ParamGroup;

use super::export_pane::{export_button_ui, kind_rows_ui};
use crate::commands::{BoxCommand, EditCommand};
use crate::model::panels::Section;
use crate::views::ViewCx;
use crate::widgets::parts::{note_ui, section_head_ui, warning_ui};
use crate::widgets::theme;
pub(super) use cast_correction::{is_unsure, variation_viewport};
use clean_section::{clean_section_ui, clean_summary};
use film_section::{film_section_ui, film_summary};
use frame_section::{
    colour_section_ui, exposure_section_ui, sharpen_section_ui, sharpen_summary, summary_of,
};

/// Groups that are copied together from one frame to others.
pub(super) const ALL_GROUPS: [ParamGroup; 4] =
    [ParamGroup::Exposure, ParamGroup::Colour, ParamGroup::Clean, ParamGroup::Sharpen];

/// The settings of the strip and of the selected frames, in sections.
pub(crate) fn settings_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    selection_head_ui(ui, cx);
    ui.add_space(4.0);
    // The scroll bar is in the margin of the column, so that everything above and in it ends on one line.
    let mut room = ui.available_rect_before_wrap();
    let width = room.width();
    room.max.x += ui.spacing().scroll.floating_allocated_width;
    let mut inside = ui.new_child(UiBuilder::new().max_rect(room));
    ScrollArea::vertical().id_salt("settings").auto_shrink([false, false]).show(&mut inside, |ui| {
        ui.set_max_width(width);
        ui.spacing_mut().item_spacing.y = 4.0;
        for section in Section::ALL {
            section_ui(ui, cx, section);
        }
        ui.add_space(theme::GAP);
    });
}

fn section_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, section: Section) {
    let is_open = cx.ui_state.panels.is_open(section);
    let summary = summary(cx, section);
    if section_head_ui(ui, section.title(), &summary, is_open).clicked() {
        cx.ui_state.panels.toggle(section);
    }
    if !is_open {
        return;
    }
    let inside = egui::Frame::new().inner_margin(Margin { left: 6, right: 2, top: 2, bottom: 8 });
    inside.show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 3.0;
        match section {
            Section::Film => film_section_ui(ui, cx),
            Section::Exposure => exposure_section_ui(ui, cx),
            Section::Colour => colour_section_ui(ui, cx),
            Section::Clean => clean_section_ui(ui, cx),
            Section::Sharpen => sharpen_section_ui(ui, cx),
            Section::Output => {
                kind_rows_ui(ui, cx);
                output_sizes::size_facts_ui(ui, cx);
                export_button_ui(ui, cx);
            }
        }
    });
}

fn summary(cx: &ViewCx<'_>, section: Section) -> String {
    match section {
        Section::Film => film_summary(cx),
        Section::Exposure => summary_of(cx, ParamGroup::Exposure),
        Section::Colour => summary_of(cx, ParamGroup::Colour),
        Section::Clean => clean_summary(cx),
        Section::Sharpen => sharpen_summary(cx),
        Section::Output => {
            cx.session.output.kind.label().to_lowercase().replace("tiff", "TIFF").replace("jpeg", "JPEG")
        }
    }
}

/// The frames the settings apply to, remarks to check, and buttons that copy settings.
fn selection_head_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let selected = cx.selected();
    let title = match selected.as_slice() {
        [] => "no frame selected".to_owned(),
        [frame] => format!("frame {}", cx.session.number_text(frame)),
        several => format!("{} frames", several.len()),
    };
    let can_paste = cx.ui_state.copied_look.is_some() && !selected.is_empty();
    let is_changed = frame_section::any_changed(&selected, &ALL_GROUPS);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        let title = RichText::new(title).text_style(theme::section_style()).color(p.text_strong);
        ui.add(Label::new(title));
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            let small = |text: &str| Button::new(RichText::new(text).small());
            let reset = ui.add_enabled(is_changed, small("reset"));
            if reset.on_hover_text("every value of the selected frames back to its default").clicked() {
                cx.out.extend(frame_section::reset_commands(&ALL_GROUPS, "reset settings"));
            }
            let paste = ui.add_enabled(can_paste, small("paste"));
            if paste.on_hover_text("give the copied settings to the selected frames").clicked() {
                cx.push(EditCommand::PasteLook(ALL_GROUPS.to_vec()));
            }
            let copy = ui.add_enabled(!selected.is_empty(), small("copy"));
            if copy.on_hover_text("remember the settings of this frame").clicked() {
                cx.push(EditCommand::CopyLook);
            }
        });
    });
    if let [frame] = selected.as_slice() {
        if frame.reaches_rebate() {
            warning_ui(ui, "the box reaches the rebate, which spoils exposure and colour");
            if ui.button("hold the box in the image area").clicked() {
                cx.push(BoxCommand::SetHeld(true));
            }
        } else if !frame.flags.is_empty() && !frame.reason.is_empty() {
            let flags: Vec<&str> = frame.flags.iter().map(|flag| flag.key()).collect();
            warning_ui(ui, &format!("{}: {}", flags.join(", "), frame.reason));
        }
    }
    if selected.is_empty() {
        note_ui(ui, "select a frame on the strip or a print to change its exposure and colour");
    }
}
