//! Measures image edges to a fraction of a pixel, from thin bands around their expected positions.
//!
//! Up to 48 short profiles cross each side, each a mean over a few pixels along the side. A profile starts on the
//! rebate and rises into the image; it crosses the edge where the linear signal has covered a set share of the rise.
//! The line that most crossings agree with is the side; dust, edge print and clear places along the side do not agree.

use glassine_raster::{CancelToken, PixelRect, Point, RegionSource, Samples16, TiltedBox};

use super::LayoutError;
use super::line::{Line, Sample, fit};
use super::signal::Base;

/// Profiles across one side. Our choice: more cost reading at full resolution.
const PROFILES: usize = 48;
/// Pixels averaged along the side for one profile, at most. Our choice: against grain; more would blur a tilted edge.
const PROFILE_WIDTH_PX: usize = 12;
/// Share of a side left out at each end, because corners are rounded. Our choice.
const CORNER_SHARE: f64 = 0.04;

/// Share of the linear rise at which the edge is. Negatives: the density scale spreads the soft shadow of the gate
/// outwards, and half the exposure is reached late in the rise. Slides: near the middle. Ours, from a model of a
/// penumbra blurred before the film and a scanner blur after it.
const NEGATIVE_CROSSING: f32 = 0.7;
const SLIDE_CROSSING: f32 = 0.5;
/// Least rise that counts as an image, linear signal. Our choice: 0.009 D above a base; a slide's shadows rise less.
const NEGATIVE_RISE: f32 = 0.02;
const SLIDE_RISE: f32 = 0.006;

/// Signal assigned to open light beside a slide: brighter than any image, so that a rise into it is
/// recognised. Our choice.
const OPEN_SIGNAL: f32 = 4.0;

/// One measured side: top, right, bottom or left of the box. All lengths in scan pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Side {
    /// A point on the side.
    pub(super) on: (f64, f64),
    /// Turn of the side, clockwise.
    pub(super) angle_rad: f64,
    /// Share of the profiles that agree with it, 0 to 1.
    pub(super) agreeing: f32,
    pub(super) spread_px: f64,
    pub(super) length_px: f64,
    pub(super) blur_px: Option<f64>,
}

/// The sides that could be measured: top, right, bottom, left.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Sides(pub(super) [Option<Side>; 4]);

/// Where to measure: the source, how its pixels relate to the scan, and how far around the guess.
#[derive(Clone, Copy)]
pub(super) struct Look<'a> {
    pub(super) source: &'a dyn RegionSource,
    pub(super) colour: usize,
    /// Scan pixels per source pixel.
    pub(super) scale: f64,
    /// Half width of the band in source pixels for top, right, bottom, left.
    pub(super) reach_px: [f64; 4],
    /// How far a side may turn against the guess.
    pub(super) turn_rad: f64,
    pub(super) base: &'a Base,
}

/// Measures the sides of one image near `guess` (scan pixels).
pub(super) fn measure_sides(
    look: &Look<'_>,
    guess: &TiltedBox,
    cancel: &CancelToken,
) -> Result<Sides, LayoutError> {
    let mut sides = Sides::default();
    if !guess.is_sane() {
        return Ok(sides);
    }
    let c = guess.corners().map(|p| (p.x / look.scale, p.y / look.scale));
    // Ends of each side and the inward direction along the crossing axis.
    let ends = [(c[0], c[1], 1.0), (c[1], c[2], -1.0), (c[3], c[2], -1.0), (c[0], c[3], 1.0)];
    for (k, (from, to, inward)) in ends.into_iter().enumerate() {
        cancel.check()?;
        let upright = k % 2 == 1;
        let axis = |p: (f64, f64)| if upright { (p.1, p.0) } else { p };
        let (a, b) = (axis(from), axis(to));
        // A shorter side gives no line. Our choice.
        if b.0 - a.0 < 12.0 {
            continue;
        }
        let track = Track { t0: a.0, t1: b.0, p0: a.1, slope: (b.1 - a.1) / (b.0 - a.0), inward, upright };
        sides.0[k] = measure_side(look, &track, look.reach_px[k], cancel)?;
    }
    Ok(sides)
}

/// A side in source pixels: `p` across at `t` along; `upright` swaps x and y.
#[derive(Debug, Clone, Copy)]
struct Track {
    t0: f64,
    t1: f64,
    p0: f64,
    slope: f64,
    inward: f64,
    upright: bool,
}

impl Track {
    fn at(&self, t: f64) -> f64 {
        self.p0 + self.slope * (t - self.t0)
    }
}

fn measure_side(
    look: &Look<'_>,
    track: &Track,
    reach: f64,
    cancel: &CancelToken,
) -> Result<Option<Side>, LayoutError> {
    let (w, h) = (look.source.width(), look.source.height());
    let (t_limit, p_limit) = if track.upright { (h, w) } else { (w, h) };
    let length = track.t1 - track.t0;
    let (t0, t1) = (track.t0 + CORNER_SHARE * length, track.t1 - CORNER_SHARE * length);
    // Profiles use seven tenths of the side, so neighbours share no pixels. Our choice.
    let count = PROFILES.min(((t1 - t0) / 2.0) as usize).max(4);
    let width = (((t1 - t0) / count as f64 * 0.7) as usize).clamp(1, PROFILE_WIDTH_PX);
    let rect = |ta: f64, tb: f64| {
        let (pa, pb) =
            (track.at(ta).min(track.at(tb)) - reach - 2.0, track.at(ta).max(track.at(tb)) + reach + 2.0);
        let low = |v: f64, n: u32| v.floor().clamp(0.0, f64::from(n)) as u32;
        let high = |v: f64, n: u32| v.ceil().clamp(0.0, f64::from(n)) as u32;
        let (ta, tb) = (low(ta, t_limit), high(tb, t_limit));
        let (pa, pb) = (low(pa, p_limit), high(pb, p_limit));
        if track.upright { PixelRect::new(pa, ta, pb, tb) } else { PixelRect::new(ta, pa, tb, pb) }
    };
    // Read a level side at once and an upright one in short pieces, because files store rows together.
    let whole = if track.upright { None } else { Some(read(look, rect(t0, t1), cancel)?) };
    let mut samples = Vec::with_capacity(count);
    let mut blurs = Vec::with_capacity(count);
    for k in 0..count {
        let middle = t0 + (k as f64 + 0.5) * (t1 - t0) / count as f64;
        let start = (middle - width as f64 / 2.0).floor().max(0.0);
        let window = match &whole {
            Some(w) => w.clone(),
            None => std::sync::Arc::new(Window::read(look, rect(start, start + width as f64), cancel)?),
        };
        let profile = window.profile(look, track, start, width, reach);
        if let Some(c) = crossing(&profile, look.base.slide) {
            let t = start + width as f64 / 2.0;
            let p = track.at(t) + track.inward * (c.at - reach.floor());
            // Below a rise of 0.1, noise makes a place uncertain. Our choice.
            samples.push(Sample { t, p, weight: f64::from((c.rise / 0.1).min(1.0)).sqrt() });
            blurs.push((c.blur, c.rise));
        }
    }
    // A pixel and the bow of a gate: 0.04 % of its length. Our choice.
    let tolerance = (0.9 + 0.0004 * length).min(2.0);
    let Some(line) = fit(&samples, tolerance, track.slope, look.turn_rad) else { return Ok(None) };
    let agreeing = line.agreeing as f32 / count as f32;
    // An edge seen on an eighth of the profiles, over a third of the side, still gives its place. Our choice.
    if agreeing < 0.12 || line.reach < 0.3 * (t1 - t0) {
        return Ok(None);
    }
    Ok(Some(side_of(look.scale, track, &line, agreeing, &blurs)))
}

fn side_of(scale: f64, track: &Track, line: &Line, agreeing: f32, blurs: &[(f64, f32)]) -> Side {
    let (on, angle_rad) = if track.upright {
        ((line.at * scale, line.middle * scale), -line.slope.atan())
    } else {
        ((line.middle * scale, line.at * scale), line.slope.atan())
    };
    // Faint edges blur into noise, so only strong rises measure the edge width. Our choice.
    let strongest = blurs.iter().map(|b| b.1).fold(0.0, f32::max);
    let mut widths: Vec<f64> =
        blurs.iter().filter(|b| b.1 > 0.5 * strongest && b.1 > 0.1).map(|b| b.0).collect();
    let width = glassine_raster::median(&mut widths, f64::total_cmp).filter(|_| widths.len() >= 4);
    Side {
        on,
        angle_rad,
        agreeing,
        spread_px: line.spread * scale,
        length_px: line.reach * scale,
        blur_px: width.map(|width| width * scale),
    }
}

/// Pixels of a band, with the position of its first pixel.
struct Window {
    samples: Samples16,
    x0: f64,
    y0: f64,
}

fn read(
    look: &Look<'_>,
    rect: PixelRect,
    cancel: &CancelToken,
) -> Result<std::sync::Arc<Window>, LayoutError> {
    Window::read(look, rect, cancel).map(std::sync::Arc::new)
}

impl Window {
    fn read(look: &Look<'_>, rect: PixelRect, cancel: &CancelToken) -> Result<Self, LayoutError> {
        let samples = if rect.is_empty() {
            Samples16::zeroed(0, 0, look.source.channels())
        } else {
            look.source.read(rect, cancel)?
        };
        Ok(Self { samples, x0: f64::from(rect.x0), y0: f64::from(rect.y0) })
    }

    /// Mean linear signal at whole-pixel distances across the side, from outside to inside; NaN off the scan.
    fn profile(&self, look: &Look<'_>, track: &Track, start: f64, width: usize, reach: f64) -> Vec<f32> {
        let n = 2 * reach.floor() as usize + 1;
        let mut profile = vec![0.0_f32; n];
        for step in 0..width {
            let t = start + step as f64 + 0.5;
            let p = track.at(t);
            for (i, value) in profile.iter_mut().enumerate() {
                let at = p + track.inward * (i as f64 - reach.floor());
                let (x, y) = if track.upright { (at, t) } else { (t, at) };
                *value += self.linear_signal(look, x, y, track.upright);
            }
        }
        for value in &mut profile {
            *value /= width as f32;
        }
        profile
    }

    /// Signal at a position, interpolated along the crossing axis.
    fn linear_signal(&self, look: &Look<'_>, x: f64, y: f64, upright: bool) -> f32 {
        let (fx, fy) = (x - self.x0 - 0.5, y - self.y0 - 0.5);
        let (along, across) = if upright { (fy, fx) } else { (fx, fy) };
        let along = along.round();
        let (low, f) = (across.floor(), (across - across.floor()) as f32);
        let at = |across: f64| {
            let (x, y) = if upright { (across, along) } else { (along, across) };
            let (w, h) = (f64::from(self.samples.width()), f64::from(self.samples.height()));
            if x < 0.0 || y < 0.0 || x >= w || y >= h {
                return f32::NAN;
            }
            pixel_signal(look, self.samples.pixel(x as u32, y as u32))
        };
        let a = at(low);
        if f < 1e-4 { a } else { a * (1.0 - f) + at(low + 1.0) * f }
    }
}

/// Zero on the rebate. Negatives: one less the transmittance against the base. Slides: transmittance above the rebate.
fn pixel_signal(look: &Look<'_>, px: &[u16]) -> f32 {
    let t: [f32; 3] = std::array::from_fn(|c| {
        px.get(c.min(look.colour.saturating_sub(1))).map_or(0.0, |&v| f32::from(v) / 65535.0)
    });
    let base = look.base;
    if base.slide {
        if base.open.is_some_and(|o| o.holds(t)) {
            return OPEN_SIGNAL;
        }
        (0..3).map(|c| (t[c] - base.t[c]).max(0.0)).sum::<f32>() / 3.0
    } else {
        // Open light is clipped at 15 % above the base, so that it does not look like a deep hole. Our choice.
        (0..3).map(|c| 1.0 - (t[c] / base.t[c].max(1e-4)).min(1.15)).sum::<f32>() / 3.0
    }
}

/// Where a profile enters the image.
#[derive(Debug, Clone, Copy)]
struct Crossing {
    /// Index into the profile, fractional.
    at: f64,
    rise: f32,
    blur: f64,
}

/// First place where the signal leaves the rebate for an image.
fn crossing(profile: &[f32], slide: bool) -> Option<Crossing> {
    let mut from = 0;
    loop {
        let (next, found) = crossing_after(profile, from, slide)?;
        match found {
            Some(c) => return Some(c),
            None => from = next,
        }
    }
}

/// The next rise after `from`: where to continue, and the crossing unless the rise leads into open light.
fn crossing_after(profile: &[f32], from: usize, slide: bool) -> Option<(usize, Option<Crossing>)> {
    let least = if slide { SLIDE_RISE } else { NEGATIVE_RISE };
    let n = profile.len();
    let is_base = |i: usize| profile[i] < least;
    let first = (from..n.saturating_sub(1)).find(|&i| is_base(i) && is_base(i + 1))?;
    let up = (first + 2..n.saturating_sub(1)).find(|&i| profile[i] > least && profile[i + 1] > least)?;
    let mut outside: Vec<f32> =
        profile[first.max(up.saturating_sub(8))..up - 1].iter().copied().filter(|v| v.is_finite()).collect();
    outside.sort_by(f32::total_cmp);
    let zero = outside.get(outside.len() / 2).copied().unwrap_or(0.0);
    let mut top = up;
    // Climb while the signal rises; one sample of noise does not stop the climb. Our choice: a rise of 0.004 is below
    // the least that counts as an image.
    while top + 1 < n {
        let next = if top + 2 < n && profile[top + 2] > profile[top + 1] { top + 2 } else { top + 1 };
        if profile[next] > profile[top] + 0.004 {
            top = next;
        } else {
            break;
        }
    }
    // Above any image, towards `OPEN_SIGNAL`. Our choice.
    if profile[top] > 1.2 {
        return Some((top + 1, None));
    }
    let rise = profile[top] - zero;
    if !rise.is_finite() || rise < least || top + 1 >= n {
        return None;
    }
    let place = |share: f32| {
        let level = zero + share * rise;
        let i = (up.saturating_sub(4).max(first)..top).rev().find(|&i| profile[i] < level)?;
        Some(
            i as f64
                + f64::from((level - profile[i]) / (profile[i + 1] - profile[i]).max(1e-6)).clamp(0.0, 1.0),
        )
    };
    let at = place(if slide { SLIDE_CROSSING } else { NEGATIVE_CROSSING })?;
    // The 10-to-90-percent width is common practice for edges.
    let blur = place(0.9)? - place(0.1)?;
    Some((top + 1, Some(Crossing { at, rise, blur: blur.max(0.0) })))
}

impl Sides {
    /// Turn of the image: the mean over the sides weighted by length, agreement and straightness, without outliers.
    pub(super) fn angle(&self) -> Option<f64> {
        let weight = |s: &Side| {
            // A tenth of a pixel is the best a side is known to. Our choice.
            let sigma = s.spread_px + 0.1;
            f64::from(s.agreeing) * (s.length_px / sigma).powi(2)
        };
        let mean = |sides: &[&Side]| {
            let total: f64 = sides.iter().map(|s| weight(s)).sum();
            (total > 0.0).then(|| sides.iter().map(|s| s.angle_rad * weight(s)).sum::<f64>() / total)
        };
        let all: Vec<&Side> = self.0.iter().flatten().collect();
        let first = mean(&all)?;
        // 0.23 degrees: a frame is squarer than that (see `outline.rs`). Our choice.
        let near: Vec<&Side> = all.iter().copied().filter(|s| (s.angle_rad - first).abs() < 0.004).collect();
        mean(&near).or(Some(first))
    }

    /// The rectangle with turn `angle_rad` through the measured sides; a missing side keeps the guess, or is placed one
    /// `size` (width, height) from the opposite side.
    pub(super) fn rectangle(&self, guess: &TiltedBox, angle_rad: f64, size: Option<(f64, f64)>) -> TiltedBox {
        let (sin, cos) = angle_rad.sin_cos();
        let turned = |p: (f64, f64)| (p.0 * cos + p.1 * sin, p.1 * cos - p.0 * sin);
        let centre = turned((guess.center.x, guess.center.y));
        let pair = |low: Option<f64>, high: Option<f64>, middle: f64, guess_size: f64, size: Option<f64>| {
            let length = size.unwrap_or(guess_size);
            match (low, high) {
                (Some(a), Some(b)) if b > a => (a, b),
                (Some(a), _) => (a, a + length),
                (None, Some(b)) => (b - length, b),
                (None, None) => (middle - length / 2.0, middle + length / 2.0),
            }
        };
        let [top, right, bottom, left] = self.0.map(|s| s.map(|s| turned(s.on)));
        let x = pair(left.map(|p| p.0), right.map(|p| p.0), centre.0, guess.width_px, size.map(|s| s.0));
        let y = pair(top.map(|p| p.1), bottom.map(|p| p.1), centre.1, guess.height_px, size.map(|s| s.1));
        let (mx, my) = (f64::midpoint(x.0, x.1), f64::midpoint(y.0, y.1));
        TiltedBox {
            center: Point::new(mx * cos - my * sin, mx * sin + my * cos),
            width_px: x.1 - x.0,
            height_px: y.1 - y.0,
            angle_rad,
        }
    }

    /// Measured edge width: the median over the sides.
    pub(super) fn blur_px(&self) -> Option<f64> {
        let mut widths: Vec<f64> = self.0.iter().flatten().filter_map(|s| s.blur_px).collect();
        glassine_raster::median(&mut widths, f64::total_cmp)
    }

    pub(super) fn seen(&self) -> usize {
        self.0.iter().flatten().count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_profile_crosses_where_the_rise_is_covered() {
        let profile: Vec<f32> = [0.0, 0.0, 0.0, 0.001, 0.0, 0.2, 0.6, 0.8, 0.8, 0.79, 0.8].to_vec();
        let c = crossing(&profile, true).expect("an edge");
        assert!((c.at - 5.5).abs() < 0.01, "{}", c.at);
        assert!((c.rise - 0.8).abs() < 0.01);
    }

    #[test]
    fn a_rise_into_open_light_beside_a_slide_is_passed_over() {
        let profile = [4.0, 4.0, 1.5, 0.0, 0.0, 0.0, 0.3, 0.6, 0.6, 0.6];
        assert!((5.9..7.0).contains(&crossing(&profile, true).expect("an edge").at));
        let hole = [0.0, 0.0, 0.0, 2.0, 4.0, 4.0, 2.0, 0.0, 0.0, 0.0, 0.3, 0.6, 0.6, 0.6];
        assert!((9.9..11.0).contains(&crossing(&hole, true).expect("an edge").at));
    }

    #[test]
    fn a_profile_that_starts_on_the_holder_waits_for_the_rebate() {
        let profile = [0.99, 0.98, 0.4, 0.0, 0.0, 0.0, 0.0, 0.5, 0.9, 0.9, 0.9];
        let c = crossing(&profile, true).expect("an edge");
        assert!((6.5..7.5).contains(&c.at));
        assert!(crossing(&[0.5; 9], false).is_none());
        assert!(crossing(&[0.0; 9], false).is_none());
        assert!(crossing(&[f32::NAN; 9], false).is_none());
    }
}
