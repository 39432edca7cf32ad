//! Learns from the defects of the frame how much visible light a defect takes.
//!
//! Infrared and visible pictures see the same particle through different optics: a little softer, a fraction of a pixel
//! apart, and with another opacity. Where the surrounding picture is smooth, the visible loss of a defect can be
//! measured directly. A robust fit of that loss on the infrared loss and its derivatives gives gain, remaining shift
//! and remaining blur of every channel at once. The same terms then predict the loss everywhere, also over texture.
//!
//! Sources: gain between records found by correlation over the picture before the defect is divided out: US 6,442,301
//! (published 2002, term ended); derivatives as first-order terms of shift and blur: Taylor's theorem.

use std::collections::BTreeMap;

use glassine_raster::{PixelRect, Samples16};
use rayon::prelude::*;

use crate::density::density_d;
use crate::label::Component;
use crate::region::Region;
use crate::residual::{BESIDE_DEFECT, Near, Residual};
use crate::robust::{Normal, dot, median_in_place, robust_fit};
use crate::types::{ChannelResponse, DustClass, DustError, DustMap, Mark};

/// Largest number of pixels for the fit, and the rows read together for them. Our choice: bounds time; five unknowns
/// need no more.
const PIXELS_MAX: usize = 4_000;
const PIECE_ROWS: u32 = 64;
/// Smallest number of pieces used from a frame full of dust. Our choice.
const PIECES_MIN: usize = 8;
/// Half side of the window in which the undisturbed picture is approximated by a plane. Our choice: wider than a speck,
/// narrow enough for a plane.
pub(crate) const PLANE_PX: i32 = 6;
/// A window must contain this many clean pixels. Our choice: a quarter of the window.
const CLEAN_MIN: usize = 40;
/// Weight of the prior (gain 1, nothing else), in pixels. Our choice: more keeps the prior on frames with little dust,
/// less fits their noise.
const PRIOR_PX: f64 = 20.0;

/// Above the first visible loss a pixel is part of a defect's core; below the second it is part only beside a core. Our
/// choice: 0.013 D, what the eye sees in a print, and half of it.
const CORE_LOSS: f64 = 0.03;
const SKIRT_LOSS: f64 = 0.015;

/// Terms of the prediction.
pub(crate) type Terms = [f64; 5];

/// One pixel used to learn the response: terms, and per channel the loss and its expected error.
struct Lesson {
    terms: Terms,
    slope: f64,
    loss: [f64; 3],
    error: [f64; 3],
}

/// Fits the response of every visible channel.
pub(crate) fn measure(
    region: &Region<'_>,
    residual: &Residual,
    strong: &[Component],
    near: &Near,
) -> Result<Vec<ChannelResponse>, DustError> {
    let colours = residual.model.colours as usize;
    let whole = region.whole();
    let lessons: Vec<Vec<Lesson>> = lesson_pixels(strong, near)
        .into_par_iter()
        .map(|(row, pixels)| {
            let rows = (row * PIECE_ROWS, ((row + 1) * PIECE_ROWS).min(whole.y1));
            let columns = pixels.iter().fold((u32::MAX, 0), |(l, u), p| (l.min(p.0), u.max(p.0 + 1)));
            let rect = PixelRect::new(columns.0, rows.0, columns.1, rows.1).grown(
                PLANE_PX as u32,
                whole.x1,
                whole.y1,
            );
            let linear = region.read(rect)?;
            let seen = Seen { linear: &linear, rect, colours, residual, near };
            Ok(pixels.iter().filter_map(|&(x, y)| seen.lesson(x, y)).collect())
        })
        .collect::<Result<_, DustError>>()?;
    let lessons: Vec<Lesson> = lessons.into_iter().flatten().collect();
    Ok((0..colours).into_par_iter().map(|c| fit_channel(&lessons, c, f64::from(residual.noise_d))).collect())
}

/// Pixels to learn from, by their piece of rows: all of them, or those of a few pieces spread over the frame.
fn lesson_pixels(strong: &[Component], near: &Near) -> BTreeMap<u32, Vec<(u32, u32)>> {
    // A component at the border may be the film's own edge.
    let inner = strong.iter().filter(|c| !touches_border(c, near));
    let mut pieces: BTreeMap<u32, Vec<(u32, u32)>> = BTreeMap::new();
    for (x, y) in inner.flat_map(Component::pixels) {
        pieces.entry(y / PIECE_ROWS).or_default().push((x, y));
    }
    let total: usize = pieces.values().map(Vec::len).sum();
    let every = (total / PIXELS_MAX).clamp(1, (pieces.len() / PIECES_MIN).max(1));
    let mut number = 0;
    pieces.retain(|_, _| {
        number += 1;
        (number - 1) % every == every / 2
    });
    let left: usize = pieces.values().map(Vec::len).sum();
    let step = left.div_ceil(PIXELS_MAX).max(1);
    let mut count = 0;
    for pixels in pieces.values_mut() {
        pixels.retain(|_| {
            count += 1;
            (count - 1) % step == 0
        });
    }
    pieces.retain(|_, pixels| !pixels.is_empty());
    pieces
}

fn touches_border(component: &Component, near: &Near) -> bool {
    let b = component.bounds();
    b.x0 == 0 || b.y0 == 0 || b.x1 == near.width() || b.y1 == near.height()
}

fn fit_channel(lessons: &[Lesson], c: usize, noise_d: f64) -> ChannelResponse {
    let direct =
        ChannelResponse { noise_t: 2.0 * std::f64::consts::LN_10 * noise_d, ..ChannelResponse::DIRECT };
    // Fewer do not fix five unknowns against noise. Our choice.
    if lessons.len() < 60 {
        return direct;
    }
    let rows: Vec<(Terms, f64, f64)> = lessons
        .iter()
        .map(|l| {
            let scale = 1.0 / l.error[c];
            (l.terms.map(|t| t * scale), l.loss[c] * scale, 1.0)
        })
        .collect();
    // The prior counts as a few typical pixels, so that a frame with little dust is not fitted to its noise.
    let strength: f64 = rows.iter().map(|r| r.0[0] * r.0[0]).sum::<f64>() / rows.len() as f64 * PRIOR_PX;
    // Our choice: shift and blur are held ten times less than the gain, and the last term entirely.
    let ridge = [strength, 0.1 * strength, 0.1 * strength, 0.1 * strength, 1e3 * strength];
    // The inverse of a Gaussian of variance s is the series 1 - s/2 lap + s^2/8 lap lap: the last term follows from the
    // one before, and fitting it freely would trade it against the gain.
    let mut prior = [1.0, 0.0, 0.0, 0.0, 0.0];
    let mut fit = prior;
    for _ in 0..4 {
        let Some((next, _)) = robust_fit(&rows, &prior, &ridge, 8) else { return direct };
        fit = next;
        let variance = (-2.0 * fit[3] / fit[0].max(0.1)).clamp(0.0, 2.0);
        prior[4] = fit[0] * variance * variance / 8.0;
    }
    let [gain, dx, dy, laplacian, bilaplacian] = fit;
    // A gain no defect has, a shift of over 2 px or a blur of over 2.4 px: not a response but a misfit. Our choice.
    if !(0.2..4.0).contains(&gain) || dx.abs().max(dy.abs()) > 2.0 * gain || laplacian.abs() > 3.0 * gain {
        return direct;
    }
    // Noise of the loss, raised by the sharpening terms: sums of squares of their weights over the neighbourhood.
    let raised = gain.hypot(3.9 * laplacian - 2.0 * bilaplacian.max(0.0)).hypot(2.0 * laplacian);
    let noise_t = std::f64::consts::LN_10 * noise_d * raised;
    // The misfit describes the defect, not the picture, only where the undisturbed picture is well known.
    let error = |l: &Lesson| {
        let misfit = (l.loss[c] - dot(&l.terms, &fit)).abs();
        let known = l.error[c] * l.error[c] + noise_t * noise_t;
        (misfit * misfit - known).max(0.0).sqrt().max(0.3 * misfit)
    };
    // Our choice of what is flat, what is steep, how well the picture must be known (15 %), and the least number (30).
    let mut flat: Vec<f32> = lessons
        .iter()
        .filter(|l| l.terms[0] > 0.06 && l.slope < 0.4 * l.terms[0] && l.error[c] < 0.15 * l.terms[0])
        .map(|l| (error(l) / l.terms[0]) as f32)
        .collect();
    let mut steep: Vec<f32> = lessons
        .iter()
        .filter(|l| l.slope > 0.05 && l.slope > 0.5 * l.terms[0].abs() && l.error[c] < 0.15 * l.slope)
        .map(|l| (error(l) / l.slope) as f32)
        .collect();
    let or = |values: &mut Vec<f32>, fallback: f64| {
        if values.len() < 30 { fallback } else { 1.4826 * f64::from(median_in_place(values)) }
    };
    ChannelResponse {
        gain,
        dx,
        dy,
        laplacian,
        bilaplacian,
        noise_t,
        error_t: or(&mut flat, 0.05).clamp(0.01, 0.4),
        error_per_slope: or(&mut steep, 0.15).clamp(0.02, 0.5),
    }
}

/// A part of the frame with everything needed to measure lessons.
pub(crate) struct Seen<'a> {
    pub(crate) linear: &'a Samples16,
    /// The part that the samples cover.
    pub(crate) rect: PixelRect,
    pub(crate) colours: usize,
    pub(crate) residual: &'a Residual,
    pub(crate) near: &'a Near,
}

impl Seen<'_> {
    fn pixel(&self, x: u32, y: u32) -> &[u16] {
        self.linear.pixel(x - self.rect.x0, y - self.rect.y0)
    }

    fn lesson(&self, x: u32, y: u32) -> Option<Lesson> {
        let (terms, slope) = terms(|dx, dy| loss_of(self.residual.through(x as i32 + dx, y as i32 + dy)));
        let mut loss = [0.0; 3];
        let mut error = [1.0; 3];
        let planes = self.local_planes(x, y)?;
        for c in 0..self.colours {
            let (clean_d, spread_d) = planes[c];
            // Texture rather than ground. Our choice.
            if spread_d > 0.05 {
                return None;
            }
            let t = 10.0_f64.powf(clean_d - f64::from(density_d(self.pixel(x, y)[c])));
            loss[c] = 1.0 - t;
            // Our choice of 0.004: read noise and rounding of light.
            error[c] = 0.004 + std::f64::consts::LN_10 * t.min(1.2) * spread_d;
        }
        // Lighter than its surroundings: emulsion is missing here, and the infrared does not show how much.
        let lighter = (0..self.colours).all(|c| loss[c] < -2.0 * error[c]);
        (!lighter).then_some(Lesson { terms, slope, loss, error })
    }

    /// Density of a pixel relative to the undisturbed one, and its uncertainty; means over the colours, D.
    pub(crate) fn contrast_d(&self, x: u32, y: u32) -> Option<(f64, f64)> {
        let planes = self.local_planes(x, y)?;
        let codes = self.pixel(x, y).iter().take(self.colours);
        let (contrast, error) = codes.zip(planes).fold((0.0, 0.0), |(contrast, error), (&code, plane)| {
            (contrast + f64::from(density_d(code)) - plane.0, error + plane.1)
        });
        Some((contrast / self.colours as f64, error / self.colours as f64))
    }

    /// Undisturbed density at a pixel, from a plane through the clean pixels around it, and its uncertainty; per
    /// channel.
    fn local_planes(&self, x: u32, y: u32) -> Option<[(f64, f64); 3]> {
        let mut normal = [Normal::<3>::new(), Normal::<3>::new(), Normal::<3>::new()];
        // Densities are relative to that of the pixel itself, so that squares keep their precision.
        let own: [f32; 3] =
            std::array::from_fn(|c| self.pixel(x, y).get(c).map_or(0.0, |&code| density_d(code)));
        let (mut count, mut squares) = (0, [0.0_f64; 3]);
        let reach = PLANE_PX as u32;
        for py in y.saturating_sub(reach).max(self.rect.y0)..(y + reach + 1).min(self.rect.y1) {
            for px in x.saturating_sub(reach).max(self.rect.x0)..(x + reach + 1).min(self.rect.x1) {
                if self.near.at(px, py) >= BESIDE_DEFECT {
                    continue;
                }
                let at = [1.0, f64::from(px) - f64::from(x), f64::from(py) - f64::from(y)];
                let codes = self.pixel(px, py);
                for c in 0..self.colours {
                    let d = f64::from(density_d(codes[c]) - own[c]);
                    normal[c].add(&at, d, 1.0);
                    squares[c] += d * d;
                }
                count += 1;
            }
        }
        if count < CLEAN_MIN {
            return None;
        }
        let mut out = [(0.0, 0.0); 3];
        for (c, o) in out.iter_mut().enumerate().take(self.colours) {
            let plane = normal[c].solve()?;
            let square = (squares[c] - normal[c].explained(&plane)).max(0.0);
            *o = (plane[0] + f64::from(own[c]), (square / count as f64).sqrt());
        }
        Some(out)
    }
}

/// The terms of the prediction and the steepness (slope and half the bend) at the middle of `loss`.
///
/// The terms are the loss, its derivatives, its Laplacian (nine points, isotropic) and its bilaplacian.
pub(crate) fn terms(loss: impl Fn(i32, i32) -> f64) -> (Terms, f64) {
    let o = loss(0, 0);
    let dx = 0.5 * (loss(1, 0) - loss(-1, 0));
    let dy = 0.5 * (loss(0, 1) - loss(0, -1));
    let cross = loss(1, 0) + loss(-1, 0) + loss(0, 1) + loss(0, -1);
    let corner = loss(1, 1) + loss(-1, 1) + loss(1, -1) + loss(-1, -1);
    let laplacian = (4.0 * cross + corner - 20.0 * o) / 6.0;
    // Five-point Laplacian applied twice: thirteen points.
    let far = loss(2, 0) + loss(-2, 0) + loss(0, 2) + loss(0, -2);
    let bilaplacian = 20.0 * o - 8.0 * cross + 2.0 * corner + far;
    ([o, dx, dy, laplacian, bilaplacian], (dx * dx + dy * dy).sqrt() + 0.5 * laplacian.abs())
}

/// Predicted visible transmittance of a defect pixel and its expected error.
pub(crate) fn predict(response: &ChannelResponse, terms: &Terms, slope: f64) -> (f64, f64) {
    let ChannelResponse { gain, dx, dy, laplacian, bilaplacian, error_t, error_per_slope, noise_t } =
        *response;
    let loss = dot(terms, &[gain, dx, dy, laplacian, bilaplacian]);
    let (flat, steep) = (error_t * terms[0], error_per_slope * slope);
    let error = (flat * flat + steep * steep + noise_t * noise_t).sqrt();
    ((1.0 - loss).clamp(0.0, 1.0), error)
}

/// Writes severity, class and attenuation of the strong components into the map, and counts them.
pub(crate) fn write_strong(map: &mut DustMap, residual: &Residual, strong: &[Component], near: &Near) {
    residual.for_each_through(|x, y, attenuation| {
        if near.at(x, y) > 0 {
            map.set_mark(x, y, Mark { attenuation, ..Mark::CLEAN });
        }
    });
    let marked: Vec<Marked> = strong.par_iter().map(|component| marks_of(map, component)).collect();
    for (class, marks) in marked {
        map.count(class);
        for (x, y, mark) in marks {
            map.set_mark(x, y, mark);
        }
    }
}

/// Class of a component and the marks of its pixels.
type Marked = (DustClass, Vec<(u32, u32, Mark)>);

/// Class and marks of one component, whose attenuation is already in the map.
fn marks_of(map: &DustMap, component: &Component) -> Marked {
    let class: DustClass = component.shape().class();
    let losses: Vec<((u32, u32), f64)> = visible_losses(map, component);
    let faint = losses.iter().all(|l| l.1 < CORE_LOSS);
    // In reading order, for the binary search.
    let core: Vec<(u32, u32)> =
        losses.iter().filter(|l| l.1 >= CORE_LOSS).map(|&((x, y), _)| (y, x)).collect();
    let marks = losses
        .into_iter()
        .filter(|&((x, y), loss)| {
            let beside_core = || {
                (0..9).any(|k| {
                    let at = ((y + k / 3).wrapping_sub(1), (x + k % 3).wrapping_sub(1));
                    core.binary_search(&at).is_ok()
                })
            };
            // Where the infrared is softer than the picture, its skirt covers pixels that lose no visible light.
            faint || loss >= SKIRT_LOSS || beside_core()
        })
        .map(|((x, y), loss)| {
            let severity = (loss * 255.0).round().clamp(1.0, 255.0) as u8;
            (x, y, Mark { severity, class: class as u8, ..map.mark(x, y) })
        });
    (class, marks.collect())
}

/// Every pixel of a component with its largest predicted loss of visible light over the channels.
fn visible_losses(map: &DustMap, component: &Component) -> Vec<((u32, u32), f64)> {
    let mut losses = Vec::with_capacity(component.area() as usize);
    let mut about: [Vec<f64>; 5] = Default::default();
    for run in &component.runs {
        for (line, dy) in about.iter_mut().zip(-2..) {
            line.clear();
            line.extend((run.x0..run.x1 + 4).map(|x| loss_at(map, x, run.y, -2, dy)));
        }
        for x in run.x0..run.x1 {
            let at = (x - run.x0) as i32 + 2;
            let (terms, slope) = terms(|dx, dy| about[(dy + 2) as usize][(at + dx) as usize]);
            let least = map.response.iter().map(|r| predict(r, &terms, slope).0).fold(1.0_f64, f64::min);
            losses.push(((x, run.y), 1.0 - least));
        }
    }
    losses
}

/// Infrared loss near a pixel of the map; positions outside repeat the edge.
fn loss_at(map: &DustMap, x: u32, y: u32, dx: i32, dy: i32) -> f64 {
    let sx = (x as i32 + dx).clamp(0, map.width() as i32 - 1) as u32;
    let sy = (y as i32 + dy).clamp(0, map.height() as i32 - 1) as u32;
    loss_of(map.mark(sx, sy).attenuation)
}

fn loss_of(attenuation: u16) -> f64 {
    1.0 - f64::from(attenuation) / 65535.0
}
