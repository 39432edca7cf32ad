//! Strokes of the repair brush: what the user painted into or out of a frame's dust map.

use glassine_raster::{Point, Scan};

/// Positions are rounded to this fraction of a pixel: finer than any brush, and short in files.
const STEP_PX: f64 = 1.0 / 16.0;
/// Radius of the smallest and largest brush, scan pixels.
const RADIUS_PX: (f64, f64) = (0.5, 1000.0);
/// No hand-drawn stroke has more points than this.
const POINTS_MAX: usize = 20_000;

/// What a stroke does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum StrokeKind {
    /// Fill everything under the brush from its surroundings.
    PaintIn,
    /// Leave everything under the brush untouched.
    PaintOut,
    /// Fill only what stands out from its surroundings under the brush.
    Spot,
}

impl StrokeKind {
    /// In the order shown.
    pub const ALL: [Self; 3] = [Self::Spot, Self::PaintIn, Self::PaintOut];

    /// Name in files.
    pub fn key(self) -> &'static str {
        match self {
            Self::PaintIn => "paint-in",
            Self::PaintOut => "paint-out",
            Self::Spot => "spot",
        }
    }

    /// Label in the undo menu.
    pub fn label(self) -> &'static str {
        match self {
            Self::PaintIn => "paint dust in",
            Self::PaintOut => "paint dust out",
            Self::Spot => "repair spot",
        }
    }

    /// The kind a file names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.key() == key)
    }
}

/// One stroke of the brush: discs of one radius along a line.
#[derive(Debug, Clone, PartialEq)]
pub struct BrushStroke {
    kind: StrokeKind,
    points: Vec<Point<Scan>>,
    radius_px: f64,
}

impl BrushStroke {
    /// A stroke through `points` (scan pixels at pixel edges) with a brush of `radius_px` scan pixels.
    ///
    /// Positions are rounded to a sixteenth of a pixel and the radius is clamped to 0.5 to 1000 px. `None` without
    /// points, with more than 20 000, or with a value that is out of range or not a finite number.
    pub fn new(kind: StrokeKind, points: &[Point<Scan>], radius_px: f64) -> Option<Self> {
        let is_sane = !points.is_empty()
            && points.len() <= POINTS_MAX
            && radius_px.is_finite()
            && points.iter().all(|p| p.x.abs() < 1e7 && p.y.abs() < 1e7);
        let round = |v: f64| (v / STEP_PX).round() * STEP_PX;
        is_sane.then(|| {
            let mut points: Vec<_> = points.iter().map(|p| Point::new(round(p.x), round(p.y))).collect();
            points.dedup();
            Self { kind, points, radius_px: round(radius_px.clamp(RADIUS_PX.0, RADIUS_PX.1)) }
        })
    }

    pub fn kind(&self) -> StrokeKind {
        self.kind
    }

    /// Positions along its line: at least one, scan pixels at pixel edges.
    pub fn points(&self) -> &[Point<Scan>] {
        &self.points
    }

    /// Radius of the brush, scan pixels.
    pub fn radius_px(&self) -> f64 {
        self.radius_px
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stroke_keeps_sixteenths_of_a_pixel_and_a_sensible_brush() {
        let points = [Point::new(10.01, 20.26), Point::new(10.02, 20.24), Point::new(12.0, 21.0)];
        let stroke = BrushStroke::new(StrokeKind::PaintIn, &points, 1e6).expect("is sane");
        assert_eq!(stroke.points(), &[Point::new(10.0, 20.25), Point::new(12.0, 21.0)]);
        assert_eq!(stroke.radius_px(), 1000.0);
    }

    #[test]
    fn a_stroke_without_points_or_with_senseless_numbers_is_refused() {
        let at = |x: f64| vec![Point::new(x, 1.0)];
        for (points, radius_px) in
            [(vec![], 3.0), (at(f64::NAN), 3.0), (at(1e300), 3.0), (at(1.0), f64::INFINITY)]
        {
            assert_eq!(BrushStroke::new(StrokeKind::Spot, &points, radius_px), None);
        }
    }

    #[test]
    fn every_kind_is_found_by_its_key() {
        for kind in StrokeKind::ALL {
            assert_eq!(StrokeKind::from_key(kind.key()), Some(kind));
        }
        assert_eq!(StrokeKind::from_key("glitter"), None);
    }
}
