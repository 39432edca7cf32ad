//! Problems of frame boxes: off the scan, absurdly large, or no box at all.

use std::fmt;

use glassine_raster::{Point, Scan, TiltedBox};

use crate::model::{Frame, Session};

/// A box with a side longer than this many diagonals of its scan is a mistake.
const MOST_DIAGONALS: f64 = 2.0;
/// Share of a box that may be off its scan without a message.
const UNTOLD_SHARE: f64 = 0.02;

/// What is wrong with the box of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BoxProblem {
    /// The strip or scan of the frame is missing.
    NoScan,
    /// A number that is not finite, or a side that is not positive.
    Senseless,
    /// Many times larger than the scan.
    Huge,
    /// No part of it is on the scan.
    OffScan,
    /// A part of it is off the scan.
    PartlyOffScan {
        /// Share of its area that is off the scan, 0 to 1.
        share: f64,
    },
}

impl BoxProblem {
    /// Whether no picture can be made; otherwise the problem only deserves a message.
    pub fn is_fatal(self) -> bool {
        !matches!(self, Self::PartlyOffScan { .. })
    }

    /// What to do about it.
    pub fn what_to_do(self) -> &'static str {
        match self {
            Self::NoScan => "add the scan again and find its frames",
            Self::Senseless | Self::Huge => "draw the box again, or find the frames again",
            Self::OffScan | Self::PartlyOffScan { .. } => {
                "check that this is the right scan, then move the box or find the frames again"
            }
        }
    }
}

impl fmt::Display for BoxProblem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoScan => f.write_str("the scan of the frame is not in this session"),
            Self::Senseless => f.write_str("the box has no valid position or no area"),
            Self::Huge => f.write_str("the box is many times larger than the scan"),
            Self::OffScan => f.write_str("the box is entirely off the scan"),
            Self::PartlyOffScan { share } => {
                write!(f, "{:.0} % of the box is off the scan", (100.0 * share).max(1.0))
            }
        }
    }
}

/// The problem of a frame's box, judged by the scan size that the session states.
pub fn frame_problem(session: &Session, frame: &Frame) -> Option<BoxProblem> {
    let Some((_, scan)) = session.context(frame) else { return Some(BoxProblem::NoScan) };
    box_problem(&frame.crop, scan.width_px, scan.height_px)
}

/// The problem of a box on a scan of this size.
pub fn box_problem(crop: &TiltedBox, width_px: u32, height_px: u32) -> Option<BoxProblem> {
    if !crop.is_sane() {
        return Some(BoxProblem::Senseless);
    }
    let (width, height) = (f64::from(width_px), f64::from(height_px));
    let longest = MOST_DIAGONALS * width.hypot(height);
    if crop.width_px > longest || crop.height_px > longest {
        return Some(BoxProblem::Huge);
    }
    // Farther away than it is long, it can't touch the scan, and its corners would lose precision.
    if crop.center.x.abs() > 2.0 * longest + width || crop.center.y.abs() > 2.0 * longest + height {
        return Some(BoxProblem::OffScan);
    }
    let share = 1.0 - area_on_scan_px2(crop, width, height) / crop.area_px2();
    if share.is_nan() || share >= 1.0 - 1e-9 {
        Some(BoxProblem::OffScan)
    } else {
        (share > UNTOLD_SHARE).then_some(BoxProblem::PartlyOffScan { share })
    }
}

/// Area of the part of a box on a scan: its outline is clipped at the four edges, one after the other.
fn area_on_scan_px2(crop: &TiltedBox, width: f64, height: f64) -> f64 {
    let mut outline = crop.corners().to_vec();
    // Positive inside: distance from the left, right, upper and lower edge.
    for edge in 0..4 {
        let inside = |p: &Point<Scan>| [p.x, width - p.x, p.y, height - p.y][edge];
        let next = outline.iter().cycle().skip(1);
        let mut cut = Vec::with_capacity(outline.len() + 1);
        for (from, to) in outline.iter().zip(next) {
            let (a, b) = (inside(from), inside(to));
            if a >= 0.0 {
                cut.push(*from);
            }
            if (a >= 0.0) != (b >= 0.0) {
                let t = a / (a - b);
                cut.push(Point::new(from.x + t * (to.x - from.x), from.y + t * (to.y - from.y)));
            }
        }
        outline = cut;
    }
    let next = outline.iter().cycle().skip(1);
    outline.iter().zip(next).map(|(a, b)| a.x * b.y - b.x * a.y).sum::<f64>().abs() / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(crop: TiltedBox) -> Option<BoxProblem> {
        box_problem(&crop, 1200, 900)
    }

    fn at(x: f64, y: f64, width_px: f64, height_px: f64) -> TiltedBox {
        TiltedBox { center: Point::new(x, y), width_px, height_px, angle_rad: 0.0 }
    }

    #[test]
    fn a_box_on_the_scan_is_sound_and_one_beside_it_is_not() {
        assert_eq!(of(at(600.0, 450.0, 300.0, 200.0)), None);
        assert_eq!(of(at(600.0, 450.0, 1200.0, 900.0)), None);
        for (x, y) in [(50_000.0, 50_000.0), (-151.0, 450.0), (600.0, 1001.0), (1e300, 0.0), (-1e12, 1e12)] {
            assert_eq!(of(at(x, y, 300.0, 200.0)), Some(BoxProblem::OffScan), "{x} {y}");
        }
    }

    #[test]
    fn a_huge_box_and_one_that_is_none_are_told_apart() {
        for side in [1e9, 1e300, 4_294_967_295.0, 70_000.0] {
            assert_eq!(of(at(600.0, 450.0, side, 200.0)), Some(BoxProblem::Huge), "{side}");
            assert_eq!(of(at(600.0, 450.0, 200.0, side)), Some(BoxProblem::Huge), "{side}");
        }
        for crop in [
            at(f64::NAN, 450.0, 200.0, 100.0),
            at(600.0, f64::INFINITY, 200.0, 100.0),
            at(600.0, 450.0, -5.0, 100.0),
            at(600.0, 450.0, 200.0, 0.0),
        ] {
            assert_eq!(of(crop), Some(BoxProblem::Senseless), "{crop:?}");
        }
        // A scan that states the largest possible size does no harm.
        assert_eq!(
            box_problem(&at(600.0, 450.0, 1e9, 1e9), u32::MAX, u32::MAX),
            Some(BoxProblem::PartlyOffScan { share: 1.0 - (500_000_600.0 / 1e9) * (500_000_450.0 / 1e9) })
        );
    }

    #[test]
    fn the_part_off_the_scan_is_measured() {
        // 30 of 300 columns are left of the scan.
        let Some(BoxProblem::PartlyOffScan { share }) = of(at(120.0, 450.0, 300.0, 200.0)) else {
            panic!("a tenth is off")
        };
        assert!((share - 0.1).abs() < 1e-12);
        assert_eq!(of(at(145.0, 450.0, 300.0, 200.0)), None);
        // A tilted square with its middle on the edge: half is off, whatever the angle.
        let tilted = TiltedBox { angle_rad: 0.6, ..at(0.0, 450.0, 100.0, 100.0) };
        let Some(BoxProblem::PartlyOffScan { share }) = of(tilted) else { panic!("half is off") };
        assert!((share - 0.5).abs() < 1e-12);
        assert!(!BoxProblem::PartlyOffScan { share }.is_fatal() && BoxProblem::OffScan.is_fatal());
    }
}
