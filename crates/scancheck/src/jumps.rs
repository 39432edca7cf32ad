//! Lines that are cut out of a scan: there everything changes more from one line to the next than on both sides, in all
//! pictures at once. An edge does so in one.

use std::collections::BTreeMap;

use glassine_raster::PixelRect;
use rayon::prelude::*;

use crate::areas::{Areas, Ground};
use crate::statistics::quantile;
use crate::{Band, ScanUnderCheck};

/// Length of the parts of a line, pixels, and fewest on one ground. Our choice: long enough for a mean change within a tenth.
const PART_PX: usize = 32;
const FEWEST_PARTS: usize = 6;
/// Lines on either side that are compared: from the second to the fourth. Our choice: the first may share the jump.
const NEAR: [usize; 2] = [2, 4];
/// Share of the parts that must change more. Our choice: an edge that lies along the line fills less.
const QUIETEST: f64 = 0.35;
/// Largest change that counts, relative: edges do not outweigh grain. Our choice.
const MOST_CHANGE: f32 = 0.3;
/// How much more they must change, as a logarithm. Ours: sound scans stay below 0.02, two lost lines give 0.05 to 0.5.
const LEAST: f64 = 0.06;

/// The largest jump between two rows or columns among those whose place passes: the place of the second line.
pub(crate) fn largest_jump(
    scan: &ScanUnderCheck<'_>,
    areas: &Areas,
    passes: impl Fn(PixelRect) -> bool,
) -> Option<PixelRect> {
    let mut largest: Option<(f64, PixelRect)> = None;
    for band in scan.bands {
        let rect = band.rect;
        let (rows, columns) = changes(band, usize::from(scan.colour_channels), areas);
        let mut note = |lines: &[Vec<f32>], is_row: bool| {
            let ground = |line: usize, part: usize| {
                let (line, part) = (line as u32, (part * PART_PX + PART_PX / 2) as u32);
                let (x, y) = if is_row { (part, line) } else { (line, part) };
                areas.ground(rect.x0 + x, rect.y0 + y)
            };
            for (line, size) in sizes(lines, ground).into_iter().enumerate().filter(|(_, size)| *size > LEAST)
            {
                let at = line as u32 + 1;
                let place = if is_row {
                    PixelRect::new(rect.x0, rect.y0 + at, rect.x1, rect.y0 + at + 1)
                } else {
                    PixelRect::new(rect.x0 + at, rect.y0, rect.x0 + at + 1, rect.y1)
                };
                if largest.is_none_or(|(known, _)| size >= known) && passes(place) {
                    largest = Some((size, place));
                }
            }
        };
        note(&rows, true);
        note(&columns, false);
    }
    largest.map(|(_, place)| place)
}

/// Mean change from every line to the next in each of its parts, rows and columns; not a number off the film.
fn changes(band: &Band, colours: usize, areas: &Areas) -> (Vec<Vec<f32>>, Vec<Vec<f32>>) {
    let codes = &band.codes;
    let channels = usize::from(codes.channels()).max(1);
    let (width, height) = (codes.width() as usize, codes.height() as usize);
    let (across, down) = (width / PART_PX, height / PART_PX);
    let is_film = |x: usize, y: usize| areas.is_film(band.rect.x0 + x as u32, band.rect.y0 + y as u32);
    let change = |a: &[u16], b: &[u16]| -> f32 {
        let of = |c: usize| {
            let (a, b) = (f32::from(a[c]), f32::from(b[c]));
            ((a - b).abs() / (0.5 * (a + b) + 32.0)).min(MOST_CHANGE)
        };
        (0..colours).map(of).sum()
    };
    let places = [1, 9, 17, 25, 30];
    let rows: Vec<Vec<f32>> = (0..height.saturating_sub(1))
        .into_par_iter()
        .map(|y| {
            let (here, next) = (codes.row(y as u32), codes.row(y as u32 + 1));
            let part = |part: usize| {
                let x0 = part * PART_PX;
                if !places.iter().all(|x| is_film(x0 + x, y) && is_film(x0 + x, y + 1)) {
                    return f32::NAN;
                }
                let range = x0 * channels..(x0 + PART_PX) * channels;
                let (a, b) = (here[range.clone()].chunks_exact(channels), next[range].chunks_exact(channels));
                a.zip(b).map(|(a, b)| change(a, b)).sum()
            };
            (0..across).map(part).collect()
        })
        .collect();
    // Rows of blocks become parts of columns.
    let blocks: Vec<Vec<f32>> = (0..down)
        .into_par_iter()
        .map(|block| {
            let y0 = block * PART_PX;
            let mut sums = vec![0.0_f32; width.saturating_sub(1)];
            for y in y0..y0 + PART_PX {
                let row = codes.row(y as u32);
                for (sum, pair) in sums.iter_mut().zip(row.windows(2 * channels).step_by(channels)) {
                    *sum += change(&pair[..channels], &pair[channels..]);
                }
            }
            for (x, sum) in sums.iter_mut().enumerate() {
                if !places.iter().all(|y| is_film(x, y0 + y) && is_film(x + 1, y0 + y)) {
                    *sum = f32::NAN;
                }
            }
            sums
        })
        .collect();
    let columns = (0..width.saturating_sub(1))
        .into_par_iter()
        .map(|x| blocks.iter().map(|block| block[x]).collect())
        .collect();
    (rows, columns)
}

/// How much more each line changes than those near it, as a logarithm, on every ground it crosses; 0 where that is less
/// than two.
fn sizes(lines: &[Vec<f32>], ground: impl Fn(usize, usize) -> Option<Ground> + Sync) -> Vec<f64> {
    let [from, to] = NEAR;
    (0..lines.len())
        .into_par_iter()
        .map(|at| {
            if at < to || at + to >= lines.len() {
                return 0.0;
            }
            let mut grounds: BTreeMap<Ground, Vec<f64>> = BTreeMap::new();
            for (part, here) in lines[at].iter().enumerate() {
                let mut near = [0.0_f64; 6];
                let places = (from..=to).flat_map(|k| [at - k, at + k]);
                near.iter_mut().zip(places).for_each(|(near, at)| *near = f64::from(lines[at][part]));
                let ratio = f64::from(*here) / f64::midpoint(middle_of(&mut near), near[3]);
                if ratio.is_finite()
                    && near[5].is_finite()
                    && ratio > 0.0
                    && let Some(ground) = ground(at, part)
                {
                    grounds.entry(ground).or_default().push(ratio.ln());
                }
            }
            let known = grounds.values_mut().filter(|logs| logs.len() >= FEWEST_PARTS);
            let sizes: Vec<f64> = known.filter_map(|logs| quantile(logs, QUIETEST)).collect();
            if sizes.len() < 2 { 0.0 } else { sizes.into_iter().fold(f64::MAX, f64::min) }
        })
        .collect()
}

/// The lower of the two middle values of six, which it sorts.
fn middle_of(values: &mut [f64; 6]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values[2]
}
