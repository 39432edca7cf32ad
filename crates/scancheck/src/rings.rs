//! Newton rings: fringes whose period grows with the wavelength of the light.

use std::f64::consts::PI;

use glassine_raster::PixelRect;
use rayon::prelude::*;

use crate::areas::{Areas, PICTURE, REBATE};
use crate::codes::around;
use crate::{Measure, Report, ScanUnderCheck, What};

/// Side of the tiles, pixels of the reduced picture. Our choice: holds three fringes of ten pixels.
const SIDE: usize = 32;
/// Longest side of the picture that is examined; more adds time, not fringes. Our choice.
const MOST_SIDE_PX: u32 = 2048;
/// Waves in a tile. Our choice: fewer are shading, more are texture and noise.
const WAVES: std::ops::RangeInclusive<i32> = 3..=11;
/// Ratios of the frequencies of green to red and of blue to green fringes: fringes count half wavelengths of the gap, so
/// about 640 / 540 = 540 / 455 = 1.19 for usual lamps; a picture's texture has 1. Ours.
const RATIO: std::ops::RangeInclusive<f64> = 1.06..=1.34;
/// Power of the peak against the mean of the others of about its frequency. Ours: noise reaches 8.
const PEAK: f64 = 14.0;
/// Tiles, beside each other, that show such fringes. Ours: single tiles are chance.
const LIMIT_TILES: f64 = 3.0;
const SERIOUS_TILES: f64 = 12.0;

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    if scan.colour_channels < 3 {
        return;
    }
    let overview = scan.overview;
    let factor = overview.width().max(overview.height()).div_ceil(MOST_SIDE_PX).max(1);
    let small = if factor > 1 { glassine_raster::box_reduce(overview, factor) } else { overview.clone() };
    let waves = Waves::new();
    let (columns, rows) = (small.width() / SIDE as u32 * 2, small.height() / SIDE as u32 * 2);
    let half = SIDE as u32 / 2;
    let tiles: Vec<(u32, u32)> = (0..rows).flat_map(|row| (0..columns).map(move |col| (col, row))).collect();
    let hits: Vec<(u32, u32)> = tiles
        .into_par_iter()
        .filter(|(col, row)| {
            let (x0, y0) = (col * half, row * half);
            if x0 + SIDE as u32 > small.width() || y0 + SIDE as u32 > small.height() {
                return false;
            }
            let corners = [
                (0, 0),
                (SIDE as u32 - 1, 0),
                (0, SIDE as u32 - 1),
                (SIDE as u32 - 1, SIDE as u32 - 1),
                (half, half),
            ];
            let scale = factor * scan.factor;
            let on_film = corners
                .iter()
                .all(|(dx, dy)| matches!(areas.at((x0 + dx) * scale, (y0 + dy) * scale), PICTURE | REBATE));
            on_film && has_fringes(&waves, &small, (x0, y0))
        })
        .collect();
    // Fringes go on in the neighbouring tile.
    let has_neighbours = |(col, row): &(u32, u32)| {
        let near = |other: &&(u32, u32)| other.0.abs_diff(*col) <= 2 && other.1.abs_diff(*row) <= 2;
        hits.iter().filter(near).count() >= 3
    };
    let joined: Vec<(u32, u32)> = hits.iter().copied().filter(|hit| has_neighbours(hit)).collect();
    let scale = factor * scan.factor;
    let place = joined
        .iter()
        .map(|(col, row)| {
            let (x, y) = (col * half * scale, row * half * scale);
            PixelRect::new(x, y, x + SIDE as u32 * scale, y + SIDE as u32 * scale)
        })
        .reduce(around);
    let source = "ours: three parts beside each other with fringes that are wider in red than in blue";
    let measure = Measure {
        what: What::NewtonRings,
        value: joined.len() as f64,
        unit: "parts with fringes",
        limit: LIMIT_TILES,
        source,
    };
    report.judge(measure, SERIOUS_TILES, place);
}

/// Cosines and sines for a Fourier transform of a tile, and its window.
struct Waves {
    table: Vec<(f64, f64)>,
    window: Vec<f64>,
}

impl Waves {
    fn new() -> Self {
        let angle = |k: usize| 2.0 * PI * k as f64 / SIDE as f64;
        Self {
            table: (0..SIDE).map(|k| (angle(k).cos(), angle(k).sin())).collect(),
            // Hann's window. Source: its definition.
            window: (0..SIDE)
                .map(|k| 0.5 - 0.5 * (2.0 * PI * (k as f64 + 0.5) / SIDE as f64).cos())
                .collect(),
        }
    }

    /// Power for wave numbers `-most..=most` across and `0..=most` down.
    fn power(&self, tile: &[f64], most: i32) -> Vec<((i32, i32), f64)> {
        let numbers: Vec<i32> = (-most..=most).collect();
        let turn = |number: i32, k: usize| self.table[(number.rem_euclid(SIDE as i32) as usize * k) % SIDE];
        let mut rows = vec![(0.0, 0.0); SIDE * numbers.len()];
        for y in 0..SIDE {
            for (idx, number) in numbers.iter().enumerate() {
                let row = &tile[y * SIDE..(y + 1) * SIDE];
                rows[y * numbers.len() + idx] =
                    row.iter().enumerate().fold((0.0, 0.0), |(re, im), (x, v)| {
                        let (cos, sin) = turn(*number, x);
                        (re + v * cos, im - v * sin)
                    });
            }
        }
        let mut all = Vec::with_capacity(numbers.len() * (most as usize + 1));
        for down in 0..=most {
            for (idx, across) in numbers.iter().enumerate() {
                let (re, im) = (0..SIDE).fold((0.0, 0.0), |(re, im), y| {
                    let (cos, sin) = turn(down, y);
                    let (a, b) = rows[y * numbers.len() + idx];
                    (re + a * cos + b * sin, im + b * cos - a * sin)
                });
                all.push(((*across, down), re * re + im * im));
            }
        }
        all
    }
}

/// The strongest wave of one channel of a tile: its numbers across and down, between whole ones, if it stands out.
fn wave(
    waves: &Waves,
    small: &glassine_raster::Samples16,
    (x0, y0): (u32, u32),
    channel: usize,
) -> Option<(f64, f64)> {
    let mut tile: Vec<f64> = Vec::with_capacity(SIDE * SIDE);
    for y in 0..SIDE as u32 {
        for x in 0..SIDE as u32 {
            tile.push((f64::from(small.pixel(x0 + x, y0 + y)[channel]) + 30.0).ln());
        }
    }
    flatten(&mut tile);
    let most_d = tile.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
    // Fringes are faint: a tile with stronger contrast shows picture. Ours.
    if most_d > 0.5 {
        return None;
    }
    for (k, v) in tile.iter_mut().enumerate() {
        *v *= waves.window[k / SIDE] * waves.window[k % SIDE];
    }
    let most = *WAVES.end();
    let power = waves.power(&tile, most + 1);
    let radius = |(u, v): (i32, i32)| f64::from(u).hypot(f64::from(v));
    let in_reach =
        |number: (i32, i32)| radius(number) >= f64::from(*WAVES.start()) && radius(number) <= f64::from(most);
    let at = |number: (i32, i32)| {
        power.iter().find(|(known, _)| *known == number).map_or(0.0, |(_, power)| *power)
    };
    let (peak, height) =
        power.iter().filter(|(number, _)| in_reach(*number)).max_by(|a, b| a.1.total_cmp(&b.1)).copied()?;
    let near = |number: (i32, i32)| (number.0 - peak.0).abs() <= 2 && (number.1 - peak.1).abs() <= 2;
    let mirrored = |number: (i32, i32)| (number.0 + peak.0).abs() <= 2 && (number.1 + peak.1).abs() <= 2;
    let others: Vec<f64> = power
        .iter()
        .filter(|(number, _)| radius(*number) >= 2.0 && !near(*number) && !mirrored(*number))
        .filter(|(number, _)| (0.5..1.7).contains(&(radius(*number) / radius(peak))))
        .map(|(_, power)| *power)
        .collect();
    let mean = others.iter().sum::<f64>() / others.len().max(1) as f64;
    if height < PEAK * mean {
        return None;
    }
    // Parabola through the logarithms around the peak.
    let between = |before: f64, after: f64| {
        let (a, b, c) = (before.max(1e-12).ln(), height.ln(), after.max(1e-12).ln());
        let bend = a - 2.0 * b + c;
        if bend < -1e-9 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 }
    };
    let mirror = |(u, v): (i32, i32)| if v < 0 { (-u, -v) } else { (u, v) };
    let dx = between(at((peak.0 - 1, peak.1)), at((peak.0 + 1, peak.1)));
    let dy = between(at(mirror((peak.0, peak.1 - 1))), at((peak.0, peak.1 + 1)));
    Some((f64::from(peak.0) + dx, f64::from(peak.1) + dy))
}

/// Take mean and slopes out of a tile.
fn flatten(tile: &mut [f64]) {
    let middle = (SIDE as f64 - 1.0) / 2.0;
    let place = |k: usize| ((k % SIDE) as f64 - middle, (k / SIDE) as f64 - middle);
    let n = (SIDE * SIDE) as f64;
    let square = (0..SIDE * SIDE).map(|k| place(k).0.powi(2)).sum::<f64>();
    let mean = tile.iter().sum::<f64>() / n;
    let slopes =
        tile.iter().enumerate().fold((0.0, 0.0), |(a, b), (k, v)| (a + v * place(k).0, b + v * place(k).1));
    for (k, v) in tile.iter_mut().enumerate() {
        let (x, y) = place(k);
        *v -= mean + (slopes.0 * x + slopes.1 * y) / square;
    }
}

fn has_fringes(waves: &Waves, small: &glassine_raster::Samples16, at: (u32, u32)) -> bool {
    let Some(red) = wave(waves, small, at, 0) else { return false };
    let Some(green) = wave(waves, small, at, 1) else { return false };
    let Some(blue) = wave(waves, small, at, 2) else { return false };
    // Directions within 15 degrees, with the frequencies of their wavelengths. Ours.
    let follows = |a: (f64, f64), b: (f64, f64)| {
        let sizes = (a.0.hypot(a.1), b.0.hypot(b.1));
        let aligned = (a.0 * b.0 + a.1 * b.1).abs() / (sizes.0 * sizes.1).max(1e-9);
        aligned > 0.966 && RATIO.contains(&(sizes.1 / sizes.0))
    };
    follows(red, green) && follows(green, blue)
}
