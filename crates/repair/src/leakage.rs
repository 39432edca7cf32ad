//! Measures the image's own trace in the infrared plane: how strong it is, and whether the film is silver.
//!
//! Dyes are nearly, not perfectly, clear in the infrared; silver is not clear at all. Infrared density is regressed on
//! the visible densities: first over block medians, which small defects cannot move, then over single pixels of high
//! contrast. These show what blocks cannot (a star field has no large-scale contrast), and how much softer the infrared
//! picture is. Sources: infrared transparency of dyes and opacity of silver: encyclopedia article "Infrared cleaning";
//! balancing the gains of visible and infrared records before they are compared: US 6,442,301 (published 2002, term
//! ended). The regression is general statistics.

use std::sync::LazyLock;

use glassine_raster::{PixelLoop, PixelRect, Plane, Samples16, run_vectorised};
use rayon::prelude::*;

use crate::density::{BLOCK_PX, FIT_BLOCKS_MAX, dye_density};
use crate::region::{Region, row_pieces};
use crate::robust::{dot, median_in_place, robust_fit};
use crate::types::{DustError, Leakage, Registration, SILVER_STRENGTH};

/// Correlation above which the infrared shows the image itself, if the strength is high enough too. Our choice: common
/// practice expects near 1 for silver and near 0 for dyes.
const SILVER_CORRELATION: f64 = 0.8;
/// Below this spread of visible density, blocks cannot separate silver from dye. Our choice.
const SPREAD_MIN_D: f64 = 0.03;
/// Values of extra infrared blur to try on the image's own edges, sigma in pixels. Our choice.
const BLURS_PX: [f64; 7] = [0.0, 0.4, 0.6, 0.8, 1.1, 1.5, 2.0];
/// Blur assumed when the image leaks too little to measure it. Our choice.
const BLUR_UNKNOWN_PX: f64 = 0.5;
/// Pixels for the refinement: every third of the strongest on a lattice of about this size. On a dusty frame, fewer of
/// the strongest would be nothing but dust. Our choice: bounds time.
const PIXELS_MAX: usize = 8_000;
const THINNED_BY: usize = 3;
const LATTICE: f64 = 300_000.0;
/// Rows of the pieces that are read from a frame, and the least number of pieces. Our choice.
const PIECE_ROWS: u32 = 64;
const PIECES_MIN: usize = 12;
/// Search for stray light: at most this share of full scale (more is a fault of the scan), in this many steps up to the
/// light of the darkest block, on this many blocks. To be accepted, it must lower the misfit to this share.
///
/// Ours: 2 % from a lid ajar and 1 % flare are the most we know of; a misfit measured on a thousand blocks is known to
/// 3 %.
const STRAY_MAX: f64 = 0.04;
const STRAY_STEPS: u32 = 12;
const STRAY_BLOCKS_MAX: usize = 1_000;
const STRAY_GAIN: f64 = 0.95;
/// Local variation of stray light, share of full scale: half a per cent of bright areas nearby. Ours.
const STRAY_LOCAL: f64 = 0.002;
/// Error of a block's median relative to the leakage, with lamp and film base as a surface of second order, D. Ours.
const BLOCK_ERROR_D: f64 = 0.004;
/// Ordinary pixels that show whether fine detail is silver or dust, and the slope of infrared on visible detail below
/// which, with its error, they show no silver. Dyes give 0 to 0.1, silver 0.6 to 1 less the noise of the scan. Ours.
const ORDINARY_MAX: usize = 4_000;
const ORDINARY_SLOPE: f64 = 0.2;
/// Distance from the frame's edge needed for the surroundings of a pixel. Our choice: the ring, and the largest blur.
const MARGIN_PX: u32 = 12;

/// Coefficients of the unknowns: six of a slow background (lamp fall-off), three of the leakage.
type Row = [f64; 9];

/// First estimate, from blocks alone.
pub(crate) struct BlockLeakage {
    pub(crate) leakage: Leakage,
    pub(crate) is_silver: bool,
    rows: Vec<(Row, f64, f64)>,
}

/// Regresses the infrared block medians (last plane) on the visible ones.
pub(crate) fn from_blocks(blocks: &[Plane<f32>], film: &[bool]) -> BlockLeakage {
    let colours = blocks.len() - 1;
    let (w, h) = (blocks[0].width(), blocks[0].height());
    // Read twice instead of stored, because a large frame has hundreds of thousands.
    let blocks_of_film = || {
        let all = (0..h).flat_map(|y| (0..w).map(move |x| (x, y)));
        all.filter(|&(x, y)| film[(y * w + x) as usize]).map(|(x, y)| {
            let mut visible = [0.0; 3];
            for (v, b) in visible.iter_mut().zip(&blocks[..colours]) {
                *v = f64::from(b.at(x, y));
            }
            ((x, y), visible, f64::from(blocks[colours].at(x, y)))
        })
    };
    // The fit uses at most this many blocks, spread evenly.
    let step = film.iter().filter(|film| **film).count().div_ceil(FIT_BLOCKS_MAX).max(1);
    let rows: Vec<(Row, f64, f64)> = blocks_of_film()
        .step_by(step)
        .map(|((x, y), visible, infrared)| (slow_row(x, y, w, h, visible), infrared, 1.0))
        .collect();
    let pairs = || {
        blocks_of_film()
            .map(|(_, visible, infrared)| (visible.iter().sum::<f64>() / colours as f64, infrared))
    };
    let (correlation, slope, spread) = correlation(pairs);
    let stray_light = stray_light(&rows, colours);
    let mut rows = without_stray(rows.iter(), stray_light, colours);
    rows.iter_mut().for_each(|row| row.2 = trust(&row.0[6..6 + colours]));
    let fit = fit(&rows, rows.len() as f64);
    let coefficients = [fit.0[6], fit.0[7], fit.0[8]];
    let strength = coefficients.iter().sum::<f64>();
    let is_silver = spread > SPREAD_MIN_D && correlation > SILVER_CORRELATION && slope > SILVER_STRENGTH;
    BlockLeakage {
        leakage: Leakage {
            coefficients,
            offset_d: fit.0[0],
            silver_correlation: correlation,
            stray_light,
            strength: if is_silver { slope } else { strength },
            blur_px: BLUR_UNKNOWN_PX,
        },
        is_silver,
        rows,
    }
}

/// Reliability of a block's visible densities: the share of its darkest light, squared, that is not stray.
fn trust(visible_d: &[f64]) -> f64 {
    let darkest_d = visible_d.iter().fold(0.0_f64, |most, d| most.max(*d));
    let light = 10_f64.powf(-2.0 * darkest_d);
    light / (light + STRAY_LOCAL * STRAY_LOCAL)
}

/// The same rows with stray light removed from their visible densities.
fn without_stray<'a>(
    rows: impl Iterator<Item = &'a (Row, f64, f64)>,
    stray_light: f64,
    colours: usize,
) -> Vec<(Row, f64, f64)> {
    rows.map(|&(mut row, value, weight)| {
        for d in row[6..6 + colours].iter_mut() {
            let code = 65_535.0 * 10_f64.powf(-*d);
            *d = f64::from(dye_density(code as f32, 65_535.0 * stray_light as f32));
        }
        (row, value, weight)
    })
    .collect()
}

/// Stray light at which the infrared best follows the visible densities, as a share of full scale.
///
/// Infrared density is linear in the density of the dyes, and visible density bends where stray light exceeds what the
/// film lets through. The fit is therefore repeated with more and more of the darkest block's light taken as stray.
/// Without a clear gain the result is 0.
fn stray_light(rows: &[(Row, f64, f64)], colours: usize) -> f64 {
    let darkest = rows.iter().flat_map(|r| &r.0[6..6 + colours]).fold(0.0_f64, |most, d| most.max(*d));
    let most = 10_f64.powf(-darkest).min(STRAY_MAX);
    let some = || rows.iter().step_by(rows.len().div_ceil(STRAY_BLOCKS_MAX).max(1));
    let tried: Vec<(f64, f64)> = (0..STRAY_STEPS)
        .into_par_iter()
        .map(|step| {
            let stray = most * f64::from(step) / f64::from(STRAY_STEPS);
            let rows = without_stray(some(), stray, colours);
            (stray, fit(&rows, rows.len() as f64).1)
        })
        .collect();
    let best = tried.iter().copied().min_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or_default();
    if tried.first().is_some_and(|none| best.1 < STRAY_GAIN * none.1) { best.0 } else { 0.0 }
}

fn slow_row(x: u32, y: u32, w: u32, h: u32, d: [f64; 3]) -> Row {
    let u = 2.0 * f64::from(x) / f64::from(w.max(2) - 1) - 1.0;
    let v = 2.0 * f64::from(y) / f64::from(h.max(2) - 1) - 1.0;
    [1.0, u, v, u * u, v * v, u * v, d[0], d[1], d[2]]
}

/// Fits with a slight preference for a flat lamp and for red alone, because cyan reaches furthest into the infrared.
///
/// `information` is the sum of the squared factors of the rows, so that the preference has the same weight however
/// certain they are.
fn fit(rows: &[(Row, f64, f64)], information: f64) -> (Row, f64) {
    let n = information.max(1.0);
    // Shares of the information, so small that they decide only what a frame does not show. Our choice.
    let mut ridge = [1e-9 * n; 9];
    for (r, part) in ridge[1..].iter_mut().zip([1e-4, 1e-4, 1e-4, 1e-4, 1e-4, 1e-5, 3e-4, 3e-4]) {
        *r = part * n;
    }
    robust_fit(rows, &[0.0; 9], &ridge, 8).unwrap_or(([0.0; 9], 1e-3))
}

/// Correlation, slope of infrared against visible, and spread of the visible.
fn correlation<I: Iterator<Item = (f64, f64)>>(pairs: impl Fn() -> I) -> (f64, f64, f64) {
    let n = pairs().count().max(1) as f64;
    let (mx, my) = pairs().fold((0.0, 0.0), |(a, b), p| (a + p.0 / n, b + p.1 / n));
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for p in pairs() {
        xx += (p.0 - mx) * (p.0 - mx) / n;
        xy += (p.0 - mx) * (p.1 - my) / n;
        yy += (p.1 - my) * (p.1 - my) / n;
    }
    if xx <= 0.0 || yy <= 0.0 {
        return (0.0, 0.0, xx.max(0.0).sqrt());
    }
    (xy / (xx * yy).sqrt(), xy / xx, xx.sqrt())
}

/// Evenly spread pieces of the rows of a frame that represent the whole: all of a small frame, a quarter of a large
/// one.
pub(crate) fn sampled_pieces(height: u32) -> Vec<(u32, u32)> {
    let all = row_pieces(height, PIECE_ROWS);
    let wanted = PIECES_MIN.max(all.len() / 4).min(all.len());
    (0..wanted).map(|i| all[(2 * i + 1) * all.len() / (2 * wanted)]).collect()
}

/// High-pass samples of one pixel: infrared, and visible for every blur.
struct PixelSample {
    infrared: f64,
    visible: [[f64; 3]; BLURS_PX.len()],
    contrast: f64,
}

/// Refines the leakage with single pixels and measures the blur; `registration` gives the position of the infrared.
///
/// Returns the leakage and whether fine detail follows the image as silver grain does.
pub(crate) fn refine(
    region: &Region<'_>,
    colours: u8,
    first: &BlockLeakage,
    registration: &Registration,
    film: &[bool],
    blur_px: Option<f64>,
) -> Result<(Leakage, bool), DustError> {
    let Samples { strong: samples, ordinary } =
        pixel_samples(region, colours, registration, film, first.leakage.stray_light)?;
    let is_alike = infrared_follows(&samples);
    let is_dust = is_alike && grain_is_clear(&ordinary);
    let silver = first.is_silver || is_alike && !is_dust;
    let mut leakage = first.leakage;
    // Nor do fewer than 500 pixels (our choice).
    // Dust says nothing about the leakage.
    if is_dust || samples.len() < 500 {
        leakage.blur_px = blur_px.unwrap_or(leakage.blur_px);
        return Ok((leakage, silver));
    }
    let coarse = first.leakage.coefficients;
    let mut residuals: Vec<f32> =
        samples.iter().map(|s| (s.infrared - dot(&coarse, &s.visible[2])).abs() as f32).collect();
    let noise = f64::from(1.4826 * median_in_place(&mut residuals)).max(2e-4);
    let fits: Vec<(f64, Row)> = (0..BLURS_PX.len())
        .into_par_iter()
        .map(|blur| fit_with_blur(&samples, first, &coarse, noise, blur))
        .collect();
    let best = (0..fits.len()).min_by(|&a, &b| fits[a].0.total_cmp(&fits[b].0));
    if let Some(best) = best {
        let (cost, solution) = fits[best];
        leakage.coefficients = [solution[6], solution[7], solution[8]];
        leakage.offset_d = solution[0];
        leakage.strength = leakage.coefficients.iter().sum();
        let worst = fits.iter().map(|f| f.0).fold(0.0, f64::max);
        // A blur is measured if the worst one costs 3 % more. Our choice.
        leakage.blur_px = if worst > 1.03 * cost { BLURS_PX[best] } else { BLUR_UNKNOWN_PX };
    }
    leakage.blur_px = blur_px.unwrap_or(leakage.blur_px);
    Ok((leakage, silver))
}

/// Fits blocks and pixels together with one of the blurs; returns the mean cost of the pixels and the solution.
fn fit_with_blur(
    samples: &[PixelSample],
    first: &BlockLeakage,
    coarse: &[f64; 3],
    noise: f64,
    blur: usize,
) -> (f64, Row) {
    let mut rows: Vec<(Row, f64, f64)> =
        first.rows.iter().map(|&(r, v, w)| (r.map(|x| x / BLOCK_ERROR_D), v / BLOCK_ERROR_D, w)).collect();
    let mut information = rows.len() as f64 / (BLOCK_ERROR_D * BLOCK_ERROR_D);
    for s in samples {
        let d = s.visible[blur];
        let r = s.infrared - dot(coarse, &d);
        // Dust darkens both pictures equally, and leakage is far weaker: keep only what may be leakage. Our choice:
        // four deviations and a quarter of the contrast; errors of 1 % of the contrast.
        if r.abs() > 4.0 * noise + 0.25 * s.contrast {
            continue;
        }
        let scale = 1.0 / (noise + 0.01 * s.contrast);
        information += scale * scale;
        rows.push((
            [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, d[0], d[1], d[2]].map(|x| x * scale),
            s.infrared * scale,
            1.0,
        ));
    }
    let (solution, _) = fit(&rows, information);
    let pixels = &rows[first.rows.len()..];
    let cost = pixels.iter().map(|(r, v, _)| (v - dot(r, &solution)).powi(2).min(9.0)).sum::<f64>();
    (cost / pixels.len().max(1) as f64, solution)
}

/// Some rows of the frame, addressed by frame positions.
struct Slab {
    linear: Samples16,
    top: u32,
    stray_codes: f32,
}

impl Slab {
    fn pixel(&self, x: i32, y: i32) -> &[u16] {
        self.linear.pixel(x as u32, y as u32 - self.top)
    }
}

/// Position of a pixel and its visible contrast.
type Spot = (u32, u32, f32);

/// Pixels of a lattice over the frame.
#[derive(Default)]
struct Samples {
    /// Those of the highest visible contrast.
    strong: Vec<PixelSample>,
    /// Some of the half with less contrast.
    ordinary: Vec<PixelSample>,
}

fn pixel_samples(
    region: &Region<'_>,
    colours: u8,
    registration: &Registration,
    film: &[bool],
    stray_light: f64,
) -> Result<Samples, DustError> {
    let stray_codes = 65_535.0 * stray_light as f32;
    let (w, h) = (region.width(), region.height());
    if w <= 2 * MARGIN_PX || h <= 2 * MARGIN_PX {
        return Ok(Samples::default());
    }
    let pieces = sampled_pieces(h);
    let rows: u32 = pieces.iter().map(|(y0, y1)| y1 - y0).sum();
    let step = ((f64::from(w) * f64::from(rows) / LATTICE).sqrt() as u32).max(1);
    let most = (2 * THINNED_BY * PIXELS_MAX / pieces.len()).max(64);
    let reach = displacement_px(registration, w, h) + MARGIN_PX;
    let found: Vec<Samples> = pieces
        .par_iter()
        .map(|&(y0, y1)| {
            let top = y0.saturating_sub(reach);
            let linear = region.read(PixelRect::new(0, top, w, (y1 + reach).min(h)))?;
            let slab = Slab { linear, top, stray_codes };
            let blocks_wide = w.div_ceil(BLOCK_PX);
            let is_film = |x: u32, y: u32| film[((y / BLOCK_PX) * blocks_wide + x / BLOCK_PX) as usize];
            let mut spots: Vec<Spot> = (y0.max(MARGIN_PX)..y1.min(h - MARGIN_PX))
                .step_by(step as usize)
                .flat_map(|y| (MARGIN_PX..w - MARGIN_PX).step_by(step as usize).map(move |x| (x, y)))
                .filter(|&(x, y)| is_film(x, y))
                .map(|(x, y)| (x, y, contrast(&slab, colours, x as i32, y as i32)))
                .collect();
            let strongest_first = |a: &Spot, b: &Spot| b.2.total_cmp(&a.2).then((a.1, a.0).cmp(&(b.1, b.0)));
            let measure = |mut spots: Vec<Spot>, step: usize| -> Vec<PixelSample> {
                spots.sort_unstable_by_key(|s| (s.1, s.0));
                let some = spots.iter().step_by(step);
                let sample =
                    |&(x, y, c): &Spot| pixel_sample(&slab, (w, h), colours, registration, (x, y), c.into());
                some.filter_map(sample).collect()
            };
            let half = spots.len() / 2;
            if half == 0 {
                return Ok(Samples::default());
            }
            spots.select_nth_unstable_by(half, strongest_first);
            let weak = spots[half..].to_vec();
            let ordinary_step = (weak.len() * pieces.len() / ORDINARY_MAX).max(1);
            if spots.len() > most {
                spots.select_nth_unstable_by(most, strongest_first);
                spots.truncate(most);
            }
            Ok(Samples { strong: measure(spots, THINNED_BY), ordinary: measure(weak, ordinary_step) })
        })
        .collect::<Result<_, DustError>>()?;
    let mut samples = Samples::default();
    for piece in found {
        samples.strong.extend(piece.strong);
        samples.ordinary.extend(piece.ordinary);
    }
    let strong = &mut samples.strong;
    if strong.len() > PIXELS_MAX {
        // The sort is stable, so equal contrasts keep their order in the frame.
        strong.sort_by(|a, b| b.contrast.total_cmp(&a.contrast));
        strong.truncate(PIXELS_MAX);
    }
    Ok(samples)
}

/// Largest displacement between infrared and visible picture, whole pixels.
fn displacement_px(registration: &Registration, w: u32, h: u32) -> u32 {
    let far = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0), (1.0, 1.0)].map(|(u, v)| {
        let (x, y) = (u * f64::from(w), v * f64::from(h));
        let (ix, iy) = registration.infrared_from_visible(x, y, w, h);
        (ix - x).abs().max((iy - y).abs())
    });
    // A larger displacement is no registration; bounds what is read. Our choice.
    far.into_iter().fold(0.0, f64::max).ceil().min(512.0) as u32
}

/// Ring of eight places at 6 px: beyond grain and blur, within a detail. Our choice.
const RING: [(i32, i32); 8] = [(6, 0), (4, 4), (0, 6), (-4, 4), (-6, 0), (-4, -4), (0, -6), (4, -4)];

/// Mean visible density of a pixel relative to that of the ring around it, D.
///
/// Computes means of logarithms as one logarithm of products: 16 bits of at most three colours, to the eighth power and
/// over the eight pixels of the ring, stay far inside the range of an `f64`.
fn contrast(slab: &Slab, colours: u8, x: i32, y: i32) -> f32 {
    let product = |dx: i32, dy: i32| {
        let codes = slab.pixel(x + dx, y + dy)[..colours as usize].iter();
        codes.fold(1.0, |all, &code| all * f64::from(code).max(0.5))
    };
    let ring = RING.iter().fold(1.0, |all, &(dx, dy)| all * product(dx, dy));
    ((product(0, 0).powi(8) / ring).log10() / (8.0 * f64::from(colours))).abs() as f32
}

/// Largest reach of the blurs. Our choice: 2.5 sigma of the largest blur.
const BLUR_REACH_PX: i32 = 5;

/// Side of the square around a pixel that a blur reaches, and the same rounded up to whole vectors.
const SIDE: usize = 2 * BLUR_REACH_PX as usize + 1;
/// 16 values of `f32`: 512 bits.
const LANES: usize = 16;

/// Weights of every blur in one direction, around the middle of [`SIDE`] entries; the entries behind them are 0.
static BLURS: LazyLock<[[f32; LANES]; BLURS_PX.len()]> = LazyLock::new(|| {
    BLURS_PX.map(|sigma: f64| {
        let reach = ((2.5 * sigma).ceil() as i32).min(BLUR_REACH_PX);
        let weight = |i: i32| match (sigma > 0.0, i.abs() <= reach) {
            (true, true) => (-0.5 * (f64::from(i) / sigma).powi(2)).exp(),
            _ => f64::from(i == 0),
        };
        let raw: [f64; SIDE] = std::array::from_fn(|i| weight(i as i32 - BLUR_REACH_PX));
        let sum: f64 = raw.iter().sum();
        std::array::from_fn(|i| raw.get(i).map_or(0.0, |w| (w / sum) as f32))
    })
});

/// Computes the density of one channel at a pixel, softened by every blur.
struct Softened<'a> {
    slab: &'a Slab,
    at: (i32, i32),
    channel: usize,
}

impl PixelLoop for Softened<'_> {
    type Output = [f32; BLURS_PX.len()];

    #[inline(always)]
    fn call(self) -> Self::Output {
        let Self { slab, at: (x, y), channel } = self;
        let channels = usize::from(slab.linear.channels());
        let mut patch = [[0.0_f32; LANES]; SIDE];
        for (line, y) in patch.iter_mut().zip(y - BLUR_REACH_PX..) {
            let row = &slab.linear.row(y as u32 - slab.top)[(x - BLUR_REACH_PX) as usize * channels..];
            for (value, pixel) in line.iter_mut().zip(row.chunks_exact(channels)).take(SIDE) {
                *value = f32::from(pixel[channel]);
            }
            for value in line {
                *value = dye_density(*value, slab.stray_codes);
            }
        }
        BLURS.each_ref().map(|weights| {
            let mut columns = [0.0_f32; LANES];
            for (line, weight) in patch.iter().zip(weights) {
                for (sum, value) in columns.iter_mut().zip(line) {
                    *sum += weight * value;
                }
            }
            columns.iter().zip(weights).map(|(sum, weight)| sum * weight).sum()
        })
    }
}

fn pixel_sample(
    slab: &Slab,
    (w, h): (u32, u32),
    colours: u8,
    registration: &Registration,
    (x, y): (u32, u32),
    contrast: f64,
) -> Option<PixelSample> {
    let (x, y) = (x as i32, y as i32);
    let infrared_at = |dx: i32, dy: i32| {
        let (fx, fy) = registration.infrared_from_visible(f64::from(x + dx), f64::from(y + dy), w, h);
        infrared_density(slab, (w, h), fx, fy)
    };
    let ring: Option<f64> = RING.iter().map(|&(dx, dy)| infrared_at(dx, dy)).sum();
    let infrared = infrared_at(0, 0)? - ring? / 8.0;
    let mut visible = [[0.0; 3]; BLURS_PX.len()];
    for c in 0..colours.min(3) as usize {
        // The ring is already a mean, so its own blur does not matter.
        let at = |(dx, dy): (i32, i32)| {
            f64::from(dye_density(f32::from(slab.pixel(x + dx, y + dy)[c]), slab.stray_codes))
        };
        let around = RING.into_iter().map(at).sum::<f64>() / 8.0;
        let soft = run_vectorised(Softened { slab, at: (x, y), channel: c });
        for (blurred, soft) in visible.iter_mut().zip(soft) {
            blurred[c] = f64::from(soft) - around;
        }
    }
    Some(PixelSample { infrared, visible, contrast })
}

/// Infrared density between pixels (bilinear in transmitted light); `None` outside the frame.
fn infrared_density(slab: &Slab, (w, h): (u32, u32), x: f64, y: f64) -> Option<f64> {
    let (ix, iy) = (x.floor(), y.floor());
    let below = f64::from(slab.top + slab.linear.height()).min(f64::from(h));
    if ix < 0.0 || iy < f64::from(slab.top) || ix + 1.0 >= f64::from(w) || iy + 1.0 >= below {
        return None;
    }
    let (x0, y0, fx, fy) = (ix as i32, iy as i32, x - ix, y - iy);
    let channel = slab.linear.channels() as usize - 1;
    let at = |dx: i32, dy: i32| f64::from(slab.pixel(x0 + dx, y0 + dy)[channel]);
    let code =
        (1.0 - fy) * ((1.0 - fx) * at(0, 0) + fx * at(1, 0)) + fy * ((1.0 - fx) * at(0, 1) + fx * at(1, 1));
    Some((65535.0 / code.max(0.5)).log10())
}

/// Whether infrared detail follows visible detail nearly one to one at most pixels, not only at a few defects.
///
/// So it does on silver film, and on a picture without detail, where the strongest pixels are all dust.
fn infrared_follows(strong: &[PixelSample]) -> bool {
    if strong.len() < 500 {
        return false;
    }
    let mut ratios: Vec<f32> = strong
        .iter()
        .map(|s| (s.infrared, mean_visible(s, 2)))
        .filter(|(_, visible)| visible.abs() > 4e-5)
        .map(|(infrared, visible)| (infrared / visible) as f32)
        .collect();
    let mut spread = ratios.clone();
    let middle = median_in_place(&mut ratios);
    for s in &mut spread {
        *s = (*s - middle).abs();
    }
    // Our choice: half of all within half of the median.
    f64::from(middle) > SILVER_STRENGTH && median_in_place(&mut spread) < 0.5 * middle
}

/// Whether ordinary pixels show that the infrared does not follow the grain: silver grain blocks infrared light too,
/// dye clouds do not.
///
/// ```text
/// slope = sum(visible infrared) / sum(visible^2),  error = sqrt(mean(infrared^2) / sum(visible^2))
/// ```
///
/// Noise of the visible picture lowers the slope; noise of the infrared raises the error, and with a large error
/// nothing is shown.
fn grain_is_clear(ordinary: &[PixelSample]) -> bool {
    let pairs = ordinary.iter().map(|s| (mean_visible(s, 0), s.infrared));
    let (xx, xy, yy) =
        pairs.fold((0.0, 0.0, 0.0), |(xx, xy, yy), (x, y)| (xx + x * x, xy + x * y, yy + y * y));
    // Fewer show nothing. Our choice.
    if ordinary.len() < 200 || xx <= 0.0 {
        return false;
    }
    let (slope, error) = (xy / xx, (yy / ordinary.len() as f64 / xx).sqrt());
    slope + 2.0 * error < ORDINARY_SLOPE
}

/// Mean over the colours of a scan, of which a grey one has only the first.
fn mean_visible(sample: &PixelSample, blur: usize) -> f64 {
    let [red, green, blue] = sample.visible[blur];
    if green == 0.0 && blue == 0.0 { red } else { (red + green + blue) / 3.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use glassine_testdata::random::Lcg;

    #[test]
    fn grain_that_infrared_shows_is_not_clear_and_noise_decides_nothing() {
        let mut random = Lcg::new(1);
        let mut random = || random.unit() - 0.5;
        let mut film = |slope: f64, noise_d: f64| -> Vec<PixelSample> {
            let mut pixel = || {
                let (grain, noise) = (0.02 * random(), noise_d * random());
                PixelSample { infrared: slope * grain + noise, visible: [[grain; 3]; 7], contrast: 0.0 }
            };
            (0..2_000).map(|_| pixel()).collect()
        };
        assert!(grain_is_clear(&film(0.05, 0.005)), "dyes");
        assert!(!grain_is_clear(&film(0.7, 0.005)), "silver");
        assert!(!grain_is_clear(&film(0.05, 0.2)), "too much noise to tell");
        assert!(!grain_is_clear(&film(0.05, 0.005)[..100]), "too few pixels to tell");
    }
}
