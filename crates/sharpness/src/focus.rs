//! Ranks scans of the same film by sharpness, with the certainty of the ranking.
//!
//! Two measures, each with its uncertainty:
//! - **edges**: straight slanted edges all over the picture, each with its frequency of half response
//!   ([`crate::slanted_edge`]); the upper part of these describes the scanner, because an edge of the scene can only be
//!   softer;
//! - **texture**: power in fine detail relative to power in coarse detail of the same tiles, less the power of noise.
//!   Its scale depends on the film, so it can only rank scans of one picture.
//!
//! Source: ISO 12233 for the edges; the power ratio is common in autofocus (a band ratio of the power spectrum).

use glassine_raster::{CancelToken, Cancelled, PixelRect, Plane};
use rayon::prelude::*;

use crate::sfr::slanted_edge;

/// Sides of the windows searched for edges, the larger for soft pictures; they advance by three eighths of the side.
/// Our choice: smaller windows hold too few rows for the bins, larger ones seldom hold one edge alone.
pub(crate) const WINDOWS_PX: [u32; 2] = [32, 64];
/// Most edges measured. Our choice: more take time and lower the error only by their square root.
const EDGES_MAX: usize = 240;
/// Fewest edges for a result. Our choice: fewer give no useful upper quartile.
const EDGES_MIN: usize = 5;
/// Criteria for an edge in a window: one direction of slope, straight, even sides. Our choice: stricter ones leave
/// pictures without an edge, looser ones admit corners and texture, which read as blur.
const COHERENCE_MIN: f64 = 0.85;
const STRAY_MAX_PX: f64 = 0.35;
const UNEVENNESS_MAX: f64 = 0.12;
/// Least contrast of an edge, in the plane's unit. Our choice: fainter edges are mostly noise.
pub(crate) const EDGE_CONTRAST_MIN: f64 = 0.02;
/// Least believable frequency of half response, cycles per pixel. Our choice: a softer edge does not fit the window.
const MTF50_MIN_CY_PX: f64 = 0.005;
/// Distance from the median to the 90th percentile of a normal distribution, standard deviations. Source: its table.
const SIGMA_TO_P90: f64 = 1.28;
/// Standard error of an upper quartile against that of a mean of as many normal values:
/// `sqrt(q (1 - q)) / density(q)` at q = 0.75. Source: arithmetic.
const QUARTILE_ERROR: f64 = 1.36;
/// Least spread of the edges, as a share of their quartile. Our choice: alike edges share errors that we cannot see.
const LEAST_SPREAD_SHARE: f64 = 0.002;
/// Side of the texture tiles. Our choice: eight coarse cells each way; larger tiles mix plain and busy parts.
const TILE_PX: u32 = 64;
/// Fewest tiles for a result. Our choice: fewer give no useful error.
const TILES_MIN: usize = 4;
/// How far the coarse power of a tile must exceed the power of noise. Our choice: below, the noise decides the ratio.
const BUSY_NOISE_FACTOR: f64 = 4.0;
/// Parts that are left out in turn for the error of the texture (jackknife). Our choice; common practice.
const JACKKNIFE_PARTS: usize = 10;

#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FocusError {
    /// The picture is too small.
    #[error("a picture of {width} x {height} pixels is too small to judge focus; use a larger crop")]
    TooSmall {
        /// Columns of the picture.
        width: u32,
        height: u32,
    },
    /// There is neither an edge nor texture.
    #[error("the picture shows no edge and no texture to judge focus by; choose a frame with detail")]
    NoDetail,
    /// Stopped on request.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
}

/// Sharpness of one picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FocusMeasure {
    /// Frequency of half response over the sharpest edges, cycles per pixel; `None` with too few edges.
    pub mtf50_cy_px: Option<f64>,
    /// Standard error of that frequency, cycles per pixel.
    pub mtf50_error: f64,
    pub edges: u32,
    /// Fine relative to coarse detail (amplitude ratio, noise subtracted); `None` without texture.
    pub texture: Option<f64>,
    /// Standard error of the ratio.
    pub texture_error: f64,
    pub tiles: u32,
}

impl FocusMeasure {
    /// One measure of several pictures of the same scan, weighted by edges and tiles; `None` without any.
    pub fn pooled(measures: &[Self]) -> Option<Self> {
        if measures.is_empty() {
            return None;
        }
        let edges = measures.iter().map(|m| (m.mtf50_cy_px, m.mtf50_error, m.edges));
        let tiles = measures.iter().map(|m| (m.texture, m.texture_error, m.tiles));
        let (mtf50_cy_px, mtf50_error) = weighted_mean(edges);
        let (texture, texture_error) = weighted_mean(tiles);
        Some(Self {
            mtf50_cy_px,
            mtf50_error,
            edges: measures.iter().map(|m| m.edges).sum(),
            texture,
            texture_error,
            tiles: measures.iter().map(|m| m.tiles).sum(),
        })
    }
}

/// Mean of values with their errors, weighted by their counts, and its error.
fn weighted_mean(values: impl Iterator<Item = (Option<f64>, f64, u32)>) -> (Option<f64>, f64) {
    let (mut sum, mut square, mut weight) = (0.0, 0.0, 0.0);
    for (value, error, count) in values {
        let Some(value) = value else { continue };
        let count = f64::from(count);
        sum += count * value;
        square += (count * error).powi(2);
        weight += count;
    }
    if weight > 0.0 { (Some(sum / weight), square.sqrt() / weight) } else { (None, 0.0) }
}

/// Measure one picture: linear light or density, one plane.
pub fn measure_focus(plane: &Plane<f32>, cancel: &CancelToken) -> Result<FocusMeasure, FocusError> {
    let (width, height) = (plane.width(), plane.height());
    if width < 2 * TILE_PX || height < 2 * TILE_PX {
        return Err(FocusError::TooSmall { width, height });
    }
    let mut measured = (None, 0.0, 0);
    for side in WINDOWS_PX {
        measured = measure_edges(plane, side, cancel)?;
        if measured.0.is_some() {
            break;
        }
    }
    let (mtf50_cy_px, mtf50_error, edges) = measured;
    let (texture, texture_error, tiles) = measure_texture(plane, cancel)?;
    if mtf50_cy_px.is_none() && texture.is_none() {
        return Err(FocusError::NoDetail);
    }
    Ok(FocusMeasure { mtf50_cy_px, mtf50_error, edges, texture, texture_error, tiles })
}

/// Value, standard error, number of places.
pub(crate) type Measured = (Option<f64>, f64, u32);

fn measure_edges(plane: &Plane<f32>, side: u32, cancel: &CancelToken) -> Result<Measured, FocusError> {
    let edges = straight_edges(plane, side, EDGE_CONTRAST_MIN, cancel)?;
    Ok(sharpest(edges.iter().map(|(_, edge)| edge.mtf50_cy_px).collect()))
}

/// A straight edge and what its response says.
#[derive(Debug, Clone, Copy)]
pub(crate) struct StraightEdge {
    pub(crate) mtf50_cy_px: f64,
    pub(crate) sfr_overshoot: f64,
}

/// Straight slanted edges of a picture in windows of one size, those of the highest contrast; with the windows.
pub(crate) fn straight_edges(
    plane: &Plane<f32>,
    side: u32,
    contrast_min: f64,
    cancel: &CancelToken,
) -> Result<Vec<(PixelRect, StraightEdge)>, Cancelled> {
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
        .filter_map(|&rect| edge_strength(plane, rect, contrast_min).map(|s| (s, rect)))
        .collect();
    cancel.check()?;
    promising.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.1.y0, a.1.x0).cmp(&(b.1.y0, b.1.x0))));
    promising.truncate(EDGES_MAX);
    let found = promising.par_iter().filter_map(|&(_, rect)| Some((rect, straight_edge(plane, rect)?)));
    let found = found.collect();
    cancel.check()?;
    Ok(found)
}

/// The edge in a window, if it is straight and its sides are even.
pub(crate) fn straight_edge(plane: &Plane<f32>, rect: PixelRect) -> Option<StraightEdge> {
    let sfr = slanted_edge(plane, rect).ok()?;
    let good = sfr.stray_px < STRAY_MAX_PX && sfr.unevenness < UNEVENNESS_MAX;
    let mtf50_cy_px = sfr.mtf50_cy_px().filter(|f| good && *f > MTF50_MIN_CY_PX)?;
    Some(StraightEdge { mtf50_cy_px, sfr_overshoot: sfr.overshoot })
}

/// Upper quartile of frequencies of half response, with its standard error and their number; `None` if too few.
pub(crate) fn sharpest(mut found: Vec<f64>) -> Measured {
    let edges = found.len();
    if edges < EDGES_MIN {
        return (None, 0.0, edges as u32);
    }
    found.sort_by(f64::total_cmp);
    // An edge of the scene can only be softer than the scanner, while noise can sharpen a few: use the upper quartile.
    let quantile = |q: f64| found[((edges - 1) as f64 * q).round() as usize];
    let upper = quantile(0.75);
    let spread = (quantile(0.9) - quantile(0.5)).abs() / SIGMA_TO_P90;
    let error = QUARTILE_ERROR * spread.max(LEAST_SPREAD_SHARE * upper) / (edges as f64).sqrt();
    (Some(upper), error, edges as u32)
}

/// Slope energy of a window with one dominant direction, per square pixel.
fn edge_strength(plane: &Plane<f32>, rect: PixelRect, contrast_min: f64) -> Option<f64> {
    let (mut xx, mut yy, mut xy, mut low, mut high) = (0.0, 0.0, 0.0, f32::MAX, f32::MIN);
    for y in rect.y0 + 1..rect.y1 - 1 {
        let (above, here, below) = (plane.row(y - 1), plane.row(y), plane.row(y + 1));
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

/// Power of a tile in a coarse and a fine band.
struct TilePower {
    coarse: f64,
    fine: f64,
    noise: f64,
}

/// Power of unit white noise in the fine band: 2 (1 + 4 + 1). Source: arithmetic, squares of the filter's weights.
const FINE_NOISE: f64 = 12.0;

fn measure_texture(plane: &Plane<f32>, cancel: &CancelToken) -> Result<Measured, FocusError> {
    let tiles: Vec<TilePower> = (0..plane.height() / TILE_PX)
        .flat_map(|j| (0..plane.width() / TILE_PX).map(move |i| (i * TILE_PX, j * TILE_PX)))
        .collect::<Vec<_>>()
        .par_iter()
        .filter(|_| !cancel.is_cancelled())
        .map(|&(x, y)| tile_power(plane, x, y))
        .filter(|t| t.coarse.is_finite() && t.fine.is_finite())
        .collect();
    cancel.check()?;
    if tiles.len() < TILES_MIN {
        return Ok((None, 0.0, tiles.len() as u32));
    }
    // The fifth of the tiles with the least noise sets the noise level: the others hold detail. Our choice.
    let mut noises: Vec<f64> = tiles.iter().map(|t| t.noise).collect();
    noises.sort_by(f64::total_cmp);
    let noise = noises[noises.len() / 5] * FINE_NOISE;
    let mut coarse: Vec<f64> = tiles.iter().map(|t| t.coarse).collect();
    let Some(floor) = glassine_raster::median(&mut coarse, f64::total_cmp) else {
        return Ok((None, 0.0, 0));
    };
    let busy: Vec<&TilePower> =
        tiles.iter().filter(|t| t.coarse >= floor && t.coarse > BUSY_NOISE_FACTOR * noise).collect();
    if busy.len() < TILES_MIN {
        return Ok((None, 0.0, busy.len() as u32));
    }
    // Mean of the tiles' ratios, with its error from leaving out one part in turn (jackknife).
    let ratio = |skip: Option<usize>| {
        let (mut top, mut bottom) = (0.0, 0.0);
        for (_, t) in busy.iter().enumerate().filter(|(i, _)| Some(i % JACKKNIFE_PARTS) != skip) {
            // Tiles have equal weight, whatever their contrast.
            top += (t.fine - noise) / t.coarse;
            bottom += 1.0;
        }
        (f64::max(top, 0.0) / f64::max(bottom, 1.0)).sqrt()
    };
    let all = ratio(None);
    let parts: Vec<f64> = (0..JACKKNIFE_PARTS.min(busy.len())).map(|k| ratio(Some(k))).collect();
    let n = parts.len() as f64;
    let mean = parts.iter().sum::<f64>() / n;
    let error = ((n - 1.0) / n * parts.iter().map(|p| (p - mean).powi(2)).sum::<f64>()).sqrt();
    Ok(((all > 0.0).then_some(all), error, busy.len() as u32))
}

/// Second differences over two pixels (fine, about 0.25 cycles per pixel) and differences of means over eight pixels
/// (coarse), both along rows and columns; and the noise variance, from a filter that only responds in the corner of the
/// spectrum, where no lens shows detail.
///
/// Source of the noise filter: J. Immerkaer, "Fast noise variance estimation", Computer Vision and Image Understanding
/// 64 (1996).
fn tile_power(plane: &Plane<f32>, x0: u32, y0: u32) -> TilePower {
    let at = |x: u32, y: u32| f64::from(plane.at(x0 + x, y0 + y));
    let (mut fine, mut noise, mut n) = (0.0, 0.0, 0.0);
    for y in 2..TILE_PX - 2 {
        for x in 2..TILE_PX - 2 {
            let across = at(x - 2, y) - 2.0 * at(x, y) + at(x + 2, y);
            let down = at(x, y - 2) - 2.0 * at(x, y) + at(x, y + 2);
            let row = |y: u32| at(x - 1, y) - 2.0 * at(x, y) + at(x + 1, y);
            let corner = row(y - 1) - 2.0 * row(y) + row(y + 1);
            fine += across * across + down * down;
            // The squares of the filter's weights sum to 36.
            noise += corner * corner / 36.0;
            n += 1.0;
        }
    }
    let cells = TILE_PX / 8;
    let mean = |i: u32, j: u32| (0..64).map(|k| at(8 * i + k % 8, 8 * j + k / 8)).sum::<f64>() / 64.0;
    let grid: Vec<f64> = (0..cells * cells).map(|k| mean(k % cells, k / cells)).collect();
    let (mut coarse, mut m) = (0.0, 0.0);
    for j in 0..cells as usize {
        for i in 0..cells as usize - 1 {
            let c = cells as usize;
            coarse += (grid[j * c + i + 1] - grid[j * c + i]).powi(2);
            coarse += (grid[(i + 1) * c + j] - grid[i * c + j]).powi(2);
            m += 1.0;
        }
    }
    TilePower {
        coarse: coarse / f64::max(m, 1.0),
        fine: fine / f64::max(n, 1.0),
        noise: noise / f64::max(n, 1.0),
    }
}

/// The measure behind a ranking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FocusBasis {
    /// Slanted edges in every picture.
    Edges,
    /// Texture of the same film in every picture.
    Texture,
}

/// One picture's rank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RankedFocus {
    /// Index into the argument of [`rank_focus`].
    pub index: usize,
    /// The measure ranked by.
    pub score: f64,
    /// Score relative to the best one's, 0..=1.
    pub relative: f64,
    /// Standard error of `relative`.
    pub uncertainty: f64,
    /// Frequency of half response, if edges gave one.
    pub mtf50_cy_px: Option<f64>,
    /// Not distinguishable from the best one: within twice the joint standard error.
    pub ties_with_best: bool,
}

/// Pictures from sharpest to softest.
#[derive(Debug, Clone, PartialEq)]
pub struct FocusRanking {
    /// Sharpest first.
    pub ranking: Vec<RankedFocus>,
    pub basis: FocusBasis,
}

/// Rank pictures of the same film; `None` if they share no measure, or there is nothing to rank.
///
/// Edges decide, unless texture has less than half of their mean relative uncertainty (our choice: edges describe the
/// scanner whatever is on the film).
pub fn rank_focus(measures: &[FocusMeasure]) -> Option<FocusRanking> {
    let edges: Option<Vec<(f64, f64)>> =
        measures.iter().map(|m| m.mtf50_cy_px.map(|s| (s, m.mtf50_error))).collect();
    let texture: Option<Vec<(f64, f64)>> =
        measures.iter().map(|m| m.texture.map(|s| (s, m.texture_error))).collect();
    let doubt =
        |v: &[(f64, f64)]| v.iter().map(|(s, e)| e / s.max(1e-12)).sum::<f64>() / v.len().max(1) as f64;
    let (basis, scores) = match (edges, texture) {
        (Some(e), Some(t)) if doubt(&t) < 0.5 * doubt(&e) => (FocusBasis::Texture, t),
        (Some(e), _) => (FocusBasis::Edges, e),
        (None, Some(t)) => (FocusBasis::Texture, t),
        (None, None) => return None,
    };
    let best = scores.iter().copied().max_by(|a, b| a.0.total_cmp(&b.0))?;
    let mut ranking: Vec<RankedFocus> = scores
        .iter()
        .enumerate()
        .map(|(index, &(score, error))| RankedFocus {
            index,
            score,
            relative: score / best.0,
            uncertainty: error / best.0,
            mtf50_cy_px: measures[index].mtf50_cy_px,
            ties_with_best: best.0 - score <= 2.0 * error.hypot(best.1),
        })
        .collect();
    ranking.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.index.cmp(&b.index)));
    Some(FocusRanking { ranking, basis })
}

impl FocusRanking {
    /// Whether the first is sharper than all others beyond doubt.
    pub fn is_clear(&self) -> bool {
        self.ranking.iter().skip(1).all(|r| !r.ties_with_best)
    }

    /// One sentence for the user; `names` has the order of the argument of [`rank_focus`].
    pub fn verdict(&self, names: &[&str]) -> String {
        let name = |r: &RankedFocus| names.get(r.index).copied().unwrap_or("?").to_owned();
        let Some(first) = self.ranking.first() else { return String::new() };
        if self.ranking.len() == 1 {
            return format!(
                "only {} was measured; add scans at other holder heights to compare",
                name(first)
            );
        }
        let equal: Vec<String> = self.ranking.iter().filter(|r| r.ties_with_best).map(name).collect();
        if self.is_clear() {
            let second = &self.ranking[1];
            let percent = 100.0 * (1.0 - second.relative);
            let doubt = 100.0 * first.uncertainty.hypot(second.uncertainty);
            return format!(
                "{} is sharpest, {percent:.0} % ± {doubt:.0} % ahead of {}",
                name(first),
                name(second)
            );
        }
        if equal.len() == self.ranking.len() {
            return "these scans do not differ measurably in sharpness".to_owned();
        }
        format!("{} cannot be told apart and are the sharpest", equal.join(" and "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_edges::{noisy, step};

    /// A target of slanted squares, blurred by `sigma`, with grain.
    fn target(sigma: f64, noise: f32, seed: u64) -> Plane<f32> {
        let (w, h) = (400_u32, 300_u32);
        let angle = 5.0_f64.to_radians();
        let data = (0..h).flat_map(|y| (0..w).map(move |x| (f64::from(x), f64::from(y)))).map(|(x, y)| {
            let (u, v) = (x * angle.cos() + y * angle.sin(), y * angle.cos() - x * angle.sin());
            let wave = |t: f64| {
                let p = (t / 100.0).rem_euclid(1.0) * 100.0;
                step((p - 25.0) / sigma) - step((p - 75.0) / sigma)
            };
            (0.2 + 0.6 * wave(u) * wave(v)) as f32
        });
        noisy(&Plane::from_vec(w, h, data.collect()).expect("length fits"), noise, seed)
    }

    /// Texture at many scales, blurred by `sigma` (each wave is damped by its own response).
    fn texture(sigma: f64, noise: f32, seed: u64) -> Plane<f32> {
        let (w, h) = (384_u32, 320_u32);
        let data = (0..h).flat_map(|y| (0..w).map(move |x| (f64::from(x), f64::from(y)))).map(|(x, y)| {
            let mut sum = 0.0;
            for k in 0..14 {
                let f = 0.012 * 1.32_f64.powi(k);
                let turn = 2.4 * f64::from(k);
                let phase = std::f64::consts::TAU * f * (x * turn.cos() + y * turn.sin()) + f64::from(k * k);
                let damped = (-2.0 * (std::f64::consts::PI * sigma * f).powi(2)).exp();
                sum += damped * phase.sin() / (1.0 + 20.0 * f);
            }
            (0.4 + 0.05 * sum) as f32
        });
        noisy(&Plane::from_vec(w, h, data.collect()).expect("length fits"), noise, seed)
    }

    fn measure(plane: &Plane<f32>) -> FocusMeasure {
        measure_focus(plane, &CancelToken::new()).expect("detail")
    }

    #[test]
    fn edges_give_the_right_response_and_the_right_order() {
        let sigmas = [1.4, 0.8, 1.0, 2.0];
        let measures = sigmas.map(|s| measure(&target(s, 0.004, 3)));
        for (sigma, m) in sigmas.iter().zip(&measures) {
            // Point-sampled edge: the Gaussian alone, half response at sqrt(ln 2 / 2) / (pi sigma).
            let expect = (std::f64::consts::LN_2 / 2.0).sqrt() / (std::f64::consts::PI * sigma);
            let got = m.mtf50_cy_px.expect("many edges");
            assert!(
                (got / expect - 1.0).abs() < 0.06,
                "sigma {sigma}: {got} against {expect}, {} edges",
                m.edges
            );
        }
        let ranking = rank_focus(&measures).expect("edges in all");
        let order: Vec<usize> = ranking.ranking.iter().map(|r| r.index).collect();
        assert_eq!((ranking.basis, order), (FocusBasis::Edges, vec![1, 2, 0, 3]));
        assert!(ranking.is_clear());
        assert!(ranking.verdict(&["a", "b", "c", "d"]).starts_with("b is sharpest"));
    }

    #[test]
    fn texture_ranks_scans_of_the_same_film_despite_noise() {
        let sigmas = [1.2, 0.7, 0.9, 1.6];
        let measures: Vec<FocusMeasure> =
            sigmas.iter().enumerate().map(|(i, s)| measure(&texture(*s, 0.004, i as u64))).collect();
        let ranking = rank_focus(&measures).expect("texture in all");
        let order: Vec<usize> = ranking.ranking.iter().map(|r| r.index).collect();
        assert_eq!((ranking.basis, order), (FocusBasis::Texture, vec![1, 2, 0, 3]));
    }

    #[test]
    fn scans_of_equal_sharpness_are_not_told_apart() {
        let measures = [1_u64, 2, 3].map(|seed| measure(&target(1.0, 0.01, seed)));
        let ranking = rank_focus(&measures).expect("edges in all");
        assert!(ranking.ranking.iter().all(|r| r.ties_with_best), "{ranking:?}");
        assert_eq!(ranking.verdict(&["a", "b", "c"]), "these scans do not differ measurably in sharpness");
    }

    #[test]
    fn pictures_without_detail_are_refused() {
        let cancel = CancelToken::new();
        let flat = Plane::filled(200, 200, 0.3_f32);
        assert_eq!(measure_focus(&flat, &cancel), Err(FocusError::NoDetail));
        let small = Plane::filled(60, 200, 0.3_f32);
        assert!(matches!(measure_focus(&small, &cancel), Err(FocusError::TooSmall { .. })));
        assert!(measure_focus(&Plane::filled(200, 200, f32::NAN), &cancel).is_err());
        assert_eq!(rank_focus(&[]), None);
        cancel.cancel();
        assert_eq!(measure_focus(&target(1.0, 0.0, 1), &cancel), Err(FocusError::Cancelled(Cancelled)));
    }
}
