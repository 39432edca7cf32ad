//! Determines the curve of the codes of a scan without a profile.
//!
//! Four kinds of evidence add up; each supports codes proportional to light or codes under a curve:
//!
//! 1. Gaps between the codes in use (`comb`): proof if present.
//! 2. The mask of a colour negative: its base is 0.4 to 0.8 D denser in blue than in red. Under a curve of 2.2 its
//!    codes differ by only 0.18 to 0.37.
//! 3. The darkest part: under a curve a holder at 0.1 % of open light reads 1 to 4 % of full scale.
//! 4. Noise: the noise of light grows with the root of the light, so among linear codes the dark ones have little
//!    noise. A curve is steep in the dark, so there its codes are noisier than the bright ones.

use super::CodeCurve;
use super::comb::find_comb;
use super::levels::{bright_level, colours, dark_plateau, open_plateau};
use crate::maths::log10;
use glassine_raster::Samples16;

/// Codes of a scan, as in its file.
#[derive(Debug, Clone, Copy)]
pub struct CodeSamples<'a> {
    /// The whole scan, reduced.
    pub overview: &'a Samples16,
    /// Full-resolution parts of it.
    pub windows: &'a [Samples16],
    /// Colour channels, 1 or 3; they come first.
    pub colour_channels: u8,
    /// Bits per sample in the file.
    pub bits: u8,
}

/// The curve found for the codes.
#[derive(Debug, Clone, PartialEq)]
pub struct EncodingFinding {
    pub curve: CodeCurve,
    /// Whether the picture gives too little evidence to be sure.
    pub is_guess: bool,
    /// Reasons for the result, as text.
    pub why: String,
}

/// Weight of evidence that overrules what is usual for such files. Ours: two kinds of evidence must agree.
const OVERRULES: f64 = 2.5;
/// Weight from which the result is not a guess. Our choice: one good kind of evidence. Weights in this file are
/// judgements in the same unit, none calibrated.
const IS_SURE: f64 = 1.5;

/// Difference of base densities, blue less red, of masked colour negatives: process control strip 0.40, masked
/// duplicating film 0.74, practice films 0.65 (trade values; Status M ranges 0.20 to 0.35 and 0.75 to 0.95 give 0.40 to
/// 0.75).
const MASK_LINEAR_D: std::ops::Range<f64> = 0.41..0.9;
/// The same differences divided by 2.2, with the gap to the range above left undecided.
const MASK_CURVED_D: std::ops::Range<f64> = 0.17..0.37;

/// Code, 0 to 1, that separates holders in sRGB codes from those under a power of 2.2: a holder at 0.03 to 0.2 % of
/// full scale reads 0.004 to 0.026 in the first and 0.025 to 0.06 in the second (computed).
const HOLDER_DIVIDE: f64 = 0.0247;

/// A sum of evidence: positive for a curve, negative for linear codes.
#[derive(Debug, Default)]
struct Evidence {
    weight: f64,
    reasons: Vec<(f64, String)>,
}

impl Evidence {
    fn add(&mut self, weight: f64, reason: String) {
        self.weight += weight;
        self.reasons.push((weight, reason));
    }

    /// Reasons for one of the two results, joined.
    fn words(&self, curved: bool) -> String {
        let said: Vec<&str> =
            self.reasons.iter().filter(|r| (r.0 > 0.0) == curved).map(|r| r.1.as_str()).collect();
        said.join("; ")
    }
}

/// Determine the curve of the codes; `assumed`, usual for files of this kind, holds if the picture gives little
/// evidence.
pub fn find_encoding(samples: &CodeSamples<'_>, assumed: CodeCurve) -> EncodingFinding {
    let used = usize::from(samples.colour_channels.clamp(1, samples.overview.channels().max(1)));
    let is_deep = samples.bits > 8;
    if is_deep && let Some(curve) = find_comb(samples.windows, used) {
        let why = format!("the gaps between its codes are those of {}", curve.label());
        return EncodingFinding { curve, is_guess: false, why };
    }
    let pixels: Vec<[f64; 3]> = colours(samples.overview, used);
    let mut evidence = Evidence::default();
    judge_mask(&pixels, &mut evidence);
    judge_darkness(&pixels, is_deep, &mut evidence);
    if is_deep {
        judge_noise(samples.windows, used, &mut evidence);
    }
    let assumed_curved = assumed != CodeCurve::Linear;
    let least = if is_deep { OVERRULES } else { 2.0 };
    let is_overruled = if assumed_curved { evidence.weight <= -least } else { evidence.weight >= least };
    let curved = assumed_curved != is_overruled;
    let curve = match (curved, is_overruled) {
        (false, _) => CodeCurve::Linear,
        (true, true) => curve_by_holder(&pixels),
        (true, false) if assumed == CodeCurve::Srgb => curve_by_holder(&pixels),
        (true, false) => assumed,
    };
    let mut why = evidence.words(curved);
    let supported = if curved { evidence.weight } else { -evidence.weight };
    if why.is_empty() {
        "the picture gives no evidence, but files of this kind usually are".clone_into(&mut why);
    }
    // Without a comb the evidence shows only that there is a curve, not which.
    EncodingFinding { curve, is_guess: supported < IS_SURE || is_overruled || curve != assumed, why }
}

/// Choose between sRGB and a power of 2.2 by how dark the holder would be.
fn curve_by_holder(pixels: &[[f64; 3]]) -> CodeCurve {
    let dark = dark_plateau(pixels).map(|plateau| plateau.level.into_iter().fold(0.0, f64::max));
    // Above this the level includes stray light and does not identify the curve. Our choice: 0.3 % of full scale under
    // a power of 2.2.
    const MOST: f64 = 0.075;
    match dark {
        Some(level) if (HOLDER_DIVIDE..MOST).contains(&level) => CodeCurve::Gamma(2.2),
        _ => CodeCurve::Srgb,
    }
}

/// Add the evidence from the mask of a colour negative.
fn judge_mask(pixels: &[[f64; 3]], evidence: &mut Evidence) {
    let Some((differences, is_against_light)) = mask_differences(pixels) else { return };
    let [green, blue] = differences;
    let weight = if is_against_light { 2.0 } else { 1.5 };
    let said = format!("the film base differs by {green:.2} and {blue:.2} D from red to green and blue");
    if MASK_LINEAR_D.contains(&blue) {
        evidence.add(-weight, format!("{said}, as a masked negative does"));
    // Green less red under a curve: 0.2 to 0.5 D (the same trade values) over 2.2, and some.
    } else if MASK_CURVED_D.contains(&blue) && (0.08..0.26).contains(&green) {
        evidence.add(weight, format!("{said}, as a masked negative does under a curve"));
    }
}

/// Densities of the clearest orange film, green and blue less red, and whether they are relative to open light.
fn mask_differences(pixels: &[[f64; 3]]) -> Option<([f64; 2], bool)> {
    /// Ratio of neighbouring channels at which a pixel counts as orange. Our choice: 0.05 D, a mask has 0.2 D and more.
    const ORANGE: f64 = 1.12;
    /// Least share of orange in the film: a mask tints all of it. Our choice: dense or grey parts may hide it.
    const LEAST_ORANGE: f64 = 0.7;
    // Bins of 0.01 D up to 3 D; open light, black and noise (below 0.01) are left out. Our choice.
    const BIN: f64 = 0.01;
    const BINS: usize = 300;
    let open = open_plateau(pixels).filter(|open| open.level[1] > 0.1);
    let light = open.map_or([1.0; 3], |open| open.level);
    let dark = dark_plateau(pixels).map_or(0.0, |dark| 1.5 * dark.level.into_iter().fold(0.0, f64::max));
    let is_open = |t: &[f64; 3]| open.is_some_and(|open| t[2] > 0.8 * open.level[2]);
    let film = || pixels.iter().filter(|t| t[0] > dark.max(0.01) && !is_open(t));
    let orange: Vec<[f64; 3]> =
        film().filter(|t| t[0] > ORANGE * t[1] && t[1] > ORANGE * t[2] && t[2] > 0.002).copied().collect();
    if orange.len() < 500 || (orange.len() as f64) < LEAST_ORANGE * film().count() as f64 {
        return None;
    }
    // The clearest plateau of the green density.
    let bin_of = |t: &[f64; 3]| ((-log10(t[1]) / BIN) as usize).min(BINS - 1);
    let mut bins = vec![0_usize; BINS];
    orange.iter().for_each(|t| bins[bin_of(t)] += 1);
    let window = |at: usize| bins[at.saturating_sub(2)..(at + 3).min(BINS)].iter().sum::<usize>();
    // The clearest bins with half a per cent of the film; the plateau's top is within 0.15 D of them. Our choice.
    let first = (0..BINS).find(|at| window(*at) * 200 >= orange.len())?;
    let peak = (first..(first + 15).min(BINS)).max_by_key(|at| window(*at))?;
    let near = |c: usize| -> f64 {
        let mut values: Vec<f64> = orange
            .iter()
            .filter(|t| bin_of(t).abs_diff(peak) <= 2)
            .map(|t| log10(t[0] / light[0]) - log10(t[c] / light[c]))
            .collect();
        glassine_raster::median(&mut values, f64::total_cmp).unwrap_or(0.0)
    };
    Some(([near(1), near(2)], open.is_some()))
}

/// Add the evidence from the darkest part.
fn judge_darkness(pixels: &[[f64; 3]], is_deep: bool, evidence: &mut Evidence) {
    let mut lows: Vec<f64> = pixels.iter().map(|t| t[0].min(t[1]).min(t[2])).collect();
    let at = lows.len() / 200;
    if lows.is_empty() {
        return;
    }
    let darkest = *lows.select_nth_unstable_by(at, f64::total_cmp).1;
    if is_deep {
        // Under a power of 2.2 a code of 0.004 is 5e-6 of full scale, under sRGB 3e-4: darker than any holder.
        if darkest < 0.004 {
            evidence.add(
                if darkest < 0.002 { -4.0 } else { -1.5 },
                format!("its darkest parts are {:.2} % of full scale", 100.0 * darkest),
            );
            return;
        }
        // Where a curve would put a holder, in a picture of less than 2.1 D. Our choice.
        let range_d = log10(bright_level(pixels) / darkest.max(1e-5));
        if dark_plateau(pixels).is_some() && (0.008..0.075).contains(&darkest) && range_d < 2.1 {
            evidence.add(0.5, format!("its darkest parts are {:.1} % of full scale", 100.0 * darkest));
        }
        return;
    }
    // One step of 8 linear bits is 0.4 %: a holder is 0, and the shadows of a slide and the highlights of a negative
    // pile up in the first few steps. Under a curve the same holder is 1 to 15, and few pixels are that low. Our choice
    // of shares: 2 % of the scan at 0, a quarter of the rest below 16.
    let step = 1.0 / 255.0;
    let zero = pixels.iter().filter(|t| t.iter().all(|code| *code < 0.5 * step)).count();
    let low = lows.iter().filter(|code| (0.5 * step..15.5 * step).contains(*code)).count();
    let rest = pixels.len() - zero;
    if zero * 50 > pixels.len() && low * 4 > rest && rest > 0 {
        evidence
            .add(-2.0, format!("{:.0} % of its film has codes below 16", 100.0 * low as f64 / rest as f64));
    } else if darkest > 3.5 * step {
        evidence.add(1.0, format!("its darkest parts have code {:.0}", 255.0 * darkest));
    }
}

/// Add the evidence from noise in the dark against noise in the bright parts.
fn judge_noise(windows: &[Samples16], used: usize, evidence: &mut Evidence) {
    let blocks: Vec<(f64, f64)> = windows.iter().flat_map(|window| block_noise(window, used)).collect();
    let top = blocks.iter().map(|b| b.0).fold(0.0, f64::max);
    let least = blocks.iter().map(|b| b.0).fold(f64::INFINITY, f64::min);
    // Flat blocks show only noise; assume that a quarter of the blocks at either end are flat.
    let quiet = |is_in: &dyn Fn(f64) -> bool| -> Option<f64> {
        let mut noise: Vec<f64> = blocks.iter().filter(|b| is_in(b.0)).map(|b| b.1).collect();
        let at = noise.len() / 4;
        (noise.len() >= 24).then(|| *noise.select_nth_unstable_by(at, f64::total_cmp).1)
    };
    // Codes at full scale are clipped and have no noise. Our choice of ranges: within a third of either end, 24 blocks.
    let bright = quiet(&|mean| mean > 0.7 * top && mean < 0.995);
    let dark = quiet(&|mean| mean < 1.3 * least + 0.002);
    let (Some(dark), Some(bright)) = (dark, bright) else { return };
    if top < 4.0 * least || dark + bright <= 0.0 {
        return;
    }
    let ratio = dark / bright.max(1e-6);
    // Linear codes: noise falls towards the dark, as its root with light; under a curve it stays or rises. Our choice.
    if ratio < 0.35 {
        evidence.add(-2.0, format!("noise of the dark is {:.0} % of that of the bright", 100.0 * ratio));
    } else if ratio > 0.8 {
        evidence.add(2.0, format!("noise of the dark is {ratio:.1} times that of the bright"));
    }
}

/// Mean and noise of the blocks of a window in its middle channel, 0 to 1.
fn block_noise(window: &Samples16, used: usize) -> Vec<(f64, f64)> {
    // Blocks of 56 pairs along rows: enough for a variance, small enough to be flat. Our choice.
    const SIDE: usize = 8;
    let channels = usize::from(window.channels()).max(1);
    let channel = if used >= 3 { 1 } else { 0 };
    let (columns, rows) = (window.width() as usize / SIDE, window.height() as usize / SIDE);
    let mut out = Vec::with_capacity(columns * rows);
    for by in 0..rows {
        for bx in 0..columns {
            let (mut sum, mut squares) = (0.0, 0.0);
            for y in 0..SIDE {
                let row = window.row((by * SIDE + y) as u32);
                let at = |x: usize| f64::from(row[(bx * SIDE + x) * channels + channel]) / 65_535.0;
                sum += (0..SIDE).map(at).sum::<f64>();
                squares += (1..SIDE).map(|x| (at(x) - at(x - 1)) * (at(x) - at(x - 1))).sum::<f64>();
            }
            let pairs = (SIDE * (SIDE - 1)) as f64;
            out.push((sum / (SIDE * SIDE) as f64, libm::sqrt(0.5 * squares / pairs)));
        }
    }
    out
}
