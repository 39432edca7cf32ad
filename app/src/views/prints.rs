//! The prints: the live positives, each directly under its box.

use egui::text::{LayoutJob, TextWrapping};
use egui::{Align2, Color32, Rect, Role, Sense, Stroke, StrokeKind, TextStyle, Ui, WidgetInfo, pos2, vec2};
use glassine_engine::{Overlay, PictureSide, UnitRect, ViewKey};
use glassine_film::Histogram;
use glassine_raster::PixelRect;
use glassine_session::{Frame, FrameMark, frame_problem};

use super::frame_menu::frame_menu;
use super::strip_view::{StripPlace, how};
use crate::commands::{SelectCommand, ViewCommand};
use crate::model::doubts::{Doubt, doubts, is_doubtful};
use crate::model::preview_requests::Viewport;
use crate::views::ViewCx;
use crate::widgets::histogram_plot::clip_text;
use crate::widgets::icon::{Icon, paint_icon};
use crate::widgets::theme;

/// Height of the line under a print with its number and marks, points.
pub(super) const CAPTION: f32 = 20.0;
/// Narrowest cell, points.
const MIN_CELL: f32 = 44.0;
/// Room above the prints for the line around a selected one, points.
pub(super) const RIM: f32 = 6.0;
/// Gap between cells, points.
const GAP: f32 = 6.0;
/// Prints are rendered in steps of this size, so that zooming requests few new ones.
const SIZE_STEP_PX: u32 = 64;
/// Largest print, physical pixels.
const MAX_PRINT_PX: u32 = 640;

pub(super) fn prints_ui(ui: &Ui, cx: &mut ViewCx<'_>, place: &StripPlace) {
    let area = place.prints;
    if area.height() < CAPTION + 24.0 {
        return;
    }
    let mut left_limit = f32::NEG_INFINITY;
    for (frame, mut cell) in cells(cx, place) {
        if cell.left() < left_limit {
            cell = cell.translate(vec2(left_limit - cell.left(), 0.0));
        }
        left_limit = cell.right() + GAP;
        if cell.intersects(area) {
            print_ui(ui, cx, frame, cell, place);
        }
    }
}

/// A cell under each box, in the order along the strip.
fn cells<'a>(cx: &ViewCx<'a>, place: &StripPlace) -> Vec<(&'a Frame, Rect)> {
    let mut cells: Vec<(&Frame, Rect)> = cx
        .session
        .frames
        .iter()
        .filter_map(|frame| {
            let piece = place.space.piece_of(cx.session, frame.id)?;
            let hull = place.view.hull(piece, &frame.crop);
            let widest = 1.6 * place.prints.height();
            let width = (hull.width()).clamp(MIN_CELL, widest.max(MIN_CELL));
            // For a box larger than the window, use its visible part.
            let seen = hull.x_range().intersection(place.prints.x_range());
            let middle =
                if seen.span() > 0.0 && hull.width() > widest { seen.center() } else { hull.center().x };
            let x = pos2(middle - width / 2.0, place.prints.top() + RIM);
            Some((frame.as_ref(), Rect::from_min_size(x, vec2(width, place.prints.height() - RIM))))
        })
        .collect();
    cells.sort_by(|a, b| a.1.center().x.total_cmp(&b.1.center().x));
    cells
}

fn print_ui(ui: &Ui, cx: &mut ViewCx<'_>, frame: &Frame, cell: Rect, place: &StripPlace) {
    let (area, is_contact) = (place.prints, place.is_contact);
    let p = theme::palette(ui);
    let is_selected = cx.ui_state.is_selected(frame.id);
    let is_primary = cx.ui_state.primary == Some(frame.id);
    let id = ui.scope_id().with(("print", frame.id.0));
    let response = ui.interact(cell.intersect(area).intersect(ui.clip_rect()), id, Sense::click());
    let label = format!("print {}", cx.session.number_text(frame));
    response.widget_info(|| {
        let mut info = WidgetInfo::selected(Role::ListBoxOption, true, is_selected, &label);
        info.current_text_value = Some(value_of(cx, frame));
        info
    });
    if response.clicked() {
        let modifiers = ui.input(|input| input.modifiers);
        cx.push(SelectCommand::Frame(frame.id, how(modifiers)));
        response.request_focus();
    }
    frame_menu(cx, frame, &response);
    if response.has_focus() {
        cx.ui_state.canvas_focus = Some(response.id);
        cx.ui_state.canvas_frame = Some(frame.id);
    }
    if response.double_clicked() {
        cx.push(if is_contact {
            ViewCommand::ShowContact(false)
        } else {
            ViewCommand::SetLoupe(!cx.ui_state.frame.loupe)
        });
    }

    let painter = ui.painter_at(area.intersect(ui.clip_rect()));
    let room = Rect::from_min_max(cell.min, pos2(cell.right(), cell.bottom() - CAPTION));
    let sides = if frame.orientation.swaps_sides() {
        vec2(frame.crop.height_px as f32, frame.crop.width_px as f32)
    } else {
        vec2(frame.crop.width_px as f32, frame.crop.height_px as f32)
    };
    let scale = (room.width() / sides.x).min(room.height() / sides.y);
    let picture = Align2::CENTER_TOP.align_size_within_rect(sides * scale, room);
    let key = ViewKey::Print(frame.id);
    cx.ui_state.requests.picture(key, viewport(picture.size() * ui.ctx().pixels_per_point()));
    match cx.previews.picture(key) {
        Some((texture, ..)) => {
            let is_dimmed = is_contact && !cx.ui_state.strip.filter.shows(cx.session, frame);
            let tint = match (is_dimmed, frame.is_left_out()) {
                (true, _) => Color32::from_gray(40),
                (false, true) => Color32::from_gray(90),
                (false, false) => Color32::WHITE,
            };
            painter.image(texture.id(), picture, Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0)), tint);
        }
        None => {
            painter.rect_filled(picture, 0.0, p.field);
            if cx.previews.failure(key).is_some() {
                paint_icon(&painter, picture, Icon::Warn, p.warn);
            }
        }
    }
    let outline = match (is_primary, is_selected, response.hovered() || response.has_focus()) {
        (true, ..) => Some(Stroke::new(2.0, p.accent)),
        (false, true, _) => Some(Stroke::new(1.0, p.accent)),
        (false, false, true) => Some(Stroke::new(1.0, p.text_weak)),
        _ => None,
    };
    if let Some(outline) = outline {
        painter.rect_stroke(picture.expand(2.0), 1.0, outline, StrokeKind::Outside);
    }
    caption_ui(&painter, cx, frame, picture, is_selected, &p);
    let text = hover_text(cx, frame);
    if !text.is_empty() {
        response.on_hover_text(text);
    }
}

/// Number, marks and clipping under a print.
fn caption_ui(
    painter: &egui::Painter,
    cx: &ViewCx<'_>,
    frame: &Frame,
    picture: Rect,
    is_selected: bool,
    p: &theme::Palette,
) {
    let style = painter.ctx().global_style();
    let line = pos2(picture.left(), picture.bottom() + 4.0 + CAPTION / 2.0 - 2.0);
    let ink = if is_selected { p.text_strong } else { p.text };
    let name = frame.name.as_deref().map_or_else(|| cx.session.number_text(frame), str::to_owned);
    let clip =
        painter.with_clip_rect(painter.clip_rect().intersect(picture.expand2(vec2(2.0, CAPTION + 6.0))));
    // A name that is longer than the picture is wide is cut.
    let mut job = LayoutJob::simple_singleline(name, theme::strong_style().resolve(&style), ink);
    job.wrap = TextWrapping::truncate_at_width(picture.width());
    let number = clip.layout_job(job);
    let number_width = number.size().x;
    clip.galley(line - vec2(0.0, number.size().y / 2.0), number, ink);
    let small = TextStyle::Small.resolve(&style);
    let mut x = line.x + number_width + 6.0;
    if is_doubtful(cx.session, frame) && x + 14.0 < picture.right() {
        paint_icon(
            &clip,
            Rect::from_center_size(pos2(x + 6.0, line.y), vec2(14.0, 14.0)),
            Icon::Warn,
            p.warn,
        );
        x += 18.0;
    }
    let text = if frame.mark != FrameMark::Unmarked {
        frame.mark.label().to_owned()
    } else if let Some(histogram) = histogram_of(cx, frame) {
        clip_text(histogram)
    } else {
        String::new()
    };
    if !text.is_empty() {
        let ink = match frame.mark {
            FrameMark::Unmarked => p.warn,
            FrameMark::LeaveOut => p.text_weak,
            FrameMark::Keep | FrameMark::LookAgain => p.accent,
        };
        let text = clip.layout_no_wrap(text, small, ink);
        let size = text.size();
        if picture.right() - x >= size.x {
            clip.galley(pos2(picture.right() - size.x, line.y - size.y / 2.0), text, ink);
        }
    }
}

fn histogram_of<'a>(cx: &ViewCx<'a>, frame: &Frame) -> Option<&'a Histogram> {
    let print = cx.previews.picture(ViewKey::Print(frame.id)).and_then(|(_, p)| p.histogram.as_deref());
    // The large picture counts more pixels, but is not made again once another frame is shown.
    let large = cx.previews.histogram(frame.id).map(AsRef::as_ref);
    if cx.ui_state.primary == Some(frame.id) { large.or(print) } else { print.or(large) }
}

fn value_of(cx: &ViewCx<'_>, frame: &Frame) -> String {
    let mut parts: Vec<String> = doubts(cx.session, frame).iter().map(Doubt::text).collect();
    if frame.mark != FrameMark::Unmarked {
        parts.push(format!("marked: {}", frame.mark.label()));
    }
    if let Some(histogram) = histogram_of(cx, frame) {
        let clipped = clip_text(histogram);
        if !clipped.is_empty() {
            parts.push(format!("clipped {clipped}"));
        }
    }
    if parts.is_empty() { "no remarks".to_owned() } else { parts.join(", ") }
}

fn hover_text(cx: &ViewCx<'_>, frame: &Frame) -> String {
    let mut lines: Vec<String> = doubts(cx.session, frame).iter().map(Doubt::text).collect();
    // A failure may have a cause other than the box, so list it if the box has no problem.
    if frame_problem(cx.session, frame).is_none() {
        lines.extend(cx.previews.failure(ViewKey::Print(frame.id)).map(str::to_owned));
    }
    lines.join("\n")
}

fn viewport(size: egui::Vec2) -> Viewport {
    let step = |side: f32| (side.max(1.0) as u32).div_ceil(SIZE_STEP_PX) * SIZE_STEP_PX;
    Viewport {
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::default(),
        size_px: [step(size.x).min(MAX_PRINT_PX), step(size.y).min(MAX_PRINT_PX)],
        side: PictureSide::Positive,
        overlay: Overlay::None,
    }
}
