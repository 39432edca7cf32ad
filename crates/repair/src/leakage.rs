//! The image's own trace in the infrared plane: how strong it is, and whether the film is silver.
//!
//! Dyes are nearly, not perfectly, clear in the infrared; silver is not clear at all.
//! Infrared density is regressed on the visible densities, first over block medians, which small defects cannot move,
//! then over single pixels of high contrast, which tell what blocks cannot (a star field has no large-scale contrast) and
//! how much softer the infrared picture is.
//!
//! Sources: infrared transparency of dyes and opacity of silver: encyclopedia article "Infrared cleaning"; balancing the
//! gains of visible and infrared records before they are compared: US 6,442,301 (published 2002, term ended).
//! The regression is general statistics.

use glassine_raster::{Plane, Samples16};
use rayon::prelude::*;

use crate::density::{BLOCK_PX, density_d};
use crate::robust::{dot, median_in_place, robust_fit};
use crate::types::{Leakage, Registration};

/// Correlation and strength above which the infrared shows the image itself.
///
/// Ours: clear dyes give a strength near 0.05, partly transparent slide films up to 0.4, silver 0.8 to 1.2.
const SILVER_CORRELATION: f64 = 0.8;
const SILVER_STRENGTH: f64 = 0.5;
/// With less spread of visible density than this, blocks cannot tell silver from dye.
const SPREAD_MIN_D: f64 = 0.03;
/// Extra blur of the infrared picture tried against the image's own edges, sigma in pixels.
const BLURS_PX: [f64; 7] = [0.0, 0.4, 0.6, 0.8, 1.1, 1.5, 2.0];
/// Taken when the image leaks too little to measure the blur.
const BLUR_UNKNOWN_PX: f64 = 0.5;
/// Pixels used for the refinement.
const PIXELS_MAX: usize = 24_000;

/// Unknowns: six of a slow background (lamp fall-off), three leakage coefficients.
type Row = [f64; 9];

/// First look, from blocks alone.
pub(crate) struct BlockLeakage {
    pub(crate) leakage: Leakage,
    pub(crate) is_silver: bool,
    rows: Vec<(Row, f64, f64)>,
}

/// Regress the infrared block medians (last plane) on the visible ones.
pub(crate) fn from_blocks(blocks: &[Plane<f32>], film: &[bool]) -> BlockLeakage {
    let colours = blocks.len() - 1;
    let (w, h) = (blocks[0].width(), blocks[0].height());
    let mut rows = Vec::new();
    let mut pairs = Vec::new();
    for y in 0..h {
        for x in 0..w {
            if !film[(y * w + x) as usize] {
                continue;
            }
            let mut visible = [0.0; 3];
            for (v, b) in visible.iter_mut().zip(&blocks[..colours]) {
                *v = f64::from(b.at(x, y));
            }
            let infrared = f64::from(blocks[colours].at(x, y));
            rows.push((slow_row(x, y, w, h, visible), infrared, 1.0));
            pairs.push((visible.iter().sum::<f64>() / colours as f64, infrared));
        }
    }
    let (correlation, slope, spread) = correlation(&pairs);
    let fit = fit(&rows);
    let coefficients = [fit.0[6], fit.0[7], fit.0[8]];
    let strength = coefficients.iter().sum::<f64>();
    let is_silver = spread > SPREAD_MIN_D && correlation > SILVER_CORRELATION && slope > SILVER_STRENGTH;
    BlockLeakage {
        leakage: Leakage {
            coefficients,
            offset_d: fit.0[0],
            silver_correlation: correlation,
            strength: if is_silver { slope } else { strength },
            blur_px: BLUR_UNKNOWN_PX,
        },
        is_silver,
        rows,
    }
}

fn slow_row(x: u32, y: u32, w: u32, h: u32, d: [f64; 3]) -> Row {
    let u = 2.0 * f64::from(x) / f64::from(w.max(2) - 1) - 1.0;
    let v = 2.0 * f64::from(y) / f64::from(h.max(2) - 1) - 1.0;
    [1.0, u, v, u * u, v * v, u * v, d[0], d[1], d[2]]
}

/// Fit with a slight preference for a flat lamp and for red alone: cyan reaches furthest into the infrared.
fn fit(rows: &[(Row, f64, f64)]) -> (Row, f64) {
    let n = rows.iter().map(|r| r.2).sum::<f64>().max(1.0);
    let mut ridge = [1e-9 * n; 9];
    for (r, part) in ridge[1..].iter_mut().zip([1e-4, 1e-4, 1e-4, 1e-4, 1e-4, 1e-5, 3e-4, 3e-4]) {
        *r = part * n;
    }
    robust_fit(rows, &[0.0; 9], &ridge, 8).unwrap_or(([0.0; 9], 1e-3))
}

/// Correlation, slope of infrared on visible, and spread of the visible.
fn correlation(pairs: &[(f64, f64)]) -> (f64, f64, f64) {
    let n = pairs.len().max(1) as f64;
    let (mx, my) = pairs.iter().fold((0.0, 0.0), |(a, b), p| (a + p.0 / n, b + p.1 / n));
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for p in pairs {
        xx += (p.0 - mx) * (p.0 - mx) / n;
        xy += (p.0 - mx) * (p.1 - my) / n;
        yy += (p.1 - my) * (p.1 - my) / n;
    }
    if xx <= 0.0 || yy <= 0.0 {
        return (0.0, 0.0, xx.max(0.0).sqrt());
    }
    (xy / (xx * yy).sqrt(), xy / xx, xx.sqrt())
}

/// High-pass samples of one pixel: infrared, and visible for every blur tried.
struct PixelSample {
    infrared: f64,
    visible: [[f64; 3]; BLURS_PX.len()],
    contrast: f64,
}

/// Refine with single pixels, and measure the blur; `registration` says where the infrared lies.
///
/// Returns the leakage and whether fine detail follows the image as silver grain does.
pub(crate) fn refine(
    linear: &Samples16,
    colours: u8,
    first: &BlockLeakage,
    registration: &Registration,
    film: &[bool],
    blur_px: Option<f64>,
) -> (Leakage, bool) {
    let samples = high_contrast_samples(linear, colours, registration, film);
    let silver = first.is_silver || fine_detail_is_silver(&samples);
    let mut leakage = first.leakage;
    if samples.len() < 500 {
        leakage.blur_px = blur_px.unwrap_or(leakage.blur_px);
        return (leakage, silver);
    }
    let coarse = first.leakage.coefficients;
    let mut residuals: Vec<f32> =
        samples.iter().map(|s| (s.infrared - dot(&coarse, &s.visible[2])).abs() as f32).collect();
    let noise = f64::from(1.4826 * median_in_place(&mut residuals)).max(2e-4);
    let mut best: Option<(f64, usize, Row)> = None;
    let mut costs = [f64::INFINITY; BLURS_PX.len()];
    for (i, cost) in costs.iter_mut().enumerate() {
        let mut rows: Vec<(Row, f64, f64)> =
            first.rows.iter().map(|&(r, v, w)| (r.map(|x| x / 0.004), v / 0.004, w)).collect();
        for s in &samples {
            let d = s.visible[i];
            let r = s.infrared - dot(&coarse, &d);
            // Dust darkens both pictures alike; leakage stays far below that. Keep what may be leakage.
            if r.abs() > 4.0 * noise + 0.25 * s.contrast {
                continue;
            }
            let scale = 1.0 / (noise + 0.01 * s.contrast);
            rows.push((
                [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, d[0], d[1], d[2]].map(|x| x * scale),
                s.infrared * scale,
                1.0,
            ));
        }
        let (solution, _) = fit(&rows);
        *cost = rows
            .iter()
            .skip(first.rows.len())
            .map(|(r, v, _)| (v - dot(r, &solution)).powi(2).min(9.0))
            .sum::<f64>()
            / (rows.len() - first.rows.len()).max(1) as f64;
        if best.is_none_or(|b| *cost < b.0) {
            best = Some((*cost, i, solution));
        }
    }
    if let Some((cost, i, solution)) = best {
        leakage.coefficients = [solution[6], solution[7], solution[8]];
        leakage.offset_d = solution[0];
        leakage.strength = leakage.coefficients.iter().sum();
        let worst = costs.iter().copied().fold(0.0, f64::max);
        leakage.blur_px = if worst > 1.03 * cost { BLURS_PX[i] } else { BLUR_UNKNOWN_PX };
    }
    leakage.blur_px = blur_px.unwrap_or(leakage.blur_px);
    (leakage, silver)
}

/// Pixels of high visible contrast on a regular lattice, the strongest first.
fn high_contrast_samples(
    linear: &Samples16,
    colours: u8,
    registration: &Registration,
    film: &[bool],
) -> Vec<PixelSample> {
    let (w, h) = (linear.width(), linear.height());
    let margin = 12;
    if w <= 2 * margin || h <= 2 * margin {
        return Vec::new();
    }
    let blocks_wide = w.div_ceil(BLOCK_PX);
    let step = ((f64::from(w) * f64::from(h) / 300_000.0).sqrt() as u32).max(1);
    let mut spots: Vec<(u32, u32, f32)> = (margin..h - margin)
        .into_par_iter()
        .step_by(step as usize)
        .flat_map_iter(|y| {
            (margin..w - margin)
                .step_by(step as usize)
                .filter(move |x| film[((y / BLOCK_PX) * blocks_wide + x / BLOCK_PX) as usize])
                .map(move |x| (x, y, contrast(linear, colours, x, y)))
        })
        .collect();
    if spots.len() > PIXELS_MAX {
        spots
            .select_nth_unstable_by(PIXELS_MAX, |a, b| b.2.total_cmp(&a.2).then((a.1, a.0).cmp(&(b.1, b.0))));
        spots.truncate(PIXELS_MAX);
    }
    spots.sort_unstable_by_key(|s| (s.1, s.0));
    spots
        .par_iter()
        .filter_map(|&(x, y, c)| pixel_sample(linear, colours, registration, x, y, f64::from(c)))
        .collect()
}

const RING: [(i32, i32); 8] = [(6, 0), (4, 4), (0, 6), (-4, 4), (-6, 0), (-4, -4), (0, -6), (4, -4)];

fn contrast(linear: &Samples16, colours: u8, x: u32, y: u32) -> f32 {
    let mean = |dx: i32, dy: i32| {
        let px = linear.pixel((x as i32 + dx) as u32, (y as i32 + dy) as u32);
        px[..colours as usize].iter().map(|&c| density_d(c)).sum::<f32>() / f32::from(colours)
    };
    (mean(0, 0) - RING.iter().map(|&(dx, dy)| mean(dx, dy)).sum::<f32>() / 8.0).abs()
}

fn pixel_sample(
    linear: &Samples16,
    colours: u8,
    registration: &Registration,
    x: u32,
    y: u32,
    contrast: f64,
) -> Option<PixelSample> {
    let (w, h) = (linear.width(), linear.height());
    let last = linear.channels() as usize - 1;
    let infrared_at = |dx: i32, dy: i32| {
        let (fx, fy) =
            registration.infrared_from_visible(f64::from(x as i32 + dx), f64::from(y as i32 + dy), w, h);
        infrared_density(linear, last, fx, fy)
    };
    let ring: Option<f64> = RING.iter().map(|&(dx, dy)| infrared_at(dx, dy)).sum();
    let infrared = infrared_at(0, 0)? - ring? / 8.0;
    let mut visible = [[0.0; 3]; BLURS_PX.len()];
    for (c, channel) in (0..colours.min(3) as usize).enumerate() {
        let d = |dx: i32, dy: i32| {
            f64::from(density_d(linear.pixel((x as i32 + dx) as u32, (y as i32 + dy) as u32)[channel]))
        };
        for (blurred, sigma) in visible.iter_mut().zip(BLURS_PX) {
            let soft = |cx: i32, cy: i32| gaussian_mean(sigma, |dx, dy| d(cx + dx, cy + dy));
            // The ring is a mean already; its own blur does not matter.
            blurred[c] = soft(0, 0) - RING.iter().map(|&(rx, ry)| d(rx, ry)).sum::<f64>() / 8.0;
        }
    }
    Some(PixelSample { infrared, visible, contrast })
}

fn gaussian_mean(sigma: f64, value: impl Fn(i32, i32) -> f64) -> f64 {
    if sigma <= 0.0 {
        return value(0, 0);
    }
    let reach = (2.5 * sigma).ceil() as i32;
    let weight = |i: i32| (-0.5 * (f64::from(i) / sigma).powi(2)).exp();
    let (mut sum, mut total) = (0.0, 0.0);
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            let w = weight(dx) * weight(dy);
            sum += w * value(dx, dy);
            total += w;
        }
    }
    sum / total
}

/// Infrared density between pixels (bilinear in transmitted light); `None` outside.
fn infrared_density(linear: &Samples16, channel: usize, x: f64, y: f64) -> Option<f64> {
    let (ix, iy) = (x.floor(), y.floor());
    if ix < 0.0 || iy < 0.0 || ix + 1.0 >= f64::from(linear.width()) || iy + 1.0 >= f64::from(linear.height())
    {
        return None;
    }
    let (x0, y0, fx, fy) = (ix as u32, iy as u32, x - ix, y - iy);
    let at = |dx: u32, dy: u32| f64::from(linear.pixel(x0 + dx, y0 + dy)[channel]);
    let code =
        (1.0 - fy) * ((1.0 - fx) * at(0, 0) + fx * at(1, 0)) + fy * ((1.0 - fx) * at(0, 1) + fx * at(1, 1));
    Some((65535.0 / code.max(0.5)).log10())
}

/// Whether infrared detail follows visible detail nearly one to one at most pixels, not only at a few defects.
fn fine_detail_is_silver(samples: &[PixelSample]) -> bool {
    if samples.len() < 500 {
        return false;
    }
    let mean = |s: &PixelSample| s.visible[2].iter().sum::<f64>();
    let filled = samples.iter().any(|s| s.visible[2][1] != 0.0 || s.visible[2][2] != 0.0);
    let parts = if filled { 3.0 } else { 1.0 };
    let mut ratios: Vec<f32> = samples
        .iter()
        .filter(|s| mean(s).abs() > 1e-4)
        .map(|s| (s.infrared / (mean(s) / parts)) as f32)
        .collect();
    let mut spread = ratios.clone();
    let middle = median_in_place(&mut ratios);
    for s in &mut spread {
        *s = (*s - middle).abs();
    }
    f64::from(middle) > SILVER_STRENGTH && median_in_place(&mut spread) < 0.5 * middle
}
