//! Lines that are cut out of a scan: the film jumps from one line to the next.
//!
//! On both sides of the cut the picture goes on as before, so the step between the two lines is that of several lines:
//! it follows the slope on either side, but is steeper. Whatever the lens has drawn is too soft to do that in one line.
//! Where the film has no slopes, its grain still changes more over the cut than beside it.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use glassine_raster::{PixelRect, Plane};
use rayon::prelude::*;

use crate::areas::{Areas, Ground};
use crate::bands::transposed;
use crate::statistics::{Sums, deviation, median};
use crate::{Band, ScanUnderCheck};

/// Length of the parts of a line, pixels, and fewest on one ground. Our choice: short enough for many on one picture, so
/// that their spread is known.
const PART_PX: usize = 16;
const FEWEST_PARTS: f64 = 6.0;
/// Lines on either side that a step is compared with. Our choice.
const REACH: usize = 5;
/// Largest change that counts, relative: edges do not outweigh grain. Our choice.
const MOST_CHANGE: f32 = 0.3;
/// Least evidence, in standard deviations, on several grounds and on the only picture. Ours: sound strips stay below 4.6
/// and 8, most cuts of one to nine lines give 6.7 and 15.
const LEAST: f64 = 6.0;
const LEAST_ALONE: f64 = 10.0;
/// Most of it that one ground gives, and how much more the strongest than the next. Our choice: an edge along the line on
/// one picture is not enough.
const MOST_OF_ONE: f64 = 8.0;
const MOST_LEAD: f64 = 2.0;
/// Most that the rebate gives. Our choice: its edges lie along the lines.
const MOST_OF_REBATE: f64 = 2.0;
/// On the only picture: fewest parts that get lighter or darker, and least excess of either. Our choice.
const FEWEST_OF_SIGN: f64 = 4.0;
const LEAST_OF_BOTH: f64 = 3.0;

/// What is measured of the step from one line to the next in a part.
#[derive(Debug, Clone, Copy)]
struct Step {
    /// Mean size.
    change: f32,
    /// How much it exceeds the slope on both sides; 0 on soft pictures, 0.5 where one line is cut out.
    excess: f32,
    /// Mean slope on both sides, without its sign.
    slope: f32,
    is_lighter: bool,
}

const UNKNOWN: Step = Step { change: f32::NAN, excess: f32::NAN, slope: f32::NAN, is_lighter: false };

/// The largest jump between two rows or columns among those whose place passes: the place of the second line.
pub(crate) fn largest_jump(
    scan: &ScanUnderCheck<'_>,
    areas: &Areas,
    passes: impl Fn(PixelRect) -> bool,
) -> Option<PixelRect> {
    let mut largest: Option<(f64, PixelRect)> = None;
    for band in scan.bands {
        let rect = band.rect;
        let upright = logarithms(band, usize::from(scan.colour_channels));
        for is_row in [true, false] {
            let lines = if is_row { &upright } else { &transposed(&upright) };
            let at = |line: usize, along: usize| {
                let (x, y) = if is_row { (along, line) } else { (line, along) };
                (rect.x0 + x as u32, rect.y0 + y as u32)
            };
            let is_film = |line: usize, along: usize| {
                let (x, y) = at(line, along);
                areas.is_film(x, y)
            };
            let ground = |line: usize, part: usize| {
                let (x, y) = at(line, part * PART_PX + PART_PX / 2);
                areas.ground(x, y)
            };
            for (line, size) in jumps(&steps(lines, is_film), ground) {
                let second = line as u32 + 1;
                let place = if is_row {
                    PixelRect::new(rect.x0, rect.y0 + second, rect.x1, rect.y0 + second + 1)
                } else {
                    PixelRect::new(rect.x0 + second, rect.y0, rect.x0 + second + 1, rect.y1)
                };
                if largest.is_none_or(|(known, _)| size >= known) && passes(place) {
                    largest = Some((size, place));
                }
            }
        }
    }
    largest.map(|(_, place)| place)
}

/// Logarithms of all colours together.
fn logarithms(band: &Band, colours: usize) -> Plane<f32> {
    // Codes near zero are noise, which would outweigh everything.
    static TABLE: LazyLock<Vec<f32>> =
        LazyLock::new(|| (0..=u16::MAX).map(|code| (f32::from(code) + 32.0).ln()).collect());
    let table = &*TABLE;
    let channels = usize::from(band.codes.channels()).max(1);
    let width = (band.codes.width() as usize).max(1);
    let mut plane = Plane::filled(band.codes.width(), band.codes.height(), 0.0_f32);
    plane.data_mut().par_chunks_mut(width).zip(band.codes.data().par_chunks(width * channels)).for_each(
        |(out, row)| {
            for (out, px) in out.iter_mut().zip(row.chunks_exact(channels)) {
                *out = px.iter().take(colours).map(|code| table[usize::from(*code)]).sum();
            }
        },
    );
    plane
}

/// The step after every line in each of its parts; not a number off the film.
fn steps(lines: &Plane<f32>, is_film: impl Fn(usize, usize) -> bool + Sync) -> Vec<Vec<Step>> {
    let (width, height) = (lines.width() as usize, lines.height() as usize);
    let count = width / PART_PX;
    (0..height.saturating_sub(1))
        .into_par_iter()
        .map(|line| {
            if line + 1 < REACH || line + REACH >= height {
                return vec![UNKNOWN; count];
            }
            let row = |at: usize| lines.row(at as u32);
            let [a, b, c, d, e, f] = [line - 4, line - 1, line, line + 1, line + 2, line + 5].map(row);
            let part = |part: usize| {
                let range = part * PART_PX..(part + 1) * PART_PX;
                let ends = [range.start, range.start + PART_PX / 2, range.end - 1];
                let is_known =
                    ends.iter().all(|x| is_film(line - 4, *x) && is_film(line, *x) && is_film(line + 5, *x));
                if !is_known {
                    return UNKNOWN;
                }
                let part = [a, b, c, d, e, f].map(|row| &row[range.clone()]);
                let [a, b, c, d, e, f] = part;
                // Single values before their sums, which a processor calculates together.
                let mut all = [[0.0_f32; PART_PX]; 4];
                for x in 0..PART_PX {
                    let step = d[x] - c[x];
                    let slope = ((b[x] - a[x]) + (f[x] - e[x])) / 6.0;
                    let weight = slope.abs();
                    all[0][x] = step.abs().min(MOST_CHANGE);
                    all[1][x] =
                        weight * (step - slope) * slope / (slope * slope + 0.25 * step * step + 1e-12);
                    all[2][x] = weight;
                    all[3][x] = step;
                }
                let [change, excess, weights, sum] = all.map(|values| values.iter().sum::<f32>());
                let weights = weights + 1e-6;
                let count = PART_PX as f32;
                Step {
                    change: change / count,
                    excess: excess / weights,
                    slope: weights / count,
                    is_lighter: sum > 0.0,
                }
            };
            (0..count).map(part).collect()
        })
        .collect()
}

/// Both figures of the steps on one ground in units of their standard errors.
#[derive(Debug, Clone, Copy)]
struct OnGround {
    ground: Ground,
    excess: f64,
    change: f64,
    /// The excess of parts that get lighter and of those that get darker, the smaller one.
    of_both_signs: f64,
}

/// Lines after which the film jumps, and how far above chance.
fn jumps(steps: &[Vec<Step>], ground: impl Fn(usize, usize) -> Option<Ground> + Sync) -> Vec<(usize, f64)> {
    let mut lines: Vec<Vec<OnGround>> =
        (0..steps.len()).into_par_iter().map(|at| on_grounds(steps, at, &ground)).collect();
    // Structure of a picture varies from line to line more than its parts do from each other.
    let mut known: BTreeMap<Ground, [Vec<f64>; 2]> = BTreeMap::new();
    for of in lines.iter().flatten() {
        let [excesses, changes] = known.entry(of.ground).or_default();
        excesses.push(of.excess);
        changes.push(of.change);
    }
    let usual: BTreeMap<Ground, [(f64, f64); 2]> = known
        .into_iter()
        .map(|(ground, figures)| {
            let usual = figures.map(|mut values| {
                let middle = median(&mut values).unwrap_or(0.0);
                values.iter_mut().for_each(|value| *value -= middle);
                (middle, deviation(&values).max(1.0))
            });
            (ground, usual)
        })
        .collect();
    for of in lines.iter_mut().flatten() {
        if let Some([(excess, excesses), (change, changes)]) = usual.get(&of.ground) {
            of.excess = (of.excess - excess) / excesses;
            of.change = (of.change - change) / changes;
        }
    }
    let sizes = lines.iter().map(|line| evidence(line)).enumerate();
    sizes.filter(|(_, size)| *size > 0.0).collect()
}

/// How far above chance all grounds of a line together are; 0 where that is not enough.
fn evidence(grounds: &[OnGround]) -> f64 {
    let together = |of: &OnGround| {
        let size = (of.excess + of.change) / std::f64::consts::SQRT_2;
        if of.ground == Ground::Rebate { size.min(MOST_OF_REBATE) } else { size }
    };
    let mut each: Vec<f64> = grounds.iter().map(together).collect();
    each.sort_unstable_by(|a, b| b.total_cmp(a));
    if let Some(second) = each.get(1) {
        let most = (second + MOST_LEAD).clamp(0.0, MOST_OF_ONE);
        let sum: f64 = each.iter().map(|size| size.clamp(-MOST_OF_ONE, most)).sum();
        let several = sum / (each.len() as f64).sqrt();
        if several > LEAST {
            return several;
        }
    }
    // On the only picture a line crosses, an edge of it would get lighter or darker all along.
    let mut pictures = grounds.iter().filter(|of| matches!(of.ground, Ground::Picture(_)));
    match (pictures.next(), pictures.next()) {
        (Some(of), None) if of.of_both_signs > LEAST_OF_BOTH && together(of) > LEAST_ALONE => together(of),
        _ => 0.0,
    }
}

fn on_grounds(
    steps: &[Vec<Step>],
    at: usize,
    ground: impl Fn(usize, usize) -> Option<Ground>,
) -> Vec<OnGround> {
    if at < REACH || at + REACH >= steps.len() {
        return Vec::new();
    }
    let mut grounds: BTreeMap<Ground, [Sums; 4]> = BTreeMap::new();
    for (part, &here) in steps[at].iter().enumerate() {
        let of = |line: usize| steps[line][part];
        let [before, after] = [of(at - 1), of(at + 1)];
        let mut near = [0.0; 6];
        near.iter_mut()
            .zip((2..=4).flat_map(|k| [at - k, at + k]))
            .for_each(|(near, at)| *near = of(at).change);
        near.sort_unstable_by(f32::total_cmp);
        // The sum is no number if one of the lines is not known.
        let beside = f32::midpoint(before.change, after.change).max(near[2]) + 0.0 * near.iter().sum::<f32>();
        let change = (here.change / beside).ln();
        let Some(ground) = (change.is_finite()).then(|| ground(at, part)).flatten() else { continue };
        let sums = grounds.entry(ground).or_default();
        let excess = f64::from(here.excess - before.excess.max(after.excess));
        // Where there are no slopes nothing is known of a jump.
        let weight = f64::from(here.slope);
        sums[0].add(excess, weight);
        sums[1].add(f64::from(change), weight);
        sums[if here.is_lighter { 2 } else { 3 }].add(excess, weight);
    }
    let of_ground = |(ground, [excess, change, lighter, darker]): (Ground, [Sums; 4])| {
        let size = |sums: Sums| {
            if sums.count < FEWEST_OF_SIGN { 0.0 } else { sums.mean() / sums.error() }
        };
        (excess.count >= FEWEST_PARTS).then(|| OnGround {
            ground,
            excess: size(excess),
            change: size(change),
            of_both_signs: size(lighter).min(size(darker)),
        })
    };
    grounds.into_iter().filter_map(of_ground).collect()
}

#[cfg(test)]
mod tests {
    use glassine_film::CodeCurve;
    use glassine_layout::Found;
    use glassine_raster::{Samples16, TiltedBox};
    use glassine_testdata::strips::hash;

    use super::*;
    use crate::areas::{OTHER, PICTURE};

    const SIZE_PX: (u32, u32) = (900, 400);
    const PICTURES: [[u32; 4]; 2] = [[20, 20, 440, 380], [460, 20, 880, 380]];
    const AT: u32 = 200;

    /// The jump between rows that is found on a drawing: light from the picture's number and the place on the film.
    fn jump(pictures: &[[u32; 4]], cut: f64, light: impl Fn(usize, f64, f64) -> f64) -> Option<u32> {
        let (width, height) = SIZE_PX;
        let mut class = Plane::filled(width, height, OTHER);
        let mut codes = Samples16::zeroed(width, height, 1);
        for (picture, [x0, y0, x1, y1]) in pictures.iter().enumerate() {
            for y in *y0..*y1 {
                for x in *x0..*x1 {
                    class.set(x, y, PICTURE);
                    let on_film = f64::from(y) + if y >= AT { cut } else { 0.0 };
                    // Noise of 0.3 % on either side, as a sensor has it.
                    let noise = 1.0 + 0.006 * (f64::from(hash(i64::from(x), i64::from(y), 1)) - 0.5);
                    codes.row_mut(y)[x as usize] = (light(picture, f64::from(x), on_film) * noise) as u16;
                }
            }
        }
        let boxes = pictures.iter().map(|[x0, y0, x1, y1]| {
            TiltedBox::from_edges(f64::from(*x0), f64::from(*y0), f64::from(*x1), f64::from(*y1))
        });
        let areas = Areas { class, factor: 1, bright: 1.0, pictures: boxes.collect(), light: Vec::new() };
        let bands = [Band { rect: PixelRect::of_size(width, height), codes: codes.clone() }];
        let scan = ScanUnderCheck {
            overview: &codes,
            factor: 1,
            size_px: SIZE_PX,
            colour_channels: 1,
            bits: 16,
            curve: Some(CodeCurve::Linear),
            bands: &bands,
            light: &[],
            found: &Found { strips: Vec::new(), notes: Vec::new() },
            ppi: None,
        };
        largest_jump(&scan, &areas, |_| true).map(|place| place.y0)
    }

    /// Waves of 90 px, whose light changes by up to 2 % from row to row.
    fn waves(picture: usize, x: f64, y: f64) -> f64 {
        20_000.0 * (0.3 * (x / 14.0 + picture as f64).sin() * (y / 14.0).cos()).exp()
    }

    #[test]
    fn rows_cut_out_are_found_on_soft_pictures() {
        for cut in [1.0, 2.0, 4.0, 9.0] {
            assert_eq!(jump(&PICTURES, cut, waves), Some(AT), "{cut} rows on two pictures");
            assert_eq!(jump(&PICTURES[..1], cut, waves), Some(AT), "{cut} rows on one picture");
        }
    }

    #[test]
    fn pictures_without_a_cut_and_edges_along_a_row_do_not_jump() {
        let edge = |picture: usize, x: f64, y: f64| {
            let step = if picture == 0 { ((y - f64::from(AT)) / 0.6).tanh() } else { 0.0 };
            waves(picture, x, y) * (1.0 + 0.2 * step)
        };
        for pictures in [&PICTURES[..], &PICTURES[..1]] {
            assert_eq!(jump(pictures, 0.0, waves), None);
            assert_eq!(jump(pictures, 0.0, edge), None);
        }
    }
}
