//! Finds faint lines: scratches through the emulsion that the eye sees but the infrared hardly does.
//!
//! A trace just above the infrared noise is accepted only if it is long and thin, and if the visible picture has a line
//! of constant sign on the same pixels. A wire against the sky is a line only in the visible picture and stays.
//!
//! Bare lines (see [`crate::bare`]) are followed where the infrared loses them: the remaining dye layer may hold back
//! as much infrared as the torn edge scatters.

use std::collections::{BTreeMap, HashMap};

use glassine_raster::{PixelRect, Plane};
use rayon::prelude::*;

use crate::bare::{BarePart, severity_of};
use crate::density::density_d;
use crate::field::Field;
use crate::label::{Component, join_runs};
use crate::region::Region;
use crate::residual::{NEAR_DEFECT, Near, Residual, Thresholds};
use crate::robust::median_in_place;
use crate::types::{DustClass, DustError, DustMap, Mark};

/// Least length of a faint line. Our choice: grain forms shorter lines.
const LENGTH_MIN_PX: f64 = 18.0;
/// Least number of pixels of a line. Our choice.
const AREA_MIN_PX: u32 = 14;
/// Least visible contrast worth a repair, D. Our choice, about what the eye sees.
const CONTRAST_MIN_D: f32 = 0.012;
/// Share of the pixels that must agree in sign. Our choice.
const AGREEMENT_MIN: f64 = 0.8;
/// Half width of the cross profile. Our choice.
const PROFILE_PX: i32 = 6;
/// The error of a wrong blur or shift sums to nothing across a line; a real trace must sum to at least this share of
/// the leaked image's own line. Our choice.
const PROFILE_PART: f32 = 0.7;
/// How far a line is followed past its ends, and the largest gap. Our choice: bounds time, and strays.
const FOLLOW_MAX_PX: usize = 400;
const GAP_MAX_PX: usize = 24;
/// Pixels in a row on which a line must reappear after a long gap; a third of the gap if that is less. Our choice.
const AGAIN_PX: usize = 12;
/// Largest width of a bare line to follow, and the pixels at its end that determine its direction. Our choice.
const BARE_WIDTH_MAX_PX: f64 = 8.0;
const END_PX: u32 = 40;
/// Largest gap when following a long bare line. Our choice.
const BARE_GAP_MAX_PX: usize = 64;
/// Distance from the line, on both sides, at which the undisturbed picture is measured. Our choice.
pub(crate) const SIDE_PX: f64 = 5.0;

/// A confirmed faint line.
#[derive(Debug)]
pub(crate) struct WeakLine {
    pub(crate) component: Component,
    /// Visible density of the line against its sides, D; negative when emulsion is gone.
    pub(crate) contrast_d: f32,
    /// Pixels of the line past its ends, through dust and weaker stretches.
    pub(crate) beyond_ends: Vec<(u32, u32)>,
}

/// Faint infrared lines confirmed by the visible picture, outside the existing marks.
pub(crate) fn visible_lines(
    region: &Region<'_>,
    residual: &Residual,
    near: &Near,
    thresholds: &Thresholds,
) -> Result<Vec<WeakLine>, DustError> {
    let runs = residual.runs(|faint, x, y| thresholds.is_line(faint) && near.at(x, y) < NEAR_DEFECT);
    let mut lines = join_runs(runs, region.height(), 1);
    lines.retain(|line| line.area() >= AREA_MIN_PX);
    look_at_each(region, residual, lines, confirm)
}

/// Examines every item with a probe of its own, on all threads; keeps the results in order.
pub(crate) fn look_at_each<T: Send, U: Send>(
    region: &Region<'_>,
    residual: &Residual,
    things: Vec<T>,
    look: impl Fn(&mut Probe<'_>, T) -> Option<U> + Sync,
) -> Result<Vec<U>, DustError> {
    let found: Vec<Option<U>> = things
        .into_par_iter()
        .map(|thing| {
            let mut probe = Probe { region, residual, cells: HashMap::new(), failed: None };
            let seen = look(&mut probe, thing);
            probe.failed.map_or(Ok(seen), Err)
        })
        .collect::<Result<_, DustError>>()?;
    Ok(found.into_iter().flatten().collect())
}

/// Side of the squares that a probe reads. Our choice; changes speed alone.
const CELL_PX: u32 = 64;

struct Cell {
    x0: u32,
    y0: u32,
    visible: Plane<f32>,
    field: Field,
}

/// Gives single pixels of the frame; reads the square around a pixel when it is first needed.
pub(crate) struct Probe<'a> {
    region: &'a Region<'a>,
    residual: &'a Residual,
    cells: HashMap<(u32, u32), Cell>,
    /// The first failed read; all values since then are meaningless.
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

    /// Leaked density expected for a grey line of this contrast, D.
    pub(crate) fn leaked_of_grey(&self, contrast_d: f32) -> f32 {
        self.residual.model.leaks.iter().map(|leak| leak.abs()).sum::<f32>() * contrast_d.abs()
    }

    /// Mean visible density at a position.
    pub(crate) fn visible(&mut self, x: f64, y: f64) -> f32 {
        let (x, y) = self.pixel(x, y);
        self.look((x, y), |cell| cell.visible.at(x - cell.x0, y - cell.y0))
    }

    fn smooth(&mut self, x: u32, y: u32) -> f32 {
        self.look((x, y), |cell| cell.field.smooth_at(x, y))
    }

    pub(crate) fn density(&mut self, x: f64, y: f64) -> f32 {
        let (x, y) = self.pixel(x, y);
        self.look((x, y), |cell| cell.field.density_at(x, y))
    }

    pub(crate) fn leaked(&mut self, x: f64, y: f64) -> f32 {
        let (x, y) = self.pixel(x, y);
        self.look((x, y), |cell| cell.field.leaked_at(x, y))
    }
}

fn confirm(probe: &mut Probe<'_>, component: Component) -> Option<WeakLine> {
    let area = component.area();
    let shape = component.shape();
    // A faint line is at most 6 px wide and straight to 2 px. Our choice.
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
    // Our choice: 3.2 deviations of the trace and 5 of the contrast; both, so that grain does not pass.
    let seen = trace > 3.2 * probe.residual.smooth_noise_d && profile > PROFILE_PART * leaked.abs();
    (seen
        && middle.abs() > CONTRAST_MIN_D
        && certainty > 5.0
        && agreeing as f64 >= AGREEMENT_MIN * f64::from(area))
    .then(|| {
        let mut beyond_ends = Vec::new();
        for sign in [1.0, -1.0] {
            let mut track =
                Track { probe, contrast_d: middle, trace_d: trace, side_px: SIDE_PX, gap_px: GAP_MAX_PX };
            let direction = (sign * cos, sign * sin);
            if let Some(end) = end_of(&component, direction) {
                track.follow(end, direction, &mut beyond_ends);
            }
        }
        WeakLine { component, contrast_d: middle, beyond_ends }
    })
}

/// Follows a confirmed line past its end.
pub(crate) struct Track<'a, 'b> {
    pub(crate) probe: &'a mut Probe<'b>,
    pub(crate) contrast_d: f32,
    /// Infrared density of the line; 0 if only the visible picture decides.
    pub(crate) trace_d: f32,
    /// Distance at which the line is compared with its sides.
    pub(crate) side_px: f64,
    /// Largest gap in which the line may be invisible.
    pub(crate) gap_px: usize,
}

/// Furthest pixel of a component in a direction.
pub(crate) fn end_of(component: &Component, (dx, dy): (f64, f64)) -> Option<(u32, u32)> {
    let along = |p: &(u32, u32)| f64::from(p.0) * dx + f64::from(p.1) * dy;
    component.pixels().max_by(|a, b| along(a).total_cmp(&along(b)))
}

impl Track<'_, '_> {
    /// Continues from an end as long as line and trace are visible, over gaps of a few pixels.
    pub(crate) fn follow(&mut self, end: (u32, u32), (dx, dy): (f64, f64), out: &mut Vec<(u32, u32)>) {
        let (mut x, mut y) = (f64::from(end.0), f64::from(end.1));
        let (mut pending, mut again) = (Vec::new(), 0);
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
                again += 1;
                // Past a gap, an edge of the picture that happens to be in the way is not the line.
                if again >= (pending.len() / 3).min(AGAIN_PX) {
                    out.append(&mut pending);
                }
                continue;
            }
            again = 0;
            if pending.len() > self.gap_px {
                return;
            }
        }
    }

    /// Visible contrast beyond half that of the line, with its sign, where the infrared has a trace as well; 0 or less
    /// where the line is not visible.
    fn seen(&mut self, x: f64, y: f64, aside: f64, dx: f64, dy: f64) -> f32 {
        let (x, y) = (x - aside * dy, y + aside * dx);
        let (px, py) = self.probe.pixel(x, y);
        // Our choice: two fifths of its own trace.
        if self.trace_d > 0.0 && self.probe.smooth(px, py) < 0.4 * self.trace_d {
            return 0.0;
        }
        // Three pixels along the line, so that grain is not taken for it.
        let mut mean = |aside: f64| {
            let at = |along: f64| (x + along * dx - aside * dy, y + along * dy + aside * dx);
            [-1.0, 0.0, 1.0].map(at).map(|(x, y)| self.probe.visible(x, y)).iter().sum::<f32>() / 3.0
        };
        let (middle, left, right) = (mean(0.0), mean(self.side_px), mean(-self.side_px));
        beyond(middle, left, right) * self.contrast_d.signum() - 0.5 * self.contrast_d.abs()
    }
}

/// The continuation of a bare line past its ends, visible only in the visible picture.
#[derive(Debug)]
pub(crate) struct Continuation {
    pub(crate) pixels: Vec<(u32, u32)>,
    pub(crate) contrast_d: f32,
    /// Half the width of the line.
    pub(crate) half_width_px: u32,
}

/// Finds the continuations of defects that are bare lines; `bare` are parts of `strong`, in its order.
pub(crate) fn continued(
    region: &Region<'_>,
    residual: &Residual,
    strong: &[Component],
    bare: &[BarePart],
) -> Result<Vec<Continuation>, DustError> {
    let mut parts: BTreeMap<usize, Vec<&BarePart>> = BTreeMap::new();
    bare.iter().for_each(|part| parts.entry(part.defect).or_default().push(part));
    let parts: Vec<_> = parts.into_iter().collect();
    let mut found = look_at_each(region, residual, parts, |probe, (defect, parts)| {
        let component = &strong[defect];
        let area: u32 = parts.iter().map(|part| part.pixels.area()).sum();
        let shape = component.shape();
        // A line may bend by 3 % of its length. Our choice.
        let wide = 2.0 * shape.across_rms_px > BARE_WIDTH_MAX_PX + 0.03 * shape.length_px;
        if shape.length_px < LENGTH_MIN_PX || wide || 2 * area < component.area() {
            return None;
        }
        let width = f64::from(component.area()) / shape.length_px;
        // The longer a straight line, the further its continuation can be trusted.
        let gap_px = (GAP_MAX_PX + shape.length_px as usize / 4).min(BARE_GAP_MAX_PX);
        let mut pixels = Vec::new();
        let (cos, sin) = shape.direction;
        for direction in [(cos, sin), (-cos, -sin)] {
            let Some(end) = end_of(component, direction) else { continue };
            let contrast = |part: &&&BarePart| {
                let b = part.pixels.bounds().grown(1, u32::MAX, u32::MAX);
                let inside = (b.x0..b.x1).contains(&end.0) && (b.y0..b.y1).contains(&end.1);
                inside.then_some(part.contrast_d)
            };
            // A trace that ends in dust says nothing about its continuation.
            let Some(contrast_d) = parts.iter().find_map(|part| contrast(&part)) else { continue };
            let direction = direction_at(component, end, direction);
            // 3 px beyond its edge. Our choice.
            let side_px = SIDE_PX.max(0.5 * width + 3.0);
            let mut track = Track { probe, contrast_d, trace_d: 0.0, side_px, gap_px };
            track.follow(end, direction, &mut pixels);
        }
        let contrast_d = parts.iter().map(|part| part.contrast_d).sum::<f32>() / parts.len() as f32;
        let half_width_px = (0.5 * width).ceil().clamp(1.0, 6.0) as u32;
        Some(Continuation { pixels, contrast_d, half_width_px })
    })?;
    found.retain(|line| !line.pixels.is_empty());
    Ok(found)
}

/// Direction of a line at one of its ends: from the mean of the last pixels to the end, or `whole` if those are too
/// few.
fn direction_at(component: &Component, end: (u32, u32), whole: (f64, f64)) -> (f64, f64) {
    let near = |&(x, y): &(u32, u32)| x.abs_diff(end.0).max(y.abs_diff(end.1)) < END_PX;
    let (n, sx, sy) = component
        .pixels()
        .filter(near)
        .fold((0.0, 0.0, 0.0), |(n, sx, sy), (x, y)| (n + 1.0, sx + f64::from(x), sy + f64::from(y)));
    let (dx, dy) = (f64::from(end.0) - sx / n, f64::from(end.1) - sy / n);
    let length = dx.hypot(dy);
    if length < 0.25 * f64::from(END_PX) { whole } else { (dx / length, dy / length) }
}

/// Marks the continuations of bare lines for filling from outside.
pub(crate) fn write_continued(map: &mut DustMap, lines: &[Continuation]) {
    for line in lines {
        let mark =
            Mark { severity: severity_of(line.contrast_d), class: DustClass::Scratch as u8, attenuation: 0 };
        // The part of the line that the infrared shows is already marked, and in its place.
        let open = line.pixels.iter().filter(|(x, y)| map.severity(*x, *y) == 0);
        let open: Vec<(u32, u32)> = open.copied().collect();
        for (x, y) in open {
            let rect =
                PixelRect::new(x, y, x + 1, y + 1).grown(line.half_width_px, map.width(), map.height());
            for (x, y) in (rect.y0..rect.y1).flat_map(|y| (rect.x0..rect.x1).map(move |x| (x, y))) {
                if map.severity(x, y) == 0 {
                    map.set_mark(x, y, mark);
                }
            }
        }
    }
}

/// Sum of a plane across a line, relative to its level on both sides.
fn across(mut plane: impl FnMut(f64, f64) -> f32, x: f64, y: f64, direction: (f64, f64)) -> f32 {
    let mut at = |d: i32| plane(x - f64::from(d) * direction.1, y + f64::from(d) * direction.0);
    let level = [-2, -1, 1, 2].map(|i: i32| at(i + i.signum() * PROFILE_PX)).iter().sum::<f32>() / 4.0;
    (-PROFILE_PX..=PROFILE_PX).map(|d| at(d) - level).sum()
}

/// How far a value is outside the range of its two sides; 0 between them, as at a plain edge.
pub(crate) fn beyond(value: f32, a: f32, b: f32) -> f32 {
    (value - a.max(b)).max(0.0) + (value - a.min(b)).min(0.0)
}

/// Marks the faint lines one pixel wider than the infrared shows them; filling does not use their own light.
pub(crate) fn write_weak(map: &mut DustMap, lines: &[WeakLine]) {
    let (w, h) = (map.width(), map.height());
    for line in lines {
        let severity = severity_of(line.contrast_d);
        for (x, y) in line.component.pixels().chain(line.beyond_ends.iter().copied()) {
            for yy in y.saturating_sub(1)..=(y + 1).min(h - 1) {
                for xx in x.saturating_sub(1)..=(x + 1).min(w - 1) {
                    let seen = map.mark(xx, yy);
                    // Under dust the emulsion is missing too, so the transmitted light is useless.
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
