//! Faint lines: scratches through the emulsion, which infrared hardly sees but the eye does.
//!
//! A trace just above the infrared noise is believed only when it is long, thin, and the visible picture has a line of
//! constant sign on the very same pixels. A wire against the sky is a line in the visible picture alone and stays.

use std::collections::HashMap;

use glassine_raster::{PixelRect, Plane};
use rayon::prelude::*;

use crate::density::density_d;
use crate::field::Field;
use crate::label::{Component, join_runs};
use crate::region::Region;
use crate::residual::{NEAR_DEFECT, Near, Residual, Thresholds};
use crate::robust::median_in_place;
use crate::types::{DustClass, DustError, DustMap, Mark};

/// A faint line must be this long.
const LENGTH_MIN_PX: f64 = 18.0;
/// Fewer pixels than this are no line.
const AREA_MIN_PX: u32 = 14;
/// Visible contrast below this is not worth a repair, D.
const CONTRAST_MIN_D: f32 = 0.012;
/// Pixels must agree in sign.
const AGREEMENT_MIN: f64 = 0.8;
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
    region: &Region<'_>,
    residual: &Residual,
    near: &Near,
    thresholds: &Thresholds,
) -> Result<Vec<WeakLine>, DustError> {
    let runs = residual.runs(|faint, x, y| thresholds.is_line(faint) && near.at(x, y) < NEAR_DEFECT);
    let found: Vec<Option<WeakLine>> = join_runs(runs, region.height(), 1)
        .into_par_iter()
        .filter(|c| c.area() >= AREA_MIN_PX)
        .map(|c| {
            let mut probe = Probe { region, residual, cells: HashMap::new(), failed: None };
            let line = confirm(&mut probe, c);
            probe.failed.map_or(Ok(line), Err)
        })
        .collect::<Result<_, DustError>>()?;
    Ok(found.into_iter().flatten().collect())
}

/// Side of the squares a probe reads.
const CELL_PX: u32 = 64;

/// A square of the frame as seen by a probe.
struct Cell {
    x0: u32,
    y0: u32,
    visible: Plane<f32>,
    field: Field,
}

/// Looks at single pixels of the frame, reading what is about them when it is first asked for.
struct Probe<'a> {
    region: &'a Region<'a>,
    residual: &'a Residual,
    cells: HashMap<(u32, u32), Cell>,
    /// The first reading that failed; what was seen since means nothing.
    failed: Option<DustError>,
}

impl Probe<'_> {
    fn size(&self) -> (f64, f64) {
        (f64::from(self.region.width()), f64::from(self.region.height()))
    }

    /// Nearest pixel inside the frame.
    fn pixel(&self, x: f64, y: f64) -> (u32, u32) {
        let (w, h) = self.size();
        (x.round().clamp(0.0, w - 1.0) as u32, y.round().clamp(0.0, h - 1.0) as u32)
    }

    fn look<T: Default>(&mut self, (x, y): (u32, u32), value: impl Fn(&Cell) -> T) -> T {
        let key = (x / CELL_PX, y / CELL_PX);
        if !self.cells.contains_key(&key) && self.failed.is_none() {
            match self.read(key) {
                Ok(cell) => {
                    self.cells.insert(key, cell);
                }
                Err(error) => self.failed = Some(error),
            }
        }
        self.cells.get(&key).map(value).unwrap_or_default()
    }

    fn read(&self, (column, row): (u32, u32)) -> Result<Cell, DustError> {
        let (x0, y0) = (column * CELL_PX, row * CELL_PX);
        let rect = PixelRect::new(x0, y0, x0 + CELL_PX, y0 + CELL_PX).intersect(self.region.whole());
        let model = &self.residual.model;
        let from = model.needs(rect);
        let linear = self.region.read(from)?;
        let mut field = Field::default();
        field.compute(model, &linear, from, rect);
        let colours = model.colours;
        let mut visible = Plane::filled(rect.width(), rect.height(), 0.0_f32);
        for y in 0..rect.height() {
            for (x, v) in visible.row_mut(y).iter_mut().enumerate() {
                let px = linear.pixel(rect.x0 + x as u32 - from.x0, rect.y0 + y - from.y0);
                *v = px[..colours as usize].iter().map(|&c| density_d(c)).sum::<f32>() / f32::from(colours);
            }
        }
        Ok(Cell { x0, y0, visible, field })
    }

    /// Mean visible density.
    fn visible(&mut self, x: f64, y: f64) -> f32 {
        let (x, y) = self.pixel(x, y);
        self.look((x, y), |cell| cell.visible.at(x - cell.x0, y - cell.y0))
    }

    fn smooth(&mut self, x: u32, y: u32) -> f32 {
        self.look((x, y), |cell| cell.field.smooth_at(x, y))
    }

    fn density(&mut self, x: f64, y: f64) -> f32 {
        let (x, y) = self.pixel(x, y);
        self.look((x, y), |cell| cell.field.density_at(x, y))
    }

    fn leaked(&mut self, x: f64, y: f64) -> f32 {
        let (x, y) = self.pixel(x, y);
        self.look((x, y), |cell| cell.field.leaked_at(x, y))
    }
}

fn confirm(probe: &mut Probe<'_>, component: Component) -> Option<WeakLine> {
    let area = component.area();
    let shape = component.shape();
    if shape.length_px < LENGTH_MIN_PX || f64::from(area) / shape.length_px > 6.0 || shape.across_rms_px > 2.0
    {
        return None;
    }
    let (cos, sin) = shape.direction;
    let mut contrasts = Vec::new();
    let mut trace = 0.0_f32;
    let (mut profile, mut leaked) = (0.0_f32, 0.0_f32);
    for (x, y) in component.pixels() {
        let (fx, fy) = (f64::from(x), f64::from(y));
        let sides = [1.0, -1.0].map(|s| probe.visible(fx - s * sin * SIDE_PX, fy + s * cos * SIDE_PX));
        contrasts.push(beyond(probe.visible(fx, fy), sides[0], sides[1]));
        trace += probe.smooth(x, y) / area as f32;
        profile += across(|x, y| probe.density(x, y), fx, fy, (cos, sin)) / area as f32;
        leaked += across(|x, y| probe.leaked(x, y), fx, fy, (cos, sin)) / area as f32;
    }
    let mean = contrasts.iter().sum::<f32>() / area as f32;
    let agreeing = contrasts.iter().filter(|c| c.signum() == mean.signum()).count();
    let mut sorted = contrasts.clone();
    let middle = median_in_place(&mut sorted);
    let spread = (contrasts.iter().map(|c| (c - mean) * (c - mean)).sum::<f32>() / area as f32).sqrt();
    // Neighbouring pixels share blur and grain, so a third of them count as independent.
    let certainty = mean.abs() / (spread / (area as f32 / 3.0).sqrt()).max(1e-6);
    let seen = trace > 3.2 * probe.residual.smooth_noise_d && profile > PROFILE_PART * leaked.abs();
    (seen
        && middle.abs() > CONTRAST_MIN_D
        && certainty > 5.0
        && agreeing as f64 >= AGREEMENT_MIN * f64::from(area))
    .then(|| {
        let mut beyond_ends = Vec::new();
        for sign in [1.0, -1.0] {
            let mut track = Track { probe, contrast_d: middle, trace_d: trace };
            track.follow(&component, (sign * cos, sign * sin), &mut beyond_ends);
        }
        WeakLine { component, contrast_d: middle, beyond_ends }
    })
}

/// Follows a confirmed line past its end.
struct Track<'a, 'b> {
    probe: &'a mut Probe<'b>,
    contrast_d: f32,
    trace_d: f32,
}

impl Track<'_, '_> {
    /// Go on from the component's furthest pixel as long as line and trace are seen, over gaps of a few pixels.
    fn follow(&mut self, component: &Component, (dx, dy): (f64, f64), out: &mut Vec<(u32, u32)>) {
        let along = |p: &(u32, u32)| f64::from(p.0) * dx + f64::from(p.1) * dy;
        let Some(end) = component.pixels().max_by(|a, b| along(a).total_cmp(&along(b))) else { return };
        let (mut x, mut y) = (f64::from(end.0), f64::from(end.1));
        let mut pending = Vec::new();
        let (w, h) = self.probe.size();
        for _ in 0..FOLLOW_MAX_PX {
            (x, y) = (x + dx, y + dy);
            if x < 0.0 || y < 0.0 || x > w - 1.0 || y > h - 1.0 {
                return;
            }
            let seen = [0.0, -1.0, 1.0].map(|aside| (aside, self.seen(x, y, aside, dx, dy)));
            let (aside, best) =
                seen.into_iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0.0, f32::NEG_INFINITY));
            pending.push(((x - aside * dy).round() as u32, (y + aside * dx).round() as u32));
            if best > 0.0 {
                (x, y) = (x - 0.5 * aside * dy, y + 0.5 * aside * dx);
                out.append(&mut pending);
            } else if pending.len() > GAP_MAX_PX {
                return;
            }
        }
    }

    /// Visible contrast beyond half the line's own, in its direction, where the infrared has a trace as well; 0 or less
    /// where the line is not seen.
    fn seen(&mut self, x: f64, y: f64, aside: f64, dx: f64, dy: f64) -> f32 {
        let (x, y) = (x - aside * dy, y + aside * dx);
        let (px, py) = self.probe.pixel(x, y);
        if self.probe.smooth(px, py) < 0.4 * self.trace_d {
            return 0.0;
        }
        let sides = [1.0, -1.0].map(|s| self.probe.visible(x - s * dy * SIDE_PX, y + s * dx * SIDE_PX));
        beyond(self.probe.visible(x, y), sides[0], sides[1]) * self.contrast_d.signum()
            - 0.5 * self.contrast_d.abs()
    }
}

/// Sum of a plane across a line, against its level on both sides.
fn across(mut plane: impl FnMut(f64, f64) -> f32, x: f64, y: f64, direction: (f64, f64)) -> f32 {
    let mut at = |d: i32| plane(x - f64::from(d) * direction.1, y + f64::from(d) * direction.0);
    let level = [-2, -1, 1, 2].map(|i: i32| at(i + i.signum() * PROFILE_PX)).iter().sum::<f32>() / 4.0;
    (-PROFILE_PX..=PROFILE_PX).map(|d| at(d) - level).sum()
}

/// How far a value lies outside the range of its two sides; 0 between them, as at a plain edge.
fn beyond(value: f32, a: f32, b: f32) -> f32 {
    (value - a.max(b)).max(0.0) + (value - a.min(b)).min(0.0)
}

/// Mark the faint lines, one pixel wider than the infrared shows them; their own light is not used when filling.
pub(crate) fn write_weak(map: &mut DustMap, lines: &[WeakLine]) {
    let (w, h) = (map.width(), map.height());
    for line in lines {
        let lost = 1.0 - (-line.contrast_d.abs() * std::f32::consts::LN_10).exp();
        let severity = (lost * 255.0).round().clamp(1.0, 255.0) as u8;
        for (x, y) in line.component.pixels().chain(line.beyond_ends.iter().copied()) {
            for yy in y.saturating_sub(1)..=(y + 1).min(h - 1) {
                for xx in x.saturating_sub(1)..=(x + 1).min(w - 1) {
                    let seen = map.mark(xx, yy);
                    // Under dust the emulsion is missing too, so the light that comes through says nothing.
                    let mark = if seen.severity == 0 {
                        Mark { severity, class: DustClass::Scratch as u8, attenuation: 0 }
                    } else {
                        Mark { attenuation: 0, ..seen }
                    };
                    map.set_mark(xx, yy, mark);
                }
            }
        }
    }
}
