//! The scan behind the boxes: the overview, a sharper part when zoomed in, and a magnifier for corners.

use egui::{Color32, Mesh, Painter, Pos2, Rect, Shape, Stroke, Ui, pos2, vec2};
use glassine_engine::{PictureSide, UnitRect, ViewKey};
use glassine_raster::{PixelRect, Point, Scan};
use glassine_session::ScanId;

use super::strip_view::StripPlace;
use crate::model::preview_requests::Viewport;
use crate::model::strip_space::{Piece, QUAD_UV, StripView};
use crate::services::preview_store::OverviewTile;
use crate::views::ViewCx;
use crate::widgets::crop_box::{self, BoxInk, ScreenBox};
use crate::widgets::theme;

/// Overview pixels larger than this many screen pixels are replaced by a picture from the scan itself.
const SHARP_ABOVE: f64 = 1.25;
/// Regions are requested on this grid of scan or overview pixels, so that small moves need no new one.
const REGION_GRID_PX: u32 = 64;
/// Pixels requested from the overview for one screen pixel.
///
/// The two grids never coincide exactly; scaling down a little stays sharp, while one pixel for one would be softened.
const OVERSAMPLING: f64 = 1.5;
/// Most scans with a requested region at once; the others are scaled from their overview.
const REGIONS_MAX: usize = 3;
/// Longest side of such a region on screen, physical pixels.
const REGION_MAX_PX: u32 = 2048;
/// Side of the magnifier, points.
const MAGNIFIER: f32 = 168.0;
/// Screen points for one scan pixel in the magnifier.
const MAGNIFIER_POINTS: f64 = 3.0;

/// Paints what has arrived of the scan: the overview, and a sharper part if there is one.
pub(super) fn paint_scan(painter: &Painter, cx: &ViewCx<'_>, view: &StripView, piece: &Piece) {
    let sharp = cx.previews.picture(ViewKey::ScanRegion(piece.scan));
    let sharp = sharp.map(|(texture, preview)| (texture, preview.scan_rect));
    // Hidden parts cost as much to paint as visible ones, so skip the overview if the sharper part covers it.
    let scan = PixelRect::of_size(piece.scan_size.0, piece.scan_size.1);
    let place = |rect| Rect::from_points(&view.scan_quad(piece, rect));
    let seen = view.piece_rect(piece).intersect(painter.clip_rect()).intersect(place(scan));
    let hides = |rect| place(rect).contains_rect(seen.shrink(0.5));
    if !sharp.is_some_and(|(_, rect)| hides(rect)) {
        paint_tiles(painter, view, piece, cx.previews.overview(piece.scan));
    }
    if let Some((texture, rect)) = sharp {
        paint_quad(painter, texture.id(), view.scan_quad(piece, rect));
    }
}

pub(super) fn paint_tiles(painter: &Painter, view: &StripView, piece: &Piece, tiles: &[OverviewTile]) {
    for tile in tiles {
        let quad = view.scan_quad(piece, tile.scan_rect);
        if Rect::from_points(&quad).intersects(painter.clip_rect()) {
            paint_quad(painter, tile.texture.id(), quad);
        }
    }
}

fn paint_quad(painter: &Painter, texture: egui::TextureId, corners: [Pos2; 4]) {
    let mut mesh = Mesh::with_texture(texture);
    for (pos, uv) in corners.into_iter().zip(QUAD_UV) {
        mesh.vertices.push(egui::epaint::Vertex { pos, uv, color: Color32::WHITE });
    }
    mesh.add_triangle(0, 1, 2);
    mesh.add_triangle(0, 2, 3);
    painter.add(Shape::mesh(mesh));
}

/// Requests the visible part of the scan at screen size, or what the magnifier shows.
///
/// If the overview is too coarse, the part comes from the scan itself, for the piece with the largest visible area.
/// Otherwise it comes from the overview, averaged down, which looks better and paints faster than a texture several
/// times too large.
pub(super) fn request_sharp_region(ui: &Ui, cx: &mut ViewCx<'_>, place: &StripPlace) {
    let pixels = f64::from(ui.ctx().pixels_per_point());
    if let Some((piece, at)) = magnified(cx, place) {
        let half = (f64::from(MAGNIFIER) / 2.0 / MAGNIFIER_POINTS).ceil() as u32 + REGION_GRID_PX / 2;
        let (x, y) = (at.x.max(0.0) as u32, at.y.max(0.0) as u32);
        let rect = PixelRect::new(x.saturating_sub(half), y.saturating_sub(half), x + half, y + half);
        push_region(cx, piece, rect, REGION_GRID_PX, MAGNIFIER_POINTS * pixels);
        return;
    }
    let seen = |piece: &Piece| place.view.piece_rect(piece).intersect(place.view.rect);
    let mut visible: Vec<&Piece> =
        place.space.pieces.iter().filter(|piece| seen(piece).is_positive()).collect();
    visible.sort_by(|a, b| seen(b).area().total_cmp(&seen(a).area()));
    let mut asked: Vec<ScanId> = Vec::new();
    for piece in visible {
        if asked.contains(&piece.scan) || asked.len() == REGIONS_MAX {
            continue;
        }
        let Some(factor) = cx.previews.overview_factor(piece.scan) else { continue };
        let shown = place.view.points_per_scan_px(piece) * pixels;
        let is_too_coarse = shown * f64::from(factor) > SHARP_ABOVE;
        if is_too_coarse && !asked.is_empty() {
            continue;
        }
        asked.push(piece.scan);
        let seen = seen(piece);
        let corners = [seen.min, seen.max].map(|at| place.view.scan_from_screen(piece, at));
        let limit = |v: f64| v.max(0.0) as u32;
        let rect = PixelRect::new(
            limit(corners[0].x.min(corners[1].x).floor()),
            limit(corners[0].y.min(corners[1].y).floor()),
            limit(corners[0].x.max(corners[1].x).ceil()),
            limit(corners[0].y.max(corners[1].y).ceil()),
        );
        if is_too_coarse {
            push_region(cx, piece, rect, REGION_GRID_PX, shown);
        } else {
            // A finer picture than the overview would require reading the scan.
            let wanted = (OVERSAMPLING * shown).min(1.0 / f64::from(factor.max(1)));
            push_region(cx, piece, rect, REGION_GRID_PX * factor, wanted);
        }
    }
}

fn push_region(cx: &mut ViewCx<'_>, piece: &Piece, rect: PixelRect, grid_px: u32, screen_px: f64) {
    let (w, h) = piece.scan_size;
    let down = |v: u32| v / grid_px * grid_px;
    let up = |v: u32| v.div_ceil(grid_px) * grid_px;
    let rect = PixelRect::new(down(rect.x0), down(rect.y0), up(rect.x1).min(w), up(rect.y1).min(h));
    if rect.is_empty() {
        return;
    }
    // More than one screen pixel for a scan pixel shows nothing new.
    let scale = screen_px.min(1.0);
    let size = |side: u32| ((f64::from(side) * scale).ceil() as u32).clamp(1, REGION_MAX_PX);
    let viewport = Viewport {
        region: UnitRect::WHOLE,
        scan_rect: rect,
        size_px: [size(rect.width()), size(rect.height())],
        side: PictureSide::Scan,
        overlay: glassine_engine::Overlay::None,
    };
    cx.ui_state.requests.picture(ViewKey::ScanRegion(piece.scan), viewport);
}

/// The magnifier's subject: the side or corner under the pointer of a drag.
fn magnified<'a>(cx: &ViewCx<'_>, place: &'a StripPlace) -> Option<(&'a Piece, Point<Scan>)> {
    let drag = cx.ui_state.box_drag.as_ref()?;
    let frame = cx.session.frame(drag.frame)?;
    let at = crop_box::dragged_point(&frame.crop, drag.part)?;
    let piece = place.space.piece_of(cx.session, drag.frame)?;
    Some((piece, at))
}

/// A magnified view of the dragged corner or side, in the half of the strip away from the pointer.
pub(super) fn magnifier_ui(ui: &Ui, cx: &ViewCx<'_>, place: &StripPlace) {
    let Some((piece, at)) = magnified(cx, place) else { return };
    if place.view.points_per_scan_px(piece) >= MAGNIFIER_POINTS {
        return;
    }
    let p = theme::palette(ui);
    let area = place.view.rect.shrink(10.0);
    let side = MAGNIFIER.min(area.height());
    let on_screen = place.view.screen_from_scan(piece, at);
    let left = if on_screen.x > area.center().x { area.left() } else { area.right() - side };
    let rect = Rect::from_min_size(pos2(left, area.top()), vec2(side, side));
    let view =
        StripView { rect, points: MAGNIFIER_POINTS / piece.scale(), center: piece.space_from_scan(at) };
    let painter = ui.painter().clone().with_clip_rect(rect);
    painter.rect_filled(rect, 0.0, p.surround);
    paint_scan(&painter, cx, &view, piece);
    if let Some(frame) = cx.ui_state.box_drag.as_ref().and_then(|drag| cx.session.frame(drag.frame)) {
        if let Some(area) = frame.image_area.filter(|_| frame.held) {
            let guard = ScreenBox { corners: view.corners(piece, &area.inset(frame.guard_margin_px)) };
            crop_box::paint_area(&painter, &guard, Color32::WHITE);
        }
        let shape = ScreenBox { corners: view.corners(piece, &frame.crop) };
        crop_box::paint(&painter, &shape, BoxInk { line: p.accent, width: 1.5, handles: false });
    }
    ui.painter().rect_stroke(rect, 0.0, Stroke::new(1.0, p.text_weak), egui::StrokeKind::Outside);
}
