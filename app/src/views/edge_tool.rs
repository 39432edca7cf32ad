//! A box drawn in the large picture around a slanted edge, and what was measured there.

use egui::{
    Align2, Color32, CursorIcon, Painter, PointerButton, Pos2, Rect, Response, Stroke, StrokeKind, TextStyle,
    Ui, pos2, vec2,
};
use glassine_raster::{PixelRect, Point, Scan};
use glassine_session::Frame;

use super::frame_tools::{LIGHT, Place, plate_away_from};
use crate::commands::{SharpnessCommand, ViewCommand};
use crate::model::panels::Section;
use crate::model::sharpness_state::EffectFound;
use crate::model::ui_state::StripTool;
use crate::views::ViewCx;

/// Smaller boxes count as accidental, points.
const LEAST: f32 = 6.0;

/// Draws the box while the primary button is down, and has the edge in it measured.
pub(super) fn edge_ui(ui: &Ui, cx: &mut ViewCx<'_>, frame: &Frame, response: &Response, place: &Place<'_>) {
    let id = ui.scope_id().with(("edge box", frame.id.0));
    if response.hovered() {
        ui.ctx().set_cursor_icon(CursorIcon::Crosshair);
    }
    let painter = ui.painter_at(place.room);
    if response.drag_started_by(PointerButton::Primary)
        && let Some(from) = ui.input(|input| input.pointer.press_origin())
    {
        ui.data_mut(|data| data.insert_temp(id, from));
    }
    let from = ui.data(|data| data.get_temp::<Pos2>(id));
    let Some((from, to)) = from.zip(response.interact_pointer_pos()) else {
        let pointer = ui.input(|input| input.pointer.hover_pos()).unwrap_or(place.room.center());
        let text = "draw a box around one straight edge, slanted by about five degrees   ·   Esc leaves";
        plate_away_from(&painter, place.room, pointer, text);
        return;
    };
    outline(&painter, Rect::from_two_pos(from, to));
    if response.drag_stopped() {
        ui.data_mut(|data| data.remove::<Pos2>(id));
        let drawn = Rect::from_two_pos(from, to);
        let scan = cx.session.strip(frame.strip).map(|strip| strip.scan);
        if let Some(scan) = scan.filter(|_| drawn.width() >= LEAST && drawn.height() >= LEAST) {
            let corners =
                [drawn.min, drawn.right_top(), drawn.max, drawn.left_bottom()].map(|at| place.scan(at));
            cx.push(SharpnessCommand::MeasureEdge(scan, hull(&corners)));
            cx.push(ViewCommand::SetTool(StripTool::Boxes));
        }
    }
}

/// The pixels of a scan around some points.
fn hull(points: &[Point<Scan>]) -> PixelRect {
    let least = |value: fn(&Point<Scan>) -> f64| points.iter().map(value).fold(f64::MAX, f64::min).max(0.0);
    let most = |value: fn(&Point<Scan>) -> f64| points.iter().map(value).fold(0.0, f64::max);
    let (x0, y0) = (least(|p| p.x).floor() as u32, least(|p| p.y).floor() as u32);
    let (x1, y1) = (most(|p| p.x).ceil() as u32, most(|p| p.y).ceil() as u32);
    PixelRect::new(x0, y0, x1.max(x0 + 1), y1.max(y0 + 1))
}

/// Outlines the edge measured last, and writes what sharpening does to the shown part, while their section is open.
pub(super) fn paint_measured_ui(painter: &Painter, cx: &ViewCx<'_>, frame: &Frame, whole: Rect, room: Rect) {
    if !cx.ui_state.panels.is_open(Section::Sharpen) {
        return;
    }
    let place = Place::new(frame, whole, room);
    let scan = cx.session.context(frame).map(|(_, scan)| scan);
    if let Some(edge) = scan.and_then(|scan| cx.status.sharpness.edge_of(scan)) {
        let region = edge.report.as_ref().map_or(edge.area, |report| report.region);
        let corner = |x: u32, y: u32| place.screen(Point::new(f64::from(x), f64::from(y)));
        outline(painter, Rect::from_two_pos(corner(region.x0, region.y0), corner(region.x1, region.y1)));
    }
    let shown = cx.status.sharpness.effect.filter(|shown| shown.frame == frame.id);
    let found = shown.filter(|_| cx.ui_state.frame.loupe).map(|shown| shown.found);
    let Some(EffectFound::Measured(effect)) = found else { return };
    let parts = [
        effect.overshoot.map(|v| format!("overshoot {:.1} %", 100.0 * v)),
        effect.mtf50_gain.map(|v| format!("MTF50 × {v:.2}")),
        effect.noise_gain.map(|v| format!("noise × {v:.2}")),
    ];
    let text = parts.into_iter().flatten().collect::<Vec<_>>().join("   ·   ");
    let font = TextStyle::Body.resolve(&painter.ctx().global_style());
    let galley = painter.layout_no_wrap(text, font, LIGHT);
    let at = pos2(room.left() + 16.0, room.bottom() - galley.size().y - 14.0);
    let plate = Align2::LEFT_TOP.anchor_size(at, galley.size()).expand2(vec2(10.0, 5.0));
    painter.rect_filled(plate, 4.0, Color32::from_black_alpha(175));
    painter.galley(at, galley, LIGHT);
}

fn outline(painter: &Painter, rect: Rect) {
    painter.rect_stroke(rect, 0.0, Stroke::new(3.0, Color32::from_black_alpha(150)), StrokeKind::Middle);
    painter.rect_stroke(rect, 0.0, Stroke::new(1.5, LIGHT), StrokeKind::Middle);
}
