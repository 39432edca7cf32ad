//! Drawing on the strip: a box to measure the film base in, or a line along something level.

use egui::{Color32, CursorIcon, Painter, Pos2, Rect, Role, Sense, Shape, Stroke, Ui, WidgetInfo};
use glassine_raster::TiltedBox;

use super::strip_view::StripPlace;
use crate::commands::{BoxCommand, JobCommand, ViewCommand};
use crate::model::strip_space::Piece;
use crate::model::ui_state::StripTool;
use crate::views::ViewCx;
use crate::widgets::theme;

/// Shorter drags count as accidental, scan pixels.
const MIN_DRAWN_PX: f64 = 4.0;

/// Takes over the pointer on the strip while the user draws.
pub(super) fn drawing_ui(ui: &Ui, cx: &mut ViewCx<'_>, place: &StripPlace) {
    let name = match cx.ui_state.tool {
        StripTool::BaseBox => "draw a box on clear film",
        StripTool::Level => "draw along something level",
        StripTool::Boxes | StripTool::GreyPoint | StripTool::Edge | StripTool::Brush(_) => return,
    };
    let area = place.view.rect;
    let response = ui.interact(area, ui.scope_id().with("drawing"), Sense::drag());
    response.widget_info(|| WidgetInfo::labeled(Role::Canvas, true, name));
    if response.hovered() || response.dragged() {
        ui.ctx().set_cursor_icon(CursorIcon::Crosshair);
    }
    if response.drag_started()
        && let Some(at) = ui.input(|input| input.pointer.press_origin())
        && let Some(piece) = place.space.piece_at(place.view.space(at))
    {
        cx.ui_state.drawing_from = Some((piece.scan, place.view.scan_from_screen(piece, at)));
    }
    let painter = ui.painter_at(area);
    if let Some((scan, from)) = cx.ui_state.drawing_from
        && let Some(piece) = place.space.pieces.iter().find(|piece| piece.scan == scan)
        && let Some(at) = ui.input(|input| input.pointer.latest_pos())
    {
        let start = place.view.screen_from_scan(piece, from);
        paint(&painter, cx.ui_state.tool, start, at, theme::palette(ui).accent);
        if response.drag_stopped() {
            finish(cx, place, piece, (start, at));
        }
    }
    hint(&painter, area, name, theme::palette(ui));
}

fn paint(painter: &Painter, tool: StripTool, from: Pos2, to: Pos2, line: Color32) {
    let stroke = Stroke::new(2.0, line);
    if tool == StripTool::BaseBox {
        let rect = Rect::from_two_pos(from, to);
        painter.rect_filled(rect, 0.0, line.gamma_multiply(0.18));
        painter.rect_stroke(rect, 0.0, stroke, egui::StrokeKind::Middle);
    } else {
        painter.add(Shape::line_segment([from, to], Stroke::new(4.0, Color32::from_black_alpha(140))));
        painter.add(Shape::line_segment([from, to], stroke));
        painter.circle_filled(from, 3.5, line);
        painter.circle_filled(to, 3.5, line);
    }
}

fn finish(cx: &mut ViewCx<'_>, place: &StripPlace, piece: &Piece, (start, end): (Pos2, Pos2)) {
    let from = place.view.scan_from_screen(piece, start);
    let to = place.view.scan_from_screen(piece, end);
    cx.ui_state.drawing_from = None;
    let tool = cx.ui_state.tool;
    cx.push(ViewCommand::SetTool(StripTool::Boxes));
    if from.distance(to) < MIN_DRAWN_PX {
        return;
    }
    if tool == StripTool::Level {
        cx.push(BoxCommand::Straighten { from, to });
        return;
    }
    let drawn = TiltedBox::from_edges(from.x.min(to.x), from.y.min(to.y), from.x.max(to.x), from.y.max(to.y));
    let strip = piece.strip.or_else(|| {
        let on_scan = |id| cx.session.strip(id).is_some_and(|strip| strip.scan == piece.scan);
        cx.strip().map(|strip| strip.id).filter(|id| on_scan(*id))
    });
    if let Some(strip) = strip.filter(|_| drawn.is_sane()) {
        cx.push(JobCommand::MeasureBase(strip, Some(drawn)));
    }
}

fn hint(painter: &Painter, area: Rect, text: &str, p: theme::Palette) {
    let font = theme::strong_style().resolve(&painter.ctx().global_style());
    let galley = painter.layout_no_wrap(format!("{text}, Esc to leave it"), font, p.on_accent);
    let at = egui::pos2(area.left() + 22.0, area.top() + 12.0);
    painter.rect_filled(Rect::from_min_size(at, galley.size()).expand2(egui::vec2(10.0, 4.0)), 4.0, p.accent);
    painter.galley(at, galley, p.on_accent);
}
