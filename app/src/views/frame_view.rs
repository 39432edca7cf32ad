//! The current frame, large: the whole picture or scan pixels one to one, with overlays and before and after.

use egui::{
    Align, Align2, Button, Color32, CursorIcon, Frame as Surface, Label, Layout, Margin, Painter,
    PointerButton, Rect, Response, RichText, Role, Sense, Stroke, TextStyle, Ui, Vec2, WidgetInfo, pos2,
    vec2,
};
use glassine_engine::{DIFFERENCE_GAIN, Overlay, PictureSide, UnitRect, ViewKey};
use glassine_film::ParamGroup;
use glassine_raster::PixelRect;
use glassine_session::{Edit, Frame};

use super::edge_tool::paint_measured_ui;
use super::frame_tools::{frame_tools_ui, grey_reach_ui, has_clicks};
use super::strip_view::two_fingers;
use crate::commands::ViewCommand;
use crate::model::brush_state::shown_overlay;
use crate::model::doubts::{Doubt, doubts};
use crate::model::preview_requests::Viewport;
use crate::model::ui_state::{NO_FRAME, StripTool, first_bare_scan};
use crate::views::ViewCx;
use crate::widgets::drag_value::arrow_steps;
use crate::widgets::histogram_plot::percent_text;
use crate::widgets::theme;

/// Height of the line over the picture, points.
const BAR: f32 = 34.0;
/// Free room around the picture, points.
const PAD: f32 = 14.0;
/// Reach of the line between before and after to either side, points.
const SPLIT_REACH: f32 = 6.0;
/// Share of the picture's width for an arrow key on that line.
const SPLIT_STEP: f64 = 0.02;
/// Wheel motion that enlarges the picture by the factor e, points.
const WHEEL_POINTS: f64 = 240.0;
/// Largest picture requested, physical pixels.
const MAX_PICTURE_PX: f32 = 2560.0;
/// Time a picture may lack its dust repair before the view mentions it, seconds: a message shorter than this only
/// flickers.
const DUST_GLANCE_S: f64 = 0.4;

pub(super) fn frame_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let Some(frame) = cx.primary() else {
        ui.centered_and_justified(|ui| {
            let is_bare = cx.session.frames.is_empty() && first_bare_scan(cx.session).is_some();
            let text = match is_bare && cx.status.shown_job().is_none() {
                true => NO_FRAME,
                false => "select a frame on the strip",
            };
            ui.label(RichText::new(text).color(p.text_weak));
        });
        return;
    };
    let width = ui.available_width();
    Surface::new().fill(p.panel).inner_margin(Margin::symmetric(10, 0)).show(ui, |ui| {
        let size = vec2(width - 20.0, BAR);
        ui.allocate_ui_with_layout(size, Layout::left_to_right(Align::Center), |ui| bar_ui(ui, cx, frame));
    });
    let room = ui.available_rect_before_wrap();
    match beside(cx, frame) {
        Some(other) => {
            let (left, right) = room.split_left_right_at_fraction(0.5);
            picture_ui(ui, cx, frame, left.with_max_x(left.right() - 1.0));
            pair_ui(ui, cx, other, right.with_min_x(right.left() + 1.0));
        }
        None => picture_ui(ui, cx, frame, room),
    }
    ui.advance_cursor_after_rect(room);
}

/// The other selected frame, if two are shown side by side.
fn beside<'a>(cx: &ViewCx<'a>, frame: &Frame) -> Option<&'a Frame> {
    let mut others = cx.selected().into_iter().filter(|other| other.id != frame.id);
    others.next_back().filter(|_| cx.ui_state.frame.beside).map(|other| &**other)
}

/// The second of two frames side by side: the same part at the same size, without tools.
fn pair_ui(ui: &Ui, cx: &mut ViewCx<'_>, frame: &Frame, room: Rect) {
    let pixels = ui.ctx().pixels_per_point();
    let size = upright_size(frame);
    let whole = if cx.ui_state.frame.loupe { placed(cx, size, room, pixels) } else { fitted(size, room) };
    let viewport = Viewport { overlay: Overlay::None, ..viewport(cx, frame, whole, room, pixels) };
    let key = ViewKey::Frame(frame.id);
    cx.ui_state.requests.picture(key, viewport);
    let painter = ui.painter_at(room);
    paint_picture(&painter, cx, frame, key, whole, room);
    tag(&painter, room, &format!("frame {}", cx.session.number_text(frame)));
    let response = ui.interact(room, ui.scope_id().with(("beside", frame.id.0)), Sense::click());
    let label = format!("frame {} beside", cx.session.number_text(frame));
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &label));
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
            (Overlay::Clipping, "lost detail", "mark clipped and nearly clipped pixels   C"),
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
            .on_hover_text("click something grey in the picture; the frame or its film follows   G")
            .clicked()
        {
            cx.push(ViewCommand::SetTool(cx.ui_state.toggled_tool(StripTool::GreyPoint)));
        }
        grey_reach_ui(ui, cx, frame);
        before_ui(ui, cx);
        ui.add_space(8.0);
        let look = cx.ui_state.frame;
        let percent = 100.0 * if look.loupe { look.scale } else { look.fitted_scale };
        ui.add_sized(
            [44.0, theme::ROW_HEIGHT],
            Label::new(RichText::new(format!("{percent:.0} %")).color(p.text_weak)),
        );
        for (on, wanted, text, tip) in [
            (look.loupe && look.scale == 1.0, true, "1 : 1", "one scan pixel to one screen pixel   End"),
            (!look.loupe, false, "whole", "the whole picture   Home"),
        ] {
            let button = Button::selectable(on, text).frame_when_inactive(false);
            if ui.add(button).on_hover_text(tip).clicked() {
                cx.push(ViewCommand::SetLoupe(wanted));
            }
        }
        ui.add_space(8.0);
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| remarks_ui(ui, cx, frame));
    });
}

/// Remarks on what the user should check.
fn remarks_ui(ui: &mut Ui, cx: &ViewCx<'_>, frame: &Frame) {
    let p = theme::palette(ui);
    let doubts = doubts(cx.session, frame);
    let mut remarks: Vec<String> = doubts.iter().map(|doubt| doubt.what.clone()).collect();
    if !frame.held {
        remarks.push("holding is off".to_owned());
    }
    if frame.is_left_out() {
        remarks.push("left out of the export".to_owned());
    }
    if !remarks.is_empty() {
        let ink = if doubts.is_empty() { p.text_weak } else { p.warn };
        let texts: Vec<String> = doubts.iter().map(Doubt::text).collect();
        let label = ui.add(Label::new(RichText::new(remarks.join("  ·  ")).color(ink)).truncate());
        if !texts.is_empty() {
            label.on_hover_text(texts.join("\n"));
        }
    }
}

/// What the picture is compared with.
fn before_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let beside = cx.ui_state.frame.beside;
    let can_pair = cx.ui_state.selected.len() > 1;
    let button = Button::selectable(beside, "pair").frame_when_inactive(false);
    let tip = "the two selected frames side by side, moved and sized together   Shift+D";
    if ui.add_enabled(can_pair || beside, button).on_hover_text(tip).clicked() {
        cx.push(ViewCommand::ShowBeside(!beside));
    }
    let split = cx.ui_state.frame.split;
    let button = Button::selectable(split.is_some(), "split").frame_when_inactive(false);
    let tip = "before at the left of a line that you can move, after at its right   Shift+B";
    if ui.add(button).on_hover_text(tip).clicked() {
        cx.push(ViewCommand::Split(split.is_none().then_some(0.5)));
    }
    let response = before_button_ui(ui, cx);
    response.context_menu(|ui| {
        ui.label("before is without:");
        let groups = std::iter::once(None).chain(ParamGroup::ALL.into_iter().map(Some));
        for group in groups {
            let text = group.map_or("all settings".to_owned(), |group| format!("{} only", group.key()));
            if ui.radio(cx.ui_state.frame.before_without == group, text).clicked() {
                cx.ui_state.frame.before_without = group;
                ui.close();
            }
        }
    });
}

/// Shows the frame before its settings while the button is held; the key toggles it.
fn before_button_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) -> Response {
    let on = cx.ui_state.frame.show_before;
    let button = Button::selectable(on, "before").frame_when_inactive(false);
    let tip = "hold to see the frame before its settings, right click to choose which   B";
    let response = ui.add(button).on_hover_text(tip);
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
    response
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
    cx.ui_state.frame.fitted_scale = f64::from(fitted((w, h), room).width() * pixels) / w.max(1.0);
    zoom_to_pointer(ui, cx, (w, h), room, pixels);
    let whole = if cx.ui_state.frame.loupe {
        loupe_rect(ui, cx, &response, (w, h), room, pixels)
    } else {
        fitted((w, h), room)
    };
    if response.double_clicked() && !has_clicks(cx, frame) {
        toggle_loupe(cx, &response, whole);
    }
    let viewport = viewport(cx, frame, whole, room, pixels);
    cx.ui_state.requests.picture(ViewKey::Frame(frame.id), viewport);
    let split = cx.ui_state.frame.split.filter(|_| !cx.ui_state.clean.show_unrepaired);
    let compared = match (cx.ui_state.clean.show_unrepaired, cx.ui_state.frame.show_before) {
        (true, _) => {
            let other = Viewport { side: PictureSide::Unrepaired, overlay: Overlay::None, ..viewport };
            cx.ui_state.requests.picture(ViewKey::Compare(frame.id), other);
            Some("without dust repair".to_owned())
        }
        (_, true) => Some(request_before(cx, frame, viewport)),
        _ => None,
    };
    let key = if compared.is_some() { ViewKey::Compare(frame.id) } else { ViewKey::Frame(frame.id) };
    let painter = ui.painter_at(room);
    paint_picture(&painter, cx, frame, key, whole, room);
    if let Some(at) = split.filter(|_| compared.is_none()) {
        let text = request_before(cx, frame, viewport);
        let line = whole.left() + at as f32 * whole.width();
        paint_picture(&painter, cx, frame, ViewKey::Compare(frame.id), whole, room.with_max_x(line));
        split_line_ui(ui, cx, whole, room, at);
        tag(&painter, room.with_max_x(line.max(room.left() + 160.0)), &text);
    }
    if let Some(text) = compared {
        tag(&painter, room, &text);
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
    paint_measured_ui(&painter, cx, frame, whole, room);
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

/// The whole picture in the middle of the room.
fn fitted((w, h): (f64, f64), room: Rect) -> Rect {
    let inner = room.shrink(PAD);
    let scale = (f64::from(inner.width()) / w).min(f64::from(inner.height()) / h).max(0.0);
    // Whole points keep the edge of the picture crisp.
    let size = vec2((w * scale) as f32, (h * scale) as f32).round();
    Align2::CENTER_CENTER.align_size_within_rect(size, inner)
}

/// Requests the picture before its settings and returns what it lacks, in words.
fn request_before(cx: &mut ViewCx<'_>, frame: &Frame, viewport: Viewport) -> String {
    let key = ViewKey::Compare(frame.id);
    let viewport = Viewport { overlay: Overlay::None, ..viewport };
    match cx.ui_state.frame.before_without {
        None => {
            cx.ui_state.requests.picture(key, Viewport { side: PictureSide::Before, ..viewport });
            "before its settings".to_owned()
        }
        Some(group) => {
            let edit = Edit::SwitchGroup { frames: vec![frame.id], group, is_off: true };
            cx.ui_state.requests.variations.push((key, viewport, vec![edit]));
            format!("before {}", group.key())
        }
    }
}

/// The line between before and after: pulled, or moved by arrow keys.
fn split_line_ui(ui: &Ui, cx: &mut ViewCx<'_>, whole: Rect, room: Rect, at: f64) {
    let x = (whole.left() + at as f32 * whole.width()).clamp(room.left(), room.right());
    let reach = Rect::from_x_y_ranges(x - SPLIT_REACH..=x + SPLIT_REACH, room.y_range());
    let response = ui.interact(reach, ui.scope_id().with("split line"), Sense::click_and_drag());
    response.widget_info(|| {
        let mut info = WidgetInfo::labeled(Role::Slider, true, "line between before and after");
        info.value = Some(at);
        info
    });
    let painter = ui.painter_at(room);
    painter.vline(x, room.y_range(), Stroke::new(3.0, Color32::from_black_alpha(140)));
    painter.vline(x, room.y_range(), Stroke::new(1.0, Color32::from_gray(245)));
    if response.hovered() || response.dragged() {
        ui.ctx().set_cursor_icon(CursorIcon::ResizeHorizontal);
    }
    if response.clicked() {
        response.request_focus();
    }
    let mut next = at;
    if let Some(pointer) = response.interact_pointer_pos().filter(|_| response.dragged()) {
        next = f64::from((pointer.x - whole.left()) / whole.width().max(1.0));
    }
    if response.has_focus() {
        let filter = egui::EventFilter { horizontal_arrows: true, ..Default::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
        next += f64::from(ui.input(arrow_steps).x) * SPLIT_STEP;
        painter.vline(x, room.y_range(), Stroke::new(1.0, theme::palette(ui).accent));
    }
    if next != at {
        cx.ui_state.frame.split = Some(next.clamp(0.0, 1.0));
    }
}

/// Zooms with the wheel or a pinch, so that what is under the pointer stays there.
fn zoom_to_pointer(ui: &Ui, cx: &mut ViewCx<'_>, size: (f64, f64), room: Rect, pixels: f32) {
    // The grey point uses the wheel for the size of its square.
    if cx.ui_state.tool == StripTool::GreyPoint || !ui.rect_contains_pointer(room) {
        return;
    }
    let Some(pointer) = ui.input(|input| input.pointer.hover_pos()) else { return };
    let (scroll, pinch) = ui.input(|input| (input.smooth_scroll_delta().y, input.zoom_delta()));
    let wheel = if two_fingers(ui) { 0.0 } else { f64::from(scroll) / WHEEL_POINTS };
    let factor = f64::from(pinch) * wheel.exp();
    if (factor - 1.0).abs() < 1e-6 {
        return;
    }
    let was_loupe = cx.ui_state.frame.loupe;
    let whole = if was_loupe { placed(cx, size, room, pixels) } else { fitted(size, room) };
    let at = (pointer - whole.min) / whole.size().max(vec2(1.0, 1.0));
    let look = &mut cx.ui_state.frame;
    look.zoom_by(factor);
    let now = vec2(size.0 as f32, size.1 as f32) * (look.scale as f32 / pixels);
    let from_middle = pointer - room.center();
    look.center =
        (f64::from(at.x - from_middle.x / now.x.max(1.0)), f64::from(at.y - from_middle.y / now.y.max(1.0)));
}

/// Rectangle of the whole picture at the loupe's scale; dragging and two fingers move it.
fn loupe_rect(
    ui: &Ui,
    cx: &mut ViewCx<'_>,
    response: &Response,
    (w, h): (f64, f64),
    room: Rect,
    pixels: f32,
) -> Rect {
    let scale = cx.ui_state.frame.scale as f32 / pixels;
    let size = vec2(w as f32, h as f32) * scale;
    let mut delta = Vec2::ZERO;
    // A brush or a line uses the primary button; any other button, and the wheel, move the picture.
    let paints = matches!(cx.ui_state.tool, StripTool::Brush(_) | StripTool::Level | StripTool::Edge);
    if response.dragged() && !(paints && response.dragged_by(PointerButton::Primary)) {
        delta += response.drag_delta();
    }
    if ui.rect_contains_pointer(room) {
        let scroll = ui.input(|input| input.smooth_scroll_delta());
        delta += if two_fingers(ui) { scroll } else { vec2(scroll.x, 0.0) };
    }
    let center = &mut cx.ui_state.frame.center;
    if delta != Vec2::ZERO {
        center.0 -= f64::from(delta.x / size.x.max(1.0));
        center.1 -= f64::from(delta.y / size.y.max(1.0));
    }
    ui.ctx().set_cursor_icon_if(response.hovered(), response.dragged());
    placed(cx, (w, h), room, pixels)
}

/// Rectangle of the whole picture at the loupe's scale and place, which is kept in view.
fn placed(cx: &mut ViewCx<'_>, (w, h): (f64, f64), room: Rect, pixels: f32) -> Rect {
    let size = vec2(w as f32, h as f32) * (cx.ui_state.frame.scale as f32 / pixels);
    let center = &mut cx.ui_state.frame.center;
    // Its edge may reach the middle of the margin, not further.
    let keep = |at: f64, size: f32, room: f32| {
        let half = f64::from(((room / 2.0 - PAD) / size.max(1.0)).min(0.5));
        at.clamp(half, 1.0 - half)
    };
    *center = (keep(center.0, size.x, room.width()), keep(center.1, size.y, room.height()));
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
    let (w, h) = (w * (region.x1 - region.x0), h * (region.y1 - region.y0));
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

/// Paints the part of the picture that lies in `room`, over the small print while a part has not arrived.
fn paint_picture(painter: &Painter, cx: &ViewCx<'_>, frame: &Frame, key: ViewKey, whole: Rect, room: Rect) {
    let painter = &painter.with_clip_rect(painter.clip_rect().intersect(room));
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
