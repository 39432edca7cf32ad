//! Streaks: columns or rows that differ from their neighbours over the whole length of the scan; lines that are missing.

use glassine_raster::{PixelRect, Plane};
use rayon::prelude::*;

use crate::areas::Areas;
use crate::bands::transposed;
use crate::statistics::{deviation, median};
use crate::{Measure, Report, ScanUnderCheck, What};

/// Parts along a line that must agree. Our choice: a picture fills one or two of them.
const PARTS: usize = 12;
/// Share of lit parts that must show the line, and fewest lit parts. Our choice.
const AGREEING: f64 = 0.8;
const FEWEST_PARTS: usize = 5;
/// Least difference of a line from its neighbours on both sides, relative, and that of a lost line. Our choice: 0.6 %
/// is 0.0026 D, which a contrasty print shows in an even sky; a lost line is darker or brighter by a third.
const STREAK_LIMIT: f64 = 0.006;
const LOST: f64 = 0.33;
/// How far above the spread of all lines. Our choice: five thousand lines of noise stay below.
const DEVIATIONS: f64 = 6.0;
/// Largest difference of the neighbours on both sides, relative. Our choice: noise and texture pass, edges do not.
const MOST_EDGE: f64 = 0.15;
/// Distance of the compared neighbours, lines. Our choice: a line of one pixel that lies on two after blur.
const GAPS: [usize; 2] = [2, 3];

/// One line that stands out.
#[derive(Debug, Clone, Copy)]
struct Streak {
    at: usize,
    size: f64,
}

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let (width, height) = scan.size_px;
    let factor = scan.factor;
    let overview: Vec<Plane<f32>> = (0..usize::from(scan.colour_channels))
        .map(|channel| {
            let mut plane = Plane::filled(scan.overview.width(), scan.overview.height(), 0.0_f32);
            let codes = scan.overview.channel(channel as u8);
            plane
                .data_mut()
                .iter_mut()
                .zip(codes.data())
                .for_each(|(v, code)| *v = f32::from(*code) / 65_535.0);
            plane
        })
        .collect();
    let mut worst: [Option<(f64, PixelRect)>; 2] = [None; 2];
    let mut note = |found: Vec<Streak>, scale: u32, dilution: f64, is_row: bool| {
        for streak in found {
            let (from, to) = (streak.at as u32 * scale, (streak.at as u32 + 1) * scale);
            let place = if is_row {
                PixelRect::new(0, from, width, to.min(height))
            } else {
                PixelRect::new(from, 0, to.min(width), height)
            };
            // Means over `dilution` lines show a lost line as a part of it.
            let idx = usize::from(streak.size.abs() > LOST / dilution);
            let size = streak.size.abs() * if idx == 1 { dilution } else { 1.0 };
            if worst[idx].is_none_or(|(known, _)| size > known) {
                worst[idx] = Some((size, place));
            }
        }
    };
    let floor = 0.004 * areas.bright;
    for plane in &overview {
        note(streaks(&[plane], floor), factor, factor.into(), true);
        let turned = transposed(plane);
        note(streaks(&[&turned], floor), factor, factor.into(), false);
    }
    if factor > 1 {
        for channel in 0..usize::from(scan.colour_channels) {
            let bands: Vec<Plane<f32>> =
                scan.bands.iter().map(|band| transposed(&scan.light_of(band, channel))).collect();
            note(streaks(&bands.iter().collect::<Vec<_>>(), floor), 1, 1.0, false);
        }
    }
    let source = "ours: 0.6 % is 0.0026 D, visible in an even sky";
    let (value, place) = worst[0].unwrap_or_default();
    let measure = Measure::per_cent(What::Streaks, value, "%", STREAK_LIMIT, source);
    // A picture can hold lines of its own, so a streak is for the user to judge.
    report.judge(measure, f64::INFINITY, worst[0].map(|_| place));
    let repeated = repeated_rows(scan, areas);
    let (value, place) = match (worst[1], repeated) {
        (_, Some((count, place))) => (f64::from(count), Some(place)),
        (Some((_, place)), None) => (1.0, Some(place)),
        (None, None) => (0.0, None),
    };
    let measure =
        Measure { what: What::MissingLines, value, unit: "lines", limit: 0.0, source: "none may be missing" };
    report.judge(measure, 0.0, place);
}

#[derive(Debug, Clone, Copy)]
struct Ridge {
    size: f64,
    is_whole: bool,
}

/// Rows that stand out in one or several planes, which lie beside each other along the rows.
fn streaks(planes: &[&Plane<f32>], floor: f64) -> Vec<Streak> {
    let Some(count) = planes.iter().map(|plane| plane.height() as usize).min() else { return Vec::new() };
    let parts_each = (PARTS / planes.len()).max(1);
    // Difference to the left and right neighbour of every line, for each part and gap.
    let parts: Vec<(&Plane<f32>, std::ops::Range<usize>)> = planes
        .iter()
        .flat_map(|plane| {
            let width = plane.width() as usize;
            (0..parts_each)
                .map(move |part| (*plane, part * width / parts_each..(part + 1) * width / parts_each))
        })
        .collect();
    let mut found: Vec<Streak> = Vec::new();
    for gap in GAPS {
        if count < 4 * gap {
            continue;
        }
        let lines: Vec<Option<Ridge>> =
            (0..count).into_par_iter().map(|at| ridge(&parts, at, gap, count, floor)).collect();
        let sizes: Vec<f64> = lines.iter().flatten().map(|ridge| ridge.size).collect();
        let least = (DEVIATIONS * deviation(&sizes)).max(0.5 * STREAK_LIMIT);
        for (at, ridge) in lines.iter().enumerate() {
            let Some(Ridge { size, .. }) = ridge.filter(|ridge| ridge.is_whole && ridge.size.abs() > least)
            else {
                continue;
            };
            found.push(Streak { at, size });
        }
    }
    // A whole picture of lines is texture, or a fault of another kind.
    if found.len() > count / 10 { Vec::new() } else { found }
}

/// How far a line differs from those on both sides, and whether it does so over most of its length.
fn ridge(
    parts: &[(&Plane<f32>, std::ops::Range<usize>)],
    at: usize,
    gap: usize,
    count: usize,
    floor: f64,
) -> Option<Ridge> {
    if at < gap || at + gap >= count {
        return None;
    }
    let mut ridges = Vec::with_capacity(parts.len());
    for (plane, range) in parts {
        let row = |y: usize| &plane.row(y as u32)[range.clone()];
        let (before, here, after) = (row(at - gap), row(at), row(at + gap));
        let (mut sums, mut lit) = ([0.0_f64; 2], 0.0);
        for ((b, h), a) in before.iter().zip(here).zip(after) {
            let (b, h, a) = (f64::from(*b), f64::from(*h), f64::from(*a));
            let around = 0.5 * (b + a);
            // Beside an edge the two neighbours differ; a narrow gap between film and holder is no streak.
            if around > floor && (b - a).abs() < MOST_EDGE * around {
                // Bounded, so that dust in the part weighs little.
                sums[0] += ((h - b) / around).clamp(-0.5, 0.5);
                sums[1] += ((h - a) / around).clamp(-0.5, 0.5);
                lit += 1.0;
            }
        }
        if lit > 0.3 * here.len() as f64 && lit > 8.0 {
            let [left, right] = sums.map(|sum| sum / lit);
            ridges.push(if left * right > 0.0 { left.signum() * left.abs().min(right.abs()) } else { 0.0 });
        }
    }
    if ridges.len() < FEWEST_PARTS {
        return None;
    }
    let middle = median(&mut ridges.clone())?;
    let agree = ridges.iter().filter(|ridge| *ridge * middle > 0.0 && ridge.abs() > 0.35 * middle.abs());
    let is_whole = agree.count() as f64 >= AGREEING * ridges.len() as f64;
    Some(Ridge { size: middle, is_whole })
}

/// Rows that repeat the row before them exactly, while others do not: the transport stood still.
fn repeated_rows(scan: &ScanUnderCheck<'_>, areas: &Areas) -> Option<(u32, PixelRect)> {
    let (mut count, mut rows, mut place) = (0_u32, 0_u32, None);
    for band in scan.bands {
        for y in 1..band.codes.height() {
            let (before, here) = (band.codes.row(y - 1), band.codes.row(y));
            // Rows of an empty holder may well be equal.
            let varies = here.iter().max().copied().unwrap_or(0) > (65_535.0 * 0.05 * areas.bright) as u16
                && here.iter().any(|code| *code != here[0]);
            rows += u32::from(varies);
            if varies && before == here {
                count += 1;
                let y = band.rect.y0 + y;
                place = place.or(Some(PixelRect::new(0, y, scan.size_px.0, y + 1)));
            }
        }
    }
    // Rows repeated all over are an enlarged scan.
    place.filter(|_| count * 8 < rows).map(|place| (count, place))
}
