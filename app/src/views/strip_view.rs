//! The strip: the scan itself with its boxes, running left to right.

use std::sync::Arc;

use egui::{
    Align2, Color32, EventFilter, Painter, Pos2, Rect, Role, Sense, Shape, Stroke, TextStyle, Ui, WidgetInfo,
    vec2,
};
use glassine_engine::{ScanMarks, ViewKey};
use glassine_raster::TiltedBox;
use glassine_session::{Frame, Session, frame_problem};

use super::frame_menu::frame_menu;
use super::scan_picture::{magnifier_ui, paint_scan, paint_tiles, request_sharp_region};
use super::scan_problems::is_without_picture;
use super::strip_drawing::drawing_ui;
use crate::commands::{EditCommand, GesturePhase, SelectCommand, SelectHow, ViewCommand};
use crate::model::doubts::{Doubt, doubts, is_doubtful};
use crate::model::panels::Section;
use crate::model::strip_space::{Piece, StripSpace, StripView};
use crate::model::ui_state::{BoxDrag, BoxPart, StripTool, StripViewState};
use crate::views::ViewCx;
use crate::widgets::crop_box::{self, BoxInk, ScreenBox};
use crate::widgets::theme::{self, Palette};

/// Strip space and its place on screen: shared by the strip and the prints under it.
#[derive(Debug)]
pub(super) struct StripPlace {
    /// Every piece of film.
    pub space: StripSpace,
    /// Its place on screen.
    pub view: StripView,
    /// Room for the prints.
    pub prints: Rect,
    /// It is a row of the contact print: boxes can be selected there, not pulled.
    pub is_contact: bool,
}

/// Draws the strip and handles the pointer on it.
pub(super) fn strip_ui(ui: &Ui, cx: &mut ViewCx<'_>, place: &StripPlace) {
    let area = place.view.rect;
    let id = ui.scope_id().with("strip canvas");
    let sense = if place.is_contact { Sense::click() } else { Sense::click_and_drag() };
    let canvas = ui.interact(area.intersect(ui.clip_rect()), id, sense);
    canvas.widget_info(|| WidgetInfo::labeled(Role::Canvas, true, "strip"));
    if !place.is_contact {
        move_view(ui, cx, place, &canvas);
    } else if canvas.double_clicked() {
        cx.push(ViewCommand::ShowContact(false));
    }

    let painter = ui.painter_at(area.intersect(ui.clip_rect()));
    for piece in &place.space.pieces {
        let rect = place.view.piece_rect(piece);
        if rect.intersects(area) {
            piece_ui(&painter, cx, &place.view, piece);
        }
    }
    request_sharp_region(ui, cx, place);
    for piece in &place.space.pieces {
        boxes_ui(ui, cx, place, piece);
    }
    if cx.ui_state.tool != StripTool::Boxes && !place.is_contact {
        drawing_ui(ui, cx, place);
    }
    magnifier_ui(ui, cx, place);
}

/// Zooms with the wheel at the pointer, pans by dragging the background.
fn move_view(ui: &Ui, cx: &mut ViewCx<'_>, place: &StripPlace, canvas: &egui::Response) {
    let view = place.view;
    let mut center = view.center;
    let mut points = view.points;
    let mut moved = false;
    let middle = ui.input(|input| input.pointer.middle_down());
    let canvas_rect = view.rect.union(place.prints);
    let pointer = ui.input(|input| input.pointer.hover_pos()).filter(|at| canvas_rect.contains(*at));
    if canvas.dragged() || (middle && pointer.is_some()) {
        let delta = ui.input(|input| input.pointer.delta());
        center.0 -= f64::from(delta.x) / points;
        center.1 -= f64::from(delta.y) / points;
        moved = delta != egui::Vec2::ZERO;
    }
    // The boxes take the hover, so the wheel uses the pointer's position, not the widget under it.
    if let Some(at) = pointer.filter(|_| ui.rect_contains_pointer(canvas_rect)) {
        let (scroll, zoom) = ui.input(|input| (input.smooth_scroll_delta(), input.zoom_delta()));
        let fingers = two_fingers(ui);
        // A wheel zooms; two fingers on a pad move, and pinch to zoom.
        let factor =
            if fingers { f64::from(zoom) } else { f64::from(zoom) * (f64::from(scroll.y) / 240.0).exp() };
        if fingers && scroll.y != 0.0 {
            center.1 -= f64::from(scroll.y) / points;
            moved = true;
        }
        if (factor - 1.0).abs() > 1e-6 {
            let fixed = view.space(at);
            points = StripViewState::zoomed(points, factor);
            let from_middle = at - view.rect.center();
            center =
                (fixed.0 - f64::from(from_middle.x) / points, fixed.1 - f64::from(from_middle.y) / points);
            moved = true;
        }
        if scroll.x != 0.0 {
            center.0 -= f64::from(scroll.x) / points;
            moved = true;
        }
    }
    if moved {
        center.0 = center.0.clamp(0.0, place.space.width());
        center.1 = center.1.clamp(0.0, 1.0);
        cx.ui_state.strip.center = center;
        cx.ui_state.strip.zoom_points = Some(points);
    }
    if canvas.double_clicked() {
        cx.push(ViewCommand::FitStrip);
    }
}

/// Whether two fingers on a pad cause the wheel events; the toolkit lets such a motion fade out.
pub(super) fn two_fingers(ui: &Ui) -> bool {
    const FADE_SECONDS: f64 = 0.3;
    let id = ui.scope_id().with("two fingers until");
    let is_pad = |event: &egui::Event| {
        matches!(event, egui::Event::MouseWheel { source: egui::MouseWheelSource::Trackpad, .. })
    };
    let (now, moved) = ui.input(|input| (input.time, input.events.iter().any(is_pad)));
    if moved {
        ui.data_mut(|data| data.insert_temp(id, now + FADE_SECONDS));
    }
    ui.data(|data| data.get_temp::<f64>(id)).is_some_and(|until| now < until)
}

/// One piece of film: overview, sharper part, base pixels, outline of the film.
fn piece_ui(painter: &Painter, cx: &mut ViewCx<'_>, view: &StripView, piece: &Piece) {
    let p = theme::palette_of(!cx.ui_state.light);
    let rect = view.piece_rect(piece);
    let clip = painter.with_clip_rect(painter.clip_rect().intersect(rect));
    if !cx.previews.overview_is_whole(piece.scan) {
        clip.rect_filled(rect, 0.0, p.field);
    }
    if !cx.ui_state.requests.overviews.contains(&piece.scan) {
        cx.ui_state.requests.overviews.push(piece.scan);
    }
    paint_scan(&clip, cx, view, piece);
    let is_joined = cx.session.scan(piece.scan).is_some_and(|scan| scan.join.is_some());
    for (marks, is_shown) in [
        (ScanMarks::BasePixels, cx.ui_state.show_base_pixels),
        (ScanMarks::PartDifferences, cx.ui_state.show_part_differences && is_joined),
    ] {
        if is_shown {
            cx.ui_state.requests.mark(piece.scan, marks);
            paint_tiles(&clip, view, piece, cx.previews.marks(piece.scan, marks));
        }
    }
    // A missing scan has a card in its place.
    if cx.previews.overview(piece.scan).is_empty() && !is_without_picture(cx, piece.scan) {
        let is_on_it =
            |frame: &&Arc<Frame>| cx.session.strip(frame.strip).is_some_and(|strip| strip.scan == piece.scan);
        let mut frames = cx.session.frames.iter().filter(is_on_it);
        let has_failed = frames.any(|frame| cx.previews.failure(ViewKey::Print(frame.id)).is_some());
        clip.text(
            rect.center(),
            Align2::CENTER_CENTER,
            if has_failed { "the scan can't be read" } else { "reading the scan" },
            TextStyle::Body.resolve(&painter.ctx().global_style()),
            p.text_weak,
        );
    }
    paint_parts(&clip, cx, view, piece);
    paint_faults(&clip, cx, view, piece);
    for strip in cx.session.strips.iter().filter(|strip| piece.shows(strip)) {
        if let Some(film) = strip.film_area {
            let shape = ScreenBox { corners: view.corners(piece, &film) };
            clip.add(Shape::closed_line(
                shape.corners.to_vec(),
                Stroke::new(1.0, Color32::from_white_alpha(36)),
            ));
        }
    }
}

/// Outlines the parts of a joined scan, so that their overlap is seen, while the section that names them is open.
fn paint_parts(painter: &Painter, cx: &ViewCx<'_>, view: &StripView, piece: &Piece) {
    let join = cx.session.scan(piece.scan).and_then(|scan| scan.join.as_ref());
    let Some(join) = join.filter(|_| cx.ui_state.panels.is_open(Section::Film)) else { return };
    for part in &join.parts {
        let (width, height) = (f64::from(part.scan.width_px), f64::from(part.scan.height_px));
        let corner = |x: f64, y: f64| part.to_joined.apply(glassine_raster::Point::new(x, y));
        let (first, last, beside) = (corner(0.0, 0.0), corner(width, height), corner(width, 0.0));
        let area = TiltedBox {
            center: glassine_raster::Point::new((first.x + last.x) / 2.0, (first.y + last.y) / 2.0),
            width_px: width,
            height_px: height,
            angle_rad: (beside.y - first.y).atan2(beside.x - first.x),
        };
        let stroke = Stroke::new(1.0, theme::palette_of(!cx.ui_state.light).accent);
        painter.add(Shape::closed_line(view.corners(piece, &area).to_vec(), stroke));
    }
}

/// Marks the places that the scan check found, while the section that lists them is open.
fn paint_faults(painter: &Painter, cx: &ViewCx<'_>, view: &StripView, piece: &Piece) {
    if !cx.ui_state.panels.is_open(Section::Film) {
        return;
    }
    let report = cx.status.scan_reports.get(&piece.scan);
    for place in report.iter().flat_map(|report| &report.findings).filter_map(|finding| finding.place) {
        let [x0, y0, x1, y1] = [place.x0, place.y0, place.x1, place.y1].map(f64::from);
        let corners = view.corners(piece, &TiltedBox::from_edges(x0, y0, x1, y1));
        let stroke = Stroke::new(1.5, theme::palette_of(!cx.ui_state.light).warn);
        painter.add(Shape::closed_line(corners.to_vec(), stroke));
    }
}

/// Draws every box of a piece, the selected ones on top.
fn boxes_ui(ui: &Ui, cx: &mut ViewCx<'_>, place: &StripPlace, piece: &Piece) {
    let strips = cx.session.strips.iter().filter(|strip| piece.shows(strip)).map(|strip| strip.id);
    let strips: Vec<_> = strips.collect();
    let frames = cx.session.frames.iter().filter(|frame| strips.contains(&frame.strip));
    let (above, below): (Vec<_>, Vec<_>) = frames.partition(|frame| cx.ui_state.is_selected(frame.id));
    for frame in below.into_iter().chain(above) {
        let shape = ScreenBox { corners: place.view.corners(piece, &frame.crop) };
        let reach = Rect::from_points(&shape.corners).expand(14.0);
        if reach.intersects(place.view.rect) {
            box_ui(ui, cx, place, piece, frame, &shape);
        }
    }
}

fn box_ui(ui: &Ui, cx: &mut ViewCx<'_>, place: &StripPlace, piece: &Piece, frame: &Frame, shape: &ScreenBox) {
    let p = theme::palette(ui);
    let is_selected = cx.ui_state.is_selected(frame.id);
    let hull = Rect::from_points(&shape.corners);
    let reach = if is_selected && !place.is_contact { hull.expand(10.0) } else { hull };
    let id = ui.scope_id().with(("box", frame.id.0));
    let sense = if place.is_contact { Sense::click() } else { Sense::click_and_drag() };
    let seen = place.view.rect.intersect(ui.clip_rect());
    let response = ui.interact(reach.intersect(seen), id, sense);
    let label = format!("frame {} box", cx.session.number_text(frame));
    response.widget_info(|| {
        let mut info = WidgetInfo::selected(Role::ListBoxOption, true, is_selected, &label);
        info.current_text_value = Some(box_value(frame));
        info
    });
    let is_dragged = cx.ui_state.box_drag.as_ref().is_some_and(|drag| drag.frame == frame.id);
    let pointer = ui.input(|input| input.pointer.latest_pos());
    let can_pull = response.hovered() && !place.is_contact;
    let part = pointer.filter(|_| can_pull).and_then(|at| shape.part_at(at, is_selected));
    let held_part = cx.ui_state.box_drag.as_ref().filter(|_| is_dragged).map(|drag| drag.part);
    if let Some(part) = held_part.or(part) {
        ui.ctx().set_cursor_icon(shape.cursor(part, is_dragged));
    }
    click_and_drag(ui, cx, place, piece, frame, &response, shape);
    keep_arrow_keys(ui, cx, frame, &response);
    frame_menu(cx, frame, &response);

    if place.is_contact && response.double_clicked() {
        cx.push(ViewCommand::ShowContact(false));
    }
    let painter = ui.painter_at(seen);
    if (is_selected || is_dragged)
        && let Some(area) = frame.image_area.filter(|_| frame.held)
    {
        let guard = ScreenBox { corners: place.view.corners(piece, &area.inset(frame.guard_margin_px)) };
        let now_s = ui.input(|input| input.time);
        let held_back =
            cx.ui_state.held_back_for(now_s).filter(|(id, since_s)| *id == frame.id && *since_s < 0.4);
        if held_back.is_some() {
            ui.ctx().request_repaint_after_secs(0.1);
            crop_box::paint(&painter, &guard, BoxInk { line: p.warn, width: 2.5, handles: false });
        } else {
            crop_box::paint_area(&painter, &guard, Color32::from_white_alpha(110));
        }
    }
    let to_look_at = is_doubtful(cx.session, frame);
    let is_bad = frame.reaches_rebate() || frame_problem(cx.session, frame).is_some();
    let line = match (is_bad, is_selected, response.hovered()) {
        (true, ..) => p.warn,
        (false, true, _) => p.accent,
        (false, false, true) => Color32::from_white_alpha(235),
        (false, false, false) => Color32::from_white_alpha(170),
    };
    let ink = BoxInk {
        line,
        width: if is_selected { 2.0 } else { 1.2 },
        handles: cx.ui_state.primary == Some(frame.id) && !place.is_contact,
    };
    crop_box::paint(&painter, shape, ink);
    if response.has_focus() {
        crop_box::paint_area(&painter, shape, Color32::WHITE);
    }
    number_ui(&painter, &p, (to_look_at, &cx.session.number_text(frame)), shape, is_selected);
    if frame.is_left_out() {
        painter.line_segment(
            [shape.corners[0], shape.corners[2]],
            Stroke::new(1.0, Color32::from_white_alpha(120)),
        );
    }
    if let Some(text) = hover_text(cx.session, frame).filter(|_| !is_dragged) {
        response.on_hover_text_at_pointer(text);
    }
}

/// Place and size of a box in scan pixels, for screen readers and tests.
pub(super) fn box_value(frame: &Frame) -> String {
    let b = &frame.crop;
    let corner = b.corners()[0];
    format!(
        "x {:.1} y {:.1} w {:.1} h {:.1} px, {:.2}°",
        corner.x,
        corner.y,
        b.width_px,
        b.height_px,
        b.angle_rad.to_degrees()
    )
}

/// Remarks on a box; `None` if it has none, so that nothing covers it.
fn hover_text(session: &Session, frame: &Frame) -> Option<String> {
    let mut lines: Vec<String> = doubts(session, frame).iter().map(Doubt::text).collect();
    if frame.is_left_out() {
        lines.push("left out of the export".to_owned());
    }
    if lines.is_empty() {
        return None;
    }
    let head = format!("frame {}, box {:.0} % sure", session.number_text(frame), 100.0 * frame.confidence);
    lines.insert(0, head);
    Some(lines.join("\n"))
}

/// Number and marks in the corner shown top left.
fn number_ui(
    painter: &Painter,
    p: &Palette,
    (to_look_at, number): (bool, &str),
    shape: &ScreenBox,
    is_selected: bool,
) {
    let corner =
        shape.corners.into_iter().min_by(|a, b| (a.x + a.y).total_cmp(&(b.x + b.y))).unwrap_or(Pos2::ZERO);
    let text = format!("{number}{}", if to_look_at { " !" } else { "" });
    let font = theme::strong_style().resolve(&painter.ctx().global_style());
    let (fill, ink) = match (is_selected, to_look_at) {
        (true, _) => (p.accent, p.on_accent),
        (false, true) => (Color32::from_black_alpha(170), p.warn),
        (false, false) => (Color32::from_black_alpha(150), Color32::from_gray(240)),
    };
    let galley = painter.layout_no_wrap(text, font, ink);
    let at = corner + vec2(7.0, 6.0);
    painter.rect_filled(Rect::from_min_size(at, galley.size()).expand2(vec2(5.0, 1.0)), 3.0, fill);
    painter.galley(at, galley, ink);
}

/// While a box has the keyboard focus, arrow keys move it instead of the focus.
fn keep_arrow_keys(ui: &Ui, cx: &mut ViewCx<'_>, frame: &Frame, response: &egui::Response) {
    if response.has_focus() {
        cx.ui_state.canvas_focus = Some(response.id);
        cx.ui_state.canvas_frame = Some(frame.id);
        let filter = EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
    }
}

fn click_and_drag(
    ui: &Ui,
    cx: &mut ViewCx<'_>,
    place: &StripPlace,
    piece: &Piece,
    frame: &Frame,
    response: &egui::Response,
    shape: &ScreenBox,
) {
    let modifiers = ui.input(|input| input.modifiers);
    if response.clicked() {
        cx.push(SelectCommand::Frame(frame.id, how(modifiers)));
        response.request_focus();
    }
    if response.drag_started_by(egui::PointerButton::Primary) {
        let was_selected = cx.ui_state.is_selected(frame.id);
        let origin = ui.input(|input| input.pointer.press_origin());
        let Some(origin) = origin.or_else(|| response.interact_pointer_pos()) else { return };
        let part = shape.part_at(origin, was_selected).unwrap_or(BoxPart::Body);
        let follows = |other: &Frame| {
            other.id == frame.id
                || (part == BoxPart::Body && was_selected && cx.ui_state.is_selected(other.id))
        };
        let before: Vec<(_, TiltedBox)> =
            cx.session.frames.iter().filter(|f| follows(f)).map(|f| (f.id, f.crop)).collect();
        let from = place.view.scan_from_screen(piece, origin);
        cx.ui_state.box_drag = Some(BoxDrag { frame: frame.id, part, from, before });
        if !was_selected {
            cx.push(SelectCommand::Frame(frame.id, SelectHow::Only));
        }
        cx.push(EditCommand::Gesture(GesturePhase::Begin(part_label(part).to_owned())));
    }
    let Some(drag) = cx.ui_state.box_drag.clone().filter(|drag| drag.frame == frame.id) else { return };
    if response.dragged()
        && let Some(at) = response.interact_pointer_pos()
    {
        let to = place.view.scan_from_screen(piece, at);
        let (dx, dy) = (to.x - drag.from.x, to.y - drag.from.y);
        let wishes = drag.before.iter().map(|(id, before)| {
            let wish = if *id == frame.id {
                crop_box::dragged(before, drag.part, drag.from, to)
            } else {
                follow(cx, place, piece, *id, before, (dx, dy))
            };
            (*id, wish)
        });
        let wishes: Vec<_> = wishes.collect();
        if ui.input(|input| input.pointer.is_moving()) {
            cx.push(EditCommand::Apply(glassine_session::Edit::SetCrops(wishes)));
        }
    }
    if response.drag_stopped() {
        cx.ui_state.box_drag = None;
        cx.push(EditCommand::Gesture(GesturePhase::Commit));
    }
}

/// A box that follows the dragged one: the same way on screen, even on a scan with another orientation.
fn follow(
    cx: &ViewCx<'_>,
    place: &StripPlace,
    dragged_on: &Piece,
    id: glassine_session::FrameId,
    before: &TiltedBox,
    (dx, dy): (f64, f64),
) -> TiltedBox {
    let own = place.space.piece_of(cx.session, id).unwrap_or(dragged_on);
    let (dx, dy) = if (own.turns, own.is_mirrored) == (dragged_on.turns, dragged_on.is_mirrored) {
        (dx, dy)
    } else {
        let right = dragged_on.scan_direction((1.0, 0.0));
        let down = dragged_on.scan_direction((0.0, 1.0));
        own.scan_direction((dx * right.0 + dy * right.1, dx * down.0 + dy * down.1))
    };
    let center = glassine_raster::Point::new(before.center.x + dx, before.center.y + dy);
    TiltedBox { center, ..*before }
}

fn part_label(part: BoxPart) -> &'static str {
    match part {
        BoxPart::Body => "move box",
        BoxPart::Edge(..) => "size box",
        BoxPart::Knob => "turn box",
    }
}

/// How a click with these modifiers changes the selection.
pub(super) fn how(modifiers: egui::Modifiers) -> SelectHow {
    if modifiers.command {
        SelectHow::Toggle
    } else if modifiers.shift {
        SelectHow::Range
    } else {
        SelectHow::Only
    }
}
