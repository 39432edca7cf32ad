//! Strokes of the repair brush, applied to a dust map.
//!
//! A stroke is the set of pixels whose centres are within its radius of its line. Strokes apply in the order they were
//! made. A *spot* marks only what stands out from its surroundings: a plane is fitted to the densities of a ring around
//! the stroke for each channel, and pixels that differ from it by several robust standard deviations are filled, with a
//! rim.

use glassine_raster::{CancelToken, PixelRect, Plane, Point, RegionError, RegionSource, Samples16, Scan};

use crate::density::density_d;
use crate::robust::{Normal, dot, median_in_place};
use crate::types::{DustClass, DustMap, Mark};

/// Width of the ring that represents the surroundings of a spot. Our choice: enough pixels for a plane.
const RING_PX: u32 = 8;
/// Distance of the ring from the stroke, because the blur of a spot may reach out of it. Our choice.
const GAP_PX: u32 = 1;
/// Spots under larger brushes are filled whole: a plane says little about so large an area. Our choice.
const SPOT_RADIUS_MAX_PX: f64 = 40.0;
/// Multiples of the ring's robust standard deviation for the middle and the rim of a spot. Our choice: grain reaches
/// neither; lower marks texture, higher leaves faint rims.
const HIGH_SIGMA: f32 = 6.0;
const LOW_SIGMA: f32 = 3.0;
/// Least spread, D: less than this comes from only a few codes. Our choice.
const SPREAD_MIN_D: f32 = 0.003;
/// Marks of a spot grow by this, so that its blurred edge is filled too. Our choice.
const RIM_PX: u32 = 2;

/// What a stroke does to the pixels under it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StrokeEffect {
    /// Marks all of them.
    Mark,
    /// Removes their marks.
    Clear,
    /// Marks those that stand out from their surroundings.
    Spot,
}

/// A stroke of the brush: discs of one radius along a line through at least one point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke<'a> {
    pub effect: StrokeEffect,
    /// Scan pixels at pixel edges.
    pub points: &'a [Point<Scan>],
    /// Scan pixels.
    pub radius_px: f64,
}

/// Apply strokes to the map of the part `rect` of a scan.
pub fn apply_strokes(
    map: &mut DustMap,
    strokes: &[Stroke<'_>],
    rect: PixelRect,
    scan: &dyn RegionSource,
    cancel: &CancelToken,
) -> Result<(), RegionError> {
    for stroke in strokes {
        let Some(area) = Area::of(stroke, rect) else { continue };
        match stroke.effect {
            StrokeEffect::Mark => area.for_each(|x, y| mark(map, x, y)),
            StrokeEffect::Clear => area.for_each(|x, y| map.set_mark(x, y, Mark::CLEAN)),
            StrokeEffect::Spot => {
                let around = area.bounds().grown(GAP_PX + RING_PX, rect.width(), rect.height());
                let on_scan = PixelRect::new(
                    rect.x0 + around.x0,
                    rect.y0 + around.y0,
                    rect.x0 + around.x1,
                    rect.y0 + around.y1,
                );
                let small = stroke.radius_px <= SPOT_RADIUS_MAX_PX;
                let marks = if small {
                    let linear = scan.read(on_scan, cancel)?;
                    standing_out(&area, around, &linear)
                } else {
                    None
                };
                spot(map, &area, marks);
            }
        }
    }
    Ok(())
}

/// The parts of `rect` that strokes reach, relative to `rect`.
pub fn stroke_bounds(strokes: &[Stroke<'_>], rect: PixelRect) -> Vec<PixelRect> {
    strokes.iter().filter_map(|stroke| bounds_of(stroke, rect)).map(|bounds| local(bounds, rect)).collect()
}

fn local(bounds: PixelRect, rect: PixelRect) -> PixelRect {
    PixelRect::new(bounds.x0 - rect.x0, bounds.y0 - rect.y0, bounds.x1 - rect.x0, bounds.y1 - rect.y0)
}

/// The part of `rect` that a stroke may reach.
fn bounds_of(stroke: &Stroke<'_>, rect: PixelRect) -> Option<PixelRect> {
    let reach = stroke.radius_px;
    let bound = |from: fn(f64, f64) -> f64, axis: fn(&Point<Scan>) -> f64| {
        stroke.points.iter().map(axis).reduce(from)
    };
    let (left, right) = (bound(f64::min, |p| p.x)? - reach, bound(f64::max, |p| p.x)? + reach);
    let (top, bottom) = (bound(f64::min, |p| p.y)? - reach, bound(f64::max, |p| p.y)? + reach);
    let bounds = PixelRect::new(low(left), low(top), high(right), high(bottom)).intersect(rect);
    (!bounds.is_empty()).then_some(bounds)
}

// Casts of floats saturate, so a stroke far outside gives an empty rectangle.
fn low(v: f64) -> u32 {
    v.floor().max(0.0) as u32
}

fn high(v: f64) -> u32 {
    v.ceil().max(0.0) as u32
}

fn mark(map: &mut DustMap, x: u32, y: u32) {
    let class = match map.mark(x, y).class {
        0 => DustClass::Speck as u8,
        known => known,
    };
    map.set_mark(x, y, Mark { severity: u8::MAX, class, attenuation: 0 });
}

/// Pixels under a stroke, relative to a part of the scan.
struct Area {
    /// Bounds within the part, half-open.
    x0: u32,
    y0: u32,
    under: Plane<bool>,
}

impl Area {
    /// `None` if no pixel of `rect` is under the stroke.
    fn of(stroke: &Stroke<'_>, rect: PixelRect) -> Option<Self> {
        let reach = stroke.radius_px;
        let bounds = bounds_of(stroke, rect)?;
        let mut under = Plane::filled(bounds.width(), bounds.height(), false);
        let mut any = false;
        for (a, b) in segments(stroke) {
            let rows = PixelRect::new(
                low(a.0.min(b.0) - reach),
                low(a.1.min(b.1) - reach),
                high(a.0.max(b.0) + reach),
                high(a.1.max(b.1) + reach),
            )
            .intersect(bounds);
            for y in rows.y0..rows.y1 {
                for x in rows.x0..rows.x1 {
                    let center = (f64::from(x) + 0.5, f64::from(y) + 0.5);
                    if distance(center, a, b) <= reach {
                        under.set(x - bounds.x0, y - bounds.y0, true);
                        any = true;
                    }
                }
            }
        }
        any.then(|| Self { x0: bounds.x0 - rect.x0, y0: bounds.y0 - rect.y0, under })
    }

    fn for_each(&self, mut at: impl FnMut(u32, u32)) {
        for y in 0..self.under.height() {
            for x in (0..self.under.width()).filter(|x| self.under.at(*x, y)) {
                at(self.x0 + x, self.y0 + y);
            }
        }
    }

    fn bounds(&self) -> PixelRect {
        PixelRect::new(self.x0, self.y0, self.x0 + self.under.width(), self.y0 + self.under.height())
    }

    /// Whether a pixel is under the stroke grown by `by` pixels on all sides.
    fn near(&self, x: u32, y: u32, by: u32) -> bool {
        let (left, top) = (x.saturating_sub(by).max(self.x0), y.saturating_sub(by).max(self.y0));
        let right = (x + by + 1).min(self.x0 + self.under.width());
        let bottom = (y + by + 1).min(self.y0 + self.under.height());
        (top..bottom).any(|yy| (left..right).any(|xx| self.under.at(xx - self.x0, yy - self.y0)))
    }
}

/// The line of a stroke; a single point gives a segment of zero length.
fn segments(stroke: &Stroke<'_>) -> Vec<((f64, f64), (f64, f64))> {
    let points: Vec<_> = stroke.points.iter().map(|p| (p.x, p.y)).collect();
    match points.as_slice() {
        [only] => vec![(*only, *only)],
        more => more.windows(2).map(|pair| (pair[0], pair[1])).collect(),
    }
}

/// Distance of a position from a segment.
fn distance(p: (f64, f64), a: (f64, f64), b: (f64, f64)) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length2 = dx * dx + dy * dy;
    let along =
        if length2 > 0.0 { (((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length2).clamp(0.0, 1.0) } else { 0.0 };
    (p.0 - a.0 - along * dx).hypot(p.1 - a.1 - along * dy)
}

/// Mark what stands out under the stroke; all of it if nothing does, because the user saw something there.
fn spot(map: &mut DustMap, area: &Area, marks: Option<Plane<bool>>) {
    match marks {
        Some(marks) => {
            area.for_each(|x, y| {
                let (x0, y0) = (x.saturating_sub(RIM_PX).max(area.x0), y.saturating_sub(RIM_PX).max(area.y0));
                let x1 = (x + RIM_PX + 1).min(area.x0 + marks.width());
                let y1 = (y + RIM_PX + 1).min(area.y0 + marks.height());
                let any = (y0..y1).any(|yy| (x0..x1).any(|xx| marks.at(xx - area.x0, yy - area.y0)));
                if any {
                    mark(map, x, y);
                }
            });
        }
        None => area.for_each(|x, y| mark(map, x, y)),
    }
}

/// Pixels under the stroke that differ from the surrounding plane; `None` if undetermined. `linear` covers `around`.
fn standing_out(area: &Area, around: PixelRect, linear: &Samples16) -> Option<Plane<bool>> {
    let colours = if linear.channels() >= 3 { 3 } else { 1 };
    let code = |x: u32, y: u32, c: usize| linear.pixel(x - around.x0, y - around.y0)[c];
    let ring: Vec<(u32, u32)> = (around.y0..around.y1)
        .flat_map(|y| (around.x0..around.x1).map(move |x| (x, y)))
        .filter(|(x, y)| !area.near(*x, *y, GAP_PX) && area.near(*x, *y, GAP_PX + RING_PX))
        .collect();
    let (cx, cy) = (f64::from(around.x0 + around.x1) / 2.0, f64::from(around.y0 + around.y1) / 2.0);
    let place = |x: u32, y: u32| [1.0, f64::from(x) - cx, f64::from(y) - cy];
    let mut off = Plane::filled(area.under.width(), area.under.height(), 0.0_f32);
    for c in 0..colours {
        let rows: Vec<([f64; 3], f64)> =
            ring.iter().map(|(x, y)| (place(*x, *y), f64::from(density_d(code(*x, *y, c))))).collect();
        let (plane, spread) = fit_plane(&rows)?;
        let spread = (spread as f32).max(SPREAD_MIN_D);
        area.for_each(|x, y| {
            let expected = dot(&place(x, y), &plane);
            let sigmas = ((f64::from(density_d(code(x, y, c))) - expected) as f32 / spread).abs();
            let (x, y) = (x - area.x0, y - area.y0);
            off.set(x, y, off.at(x, y).max(sigmas));
        });
    }
    grown_from_peaks(&off)
}

/// Hysteresis: pixels that touch a strong pixel and are at least weak themselves; `None` without a strong one.
fn grown_from_peaks(off: &Plane<f32>) -> Option<Plane<bool>> {
    let mut marks = Plane::filled(off.width(), off.height(), false);
    let mut open: Vec<(u32, u32)> = Vec::new();
    for y in 0..off.height() {
        open.extend((0..off.width()).filter(|x| off.at(*x, y) >= HIGH_SIGMA).map(|x| (x, y)));
    }
    if open.is_empty() {
        return None;
    }
    while let Some((x, y)) = open.pop() {
        if marks.at(x, y) {
            continue;
        }
        marks.set(x, y, true);
        for yy in y.saturating_sub(1)..(y + 2).min(off.height()) {
            for xx in x.saturating_sub(1)..(x + 2).min(off.width()) {
                if !marks.at(xx, yy) && off.at(xx, yy) >= LOW_SIGMA {
                    open.push((xx, yy));
                }
            }
        }
    }
    Some(marks)
}

/// Plane fitted to densities by least squares with Tukey's biweight, and the robust spread around it.
///
/// Begins at the median, so that a structure in one part of the ring does not tilt it. `None` with too few places to
/// tell.
fn fit_plane(rows: &[([f64; 3], f64)]) -> Option<([f64; 3], f64)> {
    // Our choice: eight places for each unknown; common practice settles in a few rounds.
    const LEAST: usize = 24;
    const ROUNDS: usize = 5;
    if rows.len() < LEAST {
        return None;
    }
    let median = |values: &mut dyn Iterator<Item = f64>| {
        f64::from(median_in_place(&mut values.map(|value| value as f32).collect::<Vec<_>>()))
    };
    let mut plane = [median(&mut rows.iter().map(|row| row.1)), 0.0, 0.0];
    let mut spread = 0.0;
    for _ in 0..ROUNDS {
        let residual = |row: &([f64; 3], f64)| row.1 - dot(&row.0, &plane);
        // 1.4826: median absolute deviation to standard deviation of a normal distribution.
        spread = 1.4826 * median(&mut rows.iter().map(|row| residual(row).abs()));
        // 4.685: Tukey's biweight at 95 % efficiency (common practice).
        let reach = 4.685 * spread.max(1e-4);
        let mut normal = Normal::new();
        for row in rows {
            let u = residual(row) / reach;
            let weight = if u.abs() < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 };
            normal.add(&row.0, row.1, weight);
        }
        plane = normal.solve()?;
    }
    Some((plane, spread))
}

#[cfg(test)]
mod tests {
    use super::*;
    use glassine_testdata::random::Lcg;

    const SIDE: u32 = 80;

    fn line(points: &[(f64, f64)]) -> Vec<Point<Scan>> {
        points.iter().map(|(x, y)| Point::new(*x, *y)).collect()
    }

    fn stroke(effect: StrokeEffect, points: &[Point<Scan>], radius_px: f64) -> Stroke<'_> {
        Stroke { effect, points, radius_px }
    }

    /// A smooth slope with a little noise and one dark speck of three by three pixels around (40, 40).
    fn picture() -> Samples16 {
        let mut samples = Samples16::zeroed(SIDE, SIDE, 3);
        let mut random = Lcg::new(7);
        for y in 0..SIDE {
            for x in 0..SIDE {
                for c in 0..3 {
                    let noise = f64::from(random.next_u32() >> 20) / 4096.0 - 0.5;
                    let ground = 20_000.0 + 60.0 * f64::from(x) + 40.0 * f64::from(y) + 200.0 * noise;
                    let dust = if (39..42).contains(&x) && (39..42).contains(&y) { 0.5 } else { 1.0 };
                    samples.row_mut(y)[x as usize * 3 + c] = (ground * dust) as u16;
                }
            }
        }
        samples
    }

    fn laid(strokes: &[Stroke<'_>], rect: PixelRect) -> DustMap {
        let mut map = DustMap::clean(rect.width(), rect.height());
        // The picture repeats over the scan, so that a place is the same wherever its part begins.
        struct Repeated;
        impl RegionSource for Repeated {
            fn width(&self) -> u32 {
                1000
            }
            fn height(&self) -> u32 {
                1000
            }
            fn channels(&self) -> u8 {
                3
            }
            fn read(&self, rect: PixelRect, _: &CancelToken) -> Result<Samples16, RegionError> {
                let all = picture();
                let rows = (rect.y0..rect.y1).flat_map(|y| (rect.x0..rect.x1).map(move |x| (x, y)));
                let data = rows.flat_map(|(x, y)| all.pixel(x % SIDE, y % SIDE).to_vec()).collect();
                Samples16::from_vec(rect.width(), rect.height(), 3, data).ok_or_else(|| {
                    RegionError::Unreadable {
                        what: "of another size".into(),
                        what_to_do: "ask for a part of the picture".into(),
                        path: None,
                        may_pass: false,
                    }
                })
            }
        }
        apply_strokes(&mut map, strokes, rect, &Repeated, &CancelToken::new()).expect("in memory");
        map
    }

    fn marked(map: &DustMap) -> usize {
        map.marked_px() as usize
    }

    #[test]
    fn a_stroke_marks_a_band_of_its_own_width_and_painting_out_clears_it() {
        let rect = PixelRect::new(100, 200, 100 + SIDE, 200 + SIDE);
        let line = line(&[(120.0, 240.0), (160.0, 240.0)]);
        let band = laid(&[stroke(StrokeEffect::Mark, &line, 3.0)], rect);
        let expected = 40.0 * 6.0 + std::f64::consts::PI * 9.0;
        assert!((marked(&band) as f64 - expected).abs() < 16.0, "{} pixels", marked(&band));
        assert_eq!((band.mark(40, 40).severity, band.mark(40, 40).attenuation), (255, 0));
        let cleared = [stroke(StrokeEffect::Mark, &line, 3.0), stroke(StrokeEffect::Clear, &line, 4.0)];
        assert_eq!(marked(&laid(&cleared, rect)), 0);
        let [inside, out] = cleared;
        assert!(marked(&laid(&[out, inside], rect)) > 200, "the later stroke counts");
    }

    #[test]
    fn a_spot_marks_the_speck_under_the_brush_and_not_the_whole_brush() {
        let rect = PixelRect::of_size(SIDE, SIDE);
        let map = laid(&[stroke(StrokeEffect::Spot, &line(&[(40.5, 40.5)]), 12.0)], rect);
        assert_eq!(map.severity(40, 40), 255);
        assert_eq!(marked(&map), 49, "three pixels and a rim of two to each side");
        assert_eq!(map.severity(47, 40), 0);
    }

    #[test]
    fn a_spot_where_nothing_stands_out_is_filled_whole() {
        let rect = PixelRect::of_size(SIDE, SIDE);
        let map = laid(&[stroke(StrokeEffect::Spot, &line(&[(20.0, 60.0)]), 6.0)], rect);
        assert!((100..=125).contains(&marked(&map)), "{} pixels", marked(&map));
    }

    #[test]
    fn strokes_outside_and_senseless_pictures_do_no_harm() {
        let rect = PixelRect::of_size(SIDE, SIDE);
        let points = line(&[(-500.0, -3.0), (9_000_000.0, -40.0)]);
        let far = stroke(StrokeEffect::Mark, &points, 3.0);
        assert!(stroke_bounds(&[far], rect).is_empty());
        assert_eq!(marked(&laid(&[far], rect)), 0);
        let mut map = DustMap::clean(4, 4);
        let small = PixelRect::of_size(4, 4);
        let points = line(&[(2.0, 2.0)]);
        let all = [stroke(StrokeEffect::Spot, &points, 30.0)];
        apply_strokes(&mut map, &all, small, &Samples16::zeroed(4, 4, 1), &CancelToken::new())
            .expect("in memory");
        assert_eq!(marked(&map), 16);
    }
}
