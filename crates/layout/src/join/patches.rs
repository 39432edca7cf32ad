//! The same places of the film on two scans: small squares of one, searched on the other.

use glassine_raster::{CancelToken, PixelRect, Point, RegionError, Scan};

use super::affine::{Affine, Match};
use super::grey::{Grey, Level};

/// How places are searched.
#[derive(Debug, Clone, Copy)]
pub(super) struct Search {
    /// Places wanted, over the overlap.
    pub(super) places: usize,
    /// Half side of the squares, pixels of the level.
    pub(super) half_px: i64,
    /// Largest distance from the expected place, pixels of the level.
    pub(super) radius_px: i64,
    /// Least correlation.
    pub(super) least_likeness: f64,
}

/// Places of both scans that look alike, in scan pixels, and how many were tried.
pub(super) fn search_places(
    (a, b): (&Level<'_>, &Level<'_>),
    b_to_a: &Affine,
    search: &Search,
    cancel: &CancelToken,
) -> Result<(Vec<Match>, usize), RegionError> {
    let map = b_to_a.between_reduced(b.factor, a.factor);
    let Some(back) = map.inverse() else { return Ok((Vec::new(), 0)) };
    // Only the second scan is searched around each place.
    let margin = (search.half_px + search.radius_px + 3) as f64;
    let margins = ((search.half_px + 1) as f64, margin);
    let rows = grid(a.size(), b.size(), &back, margins, search.places);
    let (mut found, mut tried) = (Vec::new(), 0);
    for (y, columns) in rows {
        let (Some(first), Some(last)) = (columns.first(), columns.last()) else { continue };
        let reach = search.half_px + 2;
        let window =
            ((*first - reach) as f64, (y - reach) as f64, (*last + reach + 1) as f64, (y + reach + 1) as f64);
        let band_a = a.read(rect_around(window, 0.0, a.size()), cancel)?;
        let window_b = mapped(&back, window);
        let band_b = b.read(rect_around(window_b, margin - reach as f64 + 3.0, b.size()), cancel)?;
        for x in columns {
            tried += 1;
            found.extend(find_place((&band_a, &band_b), &back, (x, y), search).map(|m| Match {
                a: Point::new(m.a.x * a.factor, m.a.y * a.factor),
                b: Point::new(m.b.x * b.factor, m.b.y * b.factor),
                likeness: m.likeness,
            }));
        }
    }
    Ok((found, tried))
}

/// Rows of pixels of the first level whose surroundings both levels have: the row, and its columns.
fn grid(
    (aw, ah): (u32, u32),
    (bw, bh): (u32, u32),
    back: &Affine,
    (margin_a, margin_b): (f64, f64),
    places: usize,
) -> Vec<(i64, Vec<i64>)> {
    let is_inside = |x: f64, y: f64| {
        let inside = |v: f64, n: u32, margin: f64| v >= margin && v <= f64::from(n) - margin;
        let on_b = back.apply(Point::new(x, y));
        inside(x, aw, margin_a)
            && inside(y, ah, margin_a)
            && inside(on_b.x, bw, margin_b)
            && inside(on_b.y, bh, margin_b)
    };
    // The step follows from the area, counted on a fine grid.
    let fine = (f64::from(aw.max(ah)) / 400.0).max(1.0);
    let (columns, rows) = ((f64::from(aw) / fine) as u32, (f64::from(ah) / fine) as u32);
    let spots = (0..rows).flat_map(|y| (0..columns).map(move |x| (x, y)));
    let middle = |i: u32| (f64::from(i) + 0.5) * fine;
    let count = spots.filter(|(x, y)| is_inside(middle(*x), middle(*y))).count();
    if count == 0 {
        return Vec::new();
    }
    let step = (count as f64 * fine * fine / places as f64).sqrt().max(2.0);
    let mut all = Vec::new();
    let mut y = 0.5 * step;
    while y < f64::from(ah) {
        let mut columns = Vec::new();
        let mut x = 0.5 * step;
        while x < f64::from(aw) {
            if is_inside(x, y) {
                columns.push(x as i64);
            }
            x += step;
        }
        if !columns.is_empty() {
            all.push((y as i64, columns));
        }
        y += step;
    }
    all
}

/// The bounds of a rectangle after a map.
pub(super) fn mapped(map: &Affine, (x0, y0, x1, y1): (f64, f64, f64, f64)) -> (f64, f64, f64, f64) {
    let corners = [(x0, y0), (x1, y0), (x0, y1), (x1, y1)].map(|(x, y)| map.apply(Point::new(x, y)));
    let bounds = |of: fn(&Point<Scan>) -> f64| {
        corners.iter().map(of).fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)))
    };
    let ((left, right), (top, bottom)) = (bounds(|p| p.x), bounds(|p| p.y));
    (left, top, right, bottom)
}

/// Whole pixels around a rectangle, cut at the picture.
pub(super) fn rect_around(
    (x0, y0, x1, y1): (f64, f64, f64, f64),
    margin: f64,
    (width, height): (u32, u32),
) -> PixelRect {
    let low = |v: f64, n: u32| (v - margin).floor().clamp(0.0, f64::from(n)) as u32;
    let high = |v: f64, n: u32| (v + margin).ceil().clamp(0.0, f64::from(n)) as u32;
    PixelRect::new(low(x0, width), low(y0, height), high(x1, width), high(y1, height))
}

/// Where the surroundings of a pixel of the first scan are on the second. Correlation is taken after removing mean and
/// contrast, so exposure and flare don't matter; the second scan is brought to the pixels of the first, so turn and
/// scale don't either.
fn find_place((a, b): (&Grey, &Grey), back: &Affine, (x, y): (i64, i64), search: &Search) -> Option<Match> {
    let (half, radius) = (search.half_px, search.radius_px);
    let template = standardised(&a.square(x, y, half)?)?;
    let reach = half + radius;
    let side = (2 * reach + 1) as usize;
    let mut around = Vec::with_capacity(side * side);
    for v in y - reach..=y + reach {
        for u in x - reach..=x + reach {
            around.push(b.at(back.apply(Point::new(u as f64 + 0.5, v as f64 + 0.5)))?);
        }
    }
    // Without their mean, single precision suffices for the sums below.
    let mean = around.iter().sum::<f32>() / around.len() as f32;
    around.iter_mut().for_each(|v| *v -= mean);
    let steps = (2 * radius + 1) as usize;
    let mut scores = vec![0.0; steps * steps];
    for (i, score) in scores.iter_mut().enumerate() {
        *score = correlation(&template, &around, side, (i % steps, i / steps), (2 * half + 1) as usize);
    }
    let best = (0..scores.len()).max_by(|p, q| scores[*p].total_cmp(&scores[*q]).then(q.cmp(p)))?;
    let (bx, by) = (best % steps, best / steps);
    if scores[best] < search.least_likeness || bx == 0 || by == 0 || bx + 1 == steps || by + 1 == steps {
        return None;
    }
    let (left, right) = (scores[best - 1], scores[best + 1]);
    let (above, below) = (scores[best - steps], scores[best + steps]);
    let dx = bx as f64 - radius as f64 + peak(left, scores[best], right)?;
    let dy = by as f64 - radius as f64 + peak(above, scores[best], below)?;
    let here = Point::new(x as f64 + 0.5, y as f64 + 0.5);
    Some(Match { a: here, b: back.apply(Point::new(here.x + dx, here.y + dy)), likeness: scores[best] })
}

/// The top of a parabola through three neighbours, relative to the middle one; `None` where the middle is not above
/// both in a clear curve, as along an edge.
fn peak(before: f64, here: f64, after: f64) -> Option<f64> {
    let curvature = 2.0 * here - before - after;
    // Source: our choice; flatter peaks place an edge along itself at random.
    (curvature > 5e-4).then(|| 0.5 * (after - before) / curvature)
}

/// Values without their mean, at a root sum of squares of 1; `None` where there is nothing to see.
fn standardised(values: &[f32]) -> Option<Vec<f32>> {
    let mean = values.iter().sum::<f32>() / values.len() as f32;
    let norm = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f32>().sqrt();
    (norm > 1.0).then(|| values.iter().map(|v| (v - mean) / norm).collect())
}

fn correlation(template: &[f32], around: &[f32], stride: usize, (x, y): (usize, usize), side: usize) -> f64 {
    const LANES: usize = 8;
    let mut sums = [[0.0_f32; LANES]; 3];
    for (j, line) in template.chunks_exact(side).enumerate() {
        let other = &around[(y + j) * stride + x..][..side];
        for (i, (t, v)) in line.iter().zip(other).enumerate() {
            let lane = i % LANES;
            sums[0][lane] += t * v;
            sums[1][lane] += v;
            sums[2][lane] += v * v;
        }
    }
    let [product, sum, squares] = sums.map(|lanes| f64::from(lanes.iter().sum::<f32>()));
    let count = template.len() as f64;
    let variation = squares - sum * sum / count;
    // Single precision: below this share of the squares a variation is rounding.
    if variation <= 1e-5 * squares { 0.0 } else { product / variation.sqrt() }
}
