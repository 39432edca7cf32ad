//! Compares scans of the same film at several holder heights: which is sharpest, by how much, and where.
//!
//! The film is divided into cells. In each, every scan shows the same piece of film, so that scans are compared place by
//! place: by the frequency of half response of the same edges ([`crate::slanted_edge`]), or by the blur that their fine
//! detail differs by ([`crate::detail`]), whichever is told more certainly there. What the film shows, grain and dust
//! on it included, then drops out of the comparison.

use glassine_raster::{CancelToken, Cancelled, Plane, median};
use rayon::prelude::*;

use crate::detail::{TILE_PX, TileSpectra, Transform, blur_difference};
use crate::edges::{EDGE_CONTRAST_MIN, sharpest, straight_edge, straight_edges};
use crate::height::{BestHeight, HeightError, best_height};
use crate::measured::{MAD_SHARE, MEDIAN_ERROR, Measured, TOLD_APART, middle};
use crate::shape::HeightShape;
use crate::suggest::{blur_of_mtf50, mtf50_of_blur};

/// Side of a cell that is compared well. Our choice: 16 tiles; a hundred of them take a second on one core.
pub const CELL_PX: u32 = 256;
/// Fewest tiles of a cell for its detail to count. Our choice: a median needs some.
const TILES_MIN: usize = 4;
/// Frequency at which detail is compared where no edge tells the blur itself, cycles per pixel. Our choice: fine, but
/// within the reach of soft scans.
const DETAIL_CY_PX: f64 = 0.2;
/// Least error of a cell, as a share. Our choice: errors that all scans do not share, such as film that moved.
const CELL_ERROR_MIN: f64 = 0.005;

/// Least change over the film that is told, as a share of the least step between heights. Our choice: a parabola through
/// few heights misplaces the peak of single places by up to a fifth of a step, because details differ.
const TOLD_STEP_SHARE: f64 = 0.25;

/// What a comparison of one place was based on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FocusBasis {
    /// The same slanted edges on every scan.
    Edges,
    /// Fine detail of the same film.
    Detail,
}

/// Why scans could not be compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FocusError {
    #[error("two scans or more are needed to compare them")]
    TooFew,
    /// There is neither an edge nor detail that all scans share.
    #[error("the scans share no edge and no fine detail to judge focus by; choose a frame with detail")]
    NoDetail,
}

/// One cell of the film, measured on every scan in the order of the scans.
#[derive(Debug, Clone, PartialEq)]
pub struct CellFocus {
    /// Middle of the cell, 0 to 1 over the compared part of the film.
    pub at: (f64, f64),
    /// Frequencies of half response with their errors, for each edge one for each scan.
    edges: Vec<Vec<(f64, f64)>>,
    /// Variance of each scan's blur less their mean, px², with its error; empty without enough detail.
    blur_px2: Vec<(f64, f64)>,
    pub tiles: u32,
    /// Light of each scan relative to the first.
    pub gains: Vec<f64>,
}

impl CellFocus {
    /// Measure one piece of film on planes of one size in linear light, which show it at the same place within a pixel.
    pub fn measure(at: (f64, f64), planes: &[Plane<f32>], cancel: &CancelToken) -> Result<Self, Cancelled> {
        let mean = |plane: &Plane<f32>| {
            plane.data().iter().map(|v| f64::from(*v)).sum::<f64>() / plane.data().len().max(1) as f64
        };
        let first = planes.first().map_or(1.0, mean);
        let gains: Vec<f64> = planes.iter().map(|plane| mean(plane) / first.max(1e-9)).collect();
        let (blur_px2, tiles) = blur_differences(planes, &gains, cancel)?;
        Ok(Self { at, edges: shared_edges(planes, &gains, cancel)?, blur_px2, tiles, gains })
    }

    pub fn edges(&self) -> u32 {
        self.edges.len() as u32
    }

    /// Logarithm of each scan's sharpness less their mean, its error, and what it is based on. `blur_px2` is the mean
    /// variance of the scans' blur, if known.
    fn scores(&self, blur_px2: Option<f64>) -> Option<(Vec<(f64, f64)>, FocusBasis)> {
        let by_edges = blur_px2.and_then(|_| edge_scores(&self.edges));
        let by_detail = (!self.blur_px2.is_empty()).then(|| {
            let score = |(off, error): &(f64, f64)| {
                let value = |v: f64| match blur_px2 {
                    Some(mean) => mtf50_of_blur((mean + v).max(0.01).sqrt()).ln(),
                    None => -2.0 * (std::f64::consts::PI * DETAIL_CY_PX).powi(2) * v,
                };
                (value(*off), (0.5 * (value(off + error) - value(off - error))).abs().max(CELL_ERROR_MIN))
            };
            centred(self.blur_px2.iter().map(score).collect())
        });
        let doubt = |scores: &Vec<(f64, f64)>| scores.iter().map(|s| s.1).sum::<f64>();
        match (by_edges, by_detail) {
            (Some(e), Some(d)) if doubt(&d) < doubt(&e) => Some((d, FocusBasis::Detail)),
            (Some(e), _) => Some((e, FocusBasis::Edges)),
            (None, d) => d.map(|d| (d, FocusBasis::Detail)),
        }
    }
}

fn centred(mut scores: Vec<(f64, f64)>) -> Vec<(f64, f64)> {
    let mean = scores.iter().map(|s| s.0).sum::<f64>() / scores.len().max(1) as f64;
    scores.iter_mut().for_each(|s| s.0 -= mean);
    scores
}

/// Mean over the edges of the logarithm of their sharpness, less that of all scans.
fn edge_scores(edges: &[Vec<(f64, f64)>]) -> Option<Vec<(f64, f64)>> {
    let scans = edges.first()?.len();
    let mut sums = vec![(0.0, 0.0); scans];
    for edge in edges {
        let logs: Vec<(f64, f64)> = edge.iter().map(|(f, e)| (f.ln(), e / f)).collect();
        let mean_error = logs.iter().map(|l| l.1 * l.1).sum::<f64>() / scans as f64;
        let weight = 1.0 / mean_error.max(1e-12);
        for (sum, (log, _)) in sums.iter_mut().zip(centred(logs)) {
            sum.0 += weight * log;
            sum.1 += weight;
        }
    }
    Some(
        sums.into_iter()
            .map(|(sum, weight)| (sum / weight, weight.sqrt().recip().max(CELL_ERROR_MIN)))
            .collect(),
    )
}

/// The edges that are straight on every scan, found where the mean of all scans shows them.
fn shared_edges(
    planes: &[Plane<f32>],
    gains: &[f64],
    cancel: &CancelToken,
) -> Result<Vec<Vec<(f64, f64)>>, Cancelled> {
    let Some(first) = planes.first() else { return Ok(Vec::new()) };
    let mut sum = Plane::filled(first.width(), first.height(), 0.0_f32);
    for (plane, gain) in planes.iter().zip(gains) {
        let share = (1.0 / (gain * planes.len() as f64).max(1e-9)) as f32;
        sum.data_mut().iter_mut().zip(plane.data()).for_each(|(sum, value)| *sum += share * value);
    }
    let found = straight_edges(&sum, EDGE_CONTRAST_MIN, cancel)?;
    let measure = |plane: &Plane<f32>, window| {
        straight_edge(plane, window).map(|edge| (edge.mtf50_cy_px, edge.error_cy_px))
    };
    let on_all = |window| planes.iter().map(|plane| measure(plane, window)).collect::<Option<Vec<_>>>();
    Ok(found.into_iter().filter_map(|edge| on_all(edge.window)).collect())
}

/// Variance of each scan's blur less their mean, px², with its error, and the tiles behind it.
fn blur_differences(
    planes: &[Plane<f32>],
    gains: &[f64],
    cancel: &CancelToken,
) -> Result<(Vec<(f64, f64)>, u32), Cancelled> {
    let Some(first) = planes.first() else { return Ok((Vec::new(), 0)) };
    let transform = Transform::new();
    let tiles: Vec<(u32, u32)> = (0..first.height() / TILE_PX)
        .flat_map(|j| (0..first.width() / TILE_PX).map(move |i| (i * TILE_PX, j * TILE_PX)))
        .collect();
    let scans = planes.len();
    let of_tile = |at: &(u32, u32)| -> Option<Vec<f64>> {
        if cancel.is_cancelled() {
            return None;
        }
        let spectra: Vec<TileSpectra> = planes
            .iter()
            .zip(gains)
            .map(|(plane, gain)| transform.of(plane, *at, 1.0 / gain.max(1e-9)))
            .collect();
        // Least squares of all pairs: the mean over the others.
        let mut blur = vec![0.0; scans];
        for a in 0..scans {
            for b in a + 1..scans {
                let difference = blur_difference(&spectra[a], &spectra[b])?;
                blur[a] -= difference / scans as f64;
                blur[b] += difference / scans as f64;
            }
        }
        Some(blur)
    };
    let found: Vec<Vec<f64>> = tiles.par_iter().filter_map(of_tile).collect();
    cancel.check()?;
    if found.len() < TILES_MIN {
        return Ok((Vec::new(), found.len() as u32));
    }
    let of_scan = |scan: usize| {
        let mut values: Vec<f64> = found.iter().map(|blur| blur[scan]).collect();
        let middle = median(&mut values, f64::total_cmp).unwrap_or(0.0);
        let mut off: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
        let spread = median(&mut off, f64::total_cmp).unwrap_or(0.0) / MAD_SHARE;
        (middle, MEDIAN_ERROR * spread / (found.len() as f64).sqrt())
    };
    Ok(((0..scans).map(of_scan).collect(), found.len() as u32))
}

/// Sharpness of one scan over all cells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScanFocus {
    /// Place in the order given.
    pub index: usize,
    /// Sharpness relative to that of the sharpest scan, at most 1: of the frequencies of half response, or of detail at
    /// 0.2 cycles per pixel without edges.
    pub relative: Measured,
    /// Frequency of half response of the sharpest edges, cycles per pixel; `None` with too few edges.
    pub mtf50_cy_px: Option<Measured>,
}

/// One cell of the map.
#[derive(Debug, Clone, PartialEq)]
pub struct CellRank {
    pub at: (f64, f64),
    /// Sharpness of each scan relative to their mean there, as logarithms.
    pub scores: Vec<Measured>,
    pub basis: FocusBasis,
    /// The sharpest scan there, and whether no other may be.
    pub best: usize,
    pub is_clear: bool,
    /// The best height there, with the bend that all cells have in common.
    pub best_height_mm: Option<Measured>,
}

/// The comparison of a series of scans.
#[derive(Debug, Clone, PartialEq)]
pub struct FocusSeries {
    /// Sharpest first.
    pub ranking: Vec<ScanFocus>,
    /// Sharpness of each scan less that of the next in the ranking, as logarithms; and that of the first less the last.
    pub steps: Vec<Measured>,
    pub ends: Measured,
    pub cells: Vec<CellRank>,
    /// Edges on all scans, and tiles of detail.
    pub edges: u32,
    pub tiles: u32,
    /// Light of each scan relative to the first, median over the cells.
    pub gains: Vec<f64>,
    /// Best height, if heights were given.
    pub best_height: Option<Result<BestHeight, HeightError>>,
    pub shape: Option<HeightShape>,
}

impl FocusSeries {
    /// Rank scans by their cells. `heights_mm` has one height for each scan, or is empty.
    pub fn of(cells: &[CellFocus], heights_mm: &[f64]) -> Result<Self, FocusError> {
        let scans = cells.first().map_or(0, |cell| cell.gains.len());
        if scans < 2 {
            return Err(FocusError::TooFew);
        }
        let mtf50 = absolute(cells, scans);
        let blur_px2 = mtf50.as_ref().map(|found| {
            found.iter().map(|m| blur_of_mtf50(m.value).powi(2)).sum::<f64>() / found.len() as f64
        });
        let scored: Vec<CellRank> = cells
            .iter()
            .filter_map(|cell| Some((cell.at, cell.scores(blur_px2)?)))
            .map(|(at, (scores, basis))| rank_cell(at, &scores, basis))
            .collect();
        if scored.is_empty() {
            return Err(FocusError::NoDetail);
        }
        let means: Vec<Measured> =
            (0..scans).map(|scan| mean_over(&scored, |cell| cell.scores[scan])).collect();
        let mut order: Vec<usize> = (0..scans).collect();
        order.sort_by(|a, b| means[*b].value.total_cmp(&means[*a].value).then(a.cmp(b)));
        let lead = |a: usize, b: usize| mean_over(&scored, |cell| difference(&cell.scores, a, b));
        let best = order[0];
        let ranking = order.iter().map(|index| {
            let behind = if *index == best {
                Measured { value: 0.0, error: means[best].error }
            } else {
                lead(best, *index)
            };
            // The sharpest on the mean may be behind by a little where each cell counts by its lead.
            let relative = (-behind.value.max(0.0)).exp();
            ScanFocus {
                index: *index,
                relative: Measured { value: relative, error: relative * behind.error },
                mtf50_cy_px: mtf50.as_ref().map(|found| found[*index]),
            }
        });
        let mut series = Self {
            ranking: ranking.collect(),
            steps: order.windows(2).map(|pair| lead(pair[0], pair[1])).collect(),
            ends: lead(best, order[scans - 1]),
            edges: cells.iter().map(CellFocus::edges).sum(),
            tiles: cells.iter().map(|cell| cell.tiles).sum(),
            gains: (0..scans).map(|scan| middle(cells.iter().map(|cell| cell.gains[scan]))).collect(),
            cells: scored,
            best_height: None,
            shape: None,
        };
        if heights_mm.len() == scans {
            series.find_heights(&means, heights_mm);
        }
        Ok(series)
    }

    /// Best height of the film and of its cells.
    fn find_heights(&mut self, means: &[Measured], heights_mm: &[f64]) {
        let points: Vec<_> = heights_mm.iter().zip(means).map(|(h, m)| (*h, m.value, m.error)).collect();
        let best = best_height(&points);
        self.best_height = Some(best);
        let Ok(best) = best else { return };
        // Each cell's parabola has the bend of all of them: its tilt moves the peak.
        let middle_mm = heights_mm.iter().sum::<f64>() / heights_mm.len() as f64;
        for cell in &mut self.cells {
            let (mut sx, mut sxx, mut error) = (0.0, 0.0, 0.0);
            for ((height, score), mean) in heights_mm.iter().zip(&cell.scores).zip(means) {
                let h = height - middle_mm;
                sx += h * (score.value - mean.value);
                sxx += h * h;
                error += h * h * score.error * score.error;
            }
            let per_tilt = -1.0 / (2.0 * best.bend_per_mm2);
            cell.best_height_mm = Some(Measured {
                value: best.height_mm + per_tilt * sx / sxx,
                error: (per_tilt * error.sqrt() / sxx).abs(),
            });
        }
        let heights = self.cells.iter().filter_map(|cell| Some((cell.at, cell.best_height_mm?)));
        let mut sorted = heights_mm.to_vec();
        sorted.sort_by(f64::total_cmp);
        let step_mm = sorted.windows(2).map(|pair| pair[1] - pair[0]).fold(f64::MAX, f64::min);
        self.shape = HeightShape::of(heights, TOLD_STEP_SHARE * step_mm);
    }

    /// The answer in words; `names` has the order of the scans.
    pub fn verdict(&self, names: &[&str]) -> String {
        let name = |place: usize| {
            self.ranking.get(place).and_then(|scan| names.get(scan.index)).copied().unwrap_or("?").to_owned()
        };
        let is_told = |step: &Measured| step.value > TOLD_APART * step.error;
        if !self.steps.iter().any(is_told) && !is_told(&self.ends) {
            return "these scans cannot be told apart in sharpness".to_owned();
        }
        let says = |a: usize, b: usize, step: &Measured| {
            if is_told(step) {
                format!("{} is sharper than {} by {}", name(a), name(b), percent_text(*step))
            } else {
                format!("{} and {} cannot be told apart", name(a), name(b))
            }
        };
        let mut parts: Vec<String> =
            self.steps.iter().enumerate().map(|(place, step)| says(place, place + 1, step)).collect();
        if self.steps.len() > 1 && !self.steps.iter().any(is_told) {
            parts.push(says(0, self.steps.len(), &self.ends));
        }
        parts.join("; ")
    }
}

/// A difference of logarithms in percent.
pub fn percent_text(step: Measured) -> String {
    let percent = |v: f64| 100.0 * v.exp_m1();
    let error = 100.0 * step.error * step.value.exp();
    let decimals = usize::from(error < 1.0);
    format!("{:.decimals$} % ± {:.decimals$} %", percent(step.value), error.max(0.1))
}

/// Frequencies of half response of each scan over the edges that are sharp on all of them.
fn absolute(cells: &[CellFocus], scans: usize) -> Option<Vec<Measured>> {
    let edges: Vec<&Vec<(f64, f64)>> = cells.iter().flat_map(|cell| &cell.edges).collect();
    let joint: Vec<(f64, f64)> = edges
        .iter()
        .map(|edge| {
            let n = scans as f64;
            let log = edge.iter().map(|(f, _)| f.ln()).sum::<f64>() / n;
            let error = edge.iter().map(|(f, e)| (e / f).powi(2)).sum::<f64>().sqrt() / n;
            (log.exp(), log.exp() * error)
        })
        .collect();
    let (_, kept) = sharpest(&joint)?;
    let of_scan = |scan: usize| {
        let values: Vec<(f64, f64)> = kept.iter().map(|edge| edges[*edge][scan]).collect();
        let weight = |(f, e): &(f64, f64)| 1.0 / (e * e + (0.01 * f).powi(2));
        let sum: f64 = values.iter().map(weight).sum();
        let mean = values.iter().map(|v| weight(v) * v.0).sum::<f64>() / sum;
        let off = values.iter().map(|v| weight(v) * (v.0 - mean).powi(2)).sum::<f64>() / sum;
        Measured { value: mean, error: (1.0 / sum).max(off / values.len() as f64).sqrt() }
    };
    Some((0..scans).map(of_scan).collect())
}

fn difference(scores: &[Measured], a: usize, b: usize) -> Measured {
    Measured { value: scores[a].value - scores[b].value, error: scores[a].error.hypot(scores[b].error) }
}

fn rank_cell(at: (f64, f64), scores: &[(f64, f64)], basis: FocusBasis) -> CellRank {
    let scores: Vec<Measured> =
        scores.iter().map(|(value, error)| Measured { value: *value, error: *error }).collect();
    let best = (0..scores.len()).max_by(|a, b| scores[*a].value.total_cmp(&scores[*b].value)).unwrap_or(0);
    let is_behind = |other: usize| {
        let lead = difference(&scores, best, other);
        other == best || lead.value > TOLD_APART * lead.error
    };
    let is_clear = (0..scores.len()).all(is_behind);
    CellRank { at, scores, basis, best, is_clear, best_height_mm: None }
}

/// Mean of a value over cells, weighted by its errors and by how much it differs between cells beyond them.
fn mean_over(cells: &[CellRank], value: impl Fn(&CellRank) -> Measured) -> Measured {
    let values: Vec<Measured> = cells.iter().map(value).collect();
    let centre = middle(values.iter().map(|m| m.value));
    let spread = middle(values.iter().map(|m| (m.value - centre).abs())) / MAD_SHARE;
    let noise = middle(values.iter().map(|m| m.error));
    let between = (spread * spread - noise * noise).max(0.0);
    // A cell far off the others, such as one with dust on one scan, counts as its distance allows.
    let weight = |m: &Measured| {
        let own = m.error * m.error + between;
        let off = (m.value - centre).abs() / own.sqrt().max(1e-12);
        (3.0 / off.max(3.0)) / own.max(1e-12)
    };
    let sum: f64 = values.iter().map(weight).sum();
    Measured {
        value: values.iter().map(|m| weight(m) * m.value).sum::<f64>() / sum,
        error: (1.0 / sum).sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use glassine_testdata::scenes::{Scene, with_scanner_noise};

    use super::*;

    fn cells(planes: &[Plane<f32>]) -> Vec<CellFocus> {
        let (w, h) = (planes[0].width(), planes[0].height());
        let (columns, rows) = (w / CELL_PX, h / CELL_PX);
        let cut = |plane: &Plane<f32>, i: u32, j: u32| {
            let rows = (j * CELL_PX..(j + 1) * CELL_PX)
                .flat_map(|y| plane.row(y)[(i * CELL_PX) as usize..][..CELL_PX as usize].to_vec());
            Plane::from_vec(CELL_PX, CELL_PX, rows.collect()).expect("length fits")
        };
        (0..rows)
            .flat_map(|j| (0..columns).map(move |i| (i, j)))
            .map(|(i, j)| {
                let parts: Vec<Plane<f32>> = planes.iter().map(|plane| cut(plane, i, j)).collect();
                let at = ((f64::from(i) + 0.5) / f64::from(columns), (f64::from(j) + 0.5) / f64::from(rows));
                CellFocus::measure(at, &parts, &CancelToken::new()).expect("not cancelled")
            })
            .collect()
    }

    /// A film with grain and dust, scanned at blurs with noise, dust and exposure of each scan's own, moved by a pixel.
    fn scans(seed: u64, blurs: &[f64]) -> Vec<Plane<f32>> {
        let film = Scene::random(seed, (772, 516)).with_film_grain(0.02, seed + 1).with_dust(60, seed + 2);
        let scan = |(nth, blur): (usize, &f64)| {
            let own = seed + 10 + nth as u64;
            let seen = film.clone().with_dust(10, own).seen(|_, _| *blur, (nth as u32 % 2, nth as u32 / 2));
            let seen = with_scanner_noise(&seen, 0.004, own + 50);
            let exposed = seen.data().iter().map(|v| v * (1.0 - 0.1 * nth as f32)).collect();
            Plane::from_vec(seen.width(), seen.height(), exposed).expect("length fits")
        };
        blurs.iter().enumerate().map(scan).collect()
    }

    #[test]
    fn random_scenes_at_three_heights_are_ranked_with_their_response() {
        for (seed, blurs) in [(1, [1.2, 0.8, 1.0]), (20, [1.0, 1.05, 1.4]), (40, [2.0, 1.6, 1.8])] {
            let planes = scans(100 * seed, &blurs);
            let series = FocusSeries::of(&cells(&planes), &[]).expect("detail");
            let mut order: Vec<usize> = vec![0, 1, 2];
            order.sort_by(|a, b| blurs[*a].total_cmp(&blurs[*b]));
            let found: Vec<usize> = series.ranking.iter().map(|scan| scan.index).collect();
            let verdict = series.verdict(&["a", "b", "c"]);
            assert!(found == order && !verdict.contains("apart"), "{verdict}");
            let best = mtf50_of_blur(blurs[order[0]]);
            for scan in &series.ranking {
                let truth = mtf50_of_blur(blurs[scan.index]);
                let got = scan.mtf50_cy_px.expect("edges").value;
                let relative = scan.relative.value;
                assert!((got / truth - 1.0).abs() < 0.025, "{got} of {truth}");
                assert!((relative * best / truth - 1.0).abs() < 0.025, "{relative} of {}", truth / best);
            }
        }
    }

    #[test]
    fn scans_of_equal_sharpness_are_not_told_apart() {
        let series = FocusSeries::of(&cells(&scans(7, &[1.0, 1.0, 1.0])), &[]).expect("detail");
        assert_eq!(series.verdict(&["a", "b", "c"]), "these scans cannot be told apart in sharpness");
        let is_tied = |scan: &ScanFocus| (1.0 - scan.relative.value) <= TOLD_APART * scan.relative.error;
        assert!(series.ranking.iter().all(is_tied), "{:?}", series.ranking);
    }

    #[test]
    fn a_tilted_film_shows_as_heights_that_change_over_it() {
        let heights_mm = [-0.5, 0.0, 0.5];
        let film = Scene::random(11, (1024, 512)).with_film_grain(0.02, 12);
        // The right side is sharpest 0.4 mm higher than the left.
        let blur = |height: f64| move |u: f64, _: f64| 0.7 + 1.2 * (height - 0.4 * (u - 0.5)).powi(2);
        let planes: Vec<Plane<f32>> = heights_mm
            .iter()
            .map(|height| with_scanner_noise(&film.seen(blur(*height), (0, 0)), 0.003, height.to_bits()))
            .collect();
        let series = FocusSeries::of(&cells(&planes), &heights_mm).expect("detail");
        let best = series.best_height.expect("heights").expect("a peak");
        assert!(best.height_mm.abs() < 0.05, "{best:?}");
        let shape = series.shape.expect("cells");
        let (across, down) = (shape.across_mm.expect("four columns"), shape.down_mm.expect("two rows"));
        assert!((across.value - 0.4).abs() < 0.1 && down.value.abs() < 0.1, "{shape:?}");
        let words = shape.verdict().expect("tilted");
        assert!(words.contains("the right side is in focus 0."), "{words}");
    }

    #[test]
    fn scans_without_anything_in_common_are_refused() {
        let flat = vec![Plane::filled(CELL_PX, CELL_PX, 0.3_f32); 2];
        assert_eq!(FocusSeries::of(&cells(&flat), &[]), Err(FocusError::NoDetail));
        assert_eq!(FocusSeries::of(&cells(&flat[..1]), &[]), Err(FocusError::TooFew));
        let broken = vec![Plane::filled(CELL_PX, CELL_PX, f32::NAN); 2];
        assert_eq!(FocusSeries::of(&cells(&broken), &[]), Err(FocusError::NoDetail));
    }
}
