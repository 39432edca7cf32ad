//! Where two placed parts agree: their light matched, and the seam between them.

use glassine_raster::{CancelToken, PixelRect, Point, RegionError, RegionSource};

use super::compose::{Placed, Seam};

/// Least side of the cells that parts are compared in, pixels. Source: our choice; small enough to see dust, large
/// enough that noise doesn't count.
const CELL_PX: u32 = 4;
/// Most cells along a seam, so that a session file stays small. Source: our choice.
const MOST_CELLS: u32 = 1500;

/// Two parts over their common stretch, as means of square cells.
pub(super) struct Cells {
    x0: u32,
    y0: u32,
    side: u32,
    columns: usize,
    rows: usize,
    channels: usize,
    /// Means of the earlier part, matched in light, and of the later one, as it is; channels together.
    a: Vec<f32>,
    b: Vec<f32>,
    /// Whether both parts have all pixels of the cell, none of them clipped.
    is_whole: Vec<bool>,
}

impl Cells {
    /// The common stretch of two parts; `None` if it is narrower than a few cells.
    pub(super) fn of<S: RegionSource>(
        (a, b): (&Placed<S>, &Placed<S>),
        size: (u32, u32),
        channels: usize,
        cancel: &CancelToken,
    ) -> Result<Option<Self>, RegionError> {
        let (p, q) = (a.bounds(), b.bounds());
        let low = |u: f64, v: f64| u.max(v).max(0.0).ceil() as u32;
        let high = |u: f64, v: f64, n: u32| u.min(v).clamp(0.0, n.into()).floor() as u32;
        let (x0, y0) = (low(p.0, q.0), low(p.1, q.1));
        let (x1, y1) = (high(p.2, q.2, size.0), high(p.3, q.3, size.1));
        let side = CELL_PX.max(x1.saturating_sub(x0).max(y1.saturating_sub(y0)).div_ceil(MOST_CELLS));
        let count = |from: u32, to: u32| (to.saturating_sub(from) / side) as usize;
        let (columns, rows) = (count(x0, x1), count(y0, y1));
        if columns < 8 || rows < 8 {
            return Ok(None);
        }
        let mut cells = Self {
            x0,
            y0,
            side,
            columns,
            rows,
            channels,
            a: Vec::new(),
            b: Vec::new(),
            is_whole: Vec::new(),
        };
        /// Pixels read at once. Source: our choice.
        const BAND_PX: usize = 2 << 20;
        let cell_px = columns * (side * side) as usize;
        let rows_at_once = (BAND_PX / cell_px).max(1);
        for first in (0..rows).step_by(rows_at_once) {
            let until = (first + rows_at_once).min(rows);
            let row_px = |row: usize| y0 + row as u32 * side;
            let band = PixelRect::new(x0, row_px(first), x0 + columns as u32 * side, row_px(until));
            cells.add((a, b), band, cancel)?;
        }
        Ok(Some(cells))
    }

    fn add<S: RegionSource>(
        &mut self,
        (a, b): (&Placed<S>, &Placed<S>),
        band: PixelRect,
        cancel: &CancelToken,
    ) -> Result<(), RegionError> {
        /// Means above this are taken as clipped, codes of 65535.
        const CLIPPED: f32 = 65000.0;
        let (of_a, of_b) = (a.resampled(band, cancel)?, b.resampled(band, cancel)?);
        let (side, channels) = (self.side as usize, self.channels);
        let width = band.width() as usize;
        for row in 0..band.height() as usize / side {
            for column in 0..self.columns {
                let mean = |values: &[f32], c: usize| {
                    let lines = (0..side).map(|j| ((row * side + j) * width + column * side) * channels + c);
                    let sum: f32 =
                        lines.map(|at| (0..side).map(|i| values[at + i * channels]).sum::<f32>()).sum();
                    sum / (side * side) as f32
                };
                let first = self.a.len();
                self.a.extend((0..channels).map(|c| mean(&of_a, c)));
                self.b.extend((0..channels).map(|c| mean(&of_b, c)));
                let is_clipped = self.a[first..].iter().chain(&self.b[first..]).any(|v| *v > CLIPPED);
                let corner = |i: usize, j: usize| {
                    let x = f64::from(band.x0) + ((column + i) * side) as f64;
                    let p = Point::new(x, f64::from(band.y0) + ((row + j) * side) as f64);
                    a.distance(p) <= 0.0 && b.distance(p) <= 0.0
                };
                let is_inside = [(0, 0), (0, 1), (1, 0), (1, 1)].into_iter().all(|(i, j)| corner(i, j));
                self.is_whole.push(is_inside && !is_clipped);
            }
        }
        Ok(())
    }

    /// Cells of the common stretch.
    pub(super) fn count(&self) -> usize {
        self.is_whole.len()
    }

    /// Codes of one channel of both parts in the cells that both have.
    fn pairs(&self, channel: usize) -> impl Iterator<Item = (f64, f64)> {
        let of = move |values: &[f32], cell: usize| f64::from(values[cell * self.channels + channel]);
        let whole = (0..self.is_whole.len()).filter(|cell| self.is_whole[*cell]);
        whole.map(move |cell| (of(&self.a, cell), of(&self.b, cell)))
    }

    /// Difference of the parts in each cell, relative to its light, once the later part is matched. Infinite where one
    /// of them has none.
    fn differences(&self, light: &[[f64; 2]]) -> Vec<f64> {
        /// Codes that count as dark: below, differences are flare and noise. Source: our choice; 0.5 % of full scale.
        const DARK: f64 = 330.0;
        let difference = |cell: usize| {
            let channel = |c: usize| {
                let at = cell * self.channels + c;
                let [gain, offset] = light.get(c).copied().unwrap_or([1.0, 0.0]);
                let (a, b) = (f64::from(self.a[at]), f64::from(self.b[at]) * gain + offset * 65535.0);
                (a - b).abs() / (a.max(0.0) + b.max(0.0) + DARK)
            };
            (0..self.channels).map(channel).sum()
        };
        (0..self.is_whole.len())
            .map(|cell| if self.is_whole[cell] { difference(cell) } else { f64::INFINITY })
            .collect()
    }

    /// The seam at which the parts differ least: the cheapest path through the cells, by dynamic programming.
    ///
    /// Method: A. A. Efros, W. T. Freeman, "Image quilting for texture synthesis and transfer", SIGGRAPH 2001.
    pub(super) fn seam(&self, light: &[[f64; 2]], runs_down: bool, is_after: bool) -> Seam {
        /// Cost of a step aside, of the distance from the middle, and where a part ends, in units of the median
        /// difference. Source: our choice; they keep the seam straight where parts agree anyway.
        const ASIDE: f64 = 0.1;
        const OFF_MIDDLE: f64 = 0.3;
        const AT_END: f64 = 8.0;
        /// Differences above this many medians are all alike: dust, holder.
        const MOST: f64 = 40.0;
        let differences = self.differences(light);
        let mut known: Vec<f64> = differences.iter().copied().filter(|d| d.is_finite()).collect();
        known.sort_by(f64::total_cmp);
        let median = known.get(known.len() / 2).copied().unwrap_or(1.0).max(1e-6);
        let (length, width) = if runs_down { (self.rows, self.columns) } else { (self.columns, self.rows) };
        let cell = |along: usize, across: usize| {
            if runs_down { along * self.columns + across } else { across * self.columns + along }
        };
        let cost = |along: usize, across: usize| {
            // The blend reaches two cells to both sides.
            let around = across.saturating_sub(2)..(across + 3).min(width);
            let near = around.map(|k| differences[cell(along, k)] / median).fold(0.0, f64::max);
            let is_at_end = across < 3 || across + 3 >= width || near.is_infinite();
            let middle = (2.0 * (across as f64 + 0.5) / width as f64 - 1.0).abs();
            let here = differences[cell(along, across)] / median;
            let differs = if near.is_finite() { (0.5 * (here + near)).min(MOST) } else { 0.0 };
            differs + OFF_MIDDLE * middle * middle + if is_at_end { AT_END } else { 0.0 }
        };
        let mut totals: Vec<f64> = (0..width).map(|across| cost(0, across)).collect();
        let mut came_from: Vec<Vec<usize>> = vec![(0..width).collect()];
        for along in 1..length {
            let from = |across: usize| {
                let near = across.saturating_sub(1)..(across + 2).min(width);
                let total = |k: &usize| totals[*k] + if *k == across { 0.0 } else { ASIDE };
                near.min_by(|p, q| total(p).total_cmp(&total(q))).unwrap_or(across)
            };
            let origins: Vec<usize> = (0..width).map(from).collect();
            let aside = |across: usize| if origins[across] == across { 0.0 } else { ASIDE };
            totals = (0..width).map(|k| totals[origins[k]] + aside(k) + cost(along, k)).collect();
            came_from.push(origins);
        }
        let mut at = (0..width).min_by(|p, q| totals[*p].total_cmp(&totals[*q])).unwrap_or(width / 2);
        let side = f64::from(self.side);
        let (start, origin) = if runs_down { (self.y0, self.x0) } else { (self.x0, self.y0) };
        let mut places_px = vec![0.0; length];
        for (along, origins) in came_from.iter().enumerate().rev() {
            places_px[along] = f64::from(origin) + (at as f64 + 0.5) * side;
            at = origins[at];
        }
        Seam {
            runs_down,
            is_after,
            start_px: f64::from(start) + 0.5 * side,
            step_px: side,
            places_px,
            half_width_px: 2.0 * side,
        }
    }
}

/// Gain and offset (relative to full scale) of each channel that bring the later part to the light of the earlier one.
pub(super) fn match_light(cells: &[Cells], channels: usize) -> Vec<[f64; 2]> {
    (0..channels)
        .map(|c| fit_line(&cells.iter().flat_map(|cells| cells.pairs(c)).collect::<Vec<_>>()))
        .collect()
}

/// The line `a = gain b + offset` by Tukey's weights, from pairs of codes. Dust and holder edges are outliers.
fn fit_line(pairs: &[(f64, f64)]) -> [f64; 2] {
    /// Spread of the light, as a ratio of the 95th to the 5th percentile, below which an offset can't be told from a
    /// gain. Source: our choice.
    const LEAST_RATIO: f64 = 1.5;
    /// Gains that are believed. Source: our choice; three stops between two scans of one film.
    const GAINS: std::ops::RangeInclusive<f64> = 0.125..=8.0;
    let mut light: Vec<f64> = pairs.iter().map(|(_, b)| *b).collect();
    light.sort_by(f64::total_cmp);
    let at = |share: f64| light.get((share * light.len() as f64) as usize).copied().unwrap_or(0.0);
    let (low, high) = (at(0.05), at(0.95));
    let mut ratios: Vec<f64> =
        pairs.iter().filter(|(_, b)| *b > 0.05 * high && *b > 1.0).map(|(a, b)| a / b).collect();
    if ratios.len() < 20 {
        return [1.0, 0.0];
    }
    let middle = ratios.len() / 2;
    ratios.select_nth_unstable_by(middle, f64::total_cmp);
    let (mut gain, mut offset) = (ratios[middle], 0.0);
    let has_offset = high > LEAST_RATIO * low;
    for _ in 0..25 {
        // Noise of light grows with its root, so squares are weighted by the light.
        let scatter = |b: f64| (b.max(0.0) + 0.01 * high).sqrt();
        let residual = |a: f64, b: f64| ((a - gain * b - offset) / scatter(b)).abs();
        let mut sorted: Vec<f64> = pairs.iter().map(|(a, b)| residual(*a, *b)).collect();
        let middle = sorted.len() / 2;
        sorted.select_nth_unstable_by(middle, f64::total_cmp);
        let limit = 4.685 * (sorted[middle] / 0.6745).max(1e-3);
        let (mut w, mut wb, mut wa, mut wbb, mut wab) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for (a, b) in pairs {
            let t = residual(*a, *b) / limit;
            if t < 1.0 {
                let weight = (1.0 - t * t).powi(2) / scatter(*b).powi(2);
                w += weight;
                wb += weight * b;
                wa += weight * a;
                wbb += weight * b * b;
                wab += weight * a * b;
            }
        }
        let (next, shift) = if has_offset {
            let spread = w * wbb - wb * wb;
            let slope = (w * wab - wa * wb) / spread;
            (slope, (wa - slope * wb) / w)
        } else {
            (wab / wbb, 0.0)
        };
        if !(next.is_finite() && shift.is_finite()) {
            break;
        }
        let is_settled = (next - gain).abs() < 1e-7 && (shift - offset).abs() < 1e-3;
        (gain, offset) = (next, shift);
        if is_settled {
            break;
        }
    }
    if GAINS.contains(&gain) { [gain, offset / 65535.0] } else { [1.0, 0.0] }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn light_is_matched_in_spite_of_dust() {
        let pairs: Vec<(f64, f64)> = (0..4000)
            .map(|i| {
                let b = 900.0 + f64::from(i * 7919 % 40_000);
                // Every ninth cell has dust on one of the parts.
                let a = 1.31 * b - 420.0 + f64::from(i % 13) - 6.0;
                (if i % 9 == 0 { 0.4 * a } else { a }, b)
            })
            .collect();
        let [gain, offset] = fit_line(&pairs);
        assert!((gain - 1.31).abs() < 1e-3, "{gain}");
        assert!((offset * 65535.0 + 420.0).abs() < 8.0, "{offset}");
    }
}
