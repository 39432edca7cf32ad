//! Hard edges of film and perforations: sharpening, resolution, and whether the film lay flat.

use std::f64::consts::PI;

use glassine_raster::{PixelRect, Plane};
use rayon::prelude::*;

use crate::areas::{Areas, HOLDER};
use crate::bands::transposed;
use crate::statistics::{deviation, median, quantile};
use crate::{Measure, Report, ScanUnderCheck, What};

/// Half length of a profile, pixels, and where its level ends begin. Our choice: room for blurs of 2 px.
const REACH: usize = 14;
const LEVEL_FROM: usize = 6;
/// Rows averaged for one profile. Our choice: at a turn of one degree an edge moves by 0.05 px over them.
const ROWS: u32 = 4;
/// Least step, against the brightest light, and largest variation of its level ends, against the step. Our choice.
const LEAST_STEP: f64 = 0.15;
const MOST_UNEVEN: f64 = 0.08;
/// Bins a pixel of the mean profile. Source: ISO 12233:2014, 6.2.4 (four bins).
const BINS: usize = 4;
/// Fewest profiles for a result. Our choice.
const FEWEST: usize = 24;

/// Overshoot in open light beside edges, against the step. The dark side is left out: film scatters light at a cut edge.
/// Our choice: an unsharp mask of 40 % and 1 px leaves 3 %.
const OVERSHOOT_LIMIT: f64 = 0.025;
const OVERSHOOT_SERIOUS: f64 = 0.08;
/// Sampling efficiency. Source: FADGI 2016, films: above 60 % at 1 star.
const EFFICIENCY_LEAST: f64 = 0.6;
const EFFICIENCY_SERIOUS: f64 = 0.3;
/// Largest against smallest edge width over the film. Ours: noise and pixel phase change it by up to 20 %.
const WIDTHS_LIMIT: f64 = 1.45;
/// Parts along the film, and fewest profiles in one. Our choice.
const PARTS: usize = 8;
const FEWEST_IN_PART: usize = 16;
/// Share of the profiles of a part that are sharper than its level: corners of perforations and film that is cut askew
/// are softer than a straight edge. Our choice.
const SHARPEST: f64 = 0.25;
/// Light against the brightest from which it is open light. Our choice: a lamp's fall-off stays above.
const OPEN_FROM: f64 = 0.75;

/// One edge, rising from dark to bright.
#[derive(Debug, Clone)]
struct Profile {
    /// Level from 0 to 1 at whole pixels from `-REACH`.
    levels: [f32; 2 * REACH + 1],
    /// Place of the half level among them, pixels.
    middle: f64,
    /// From 10 to 90 percent, pixels.
    width: f64,
    /// Scan position.
    at: (u32, u32),
    /// Whether its dark side is the holder, which need not lie in the plane of the film.
    is_holder: bool,
    /// Whether the bright side is open light: an edge of the film itself, not of a picture or of print on it.
    is_open: bool,
}

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let directions = [false, true].map(|turned| profiles(scan, areas, turned));
    let (mut sharpest, mut overshoot): (Option<f64>, Option<f64>) = (None, None);
    let mut widths: Option<(f64, Option<PixelRect>)> = None;
    for profiles in &directions {
        let film: Vec<&Profile> = profiles.iter().filter(|profile| !profile.is_holder).collect();
        let used = if film.len() >= FEWEST { film.clone() } else { profiles.iter().collect() };
        if used.len() >= FEWEST {
            let efficiency = efficiency(&spread(&used));
            sharpest = Some(sharpest.map_or(efficiency, |known| known.max(efficiency)));
        }
        let open: Vec<&Profile> = profiles.iter().filter(|profile| profile.is_open).collect();
        if open.len() >= FEWEST {
            let found = overshoot_of(&spread(&open));
            overshoot = Some(overshoot.map_or(found, |known| known.max(found)));
        }
        if let Some(found) = flatness(scan, &film)
            && widths.is_none_or(|known| found.0 > known.0)
        {
            widths = Some(found);
        }
    }
    if let Some(overshoot) = overshoot {
        let source = "ours: an unsharp mask of 40 % and 1 px leaves 3 %";
        let unit = "% overshoot beside edges";
        let measure = Measure::per_cent(What::Sharpened, overshoot, unit, OVERSHOOT_LIMIT, source);
        report.judge(measure, 100.0 * OVERSHOOT_SERIOUS, None);
    }
    if let Some(efficiency) = sharpest {
        // Larger is worse, as for all figures: what is lost of the resolution.
        let lost = |efficiency: f64| 1.0 - efficiency;
        let source = "FADGI 2016, films: sampling efficiency above 60 % at 1 star";
        let unit = "% of the resolution lost";
        let measure =
            Measure::per_cent(What::Resolution, lost(efficiency), unit, lost(EFFICIENCY_LEAST), source);
        report.judge(measure, 100.0 * lost(EFFICIENCY_SERIOUS), None);
    }
    if let Some((ratio, place)) = widths {
        let source = "ours: widths of the same edges differ by up to 20 % through noise";
        let measure = Measure {
            what: What::NotFlat,
            value: ratio,
            unit: "times the smallest edge width",
            limit: WIDTHS_LIMIT,
            source,
        };
        // Edges of perforations and film differ by themselves, so this is for the user to judge.
        report.judge(measure, f64::INFINITY, place);
    }
}

fn profiles(scan: &ScanUnderCheck<'_>, areas: &Areas, turned: bool) -> Vec<Profile> {
    let mut all = Vec::new();
    for (band, upright) in scan.bands.iter().zip(&areas.light[scan.middle_channel()]) {
        let plane = if turned { &transposed(upright) } else { upright };
        let groups = plane.height() / ROWS;
        let of_band: Vec<Profile> = (0..groups)
            .into_par_iter()
            .flat_map_iter(|group| {
                let line = mean_row(plane, group * ROWS);
                let across = group * ROWS + ROWS / 2;
                let place = move |along: usize| {
                    let (x, y) = if turned { (across, along as u32) } else { (along as u32, across) };
                    (band.rect.x0 + x, band.rect.y0 + y)
                };
                of_line(&line, areas, &place)
            })
            .collect();
        all.extend(of_band);
    }
    all
}

fn mean_row(plane: &Plane<f32>, from: u32) -> Vec<f32> {
    let mut line = vec![0.0_f32; plane.width() as usize];
    for y in from..from + ROWS {
        line.iter_mut().zip(plane.row(y)).for_each(|(sum, v)| *sum += v / ROWS as f32);
    }
    line
}

fn of_line(line: &[f32], areas: &Areas, place: &dyn Fn(usize) -> (u32, u32)) -> Vec<Profile> {
    let mut found = Vec::new();
    let step_at = |x: usize| f64::from(line[x + 2] - line[x - 2]);
    let least = 0.5 * LEAST_STEP * areas.bright;
    let mut x = REACH + 4;
    while x + REACH + 4 < line.len() {
        if step_at(x).abs() < least {
            x += 1;
            continue;
        }
        let peak = (x..x + 6)
            .filter(|at| at + REACH + 4 < line.len())
            .max_by(|a, b| step_at(*a).abs().total_cmp(&step_at(*b).abs()))
            .unwrap_or(x);
        found.extend(profile(line, peak, areas, place));
        x = peak + LEVEL_FROM;
    }
    found
}

fn profile(line: &[f32], at: usize, areas: &Areas, place: &dyn Fn(usize) -> (u32, u32)) -> Option<Profile> {
    let is_rising = line[at + 2] > line[at - 2];
    let mut levels = [0.0_f32; 2 * REACH + 1];
    for (k, level) in levels.iter_mut().enumerate() {
        *level = if is_rising { line[at + k - REACH] } else { line[at + REACH - k] };
    }
    let mean = |part: &[f32]| part.iter().map(|v| f64::from(*v)).sum::<f64>() / part.len() as f64;
    let (dark, bright) = (&levels[..=REACH - LEVEL_FROM], &levels[REACH + LEVEL_FROM..]);
    let (low, high) = (mean(dark), mean(bright));
    let step = high - low;
    let range = |part: &[f32]| {
        f64::from(
            part.iter().copied().fold(f32::MIN, f32::max) - part.iter().copied().fold(f32::MAX, f32::min),
        )
    };
    if step < LEAST_STEP * areas.bright || range(dark).max(range(bright)) > MOST_UNEVEN * step {
        return None;
    }
    for level in &mut levels {
        *level = ((f64::from(*level) - low) / step) as f32;
    }
    let crossing = |share: f64| {
        let k = (1..levels.len()).find(|k| f64::from(levels[*k]) >= share && *k > REACH - LEVEL_FROM)?;
        let (a, b) = (f64::from(levels[k - 1]), f64::from(levels[k]));
        Some(k as f64 - 1.0 + ((share - a) / (b - a).max(1e-6)).clamp(0.0, 1.0))
    };
    let (from, middle, to) = (crossing(0.1)?, crossing(0.5)?, crossing(0.9)?);
    let (x, y) = place(at);
    let dark_side = place(if is_rising { at - REACH + 2 } else { at + REACH - 2 });
    let is_holder = areas.at(dark_side.0, dark_side.1) == HOLDER;
    let is_open = high > OPEN_FROM * areas.bright;
    Some(Profile { levels, middle, width: to - from, at: (x, y), is_holder, is_open })
}

/// The median profile in quarters of a pixel: levels from 0 to 1, the edge in the middle.
fn spread(profiles: &[&Profile]) -> Vec<f64> {
    let count = 2 * REACH * BINS + 1;
    let mut bins = vec![Vec::new(); count];
    for profile in profiles {
        for (k, level) in profile.levels.iter().enumerate() {
            let bin = ((k as f64 - profile.middle + REACH as f64) * BINS as f64).round();
            if bin >= 0.0 && (bin as usize) < count {
                bins[bin as usize].push(f64::from(*level));
            }
        }
    }
    let mut last = 0.0;
    bins.iter_mut().map(|bin| *median(bin).inspect(|v| last = *v).get_or_insert(last)).collect()
}

/// How far the bright side rises above its level near the edge.
fn overshoot_of(esf: &[f64]) -> f64 {
    let at = |px: f64| ((px + REACH as f64) * BINS as f64) as usize;
    let smooth = |k: usize| (esf[k - 1] + esf[k] + esf[k + 1]) / 3.0;
    let most = (at(0.5)..at(5.0)).map(smooth).fold(0.0, f64::max) - 1.0;
    most.max(0.0)
}

/// Frequency of one tenth response against half the sampling frequency.
///
/// The slanted-edge method of ISO 12233 on an edge profile that is already gathered; unlike `sharpness::slanted_edge` it
/// also works on edges along the pixel grid, because profiles of many places differ in phase.
fn efficiency(esf: &[f64]) -> f64 {
    let middle = (REACH * BINS) as f64;
    let window = |k: f64| 0.54 + 0.46 * (PI * (k - middle) / (9.0 * BINS as f64)).cos();
    let lines: Vec<(f64, f64)> = esf
        .windows(2)
        .enumerate()
        .map(|(k, pair)| (k as f64 + 0.5, pair[1] - pair[0]))
        .filter(|(k, _)| (k - middle).abs() < 9.0 * BINS as f64)
        .map(|(k, slope)| ((k - middle) / BINS as f64, slope * window(k)))
        .collect();
    let response = |f: f64| {
        let (re, im) = lines.iter().fold((0.0, 0.0), |(re, im), (x, v)| {
            let (sin, cos) = (2.0 * PI * f * x).sin_cos();
            (re + v * cos, im + v * sin)
        });
        f64::hypot(re, im)
    };
    let whole = response(0.0).max(1e-9);
    // Bins of a quarter pixel: the response of rounding to them and of their difference.
    let own = |f: f64| (PI * f / BINS as f64).sin() / (PI * f / BINS as f64);
    let frequencies = (1..=100).map(|k| 0.01 * f64::from(k));
    let falls = frequencies.map(|f| (f, response(f) / whole / own(f).powi(2))).find(|(_, r)| *r < 0.1);
    (falls.map_or(1.0, |(f, _)| f) / 0.5).min(1.0)
}

/// Largest against smallest mean edge width along the film, and where it is largest.
fn flatness(scan: &ScanUnderCheck<'_>, profiles: &[&Profile]) -> Option<(f64, Option<PixelRect>)> {
    let (width, height) = scan.size_px;
    let mut best: Option<(f64, Option<PixelRect>)> = None;
    for along_x in [true, false] {
        let size = if along_x { width } else { height };
        let side = size.div_ceil(PARTS as u32).max(1);
        let mut parts: Vec<Vec<f64>> = vec![Vec::new(); PARTS];
        for profile in profiles.iter().filter(|profile| profile.is_open) {
            let at = if along_x { profile.at.0 } else { profile.at.1 };
            parts[((at / side) as usize).min(PARTS - 1)].push(profile.width);
        }
        // Quartile and its standard error; of a normal distribution it is 1.36 times that of the mean.
        let levels: Vec<(usize, f64, f64)> = parts
            .iter_mut()
            .enumerate()
            .filter(|(_, part)| part.len() >= FEWEST_IN_PART)
            .filter_map(|(idx, part)| {
                let middle = quantile(part, SHARPEST)?;
                let rests: Vec<f64> = part.iter().map(|v| v - middle).collect();
                Some((idx, middle, 1.36 * deviation(&rests) / (part.len() as f64).sqrt()))
            })
            .collect();
        let widest = levels.iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let narrowest = levels.iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
        let is_certain = widest.1 - narrowest.1 > 4.0 * widest.2.hypot(narrowest.2);
        let ratio = if is_certain { widest.1 / narrowest.1.max(0.8) } else { 1.0 };
        let (from, to) = (widest.0 as u32 * side, (widest.0 as u32 + 1) * side);
        let place = if along_x {
            PixelRect::new(from, 0, to.min(width), height)
        } else {
            PixelRect::new(0, from, width, to.min(height))
        };
        if levels.len() >= 2 && best.is_none_or(|known| ratio > known.0) {
            best = Some((ratio, Some(place)));
        }
    }
    best
}
