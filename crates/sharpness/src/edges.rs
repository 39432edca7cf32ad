//! Straight slanted edges in a picture: where they are, how sharp they are, and what the sharpest say of the scan.

use glassine_raster::{CancelToken, Cancelled, PixelRect, Plane};
use rayon::prelude::*;

use crate::sfr::{Sfr, slanted_edge};

/// Sides of the windows searched for edges, the largest first, with the most windows that are measured. They advance by
/// three eighths of the side. Our choice: a longer edge is measured better, smaller windows hold too few rows; more
/// windows take time and lower the error only by their square root.
const WINDOWS_PX: [(u32, usize); 3] = [(128, 60), (64, 120), (32, 240)];
/// Criteria for an edge: one direction of slope in its window, stray from a line, unevenness of its sides. Our choice:
/// stricter ones leave pictures without an edge, looser ones admit corners and texture, which read as blur, and cost
/// single edges a tenth of their response.
const COHERENCE_MIN: f64 = 0.85;
const STRAY_MAX_PX: f64 = 0.35;
const UNEVENNESS_MAX: f64 = 0.12;
/// Overshoot from which an edge of a scan is a line beside an edge, as a share of the contrast. Our choice: an unsharp
/// mask overshoots by less than half of its amount, however wide it is, so scanners that sharpen by an amount of 1 stay
/// below, and a line that rises less changes the response no more than they do.
const LINE_OVERSHOOT: f64 = 0.5;
/// Least contrast of an edge, in the plane's unit. Our choice: fainter edges are mostly noise.
pub(crate) const EDGE_CONTRAST_MIN: f64 = 0.02;
/// Least believable frequency of half response, cycles per pixel. Our choice: a softer edge does not fit the window.
const MTF50_MIN_CY_PX: f64 = 0.005;
/// Largest error of an edge, as a share of its frequency of half response. Our choice: more says nothing.
const ERROR_MAX: f64 = 0.2;
/// Error that all edges of a picture share or that noise does not tell, as a share. Our choice: bends and slopes of
/// light beside an edge (`STRAY_MAX_PX`, `UNEVENNESS_MAX`) change its response by about so much.
const COMMON_ERROR: f64 = 0.01;
/// Fewest edges for a result. Our choice: fewer may all be soft edges of the scene.
const EDGES_MIN: usize = 3;
/// Edges this many errors below the mean of the sharpest still count as sharp; above it, as wrong. Our choice: two
/// leave out 2 % of alike edges, which moves the mean by a twentieth of the error of one.
const BELOW: f64 = 2.0;
const ABOVE: f64 = 3.0;
/// Rounds that look for them. Our choice: more would creep down to softer edges.
const ROUNDS: usize = 3;
/// Weights of the smoothing before the search. Source: binomial coefficients; a tenth of white grain remains.
const SMOOTHING: [f32; 5] = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];

/// A straight edge and what its response says.
#[derive(Debug, Clone, Copy)]
pub(crate) struct StraightEdge {
    pub(crate) window: PixelRect,
    pub(crate) mtf50_cy_px: f64,
    /// Standard error from the noise beside the edge.
    pub(crate) error_cy_px: f64,
    /// Largest overshoot that the noise does not explain, as a share of the contrast.
    pub(crate) overshoot: f64,
}

/// Straight slanted edges of a picture in windows that do not overlap by more than a third, the best measured first.
pub(crate) fn straight_edges(
    plane: &Plane<f32>,
    contrast_min: f64,
    cancel: &CancelToken,
) -> Result<Vec<StraightEdge>, Cancelled> {
    let smooth = smoothed(plane);
    let mut found = Vec::new();
    for (side, most) in WINDOWS_PX {
        found.extend(edges_in(plane, &smooth, (side, most), contrast_min, cancel)?);
    }
    found.sort_by(|a, b| {
        let place = |edge: &StraightEdge| (edge.window.y0, edge.window.x0);
        let error = |edge: &StraightEdge| edge.error_cy_px / edge.mtf50_cy_px;
        error(a).total_cmp(&error(b)).then(place(a).cmp(&place(b)))
    });
    let mut kept: Vec<StraightEdge> = Vec::new();
    for edge in found {
        let own = edge.window;
        let is_new = |other: &StraightEdge| {
            let both = own.intersect(other.window);
            let shared = u64::from(both.width()) * u64::from(both.height());
            3 * shared <= u64::from(own.width()) * u64::from(own.height())
        };
        if kept.iter().all(is_new) {
            kept.push(edge);
        }
    }
    Ok(kept)
}

/// The windows of one size with an edge, those of the highest contrast first.
pub(crate) fn windows_with_edge(
    plane: &Plane<f32>,
    side: u32,
    contrast_min: f64,
    cancel: &CancelToken,
) -> Result<Vec<PixelRect>, Cancelled> {
    let found = edges_in(plane, &smoothed(plane), (side, WINDOWS_PX[2].1), contrast_min, cancel)?;
    Ok(found.into_iter().map(|edge| edge.window).collect())
}

fn edges_in(
    plane: &Plane<f32>,
    smooth: &Plane<f32>,
    (side, most): (u32, usize),
    contrast_min: f64,
    cancel: &CancelToken,
) -> Result<Vec<StraightEdge>, Cancelled> {
    if plane.width() < side || plane.height() < side {
        return Ok(Vec::new());
    }
    let step = side * 3 / 8;
    let windows: Vec<PixelRect> = (0..=(plane.height() - side) / step)
        .flat_map(|j| (0..=(plane.width() - side) / step).map(move |i| (i * step, j * step)))
        .map(|(x, y)| PixelRect::new(x, y, x + side, y + side))
        .collect();
    let mut promising: Vec<(f64, PixelRect)> = windows
        .par_iter()
        .filter(|_| !cancel.is_cancelled())
        .filter_map(|&rect| edge_strength(smooth, rect, contrast_min).map(|s| (s, rect)))
        .collect();
    cancel.check()?;
    promising.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.1.y0, a.1.x0).cmp(&(b.1.y0, b.1.x0))));
    promising.truncate(most);
    let found = promising.par_iter().filter_map(|&(_, rect)| straight_edge(plane, rect));
    let found = found.filter(|edge| edge.overshoot <= LINE_OVERSHOOT).collect();
    cancel.check()?;
    Ok(found)
}

/// Whether an edge is straight and its sides are even.
pub(crate) fn is_clean(sfr: &Sfr) -> bool {
    sfr.stray_px < STRAY_MAX_PX && sfr.unevenness < UNEVENNESS_MAX
}

/// Whether what looks like an edge of a scan is a line, or has one beside it: its overshoot is more than any sharpening
/// of a scanner gives. A picture after sharpening may have as much at its edges.
pub(crate) fn is_line(sfr: &Sfr) -> bool {
    sfr.overshoot_beyond_noise() > LINE_OVERSHOOT
}

/// The edge in a window, if it is straight and its sides are even; lines and sharpened edges count too.
pub(crate) fn straight_edge(plane: &Plane<f32>, window: PixelRect) -> Option<StraightEdge> {
    let sfr = slanted_edge(plane, window).ok()?;
    let mtf50_cy_px = sfr.mtf50_cy_px().filter(|f| is_clean(&sfr) && *f > MTF50_MIN_CY_PX)?;
    let error_cy_px = sfr.mtf50_noise_error_cy_px()?;
    let overshoot = sfr.overshoot_beyond_noise();
    let edge = StraightEdge { window, mtf50_cy_px, error_cy_px, overshoot };
    (error_cy_px < ERROR_MAX * mtf50_cy_px).then_some(edge)
}

/// Mean frequency of half response of the sharpest edges.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Sharpest {
    pub(crate) mtf50_cy_px: f64,
    pub(crate) error_cy_px: f64,
}

/// The sharpest of some edges, given with their errors, in ascending order of their places; `None` with too few.
///
/// An edge of the scene can only be softer than the scanner, so the sharpest describe it; but noise makes some edges
/// seem sharper than they are. So the mean is that of all edges that are as sharp as the upper quartile within their
/// errors.
pub(crate) fn sharpest(found: &[(f64, f64)]) -> Option<(Sharpest, Vec<usize>)> {
    if found.len() < EDGES_MIN {
        return None;
    }
    let error = |(f, e): (f64, f64)| e.hypot(COMMON_ERROR * f);
    let weight = |edge: (f64, f64)| error(edge).powi(-2);
    let mut order: Vec<usize> = (0..found.len()).collect();
    order.sort_by(|a, b| found[*a].0.total_cmp(&found[*b].0));
    // Soft edges have small errors, but count no more than sharp ones.
    let certainty = |i: usize| (found[i].0 / error(found[i])).powi(2);
    let all: f64 = (0..found.len()).map(certainty).sum();
    let mut below = 0.0;
    let quartile = order.iter().find(|i| {
        below += certainty(**i);
        below >= 0.75 * all
    });
    let mut mean = found[*quartile?].0;
    let mut kept = Vec::new();
    for _ in 0..ROUNDS {
        let is_sharp = |i: &usize| {
            let off = (found[*i].0 - mean) / error(found[*i]);
            (-BELOW..ABOVE).contains(&off)
        };
        kept = (0..found.len()).filter(is_sharp).collect();
        let sum: f64 = kept.iter().map(|i| weight(found[*i])).sum();
        if kept.is_empty() {
            return None;
        }
        mean = kept.iter().map(|i| weight(found[*i]) * found[*i].0).sum::<f64>() / sum;
    }
    let sum: f64 = kept.iter().map(|i| weight(found[*i])).sum();
    let off = kept.iter().map(|i| weight(found[*i]) * (found[*i].0 - mean).powi(2)).sum::<f64>() / sum;
    let error_cy_px = (1.0 / sum).max(off / kept.len() as f64).sqrt();
    Some((Sharpest { mtf50_cy_px: mean, error_cy_px }, kept))
}

/// Contrast of a window with one dominant direction of slope.
fn edge_strength(smooth: &Plane<f32>, rect: PixelRect, contrast_min: f64) -> Option<f64> {
    let (mut xx, mut yy, mut xy, mut low, mut high) = (0.0, 0.0, 0.0, f32::MAX, f32::MIN);
    for y in rect.y0 + 1..rect.y1 - 1 {
        let (above, here, below) = (smooth.row(y - 1), smooth.row(y), smooth.row(y + 1));
        for x in rect.x0 as usize + 1..rect.x1 as usize - 1 {
            let dx = f64::from(here[x + 1] - here[x - 1]);
            let dy = f64::from(below[x] - above[x]);
            xx += dx * dx;
            yy += dy * dy;
            xy += dx * dy;
            low = low.min(here[x]);
            high = high.max(here[x]);
        }
    }
    let energy = xx + yy;
    let coherence = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt() / energy.max(1e-30);
    let contrast = f64::from(high - low);
    (coherence > COHERENCE_MIN && contrast.is_finite() && contrast > contrast_min).then_some(contrast)
}

/// The plane with less grain, so that the direction of edges shows.
fn smoothed(plane: &Plane<f32>) -> Plane<f32> {
    let (w, h) = (plane.width() as usize, plane.height() as usize);
    let mut out = plane.clone();
    if w == 0 || h == 0 {
        return out;
    }
    out.data_mut().par_chunks_mut(w).enumerate().for_each_init(
        || vec![0.0_f32; w],
        |down, (y, row)| {
            down.fill(0.0);
            for (i, weight) in SMOOTHING.iter().enumerate() {
                let source = plane.row((y + i).saturating_sub(2).min(h - 1) as u32);
                down.iter_mut().zip(source).for_each(|(sum, value)| *sum += weight * value);
            }
            for (x, value) in row.iter_mut().enumerate() {
                let tap = |i: usize| down[(x + i).saturating_sub(2).min(w - 1)];
                *value = SMOOTHING.iter().enumerate().map(|(i, weight)| weight * tap(i)).sum();
            }
        },
    );
    out
}

#[cfg(test)]
mod tests {
    use glassine_testdata::random::SplitMix64;

    use super::*;

    #[test]
    fn alike_edges_with_noise_are_not_taken_for_sharper_ones() {
        let mut random = SplitMix64::new(3);
        let mut off = 0.0;
        for _ in 0..50 {
            let edges: Vec<(f64, f64)> =
                (0..40).map(|_| (0.2 * (1.0 + 0.08 * random.normal()), 0.016)).collect();
            off += (sharpest(&edges).expect("enough").0.mtf50_cy_px / 0.2 - 1.0) / 50.0;
        }
        assert!(off.abs() < 0.01, "{off}");
    }

    #[test]
    fn soft_edges_of_the_scene_do_not_count() {
        let mut random = SplitMix64::new(4);
        let mut edge = |f: f64| (f * (1.0 + 0.02 * random.normal()), 0.02 * f);
        let mut edges: Vec<(f64, f64)> = (0..40).map(|_| edge(0.2)).collect();
        edges.extend((0..60).map(|nth| edge(0.18 - 0.002 * f64::from(nth))));
        let (found, kept) = sharpest(&edges).expect("enough");
        assert!((found.mtf50_cy_px / 0.2 - 1.0).abs() < 0.01, "{found:?}");
        assert!(kept.len() < 45 && found.error_cy_px < 0.002, "{found:?}");
    }
}
