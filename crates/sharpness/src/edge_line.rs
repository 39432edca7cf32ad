//! The straight line of one slanted edge in a region.

use glassine_raster::{PixelRect, Plane};

use crate::measured::MAD_SHARE;

/// Steepest slope: the region is turned so that edges run downwards, so 1 is the most, and some rounding. Our choice.
const SLANT_MAX: f64 = 1.05;
/// Half width of the part of a line that is compared with the mean edge, pixels, and at most a third of the region. Our
/// choice: wide enough for blurs of 4 px (three sigma), narrow enough to leave other edges out.
const WINDOW_HALF_PX: f64 = 12.0;
/// Rms distance from a line at which there is no straight edge, pixels. Our choice: more is a curve or a second edge.
const STRAY_MAX_PX: f64 = 0.7;
/// Distance that the ends of the edge keep from the sides of the region, pixels. Our choice: some level area beside it.
const SIDE_ROOM_PX: f64 = 4.0;
/// Points beyond this many standard deviations are left out of the line, and the least deviation assumed, pixels. Our
/// choice: three is common practice; without the least, a perfect edge would lose points to rounding.
const OUTLIERS: (f64, f64) = (3.0, 0.02);
/// Fewest points of a line. Our choice.
const POINTS_MIN: usize = 8;
/// Bins of the mean edge for a pixel. Our choice: half pixels suffice to place lines.
const BINS_PER_PX: f64 = 2.0;
/// Times that the lines are placed against a mean edge that they refine. Our choice: the third changes less than 0.01 px.
const PASSES: usize = 4;
/// Most that a line is moved in one pass, pixels. Our choice: beyond, the edge's slope says little about its place.
const STEP_MAX_PX: f64 = 3.0;
/// Lines whose mean place tells whether the edge is straight. Our choice: half the noise of single ones.
const STRAY_LINES: usize = 4;

/// The region rotated so that the edge runs roughly downwards and brightness rises to the right.
pub(crate) struct Lines {
    pub(crate) rows: Vec<Vec<f64>>,
    pub(crate) columns: usize,
    pub(crate) is_reversed: bool,
    pub(crate) runs_down: bool,
}

/// `x = start + slope * y`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct EdgeLine {
    pub(crate) start: f64,
    pub(crate) slope: f64,
    pub(crate) stray_px: f64,
}

impl EdgeLine {
    fn at(&self, y: usize) -> f64 {
        self.start + self.slope * y as f64
    }
}

impl Lines {
    pub(crate) fn read(plane: &Plane<f32>, region: PixelRect) -> Self {
        let at = |x: u32, y: u32| f64::from(plane.at(x, y));
        let (mut across, mut down) = (0.0, 0.0);
        // Means of neighbours keep the direction of the edge and lose half of the grain.
        for y in region.y0..region.y1 - 1 {
            for x in region.x0..region.x1 - 1 {
                let (a, b, c, d) = (at(x, y), at(x + 1, y), at(x, y + 1), at(x + 1, y + 1));
                across += (b + d - a - c).powi(2);
                down += (c + d - a - b).powi(2);
            }
        }
        let runs_down = across >= down;
        let mut rows: Vec<Vec<f64>> = if runs_down {
            (region.y0..region.y1).map(|y| (region.x0..region.x1).map(|x| at(x, y)).collect()).collect()
        } else {
            (region.x0..region.x1).map(|x| (region.y0..region.y1).map(|y| at(x, y)).collect()).collect()
        };
        let columns = rows[0].len();
        // The outer fifths tell which side is brighter; the edge crosses the middle. Our choice.
        let end = columns / 5;
        let side = |from: usize| rows.iter().map(|r| r[from..from + end].iter().sum::<f64>()).sum::<f64>();
        let is_reversed = side(columns - end) < side(0);
        if is_reversed {
            for row in &mut rows {
                row.reverse();
            }
        }
        Self { rows, columns, is_reversed, runs_down }
    }

    /// The straight line through the places of all lines; the rms distance from it if there is none, infinite without
    /// contrast.
    pub(crate) fn fit_edge(&self) -> Result<EdgeLine, f64> {
        let mut line = self.first_line().ok_or(f64::INFINITY)?;
        let mut places = Vec::new();
        for _ in 0..PASSES {
            places = self.places(&line).ok_or(f64::INFINITY)?;
            line = fit_line(&places).ok_or(f64::INFINITY)?;
        }
        let groups = places.chunks_exact(STRAY_LINES).map(|group| {
            let off = group.iter().map(|(y, x)| x - line.start - line.slope * y).sum::<f64>();
            (off / STRAY_LINES as f64).powi(2)
        });
        let count = groups.len().max(1) as f64;
        line.stray_px = (groups.sum::<f64>() / count).sqrt();
        let inside = |x: f64| x > SIDE_ROOM_PX && x < self.columns as f64 - 1.0 - SIDE_ROOM_PX;
        let is_inside = inside(line.start) && inside(line.at(self.rows.len() - 1));
        let is_straight = line.stray_px.is_finite() && line.stray_px <= STRAY_MAX_PX;
        if is_straight && is_inside && line.slope.abs() <= SLANT_MAX { Ok(line) } else { Err(line.stray_px) }
    }

    /// The slant from the mean direction of all slopes (structure tensor), the place where most of the rise is.
    ///
    /// Source: J. Bigun, G. Granlund, "Optimal orientation detection of linear symmetry", ICCV 1987.
    fn first_line(&self) -> Option<EdgeLine> {
        let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
        let mut rise = Vec::new();
        for (y, rows) in self.rows.windows(3).enumerate() {
            for x in 1..self.columns - 1 {
                let column = |x: usize| rows[0][x] + 2.0 * rows[1][x] + rows[2][x];
                let row = |r: &[f64]| r[x - 1] + 2.0 * r[x] + r[x + 1];
                let (dx, dy) = (column(x + 1) - column(x - 1), row(&rows[2]) - row(&rows[0]));
                xx += dx * dx;
                yy += dy * dy;
                xy += dx * dy;
                rise.push((y + 1, x, dx));
            }
        }
        if !(xx + yy > 0.0 && (xx + yy).is_finite()) {
            return None;
        }
        // The direction of the gradient; the edge is at right angles to it.
        let turn = 0.5 * (2.0 * xy).atan2(xx - yy);
        let slope = (-turn.tan()).clamp(-SLANT_MAX, SLANT_MAX);
        let middle = self.rows.len() as f64 / 2.0;
        let mut sums = vec![0.0; self.columns];
        for (y, x, dx) in rise {
            let place = x as f64 - slope * (y as f64 - middle);
            if place >= 0.0 && (place as usize) < self.columns {
                sums[place as usize] += dx;
            }
        }
        let wide: Vec<f64> = sums.windows(5).map(|w| w.iter().sum()).collect();
        let best = (0..wide.len()).max_by(|a, b| wide[*a].total_cmp(&wide[*b]))?;
        let start = best as f64 + 2.5 - slope * middle;
        (wide[best] > 0.0).then_some(EdgeLine { start, slope, stray_px: f64::INFINITY })
    }

    /// Where the edge crosses each line, by least squares against the mean of all lines along `line`.
    fn places(&self, line: &EdgeLine) -> Option<Vec<(f64, f64)>> {
        let half = WINDOW_HALF_PX.min(self.columns as f64 / 3.0);
        let bins = (2.0 * half * BINS_PER_PX) as usize;
        let place = |x: usize, y: usize| (x as f64 - line.at(y) + half) * BINS_PER_PX;
        let inside = |place: f64| place >= 0.0 && place < bins as f64;
        let (mut sums, mut counts) = (vec![0.0; bins], vec![0.0; bins]);
        for (y, row) in self.rows.iter().enumerate() {
            for (x, value) in row.iter().enumerate() {
                let at = place(x, y);
                if inside(at) {
                    sums[at as usize] += value;
                    counts[at as usize] += 1.0;
                }
            }
        }
        // An upright edge leaves bins empty: they take their neighbours' mean.
        let mut mean: Vec<f64> = Vec::with_capacity(bins);
        for i in 0..bins {
            let around = i.saturating_sub(1)..(i + 2).min(bins);
            let count: f64 = counts[around.clone()].iter().sum();
            let sum: f64 = sums[around].iter().sum();
            mean.push(if count > 0.0 { sum / count } else { *mean.last()? });
        }
        let slopes: Vec<f64> = (0..bins)
            .map(|i| 0.5 * BINS_PER_PX * (mean[(i + 1).min(bins - 1)] - mean[i.saturating_sub(1)]))
            .collect();
        let between = |values: &[f64], at: f64| {
            let at = (at - 0.5).clamp(0.0, bins as f64 - 1.0);
            let i = (at as usize).min(bins - 2);
            values[i] + (at - i as f64) * (values[i + 1] - values[i])
        };
        // Lines are compared with each other: the middle of their mean edge says where they are.
        let energy = slopes.iter().map(|slope| slope * slope).sum::<f64>();
        let moment =
            slopes.iter().enumerate().map(|(i, slope)| (i as f64 + 0.5) * slope * slope).sum::<f64>();
        let middle = moment / energy / BINS_PER_PX - half;
        let mut found = Vec::with_capacity(self.rows.len());
        for (y, row) in self.rows.iter().enumerate() {
            let (mut top, mut bottom) = (0.0, 0.0);
            for (x, value) in row.iter().enumerate() {
                let at = place(x, y);
                if inside(at) {
                    let slope = between(&slopes, at).max(0.0);
                    top += slope * (between(&mean, at) - value);
                    bottom += slope * slope;
                }
            }
            let step = top / bottom + middle;
            if step.is_finite() {
                found.push((y as f64, line.at(y) + step.clamp(-STEP_MAX_PX, STEP_MAX_PX)));
            }
        }
        Some(found)
    }

    /// Robust standard deviation of the pixels about a mean edge, given by the place in quarter pixels.
    pub(crate) fn noise(&self, line: &EdgeLine, mean: impl Fn(f64) -> f64) -> f64 {
        let cos = 1.0 / (1.0 + line.slope * line.slope).sqrt();
        let mut off: Vec<f64> = Vec::new();
        for (y, row) in self.rows.iter().enumerate() {
            for (x, value) in row.iter().enumerate() {
                let place = ((x as f64 - line.at(y)) * cos + self.columns as f64 / 2.0) * 4.0;
                off.push((value - mean(place)).abs());
            }
        }
        glassine_raster::median(&mut off, f64::total_cmp).unwrap_or(0.0) / MAD_SHARE
    }
}

/// Least-squares line `x(y)`, refitted without points beyond three deviations.
fn fit_line(points: &[(f64, f64)]) -> Option<EdgeLine> {
    let mut kept: Vec<(f64, f64)> = points.to_vec();
    let mut line = None;
    for _ in 0..3 {
        let n = kept.len() as f64;
        if kept.len() < POINTS_MIN {
            return None;
        }
        let (my, mx) = kept.iter().fold((0.0, 0.0), |s, p| (s.0 + p.0 / n, s.1 + p.1 / n));
        let yy: f64 = kept.iter().map(|p| (p.0 - my).powi(2)).sum();
        let yx: f64 = kept.iter().map(|p| (p.0 - my) * (p.1 - mx)).sum();
        let slope = yx / yy.max(1e-12);
        let start = mx - slope * my;
        let stray = (kept.iter().map(|p| (p.1 - start - slope * p.0).powi(2)).sum::<f64>() / n).sqrt();
        line = Some(EdgeLine { start, slope, stray_px: stray });
        let limit = OUTLIERS.0 * stray.max(OUTLIERS.1);
        kept.retain(|p| (p.1 - start - slope * p.0).abs() <= limit);
    }
    // More than a quarter off the line is no single edge. Our choice.
    line.filter(|_| kept.len() * 4 >= points.len() * 3)
}
