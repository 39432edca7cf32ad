//! Faint lines: scratches through the emulsion, which infrared hardly sees but the eye does.
//!
//! A trace just above the infrared noise is believed only when it is long, thin, and the visible picture has a line of
//! constant sign on the very same pixels. A wire against the sky is a line in the visible picture alone and stays.

use glassine_raster::{Plane, Samples16};
use rayon::prelude::*;

use crate::density::BLOCK_PX;
use crate::detect::{Residual, Thresholds, visible_d};
use crate::label::{Component, components};
use crate::robust::median_in_place;
use crate::types::{DustClass, DustMap};

/// A faint line must be this long.
const LENGTH_MIN_PX: f64 = 18.0;
/// Visible contrast below this is not worth a repair, D.
const CONTRAST_MIN_D: f32 = 0.012;
/// Pixels must agree in sign.
const AGREEMENT_MIN: f64 = 0.8;
/// Edges of the image are doubted less here than elsewhere, because the cross profile is looked at afterwards.
const LINE_DOUBT: f32 = 0.3;
/// Half width of the cross profile.
const PROFILE_PX: i32 = 4;
/// What a wrong blur or shift leaves of the image sums to nothing across a line; a real trace must sum to this part of
/// the leaked image's own line.
const PROFILE_PART: f32 = 0.3;
/// Distance at which the undisturbed picture is read, on both sides of the line.
const SIDE_PX: f64 = 5.0;

/// A confirmed faint line.
#[derive(Debug)]
pub(crate) struct WeakLine {
    pub(crate) component: Component,
    /// Visible density of the line against its sides, D; negative when emulsion is gone.
    pub(crate) contrast_d: f32,
}

/// Faint infrared lines that the visible picture confirms, outside what is marked already.
pub(crate) fn visible_lines(
    linear: &Samples16,
    colours: u8,
    residual: &Residual,
    kept: &Plane<u8>,
    thresholds: &Thresholds,
    film: &[bool],
) -> Vec<WeakLine> {
    let (w, h) = (kept.width(), kept.height());
    let blocks_wide = w.div_ceil(BLOCK_PX);
    let mut mask = Plane::filled(w, h, 0_u8);
    mask.data_mut().par_chunks_mut(w as usize).enumerate().for_each_init(
        || vec![0.0_f32; w as usize],
        |doubt, (y, out)| {
            let y = y as u32;
            residual.doubt_row(y, doubt);
            let film_row = &film[(y / BLOCK_PX * blocks_wide) as usize..];
            let row = residual.smooth.row(y);
            for (x, ((o, &e), &d)) in out.iter_mut().zip(row).zip(&*doubt).enumerate() {
                *o = u8::from(e > thresholds.line_d + LINE_DOUBT * d && film_row[x / BLOCK_PX as usize]);
            }
        },
    );
    clear_near(&mut mask, kept);
    let found = components(&mask, 1);
    found.into_par_iter().filter_map(|c| confirm(linear, colours, residual, c)).collect()
}

/// Take away what lies on or next to marked pixels.
fn clear_near(mask: &mut Plane<u8>, kept: &Plane<u8>) {
    let (w, h) = (kept.width(), kept.height());
    for y in 0..h {
        for (x, _) in kept.row(y).iter().enumerate().filter(|(_, k)| **k > 0) {
            let x = x as u32;
            for yy in y.saturating_sub(2)..=(y + 2).min(h - 1) {
                for xx in x.saturating_sub(2)..=(x + 2).min(w - 1) {
                    mask.set(xx, yy, 0);
                }
            }
        }
    }
}

fn confirm(linear: &Samples16, colours: u8, residual: &Residual, component: Component) -> Option<WeakLine> {
    let area = component.area();
    if area < 14 {
        return None;
    }
    let shape = component.shape();
    if shape.length_px < LENGTH_MIN_PX || f64::from(area) / shape.length_px > 6.0 || shape.across_rms_px > 4.0
    {
        return None;
    }
    let (cos, sin) = shape.direction;
    let (w, h) = (f64::from(linear.width()), f64::from(linear.height()));
    let read = |x: f64, y: f64| {
        visible_d(linear, colours, x.round().clamp(0.0, w - 1.0) as u32, y.round().clamp(0.0, h - 1.0) as u32)
    };
    let mut contrasts = Vec::new();
    let mut trace = 0.0_f32;
    let (mut profile, mut leaked) = (0.0_f32, 0.0_f32);
    for (x, y) in component.pixels() {
        let (fx, fy) = (f64::from(x), f64::from(y));
        let sides = [1.0, -1.0].map(|s| read(fx - s * sin * SIDE_PX, fy + s * cos * SIDE_PX));
        contrasts.push(beyond(read(fx, fy), sides[0], sides[1]));
        trace += residual.smooth.at(x, y) / area as f32;
        profile += across(&residual.density, fx, fy, (cos, sin)) / area as f32;
        leaked += residual.leaked.as_ref().map_or(0.0, |p| across(p, fx, fy, (cos, sin))) / area as f32;
    }
    let mean = contrasts.iter().sum::<f32>() / area as f32;
    let agreeing = contrasts.iter().filter(|c| c.signum() == mean.signum()).count();
    let mut sorted = contrasts.clone();
    let middle = median_in_place(&mut sorted);
    let spread = (contrasts.iter().map(|c| (c - mean) * (c - mean)).sum::<f32>() / area as f32).sqrt();
    // Neighbouring pixels share blur and grain, so a third of them count as independent.
    let certainty = mean.abs() / (spread / (area as f32 / 3.0).sqrt()).max(1e-6);
    let seen = trace > 3.2 * residual.smooth_noise_d && profile > PROFILE_PART * leaked.abs();
    (seen
        && middle.abs() > CONTRAST_MIN_D
        && certainty > 5.0
        && agreeing as f64 >= AGREEMENT_MIN * f64::from(area))
    .then_some(WeakLine { component, contrast_d: middle })
}

/// Sum of a plane across a line, against its level on both sides.
fn across(plane: &Plane<f32>, x: f64, y: f64, direction: (f64, f64)) -> f32 {
    let (w, h) = (f64::from(plane.width()), f64::from(plane.height()));
    let at = |d: i32| {
        let px = (x - f64::from(d) * direction.1).round().clamp(0.0, w - 1.0);
        let py = (y + f64::from(d) * direction.0).round().clamp(0.0, h - 1.0);
        plane.at(px as u32, py as u32)
    };
    let level = [-2, -1, 1, 2].map(|i: i32| at(i + i.signum() * PROFILE_PX)).iter().sum::<f32>() / 4.0;
    (-PROFILE_PX..=PROFILE_PX).map(|d| at(d) - level).sum()
}

/// How far a value lies outside the range of its two sides; 0 between them, as at a plain edge.
fn beyond(value: f32, a: f32, b: f32) -> f32 {
    (value - a.max(b)).max(0.0) + (value - a.min(b)).min(0.0)
}

/// Mark the faint lines, one pixel wider than the infrared shows them; their own light is not used when filling.
pub(crate) fn write_weak(map: &mut DustMap, lines: &[WeakLine]) {
    let (w, h) = (map.severity.width(), map.severity.height());
    for line in lines {
        let lost = 1.0 - (-line.contrast_d.abs() * std::f32::consts::LN_10).exp();
        let severity = (lost * 255.0).round().clamp(1.0, 255.0) as u8;
        for (x, y) in line.component.pixels() {
            for yy in y.saturating_sub(1)..=(y + 1).min(h - 1) {
                for xx in x.saturating_sub(1)..=(x + 1).min(w - 1) {
                    if map.severity.at(xx, yy) == 0 {
                        map.severity.set(xx, yy, severity);
                        map.class.set(xx, yy, DustClass::Scratch as u8);
                    }
                }
            }
        }
    }
}
