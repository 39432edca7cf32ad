//! Light where it does not belong: stray light, glow, and a lamp that lights unevenly.

use glassine_film::find_stray_light;
use glassine_raster::{PixelRect, Plane};

use crate::areas::{Areas, HOLDER, OPEN, REBATE};
use crate::statistics::{deviation, median, quantile};
use crate::{Measure, Report, ScanUnderCheck, What};

/// Stray light relative to open light. Source of the first: `find_stray_light`, above what sound scanners show; the
/// second is ours: at 2 % a dense negative (1.6 D above base) loses half of its contrast.
const STRAY_LIMIT: f64 = 0.006;
const STRAY_SERIOUS: f64 = 0.02;
/// Light on the holder near open light less that far from it, relative to open light. Ours: sound scanners of the film
/// simulator show up to 0.25 %.
const GLOW_LIMIT: f64 = 0.005;
const GLOW_SERIOUS: f64 = 0.025;
/// Distances of near and far holder from bright places, mm. Ours: beyond the blur of an edge, and where glow has ended.
const NEAR_MM: [f64; 2] = [0.25, 0.8];
const FAR_MM: f64 = 4.0;
/// Fewest pixels of each. Ours.
const FEWEST: usize = 60;
/// Unevenness of light over the scan. Source: FADGI 2016, films: below 5 % at 2 stars, below 8 % at 1 star.
const UNEVEN_LIMIT: f64 = 0.05;
const UNEVEN_SERIOUS: f64 = 0.08;

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let stray = find_stray_light(scan.overview, scan.colour_channels).map_or(0.0, |stray| stray.of_open);
    let has_holder = areas.class.data().iter().filter(|class| **class == HOLDER).count() > 20 * FEWEST;
    if has_holder || stray > 0.0 {
        let source = "ours: sound scanners show up to 0.4 % on the holder";
        let measure = Measure::per_cent(What::StrayLight, stray, "% of open light", STRAY_LIMIT, source);
        report.judge(measure, 100.0 * STRAY_SERIOUS, None);
    }
    if let Some(glow) = glow(scan, areas) {
        let source = "ours: sound scanners show up to 0.25 %";
        let measure = Measure::per_cent(What::Glow, glow, "% of open light", GLOW_LIMIT, source);
        report.judge(measure, 100.0 * GLOW_SERIOUS, None);
    }
    if let Some((uneven, place)) = unevenness(scan, areas) {
        let source = "FADGI 2016, films: below 5 % at 2 stars, 8 % at 1 star";
        let measure = Measure::per_cent(What::UnevenLight, uneven, "%", UNEVEN_LIMIT, source);
        report.judge(measure, 100.0 * UNEVEN_SERIOUS, Some(place));
    }
}

fn green(scan: &ScanUnderCheck<'_>, x: u32, y: u32) -> f64 {
    f64::from(scan.overview.pixel(x, y)[scan.middle_channel()]) / 65_535.0
}

fn glow(scan: &ScanUnderCheck<'_>, areas: &Areas) -> Option<f64> {
    let px_per_mm = scan.px_per_mm() / f64::from(scan.factor);
    let (width, height) = (areas.class.width(), areas.class.height());
    let mut distance = Plane::filled(width, height, f32::MAX);
    for y in 0..height {
        for x in 0..width {
            if areas.class.at(x, y) != HOLDER && green(scan, x, y) > 0.25 * areas.bright {
                distance.set(x, y, 0.0);
            }
        }
    }
    spread(&mut distance);
    let (mut near, mut far) = (Vec::new(), Vec::new());
    for y in 0..height {
        for x in 0..width {
            let away = f64::from(distance.at(x, y)) / px_per_mm;
            if areas.class.at(x, y) != HOLDER || away > 1e6 {
                continue;
            }
            // Three pixels clear of the edge at any resolution.
            let blur = 3.0 / px_per_mm;
            if (NEAR_MM[0] + blur..NEAR_MM[1] + blur).contains(&away) {
                near.push(green(scan, x, y));
            } else if away > FAR_MM {
                far.push(green(scan, x, y));
            }
        }
    }
    if near.len() < FEWEST {
        return None;
    }
    // Where nothing is far, the darkest holder stands for it.
    let far = if far.len() < FEWEST { quantile(&mut near, 0.02)? } else { median(&mut far)? };
    Some(((quantile(&mut near, 0.6)? - far) / areas.bright).max(0.0))
}

/// Distance of every pixel from the nearest with 0, by two passes. Source: G. Borgefors, "Distance transformations in
/// digital images", Computer Vision, Graphics and Image Processing 34 (1986); within 8 %.
fn spread(distance: &mut Plane<f32>) {
    let height = distance.height() as usize;
    let width = (distance.width() as usize).max(1);
    let diagonal = std::f32::consts::SQRT_2;
    // From the row before, then along the row.
    let relax = |near: &[f32], row: &mut [f32]| {
        for (x, v) in row.iter_mut().enumerate() {
            let (left, right) = (near[x.saturating_sub(1)], near[(x + 1).min(width - 1)]);
            *v = v.min(near[x] + 1.0).min(left.min(right) + diagonal);
        }
    };
    let along = |best: f32, v: &mut f32| {
        *v = v.min(best + 1.0);
        *v
    };
    for y in 0..height {
        let (above, here) = distance.data_mut().split_at_mut(y * width);
        if let Some(above) = above.rchunks_exact(width).next() {
            relax(above, &mut here[..width]);
        }
        here[..width].iter_mut().fold(f32::MAX, along);
    }
    for y in (0..height).rev() {
        let (here, below) = distance.data_mut()[y * width..].split_at_mut(width);
        if below.len() >= width {
            relax(&below[..width], here);
        }
        here.iter_mut().rev().fold(f32::MAX, along);
    }
}

/// Light of a cell of even ground.
#[derive(Clone, Copy)]
struct Cell {
    /// -1 to 1 across the scan.
    at: [f64; 2],
    log: f64,
}

/// Cells along the longer side of the scan. Our choice.
const CELLS: u32 = 40;

/// Range of light over the even ground of a scan, and the darkest cell: open light if it reaches over half of the scan,
/// else clear film.
fn unevenness(scan: &ScanUnderCheck<'_>, areas: &Areas) -> Option<(f64, PixelRect)> {
    [OPEN, REBATE].into_iter().find_map(|class| {
        let cells = cells(scan, areas, class);
        let range = |axis: usize| {
            let at = |cell: &Cell| cell.at[axis];
            cells.iter().map(at).fold(-1.0, f64::max) - cells.iter().map(at).fold(1.0, f64::min)
        };
        if cells.len() < 12 || range(0).max(range(1)) < 1.0 {
            return None;
        }
        let fit = surface(&cells)?;
        let logs = cells.iter().map(|cell| (surface_at(&fit, cell.at), cell.at));
        let most = logs.clone().map(|log| log.0).fold(f64::MIN, f64::max);
        let (least, at) = logs.min_by(|a, b| a.0.total_cmp(&b.0))?;
        let side = |at: f64, size: u32| ((at + 1.0) / 2.0 * f64::from(size)) as u32;
        let (x, y) = (side(at[0], scan.size_px.0), side(at[1], scan.size_px.1));
        let half = scan.size_px.0.max(scan.size_px.1) / (2 * CELLS);
        let place = PixelRect::new(x.saturating_sub(half), y.saturating_sub(half), x + half, y + half);
        Some((1.0 - (least - most).exp(), place))
    })
}

fn cells(scan: &ScanUnderCheck<'_>, areas: &Areas, class: u8) -> Vec<Cell> {
    let (width, height) = (areas.class.width(), areas.class.height());
    let side = (width.max(height) / CELLS).max(4);
    let mut cells = Vec::new();
    for y0 in (0..height).step_by(side as usize) {
        for x0 in (0..width).step_by(side as usize) {
            let mut lights = Vec::new();
            for y in y0..(y0 + side).min(height) {
                for x in (x0..(x0 + side).min(width)).filter(|x| areas.class.at(*x, y) == class) {
                    lights.push(green(scan, x, y));
                }
            }
            // Edge print is denser than the base; the upper part of the cell is base.
            let Some(light) = quantile(&mut lights, 0.7).filter(|light| *light > 1e-3) else { continue };
            if lights.len() < 12 {
                continue;
            }
            let middle = |from: u32, size: u32| 2.0 * f64::from(from + side / 2) / f64::from(size) - 1.0;
            cells.push(Cell { at: [middle(x0, width), middle(y0, height)], log: light.ln() });
        }
    }
    cells
}

type Surface = [f64; 6];

fn terms([x, y]: [f64; 2]) -> Surface {
    [1.0, x, y, x * x, x * y, y * y]
}

fn surface_at(fit: &Surface, at: [f64; 2]) -> f64 {
    terms(at).iter().zip(fit).map(|(t, f)| t * f).sum()
}

/// Quadratic surface through most cells: fogged film and print are left out.
fn surface(cells: &[Cell]) -> Option<Surface> {
    let mut weights = vec![1.0; cells.len()];
    let mut fit = [0.0; 6];
    for _ in 0..6 {
        // A weak pull towards an even surface keeps terms that nothing shows at zero.
        let mut system = [[0.0; 7]; 6];
        for (idx, row) in system.iter_mut().enumerate().skip(1) {
            row[idx] = 0.02 * cells.len() as f64;
        }
        for (cell, weight) in cells.iter().zip(&weights) {
            let terms = terms(cell.at);
            for (row, t) in system.iter_mut().zip(terms) {
                for (v, u) in row.iter_mut().zip(terms.iter().chain(&[cell.log])) {
                    *v += weight * t * u;
                }
            }
        }
        fit = solved(system)?;
        let rests: Vec<f64> = cells.iter().map(|cell| cell.log - surface_at(&fit, cell.at)).collect();
        // Our choice: three deviations, and never less than half a percent.
        let reach = (3.0 * deviation(&rests)).max(0.005);
        for (weight, rest) in weights.iter_mut().zip(&rests) {
            let r = (rest / reach).powi(2);
            *weight = if r < 1.0 { (1.0 - r).powi(2) } else { 0.0 };
        }
    }
    Some(fit)
}

/// Gaussian elimination with pivots.
pub(crate) fn solved<const N: usize, const M: usize>(mut system: [[f64; M]; N]) -> Option<[f64; N]> {
    for col in 0..N {
        let pivot = (col..N).max_by(|a, b| system[*a][col].abs().total_cmp(&system[*b][col].abs()))?;
        if system[pivot][col].abs() < 1e-12 {
            return None;
        }
        system.swap(col, pivot);
        let row = system[col];
        for (idx, other) in system.iter_mut().enumerate().filter(|(idx, _)| *idx != col) {
            debug_assert_ne!(idx, col);
            let share = other[col] / row[col];
            other.iter_mut().zip(row).for_each(|(v, r)| *v -= share * r);
        }
    }
    Some(std::array::from_fn(|idx| system[idx][M - 1] / system[idx][idx]))
}
