//! Layout of the strip view: every piece of film of the session, one after the other, running left to right.
//!
//! *Strip space* has its y axis across the film: each piece is one unit high. Scans with the film across the scanner
//! are turned by quarter turns, never resampled; the small tilt of the film stays as it is.

use egui::{Pos2, Rect, pos2, vec2};
use glassine_raster::{PixelRect, Point, Scan, TiltedBox};
use glassine_session::{FrameId, ScanId, ScanRef, Session, Strip, StripId};

/// Gap between two pieces, in heights of a piece.
const GAP: f64 = 0.08;
/// Width of the shown surround of a piece of film, in heights of the film.
const MARGIN: f64 = 0.035;

/// One piece of film (or one whole scan) in strip space.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Piece {
    /// The strip, unless the piece is a whole scan.
    pub strip: Option<StripId>,
    /// The scan it is cut from.
    pub scan: ScanId,
    /// Columns and rows of the scan.
    pub scan_size: (u32, u32),
    /// Counter-clockwise quarter turns of the scan that make the film run left to right.
    pub turns: u8,
    /// Whether the turned scan is shown mirrored, left to right.
    pub is_mirrored: bool,
    /// Shown part of the turned scan: x0, y0, x1, y1.
    pub bounds: (f64, f64, f64, f64),
    /// Left end in strip space.
    pub left: f64,
}

impl Piece {
    /// Strip-space units for one scan pixel.
    pub(crate) fn scale(&self) -> f64 {
        1.0 / (self.bounds.3 - self.bounds.1).max(1.0)
    }

    /// Width in strip space.
    pub(crate) fn width(&self) -> f64 {
        (self.bounds.2 - self.bounds.0) * self.scale()
    }

    /// Strip-space position of a scan point.
    pub(crate) fn space_from_scan(&self, p: Point<Scan>) -> (f64, f64) {
        let (x, y) = self.turned((p.x, p.y));
        (self.left + (x - self.bounds.0) * self.scale(), (y - self.bounds.1) * self.scale())
    }

    /// Scan point of a strip-space position.
    pub(crate) fn scan_from_space(&self, (x, y): (f64, f64)) -> Point<Scan> {
        let turned = ((x - self.left) / self.scale() + self.bounds.0, y / self.scale() + self.bounds.1);
        let (x, y) = turned_back(self.turns, self.scan_size, self.mirrored(turned));
        Point::new(x, y)
    }

    /// A position on the scan in the turned and possibly mirrored scan.
    fn turned(&self, at: (f64, f64)) -> (f64, f64) {
        self.mirrored(turned(self.turns, self.scan_size, at))
    }

    /// A position in the turned scan as seen from its other side, if the piece is mirrored.
    fn mirrored(&self, (x, y): (f64, f64)) -> (f64, f64) {
        let (w, h) = self.scan_size;
        let width = f64::from(if self.turns % 2 == 1 { h } else { w });
        if self.is_mirrored { (width - x, y) } else { (x, y) }
    }

    /// Converts a direction as the view shows it to scan pixels.
    pub(crate) fn scan_direction(&self, (dx, dy): (f64, f64)) -> (f64, f64) {
        let dx = if self.is_mirrored { -dx } else { dx };
        match self.turns {
            0 => (dx, dy),
            1 => (-dy, dx),
            2 => (-dx, -dy),
            _ => (dy, -dx),
        }
    }

    /// Whether the piece belongs to this strip or is its scan.
    pub(crate) fn shows(&self, strip: &Strip) -> bool {
        match self.strip {
            Some(id) => id == strip.id,
            None => self.scan == strip.scan,
        }
    }
}

/// A position on a scan of this size after counter-clockwise quarter turns.
fn turned(turns: u8, (w, h): (u32, u32), (x, y): (f64, f64)) -> (f64, f64) {
    let (w, h) = (f64::from(w), f64::from(h));
    match turns {
        0 => (x, y),
        1 => (y, w - x),
        2 => (w - x, h - y),
        _ => (h - y, x),
    }
}

fn turned_back(turns: u8, (w, h): (u32, u32), (x, y): (f64, f64)) -> (f64, f64) {
    let (w, h) = (f64::from(w), f64::from(h));
    match turns {
        0 => (x, y),
        1 => (w - y, x),
        2 => (w - x, h - y),
        _ => (y, h - x),
    }
}

/// All pieces of a session in strip space.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct StripSpace {
    /// In the order shown.
    pub pieces: Vec<Piece>,
}

impl StripSpace {
    /// Lays out the pieces of a session.
    pub(crate) fn of(session: &Session, whole_scans: bool) -> Self {
        let mut pieces = Vec::new();
        if !whole_scans {
            // In the order of the film; scans without strips follow.
            for strip in session.strips_in_order() {
                pieces.extend(session.scan(strip.scan).map(|scan| piece_of_strip(session, scan, strip)));
            }
        }
        for scan in &session.scans {
            let strip = session.strips.iter().find(|strip| strip.scan == scan.id);
            if whole_scans || strip.is_none() {
                let turns = strip.map_or(0, |strip| turns_of(session, strip));
                let is_mirrored = strip.is_some_and(|strip| strip.is_mirrored);
                pieces.push(piece_of_scan(scan, turns, is_mirrored));
            }
        }
        let mut left = 0.0;
        for piece in &mut pieces {
            piece.left = left;
            left += piece.width() + GAP;
        }
        Self { pieces }
    }

    /// Width of all pieces together.
    pub(crate) fn width(&self) -> f64 {
        self.pieces.last().map_or(1.0, |piece| piece.left + piece.width())
    }

    /// The piece that shows a frame.
    pub(crate) fn piece_of(&self, session: &Session, frame: FrameId) -> Option<&Piece> {
        let strip = session.strip(session.frame(frame)?.strip)?;
        self.pieces.iter().find(|piece| piece.shows(strip))
    }

    /// The piece at a strip-space position.
    pub(crate) fn piece_at(&self, (x, y): (f64, f64)) -> Option<&Piece> {
        self.pieces
            .iter()
            .find(|piece| (piece.left..=piece.left + piece.width()).contains(&x) && (0.0..=1.0).contains(&y))
    }
}

fn piece_of_scan(scan: &ScanRef, turns: u8, is_mirrored: bool) -> Piece {
    let (w, h) = (f64::from(scan.width_px), f64::from(scan.height_px));
    let (w, h) = if turns % 2 == 1 { (h, w) } else { (w, h) };
    Piece {
        strip: None,
        scan: scan.id,
        scan_size: (scan.width_px, scan.height_px),
        turns,
        is_mirrored,
        bounds: (0.0, 0.0, w, h),
        left: 0.0,
    }
}

fn piece_of_strip(session: &Session, scan: &ScanRef, strip: &Strip) -> Piece {
    let turns = turns_of(session, strip);
    let mut piece = Piece { strip: Some(strip.id), ..piece_of_scan(scan, turns, strip.is_mirrored) };
    let Some(film) = strip.film_area.filter(TiltedBox::is_sane) else { return piece };
    let whole = piece.bounds;
    let boxes = session.frames_of(strip.id).map(|frame| frame.crop);
    let mut hull = (f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY);
    for corner in std::iter::once(film).chain(boxes).flat_map(|b| b.corners()) {
        let (x, y) = piece.turned((corner.x, corner.y));
        hull = (hull.0.min(x), hull.1.min(y), hull.2.max(x), hull.3.max(y));
    }
    let margin = MARGIN * (hull.3 - hull.1);
    let cut = (
        (hull.0 - margin).max(whole.0),
        (hull.1 - margin).max(whole.1),
        (hull.2 + margin).min(whole.2),
        (hull.3 + margin).min(whole.3),
    );
    if cut.2 - cut.0 > 1.0 && cut.3 - cut.1 > 1.0 {
        piece.bounds = cut;
    }
    piece
}

/// Quarter turns that make a strip run left to right: from its own axis, else from the row of its boxes. The film runs
/// along the longer side of its area. A strip that is shown the other way round needs two more.
fn turns_of(session: &Session, strip: &Strip) -> u8 {
    (lying_turns_of(session, strip) + if strip.is_turned { 2 } else { 0 }) % 4
}

fn lying_turns_of(session: &Session, strip: &Strip) -> u8 {
    let quarters = |angle_rad: f64| {
        let quarter = (angle_rad / std::f64::consts::FRAC_PI_2).round();
        // A finite number modulo four is 0 to 3.
        if quarter.is_finite() { quarter.rem_euclid(4.0) as u8 } else { 0 }
    };
    if let Some(film) = strip.film_area {
        let runs_down = film.height_px > film.width_px && session.frames_of(strip.id).nth(1).is_some();
        return quarters(film.angle_rad + if runs_down { std::f64::consts::FRAC_PI_2 } else { 0.0 });
    }
    let mut frames = session.frames_of(strip.id);
    match (frames.next(), frames.last()) {
        (Some(first), Some(last)) => quarters(
            (last.crop.center.y - first.crop.center.y).atan2(last.crop.center.x - first.crop.center.x),
        ),
        _ => 0,
    }
}

/// Strip space on screen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct StripView {
    /// The part of the window it fills.
    pub rect: Rect,
    /// Screen points for one unit of strip space.
    pub points: f64,
    /// Strip-space position at the middle.
    pub center: (f64, f64),
}

impl StripView {
    /// Screen position of a strip-space position.
    pub(crate) fn screen(&self, (x, y): (f64, f64)) -> Pos2 {
        self.rect.center()
            + vec2(((x - self.center.0) * self.points) as f32, ((y - self.center.1) * self.points) as f32)
    }

    /// Strip-space position of a screen position.
    pub(crate) fn space(&self, at: Pos2) -> (f64, f64) {
        let from_middle = at - self.rect.center();
        (
            self.center.0 + f64::from(from_middle.x) / self.points,
            self.center.1 + f64::from(from_middle.y) / self.points,
        )
    }

    /// Screen position of a scan point.
    pub(crate) fn screen_from_scan(&self, piece: &Piece, p: Point<Scan>) -> Pos2 {
        self.screen(piece.space_from_scan(p))
    }

    /// Scan point under a screen position.
    pub(crate) fn scan_from_screen(&self, piece: &Piece, at: Pos2) -> Point<Scan> {
        piece.scan_from_space(self.space(at))
    }

    /// Corners of a box on screen, in the box's own order.
    pub(crate) fn corners(&self, piece: &Piece, b: &TiltedBox) -> [Pos2; 4] {
        b.corners().map(|corner| self.screen_from_scan(piece, corner))
    }

    /// Upright hull of a box on screen.
    pub(crate) fn hull(&self, piece: &Piece, b: &TiltedBox) -> Rect {
        Rect::from_points(&self.corners(piece, b))
    }

    /// A piece's rectangle on screen.
    pub(crate) fn piece_rect(&self, piece: &Piece) -> Rect {
        Rect::from_two_pos(self.screen((piece.left, 0.0)), self.screen((piece.left + piece.width(), 1.0)))
    }

    /// Screen points for one scan pixel.
    pub(crate) fn points_per_scan_px(&self, piece: &Piece) -> f64 {
        piece.scale() * self.points
    }

    /// Corner positions on screen of a rectangle of scan pixels, in the order of its texture's corners.
    pub(crate) fn scan_quad(&self, piece: &Piece, rect: PixelRect) -> [Pos2; 4] {
        let (x0, y0, x1, y1) =
            (f64::from(rect.x0), f64::from(rect.y0), f64::from(rect.x1), f64::from(rect.y1));
        [(x0, y0), (x1, y0), (x1, y1), (x0, y1)].map(|(x, y)| self.screen_from_scan(piece, Point::new(x, y)))
    }
}

/// Texture corners in the order of [`StripView::scan_quad`].
pub(crate) const QUAD_UV: [Pos2; 4] = [pos2(0.0, 0.0), pos2(1.0, 0.0), pos2(1.0, 1.0), pos2(0.0, 1.0)];

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(turns: u8) -> Piece {
        let (w, h) = if turns % 2 == 1 { (300.0, 100.0) } else { (100.0, 300.0) };
        Piece {
            strip: None,
            scan: ScanId(1),
            scan_size: (100, 300),
            turns,
            is_mirrored: false,
            bounds: (10.0, 5.0, w - 10.0, h - 5.0),
            left: 2.0,
        }
    }

    #[test]
    fn scan_and_strip_space_round_trip_for_every_quarter_turn() {
        for (turns, is_mirrored) in (0..4).flat_map(|turns| [(turns, false), (turns, true)]) {
            let piece = Piece { is_mirrored, ..piece(turns) };
            for (x, y) in [(0.0, 0.0), (33.0, 250.0), (100.0, 300.0)] {
                let back = piece.scan_from_space(piece.space_from_scan(Point::new(x, y)));
                assert!((back.x - x).abs() < 1e-9 && (back.y - y).abs() < 1e-9, "{turns} turns");
            }
        }
    }

    #[test]
    fn film_that_runs_down_the_scan_is_shown_left_to_right() {
        let piece = piece(1);
        let first = piece.space_from_scan(Point::new(50.0, 40.0));
        let second = piece.space_from_scan(Point::new(50.0, 140.0));
        assert!(second.0 > first.0 && (second.1 - first.1).abs() < 1e-9);
    }

    #[test]
    fn a_direction_on_screen_matches_the_motion_of_points() {
        for (turns, is_mirrored) in (0..4).flat_map(|turns| [(turns, false), (turns, true)]) {
            let piece = Piece { is_mirrored, ..piece(turns) };
            let (dx, dy) = piece.scan_direction((1.0, 0.0));
            let from = piece.space_from_scan(Point::new(50.0, 50.0));
            let to = piece.space_from_scan(Point::new(50.0 + dx, 50.0 + dy));
            assert!((to.0 - from.0 - piece.scale()).abs() < 1e-12 && (to.1 - from.1).abs() < 1e-12);
        }
    }
}
