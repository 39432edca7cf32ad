//! The current frame, large: the whole picture or scan pixels one to one, with overlays and before and after.

use egui::{
    Align, Align2, Button, Color32, CursorIcon, Frame as Surface, Label, Layout, Margin, Painter,
    PointerButton, Rect, Response, RichText, Role, Sense, Stroke, TextStyle, Ui, Vec2, WidgetInfo, pos2,
    vec2,
};
use glassine_engine::{DIFFERENCE_GAIN, Overlay, PictureSide, UnitRect, ViewKey};
use glassine_raster::PixelRect;
use glassine_session::Frame;

use super::frame_tools::{frame_tools_ui, has_clicks};
use super::settings::is_unsure;
use super::strip_view::flag_text;
use crate::commands::ViewCommand;
use crate::model::brush_state::shown_overlay;
use crate::model::preview_requests::Viewport;
use crate::model::ui_state::StripTool;
use crate::views::ViewCx;
use crate::widgets::histogram_plot::percent_text;
use crate::widgets::theme;

/// Height of the line over the picture, points.
const BAR: f32 = 34.0;
/// Free room around the picture, points.
const PAD: f32 = 14.0;
/// Largest picture requested, physical pixels.
const MAX_PICTURE_PX: f32 = 2560.0;
/// Time a picture may lack its dust repair before the view mentions it, seconds: a message shorter than this only
/// flickers.
const DUST_GLANCE_S: f64 = 0.4;

pub(super) fn frame_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let Some(frame) = cx.primary() else {
        ui.centered_and_justified(|ui| {
            ui.label(RichText::new("select a frame on the strip").color(p.text_weak));
        });
        return;
    };
    let width = ui.available_width();
    Surface::new().fill(p.panel).inner_margin(Margin::symmetric(10, 0)).show(ui, |ui| {
        let size = vec2(width - 20.0, BAR);
        ui.allocate_ui_with_layout(size, Layout::left_to_right(Align::Center), |ui| bar_ui(ui, cx, frame));
    });
    let room = ui.available_rect_before_wrap();
    picture_ui(ui, cx, frame, room);
    ui.advance_cursor_after_rect(room);
}

fn bar_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &Frame) {
    let p = theme::palette(ui);
    let name = frame.name.clone().unwrap_or_default();
    let title = RichText::new(format!("frame {} {name}", cx.session.number_text(frame)).trim().to_owned());
    ui.label(title.text_style(theme::section_style()).color(p.text_strong));
    ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
        ui.spacing_mut().item_spacing.x = 2.0;
        for (overlay, text, tip) in [
            (Overlay::DustMap, "dust", "mark dust and scratches   K"),
            (Overlay::BasePixels, "base", "mark pixels of the frame that count as film base"),
            (Overlay::Clipping, "clipping", "mark clipped pixels   C"),
        ] {
            let on = cx.ui_state.frame.overlay == overlay;
            let button = Button::selectable(on, text).frame_when_inactive(false);
            if ui.add(button).on_hover_text(tip).clicked() {
                cx.push(ViewCommand::SetOverlay(if on { Overlay::None } else { overlay }));
            }
        }
        ui.add_space(8.0);
        let picks = cx.ui_state.tool == StripTool::GreyPoint;
        let button = Button::selectable(picks, "grey point").frame_when_inactive(false);
        if ui
            .add(button)
            .on_hover_text("click something grey in the picture; its balance follows   G")
            .clicked()
        {
            cx.push(ViewCommand::SetTool(cx.ui_state.toggled_tool(StripTool::GreyPoint)));
        }
        before_button_ui(ui, cx);
        ui.add_space(8.0);
        let loupe = cx.ui_state.frame.loupe;
        for (wanted, text, tip) in [
            (true, "1 : 1", "one scan pixel to one screen pixel   Z"),
            (false, "fit", "the whole picture   Z"),
        ] {
            let button = Button::selectable(loupe == wanted, text).frame_when_inactive(false);
            if ui.add(button).on_hover_text(tip).clicked() {
                cx.push(ViewCommand::SetLoupe(wanted));
            }
        }
        ui.add_space(8.0);
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| remarks_ui(ui, frame));
    });
}

/// Remarks on what the user should check.
fn remarks_ui(ui: &mut Ui, frame: &Frame) {
    let p = theme::palette(ui);
    let mut remarks: Vec<&str> = frame.flags.iter().map(|flag| flag_text(*flag)).collect();
    if frame.reaches_rebate() {
        remarks.insert(0, "the box reaches the rebate: its statistics would be wrong");
    } else if !frame.held {
        remarks.insert(0, "holding is off");
    }
    if is_unsure(frame) {
        remarks.push("few grey tones: its colour is a guess");
    }
    if frame.skipped {
        remarks.push("left out of the export");
    }
    if !remarks.is_empty() {
        let to_look_at = !frame.flags.is_empty() || frame.reaches_rebate() || is_unsure(frame);
        let ink = if !to_look_at { p.text_weak } else { p.warn };
        ui.add(Label::new(RichText::new(remarks.join("  ·  ")).color(ink)).truncate());
    }
}

/// Shows the frame before its settings while the button is held; the key toggles it.
fn before_button_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let on = cx.ui_state.frame.show_before;
    let button = Button::selectable(on, "before").frame_when_inactive(false);
    let response = ui.add(button).on_hover_text("hold to see the frame before its settings   B");
    let is_held = response.is_pointer_button_down_on();
    let id = response.id.with("held");
    let was_held = ui.data(|data| data.get_temp::<bool>(id)).unwrap_or(false);
    if is_held != was_held {
        ui.data_mut(|data| data.insert_temp(id, is_held));
        cx.push(ViewCommand::ShowBefore(is_held));
    } else if response.clicked() && !is_held && !was_held {
        // Pressed by key or by a screen reader: no button to hold.
        cx.push(ViewCommand::ShowBefore(!on));
    }
}

/// Width and height of the upright picture in scan pixels.
fn upright_size(frame: &Frame) -> (f64, f64) {
    let b = &frame.crop;
    if frame.orientation.swaps_sides() { (b.height_px, b.width_px) } else { (b.width_px, b.height_px) }
}

fn picture_ui(ui: &Ui, cx: &mut ViewCx<'_>, frame: &Frame, room: Rect) {
    let response = ui.interact(room, ui.scope_id().with(("large view", frame.id.0)), Sense::click_and_drag());
    let mode = if cx.ui_state.frame.loupe { "one to one" } else { "whole picture" };
    response.widget_info(|| {
        let mut info =
            WidgetInfo::labeled(Role::Image, true, format!("frame {} large", cx.session.number_text(frame)));
        info.current_text_value = Some(mode.to_owned());
        info
    });
    if response.clicked() {
        response.request_focus();
    }
    if response.has_focus() {
        cx.ui_state.canvas_focus = Some(response.id);
        cx.ui_state.canvas_frame = Some(frame.id);
    }
    let pixels = ui.ctx().pixels_per_point();
    let (w, h) = upright_size(frame);
    let whole = if cx.ui_state.frame.loupe {
        loupe_rect(ui, cx, &response, (w, h), room, pixels)
    } else {
        let inner = room.shrink(PAD);
        let scale = (f64::from(inner.width()) / w).min(f64::from(inner.height()) / h).max(0.0);
        // Whole points keep the edge of the picture crisp.
        let size = vec2((w * scale) as f32, (h * scale) as f32).round();
        Align2::CENTER_CENTER.align_size_within_rect(size, inner)
    };
    if response.double_clicked() && !has_clicks(cx, frame) {
        toggle_loupe(cx, &response, whole);
    }
    let viewport = viewport(cx, frame, whole, room, pixels);
    cx.ui_state.requests.picture(ViewKey::Frame(frame.id), viewport);
    let compared = match (cx.ui_state.clean.show_unrepaired, cx.ui_state.frame.show_before) {
        (true, _) => Some((PictureSide::Unrepaired, "without dust repair")),
        (_, true) => Some((PictureSide::Before, "before its settings")),
        _ => None,
    };
    let key = match compared {
        Some((side, _)) => {
            let other = Viewport { side, overlay: Overlay::None, ..viewport };
            cx.ui_state.requests.picture(ViewKey::Compare(frame.id), other);
            ViewKey::Compare(frame.id)
        }
        None => ViewKey::Frame(frame.id),
    };
    let painter = ui.painter_at(room);
    paint_picture(&painter, cx, frame, key, whole);
    if let Some((_, text)) = compared {
        tag(&painter, room, text);
    } else if viewport.overlay == Overlay::RepairDifference {
        tag(&painter, room, &format!("what dust repair changes, {DIFFERENCE_GAIN:.0} times amplified"));
    } else if dust_is_looked_for(ui, cx, key) {
        let now_s = ui.input(|input| input.time);
        tag(&painter, room, &dust_text(cx.previews.dust_look(key, now_s)));
    } else if let Some(text) = proof_text(cx, key) {
        tag(&painter, room, &text);
    }
    if let Some(why) = cx.previews.failure(key) {
        failure_ui(&painter, room, why);
    }
    frame_tools_ui(ui, cx, frame, &response, whole, room);
}

/// Progress of the dust detection, in words.
fn dust_text(look: Option<(f64, Option<String>)>) -> String {
    let far = look.map(|(share, left)| {
        let left = left.map_or_else(String::new, |left| format!(", {left}"));
        format!(", {:.0} %{left}", share * 100.0)
    });
    format!("looking for dust{}; the repaired picture follows", far.unwrap_or_default())
}

/// Whether the shown picture has been waiting for its dust repair for longer than a glance.
fn dust_is_looked_for(ui: &Ui, cx: &ViewCx<'_>, key: ViewKey) -> bool {
    let is_waiting = cx.previews.picture(key).is_some_and(|(_, preview)| preview.lacks_repair);
    let id = ui.scope_id().with("waits for repair since");
    if !is_waiting {
        ui.data_mut(|data| data.remove::<f64>(id));
        return false;
    }
    let now_s = ui.input(|input| input.time);
    let since_s = ui.data_mut(|data| *data.get_temp_mut_or_insert_with(id, || now_s));
    let left_s = DUST_GLANCE_S - (now_s - since_s);
    if left_s > 0.0 {
        ui.ctx().request_repaint_after_secs(left_s as f32);
    }
    left_s <= 0.0
}

/// Rectangle of the whole picture at one to one; dragging and scrolling pan it.
fn loupe_rect(
    ui: &Ui,
    cx: &mut ViewCx<'_>,
    response: &Response,
    (w, h): (f64, f64),
    room: Rect,
    pixels: f32,
) -> Rect {
    let size = vec2(w as f32, h as f32) / pixels;
    let mut delta = Vec2::ZERO;
    // A brush uses the primary button; any other button, and the wheel, move the picture.
    let paints = matches!(cx.ui_state.tool, StripTool::Brush(_));
    if response.dragged() && !(paints && response.dragged_by(PointerButton::Primary)) {
        delta += response.drag_delta();
    }
    if ui.rect_contains_pointer(room) {
        delta += ui.input(|input| input.smooth_scroll_delta());
    }
    let center = &mut cx.ui_state.frame.center;
    if delta != Vec2::ZERO {
        center.0 -= f64::from(delta.x / size.x.max(1.0));
        center.1 -= f64::from(delta.y / size.y.max(1.0));
    }
    // The picture stays in view: its edge may reach the middle of the margin, not further.
    let keep = |at: f64, size: f32, room: f32| {
        let half = f64::from(((room / 2.0 - PAD) / size.max(1.0)).min(0.5));
        at.clamp(half, 1.0 - half)
    };
    *center = (keep(center.0, size.x, room.width()), keep(center.1, size.y, room.height()));
    ui.ctx().set_cursor_icon_if(response.hovered(), response.dragged());
    let at = room.center() - vec2(center.0 as f32 * size.x, center.1 as f32 * size.y);
    // On whole physical pixels, so that one scan pixel is one screen pixel.
    let snapped = pos2((at.x * pixels).round() / pixels, (at.y * pixels).round() / pixels);
    Rect::from_min_size(snapped, size)
}

trait PanCursor {
    fn set_cursor_icon_if(&self, is_over: bool, is_dragged: bool);
}

impl PanCursor for egui::Context {
    fn set_cursor_icon_if(&self, is_over: bool, is_dragged: bool) {
        if is_dragged {
            self.set_cursor_icon(CursorIcon::Grabbing);
        } else if is_over {
            self.set_cursor_icon(CursorIcon::Grab);
        }
    }
}

/// Switches to one to one at the double-clicked place, or back.
fn toggle_loupe(cx: &mut ViewCx<'_>, response: &Response, whole: Rect) {
    let loupe = cx.ui_state.frame.loupe;
    if let Some(at) = response.interact_pointer_pos().filter(|_| !loupe) {
        let unit = (at - whole.min) / whole.size().max(vec2(1.0, 1.0));
        cx.ui_state.frame.center = (f64::from(unit.x).clamp(0.0, 1.0), f64::from(unit.y).clamp(0.0, 1.0));
    }
    cx.push(ViewCommand::SetLoupe(!loupe));
}

/// The visible part of the picture, at its size on screen.
fn viewport(cx: &ViewCx<'_>, frame: &Frame, whole: Rect, room: Rect, pixels: f32) -> Viewport {
    let seen = if cx.ui_state.frame.loupe { whole.intersect(room) } else { whole };
    let unit = |at: f32, from: f32, size: f32| f64::from(((at - from) / size.max(1.0)).clamp(0.0, 1.0));
    let region = if cx.ui_state.frame.loupe && seen.is_positive() {
        UnitRect {
            x0: unit(seen.left(), whole.left(), whole.width()),
            y0: unit(seen.top(), whole.top(), whole.height()),
            x1: unit(seen.right(), whole.left(), whole.width()),
            y1: unit(seen.bottom(), whole.top(), whole.height()),
        }
    } else {
        UnitRect::WHOLE
    };
    let (w, h) = upright_size(frame);
    // No more pixels than the scan has: the screen does the enlarging.
    let size = |points: f32, scan_px: f64| {
        let px = (points * pixels).round().min(MAX_PICTURE_PX);
        (f64::from(px).min(scan_px.ceil()).max(1.0)) as u32
    };
    Viewport {
        region,
        scan_rect: PixelRect::default(),
        size_px: [size(seen.width(), w), size(seen.height(), h)],
        side: PictureSide::Positive,
        overlay: shown_overlay(cx.ui_state),
    }
}

/// Paints the picture, over the small print while a part has not arrived.
fn paint_picture(painter: &Painter, cx: &ViewCx<'_>, frame: &Frame, key: ViewKey, whole: Rect) {
    let p = theme::palette_of(!cx.ui_state.light);
    let unit = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
    let large = cx.previews.picture(key).or_else(|| cx.previews.picture(ViewKey::Frame(frame.id)));
    let covers = large.is_some_and(|(_, preview)| preview.region == UnitRect::WHOLE);
    if !covers {
        match cx.previews.picture(ViewKey::Print(frame.id)) {
            Some((texture, ..)) => {
                painter.image(texture.id(), whole, unit, Color32::WHITE);
            }
            None => {
                painter.rect_filled(whole, 0.0, p.field);
                if cx.previews.failure(key).is_none() {
                    let font = TextStyle::Body.resolve(&painter.ctx().global_style());
                    let middle = whole.intersect(painter.clip_rect()).center();
                    painter.text(middle, Align2::CENTER_CENTER, "making the picture", font, p.text_weak);
                }
            }
        }
    }
    if let Some((texture, preview)) = large {
        let region = preview.region;
        let at = |u: f64, v: f64| {
            pos2(whole.left() + u as f32 * whole.width(), whole.top() + v as f32 * whole.height())
        };
        let rect = Rect::from_min_max(at(region.x0, region.y0), at(region.x1, region.y1));
        painter.image(texture.id(), rect, unit, Color32::WHITE);
    }
}

/// What the picture is a proof of, and how much of it is out of gamut.
fn proof_text(cx: &ViewCx<'_>, key: ViewKey) -> Option<String> {
    let (_, preview) = cx.previews.picture(key).filter(|(_, preview)| preview.is_proof)?;
    let of = cx.status.screen.proof.as_deref()?;
    let marked = preview.out_of_gamut_share.map(|share| format!(", {} % out of gamut", percent_text(share)));
    Some(format!("proof of {of}{}", marked.unwrap_or_default()))
}

fn tag(painter: &Painter, room: Rect, text: &str) {
    let font = theme::strong_style().resolve(&painter.ctx().global_style());
    let galley = painter.layout_no_wrap(text.to_owned(), font, Color32::from_gray(240));
    let at = pos2(room.center().x - galley.size().x / 2.0, room.top() + 12.0);
    let plate = Rect::from_min_size(at, galley.size()).expand2(vec2(10.0, 4.0));
    painter.rect_filled(plate, 4.0, Color32::from_black_alpha(170));
    painter.galley(at, galley, Color32::from_gray(240));
}

fn failure_ui(painter: &Painter, room: Rect, why: &str) {
    let p = theme::palette_of(painter.ctx().global_style().visuals.dark_mode);
    let font = TextStyle::Body.resolve(&painter.ctx().global_style());
    let galley =
        painter.layout(why.to_owned(), font, p.text_strong, (room.width() - 80.0).clamp(60.0, 560.0));
    let at = room.center() - galley.size() / 2.0;
    let plate = Rect::from_min_size(at, galley.size()).expand(14.0);
    painter.rect_filled(plate, 6.0, p.panel);
    painter.rect_stroke(plate, 6.0, Stroke::new(1.0, p.warn), egui::StrokeKind::Inside);
    painter.galley(at, galley, p.text_strong);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_look_for_dust_says_how_far_it_is_and_how_long_it_takes_as_far_as_that_is_known() {
        assert_eq!(dust_text(None), "looking for dust; the repaired picture follows");
        assert_eq!(dust_text(Some((0.214, None))), "looking for dust, 21 %; the repaired picture follows");
        let left = Some("about 5 s left".to_owned());
        assert_eq!(
            dust_text(Some((0.5, left))),
            "looking for dust, 50 %, about 5 s left; the repaired picture follows"
        );
    }
}
