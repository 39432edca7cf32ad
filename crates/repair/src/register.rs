//! Aligns the infrared picture with the visible one to a fraction of a pixel.
//!
//! Only defects, film edges and the little image that leaks through the dyes are common to both pictures.
//! So the infrared plane alone chooses the marks (everything that stands out of its noise), and the visible picture is
//! searched near them:
//! 1. both pictures are high-passed in density and clipped, so that no single edge decides;
//! 2. their normalised cross-correlation over whole-pixel shifts gives the approximate shift and, from the next best
//!    peak, how far it can be trusted;
//! 3. Gauss-Newton steps on the least-squares match refine it (Lucas & Kanade 1981), with the gradient taken from the
//!    quiet infrared side so that the scene's texture does not pull the result;
//! 4. the same refinement in each part of the region shows scale, rotation and the remaining disagreement.
//!
//! Sources: B. D. Lucas, T. Kanade, "An iterative image registration technique with an application to stereo vision",
//! IJCAI 1981; normalised cross-correlation is general practice.

use glassine_raster::{CancelToken, PixelRect, Plane, Samples16};
use rayon::prelude::*;

use crate::density::{block_medians, smooth_background};
use crate::film_blocks::{check_signal, check_size, film_blocks};
use crate::marks::{CELL_PX, Cell, Kind, Mark, MarkRule, Rank, defect_ratio, infrared_noise, rank_cells};
use crate::region::Region;
use crate::robust::{Normal, median_in_place, robust_fit};
use crate::types::{DustError, Refusal, Registration};

/// Largest number of cells: those with the most marks, spread over the region. Our choice: bounds time.
const CELLS_MAX: usize = 64;
/// Search range in pixels: the first, and the second if the first result is not convincing. Our choice: one pass of a
/// scanner, then two passes; wider searches find chance.
const SEARCH_PX: [i32; 2] = [10, 36];
/// Marks exceed the infrared noise by this factor. Our choice.
const MARK_SIGMA: f32 = 6.0;
/// Fewer marks than this are not enough. Our choice.
const MARKS_MIN: u32 = 24;
/// Lowest confidence of an accepted registration. Our choice, not calibrated: lower accepts chance, higher refuses
/// clean frames.
pub(crate) const CONFIDENCE_MIN: f32 = 0.25;

/// Finds the position of the infrared picture relative to the visible one.
///
/// `linear` holds linear 16-bit codes, the infrared sample last. Refuses when the two cannot be matched with certainty.
/// `film_base_d` is that of [`DustOptions`](crate::DustOptions::film_base_d). When nothing stands out in the infrared,
/// the result is [`Registration::ALIGNED`] with confidence 0.
pub fn register(
    linear: &Samples16,
    colour_channels: u8,
    film_base_d: Option<[f64; 3]>,
) -> Result<Registration, Refusal> {
    let cancel = CancelToken::new();
    let whole = PixelRect::of_size(linear.width(), linear.height());
    let region = Region::new(linear, whole, &cancel);
    let colours = colour_channels.min(3);
    check_size(&region, colours)?;
    match of_samples(&region, linear, colours, film_base_d).map_err(DustError::into_refusal)? {
        Outcome::Found(registration) => Ok(registration),
        Outcome::NoMarks => Ok(Registration { confidence: 0.0, ..Registration::ALIGNED }),
        Outcome::Uncertain { confidence, marks } => {
            Err(Refusal::RegistrationUncertain { confidence, features: marks })
        }
    }
}

/// Side of the parts in which a large region is examined. Our choice: bounds memory.
const PART_PX: u32 = 2048;
/// Largest number of parts, and the confidence that ends the search. Our choice.
const PARTS_MAX: usize = 6;
const SURE: f32 = 0.7;

/// Registration of a region of any size: the most confident of a few parts, from the middle outwards.
pub(crate) fn of_region(
    region: &Region<'_>,
    colours: u8,
    film_base_d: Option<[f64; 3]>,
) -> Result<Outcome, DustError> {
    let (w, h) = (region.width(), region.height());
    let cut = |n: u32| -> Vec<(u32, u32)> {
        let pieces = n.div_ceil(PART_PX).max(1);
        let edge = |k: u32| (u64::from(n) * u64::from(k) / u64::from(pieces)) as u32;
        (0..pieces).map(|k| (edge(k), edge(k + 1))).collect()
    };
    let mut parts: Vec<PixelRect> = cut(h)
        .into_iter()
        .flat_map(|(y0, y1)| cut(w).into_iter().map(move |(x0, x1)| PixelRect::new(x0, y0, x1, y1)))
        .collect();
    let off = |p: &PixelRect| (p.x0 + p.x1).abs_diff(w).pow(2) / 4 + (p.y0 + p.y1).abs_diff(h).pow(2) / 4;
    parts.sort_by_key(|p| (off(p), p.y0, p.x0));
    let mut best = Outcome::NoMarks;
    for part in parts.into_iter().take(PARTS_MAX) {
        let middle = |a: u32, b: u32, n: u32| (f64::from(n) - f64::from(a) - f64::from(b)) / 2.0;
        let to_middle = [middle(part.x0, part.x1, w), middle(part.y0, part.y1, h)];
        let outcome = match of_part(&region.part(part), colours, film_base_d) {
            Ok(Outcome::Found(r)) => Outcome::Found(r.about(to_middle)),
            Ok(other) => other,
            // For example a part of the holder, where the infrared is black; other parts may still succeed.
            Err(DustError::Refused(
                Refusal::TooSmall { .. } | Refusal::InfraredUnusable { .. } | Refusal::SilverFilm { .. },
            )) => Outcome::NoMarks,
            Err(error) => return Err(error),
        };
        if outcome.weight() > best.weight() {
            best = outcome;
        }
        if matches!(best, Outcome::Found(r) if r.confidence >= SURE) {
            break;
        }
    }
    Ok(best)
}

/// Registers one part, which is in memory only meanwhile.
fn of_part(region: &Region<'_>, colours: u8, film_base_d: Option<[f64; 3]>) -> Result<Outcome, DustError> {
    check_size(region, colours)?;
    of_samples(region, &region.read(region.whole())?, colours, film_base_d)
}

/// Registers a region of sufficient size from samples in memory.
fn of_samples(
    region: &Region<'_>,
    linear: &Samples16,
    colours: u8,
    film_base_d: Option<[f64; 3]>,
) -> Result<Outcome, DustError> {
    let blocks = block_medians(&region.held(linear), colours)?;
    check_signal(&blocks)?;
    let film = film_blocks(&blocks.medians, film_base_d);
    let first = crate::leakage::from_blocks(&blocks.medians, &film);
    let background = smooth_background(&blocks.medians[colours as usize], &film);
    Ok(find(linear, colours, &background, &film, first.leakage.strength))
}

#[derive(Debug, Clone, Copy)]
pub(crate) enum Outcome {
    Found(Registration),
    /// Nothing stands out in the infrared plane, so there is no defect either.
    NoMarks,
    Uncertain {
        confidence: f32,
        marks: u32,
    },
}

impl Outcome {
    /// Rank for comparison: prefer a result over an uncertain one over none.
    fn weight(&self) -> f32 {
        match self {
            Self::Found(r) => 2.0 + r.confidence,
            Self::Uncertain { confidence, .. } => 1.0 + confidence,
            Self::NoMarks => 0.0,
        }
    }
}

/// Searches against a known infrared background; `film` says which blocks show film.
///
/// Defects decide if there are enough of them; only a picture without defects is matched by its leaked image.
///
/// `leakage_strength` is the infrared density per visible density, as far as it is known.
pub(crate) fn find(
    linear: &Samples16,
    colours: u8,
    background: &Plane<f32>,
    film: &[bool],
    leakage_strength: f64,
) -> Outcome {
    let rule = MarkRule {
        // No less than the lowest threshold of `residual.rs`.
        threshold_d: (MARK_SIGMA * infrared_noise(linear, background, film)).max(0.006),
        defect_ratio: defect_ratio(leakage_strength),
    };
    let mut ranked = rank_cells(linear, colours, background, film, rule);
    let marks: u32 = ranked.iter().map(|c| c.defects + c.image).sum();
    let mut best = 0.0_f32;
    for kind in [Kind::Defect, Kind::Image, Kind::Any] {
        let count = |c: &Rank| match kind {
            Kind::Defect => c.defects,
            Kind::Image => c.image,
            Kind::Any => c.defects + c.image,
        };
        if ranked.iter().map(count).sum::<u32>() < MARKS_MIN {
            continue;
        }
        ranked.sort_by_key(|c| (std::cmp::Reverse(count(c)), c.y0, c.x0));
        for reach in SEARCH_PX {
            let cells: Vec<Cell> = ranked
                .iter()
                .filter(|c| count(c) > 0)
                .take(CELLS_MAX)
                .collect::<Vec<_>>()
                .into_par_iter()
                .map(|c| Cell::read(linear, colours, c, reach, rule, kind))
                .collect();
            if cells.iter().map(|c| c.marks.len()).sum::<usize>() < 2 * MARKS_MIN as usize {
                continue;
            }
            let surface = Correlation::over(&cells, reach);
            let (peak, height, ratio) = surface.peak();
            let Some((fit, parts)) = refine(&cells, peak, linear.width(), linear.height()) else { continue };
            // Our choice: a disagreement of 0.7 px halves the trust, three parts give all of it.
            // Agreement between parts is evidence; a single part cannot disagree with itself.
            let agreement =
                (1.0 / (1.0 + (fit.residual_px / 0.7).powi(2))) as f32 * (parts as f32 / 3.0).clamp(0.5, 1.0);
            // Either no other shift fits nearly as well, or the leaked image matches the visible one closely in shape.
            // Edges repeat along themselves, so in that case the next best peak says little. Our choice of ramps, not
            // calibrated.
            let unique = (1.6 * ratio).min(1.0) * ((height - 0.2) / 0.3).clamp(0.0, 1.0);
            let alike = if kind == Kind::Image && parts >= 3 { (height - 0.5) / 0.4 } else { 0.0 };
            let confidence = unique.max(alike.clamp(0.0, 1.0)) * agreement;
            best = best.max(confidence);
            if confidence >= CONFIDENCE_MIN {
                return Outcome::Found(Registration { confidence, ..fit });
            }
        }
    }
    if marks < MARKS_MIN { Outcome::NoMarks } else { Outcome::Uncertain { confidence: best, marks } }
}

/// Normalised cross-correlation over whole-pixel shifts.
struct Correlation {
    reach: i32,
    score: Vec<f32>,
}

impl Correlation {
    fn over(cells: &[Cell], reach: i32) -> Self {
        let side = (2 * reach + 1) as usize;
        let parts: Vec<Vec<(f64, f64)>> = cells
            .par_iter()
            .map(|cell| {
                let mut sums = vec![(0.0_f64, 0.0_f64); side * side];
                for sy in -reach..=reach {
                    for sx in -reach..=reach {
                        let (mut ev, mut vv) = (0.0_f32, 0.0_f32);
                        for m in &cell.marks {
                            let v = cell.visible.at((m.x - sx + reach) as u32, (m.y - sy + reach) as u32);
                            ev += m.weight * m.infrared_d * v;
                            vv += m.weight * v * v;
                        }
                        sums[((sy + reach) as usize) * side + (sx + reach) as usize] =
                            (f64::from(ev), f64::from(vv));
                    }
                }
                sums
            })
            .collect();
        let ee: f64 = cells
            .iter()
            .flat_map(|c| &c.marks)
            .map(|m| f64::from(m.weight * m.infrared_d * m.infrared_d))
            .sum();
        let score = (0..side * side)
            .map(|i| {
                let ev: f64 = parts.iter().map(|p| p[i].0).sum();
                let vv: f64 = parts.iter().map(|p| p[i].1).sum();
                (ev / (ee * vv).sqrt().max(1e-12)) as f32
            })
            .collect();
        Self { reach, score }
    }

    /// Best shift, its correlation, and how far it exceeds the best one elsewhere (0..1).
    fn peak(&self) -> ([i32; 2], f32, f32) {
        let side = 2 * self.reach + 1;
        let shift = |i: usize| [i as i32 % side - self.reach, i as i32 / side - self.reach];
        let top = (0..self.score.len()).max_by(|&a, &b| self.score[a].total_cmp(&self.score[b])).unwrap_or(0);
        let best = shift(top);
        let mut second = 0.0_f32;
        for (i, &s) in self.score.iter().enumerate() {
            let at = shift(i);
            if (at[0] - best[0]).abs().max((at[1] - best[1]).abs()) > 4 {
                second = second.max(s);
            }
        }
        let first = self.score.get(top).copied().unwrap_or(0.0);
        (best, first, if first > 0.0 { (1.0 - second / first).clamp(0.0, 1.0) } else { 0.0 })
    }
}

/// Sub-pixel shift of a set of cells from a whole-pixel start: the shift, and its information (per square pixel).
fn gauss_newton(cells: &[&Cell], start: [f64; 2]) -> Option<([f64; 2], f64)> {
    let (mut shift, mut gain, mut sigma) = (start, starting_gain(cells, start), f64::INFINITY);
    let mut information = 0.0;
    for round in 0..12 {
        let mut normal = Normal::<3>::new();
        let mut errors = Vec::new();
        information = 0.0;
        for cell in cells {
            let (wx, wy) = (shift[0].round() as i32, shift[1].round() as i32);
            for &Mark { x, y, weight, .. } in &cell.marks {
                let (qx, qy) = (x - wx, y - wy);
                let (vx, vy) = (qx + cell.reach, qy + cell.reach);
                let last = cell.visible.width() as i32 - 1;
                if !(0..=last).contains(&vx) || !(0..=last).contains(&vy) {
                    continue;
                }
                let Some((e, ex, ey)) =
                    cubic_with_slope(&cell.infrared, f64::from(qx) + shift[0], f64::from(qy) + shift[1])
                else {
                    continue;
                };
                let v = f64::from(cell.visible.at(vx as u32, vy as u32));
                // Dust is dense in both pictures; torn emulsion is dense in one and light in the other.
                if cell.kind == Kind::Defect && v * e < 0.0 {
                    continue;
                }
                let r = v - gain * e;
                errors.push(r.abs() as f32);
                let u = r / (4.685 * sigma);
                if u.abs() >= 1.0 {
                    continue;
                }
                // 0.02 keeps faint marks in (our choice); 4.685 as in `robust.rs`.
                let w = (1.0 - u * u) * (1.0 - u * u) * (f64::from(weight) + 0.02);
                normal.add(&[e, gain * ex, gain * ey], r, w);
                information += w * gain * gain * (ex * ex + ey * ey);
            }
        }
        // Our choice: a thousandth of the information; steps below 0.7 px and 2.5 px in all, as the peak is within one.
        // A long straight scratch gives no information along its length: hold that direction where it is.
        let hold = 1e-3 * information.max(1e-9);
        normal.pull(1, 0.0, hold);
        normal.pull(2, 0.0, hold);
        let step = normal.solve()?;
        gain = (gain + step[0]).clamp(0.02, 200.0);
        for (s, d) in shift.iter_mut().zip(&step[1..]) {
            *s += d.clamp(-0.7, 0.7);
        }
        if (shift[0] - start[0]).abs().max((shift[1] - start[1]).abs()) > 2.5 {
            return None;
        }
        sigma = if round == 0 {
            f64::INFINITY
        } else {
            f64::from(1.4826 * median_in_place(&mut errors)).max(1e-4) * 1.5
        };
        if round > 3 && step[1].abs().max(step[2].abs()) < 1e-4 {
            break;
        }
    }
    Some((shift, information / (sigma * sigma).max(1e-12)))
}

/// Ratio of visible to infrared contrast at a whole-pixel shift.
fn starting_gain(cells: &[&Cell], start: [f64; 2]) -> f64 {
    let (sx, sy) = (start[0].round() as i32, start[1].round() as i32);
    let (mut ev, mut ee) = (0.0_f64, 1e-9_f64);
    for cell in cells {
        let side = cell.visible.width() as i32;
        for &Mark { x, y, infrared_d: e, weight } in &cell.marks {
            let (vx, vy) = (x - sx + cell.reach, y - sy + cell.reach);
            if (0..side).contains(&vx) && (0..side).contains(&vy) {
                ev += f64::from(weight * e * cell.visible.at(vx as u32, vy as u32));
                ee += f64::from(weight * e * e);
            }
        }
    }
    (ev / ee).clamp(0.05, 100.0)
}

/// Catmull-Rom value and slopes of a plane; `None` too close to its edge.
fn cubic_with_slope(plane: &Plane<f32>, x: f64, y: f64) -> Option<(f64, f64, f64)> {
    let (ix, iy) = (x.floor(), y.floor());
    let inside = |i: f64, n: u32| i >= 1.0 && i + 2.0 <= f64::from(n) - 1.0;
    if !inside(ix, plane.width()) || !inside(iy, plane.height()) {
        return None;
    }
    let (wx, dx) = cubic_weights(x - ix);
    let (wy, dy) = cubic_weights(y - iy);
    let mut sums = (0.0, 0.0, 0.0);
    for j in 0..4 {
        for i in 0..4 {
            let v = f64::from(plane.at(ix as u32 + i as u32 - 1, iy as u32 + j as u32 - 1));
            sums.0 += wx[i] * wy[j] * v;
            sums.1 += dx[i] * wy[j] * v;
            sums.2 += wx[i] * dy[j] * v;
        }
    }
    Some(sums)
}

/// Weights of the interpolating cubic and their derivatives.
///
/// Source: R. G. Keys, "Cubic convolution interpolation for digital image processing", IEEE Trans. ASSP 29 (1981),
/// a = -0.5.
pub(crate) fn cubic_weights(t: f64) -> ([f64; 4], [f64; 4]) {
    let (t2, t3) = (t * t, t * t * t);
    (
        [
            -0.5 * t3 + t2 - 0.5 * t,
            1.5 * t3 - 2.5 * t2 + 1.0,
            -1.5 * t3 + 2.0 * t2 + 0.5 * t,
            0.5 * t3 - 0.5 * t2,
        ],
        [-1.5 * t2 + 2.0 * t - 0.5, 4.5 * t2 - 5.0 * t, -4.5 * t2 + 4.0 * t + 0.5, 1.5 * t2 - t],
    )
}

/// Shift of all cells together, scale and rotation if single cells show them, and the number of cells used for that.
fn refine(cells: &[Cell], peak: [i32; 2], width: u32, height: u32) -> Option<(Registration, usize)> {
    let start = peak.map(f64::from);
    let all: Vec<&Cell> = cells.iter().collect();
    let (shift, _) = gauss_newton(&all, start)?;
    let (cx, cy) = ((f64::from(width) - 1.0) / 2.0, (f64::from(height) - 1.0) / 2.0);
    let half = f64::from(CELL_PX) / 2.0;
    let mut local: Vec<(f64, f64, [f64; 2], f64)> = cells
        .par_iter()
        // Fewer marks give a cell no shift of its own. Our choice.
        .filter(|c| c.marks.len() >= 30)
        .filter_map(|c| {
            let (s, information) = gauss_newton(&[c], shift)?;
            // Ignore a part whose own shift is not known to a third of a pixel.
            (information > 2.0 / (0.33 * 0.33)).then_some((
                f64::from(c.x0) + half - cx,
                f64::from(c.y0) + half - cy,
                s,
                information,
            ))
        })
        .collect();
    let mut registration = Registration {
        shift_px: shift,
        scale: 1.0,
        rotation_rad: 0.0,
        confidence: 0.0,
        residual_px: disagreement(&local, |_, _| shift),
    };
    // Our choice: at most four times the typical one.
    // One strong cell must not outvote all others.
    let mut informations: Vec<f32> = local.iter().map(|l| l.3 as f32).collect();
    let typical = f64::from(median_in_place(&mut informations)).max(1e-9);
    for l in &mut local {
        l.3 = (l.3 / typical).min(4.0);
    }
    let reach = local.iter().map(|l| l.0.abs().max(l.1.abs())).fold(0.0, f64::max);
    // Our choice: ten cells across 300 px show scale and turn, if they move the edge by 0.12 px and six errors, and
    // explain a fifth.
    if local.len() >= 10 && reach > 150.0 {
        let rows: Vec<([f64; 4], f64, f64)> = local
            .iter()
            .flat_map(|&(x, y, s, w)| {
                let (u, v) = (x / reach, y / reach);
                [([1.0, 0.0, u, -v], s[0], w), ([0.0, 1.0, v, u], s[1], w)]
            })
            .collect();
        if let Some((fit, sigma)) = robust_fit(&rows, &[shift[0], shift[1], 0.0, 0.0], &[1e-6; 4], 8) {
            let moved = fit[2].hypot(fit[3]);
            let error = sigma.max(0.02) / (rows.len() as f64).sqrt();
            let model = |x: f64, y: f64| {
                let (u, v) = (x / reach, y / reach);
                [fit[0] + fit[2] * u - fit[3] * v, fit[1] + fit[2] * v + fit[3] * u]
            };
            let residual = disagreement(&local, model);
            if moved > 0.12 && moved > 6.0 * error && residual < 0.8 * registration.residual_px {
                let (a, b) = (1.0 + fit[2] / reach, fit[3] / reach);
                registration.shift_px = [fit[0], fit[1]];
                registration.scale = a.hypot(b);
                registration.rotation_rad = b.atan2(a);
                registration.residual_px = residual;
            }
        }
    }
    Some((registration, local.len()))
}

/// Median distance of the cells' own shifts from a model; robust, because a cell full of texture may be wrong.
fn disagreement(local: &[(f64, f64, [f64; 2], f64)], model: impl Fn(f64, f64) -> [f64; 2]) -> f64 {
    let mut errors: Vec<f32> = local
        .iter()
        .map(|&(x, y, s, _)| {
            let m = model(x, y);
            (s[0] - m[0]).hypot(s[1] - m[1]) as f32
        })
        .collect();
    f64::from(median_in_place(&mut errors))
}

/// The common registration of a scan, from those of its frames.
///
/// Infrared and visible were read in one pass, so the shift is common: the confidence-weighted median per coordinate.
/// If the most confident frame shows a clear scale or turn, its registration is returned unchanged. `None` if no
/// frame could be trusted.
pub fn consensus(frames: &[Registration]) -> Option<Registration> {
    let sure: Vec<&Registration> = frames.iter().filter(|r| r.confidence >= CONFIDENCE_MIN).collect();
    let best = sure.iter().copied().max_by(|a, b| a.confidence.total_cmp(&b.confidence))?;
    if !best.is_pure_shift() {
        return Some(*best);
    }
    let middle = |pick: fn(&Registration) -> f64| {
        let mut values: Vec<(f64, f32)> = sure.iter().map(|r| (pick(r), r.confidence)).collect();
        values.sort_by(|a, b| a.0.total_cmp(&b.0));
        let half = values.iter().map(|v| v.1).sum::<f32>() / 2.0;
        let mut below = 0.0;
        values
            .iter()
            .find(|v| {
                below += v.1;
                below >= half
            })
            .map_or_else(|| pick(best), |v| v.0)
    };
    Some(Registration { shift_px: [middle(|r| r.shift_px[0]), middle(|r| r.shift_px[1])], ..*best })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_consensus_of_frames_ignores_a_stray_one() {
        let at = |x: f64, y: f64, confidence| Registration {
            shift_px: [x, y],
            confidence,
            ..Registration::ALIGNED
        };
        let frames = [
            at(0.8, -0.4, 0.9),
            at(0.78, -0.42, 0.8),
            at(9.0, 9.0, 0.3),
            at(0.82, -0.41, 0.9),
            at(-7.0, 3.0, 0.1),
        ];
        let common = consensus(&frames).expect("sure frames");
        assert_eq!(common.shift_px, [0.8, -0.41]);
        assert_eq!(consensus(&frames[4..]), None);
        assert_eq!(consensus(&[]), None);
    }
}
