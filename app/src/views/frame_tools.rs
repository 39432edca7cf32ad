//! Tools on the large view: the grey point, and the corners of a chart whose stock is measured.

use egui::{
    Align2, Button, Color32, CursorIcon, Key, Painter, Pos2, Rect, Response, Role, Sense, Shape, Stroke,
    StrokeKind, Ui, WidgetInfo, pos2, vec2,
};
use glassine_engine::jobs::GreyReach;
use glassine_film::CHART_PATCH_NAMES;
use glassine_film::colour::Lab;
use glassine_raster::{Point, Scan};
use glassine_session::Frame;

use super::brush_tool::brush_ui;
use super::edge_tool::edge_ui;
use super::stock_pane::patch_colour;
use crate::commands::{BoxCommand, JobCommand, ViewCommand};
use crate::model::colour_tools::{TargetKind, can_solve_from_grey, parse_densities};
use crate::model::ui_state::StripTool;
use crate::views::ViewCx;
use crate::widgets::drag_value::arrow_steps;
use crate::widgets::theme;

/// Reach of a chart corner under the pointer, points.
const CORNER_REACH: f32 = 11.0;
/// Share of a patch that is read, the same as in the engine.
const PATCH_SHARE: f32 = 0.45;
/// Step of the grey point for an arrow key, screen points; Shift takes ten, Alt a tenth.
const GREY_STEP: f32 = 4.0;
/// Light lines, drawn together with dark ones, are visible on every picture.
pub(super) const LIGHT: Color32 = Color32::from_gray(245);

/// Whether a tool takes the clicks on the picture.
pub(super) fn has_clicks(cx: &ViewCx<'_>, frame: &Frame) -> bool {
    matches!(
        cx.ui_state.tool,
        StripTool::GreyPoint | StripTool::Level | StripTool::Edge | StripTool::Brush(_)
    ) || shows_chart(cx, frame)
}

/// Whether the chart being measured is on this frame.
fn shows_chart(cx: &ViewCx<'_>, frame: &Frame) -> bool {
    cx.ui_state.colour.chart.as_ref().is_some_and(|chart| chart.frame == frame.id)
}

/// Draws the selected tool and handles its input. `whole` is the rectangle of the whole picture, `room` its visible
/// part.
pub(super) fn frame_tools_ui(
    ui: &Ui,
    cx: &mut ViewCx<'_>,
    frame: &Frame,
    response: &Response,
    whole: Rect,
    room: Rect,
) {
    if cx.ui_state.tool != StripTool::GreyPoint {
        cx.ui_state.colour.grey_in_hand = false;
    }
    let place = Place::new(frame, whole, room);
    if !matches!(cx.ui_state.tool, StripTool::Brush(_)) {
        cx.ui_state.clean.in_hand = None;
    }
    if cx.ui_state.tool == StripTool::Level {
        level_ui(ui, cx, frame, response, &place, room);
    } else if cx.ui_state.tool == StripTool::Edge {
        edge_ui(ui, cx, frame, response, &place);
    } else if cx.ui_state.tool == StripTool::GreyPoint {
        grey_point_ui(ui, cx, frame, response, &place, room);
    } else if let StripTool::Brush(kind) = cx.ui_state.tool {
        brush_ui(ui, cx, frame, response, &place, kind);
    } else if shows_chart(cx, frame) {
        chart_ui(ui, cx, &place, room);
    }
}

/// Conversion between screen and scan.
pub(super) struct Place<'a> {
    frame: &'a Frame,
    /// Rectangle of the whole picture.
    pub(super) whole: Rect,
    /// Its visible part.
    pub(super) room: Rect,
    pub(super) points_per_px: f64,
}

impl<'a> Place<'a> {
    pub(super) fn new(frame: &'a Frame, whole: Rect, room: Rect) -> Self {
        let sides = if frame.orientation.swaps_sides() { frame.crop.height_px } else { frame.crop.width_px };
        Self { frame, whole, room, points_per_px: f64::from(whole.width()) / sides.max(1.0) }
    }

    pub(super) fn unit(&self, at: Pos2) -> (f64, f64) {
        let unit = (at - self.whole.min) / self.whole.size().max(vec2(1.0, 1.0));
        (f64::from(unit.x), f64::from(unit.y))
    }

    pub(super) fn at_unit(&self, (u, v): (f64, f64)) -> Pos2 {
        self.whole.min + vec2(u as f32 * self.whole.width(), v as f32 * self.whole.height())
    }

    pub(super) fn scan(&self, at: Pos2) -> Point<Scan> {
        let (u, v) = self.unit(at);
        let (u, v) = self.frame.orientation.box_from_upright(u, v);
        self.frame.crop.scan_from_unit(u, v)
    }

    /// Screen position of a scan point. Quarter turns and flips only swap and mirror, so the inverse is the transpose.
    pub(super) fn screen(&self, p: Point<Scan>) -> Pos2 {
        let turn = |u, v| self.frame.orientation.box_from_upright(u, v);
        let (origin, right, down) = (turn(0.0, 0.0), turn(1.0, 0.0), turn(0.0, 1.0));
        let unit = self.frame.crop.unit_from_scan(p);
        let from = (unit.x - origin.0, unit.y - origin.1);
        let along = |end: (f64, f64)| from.0 * (end.0 - origin.0) + from.1 * (end.1 - origin.1);
        self.at_unit((along(right), along(down)))
    }
}

/// While the grey point is in hand: whether the frame or the film follows it, for a row that fills from its right.
pub(super) fn grey_reach_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &Frame) {
    let Some(strip) = cx.session.strip(frame.strip) else { return };
    if cx.ui_state.tool != StripTool::GreyPoint || !can_solve_from_grey(strip) {
        return;
    }
    let reach = cx.ui_state.colour.grey_reach(strip);
    for (this, text, tip) in [
        (GreyReach::Film, "the film", "one grey decides the balance of every frame on this film"),
        (
            GreyReach::Frame,
            "this frame",
            "the grey point changes the balance of the frame you click, and no other",
        ),
    ] {
        let response = ui.add(Button::selectable(reach == this, text)).on_hover_text(tip);
        let name = format!("grey point for {text}");
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(name));
        if response.clicked() {
            cx.ui_state.colour.grey_reach = Some(this);
        }
    }
}

/// A square under the pointer, or where the arrow keys moved it; a click or Enter makes it neutral.
fn grey_point_ui(
    ui: &Ui,
    cx: &mut ViewCx<'_>,
    frame: &Frame,
    response: &Response,
    place: &Place<'_>,
    room: Rect,
) {
    // A tool just selected takes the keyboard focus from whatever has it.
    if !cx.ui_state.colour.grey_in_hand || ui.memory(|memory| memory.focused().is_none()) {
        cx.ui_state.colour.grey_in_hand = true;
        response.request_focus();
    }
    let has_keys = response.has_focus();
    if has_keys {
        let filter =
            egui::EventFilter { horizontal_arrows: true, vertical_arrows: true, ..Default::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
    }
    let steps = if has_keys { ui.input(arrow_steps) } else { egui::Vec2::ZERO };
    let mut at = place.at_unit(cx.ui_state.colour.grey_at);
    if steps != egui::Vec2::ZERO {
        at += vec2(steps.x, -steps.y) * GREY_STEP;
    } else if let Some(pointer) = ui.input(|input| {
        let moved = input.pointer.delta() != egui::Vec2::ZERO || input.pointer.any_released();
        input.pointer.latest_pos().filter(|_| moved)
    }) && response.hovered()
    {
        at = pointer;
    }
    let seen = place.whole.intersect(room);
    let at = at.clamp(seen.min, seen.max);
    cx.ui_state.colour.grey_at = place.unit(at);
    let side_px = cx.ui_state.colour.grey_side_px;
    let strip = cx.session.strip(frame.strip);
    let reach = strip.map_or(GreyReach::Frame, |strip| cx.ui_state.colour.grey_reach(strip));
    let decides = match reach {
        GreyReach::Frame => "this frame follows",
        GreyReach::Film => "the whole film follows",
    };
    let painter = ui.painter_at(room);
    let side = ((side_px * place.points_per_px) as f32).max(5.0);
    let square = Rect::from_center_size(at, vec2(side, side));
    painter.rect_stroke(
        square.expand(1.0),
        0.0,
        Stroke::new(3.0, Color32::from_black_alpha(150)),
        StrokeKind::Middle,
    );
    painter.rect_stroke(square.expand(1.0), 0.0, Stroke::new(1.5, LIGHT), StrokeKind::Middle);
    plate_away_from(
        &painter,
        room,
        at,
        &format!(
            "click something grey: {decides}   ·   mean of {side_px:.0} × {side_px:.0} scan px, wheel changes it   ·   Esc leaves"
        ),
    );
    if response.hovered() {
        ui.ctx().set_cursor_icon(CursorIcon::Crosshair);
        let notches = ui.input(|input| input.smooth_scroll_delta().y);
        if notches != 0.0 {
            let next = side_px * f64::from(notches / 400.0).exp();
            cx.ui_state.colour.grey_side_px = next.clamp(3.0, 501.0);
        }
    }
    let by_key = has_keys && ui.input(|input| input.key_pressed(Key::Enter));
    let by_click =
        response.clicked() && response.interact_pointer_pos().is_some_and(|p| place.whole.contains(p));
    if by_key || by_click {
        cx.push(ViewCommand::SetTool(StripTool::Boxes));
        cx.push(JobCommand::GreyPoint {
            frame: frame.id,
            center: place.scan(at),
            radius_px: side_px.round() / 2.0,
            reach,
        });
    }
}

/// A line along something level, drawn on the picture; the selected boxes turn with it.
fn level_ui(ui: &Ui, cx: &mut ViewCx<'_>, frame: &Frame, response: &Response, place: &Place<'_>, room: Rect) {
    /// Shorter lines count as accidental, points.
    const LEAST: f32 = 12.0;
    let id = ui.scope_id().with(("level line", frame.id.0));
    if response.hovered() {
        ui.ctx().set_cursor_icon(CursorIcon::Crosshair);
    }
    let painter = ui.painter_at(room);
    if response.drag_started_by(egui::PointerButton::Primary)
        && let Some(from) = ui.input(|input| input.pointer.press_origin())
    {
        ui.data_mut(|data| data.insert_temp(id, from));
    }
    let from = ui.data(|data| data.get_temp::<Pos2>(id));
    let Some((from, to)) = from.zip(response.interact_pointer_pos()) else {
        let pointer = ui.input(|input| input.pointer.hover_pos()).unwrap_or(room.center());
        plate_away_from(&painter, room, pointer, "draw along something level or upright   ·   Esc leaves");
        return;
    };
    painter.line_segment([from, to], Stroke::new(4.0, Color32::from_black_alpha(140)));
    painter.line_segment([from, to], Stroke::new(1.5, LIGHT));
    if response.drag_stopped() {
        ui.data_mut(|data| data.remove::<Pos2>(id));
        cx.push(ViewCommand::SetTool(StripTool::Boxes));
        if from.distance(to) >= LEAST {
            cx.push(BoxCommand::Straighten { from: place.scan(from), to: place.scan(to) });
        }
    }
}

/// The grid of the chart with a handle on each corner.
fn chart_ui(ui: &Ui, cx: &mut ViewCx<'_>, place: &Place<'_>, room: Rect) {
    let Some(chart) = &mut cx.ui_state.colour.chart else { return };
    let (columns, rows) = match chart.kind {
        TargetKind::Chart24 => (6, 4),
        TargetKind::Wedge => (parse_densities(&chart.densities_text).map_or(1, |steps| steps.len()), 1),
    };
    let painter = ui.painter_at(room);
    let corners = chart.corners.map(|corner| place.screen(corner));
    let expected = (chart.kind == TargetKind::Chart24).then(|| chart.edition.lab_d50().as_slice());
    paint_grid(&painter, corners, columns, rows, expected.unwrap_or_default());
    let names = match chart.kind {
        TargetKind::Chart24 => [0, 5, 23, 18].map(|idx| CHART_PATCH_NAMES[idx].to_owned()),
        TargetKind::Wedge => {
            ["first step", "last step", "last step, below", "first step, below"].map(str::to_owned)
        }
    };
    let mut moved = false;
    for (idx, at) in corners.into_iter().enumerate() {
        let rect = Rect::from_center_size(at, vec2(2.0, 2.0) * CORNER_REACH);
        let response = ui.interact(
            rect.intersect(room),
            ui.scope_id().with(("chart corner", idx)),
            Sense::click_and_drag(),
        );
        let value = format!("x {:.0} y {:.0} px", chart.corners[idx].x, chart.corners[idx].y);
        response.widget_info(|| {
            let mut info =
                WidgetInfo::labeled(Role::Slider, true, format!("chart corner {}, {}", idx + 1, names[idx]));
            info.current_text_value = Some(value.clone());
            info
        });
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(value));
        let mut by = if response.dragged() { response.drag_delta() } else { egui::Vec2::ZERO };
        if response.clicked() {
            response.request_focus();
        }
        if response.has_focus() {
            let filter =
                egui::EventFilter { horizontal_arrows: true, vertical_arrows: true, ..Default::default() };
            ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
            let steps = ui.input(arrow_steps);
            by += vec2(steps.x, -steps.y) * place.points_per_px as f32;
        }
        if by != egui::Vec2::ZERO {
            chart.corners[idx] = place.scan(at + by);
            moved = true;
        }
        let is_active = response.hovered() || response.dragged() || response.has_focus();
        if is_active {
            ui.ctx().set_cursor_icon(CursorIcon::Crosshair);
        }
        paint_corner(&painter, at, idx + 1, is_active, response.has_focus());
    }
    if moved {
        chart.report = None;
    }
}

fn paint_corner(painter: &Painter, at: Pos2, number: usize, is_active: bool, has_focus: bool) {
    let p = theme::palette_of(true);
    let radius = if is_active { 8.0 } else { 7.0 };
    painter.circle_filled(at, radius + 1.5, Color32::from_black_alpha(170));
    painter.circle_filled(at, radius, if is_active { p.accent } else { LIGHT });
    if has_focus {
        painter.circle_stroke(at, radius + 3.5, Stroke::new(1.5, p.accent));
    }
    let font = egui::TextStyle::Small.resolve(&painter.ctx().global_style());
    painter.text(at, Align2::CENTER_CENTER, number.to_string(), font, Color32::from_gray(20));
}

/// Lines between the patches and, in each patch, the area that is read, in its expected colour.
fn paint_grid(painter: &Painter, corners: [Pos2; 4], columns: usize, rows: usize, expected: &[Lab]) {
    let [tl, tr, br, bl] = corners;
    let at = |u: f32, v: f32| {
        let (top, bottom) = (tl.lerp(tr, u), bl.lerp(br, u));
        top.lerp(bottom, v)
    };
    let (columns_f, rows_f) = (columns as f32, rows as f32);
    let line = |from: Pos2, to: Pos2| {
        painter.line_segment([from, to], Stroke::new(3.0, Color32::from_black_alpha(120)));
        painter.line_segment([from, to], Stroke::new(1.0, LIGHT));
    };
    for column in 0..=columns {
        let u = column as f32 / columns_f;
        line(at(u, 0.0), at(u, 1.0));
    }
    for row in 0..=rows {
        let v = row as f32 / rows_f;
        line(at(0.0, v), at(1.0, v));
    }
    for row in 0..rows {
        for column in 0..columns {
            let (u, v) = ((column as f32 + 0.5) / columns_f, (row as f32 + 0.5) / rows_f);
            let (du, dv) = (PATCH_SHARE / 2.0 / columns_f, PATCH_SHARE / 2.0 / rows_f);
            let area = vec![at(u - du, v - dv), at(u + du, v - dv), at(u + du, v + dv), at(u - du, v + dv)];
            painter.add(Shape::closed_line(area, Stroke::new(1.0, Color32::from_white_alpha(150))));
            if let Some(lab) = expected.get(row * columns + column) {
                let size = ((at(u + du, v) - at(u - du, v)).length() * 0.45).clamp(4.0, 22.0);
                let swatch = Rect::from_center_size(at(u, v), vec2(size, size));
                painter.rect_filled(swatch, 1.0, patch_colour(*lab));
                painter.rect_stroke(
                    swatch,
                    1.0,
                    Stroke::new(1.0, Color32::from_black_alpha(160)),
                    StrokeKind::Outside,
                );
            }
        }
    }
}

/// A line of text on a dark plate, at the top or bottom edge away from the pointer.
pub(super) fn plate_away_from(painter: &Painter, room: Rect, pointer: Pos2, text: &str) {
    let font = egui::TextStyle::Body.resolve(&painter.ctx().global_style());
    let galley = painter.layout(text.to_owned(), font, LIGHT, (room.width() - 60.0).max(60.0));
    let at_bottom = pointer.y < room.center().y;
    let y = if at_bottom { room.bottom() - galley.size().y - 16.0 } else { room.top() + 16.0 };
    let at = pos2(room.center().x - galley.size().x / 2.0, y);
    let rect = Rect::from_min_size(at, galley.size()).expand2(vec2(12.0, 6.0));
    painter.rect_filled(rect, 5.0, Color32::from_black_alpha(185));
    painter.galley(at, galley, LIGHT);
}
