//! The settings: a rail of named sections, and the open one beside it.

mod balance_section;
mod cast_correction;
mod clean_section;
mod film_section;
mod frame_section;
mod output_sizes;
mod param_row;
mod rail;
mod roll_rows;
mod scan_reading;
mod sharpen_section;

use egui::containers::menu::{MenuButton, MenuConfig};
use egui::{Button, Label, PopupCloseBehavior, RichText, ScrollArea, TextEdit, Ui, UiBuilder};
use glassine_film::ParamGroup;
use glassine_session::{Frame, FrameMark};

use super::export_pane::{export_button_ui, kind_rows_ui};
use crate::commands::{BoxCommand, EditCommand};
use crate::model::doubts::doubts;
use crate::model::panels::Section;
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, IconButton};
use crate::widgets::parts::{note_ui, section_title_ui, warning_ui};
use crate::widgets::theme;
pub(super) use cast_correction::variation_viewport;
use clean_section::{clean_section_ui, clean_summary};
use film_section::{film_section_ui, film_summary};
use frame_section::{colour_section_ui, exposure_section_ui, summary_of};
pub(super) use rail::rail_ui;
pub(super) use roll_rows::roll_name;
use sharpen_section::{sharpen_section_ui, sharpen_summary};

/// Room for one remark of two lines under the name of the frame, points.
const REMARK_ROOM: f32 = 32.0;

/// Groups that are copied together from one frame to others.
pub(super) const ALL_GROUPS: [ParamGroup; 4] =
    [ParamGroup::Exposure, ParamGroup::Colour, ParamGroup::Clean, ParamGroup::Sharpen];

/// The open section: the settings of the strip or of the selected frames.
pub(crate) fn section_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, section: Section) {
    selection_head_ui(ui, cx);
    ui.add_space(6.0);
    let title = section_title_ui(ui, section.title(), section.purpose());
    let head =
        ui.interact(title, ui.scope_id().with(("title", section)), egui::Sense::focusable_noninteractive());
    head.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Label, true, section.title()));
    if std::mem::take(&mut cx.ui_state.panels.focus_title) {
        head.request_focus();
    }
    if head.has_focus() {
        let line = egui::Stroke::new(1.0, theme::palette(ui).accent);
        ui.painter().rect_stroke(title.expand(2.0), 3.0, line, egui::StrokeKind::Inside);
    }
    let is_off = section.group().is_some_and(|group| switch_ui(ui, cx, group, title));
    ui.add_space(6.0);
    // The scroll bar is in the margin of the column, so that everything above and in it ends on one line.
    let mut room = ui.available_rect_before_wrap();
    let width = room.width();
    room.max.x += ui.spacing().scroll.floating_allocated_width;
    let mut inside = ui.new_child(UiBuilder::new().max_rect(room));
    let list = ScrollArea::vertical().id_salt(("settings", section)).auto_shrink([false, false]);
    list.show(&mut inside, |ui| {
        ui.set_max_width(width);
        ui.spacing_mut().item_spacing.y = 4.0;
        if is_off {
            note_ui(ui, "switched off: the values are kept without effect");
            ui.disable();
        }
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
        ui.add_space(theme::GAP);
    });
}

/// Switches the settings of a section off and on for the selected frames; returns whether they are all off.
fn switch_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, group: ParamGroup, title: egui::Rect) -> bool {
    let selected = cx.selected();
    let is_off = !selected.is_empty() && selected.iter().all(|frame| frame.look.is_off(group));
    let is_mixed = !is_off && selected.iter().any(|frame| frame.look.is_off(group));
    let text = if is_off {
        "off"
    } else if is_mixed {
        "on for some"
    } else {
        "on"
    };
    let size = egui::vec2(if is_mixed { 84.0 } else { 44.0 }, 20.0);
    let place = egui::Rect::from_min_size(egui::pos2(title.right() - size.x, title.top() - 2.0), size);
    let button = Button::selectable(!is_off, RichText::new(text).small()).frame_when_inactive(true);
    let response = ui.put(place, button.min_size(size));
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(format!("{} {text}", group.key())));
    if response
        .on_hover_text("switch this section off or on for the selected frames; its values stay")
        .clicked()
        && !selected.is_empty()
    {
        cx.push(EditCommand::SwitchGroup(group, !is_off));
    }
    is_off
}

fn summary(cx: &ViewCx<'_>, section: Section) -> String {
    let frames = cx.selected();
    let is_off = |group| !frames.is_empty() && frames.iter().all(|frame| frame.look.is_off(group));
    if section.group().is_some_and(is_off) {
        return "off".to_owned();
    }
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

/// The user's choice about the selected frames.
fn marks_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, selected: &[&std::sync::Arc<Frame>]) {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        for (mark, key) in [(FrameMark::Keep, "1"), (FrameMark::LookAgain, "2"), (FrameMark::LeaveOut, "3")] {
            let on = !selected.is_empty() && selected.iter().all(|frame| frame.mark == mark);
            let text = RichText::new(mark.label()).small();
            let button = Button::selectable(on, text).frame_when_inactive(true);
            let response = ui.add_enabled(!selected.is_empty(), button);
            if response.on_hover_text(format!("mark the selected frames   {key}")).clicked() {
                cx.push(EditCommand::SetMark(mark));
            }
        }
    });
}

/// Settings that the user named: taken by the selected frames, kept, given up.
fn looks_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, selected: &[&std::sync::Arc<Frame>]) {
    let button = MenuButton::from_button(Button::new(RichText::new("looks").small()));
    let config = MenuConfig::new().close_behavior(PopupCloseBehavior::CloseOnClickOutside);
    let (response, _) = button.config(config).ui(ui, |ui| {
        ui.set_min_width(230.0);
        for look in &cx.status.looks {
            ui.horizontal(|ui| {
                let take = Button::new(&look.name).frame(false).min_size(egui::vec2(180.0, 20.0));
                if ui.add_enabled(!selected.is_empty(), take).clicked() {
                    cx.out.push(EditCommand::TakeLook(Box::new(look.look())).into());
                    ui.close();
                }
                let name = format!("give up the look {}", look.name);
                if IconButton::new(Icon::Bin, &name).show(ui).clicked() {
                    cx.out.push(EditCommand::ForgetLook(look.name.clone()).into());
                }
            });
        }
        let id = ui.scope_id().with("name of a look");
        let mut name = ui.data(|data| data.get_temp::<String>(id)).unwrap_or_default();
        ui.horizontal(|ui| {
            let edit = ui.add(TextEdit::singleline(&mut name).hint_text("name").desired_width(120.0));
            ui.ctx().accesskit_node_builder(edit.id, |node| node.set_label("name of a look"));
            let can_keep = !name.trim().is_empty() && cx.ui_state.primary.is_some();
            let by_key = edit.lost_focus() && ui.input(|input| input.key_pressed(egui::Key::Enter));
            let keep = ui.add_enabled(can_keep, Button::new("keep as look"));
            if can_keep && (keep.clicked() || by_key) {
                cx.out.push(EditCommand::KeepLook(name.trim().to_owned()).into());
                name.clear();
            }
        });
        ui.data_mut(|data| data.insert_temp(id, name));
    });
    response.on_hover_text("settings kept under a name of yours, for any session");
}

/// Gives the settings of the frame shown large to its strip or to the whole roll.
fn give_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, selected: &[&std::sync::Arc<Frame>]) {
    let Some(frame) = cx.primary().filter(|_| !selected.is_empty()) else { return };
    let open = cx.ui_state.panels.open.and_then(Section::group);
    let button = MenuButton::from_button(Button::new(RichText::new("give to…").small()));
    let (response, _) = button.ui(ui, |ui| {
        let section = open.map(|group| (format!("{} only", group.key()), vec![group]));
        let kinds = std::iter::once(("all settings".to_owned(), ALL_GROUPS.to_vec())).chain(section);
        for (what, groups) in kinds {
            for (reach, of_strip) in [("the strip", true), ("the roll", false)] {
                if ui.button(format!("{reach}: {what}")).clicked() {
                    cx.push(EditCommand::give_look(cx.session, frame, &groups, &what, of_strip));
                    ui.close();
                }
            }
        }
    });
    response.on_hover_text("give the settings of this frame to every frame of the strip or of the roll");
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
            looks_ui(ui, cx, &selected);
            give_ui(ui, cx, &selected);
            let paste = ui.add_enabled(can_paste, small("paste"));
            paste.context_menu(|ui| {
                for group in ParamGroup::ALL {
                    if ui.button(format!("paste {} only", group.key())).clicked() {
                        cx.push(EditCommand::PasteLook(vec![group]));
                        ui.close();
                    }
                }
            });
            let tip = "give the copied settings to the selected frames; right click for one section of them";
            if paste.on_hover_text(tip).clicked() {
                cx.push(EditCommand::PasteLook(ALL_GROUPS.to_vec()));
            }
            let copy = ui.add_enabled(!selected.is_empty(), small("copy"));
            if copy.on_hover_text("remember the settings of this frame").clicked() {
                cx.push(EditCommand::CopyLook);
            }
        });
    });
    marks_ui(ui, cx, &selected);
    // The room of one remark is reserved, so that the section below does not jump from frame to frame.
    let remarks = ui.available_rect_before_wrap().with_max_y(ui.cursor().top() + REMARK_ROOM);
    ui.allocate_rect(remarks, egui::Sense::hover());
    let mut inside = ui.new_child(UiBuilder::new().max_rect(remarks));
    if let [frame] = selected.as_slice()
        && let Some(doubt) = doubts(cx.session, frame).into_iter().next()
    {
        warning_ui(&mut inside, &doubt.text());
    }
    if let [frame] = selected.as_slice()
        && frame.reaches_rebate()
        && ui.button("hold the box in the image area").clicked()
    {
        cx.push(BoxCommand::SetHeld(true));
    }
    if selected.is_empty() {
        note_ui(ui, "select a frame on the strip or a print to change its exposure and colour");
    }
}
