//! How much visible light a defect takes, learned from the defects of the frame itself.
//!
//! Infrared and visible pictures see the same particle through different optics: a little softer, a fraction of a pixel
//! apart, and with another opacity. Where the surrounding picture is smooth, the visible loss of a defect can be measured
//! directly, and a robust fit of that loss on the infrared loss and its derivatives gives gain, remaining shift and
//! remaining blur of every channel at once. Prediction with the same terms then holds everywhere, also over texture.
//!
//! Sources: gain between records found by correlation over the picture before the defect is divided out: US 6,442,301
//! (published 2002, term ended); derivatives as first-order terms of shift and blur: Taylor's theorem.

use glassine_raster::{Plane, Samples16};
use rayon::prelude::*;

use crate::density::{density_d, transmittance};
use crate::detect::Residual;
use crate::label::Component;
use crate::robust::{Normal, dot, median_in_place, robust_fit};
use crate::types::{ChannelResponse, DustClass, DustMap};

/// Pixels used for the fit at most.
const PIXELS_MAX: usize = 8_000;
/// Half side of the window in which the undisturbed picture is taken as a plane.
const PLANE_PX: i32 = 6;
/// A window must show this many clean pixels.
const CLEAN_MIN: usize = 40;
/// Weight of the prior (gain 1, nothing else), in pixels.
const PRIOR_PX: f64 = 20.0;

/// Visible loss above which a pixel belongs to a defect's core, and below which it only belongs beside a core.
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

/// Fit the response of every visible channel.
pub(crate) fn measure(
    linear: &Samples16,
    colours: u8,
    residual: &Residual,
    strong: &[Component],
    kept: &Plane<u8>,
) -> Vec<ChannelResponse> {
    // Whatever touches the border may be the film's own edge.
    let inner: Vec<&Component> = strong.iter().filter(|c| !touches_border(c, kept)).collect();
    let total: usize = inner.iter().map(|c| c.area() as usize).sum();
    let step = (total / PIXELS_MAX).max(1);
    let pixels: Vec<(u32, u32)> = inner.iter().flat_map(|c| c.pixels()).step_by(step).collect();
    let lessons: Vec<Lesson> =
        pixels.par_iter().filter_map(|&(x, y)| lesson(linear, colours, residual, kept, x, y)).collect();
    (0..colours as usize).map(|c| fit_channel(&lessons, c, f64::from(residual.noise_d))).collect()
}

fn touches_border(component: &Component, kept: &Plane<u8>) -> bool {
    let b = component.bounds();
    b.x0 == 0 || b.y0 == 0 || b.x1 == kept.width() || b.y1 == kept.height()
}

fn fit_channel(lessons: &[Lesson], c: usize, noise_d: f64) -> ChannelResponse {
    let direct =
        ChannelResponse { noise_t: 2.0 * std::f64::consts::LN_10 * noise_d, ..ChannelResponse::DIRECT };
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
    let ridge = [strength, 0.1 * strength, 0.1 * strength, 0.1 * strength, 1e3 * strength];
    // Undoing a Gaussian of variance s is the series 1 - s/2 lap + s^2/8 lap lap: the last term follows from the one before,
    // and fitting it freely would trade it against the gain.
    let mut prior = [1.0, 0.0, 0.0, 0.0, 0.0];
    let mut fit = prior;
    for _ in 0..4 {
        let Some((next, _)) = robust_fit(&rows, &prior, &ridge, 8) else { return direct };
        fit = next;
        let variance = (-2.0 * fit[3] / fit[0].max(0.1)).clamp(0.0, 2.0);
        prior[4] = fit[0] * variance * variance / 8.0;
    }
    let [gain, dx, dy, laplacian, bilaplacian] = fit;
    if !(0.2..4.0).contains(&gain) || dx.abs().max(dy.abs()) > 2.0 * gain || laplacian.abs() > 3.0 * gain {
        return direct;
    }
    // Noise of the loss, raised by the sharpening terms: sums of squares of their weights over the neighbourhood.
    let raised = gain.hypot(3.9 * laplacian - 2.0 * bilaplacian.max(0.0)).hypot(2.0 * laplacian);
    let noise_t = std::f64::consts::LN_10 * noise_d * raised;
    // Only where the undisturbed picture is known well does the misfit speak of the defect, not of the picture.
    let error = |l: &Lesson| {
        let misfit = (l.loss[c] - dot(&l.terms, &fit)).abs();
        let known = l.error[c] * l.error[c] + noise_t * noise_t;
        (misfit * misfit - known).max(0.0).sqrt().max(0.3 * misfit)
    };
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

fn lesson(
    linear: &Samples16,
    colours: u8,
    residual: &Residual,
    kept: &Plane<u8>,
    x: u32,
    y: u32,
) -> Option<Lesson> {
    let (terms, slope) = terms(|dx, dy| {
        let sx = (x as i32 + dx).clamp(0, kept.width() as i32 - 1) as u32;
        let sy = (y as i32 + dy).clamp(0, kept.height() as i32 - 1) as u32;
        1.0 - f64::from(transmittance(residual.density.at(sx, sy)))
    });
    let mut loss = [0.0; 3];
    let mut error = [1.0; 3];
    let planes = local_planes(linear, colours, kept, x, y)?;
    for c in 0..colours as usize {
        let (clean_d, spread_d) = planes[c];
        if spread_d > 0.05 {
            return None;
        }
        let t = 10.0_f64.powf(clean_d - f64::from(density_d(linear.pixel(x, y)[c])));
        loss[c] = 1.0 - t;
        error[c] = 0.004 + std::f64::consts::LN_10 * t.min(1.2) * spread_d;
    }
    // Lighter than its surroundings: emulsion is missing here, and infrared says nothing of how much.
    let lighter = (0..colours as usize).all(|c| loss[c] < -2.0 * error[c]);
    (!lighter).then_some(Lesson { terms, slope, loss, error })
}

/// The undisturbed density at a pixel, from a plane through the clean pixels about it, and their spread; per channel.
fn local_planes(
    linear: &Samples16,
    colours: u8,
    kept: &Plane<u8>,
    x: u32,
    y: u32,
) -> Option<[(f64, f64); 3]> {
    let (w, h) = (linear.width() as i32, linear.height() as i32);
    let mut clean: Vec<(f64, f64, &[u16])> = Vec::with_capacity(169);
    for dy in -PLANE_PX..=PLANE_PX {
        for dx in -PLANE_PX..=PLANE_PX {
            let (px, py) = (x as i32 + dx, y as i32 + dy);
            if px < 0 || py < 0 || px >= w || py >= h || !is_clear(kept, px, py) {
                continue;
            }
            clean.push((f64::from(dx), f64::from(dy), linear.pixel(px as u32, py as u32)));
        }
    }
    if clean.len() < CLEAN_MIN {
        return None;
    }
    let mut out = [(0.0, 0.0); 3];
    for (c, o) in out.iter_mut().enumerate().take(colours as usize) {
        let mut normal = Normal::<3>::new();
        for &(dx, dy, px) in &clean {
            normal.add(&[1.0, dx, dy], f64::from(density_d(px[c])), 1.0);
        }
        let plane = normal.solve()?;
        let square: f64 = clean
            .iter()
            .map(|&(dx, dy, px)| (f64::from(density_d(px[c])) - dot(&plane, &[1.0, dx, dy])).powi(2))
            .sum();
        *o = (plane[0], (square / clean.len() as f64).sqrt());
    }
    Some(out)
}

/// Neither marked nor beside a marked pixel.
fn is_clear(kept: &Plane<u8>, x: i32, y: i32) -> bool {
    let (w, h) = (kept.width() as i32, kept.height() as i32);
    (-1..=1).all(|dy| {
        (-1..=1).all(|dx| {
            let (px, py) = ((x + dx).clamp(0, w - 1), (y + dy).clamp(0, h - 1));
            kept.at(px as u32, py as u32) == 0
        })
    })
}

/// Loss, its derivatives, Laplacian (nine points, isotropic) and bilaplacian, and the steepness (slope and half the bend), at the middle of `loss`.
pub(crate) fn terms(loss: impl Fn(i32, i32) -> f64) -> (Terms, f64) {
    let o = loss(0, 0);
    let dx = 0.5 * (loss(1, 0) - loss(-1, 0));
    let dy = 0.5 * (loss(0, 1) - loss(0, -1));
    let cross = loss(1, 0) + loss(-1, 0) + loss(0, 1) + loss(0, -1);
    let corner = loss(1, 1) + loss(-1, 1) + loss(1, -1) + loss(-1, -1);
    let laplacian = (4.0 * cross + corner - 20.0 * o) / 6.0;
    // Five-point Laplacian of itself: thirteen points.
    let far = loss(2, 0) + loss(-2, 0) + loss(0, 2) + loss(0, -2);
    let bilaplacian = 20.0 * o - 8.0 * cross + 2.0 * corner + far;
    ([o, dx, dy, laplacian, bilaplacian], dx.hypot(dy) + 0.5 * laplacian.abs())
}

/// Predicted visible transmittance of a defect pixel and its expected error.
pub(crate) fn predict(response: &ChannelResponse, terms: &Terms, slope: f64) -> (f64, f64) {
    let ChannelResponse { gain, dx, dy, laplacian, bilaplacian, error_t, error_per_slope, noise_t } =
        *response;
    let loss = dot(terms, &[gain, dx, dy, laplacian, bilaplacian]);
    let error = (error_t * terms[0].abs()).hypot(error_per_slope * slope).hypot(noise_t);
    ((1.0 - loss).clamp(0.0, 1.0), error)
}

/// Write severity, class and attenuation of the strong components into the map.
pub(crate) fn write_strong(map: &mut DustMap, residual: &Residual, strong: &[Component]) {
    let (w, h) = (map.severity.width(), map.severity.height());
    for component in strong {
        for (x, y) in component.pixels() {
            for yy in y.saturating_sub(2)..=(y + 2).min(h - 1) {
                for xx in x.saturating_sub(2)..=(x + 2).min(w - 1) {
                    let t = transmittance(residual.density.at(xx, yy)).clamp(0.0, 1.0);
                    map.attenuation.set(xx, yy, ((t * 65535.0) as u16).max(1));
                }
            }
        }
    }
    for component in strong {
        let class: DustClass = component.shape().class();
        let losses: Vec<f64> = component.pixels().map(|(x, y)| visible_loss(map, x, y)).collect();
        let faint = losses.iter().all(|&l| l < CORE_LOSS);
        let core: std::collections::HashSet<(u32, u32)> =
            component.pixels().zip(&losses).filter(|(_, l)| **l >= CORE_LOSS).map(|(p, _)| p).collect();
        for ((x, y), loss) in component.pixels().zip(&losses) {
            let beside_core =
                || (0..9).any(|k| core.contains(&((x + k % 3).wrapping_sub(1), (y + k / 3).wrapping_sub(1))));
            // Where the infrared is softer than the picture, its skirt reaches over pixels that lose no visible light.
            if faint || *loss >= SKIRT_LOSS || beside_core() {
                map.severity.set(x, y, (loss * 255.0).round().clamp(1.0, 255.0) as u8);
                map.class.set(x, y, class as u8);
            }
        }
    }
}

/// Largest predicted loss of visible light at a pixel, over the channels.
fn visible_loss(map: &DustMap, x: u32, y: u32) -> f64 {
    let (terms, slope) = terms(|dx, dy| loss_at(map, x, y, dx, dy));
    1.0 - map.response.iter().map(|r| predict(r, &terms, slope).0).fold(1.0_f64, f64::min)
}

/// Infrared loss near a pixel of the map; positions outside repeat the edge.
pub(crate) fn loss_at(map: &DustMap, x: u32, y: u32, dx: i32, dy: i32) -> f64 {
    let sx = (x as i32 + dx).clamp(0, map.attenuation.width() as i32 - 1) as u32;
    let sy = (y as i32 + dy).clamp(0, map.attenuation.height() as i32 - 1) as u32;
    1.0 - f64::from(map.attenuation.at(sx, sy)) / 65535.0
}
