//! Where two scans may overlap: every shift of two small pictures is tried.

use glassine_raster::Samples16;
use rayon::prelude::*;

use super::grey::Grey;

/// Side, pixels, of the windows that the local mean is taken over. Source: our choice; shading of lamp and sky drops
/// out, and shapes of a tenth of the picture stay.
const WINDOW_PX: usize = 15;
/// Least share of a side that an overlap covers. Source: our choice; fewer pixels match by chance.
const LEAST_OVERLAP: f64 = 0.04;
/// Largest shift across the direction of joining, as a share of the side. Source: our choice; parts are laid side by
/// side.
const MOST_ACROSS: f64 = 0.3;
/// Distance, pixels, over which the correlation falls beside a true shift. Source: our choice; a third of the window.
const PEAK_PX: i32 = 5;
/// Shifts that are looked at closer. Source: our choice.
pub(super) const CANDIDATES: usize = 16;

/// A small picture with its shading removed, and where it shows film.
pub(super) struct Shapes {
    width: usize,
    height: usize,
    values: Vec<f32>,
    /// Squares of `values`.
    squares: Vec<f32>,
    /// 1 on film, 0 on the holder and on open light.
    film: Vec<f32>,
}

/// A possible shift: position of the second picture's corner on the first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shift {
    pub(super) dx: i32,
    pub(super) dy: i32,
    /// Correlation times the root of the number of pixels, above that of the shifts beside it.
    pub(super) strength: f64,
}

/// Codes between which a scan shows film, and neither holder nor open light.
///
/// Holder edges stay with the scanner when the film moves, so they must not take part. Source of the margins: our
/// choice; half a percent of full light above the darkest is flare, 3 % below the brightest is lamp fall-off.
fn film_range(grey: &Grey) -> (f32, f32) {
    let mut sorted = grey.data.clone();
    sorted.sort_by(f32::total_cmp);
    let at = |share: f64| sorted.get((share * sorted.len() as f64) as usize).copied().unwrap_or(0.0);
    let (dark, bright) = (at(0.001), at(0.999));
    (dark + 0.005 * (bright - dark), bright - 0.03 * (bright - dark))
}

impl Shapes {
    pub(super) fn of(small: &Samples16, colours: usize) -> Self {
        let grey = Grey::of(small, colours, (0, 0));
        let (width, height) = (grey.width, grey.height);
        let (low, high) = film_range(&grey);
        let is_film: Vec<bool> = grey.data.iter().map(|v| *v > low && *v < high).collect();
        // A pixel beside the holder is partly holder.
        let neighbours = |i: usize| {
            let (x, y) = (i % width, i / width);
            let (xs, ys) =
                (x.saturating_sub(1)..(x + 2).min(width), y.saturating_sub(1)..(y + 2).min(height));
            ys.flat_map(move |y| xs.clone().map(move |x| y * width + x))
        };
        let film: Vec<f32> =
            (0..is_film.len()).map(|i| f32::from(u8::from(neighbours(i).all(|n| is_film[n])))).collect();
        let logs: Vec<f32> = grey.data.iter().zip(&film).map(|(v, f)| f * (v + 64.0).ln()).collect();
        let (sums, counts) = (box_sums(&logs, width, height), box_sums(&film, width, height));
        let values: Vec<f32> =
            (0..logs.len()).map(|i| film[i] * (logs[i] - sums[i] / counts[i].max(1.0))).collect();
        let squares = values.iter().map(|v| v * v).collect();
        Self { width, height, values, squares, film }
    }
}

/// Sums over square windows about each pixel, cut at the border.
fn box_sums(data: &[f32], width: usize, height: usize) -> Vec<f32> {
    let half = WINDOW_PX / 2;
    let run = |from: &[f32], count: usize, step: usize, lines: usize, line_step: usize, to: &mut [f32]| {
        for line in 0..lines {
            let at = |i: usize| line * line_step + i * step;
            for i in 0..count {
                let window = i.saturating_sub(half)..(i + half + 1).min(count);
                to[at(i)] = window.map(|j| from[at(j)]).sum();
            }
        }
    };
    let (mut across, mut both) = (vec![0.0; data.len()], vec![0.0; data.len()]);
    run(data, width, 1, height, width, &mut across);
    run(&across, height, width, width, 1, &mut both);
    both
}

/// The most likely shifts, best first.
pub(super) fn likely_shifts(a: &Shapes, b: &Shapes) -> Vec<Shift> {
    let least = |side: usize| ((side as f64 * LEAST_OVERLAP).ceil() as i32).max(4);
    let (aw, ah, bw, bh) = (a.width as i32, a.height as i32, b.width as i32, b.height as i32);
    let (least_x, least_y) = (least(a.width.min(b.width)), least(a.height.min(b.height)));
    let (most_x, most_y) = (MOST_ACROSS * f64::from(aw.min(bw)), MOST_ACROSS * f64::from(ah.min(bh)));
    let (first_x, first_y) = (least_x - bw, least_y - bh);
    let columns = (aw - least_x - first_x + 1).max(0);
    let rows = (ah - least_y - first_y + 1).max(0);
    let strengths: Vec<f64> = (0..rows)
        .into_par_iter()
        .flat_map_iter(|row| {
            (0..columns).map(move |column| {
                let (dx, dy) = (first_x + column, first_y + row);
                let is_wanted = f64::from(dx.abs()) <= most_x || f64::from(dy.abs()) <= most_y;
                if is_wanted { strength(a, b, dx, dy).unwrap_or(0.0) } else { 0.0 }
            })
        })
        .collect();
    let at = |column: i32, row: i32| {
        let is_there = (0..columns).contains(&column) && (0..rows).contains(&row);
        if is_there { strengths[(row * columns + column) as usize] } else { 0.0 }
    };
    // Edges of the film correlate at every shift along them. Only a peak in both directions is a place.
    let prominence = |column: i32, row: i32| {
        let beside = [(PEAK_PX, 0), (-PEAK_PX, 0), (0, PEAK_PX), (0, -PEAK_PX)];
        at(column, row) - beside.map(|(x, y)| at(column + x, row + y)).into_iter().fold(0.0, f64::max)
    };
    let mut all: Vec<Shift> = (0..rows)
        .flat_map(|row| (0..columns).map(move |column| (column, row)))
        .map(|(column, row)| Shift {
            dx: first_x + column,
            dy: first_y + row,
            strength: prominence(column, row),
        })
        .filter(|shift| shift.strength > 0.0)
        .collect();
    all.sort_by(|p, q| q.strength.total_cmp(&p.strength).then((p.dy, p.dx).cmp(&(q.dy, q.dx))));
    let mut best: Vec<Shift> = Vec::new();
    for shift in all {
        if best.len() == CANDIDATES {
            break;
        }
        if best.iter().all(|other| (other.dx - shift.dx).abs() > 2 || (other.dy - shift.dy).abs() > 2) {
            best.push(shift);
        }
    }
    best
}

/// Correlation times the root of the pixels; `None` if too few are film on both.
fn strength(a: &Shapes, b: &Shapes, dx: i32, dy: i32) -> Option<f64> {
    let (x0, x1) = (dx.max(0), (dx + b.width as i32).min(a.width as i32));
    let (y0, y1) = (dy.max(0), (dy + b.height as i32).min(a.height as i32));
    let length = usize::try_from(x1 - x0).ok()?;
    let mut sums = [0.0_f64; 4];
    for y in y0..y1 {
        let at_a = y as usize * a.width + x0 as usize;
        let at_b = (y - dy) as usize * b.width + (x0 - dx) as usize;
        let (ra, rb) = (at_a..at_a + length, at_b..at_b + length);
        let row = row_sums(
            (&a.values[ra.clone()], &a.squares[ra.clone()], &a.film[ra]),
            (&b.values[rb.clone()], &b.squares[rb.clone()], &b.film[rb]),
        );
        sums.iter_mut().zip(row).for_each(|(sum, part)| *sum += f64::from(part));
    }
    let [product, squares_a, squares_b, count] = sums;
    let correlation = product / (squares_a * squares_b).sqrt();
    // Source: our choice; correlations of fewer pixels say nothing.
    (count >= 60.0 && correlation.is_finite() && correlation > 0.0).then(|| correlation * count.sqrt())
}

/// Values, squares and film of one row.
type Row<'a> = (&'a [f32], &'a [f32], &'a [f32]);

fn row_sums((va, sa, fa): Row<'_>, (vb, sb, fb): Row<'_>) -> [f32; 4] {
    const LANES: usize = 8;
    let mut sums = [[0.0_f32; LANES]; 4];
    let mut add = |i: usize, lane: usize| {
        sums[0][lane] += va[i] * vb[i];
        sums[1][lane] += sa[i] * fb[i];
        sums[2][lane] += sb[i] * fa[i];
        sums[3][lane] += fa[i] * fb[i];
    };
    let whole = va.len() / LANES * LANES;
    for start in (0..whole).step_by(LANES) {
        (0..LANES).for_each(|lane| add(start + lane, lane));
    }
    (whole..va.len()).for_each(|i| add(i, 0));
    sums.map(|lanes| lanes.iter().sum())
}
