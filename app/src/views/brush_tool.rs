//! The repair brush on the large view: a circle under the pointer, a trail during a drag, one undo step per stroke.

use egui::{
    Color32, CursorIcon, EventFilter, Key, Painter, PointerButton, Pos2, Response, Shape, Stroke, Ui,
    epaint::PathShape, vec2,
};
use glassine_film::Param;
use glassine_raster::{Point, Scan};
use glassine_session::{BrushStroke, Edit, Frame, StrokeKind};

use super::frame_tools::{LIGHT, Place, plate_away_from};
use crate::commands::EditCommand;
use crate::model::brush_state::StrokeUnderWay;
use crate::views::ViewCx;
use crate::widgets::drag_value::arrow_steps;
use crate::widgets::theme;

/// Step of the brush for an arrow key, screen points; Shift takes ten, Alt a tenth.
const KEY_STEP: f32 = 4.0;
/// Minimum distance between points of a stroke, as a share of the radius.
const SPACING: f64 = 0.2;

/// Purpose of a brush, for the line under the picture.
fn purpose(kind: StrokeKind) -> &'static str {
    match kind {
        StrokeKind::Spot => "click a spot: what stands out in the circle is filled",
        StrokeKind::PaintIn => "paint over what is to be filled",
        StrokeKind::PaintOut => "paint over marks that are not dust",
    }
}

/// Draws the brush and handles its input. `response` is that of the whole view.
pub(super) fn brush_ui(
    ui: &Ui,
    cx: &mut ViewCx<'_>,
    frame: &Frame,
    response: &Response,
    place: &Place<'_>,
    kind: StrokeKind,
) {
    // A brush just selected takes the keyboard focus from whatever has it.
    if cx.ui_state.clean.in_hand != Some(kind) || ui.memory(|memory| memory.focused().is_none()) {
        cx.ui_state.clean.in_hand = Some(kind);
        response.request_focus();
    }
    if response.has_focus() {
        // Arrow keys move the brush, not the keyboard focus.
        let filter = EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
    }
    let painter = ui.painter_at(place.room);
    let radius_px = cx.ui_state.clean.brush_radius_px(cx.session, Some(frame.id));
    let radius = (radius_px * place.points_per_px) as f32;
    let at = follow(ui, cx, response, place);
    resize(ui, cx, response, radius_px);
    pull(ui, cx, frame, response, place, kind, radius_px);
    if let Some(stroke) = cx.ui_state.clean.stroke.as_ref().filter(|stroke| stroke.frame == frame.id) {
        let trail: Vec<Pos2> = stroke.points.iter().map(|p| place.screen(*p)).collect();
        paint_trail(&painter, &trail, radius, kind);
    }
    let is_used = response.hovered() || response.has_focus();
    if is_used && place.whole.expand(radius).contains(at) {
        painter.circle_stroke(at, radius, Stroke::new(3.0, Color32::from_black_alpha(130)));
        painter.circle_stroke(at, radius, Stroke::new(1.3, LIGHT));
        if kind == StrokeKind::PaintOut {
            painter.line_segment([at - vec2(3.0, 0.0), at + vec2(3.0, 0.0)], Stroke::new(1.3, LIGHT));
        }
    }
    if response.hovered() {
        ui.ctx().set_cursor_icon(if radius < 4.0 { CursorIcon::Crosshair } else { CursorIcon::None });
    }
    let text =
        format!("{}   ·   radius {radius_px:.0} scan px, + and − change it   ·   Esc leaves", purpose(kind));
    plate_away_from(&painter, place.room, at, &text);
    let scan = place.scan(at);
    ui.ctx().accesskit_node_builder(response.id, |node| {
        node.set_value(format!("brush at x {:.0} y {:.0}, radius {radius_px:.0} px", scan.x, scan.y));
    });
}

/// Position of the brush: under the pointer, or where the arrow keys moved it.
fn follow(ui: &Ui, cx: &mut ViewCx<'_>, response: &Response, place: &Place<'_>) -> Pos2 {
    let mut at = place.at_unit(cx.ui_state.clean.at);
    let steps = if ui.ctx().text_edit_focused() { egui::Vec2::ZERO } else { ui.input(arrow_steps) };
    let pointer = ui.input(|input| {
        let moved = input.pointer.delta() != egui::Vec2::ZERO || input.pointer.any_pressed();
        input.pointer.latest_pos().filter(|_| moved)
    });
    if response.has_focus() && steps != egui::Vec2::ZERO {
        at += vec2(steps.x, -steps.y) * KEY_STEP;
        let seen = place.whole.intersect(place.room);
        at = at.clamp(seen.min, seen.max);
    } else if let Some(pointer) = pointer.filter(|_| response.hovered() || response.dragged()) {
        at = pointer;
    }
    cx.ui_state.clean.at = place.unit(at);
    at
}

/// The wheel sizes the brush while the picture is fitted, and with Ctrl also at one to one.
fn resize(ui: &Ui, cx: &mut ViewCx<'_>, response: &Response, radius_px: f64) {
    if !response.hovered() {
        return;
    }
    let (notches, zoom) = ui.input(|input| (input.smooth_scroll_delta().y, input.zoom_delta()));
    let by_wheel = if cx.ui_state.frame.loupe { 1.0 } else { f64::from(notches / 400.0).exp() };
    let factor = by_wheel * f64::from(zoom);
    if factor != 1.0 && factor.is_finite() {
        cx.ui_state.clean.set_brush_radius(radius_px * factor);
    }
}

/// Collects the points of a stroke while the button is down, and finishes it on release.
fn pull(
    ui: &Ui,
    cx: &mut ViewCx<'_>,
    frame: &Frame,
    response: &Response,
    place: &Place<'_>,
    kind: StrokeKind,
    radius_px: f64,
) {
    let (is_down, pointer, origin) = ui.input(|input| {
        let pointer = &input.pointer;
        (pointer.button_down(PointerButton::Primary), pointer.latest_pos(), pointer.press_origin())
    });
    let by_key = response.has_focus()
        && !ui.ctx().text_edit_focused()
        && ui.input(|input| input.key_pressed(Key::Enter));
    let clean = &mut cx.ui_state.clean;
    if is_down && response.is_pointer_button_down_on() && !clean.dropped {
        let stroke = clean.stroke.get_or_insert_with(|| StrokeUnderWay {
            frame: frame.id,
            kind,
            points: origin.map(|at| place.scan(at)).into_iter().collect(),
        });
        if let Some(at) = pointer.map(|at| place.scan(at)) {
            add(&mut stroke.points, at, radius_px);
        }
    } else if !is_down {
        clean.dropped = false;
        if by_key && clean.stroke.is_none() {
            let points = vec![place.scan(place.at_unit(clean.at))];
            clean.stroke = Some(StrokeUnderWay { frame: frame.id, kind, points });
        }
        if let Some(stroke) = clean.stroke.take().filter(|stroke| stroke.frame == frame.id) {
            finish(cx, frame, &stroke, radius_px);
        }
    }
}

fn add(points: &mut Vec<Point<Scan>>, at: Point<Scan>, radius_px: f64) {
    let spacing_px = (radius_px * SPACING).max(0.5);
    if points.last().is_none_or(|last| last.distance(at) >= spacing_px) {
        points.push(at);
    }
}

/// Adds a stroke as one step. If the frame's repair was off, it is switched on, or the stroke would do nothing.
fn finish(cx: &mut ViewCx<'_>, frame: &Frame, stroke: &StrokeUnderWay, radius_px: f64) {
    let Some(made) = BrushStroke::new(stroke.kind, &stroke.points, radius_px) else { return };
    let mut edits = Vec::new();
    if stroke.kind != StrokeKind::PaintOut && frame.look.get(Param::RepairStrength) <= 0.5 {
        edits.push(Edit::SetParam { frames: vec![frame.id], param: Param::RepairStrength, value: 1.0 });
    }
    edits.push(Edit::AddStroke { frame: frame.id, stroke: made });
    cx.push(EditCommand::ApplyAll { label: stroke.kind.label().to_owned(), edits });
}

fn paint_trail(painter: &Painter, trail: &[Pos2], radius: f32, kind: StrokeKind) {
    let p = theme::palette_of(true);
    let ink =
        if kind == StrokeKind::PaintOut { Color32::from_white_alpha(90) } else { p.warn.gamma_multiply(0.7) };
    // Ends of a path are square; a disc at each rounds them, and also draws a stroke of one point.
    if let [first, .., last] = trail {
        painter.add(Shape::Path(PathShape::line(trail.to_vec(), Stroke::new(2.0 * radius, ink))));
        for end in [first, last] {
            painter.circle_stroke(*end, radius, Stroke::new(1.0, ink));
        }
    } else if let [only] = trail {
        painter.circle_filled(*only, radius, ink);
    }
}
