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
const LINE_DOUBT: f32 = 0.8;
/// Half width of the cross profile.
const PROFILE_PX: i32 = 6;
/// What a wrong blur or shift leaves of the image sums to nothing across a line; a real trace must sum to this part of
/// the leaked image's own line.
const PROFILE_PART: f32 = 0.7;
/// A line is followed this far past its ends, over gaps up to this long.
const FOLLOW_MAX_PX: usize = 400;
const GAP_MAX_PX: usize = 24;
/// Distance at which the undisturbed picture is read, on both sides of the line.
const SIDE_PX: f64 = 5.0;

/// A confirmed faint line.
#[derive(Debug)]
pub(crate) struct WeakLine {
    pub(crate) component: Component,
    /// Visible density of the line against its sides, D; negative when emulsion is gone.
    pub(crate) contrast_d: f32,
    /// Pixels onto which the line goes on past its ends, through dust and weaker stretches.
    pub(crate) beyond_ends: Vec<(u32, u32)>,
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
    if shape.length_px < LENGTH_MIN_PX || f64::from(area) / shape.length_px > 6.0 || shape.across_rms_px > 2.0
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
    .then(|| {
        let mut beyond_ends = Vec::new();
        for sign in [1.0, -1.0] {
            let track = Track { linear, colours, residual, contrast_d: middle, trace_d: trace };
            track.follow(&component, (sign * cos, sign * sin), &mut beyond_ends);
        }
        WeakLine { component, contrast_d: middle, beyond_ends }
    })
}

/// Follows a confirmed line past its end.
struct Track<'a> {
    linear: &'a Samples16,
    colours: u8,
    residual: &'a Residual,
    contrast_d: f32,
    trace_d: f32,
}

impl Track<'_> {
    /// Go on from the component's furthest pixel as long as line and trace are seen, over gaps of a few pixels.
    fn follow(&self, component: &Component, (dx, dy): (f64, f64), out: &mut Vec<(u32, u32)>) {
        let along = |p: &(u32, u32)| f64::from(p.0) * dx + f64::from(p.1) * dy;
        let Some(end) = component.pixels().max_by(|a, b| along(a).total_cmp(&along(b))) else { return };
        let (mut x, mut y) = (f64::from(end.0), f64::from(end.1));
        let mut pending = Vec::new();
        let (w, h) = (f64::from(self.linear.width()), f64::from(self.linear.height()));
        for _ in 0..FOLLOW_MAX_PX {
            (x, y) = (x + dx, y + dy);
            if x < 0.0 || y < 0.0 || x > w - 1.0 || y > h - 1.0 {
                return;
            }
            let aside = [0.0, -1.0, 1.0]
                .into_iter()
                .max_by(|a, b| self.seen(x, y, *a, dx, dy).total_cmp(&self.seen(x, y, *b, dx, dy)))
                .unwrap_or(0.0);
            pending.push(((x - aside * dy).round() as u32, (y + aside * dx).round() as u32));
            if self.seen(x, y, aside, dx, dy) > 0.0 {
                (x, y) = (x - 0.5 * aside * dy, y + 0.5 * aside * dx);
                out.append(&mut pending);
            } else if pending.len() > GAP_MAX_PX {
                return;
            }
        }
    }

    /// Visible contrast beyond half the line's own, in its direction, where the infrared has a trace as well; 0 or less
    /// where the line is not seen.
    fn seen(&self, x: f64, y: f64, aside: f64, dx: f64, dy: f64) -> f32 {
        let (x, y) = (x - aside * dy, y + aside * dx);
        let (w, h) = (f64::from(self.linear.width()), f64::from(self.linear.height()));
        let at =
            |x: f64, y: f64| (x.round().clamp(0.0, w - 1.0) as u32, y.round().clamp(0.0, h - 1.0) as u32);
        let read = |x: f64, y: f64| {
            let (x, y) = at(x, y);
            visible_d(self.linear, self.colours, x, y)
        };
        let (px, py) = at(x, y);
        if self.residual.smooth.at(px, py) < 0.4 * self.trace_d {
            return 0.0;
        }
        let sides = [1.0, -1.0].map(|s| read(x - s * dy * SIDE_PX, y + s * dx * SIDE_PX));
        beyond(read(x, y), sides[0], sides[1]) * self.contrast_d.signum() - 0.5 * self.contrast_d.abs()
    }
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
        for (x, y) in line.component.pixels().chain(line.beyond_ends.iter().copied()) {
            for yy in y.saturating_sub(1)..=(y + 1).min(h - 1) {
                for xx in x.saturating_sub(1)..=(x + 1).min(w - 1) {
                    if map.severity.at(xx, yy) == 0 {
                        map.severity.set(xx, yy, severity);
                        map.class.set(xx, yy, DustClass::Scratch as u8);
                    }
                    // Under dust the emulsion is missing too, so the light that comes through says nothing.
                    map.attenuation.set(xx, yy, 0);
                }
            }
        }
    }
}
