//! Sharpening by an unsharp mask whose overshoot is limited to a share of the local contrast.
//!
//! With a plain unsharp mask, users balance acutance against halos by trial and error. Here the halo is a setting:
//! every result is clamped to the range of its neighbourhood, widened by a share of that range, so radius and amount
//! can be raised without a bright or dark rim. Where the picture holds no more than the grain of the film, nothing is
//! sharpened, and the limit does not count grain as range.
//!
//! Undoing the measured blur (deconvolution by Van Cittert's iteration) under the same limit and the same regard for
//! grain was measured as a second method, and is left out because it gains less (`tests/deconvolution.rs`, random scenes;
//! gain in the frequency of half response, distance to the unblurred scene relative to that before):
//!
//! | blur, grain | mask | 2 steps | 4 steps | 8 steps |
//! |---|---|---|---|---|
//! | 0.7 px, 0.005 | 2.05, 0.57 | 1.49, 0.70 | 1.64, 0.69 | 1.73, 0.74 |
//! | 1.2 px, 0.01 | 2.04, 0.71 | 1.64, 0.82 | 1.87, 0.87 | 2.04, 1.07 |
//! | 2 px, 0.005 | 2.21, 0.61 | 1.60, 0.76 | 1.86, 0.72 | 2.10, 0.78 |
//! | 2 px, 0.02 | 1.87, 0.97 | 1.38, 0.99 | 1.25, 1.11 | 1.07, 1.34 |
//!
//! Overshoot was at most 1.2 % and noise rose by at most 2.3 % with either.

use glassine_raster::{PixelLoop, Plane, least, most, run_in_short_vectors};
use rayon::prelude::*;

/// Largest radius; larger values count as this one. Our choice: five times what the settings offer, to bound memory.
pub const RADIUS_MAX_PX: f32 = 50.0;

/// Smallest effective radius: a smaller one reaches no neighbouring pixel (`exp(-50)`) and leaves the picture
/// unchanged. Source: arithmetic.
const RADIUS_MIN_PX: f32 = 0.1;

/// The Gaussian is cut off at this many standard deviations; the rest has a weight of 6e-5 of the whole. Our choice: a
/// 16-bit code is 1.5e-5; a longer kernel costs time in proportion.
const KERNEL_REACH_SIGMA: f32 = 4.0;

/// Half the side of the window of local range, in radii: wide enough to include both sides of an edge that suits the
/// radius. Our choice: wider windows let halos of distant contrast through.
const WINDOW_REACH_SIGMA: f32 = 1.5;

/// Half the side of the window of local variance: 7 x 7 pixels. Our choice: 49 values tell twice the grain from the
/// grain itself; a larger window lets grain through farther away from edges.
pub(crate) const GRAIN_REACH_PX: usize = 3;
/// Share of one pixel in that window.
const GRAIN_WINDOW_SHARE: f32 = 1.0 / ((2 * GRAIN_REACH_PX + 1) * (2 * GRAIN_REACH_PX + 1)) as f32;
/// Local variance, as a multiple of the grain's, up to which nothing is sharpened, and how much further the effect
/// reaches half. Our choice, on edges with white and correlated grain (`a_suggestion_sharpens_edges_and_leaves_grain`):
/// flat areas keep their noise within 3 %, edges of four times the grain are sharpened nearly in full.
const GRAIN_FLOOR: (f32, f32) = (1.5, 1.5);
/// Standard deviations of grain that the local range is narrowed by at both ends. Our choice, on the same edges: about
/// the expected extreme of the half of a window that lies on one side of an edge (1.5 to 2).
const GRAIN_IN_RANGE: f32 = 1.5;

/// Width in pixels of the surroundings that affect a region's sharpened values.
///
/// A tile read with this margin and sharpened alone gives the same numbers as the whole picture.
pub fn halo_px(radius_px: f32) -> u32 {
    Sharpening { amount: 1.0, radius_px, ..Sharpening::default() }.halo_px()
}

/// Sharpen one plane (usually lightness); see [`Sharpening`].
pub fn sharpen(plane: &Plane<f32>, amount: f32, radius_px: f32, overshoot_limit: f32) -> Plane<f32> {
    Sharpening { amount, radius_px, overshoot_limit, ..Sharpening::default() }.apply(plane)
}

/// An unsharp mask with a limit on its overshoot.
///
/// ```text
/// y = clamp(x + w * amount * (x - G_r * x), lo + e - limit * (hi - lo), hi - e + limit * (hi - lo))
/// lo, hi = smallest and largest x in a square window about the pixel
/// w = q^2 / (q^2 + (1.5 g^2)^2), q = max(v - 1.5 g^2, 0), e = 1.5 g
/// v, g = variance of x in 7 x 7 pixels, standard deviation of the grain at their mean
/// ```
/// Without grain `w` is 1 and `e` is 0; the clamp never moves a value that was outside before.
/// | quantity | unit | domain | outside |
/// |---|---|---|---|
/// | `amount` | – | 0.. | negative, NaN: nothing changes |
/// | `radius_px` | pixels (sigma of the Gaussian) | 0.1..=50 | below: nothing changes; above: 50 |
/// | `overshoot_limit` | part of the local range | 0.. | negative, NaN: 0; `f32::INFINITY`: no limit |
/// | `grain_sd` | the plane's | 0.. | negative, NaN: 0 |
///
/// Positions outside the plane repeat its edge.
///
/// Source: the frequency gain `1 + k (1 - exp(-2 (pi r f)^2))` follows from the Gaussian's transform; limiting the
/// result to the neighbourhood's range is common in image processing; the weight is that of a Wiener filter on local
/// variance, squared so that it starts smoothly.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sharpening {
    /// Factor on the difference to the blurred picture that is added.
    pub amount: f32,
    /// Standard deviation of the Gaussian.
    pub radius_px: f32,
    /// Share of the local range by which a value may exceed it.
    pub overshoot_limit: f32,
    /// Standard deviation of the grain in flat areas at values 0, 0.5 and 1, linear in between; zeros sharpen
    /// everything alike.
    pub grain_sd: [f32; 3],
}

impl Sharpening {
    /// Whether these settings leave every picture unchanged.
    pub fn is_identity(&self) -> bool {
        !(self.amount > 0.0 && self.radius_px >= RADIUS_MIN_PX)
    }

    /// Width in pixels of the surroundings that affect a region's sharpened values.
    pub fn halo_px(&self) -> u32 {
        let grain_reach = if self.grain().is_some() { GRAIN_REACH_PX } else { 0 };
        if self.is_identity() {
            0
        } else {
            self.kernel_reach().max(self.window_reach()).max(grain_reach) as u32
        }
    }

    /// The grain, if there is any to leave alone.
    fn grain(&self) -> Option<[f32; 3]> {
        let sd = self.grain_sd.map(|sd| if sd > 0.0 && sd.is_finite() { sd } else { 0.0 });
        (sd != [0.0; 3]).then_some(sd)
    }

    pub fn apply(&self, plane: &Plane<f32>) -> Plane<f32> {
        if self.is_identity() || plane.width() == 0 || plane.height() == 0 {
            return plane.clone();
        }
        let rows = self.prepare(plane.width());
        let mut out = Plane::filled(plane.width(), plane.height(), 0.0_f32);
        out.data_mut()
            .par_chunks_mut(plane.width() as usize)
            .enumerate()
            .for_each_init(|| rows.scratch(), |scratch, (y, row)| rows.row(plane, y as u32, scratch, row));
        out
    }

    /// Prepare the kernel and buffer sizes for planes of one width, for callers that sharpen row by row.
    pub fn prepare(&self, width: u32) -> RowSharpener {
        let reach = self.kernel_reach();
        let sigma = f64::from(self.radius_px.clamp(RADIUS_MIN_PX, RADIUS_MAX_PX));
        let half: Vec<f64> =
            (0..=reach).map(|i| (-0.5 * (i as f64 / sigma) * (i as f64 / sigma)).exp()).collect();
        let sum = half[0] + 2.0 * half[1..].iter().sum::<f64>();
        let limit = if self.overshoot_limit > 0.0 { self.overshoot_limit } else { 0.0 };
        RowSharpener {
            width: width as usize,
            kernel: half.iter().map(|w| (w / sum) as f32).collect(),
            window: self.window_reach(),
            amount: if self.is_identity() { 0.0 } else { self.amount },
            limit: limit.is_finite().then_some(limit),
            grain: self.grain(),
        }
    }

    fn kernel_reach(&self) -> usize {
        (KERNEL_REACH_SIGMA * self.radius_px.clamp(RADIUS_MIN_PX, RADIUS_MAX_PX)).ceil() as usize
    }

    fn window_reach(&self) -> usize {
        (WINDOW_REACH_SIGMA * self.radius_px.clamp(RADIUS_MIN_PX, RADIUS_MAX_PX)).ceil() as usize
    }
}

/// Sharpens single rows of planes of one width; made by [`Sharpening::prepare`].
#[derive(Debug, Clone)]
pub struct RowSharpener {
    width: usize,
    kernel: Vec<f32>,
    window: usize,
    amount: f32,
    limit: Option<f32>,
    grain: Option<[f32; 3]>,
}

/// Buffers of [`RowSharpener`], one per thread.
#[derive(Debug, Clone, Default)]
pub struct RowScratch {
    blur: Vec<f32>,
    low: Vec<f32>,
    high: Vec<f32>,
    /// Sums of the columns' values and of their squares, about [`PIVOT`].
    sums: Vec<f32>,
    squares: Vec<f32>,
}

/// Subtracted before squares are summed, so that rounding hides no faint grain. Our choice: mid-tone of 0 to 1.
const PIVOT: f32 = 0.5;

/// Columns processed at a time: their sums stay in registers. Our choice; changes speed alone.
const BLOCK: usize = 64;

impl RowSharpener {
    pub fn scratch(&self) -> RowScratch {
        let (reach, window) = (self.kernel.len() - 1, self.window);
        RowScratch {
            blur: vec![0.0; self.width + 2 * reach],
            low: vec![0.0; self.width + 2 * window],
            high: vec![0.0; self.width + 2 * window],
            sums: Vec::new(),
            squares: Vec::new(),
        }
    }

    /// Write the sharpened row `y` of `plane` to `out`.
    ///
    /// Ignores a plane or row of another width than prepared for.
    pub fn row(&self, plane: &Plane<f32>, y: u32, scratch: &mut RowScratch, out: &mut [f32]) {
        if plane.width() as usize == self.width {
            self.row_of(plane.data(), y as usize, scratch, out);
        }
    }

    /// Write the sharpened row `y` of row-by-row samples to `out`.
    ///
    /// Ignores anything of another width than prepared for.
    pub fn row_of(&self, samples: &[f32], y: usize, scratch: &mut RowScratch, out: &mut [f32]) {
        let width = self.width;
        if width == 0
            || out.len() != width
            || !samples.len().is_multiple_of(width)
            || (y + 1) * width > samples.len()
        {
            return;
        }
        let (reach, window) = (self.kernel.len() - 1, self.window);
        scratch.blur.resize(width + 2 * reach, 0.0);
        scratch.low.resize(width + 2 * window, 0.0);
        scratch.high.resize(width + 2 * window, 0.0);
        let padded = if self.grain.is_some() { width + 2 * GRAIN_REACH_PX } else { 0 };
        scratch.sums.resize(padded, 0.0);
        scratch.squares.resize(padded, 0.0);
        run_in_short_vectors(Row { sharpener: self, samples, y, scratch, out });
    }
}

/// One row to sharpen.
struct Row<'a> {
    sharpener: &'a RowSharpener,
    samples: &'a [f32],
    y: usize,
    scratch: &'a mut RowScratch,
    out: &'a mut [f32],
}

impl PixelLoop for Row<'_> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        if self.sharpener.width >= BLOCK {
            self.sharpen::<BLOCK>();
        } else {
            self.sharpen::<1>();
        }
    }
}

impl Row<'_> {
    /// Columns first, then along the row, `N` columns at a time; the last block may overlap the previous one.
    #[inline(always)]
    fn sharpen<const N: usize>(&mut self) {
        let RowSharpener { width, ref kernel, window, limit, grain, .. } = *self.sharpener;
        let reach = kernel.len() - 1;
        let starts = || (0..width).step_by(N).map(|x| x.min(width - N));
        for x in starts() {
            self.blur_columns::<N>(x, reach);
        }
        repeat_ends(&mut self.scratch.blur, reach);
        if limit.is_some() {
            for x in starts() {
                self.range_columns::<N>(x, window);
            }
            repeat_ends(&mut self.scratch.low, window);
            repeat_ends(&mut self.scratch.high, window);
        }
        if grain.is_some() {
            for x in starts() {
                self.variance_columns::<N>(x);
            }
            repeat_ends(&mut self.scratch.sums, GRAIN_REACH_PX);
            repeat_ends(&mut self.scratch.squares, GRAIN_REACH_PX);
        }
        for x in starts() {
            self.finish::<N>(x);
        }
    }

    /// `N` samples from column `x` of the row `dy` below, or of the nearest row if there is none.
    #[inline(always)]
    fn block<const N: usize>(&self, x: usize, dy: isize) -> &[f32; N] {
        let width = self.sharpener.width;
        let y = self.y.saturating_add_signed(dy).min(self.samples.len() / width - 1);
        fixed(&self.samples[y * width + x..])
    }

    #[inline(always)]
    fn blur_columns<const N: usize>(&mut self, x: usize, reach: usize) {
        let kernel = &self.sharpener.kernel;
        let mut sums = self.block::<N>(x, 0).map(|value| kernel[0] * value);
        for (i, w) in kernel.iter().enumerate().skip(1) {
            let (above, below) = (self.block::<N>(x, -(i as isize)), self.block::<N>(x, i as isize));
            for k in 0..N {
                sums[k] += w * (above[k] + below[k]);
            }
        }
        self.scratch.blur[reach + x..][..N].copy_from_slice(&sums);
    }

    #[inline(always)]
    fn range_columns<const N: usize>(&mut self, x: usize, window: usize) {
        let mut low = *self.block::<N>(x, 0);
        let mut high = low;
        for i in 1..=window as isize {
            let (above, below) = (self.block::<N>(x, -i), self.block::<N>(x, i));
            for k in 0..N {
                low[k] = least(low[k], least(above[k], below[k]));
                high[k] = most(high[k], most(above[k], below[k]));
            }
        }
        self.scratch.low[window + x..][..N].copy_from_slice(&low);
        self.scratch.high[window + x..][..N].copy_from_slice(&high);
    }

    #[inline(always)]
    fn variance_columns<const N: usize>(&mut self, x: usize) {
        let (mut sums, mut squares) = ([0.0; N], [0.0; N]);
        for dy in -(GRAIN_REACH_PX as isize)..=GRAIN_REACH_PX as isize {
            let values = self.block::<N>(x, dy);
            for k in 0..N {
                let value = values[k] - PIVOT;
                sums[k] += value;
                squares[k] += value * value;
            }
        }
        self.scratch.sums[GRAIN_REACH_PX + x..][..N].copy_from_slice(&sums);
        self.scratch.squares[GRAIN_REACH_PX + x..][..N].copy_from_slice(&squares);
    }

    /// Weights of `N` pixels by their local variance, and the deviation of the grain there.
    #[inline(always)]
    fn weights<const N: usize>(&self, x: usize, grain: [f32; 3]) -> ([f32; N], [f32; N]) {
        let (mut sums, mut squares) = ([0.0; N], [0.0; N]);
        for i in 0..=2 * GRAIN_REACH_PX {
            let (sum, square) =
                (fixed::<N>(&self.scratch.sums[x + i..]), fixed::<N>(&self.scratch.squares[x + i..]));
            for k in 0..N {
                sums[k] += sum[k];
                squares[k] += square[k];
            }
        }
        let (mut weights, mut deviations) = ([0.0; N], [0.0; N]);
        for k in 0..N {
            let mean = sums[k] * GRAIN_WINDOW_SHARE;
            let variance = most(squares[k] * GRAIN_WINDOW_SHARE - mean * mean, 0.0);
            // Tents over values 0, 0.5 and 1.
            let place = least(most(2.0 * mean, -1.0), 1.0);
            let (below, above) = (most(-place, 0.0), most(place, 0.0));
            let sd = grain[1] + below * (grain[0] - grain[1]) + above * (grain[2] - grain[1]);
            let excess = most(variance - GRAIN_FLOOR.0 * sd * sd, 0.0);
            let half = GRAIN_FLOOR.1 * sd * sd;
            // The least number keeps flat pictures without grain defined.
            weights[k] = excess * excess / (excess * excess + half * half + f32::MIN_POSITIVE);
            deviations[k] = sd;
        }
        (weights, deviations)
    }

    #[inline(always)]
    fn finish<const N: usize>(&mut self, x: usize) {
        let RowSharpener { ref kernel, window, amount, limit, grain, .. } = *self.sharpener;
        let reach = kernel.len() - 1;
        let blur = |i: usize| fixed::<N>(&self.scratch.blur[x + i..]);
        let mut sums = blur(reach).map(|value| kernel[0] * value);
        for (i, w) in kernel.iter().enumerate().skip(1) {
            let (left, right) = (blur(reach - i), blur(reach + i));
            for k in 0..N {
                sums[k] += w * (left[k] + right[k]);
            }
        }
        let source = self.block::<N>(x, 0);
        let mut deviations = [0.0; N];
        if let Some(grain) = grain {
            let weights;
            (weights, deviations) = self.weights::<N>(x, grain);
            for k in 0..N {
                sums[k] = source[k] + amount * weights[k] * (source[k] - sums[k]);
            }
        } else {
            for k in 0..N {
                sums[k] = source[k] + amount * (source[k] - sums[k]);
            }
        }
        if let Some(limit) = limit {
            let mut low = *fixed::<N>(&self.scratch.low[x..]);
            let mut high = *fixed::<N>(&self.scratch.high[x..]);
            for i in 1..=2 * window {
                let (l, h) =
                    (fixed::<N>(&self.scratch.low[x + i..]), fixed::<N>(&self.scratch.high[x + i..]));
                for k in 0..N {
                    low[k] = least(low[k], l[k]);
                    high[k] = most(high[k], h[k]);
                }
            }
            for k in 0..N {
                let slack = limit * (high[k] - low[k]) - GRAIN_IN_RANGE * deviations[k];
                let floor = least(low[k] - slack, source[k]);
                sums[k] = least(most(sums[k], floor), most(high[k] + slack, source[k]));
            }
        }
        self.out[x..][..N].copy_from_slice(&sums);
    }
}

#[inline(always)]
fn fixed<const N: usize>(values: &[f32]) -> &[f32; N] {
    values.first_chunk().expect("blocks end inside the row and its padding")
}

/// Fill `reach` values at both ends with the first and last of the middle.
#[inline(always)]
fn repeat_ends(padded: &mut [f32], reach: usize) {
    let last = padded.len() - 1 - reach;
    let (first_value, last_value) = (padded[reach], padded[last]);
    padded[..reach].fill(first_value);
    padded[last + 1..].fill(last_value);
}

#[cfg(test)]
mod tests {
    use glassine_testdata::random::Lcg;

    use super::*;

    /// A picture that varies along x only.
    fn from_profile(profile: &[f32]) -> Plane<f32> {
        let data = (0..9).flat_map(|_| profile.iter().copied()).collect();
        Plane::from_vec(profile.len() as u32, 9, data).expect("length fits")
    }

    fn noise(width: u32, height: u32) -> Plane<f32> {
        let mut random = Lcg::new(0x1234_5678);
        let data = (0..width * height).map(|_| random.unit() as f32);
        Plane::from_vec(width, height, data.collect()).expect("length fits")
    }

    fn range(plane: &Plane<f32>) -> (f32, f32) {
        plane.data().iter().fold((f32::MAX, f32::MIN), |(lo, hi), &v| (lo.min(v), hi.max(v)))
    }

    /// Normal distribution function, by the series for small and the continued fraction for large arguments.
    fn phi(x: f64) -> f64 {
        let step = 1e-3;
        let n = (x.abs() / step).ceil().max(1.0) as usize;
        let h = x / n as f64;
        let density = |t: f64| (-0.5 * t * t).exp() / (2.0 * std::f64::consts::PI).sqrt();
        0.5 + (0..n).map(|i| h * density((i as f64 + 0.5) * h)).sum::<f64>()
    }

    #[test]
    fn a_discrete_step_overshoots_as_an_independent_gaussian_filter_says() {
        // Source: scipy 1.x gaussian_filter1d, truncate 6 (check value CV-7.3 of the reference notes). The kernel here
        // ends at 4 sigma, which changes the result by less than 1e-4.
        let profile: Vec<f32> = (0..80).map(|x| if x < 40 { 0.2 } else { 0.8 }).collect();
        for (radius, top, bottom) in
            [(0.5, 0.864_029, 0.135_971), (1.0, 0.980_317, 0.019_683), (2.0, 1.040_159, -0.040_159)]
        {
            let (lo, hi) = range(&sharpen(&from_profile(&profile), 1.0, radius, f32::INFINITY));
            assert!((hi - top).abs() < 1e-4 && (lo - bottom).abs() < 1e-4, "radius {radius}: {lo} {hi}");
        }
    }

    #[test]
    fn a_blurred_edge_overshoots_as_the_closed_form_says() {
        // x*^2 = 2 ln((1+k)S/(k s)) / (1/s^2 - 1/S^2); check values CV-7.2. Widened twentyfold so that sampling has no
        // effect.
        for (s, r, k, expect) in [
            (0.7_f64, 0.7_f64, 1.0_f64, 0.033_23),
            (0.5, 1.0, 1.0, 0.140_43),
            (0.7, 1.0, 0.5, 0.030_93),
            (1.0, 1.0, 1.0, 0.033_23),
            (1.0, 2.0, 1.5, 0.225_82),
        ] {
            let zoom = 20.0;
            let profile: Vec<f32> =
                (0..1000).map(|x| phi((f64::from(x) - 499.5) / (s * zoom)) as f32).collect();
            let plane = Plane::from_vec(1000, 1, profile).expect("length fits");
            let (_, hi) = range(&sharpen(&plane, k as f32, (r * zoom) as f32, f32::INFINITY));
            assert!((f64::from(hi) - 1.0 - expect).abs() < 3e-4, "{s} {r} {k}: {hi}");
        }
    }

    #[test]
    fn the_frequency_gain_follows_the_gaussian() {
        // Check values CV-7.1, k = 1.
        for (radius, f, gain) in
            [(1.0_f32, 0.1_f64, 1.1791), (1.0, 0.25, 1.7088), (2.0, 0.1, 1.5460), (1.5, 0.1, 1.3586)]
        {
            let wave: Vec<f32> =
                (0..400).map(|x| (f64::from(x) * f * std::f64::consts::TAU).cos() as f32).collect();
            let out = sharpen(&from_profile(&wave), 1.0, radius, f32::INFINITY);
            let (a, b) = (out.row(4), &wave);
            let dot = |p: &[f32], q: &[f32]| (100..300).map(|i| f64::from(p[i] * q[i])).sum::<f64>();
            let measured = dot(a, b) / dot(b, b);
            assert!((measured - gain).abs() < 1e-3, "radius {radius}, frequency {f}: {measured}");
        }
    }

    #[test]
    fn the_overshoot_stays_within_the_limit() {
        let profile: Vec<f32> =
            (0..80).map(|x| 0.2 + 0.6 * phi((f64::from(x) - 39.5) / 0.8) as f32).collect();
        for limit in [0.0, 0.02, 0.05] {
            let (lo, hi) = range(&sharpen(&from_profile(&profile), 3.0, 1.2, limit));
            assert!(hi <= 0.8 + 0.6 * limit + 1e-5 && lo >= 0.2 - 0.6 * limit - 1e-5, "{limit}: {lo} {hi}");
        }
    }

    #[test]
    fn a_tile_with_its_halo_equals_the_whole_picture() {
        let whole = noise(90, 70);
        let sharpening =
            Sharpening { amount: 0.8, radius_px: 1.3, overshoot_limit: 0.05, ..Sharpening::default() };
        let expect = sharpening.apply(&whole);
        let halo = sharpening.halo_px();
        let (x0, y0, x1, y1) = (20_u32, 15_u32, 60_u32, 50_u32);
        let (px, py) = (x0 - halo, y0 - halo);
        let data = (py..y1 + halo).flat_map(|y| whole.row(y)[px as usize..(x1 + halo) as usize].to_vec());
        let part =
            Plane::from_vec(x1 - x0 + 2 * halo, y1 - y0 + 2 * halo, data.collect()).expect("length fits");
        let out = sharpening.apply(&part);
        for y in y0..y1 {
            for x in x0..x1 {
                assert_eq!(out.at(x - px, y - py).to_bits(), expect.at(x, y).to_bits());
            }
        }
    }

    #[test]
    fn one_thread_gives_the_same_bits_as_many() {
        let picture = noise(64, 64);
        let run = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a small pool");
            pool.install(|| sharpen(&picture, 1.0, 2.0, 0.1))
        };
        assert_eq!(run(1).data(), run(4).data());
    }

    #[test]
    fn a_flat_picture_and_senseless_settings_change_nothing() {
        let flat = Plane::filled(20, 20, 0.4_f32);
        for (a, b) in sharpen(&flat, 2.0, 1.0, 0.05).data().iter().zip(flat.data()) {
            assert!((a - b).abs() < 1e-6);
        }
        let picture = noise(16, 16);
        for (amount, radius) in [(0.0, 1.0), (-1.0, 1.0), (f32::NAN, 1.0), (1.0, 0.0), (1.0, f32::NAN)] {
            assert_eq!(sharpen(&picture, amount, radius, 0.05), picture);
        }
        assert_eq!(sharpen(&Plane::filled(0, 0, 0.0), 1.0, 1.0, 0.05).data().len(), 0);
        assert_eq!(sharpen(&Plane::filled(1, 1, 0.5), 1.0, 9.0, 0.05).data(), &[0.5]);
    }

    #[test]
    fn a_radius_has_the_halo_of_its_kernel() {
        assert_eq!((halo_px(0.0), halo_px(0.7), halo_px(1.0), halo_px(2.0)), (0, 3, 4, 8));
        assert_eq!(halo_px(1e9), 200);
    }
}
