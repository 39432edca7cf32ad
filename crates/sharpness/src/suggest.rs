//! What a picture itself says about how it is best sharpened, and what a sharpening did to it.
//!
//! Planes hold lightness, 0 to 1, as they are sharpened.

use std::f64::consts::PI;

use glassine_raster::{CancelToken, Cancelled, PixelRect, Plane};

use crate::edges::{EDGE_CONTRAST_MIN, sharpest, straight_edge, straight_edges};
use crate::sfr::sinc;
use crate::sharpen::{GRAIN_REACH_PX, Sharpening};

/// Overshoot that a suggestion allows. Our choice: half of what is visible as a rim in a print (5 % is the low end of
/// what is common practice), with room for the noise of measuring it.
const OVERSHOOT_LIMIT: f32 = 0.02;
/// Gain in the frequency of half response that the mask alone is set to. Our choice: the limit makes edges steeper
/// still, to about twice the frequency (`a_suggestion_sharpens_edges_and_leaves_grain`).
const MASK_GAIN: f64 = 1.7;
/// Highest frequency of half response aimed at, cycles per pixel. Our choice: above it, pixels show as stairs.
const MTF50_MAX_CY_PX: f64 = 0.5;
/// Largest amount suggested. Our choice: more raises the contrast of fine texture above that of the scene by half.
const AMOUNT_MAX: f64 = 3.5;
/// Radii suggested, px. Our choice: the range of common practice for scans near their real resolution, and somewhat
/// beyond for soft ones.
const RADIUS_PX: (f64, f64) = (0.5, 2.5);
/// Sharpening of a picture without straight edges: amount, radius in px. Our choice: moderate, for a usual blur.
const WITHOUT_EDGES: (f32, f32) = (1.5, 0.8);
/// An edge's contrast must exceed this many standard deviations of the grain. Our choice: range of 1000 normal values.
const EDGE_GRAIN_FACTOR: f64 = 8.0;

/// Side of the windows whose variance is the grain, as in sharpening.
const WINDOW_PX: u32 = 2 * GRAIN_REACH_PX as u32 + 1;
/// Windows on a side of a tile. Our choice: variance within a tenth, small enough to lie in sky or on a wall.
const TILE_WINDOWS: u32 = 4;
/// Share of the tiles of a lightness that is taken to be flat. Our choice: few pictures have less.
const FLAT_SHARE: f64 = 0.2;
/// Variance at that share of flat tiles, relative to their mean. Source: normal quantile at 0.2 (-0.84) times the
/// spread of a tile's variance, about 0.1.
const FLAT_BIAS: f64 = 0.92;
/// Lightness outside which values may be clipped. Our choice.
const UNCLIPPED: std::ops::Range<f64> = 0.02..0.98;
/// Steps of lightness that are measured apart. Our choice: grain changes little within one.
const STEPS: usize = 9;
/// Fewest tiles of a step. Our choice.
const TILES_MIN: usize = 8;

/// Blur and grain of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BlurAndGrain {
    /// Standard deviation of the blur of the sharpest edges, beside that of square pixels; `None` with too few edges.
    pub blur_px: Option<f64>,
    /// Edges behind it.
    pub edges: u32,
    /// Standard deviation of the grain in flat areas at lightness 0, 0.5 and 1.
    pub grain_sd: [f64; 3],
}

impl BlurAndGrain {
    /// Measure parts of one picture.
    pub fn measure(parts: &[Plane<f32>], cancel: &CancelToken) -> Result<Self, Cancelled> {
        let grain_sd = grain(parts);
        let most_grain = grain_sd.iter().copied().fold(0.0, f64::max);
        let contrast_min = EDGE_CONTRAST_MIN.max(EDGE_GRAIN_FACTOR * most_grain);
        let mut found = Vec::new();
        for part in parts {
            let edges = straight_edges(part, contrast_min, cancel)?;
            found.extend(edges.iter().map(|edge| (edge.mtf50_cy_px, edge.error_cy_px)));
        }
        let sharpest = sharpest(&found);
        Ok(Self {
            blur_px: sharpest.as_ref().map(|(edges, _)| blur_of_mtf50(edges.mtf50_cy_px)),
            edges: sharpest.map_or(0, |(_, kept)| kept.len() as u32),
            grain_sd,
        })
    }

    /// Sharpening that suits them: the radius is the blur, the amount doubles the frequency of half response as far as
    /// the pixels allow, and the grain stays as it is.
    pub fn suggestion(&self) -> Sharpening {
        let (amount, radius_px) = match self.blur_px {
            Some(blur_px) => {
                let radius_px = blur_px.clamp(RADIUS_PX.0, RADIUS_PX.1);
                (amount_for(blur_px, radius_px) as f32, radius_px as f32)
            }
            None => WITHOUT_EDGES,
        };
        let grain_sd = self.grain_sd.map(|sd| sd as f32);
        Sharpening { amount, radius_px, overshoot_limit: OVERSHOOT_LIMIT, grain_sd }
    }
}

/// Standard deviation of the Gaussian with which square pixels have half response at a frequency, from
/// `sinc(f) exp(-2 (pi s f)^2) = 1/2`; 0 if the pixels alone respond less.
pub(crate) fn blur_of_mtf50(mtf50_cy_px: f64) -> f64 {
    let f = mtf50_cy_px.max(1e-6);
    let excess = (2.0 * sinc(f)).max(1.0).ln();
    (0.5 * excess).sqrt() / (PI * f)
}

/// Response of a blur with square pixels after an unsharp mask.
fn response(f: f64, blur_px: f64, radius_px: f64, amount: f64) -> f64 {
    let gaussian = |sigma: f64| (-2.0 * (PI * sigma * f).powi(2)).exp();
    sinc(f) * gaussian(blur_px) * (1.0 + amount * (1.0 - gaussian(radius_px)))
}

/// Frequency at which a blur with square pixels has half response, cycles per pixel.
pub(crate) fn mtf50_of_blur(blur_px: f64) -> f64 {
    frequency_of(blur_px, 0.5)
}

/// Frequency at which it has a response, cycles per pixel.
pub(crate) fn frequency_of(blur_px: f64, level: f64) -> f64 {
    bisect((0.0, 1.0), |f| response(f, blur_px, 1.0, 0.0) > level)
}

/// Amount with which the frequency of half response rises to its aim; by bisection.
fn amount_for(blur_px: f64, radius_px: f64) -> f64 {
    let aim = (MASK_GAIN * mtf50_of_blur(blur_px)).min(MTF50_MAX_CY_PX);
    bisect((0.0, AMOUNT_MAX), |amount| response(aim, blur_px, radius_px, amount) < 0.5)
}

/// Where a condition that holds at the lower end stops holding.
fn bisect((mut low, mut high): (f64, f64), holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if holds(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Standard deviation in flat areas at lightness 0, 0.5 and 1.
fn grain(parts: &[Plane<f32>]) -> [f64; 3] {
    let mut steps: [Vec<f64>; STEPS] = Default::default();
    for part in parts {
        let side = WINDOW_PX * TILE_WINDOWS;
        for (j, i) in (0..part.height() / side).flat_map(|j| (0..part.width() / side).map(move |i| (j, i))) {
            let tile = PixelRect::new(i * side, j * side, (i + 1) * side, (j + 1) * side);
            let (mean, variance) = local_variance(part, tile);
            if UNCLIPPED.contains(&mean) && variance > 0.0 {
                steps[((mean * STEPS as f64) as usize).min(STEPS - 1)].push(variance);
            }
        }
    }
    let (mut sums, mut weights) = ([0.0; 3], [0.0; 3]);
    for (step, variances) in steps.iter_mut().enumerate().filter(|(_, tiles)| tiles.len() >= TILES_MIN) {
        variances.sort_by(f64::total_cmp);
        let flat = variances[(variances.len() as f64 * FLAT_SHARE) as usize] / FLAT_BIAS;
        let place = 2.0 * (step as f64 + 0.5) / STEPS as f64;
        for (node, (sum, weight)) in sums.iter_mut().zip(&mut weights).enumerate() {
            let share = (1.0 - (place - node as f64).abs()).max(0.0).powi(2) * variances.len() as f64;
            *sum += share * flat.sqrt();
            *weight += share;
        }
    }
    let known = |node: usize| (weights[node] > 0.0).then(|| sums[node] / weights[node]);
    let nearest = |order: [usize; 3]| order.into_iter().find_map(known).unwrap_or(0.0);
    [nearest([0, 1, 2]), nearest([1, 0, 2]), nearest([2, 1, 0])]
}

/// Mean of a tile, and the mean variance of its windows.
fn local_variance(plane: &Plane<f32>, tile: PixelRect) -> (f64, f64) {
    let (mut total, mut variance) = (0.0, 0.0);
    let pixels = f64::from(WINDOW_PX * WINDOW_PX);
    for (j, i) in (0..TILE_WINDOWS).flat_map(|j| (0..TILE_WINDOWS).map(move |i| (j, i))) {
        let (x0, y0) = ((tile.x0 + i * WINDOW_PX) as usize, tile.y0 + j * WINDOW_PX);
        let (mut sum, mut square) = (0.0, 0.0);
        for y in y0..y0 + WINDOW_PX {
            for value in &plane.row(y)[x0..x0 + WINDOW_PX as usize] {
                sum += f64::from(*value);
                square += f64::from(*value) * f64::from(*value);
            }
        }
        total += sum / pixels;
        variance += (square / pixels - (sum / pixels).powi(2)).max(0.0);
    }
    let windows = f64::from(TILE_WINDOWS * TILE_WINDOWS);
    (total / windows, variance / windows)
}

/// What a sharpening did to a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SharpeningEffect {
    /// Overshoot that was not there before, as a share of the contrast, median of the edges; `None` without edges.
    pub overshoot: Option<f64>,
    /// Frequency of half response relative to that before, median of the edges; `None` without edges.
    pub mtf50_gain: Option<f64>,
    /// Edges behind both.
    pub edges: u32,
    /// Standard deviation in flat areas relative to that before; `None` without flat areas.
    pub noise_gain: Option<f64>,
}

impl SharpeningEffect {
    /// Compare a picture before and after, in planes of one size; `None` for different sizes.
    pub fn between(
        before: &Plane<f32>,
        after: &Plane<f32>,
        cancel: &CancelToken,
    ) -> Result<Option<Self>, Cancelled> {
        if (before.width(), before.height()) != (after.width(), after.height()) {
            return Ok(None);
        }
        let (mut overshoots, mut gains) = (Vec::new(), Vec::new());
        for old in straight_edges(before, EDGE_CONTRAST_MIN, cancel)? {
            if let Some(new) = straight_edge(after, old.window) {
                // Structure beside an edge looks like overshoot too, but was there before.
                overshoots.push((new.overshoot - old.overshoot).max(0.0));
                gains.push(new.mtf50_cy_px / old.mtf50_cy_px);
            }
        }
        let median = |values: &mut Vec<f64>| glassine_raster::median(values, f64::total_cmp);
        Ok(Some(Self {
            overshoot: median(&mut overshoots),
            edges: gains.len() as u32,
            mtf50_gain: median(&mut gains),
            noise_gain: noise_gain(before, after),
        }))
    }
}

/// Standard deviation after against before in the flattest fifth of the tiles.
fn noise_gain(before: &Plane<f32>, after: &Plane<f32>) -> Option<f64> {
    let side = WINDOW_PX * TILE_WINDOWS;
    let tiles = (0..before.height() / side)
        .flat_map(|j| (0..before.width() / side).map(move |i| (i * side, j * side)))
        .map(|(x, y)| PixelRect::new(x, y, x + side, y + side));
    let mut flat: Vec<(f64, PixelRect)> = tiles
        .filter_map(|tile| {
            let (mean, variance) = local_variance(before, tile);
            (UNCLIPPED.contains(&mean) && variance > 0.0).then_some((variance, tile))
        })
        .collect();
    flat.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1.y0, a.1.x0).cmp(&(b.1.y0, b.1.x0))));
    flat.truncate((flat.len() as f64 * FLAT_SHARE).ceil() as usize);
    let old: f64 = flat.iter().map(|(variance, _)| variance).sum();
    let new: f64 = flat.iter().map(|(_, tile)| local_variance(after, *tile).1).sum();
    (old > 0.0).then(|| (new / old).sqrt())
}

#[cfg(test)]
mod tests {
    use glassine_testdata::scenes::{Scene, with_scanner_noise};

    use super::*;
    use crate::sfr::slanted_edge;
    use crate::test_edges::{Edge, noisy};

    /// A blurred slanted edge between 0.3 and 0.7 with grain: white, or with the spectrum of a small blur.
    fn grainy_edge(sigma: f64, grain_px: f32, sd: f32, seed: u64) -> (Plane<f32>, Plane<f32>) {
        let edge = Edge { sigma, width: 240, height: 600, ..Edge::default() }.draw();
        let flat = Plane::filled(240, 600, 0.0_f32);
        let white = noisy(&flat, 1.0, seed);
        // `x - 1 * (x - G x)` is the blur of x.
        let blurred = crate::sharpen(&white, 1.0, grain_px, f32::INFINITY);
        let grain: Vec<f32> = white
            .data()
            .iter()
            .zip(blurred.data())
            .map(|(x, y)| if grain_px > 0.0 { 2.0 * x - y } else { *x })
            .collect();
        let own =
            (grain.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / grain.len() as f64).sqrt() as f32;
        let clean = edge.data().iter().map(|v| 0.5 + 0.5 * (v - 0.5)).collect::<Vec<_>>();
        let seen = clean.iter().zip(&grain).map(|(v, g)| v + g * sd / own).collect();
        let plane = |data| Plane::from_vec(240, 600, data).expect("length fits");
        (plane(clean), plane(seen))
    }

    fn deviation(a: &Plane<f32>, b: &Plane<f32>, columns: std::ops::Range<u32>) -> f64 {
        let (mut sum, mut n) = (0.0, 0.0);
        for y in 0..a.height() {
            for x in columns.clone() {
                sum += f64::from(a.at(x, y) - b.at(x, y)).powi(2);
                n += 1.0;
            }
        }
        f64::sqrt(sum / n)
    }

    #[test]
    fn a_suggestion_sharpens_edges_and_leaves_grain() {
        let cancel = CancelToken::new();
        for (idx, sigma) in [0.6, 0.8, 1.0, 1.4].into_iter().enumerate() {
            for (grain_px, sd) in [(0.0, 0.003), (0.0, 0.012), (0.7, 0.006), (1.2, 0.006), (1.2, 0.02)] {
                let (clean, seen) = grainy_edge(sigma, grain_px, sd, idx as u64);
                let found =
                    BlurAndGrain::measure(std::slice::from_ref(&seen), &cancel).expect("not cancelled");
                let blur = found.blur_px.expect("an edge");
                assert!((blur / sigma - 1.0).abs() < 0.12, "blur {blur} of {sigma}, grain {sd}");
                assert!(
                    (found.grain_sd[1] / f64::from(sd) - 1.0).abs() < 0.25,
                    "{:?} of {sd}",
                    found.grain_sd
                );
                let sharp = found.suggestion().apply(&seen);
                let middle = PixelRect::new(80, 100, 160, 500);
                let (before, after) = (slanted_edge(&seen, middle), slanted_edge(&sharp, middle));
                let (before, after) = (before.expect("an edge"), after.expect("an edge"));
                let gain = after.mtf50_cy_px().expect("falls") / before.mtf50_cy_px().expect("falls");
                let halo = after.overshoot.max(after.undershoot);
                let noise = deviation(&sharp, &clean, 10..70) / deviation(&seen, &clean, 10..70);
                let what =
                    format!("blur {sigma}, grain {sd} of {grain_px} px: {halo:.4} {noise:.3} {gain:.2}");
                assert!(halo <= 0.025 && noise <= 1.15 && gain >= 1.5, "{what}");
            }
        }
    }

    #[test]
    fn soft_grainy_scenes_are_sharpened_from_their_own_edges() {
        let cancel = CancelToken::new();
        for (seed, sigma, film_sd, sd) in [
            (1_u64, 2.0, 0.0, 0.02),
            (2, 2.0, 0.06, 0.01),
            (3, 2.4, 0.0, 0.03),
            (4, 1.8, 0.04, 0.02),
            (5, 2.0, 0.0, 0.04),
        ] {
            let film = Scene::random(900 + seed, (780, 520)).with_film_grain(film_sd, seed);
            let seen = with_scanner_noise(&film.seen(|_, _| sigma, (0, 0)), sd, seed);
            let found = BlurAndGrain::measure(std::slice::from_ref(&seen), &cancel).expect("not cancelled");
            let blur = found.blur_px.expect("edges");
            assert!((blur / sigma - 1.0).abs() < 0.05, "{blur} of {sigma}");
            let sharp = found.suggestion().apply(&seen);
            let effect = SharpeningEffect::between(&seen, &sharp, &cancel).expect("not cancelled");
            let effect = effect.expect("equal sizes");
            assert!(effect.overshoot.expect("edges") <= 0.018, "{effect:?}");
            assert!(effect.mtf50_gain.expect("edges") >= 1.85, "{effect:?}");
            assert!(effect.noise_gain.expect("flat areas") <= 1.05, "{effect:?}");
        }
    }

    #[test]
    fn blur_and_response_are_inverse_to_each_other() {
        // Check values CV-5.1 of the reference notes: MTF50 by sigma.
        for (sigma, mtf50) in [(0.3, 0.4423), (0.5, 0.3231), (0.7, 0.2471), (1.0, 0.18), (2.0, 0.0927)] {
            assert!((blur_of_mtf50(mtf50) / sigma - 1.0).abs() < 2e-3, "{sigma}");
            assert!((response(mtf50, sigma, 1.0, 0.0) - 0.5).abs() < 1e-3);
        }
        assert_eq!(blur_of_mtf50(0.7), 0.0);
    }

    #[test]
    fn a_sharp_scan_needs_less_than_a_soft_one() {
        let amount = |blur_px| BlurAndGrain { blur_px: Some(blur_px), ..Default::default() }.suggestion();
        assert!(amount(0.3).amount < amount(0.5).amount && amount(0.5).amount < amount(1.0).amount);
        assert!(amount(1.0).radius_px == 1.0 && amount(9.0).radius_px == RADIUS_PX.1 as f32);
        assert_eq!(BlurAndGrain::default().suggestion().amount, WITHOUT_EDGES.0);
    }

    #[test]
    fn the_effect_is_that_of_the_closed_form() {
        // An edge with blur s = r and amount 1 overshoots by 3.3 % (check value CV-7.2) and its response is
        // g (2 - g), half at g = 1 - sqrt(1/2): sqrt(ln(3.414) / ln 2) = 1.331 times the frequency without pixels.
        let (_, seen) = grainy_edge(2.0, 0.0, 0.001, 7);
        let after = crate::sharpen(&seen, 1.0, 2.0, f32::INFINITY);
        let effect = SharpeningEffect::between(&seen, &after, &CancelToken::new()).expect("not cancelled");
        let effect = effect.expect("equal sizes");
        assert!((effect.mtf50_gain.expect("edges") / 1.331 - 1.0).abs() < 0.04, "{effect:?}");
        assert!((effect.overshoot.expect("edges") - 0.0332).abs() < 0.008, "{effect:?}");
        // White noise through 2 - G: 4 - 4 G(0) + sum of G squared, with G(0) = 1/(2 pi r^2), the sum half of that.
        let gain = (4.0 - 3.5 / (2.0 * PI * 4.0)).sqrt();
        assert!((effect.noise_gain.expect("flat areas") / gain - 1.0).abs() < 0.03, "{effect:?} {gain}");
    }
}
