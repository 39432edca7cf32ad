//! Removes marks that are only the picture's own trace in the infrared.
//!
//! A speck takes about as much visible light as infrared. The picture takes as much visible light as the reciprocal of
//! its leakage says, ten to fifty times. What an imperfect leakage leaves of it stays below a share of the leaked
//! contrast at the same place, and a speck exceeds that many times over.

use crate::label::{Component, Shape};
use crate::region::Region;
use crate::residual::Residual;
use crate::scratch::{Probe, look_at_each};
use crate::types::DustError;

/// Share of the leaked contrast that a residual must reach. The leakage is known to a quarter where dyes differ from
/// the greys it was learned on, and the blur of light across an edge adds as much again. Ours.
const LEAKED_PART: f32 = 0.66;
/// Largest visible contrast of pictures, D; marks above the residual of such a contrast need no check. Our choice: 6.6
/// stops between neighbours.
const CONTRAST_MAX_D: f32 = 2.0;
/// Smaller marks are within the blur of their surroundings. Our choice.
const AREA_MIN_PX: u32 = 8;
/// Where the surroundings are measured: beyond the blur of both pictures. Our choice.
const RING_PX: i32 = 4;
/// Long marks may follow an edge of the picture; their two sides are compared at this distance. Our choice.
const LONG_PX: f64 = 30.0;
const WIDE_PX: f64 = 6.0;
const SIDE_PX: f64 = 5.0;
/// Pixels of a mark to examine. Our choice: bounds time.
const PIXELS_MAX: usize = 200;

/// Removes the marks that are the picture itself.
pub(crate) fn without_leaked(
    region: &Region<'_>,
    residual: &Residual,
    strong: Vec<Component>,
) -> Result<Vec<Component>, DustError> {
    look_at_each(region, residual, strong, |probe, mark| {
        let stays = mark.area() < AREA_MIN_PX
            || residual.peak_d(&mark) > LEAKED_PART * probe.leaked_of_grey(CONTRAST_MAX_D)
            || !is_leaked(probe, &mark);
        stays.then_some(mark)
    })
}

fn is_leaked(probe: &mut Probe<'_>, mark: &Component) -> bool {
    let step = (mark.area() as usize).div_ceil(PIXELS_MAX);
    let (mut residual, mut leaked, mut n) = (0.0, 0.0, 0.0);
    for (x, y) in mark.pixels().step_by(step) {
        residual += probe.density(f64::from(x), f64::from(y));
        leaked += probe.leaked(f64::from(x), f64::from(y));
        n += 1.0;
    }
    let (mut about, mut m) = (0.0, 0.0);
    for (x, y) in beside(mark, RING_PX).into_iter().step_by(step) {
        about += probe.leaked(x, y);
        m += 1.0;
    }
    let (residual, contrast) = (residual / n, leaked / n - about / f32::max(m, 1.0));
    if residual < LEAKED_PART * contrast {
        return true;
    }
    let shape = mark.shape();
    let is_long = shape.length_px > LONG_PX && f64::from(mark.area()) / shape.length_px < WIDE_PX;
    let [left, right] = sides(probe, mark, &shape, step);
    // A line lighter than both sides is not an edge: emulsion may be missing.
    is_long && leaked / n > left.min(right) && residual < LEAKED_PART * (left - right).abs()
}

/// Mean leaked image on both sides of a long mark.
fn sides(probe: &mut Probe<'_>, mark: &Component, shape: &Shape, step: usize) -> [f32; 2] {
    let (cos, sin) = shape.direction;
    let (mut sums, mut n) = ([0.0, 0.0], 0.0);
    for (x, y) in mark.pixels().step_by(step) {
        for (sum, s) in sums.iter_mut().zip([SIDE_PX, -SIDE_PX]) {
            *sum += probe.leaked(f64::from(x) - s * sin, f64::from(y) + s * cos);
        }
        n += 1.0;
    }
    sums.map(|sum| sum / n)
}

/// Places around a mark: beside the ends of its runs, and above and below them, at a distance.
fn beside(mark: &Component, px: i32) -> Vec<(f64, f64)> {
    let far = f64::from(px);
    let ends = |run: &crate::label::Run| {
        let (y, left, right) = (f64::from(run.y), f64::from(run.x0), f64::from(run.x1) - 1.0);
        let middle = 0.5 * (left + right);
        [(left - far, y), (right + far, y), (middle, y - far), (middle, y + far)]
    };
    let outside = |(x, y): &(f64, f64)| {
        // Runs are in reading order.
        let first = mark.runs.partition_point(|run| f64::from(run.y) < *y);
        let mut in_row = mark.runs[first..].iter().take_while(|run| f64::from(run.y) == *y);
        in_row.all(|run| *x < f64::from(run.x0) || *x >= f64::from(run.x1))
    };
    mark.runs.iter().flat_map(ends).filter(outside).collect()
}
