//! How strongly a film separates colours; reduced if a strip shows colours stronger than surfaces have.
//!
//! Films differ in how far development in one layer inhibits the others, which strengthens all colours by one factor
//! that a generic stock cannot know. Greys give no information about it, but strong colours do: colours of surfaces and
//! of pictures, as the eye sees them, are inside the sRGB primaries with few exceptions. If many colours of a strip
//! would come out with negative light, the separation is too strong. A strip of muted colours gives no information and
//! keeps the stock's own strength.

use crate::Stock;
use crate::maths::{exp10, log10};
use crate::matrix::apply;
use crate::statistics::FrameStatistics;

/// Least strength that the search returns, and its step. Our choice: 2.9 standard deviations of [`SPREAD`] below 1.
const LEAST: f64 = 0.65;
const STEP: f64 = 0.025;
/// Difference in cost that softens the choice between strengths, so that chance does not decide between two that do
/// almost equally well. Our choice.
const SOFTNESS: f64 = 0.04;
/// Spread of real films around a generic stock (one standard deviation, natural logarithm). Source: ours, over
/// simulated films with interlayer inhibition from nothing to a third.
const SPREAD: f64 = 0.15;
/// Depth outside sRGB, as a share of the strongest channel, that costs one standard deviation. Our choice: lower
/// weakens colours that surfaces have, higher keeps colours that they cannot have.
const DEPTH: f64 = 0.02;
/// Depth from which a colour counts: slightly inside, because the strongest colours of a scene seldom reach the edge.
/// Our choice.
const EDGE: f64 = -0.015;
/// Most that one frame may cost, so that a single picture of coloured lamps does not decide for the strip. Our choice.
const MOST_COST: f64 = 2.0;
/// Range of the deepest different colours of a frame, counted by weight, whose mean represents it; a mean, so that no
/// single colour decides. Our choice.
const SPEAKERS: [f64; 2] = [1.0, 3.0];
/// Most cells of a frame that are used. Our choice: bounds time.
const MOST_CELLS: usize = 4096;
/// Side of the squares (log10 exposure against green) that separate different colours. Our choice, as in `surfaces.rs`.
const COLOUR_STEP: f64 = 0.06;
/// Number of cells beyond the first at which a colour counts by about two thirds. Our choice: one cell may be dust.
const MANY_CELLS: f64 = 1.0;
/// Light below which noise decides the colour, as a share of the frame's bright parts (98th percentile). Our choice.
const LEAST_LIGHT: f64 = 0.03;

/// Mean densities of a colour, and its weight.
type Colour = ([f64; 3], f64);

/// Colour strength of a strip relative to its stock, [`LEAST`] to 1, given the solved slopes and balances (one per
/// frame, log10 exposure).
pub(super) fn colour_strength(
    frames: &[FrameStatistics],
    stock: &Stock,
    gamma_ratio: [f64; 3],
    balances_log: &[[f64; 3]],
) -> f64 {
    let frames: Vec<(Vec<Colour>, [f64; 3])> = frames
        .iter()
        .zip(balances_log)
        .map(|(frame, balance)| (different_colours(frame, stock, gamma_ratio, *balance), *balance))
        .collect();
    let cost = |strength: f64| {
        let changed = stock.with_colour_strength(strength, gamma_ratio);
        let prior = libm::log(strength) / SPREAD;
        let votes = frames.iter().map(|(colours, balance)| {
            let depths = colours
                .iter()
                .map(|(density_d, weight)| {
                    (depth(light_of(*density_d, &changed, gamma_ratio, *balance), stock), *weight)
                })
                .collect();
            let over = (spoken(depths) - EDGE).max(0.0) / DEPTH;
            (0.5 * over * over).min(MOST_COST)
        });
        0.5 * prior * prior + votes.sum::<f64>()
    };
    // Search as far above 1 as below, so that a strip without information averages to 1.
    let steps = (2.0 * (1.0 - LEAST) / STEP).round() as usize;
    let tried: Vec<(f64, f64)> = (0..=steps)
        .map(|step| LEAST + STEP * step as f64)
        .map(|strength| (strength, cost(strength)))
        .collect();
    let least = tried.iter().fold(f64::INFINITY, |least, (_, cost)| least.min(*cost));
    let (mut sum, mut all) = (0.0, 0.0);
    for (strength, cost) in tried {
        let likely = libm::exp((least - cost) / SOFTNESS);
        sum += likely * strength;
        all += likely;
    }
    let mean = if all > 0.0 { sum / all } else { 1.0 };
    mean.min(1.0)
}

/// Mean depth of the colours that represent a frame; missing colours count as inside.
fn spoken(mut depths: Vec<(f64, f64)>) -> f64 {
    depths.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
    let [first, last] = SPEAKERS;
    let (mut sum, mut passed) = (0.0, 0.0);
    for (depth, weight) in depths {
        let inside = (last.min(passed + weight) - first.max(passed)).max(0.0);
        sum += inside * depth;
        passed += weight;
    }
    let silent = last - first.max(passed.min(last));
    (sum + silent * EDGE) / (last - first)
}

/// Layer light for densities above base.
fn light_of(density_d: [f64; 3], stock: &Stock, gamma_ratio: [f64; 3], balance_log: [f64; 3]) -> [f64; 3] {
    let layers = apply(&stock.unmix, density_d);
    [0, 1, 2].map(|c| exp10(stock.curves[c].log_exposure(layers[c] / gamma_ratio[c]) + balance_log[c]))
}

/// How far a colour is outside sRGB: minus its smallest channel over its largest.
fn depth(light: [f64; 3], stock: &Stock) -> f64 {
    let rgb = apply(&stock.working_matrix, light);
    let (least, most) = (rgb[0].min(rgb[1]).min(rgb[2]), rgb[0].max(rgb[1]).max(rgb[2]));
    -least / most.max(1e-9)
}

/// Mean densities of each different colour of a frame, and its weight.
fn different_colours(
    frame: &FrameStatistics,
    stock: &Stock,
    gamma_ratio: [f64; 3],
    balance_log: [f64; 3],
) -> Vec<Colour> {
    let stride = frame.cells().div_ceil(MOST_CELLS).max(1);
    let mut cells: Vec<([f64; 3], [f64; 3])> = frame
        .cells_d
        .iter()
        .step_by(stride)
        .map(|cell| {
            let density_d = cell.map(f64::from);
            (light_of(density_d, stock, gamma_ratio, balance_log), density_d)
        })
        .collect();
    let most = |light: &[f64; 3]| light[0].max(light[1]).max(light[2]);
    let mut tops: Vec<f64> = cells.iter().map(|(light, _)| most(light)).collect();
    tops.sort_unstable_by(f64::total_cmp);
    let Some(bright) = tops.get(tops.len() * 98 / 100) else { return Vec::new() };
    cells.retain(|(light, _)| most(light) > LEAST_LIGHT * bright);
    let square = |[r, g, b]: [f64; 3]| {
        let along =
            |light: f64| libm::floor((log10(light.max(1e-9)) - log10(g.max(1e-9))) / COLOUR_STEP) as i32;
        (along(r), along(b))
    };
    let mut sorted: Vec<((i32, i32), [f64; 3])> =
        cells.into_iter().map(|(light, density_d)| (square(light), density_d)).collect();
    sorted.sort_by_key(|(square, _)| *square);
    sorted
        .chunk_by(|a, b| a.0 == b.0)
        .map(|same| {
            let sum = |c: usize| same.iter().map(|(_, density_d)| density_d[c]).sum::<f64>();
            let weight = 1.0 - libm::exp(-((same.len() - 1) as f64) / MANY_CELLS);
            ([0, 1, 2].map(|c| sum(c) / same.len() as f64), weight)
        })
        .collect()
}
