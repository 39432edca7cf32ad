//! Finds parts of defects without emulsion, which are lighter than their surroundings.
//!
//! Dust holds back visible and infrared light alike. A scratch through the emulsion removes dyes: more visible light
//! passes, and the infrared, to which dyes are nearly clear, sees the torn surface scatter a little. No image is left
//! there to divide out, so such pixels are filled from outside, together with the pixels beside them that the blur of
//! the optics reaches.
//!
//! A trace may be bare in one part and dust in another, so it is judged in parts. Where there was little dye, little
//! can be missing: a part that shows neither takes the verdict of the nearest decided part of its trace.

use std::collections::BTreeMap;

use glassine_raster::PixelRect;
use rayon::prelude::*;

use crate::attenuation::{PLANE_PX, Seen};
use crate::fill::split;
use crate::label::{Component, join_runs};
use crate::region::Region;
use crate::residual::{Near, Residual};
use crate::robust::median_in_place;
use crate::types::{DustClass, DustError, DustMap, Mark};

/// Torn emulsion holds back less infrared than this, D. Ours: half the light, which only solid matter stops.
const INFRARED_MAX_D: f64 = 0.3;
/// Pixels of a part to examine, and how many of them must have enough clean film around them. Our choice.
const PIXELS_MAX: usize = 12;
const PIXELS_MIN: usize = 3;
/// A part must differ from its surroundings by this, D (the eye sees no line below it), and by this multiple of the
/// uncertainty of the surroundings. Our choice.
const LIGHTER_D: f32 = 0.012;
const LIGHTER_SIGMA: f32 = 2.5;
/// Side of the parts: small enough to separate crossing lines, large enough for a dozen pixels of a line. Our choice.
const PART_PX: u32 = 16;
/// Rows read together. Our choice; changes speed alone.
const PIECE_ROWS: u32 = 64;

/// A part of a defect without image.
#[derive(Debug)]
pub(crate) struct BarePart {
    /// Index of the defect.
    pub(crate) defect: usize,
    pub(crate) pixels: Component,
    /// Visible density against the surroundings, D; negative.
    pub(crate) contrast_d: f32,
}

/// The bare parts of some defects, in the order of the defects.
pub(crate) fn bare_parts(
    region: &Region<'_>,
    residual: &Residual,
    strong: &[Component],
    near: &Near,
) -> Result<Vec<BarePart>, DustError> {
    let whole = region.whole();
    let mut rows: BTreeMap<u32, Vec<(usize, Component)>> = BTreeMap::new();
    for (defect, component) in strong.iter().enumerate() {
        // Traces that cross are separate in most of the squares around the crossing.
        let parts = split(component.clone(), PART_PX).into_iter();
        let parts = parts.flat_map(|part| join_runs(part.runs, whole.y1, 0));
        for part in parts.filter(|part| is_thin(residual, part)) {
            rows.entry(part.bounds().y0 / PIECE_ROWS).or_default().push((defect, part));
        }
    }
    let judged: Vec<Vec<(usize, Component, Contrast)>> = rows
        .into_values()
        .collect::<Vec<_>>()
        .into_par_iter()
        .map(|parts| {
            let bounds = parts.iter().map(|(_, part)| part.bounds()).reduce(|a, b| {
                PixelRect::new(a.x0.min(b.x0), a.y0.min(b.y0), a.x1.max(b.x1), a.y1.max(b.y1))
            });
            let rect = bounds.unwrap_or(whole).grown(PLANE_PX as u32, whole.x1, whole.y1);
            let linear = region.read(rect)?;
            let colours = residual.model.colours as usize;
            let seen = Seen { linear: &linear, rect, colours, residual, near };
            let judge = |(defect, part)| {
                let contrast = contrast(&seen, &part)?;
                Some((defect, part, contrast))
            };
            Ok(parts.into_iter().filter_map(judge).collect())
        })
        .collect::<Result<_, DustError>>()?;
    let mut judged: Vec<_> = judged.into_iter().flatten().collect();
    judged.sort_by_key(|(defect, part, _)| (*defect, part.bounds().y0, part.bounds().x0));
    let mut bare = Vec::new();
    for trace in judged.chunk_by(|a, b| a.0 == b.0) {
        let decided: Vec<_> = trace.iter().filter(|part| part.2.is_decided()).collect();
        let together = Contrast::pooled(trace.iter().map(|part| part.2));
        for (defect, part, contrast) in trace {
            let verdict = if contrast.is_decided() {
                *contrast
            } else {
                let away = |other: &&&(usize, Component, Contrast)| distance_px(part, &other.1);
                decided.iter().min_by_key(away).map_or(together, |nearest| nearest.2)
            };
            if verdict.is_lighter() {
                let contrast_d = verdict.density_d;
                bare.push(BarePart { defect: *defect, pixels: part.clone(), contrast_d });
            }
        }
    }
    Ok(bare)
}

/// Distance between the bounds of two parts, the larger of both directions.
fn distance_px(a: &Component, b: &Component) -> u32 {
    let (a, b) = (a.bounds(), b.bounds());
    let apart = |a0: u32, a1: u32, b0: u32, b1: u32| b0.saturating_sub(a1).max(a0.saturating_sub(b1));
    apart(a.x0, a.x1, b.x0, b.x1).max(apart(a.y0, a.y1, b.y0, b.y1))
}

/// Visible density of a part against its surroundings, D.
#[derive(Clone, Copy)]
struct Contrast {
    density_d: f32,
    error_d: f32,
}

impl Contrast {
    fn is_lighter(self) -> bool {
        self.density_d < 0.0 && self.is_decided()
    }

    /// Contrast of several parts together, weighted by their errors.
    fn pooled(parts: impl Iterator<Item = Self>) -> Self {
        let (mut sum, mut weights) = (0.0, 1e-9);
        for Self { density_d, error_d } in parts {
            let weight = 1.0 / (error_d * error_d).max(1e-8);
            sum += weight * density_d;
            weights += weight;
        }
        Self { density_d: sum / weights, error_d: 1.0 / weights.sqrt() }
    }

    fn is_decided(self) -> bool {
        self.density_d.abs() > LIGHTER_D.max(LIGHTER_SIGMA * self.error_d)
    }
}

/// Whether a part holds back so little infrared that it may be torn emulsion.
fn is_thin(residual: &Residual, part: &Component) -> bool {
    let through = |(x, y): (u32, u32)| f64::from(residual.through(x as i32, y as i32));
    let mean = part.pixels().map(through).sum::<f64>() / f64::from(part.area().max(1));
    mean > 65_535.0 * 10_f64.powf(-INFRARED_MAX_D)
}

/// Median contrast of the pixels of a part; `None` with too little clean film around it.
fn contrast(seen: &Seen<'_>, part: &Component) -> Option<Contrast> {
    let every = (part.area() as usize).div_ceil(PIXELS_MAX).max(1);
    let (mut contrasts, mut errors): (Vec<f32>, Vec<f32>) = part
        .pixels()
        .skip(every / 2)
        .step_by(every)
        .filter_map(|(x, y)| seen.contrast_d(x, y))
        .map(|(contrast, error)| (contrast as f32, error as f32))
        .unzip();
    if contrasts.len() < PIXELS_MIN {
        return None;
    }
    // Pixels of one part are on the same piece of the picture, so their errors are common.
    let (density_d, error_d) = (median_in_place(&mut contrasts), median_in_place(&mut errors));
    Some(Contrast { density_d, error_d })
}

/// Marks bare parts and the pixels beside them for filling from outside.
pub(crate) fn write_bare(map: &mut DustMap, parts: &[BarePart]) {
    for part in parts {
        let severity = severity_of(part.contrast_d);
        for (x, y) in part.pixels.pixels() {
            let beside = PixelRect::new(x, y, x + 1, y + 1).grown(1, map.width(), map.height());
            for (x, y) in (beside.y0..beside.y1).flat_map(|y| (beside.x0..beside.x1).map(move |x| (x, y))) {
                if map.severity(x, y) == 0 {
                    map.set_mark(x, y, Mark { severity, class: DustClass::Scratch as u8, attenuation: 0 });
                }
            }
        }
        for (x, y) in part.pixels.pixels() {
            map.set_mark(x, y, Mark { severity, attenuation: 0, ..map.mark(x, y) });
        }
    }
}

/// Severity for a visible density against the surroundings, D of either sign.
pub(crate) fn severity_of(contrast_d: f32) -> u8 {
    let changed = 1.0 - (-contrast_d.abs() * std::f32::consts::LN_10).exp();
    (changed * 255.0).round().clamp(1.0, 255.0) as u8
}
