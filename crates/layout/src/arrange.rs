//! Arranging boxes in a row: the next position, even spacing, equal sizes, proportions, straightening.

use glassine_raster::{Point, ResolutionPpi, Scan, TiltedBox};

use crate::Format;

/// Which way frames follow each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum StripAxis {
    /// Left to right: the strip runs along the box's own x axis.
    #[default]
    Across,
    /// Top to bottom: the strip runs along the box's own y axis.
    Down,
}

/// A direction on the scan: a vector of length 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Direction {
    pub x: f64,
    pub y: f64,
}

impl StripAxis {
    /// Direction of the strip for a box turned by `angle_rad`.
    pub fn direction(self, angle_rad: f64) -> Direction {
        let (sin, cos) = angle_rad.sin_cos();
        match self {
            Self::Across => Direction { x: cos, y: sin },
            Self::Down => Direction { x: -sin, y: cos },
        }
    }

    fn side_px(self, b: &TiltedBox) -> f64 {
        match self {
            Self::Across => b.width_px,
            Self::Down => b.height_px,
        }
    }
}

/// Distance from frame to frame in pixels: the median of the existing steps, else the format's, else the side plus 5 %.
///
/// A step that skips frames is first divided by the number of frames it spans.
pub fn pitch_px(
    boxes: &[TiltedBox],
    axis: StripAxis,
    format: Option<&Format>,
    ppi: Option<ResolutionPpi>,
) -> Option<f64> {
    let last = boxes.last()?;
    let side = axis.side_px(last);
    let mut steps: Vec<f64> = boxes
        .windows(2)
        .map(|w| w[0].center.distance(w[1].center))
        // Boxes that overlap by half are no neighbours; gaps are 5 % of a side (2 mm of 38 on 35 mm film). Our choice.
        .filter(|d| d.is_finite() && *d > 0.5 * side)
        .map(|d| d / (d / side * 0.95).round().max(1.0))
        .collect();
    if let Some(pitch) = glassine_raster::median(&mut steps, f64::total_cmp) {
        return Some(pitch);
    }
    let nominal = format.zip(ppi).map(|(f, ppi)| ppi.px_from_mm(f.nominal_pitch_mm()));
    // A nominal pitch that would overlap by a fifth belongs to another format. Our choice.
    Some(nominal.filter(|p| p.is_finite() && *p >= side * 0.8).unwrap_or(side * 1.05))
}

/// Expected position of the frame after the last one: one pitch further in the direction of the row.
pub fn next_position(
    boxes: &[TiltedBox],
    axis: StripAxis,
    format: Option<&Format>,
    ppi: Option<ResolutionPpi>,
) -> Option<TiltedBox> {
    let last = boxes.last()?;
    let pitch = pitch_px(boxes, axis, format, ppi)?;
    let step = row_direction(boxes, axis)?;
    let center = Point::new(last.center.x + step.x * pitch, last.center.y + step.y * pitch);
    let next = TiltedBox { center, ..*last };
    next.is_sane().then_some(next)
}

fn row_direction(boxes: &[TiltedBox], axis: StripAxis) -> Option<Direction> {
    let (first, last) = (boxes.first()?, boxes.last()?);
    let length = first.center.distance(last.center);
    // Boxes nearer than a quarter of a side give no direction. Our choice.
    if boxes.len() > 1 && length > 0.25 * axis.side_px(last) {
        let (from, to) = (first.center, last.center);
        return Some(Direction { x: (to.x - from.x) / length, y: (to.y - from.y) / length });
    }
    Some(axis.direction(last.angle_rad))
}

/// Spaces the centres evenly on the line from the first to the last; sizes and turns stay.
pub fn distribute(boxes: &[TiltedBox]) -> Vec<TiltedBox> {
    let (Some(first), Some(last)) = (boxes.first(), boxes.last()) else { return Vec::new() };
    let steps = (boxes.len() - 1).max(1) as f64;
    let at = |k: usize| {
        let t = k as f64 / steps;
        Point::new(
            first.center.x + t * (last.center.x - first.center.x),
            first.center.y + t * (last.center.y - first.center.y),
        )
    };
    boxes.iter().enumerate().map(|(k, b)| TiltedBox { center: at(k), ..*b }).collect()
}

/// Gives every box the size of `model`; centres and turns stay.
pub fn resize_alike(boxes: &[TiltedBox], model: &TiltedBox) -> Vec<TiltedBox> {
    boxes.iter().map(|b| TiltedBox { width_px: model.width_px, height_px: model.height_px, ..*b }).collect()
}

/// The largest box of the given proportion (width divided by height) inside `b`, with the same centre.
pub fn with_aspect(b: &TiltedBox, aspect: f64) -> TiltedBox {
    if !(aspect.is_finite() && aspect > 0.0) {
        return *b;
    }
    let width_px = b.width_px.min(b.height_px * aspect);
    TiltedBox { width_px, height_px: width_px / aspect, ..*b }
}

/// Turn of a box that makes the line from `a` to `b` level (or upright, whichever is nearer), within a quarter turn.
pub fn angle_from_horizon(a: Point<Scan>, b: Point<Scan>) -> Option<f64> {
    let (dx, dy) = (b.x - a.x, b.y - a.y);
    if !(dx.is_finite() && dy.is_finite()) || dx.hypot(dy) < 1.0 {
        return None;
    }
    let quarter = std::f64::consts::FRAC_PI_2;
    let angle = dy.atan2(dx);
    Some(angle - (angle / quarter).round() * quarter)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::format_by_id;

    fn at(x: f64, y: f64) -> TiltedBox {
        TiltedBox { center: Point::new(x, y), width_px: 360.0, height_px: 240.0, angle_rad: 0.01 }
    }

    #[test]
    fn the_next_box_is_one_measured_pitch_on() {
        let row = [at(200.0, 100.0), at(580.0, 104.0), at(960.0, 108.0)];
        let next = next_position(&row, StripAxis::Across, None, None).expect("boxes given");
        assert!((next.center.x - 1340.0).abs() < 0.1 && (next.center.y - 112.0).abs() < 0.1);
    }

    #[test]
    fn one_box_alone_uses_the_format_pitch_along_its_own_axis() {
        let ppi = ResolutionPpi::new(254.0);
        let next = next_position(&[at(200.0, 100.0)], StripAxis::Across, format_by_id("135"), ppi);
        let next = next.expect("one box");
        assert!((next.center.distance(Point::new(200.0, 100.0)) - 380.0).abs() < 1e-9);
        assert!(next.center.y > 100.0);
        let down = next_position(&[at(200.0, 100.0)], StripAxis::Down, None, None).expect("one box");
        assert!((down.center.y - 100.0 - 252.0).abs() < 0.1);
        assert!(next_position(&[], StripAxis::Across, None, None).is_none());
    }

    #[test]
    fn a_frame_left_out_does_not_double_the_pitch() {
        let row = [at(200.0, 100.0), at(960.0, 100.0)];
        assert!((pitch_px(&row, StripAxis::Across, None, None).expect("two boxes") - 380.0).abs() < 1e-9);
    }

    #[test]
    fn distributing_evens_out_the_steps_and_keeps_the_ends() {
        let even = distribute(&[at(0.0, 0.0), at(300.0, 9.0), at(800.0, 4.0)]);
        assert_eq!((even[1].center.x, even[1].center.y), (400.0, 2.0));
        assert_eq!(even[2].center.x, 800.0);
    }

    #[test]
    fn a_proportion_fits_inside_and_a_horizon_gives_the_small_turn() {
        let b = with_aspect(&at(0.0, 0.0), 1.0);
        assert_eq!((b.width_px, b.height_px), (240.0, 240.0));
        let level = angle_from_horizon(Point::new(0.0, 0.0), Point::new(100.0, 2.0)).expect("long enough");
        assert!((level - 0.02_f64.atan()).abs() < 1e-12);
        let upright = angle_from_horizon(Point::new(0.0, 0.0), Point::new(-2.0, 100.0)).expect("long enough");
        assert!((upright - 0.02_f64.atan()).abs() < 1e-12);
    }
}
