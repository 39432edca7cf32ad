//! Positions and boxes, each tied to its coordinate space.
//!
//! Scan positions are measured at pixel edges: `(0, 0)` is the outer corner of the first pixel, its centre is
//! `(0.5, 0.5)`, and y grows downwards. Angles are clockwise on screen.

use std::marker::PhantomData;

/// Source pixels of a scan, y down, measured at pixel edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scan {}
/// A box's own unit square: (0, 0) top left to (1, 1) bottom right, before orientation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Frame {}

/// A position in space `S`.
#[derive(Debug)]
pub struct Point<S> {
    /// Horizontal position.
    pub x: f64,
    /// Vertical position, growing downwards.
    pub y: f64,
    space: PhantomData<fn() -> S>,
}

impl<S> Clone for Point<S> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<S> Copy for Point<S> {}
impl<S> PartialEq for Point<S> {
    fn eq(&self, other: &Self) -> bool {
        self.x == other.x && self.y == other.y
    }
}

impl<S> Point<S> {
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y, space: PhantomData }
    }

    /// Distance to another position in the same space.
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }
}

/// Half-open rectangle of whole scan pixels: columns `x0..x1`, rows `y0..y1`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct PixelRect {
    /// First column.
    pub x0: u32,
    /// First row.
    pub y0: u32,
    /// One past the last column.
    pub x1: u32,
    /// One past the last row.
    pub y1: u32,
}

impl PixelRect {
    /// Columns `x0..x1`, rows `y0..y1`; an inverted range becomes empty.
    pub fn new(x0: u32, y0: u32, x1: u32, y1: u32) -> Self {
        Self { x0, y0, x1: x1.max(x0), y1: y1.max(y0) }
    }

    /// A rectangle that covers a whole picture.
    pub fn of_size(width: u32, height: u32) -> Self {
        Self { x0: 0, y0: 0, x1: width, y1: height }
    }

    pub fn width(self) -> u32 {
        self.x1 - self.x0
    }

    pub fn height(self) -> u32 {
        self.y1 - self.y0
    }

    /// Whether it contains no pixels.
    pub fn is_empty(self) -> bool {
        self.width() == 0 || self.height() == 0
    }

    /// Number of pixels.
    pub fn area(self) -> u64 {
        u64::from(self.width()) * u64::from(self.height())
    }

    /// The intersection with `other`, possibly empty.
    pub fn intersect(self, other: Self) -> Self {
        Self::new(self.x0.max(other.x0), self.y0.max(other.y0), self.x1.min(other.x1), self.y1.min(other.y1))
    }

    /// Grown by `margin` on every side, clipped to a picture of the given size.
    pub fn grown(self, margin: u32, width: u32, height: u32) -> Self {
        Self::new(
            self.x0.saturating_sub(margin),
            self.y0.saturating_sub(margin),
            self.x1.saturating_add(margin).min(width),
            self.y1.saturating_add(margin).min(height),
        )
    }
}

/// A rectangle in scan pixels, turned about its centre: a crop box, an image area, a piece of film.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TiltedBox {
    /// Centre, scan pixels at pixel edges.
    pub center: Point<Scan>,
    /// Side along the box's own x axis.
    pub width_px: f64,
    /// Side along the box's own y axis.
    pub height_px: f64,
    /// Rotation about the centre, clockwise on screen.
    pub angle_rad: f64,
}

impl TiltedBox {
    /// An upright box from its edges.
    pub fn from_edges(x0: f64, y0: f64, x1: f64, y1: f64) -> Self {
        Self {
            center: Point::new(f64::midpoint(x0, x1), f64::midpoint(y0, y1)),
            width_px: x1 - x0,
            height_px: y1 - y0,
            angle_rad: 0.0,
        }
    }

    /// Scan position of a point given in the box's unit square.
    pub fn scan_from_unit(&self, u: f64, v: f64) -> Point<Scan> {
        let (sin, cos) = self.angle_rad.sin_cos();
        let (dx, dy) = ((u - 0.5) * self.width_px, (v - 0.5) * self.height_px);
        Point::new(self.center.x + cos * dx - sin * dy, self.center.y + sin * dx + cos * dy)
    }

    /// Position in the box's unit square of a scan point; inverse of [`Self::scan_from_unit`].
    pub fn unit_from_scan(&self, p: Point<Scan>) -> Point<Frame> {
        let (sin, cos) = self.angle_rad.sin_cos();
        let (dx, dy) = (p.x - self.center.x, p.y - self.center.y);
        Point::new((cos * dx + sin * dy) / self.width_px + 0.5, (cos * dy - sin * dx) / self.height_px + 0.5)
    }

    /// Corners in scan pixels: the box's own top left, top right, bottom right, bottom left.
    pub fn corners(&self) -> [Point<Scan>; 4] {
        [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)].map(|(u, v)| self.scan_from_unit(u, v))
    }

    /// Corners of the upright picture after `orientation`: TL, TR, BR, BL as the user sees it.
    pub fn upright_corners(&self, orientation: Orientation) -> [Point<Scan>; 4] {
        [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)].map(|(u, v)| {
            let (bu, bv) = orientation.box_from_upright(u, v);
            self.scan_from_unit(bu, bv)
        })
    }

    /// Whether a scan point is inside or on the edge.
    pub fn contains(&self, p: Point<Scan>) -> bool {
        let q = self.unit_from_scan(p);
        (0.0..=1.0).contains(&q.x) && (0.0..=1.0).contains(&q.y)
    }

    /// Smallest rectangle of whole pixels that covers the box, clipped to a picture of the given size.
    pub fn pixel_bounds(&self, width: u32, height: u32) -> PixelRect {
        let corners = self.corners();
        let fold = |pick: fn(&Point<Scan>) -> f64, seed: f64, join: fn(f64, f64) -> f64| {
            corners.iter().map(pick).fold(seed, join)
        };
        // Casts from floats saturate, so a box far outside gives an empty rectangle and never wraps.
        let clamp = |v: f64, limit: u32| v.clamp(0.0, f64::from(limit)) as u32;
        PixelRect::new(
            clamp(fold(|p| p.x, f64::INFINITY, f64::min).floor(), width),
            clamp(fold(|p| p.y, f64::INFINITY, f64::min).floor(), height),
            clamp(fold(|p| p.x, f64::NEG_INFINITY, f64::max).ceil(), width),
            clamp(fold(|p| p.y, f64::NEG_INFINITY, f64::max).ceil(), height),
        )
    }

    /// The same centre and rotation with every side moved inwards by `margin_px` (outwards if negative).
    pub fn inset(&self, margin_px: f64) -> Self {
        Self {
            width_px: (self.width_px - 2.0 * margin_px).max(0.0),
            height_px: (self.height_px - 2.0 * margin_px).max(0.0),
            ..*self
        }
    }

    /// Area in square pixels.
    pub fn area_px2(&self) -> f64 {
        self.width_px * self.height_px
    }

    /// Whether all numbers of the box are finite and both sides positive.
    pub fn is_sane(&self) -> bool {
        [self.center.x, self.center.y, self.width_px, self.height_px, self.angle_rad]
            .iter()
            .all(|v| v.is_finite())
            && self.width_px > 0.0
            && self.height_px > 0.0
    }
}

/// How the picture in a box is oriented for viewing: first mirrored left to right, then turned clockwise.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Hash)]
pub struct Orientation {
    quarter_turns: u8,
    mirrored: bool,
}

impl Orientation {
    /// `quarter_turns` clockwise (taken modulo four) after an optional left-right mirror.
    pub fn new(quarter_turns: u8, mirrored: bool) -> Self {
        Self { quarter_turns: quarter_turns % 4, mirrored }
    }

    /// Clockwise quarter turns, 0 to 3.
    pub fn quarter_turns(self) -> u8 {
        self.quarter_turns
    }

    /// Whether the picture is mirrored (film scanned from the wrong side).
    pub fn is_mirrored(self) -> bool {
        self.mirrored
    }

    /// One more clockwise quarter turn of the picture as displayed.
    pub fn turned_clockwise(self) -> Self {
        Self::new(self.quarter_turns + 1, self.mirrored)
    }

    /// One counter-clockwise quarter turn of the picture as displayed.
    pub fn turned_counter_clockwise(self) -> Self {
        Self::new(self.quarter_turns + 3, self.mirrored)
    }

    /// Mirror the picture left-right as displayed.
    pub fn flipped_horizontally(self) -> Self {
        Self::new((4 - self.quarter_turns) % 4, !self.mirrored)
    }

    /// Mirror the picture top-bottom as displayed.
    pub fn flipped_vertically(self) -> Self {
        Self::new((6 - self.quarter_turns) % 4, !self.mirrored)
    }

    /// Whether width and height are exchanged.
    pub fn swaps_sides(self) -> bool {
        self.quarter_turns % 2 == 1
    }

    /// Convert a unit-square position in the upright picture to one in the box.
    pub fn box_from_upright(self, u: f64, v: f64) -> (f64, f64) {
        let (mut bu, bv) = match self.quarter_turns {
            0 => (u, v),
            1 => (v, 1.0 - u),
            2 => (1.0 - u, 1.0 - v),
            _ => (1.0 - v, u),
        };
        if self.mirrored {
            bu = 1.0 - bu;
        }
        (bu, bv)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: Point<Scan>, x: f64, y: f64) {
        assert!((a.x - x).abs() < 1e-9 && (a.y - y).abs() < 1e-9, "{a:?} is not ({x}, {y})");
    }

    #[test]
    fn unit_and_scan_positions_round_trip_through_a_tilted_box() {
        let b = TiltedBox { center: Point::new(50.0, 40.0), width_px: 30.0, height_px: 20.0, angle_rad: 0.3 };
        for (u, v) in [(0.0, 0.0), (1.0, 0.25), (0.4, 0.9)] {
            let q = b.unit_from_scan(b.scan_from_unit(u, v));
            assert!((q.x - u).abs() < 1e-12 && (q.y - v).abs() < 1e-12);
        }
    }

    #[test]
    fn a_clockwise_turn_moves_the_left_bottom_corner_to_the_top_left() {
        let b = TiltedBox::from_edges(0.0, 0.0, 10.0, 6.0);
        let turned = b.upright_corners(Orientation::default().turned_clockwise());
        close(turned[0], 0.0, 6.0);
        close(turned[1], 0.0, 0.0);
        close(turned[2], 10.0, 0.0);
    }

    #[test]
    fn a_mirror_swaps_left_and_right() {
        let b = TiltedBox::from_edges(0.0, 0.0, 10.0, 6.0);
        close(b.upright_corners(Orientation::new(0, true))[0], 10.0, 0.0);
    }

    #[test]
    fn turns_and_flips_of_the_view_undo_themselves() {
        for turns in 0..4 {
            for mirrored in [false, true] {
                let o = Orientation::new(turns, mirrored);
                assert_eq!(o.turned_clockwise().turned_counter_clockwise(), o);
                assert_eq!(o.flipped_horizontally().flipped_horizontally(), o);
                assert_eq!(o.flipped_vertically().flipped_vertically(), o);
            }
        }
    }

    #[test]
    fn a_horizontal_flip_of_a_turned_picture_mirrors_what_is_seen() {
        let b = TiltedBox::from_edges(0.0, 0.0, 10.0, 6.0);
        let o = Orientation::new(1, false);
        let before = b.upright_corners(o);
        let after = b.upright_corners(o.flipped_horizontally());
        close(after[0], before[1].x, before[1].y);
        close(after[3], before[2].x, before[2].y);
        let vertical = b.upright_corners(o.flipped_vertically());
        close(vertical[0], before[3].x, before[3].y);
    }

    #[test]
    fn pixel_bounds_cover_the_box_and_stay_inside_the_scan() {
        let b = TiltedBox::from_edges(-5.0, 2.2, 7.5, 99.0);
        assert_eq!(b.pixel_bounds(20, 50), PixelRect::new(0, 2, 8, 50));
    }
}
