//! The line over the strip: what is shown, the size of the selected box, tools for boxes.

use egui::containers::menu::{MenuButton, MenuConfig};
use egui::{
    Align, Button, ComboBox, DragValue, Frame, Label, Layout, Margin, PopupCloseBehavior, RichText, Role,
    Sense, TextEdit, Ui, WidgetInfo, vec2,
};
use glassine_layout::format_by_id;
use glassine_raster::{MM_PER_INCH, Orientation, Point, TiltedBox};
use glassine_session::{Edit, Frame as SessionFrame, FrameId, FrameMark, Strip};

use super::settings::roll_name;
use super::toolbar::{key_text, separator};
use crate::commands::{BoxCommand, Command, EditCommand, JobCommand, ViewCommand};
use crate::model::aspect_lock::AspectLock;
use crate::model::doubts::{Doubt, strip_doubts};
use crate::model::ui_state::{FrameFilter, StripTool};
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, IconButton, paint_icon};
use crate::widgets::theme;
use crate::widgets::value_row::{label_ui, number_field_ui};

/// Height of the line, points.
pub(super) const HEIGHT: f32 = 34.0;
/// Room that the name of the strip keeps beside the size of a box, points.
const STRIP_LEAST: f32 = 100.0;
/// Windows narrower than this omit what is shown elsewhere, points.
const ROOMY: f32 = 1440.0;

pub(super) fn strip_bar_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let width = ui.available_width();
    Frame::new().fill(p.panel).inner_margin(Margin::symmetric(10, 0)).show(ui, |ui| {
        ui.allocate_ui_with_layout(vec2(width - 20.0, HEIGHT), Layout::right_to_left(Align::Center), |ui| {
            ui.spacing_mut().item_spacing.x = 2.0;
            view_tools_ui(ui, cx);
            separator(ui);
            if cx.ui_state.strip.contact {
                filter_ui(ui, cx);
                separator(ui);
            }
            box_tools_ui(ui, cx);
            separator(ui);
            box_size_ui(ui, cx);
            ui.add_space(8.0);
            // What is left of the line: its text is cut, not drawn over the tools.
            ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
                ui.spacing_mut().item_spacing.x = 4.0;
                left_ui(ui, cx);
            });
        });
    });
}

fn left_ui(ui: &mut Ui, cx: &ViewCx<'_>) {
    let p = theme::palette(ui);
    let title = RichText::new("strip").text_style(theme::section_style()).color(p.text_strong);
    ui.label(title);
    ui.add_space(6.0);
    let Some(strip) = cx.strip() else { return };
    let doubts = strip_doubts(strip);
    if let Some(first) = doubts.first() {
        let (rect, response) = ui.allocate_exact_size(vec2(16.0, 16.0), Sense::hover());
        paint_icon(ui.painter(), rect, Icon::Warn, p.warn);
        response.widget_info(|| WidgetInfo::labeled(Role::Label, true, first.text()));
        let lines: Vec<String> = doubts.iter().map(Doubt::text).collect();
        response.on_hover_text(lines.join("\n"));
    }
    let is_roomy = ui.ctx().content_rect().width() >= ROOMY;
    let text = strip_text(cx, strip, is_roomy);
    ui.add(Label::new(RichText::new(text).color(p.text_weak)).truncate());
}

/// What a strip is, in a few words.
pub(super) fn strip_text(cx: &ViewCx<'_>, strip: &Strip, is_long: bool) -> String {
    let format = strip.format_id.as_deref().map(|id| format_by_id(id).map_or(id, |format| format.label));
    let roll = strip.roll.and_then(|id| cx.session.roll(id)).map(|roll| roll_name(cx.session, roll));
    let mut parts: Vec<String> = roll.into_iter().collect();
    parts.push(strip.film.label().to_lowercase());
    parts.extend(format.map(str::to_owned));
    if is_long {
        let frames = cx.session.frames_of(strip.id).count();
        parts.push(format!("{frames} {}", if frames == 1 { "frame" } else { "frames" }));
        if cx.session.strips.len() > 1 {
            let place = cx.session.strip_place(strip.id);
            parts.push(format!("strip {place} of {}", cx.session.strips.len()));
        }
    }
    parts.join("  ·  ")
}

/// Tools for the view, at the right end.
fn view_tools_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let look = cx.ui_state.strip;
    let fits_strip = look.zoom_points.is_none() && !look.contact;
    let fit = IconButton::new(Icon::Fit, "whole strip").tip("0, or double click").enabled(!fits_strip);
    if fit.show(ui).clicked() {
        cx.push(ViewCommand::FitStrip);
    }
    if cx.session.strips.len() > 1 {
        let button = Button::selectable(look.contact, "all strips").frame_when_inactive(false);
        let tip = "show every strip with its prints, as on a contact print   A";
        if ui.add(button).on_hover_text(tip).clicked() {
            cx.push(ViewCommand::ShowContact(!look.contact));
        }
    }
    let whole = cx.ui_state.strip.whole_scans;
    let button = Button::selectable(whole, "whole scans").frame_when_inactive(false);
    if ui
        .add(button)
        .on_hover_text("show scans as they are, instead of one piece for each strip   W")
        .clicked()
    {
        cx.push(ViewCommand::ShowWholeScans(!whole));
    }
    let base = cx.ui_state.show_base_pixels;
    let button = Button::selectable(base, "base pixels").frame_when_inactive(false);
    if ui.add(button).on_hover_text("mark the pixels that count as film base   I").clicked() {
        cx.push(ViewCommand::ShowBasePixels(!base));
    }
}

/// Tools for the selected boxes; laid out from the right.
fn box_tools_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let has_frame = cx.primary().is_some();
    let button = |icon, name, tip: String| IconButton::new(icon, name).tip(tip).enabled(has_frame);
    let key = |ui: &Ui, text: &str| key_text(ui, text, None);
    if button(Icon::Bin, "delete", key(ui, "delete the selected frames")).show(ui).clicked() {
        cx.push(BoxCommand::Delete);
    }
    if button(Icon::Copy, "duplicate", key(ui, "duplicate onto the next position")).show(ui).clicked() {
        cx.push(BoxCommand::Duplicate);
    }
    if IconButton::new(Icon::Plus, "add frame").tip(key(ui, "add a frame")).show(ui).clicked() {
        cx.push(BoxCommand::Add);
    }
    ui.add_space(6.0);
    if button(Icon::Flip, "flip", key(ui, "flip left to right")).show(ui).clicked() {
        cx.push(EditCommand::FlipHorizontally);
    }
    if button(Icon::TurnRight, "turn right", key(ui, "quarter turn clockwise")).show(ui).clicked() {
        cx.push(EditCommand::QuarterTurn(1));
    }
    if button(Icon::TurnLeft, "turn left", key(ui, "quarter turn counter-clockwise")).show(ui).clicked() {
        cx.push(EditCommand::QuarterTurn(-1));
    }
    ui.add_space(6.0);
    let level = cx.ui_state.tool == StripTool::Level;
    let tip = key(ui, "straighten: draw along something level");
    if button(Icon::Level, "straighten", tip).on(level).show(ui).clicked() {
        cx.push(ViewCommand::SetTool(cx.ui_state.toggled_tool(StripTool::Level)));
    }
    let held = cx.primary().is_some_and(|frame| frame.held);
    let tip = "keeps boxes inside the measured image".to_owned();
    if button(Icon::Hold, "hold in image", tip).on(held).show(ui).clicked() {
        cx.push(BoxCommand::SetHeld(!held));
    }
    more_ui(ui, cx);
    aspect_ui(ui, cx);
}

/// Rarer tools, behind one button.
fn more_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let Some(frame) = cx.primary() else { return };
    let config = MenuConfig::new().close_behavior(PopupCloseBehavior::CloseOnClickOutside);
    let (response, _) = MenuButton::new("more").config(config).ui(ui, |ui| {
        ui.set_min_width(260.0);
        let mut pick = |ui: &mut Ui, text: &str, command: Command| {
            if ui.button(text).clicked() {
                cx.out.push(command);
                ui.close();
            }
        };
        if cx.ui_state.selected.len() > 1 {
            pick(
                ui,
                "match the other selected frames to this one",
                Command::Job(JobCommand::MatchFrames { target: None }),
            );
        }
        pick(ui, "give every box of the strip this size", Command::Box(BoxCommand::ResizeAlike));
        pick(ui, "space the boxes evenly", Command::Box(BoxCommand::Distribute));
        pick(ui, "mirror the strip: it was scanned from its other side", EditCommand::MirrorStrip.into());
        pick(ui, "turn the strip the other way round", EditCommand::TurnStrip.into());
        pick(ui, "flip top to bottom", Command::Edit(EditCommand::FlipVertically));
        let choice =
            if frame.is_left_out() { "include in the export again" } else { "leave out of the export" };
        pick(ui, choice, EditCommand::SetMark(FrameMark::LeaveOut).into());
        let at = cx.session.frame_idx(frame.id).unwrap_or(0);
        let to = |to: usize| Command::Edit(EditCommand::Apply(Edit::MoveFrame { frame: frame.id, to }));
        if at > 0 {
            pick(ui, "one place earlier in the order", to(at - 1));
        }
        if at + 1 < cx.session.frames.len() {
            pick(ui, "one place later in the order", to(at + 1));
        }
        ui.separator();
        number_rows_ui(ui, cx, frame);
        name_row_ui(ui, cx, frame);
    });
    response.on_hover_text("place and size in numbers, equal sizes, spacing, order, name");
}

/// Field for the frame's individual file name, instead of base name and counter.
fn name_row_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &SessionFrame) {
    ui.horizontal(|ui| {
        label_ui(ui, "file name", false);
        let id = ui.scope_id().with(("name of frame", frame.id.0));
        let kept = || frame.name.clone().unwrap_or_default();
        let mut text = ui.data(|data| data.get_temp::<String>(id)).unwrap_or_else(kept);
        let output = &cx.session.output;
        let hint = format!("{} {}", output.base_name, output.number_of(frame, output.digits));
        let edit = ui.add(TextEdit::singleline(&mut text).desired_width(130.0).hint_text(hint));
        edit.widget_info(|| {
            let mut info = WidgetInfo::labeled(Role::TextInput, true, "file name");
            info.current_text_value = Some(text.clone());
            info
        });
        if edit.lost_focus() {
            ui.data_mut(|data| data.remove_temp::<String>(id));
            let name = Some(text.trim().to_owned()).filter(|name| !name.is_empty());
            if name != frame.name {
                cx.push(EditCommand::Apply(Edit::SetFrameName { frame: frame.id, name }));
            }
        } else if edit.has_focus() {
            ui.data_mut(|data| data.insert_temp(id, text));
        }
    });
}

/// The box in numbers, and the number of the first frame.
fn number_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &SessionFrame) {
    let b = frame.crop;
    let corner = b.corners()[0];
    let mut wish = None;
    let mut row =
        |ui: &mut Ui, name: &str, value: f64, speed: f64, suffix: &str, change: &dyn Fn(f64) -> TiltedBox| {
            ui.horizontal(|ui| {
                label_ui(ui, name, false);
                let mut shown = value;
                let drag = DragValue::new(&mut shown).speed(speed).max_decimals(2).suffix(suffix);
                if number_field_ui(ui, drag, name, 96.0).changed() && shown.is_finite() {
                    wish = Some(change(shown));
                }
            });
        };
    let moved = |dx: f64, dy: f64| TiltedBox { center: Point::new(b.center.x + dx, b.center.y + dy), ..b };
    row(ui, "left", corner.x, 1.0, " px", &|x| moved(x - corner.x, 0.0));
    row(ui, "top", corner.y, 1.0, " px", &|y| moved(0.0, y - corner.y));
    row(ui, "width", b.width_px, 1.0, " px", &|w| sized(&b, w, b.height_px));
    row(ui, "height", b.height_px, 1.0, " px", &|h| sized(&b, b.width_px, h));
    row(ui, "turn", b.angle_rad.to_degrees(), 0.02, "°", &|a| TiltedBox { angle_rad: a.to_radians(), ..b });
    if let Some(wish) = wish {
        cx.push(BoxCommand::Place(frame.id, wish));
    }
    margin_row_ui(ui, cx, frame);
    let first = cx.session.frames.first().map_or(1, |frame| frame.number);
    let half = cx.session.output.half_numbers;
    let steps = if half { 2 } else { 1 };
    ui.horizontal(|ui| {
        label_ui(ui, "first number", false);
        let mut shown = first / steps;
        let drag = DragValue::new(&mut shown).range(0..=9999).speed(0.1);
        if number_field_ui(ui, drag, "first number", 96.0).changed() {
            cx.push(EditCommand::Renumber(shown * steps));
        }
    });
    let mut shown = half;
    let tip = "two frames share a number, as on half-frame film: 12, 12A, 13";
    if ui.checkbox(&mut shown, "half numbers").on_hover_text(tip).changed() {
        cx.push(EditCommand::Apply(Edit::SetHalfNumbers(shown)));
    }
}

/// Distance that guarded boxes keep from the image edges, for every selected frame.
fn margin_row_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &SessionFrame) {
    let mut shown = frame.guard_margin_px;
    let mut changed = false;
    ui.horizontal(|ui| {
        label_ui(ui, "guard margin", false);
        let drag = DragValue::new(&mut shown).range(0.0..=200.0).speed(0.1).max_decimals(2).suffix(" px");
        changed = number_field_ui(ui, drag, "guard margin", 96.0).changed();
    });
    if changed && shown.is_finite() {
        let is_there = |id: &FrameId| cx.session.frame(*id).is_some();
        let frames = cx.ui_state.selected.iter().copied().filter(is_there).collect();
        cx.push(EditCommand::Apply(Edit::SetGuardMargin { frames, margin_px: shown }));
    }
}

/// The box with another size; its own top left corner stays in place.
fn sized(b: &TiltedBox, width_px: f64, height_px: f64) -> TiltedBox {
    let (width_px, height_px) = (width_px.max(1.0), height_px.max(1.0));
    let (sin, cos) = b.angle_rad.sin_cos();
    let (dx, dy) = ((width_px - b.width_px) / 2.0, (height_px - b.height_px) / 2.0);
    let center = Point::new(b.center.x + cos * dx - sin * dy, b.center.y + sin * dx + cos * dy);
    TiltedBox { center, width_px, height_px, ..*b }
}

fn aspect_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let current = cx.ui_state.aspect;
    let combo = ComboBox::from_id_salt("shape of boxes").width(92.0).selected_text(current.label());
    let response = combo.show_ui(ui, |ui| {
        for aspect in AspectLock::ALL {
            if ui.selectable_label(aspect == current, aspect.label()).clicked() {
                cx.out.push(Command::Box(BoxCommand::SetAspect(aspect)));
            }
        }
    });
    let label = format!("shape of boxes: {}", current.label());
    response.response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::ComboBox, true, &label));
    response.response.on_hover_text("proportion that boxes keep while they are sized");
}

/// Which frames stand out in the contact print.
fn filter_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let current = cx.ui_state.strip.filter;
    let combo = ComboBox::from_id_salt("frames that stand out").width(104.0).selected_text(current.label());
    let response = combo.show_ui(ui, |ui| {
        for filter in FrameFilter::ALL {
            ui.selectable_value(&mut cx.ui_state.strip.filter, filter, filter.label());
        }
    });
    let label = format!("frames that stand out: {}", current.label());
    response.response.widget_info(|| WidgetInfo::labeled(Role::ComboBox, true, &label));
    response.response.on_hover_text("frames that stand out; the others are dimmed");
}

/// Size of the selected box in millimetres, pixels and megapixels.
fn box_size_ui(ui: &mut Ui, cx: &ViewCx<'_>) {
    let p = theme::palette(ui);
    let Some(frame) = cx.primary() else { return };
    let ppi = cx.session.context(frame).and_then(|(_, scan)| scan.ppi);
    let text = size_text(&frame.crop, frame.orientation, ppi);
    let room = vec2((ui.available_width() - STRIP_LEAST).max(0.0), HEIGHT);
    ui.allocate_ui_with_layout(room, Layout::right_to_left(Align::Center), |ui| {
        ui.add(Label::new(RichText::new(text).color(p.text)).truncate());
    });
}

fn size_text(b: &TiltedBox, orientation: Orientation, ppi: Option<f64>) -> String {
    let (w, h) =
        if orientation.swaps_sides() { (b.height_px, b.width_px) } else { (b.width_px, b.height_px) };
    let mut parts = Vec::new();
    if let Some(ppi) = ppi.filter(|ppi| *ppi > 0.0) {
        parts.push(format!("{:.1} × {:.1} mm", w / ppi * MM_PER_INCH, h / ppi * MM_PER_INCH));
    }
    parts.push(format!("{w:.0} × {h:.0} px"));
    parts.push(format!("{:.1} MP", w * h / 1e6));
    let degrees = b.angle_rad.to_degrees();
    let degrees = degrees - 90.0 * (degrees / 90.0).round();
    parts.push(format!("{degrees:+.2}°"));
    parts.join("  ·  ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_box_is_read_out_in_millimetres_pixels_and_megapixels() {
        let b =
            TiltedBox { angle_rad: 0.4_f64.to_radians(), ..TiltedBox::from_edges(0.0, 0.0, 2000.0, 1000.0) };
        assert_eq!(
            size_text(&b, Orientation::default(), Some(508.0)),
            "100.0 × 50.0 mm  ·  2000 × 1000 px  ·  2.0 MP  ·  +0.40°"
        );
        assert_eq!(size_text(&b, Orientation::new(1, false), None), "1000 × 2000 px  ·  2.0 MP  ·  +0.40°");
    }

    #[test]
    fn a_new_size_keeps_the_top_left_corner() {
        let b = TiltedBox { angle_rad: 0.3, ..TiltedBox::from_edges(10.0, 20.0, 110.0, 80.0) };
        let wider = sized(&b, 150.0, 60.0);
        assert!(wider.corners()[0].distance(b.corners()[0]) < 1e-9);
        assert_eq!((wider.width_px, wider.height_px), (150.0, 60.0));
    }
}
