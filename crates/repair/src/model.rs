//! The infrared density that only defects explain, on the visible pixel grid.
//!
//! ```text
//! E(x) = D_infrared(register(x)) - blur(c . D_visible)(x) - background(x)
//! ```
//! All that is frame-wide lies in the [`Model`]; any part of the frame is then computed from the samples about it alone, and
//! a pixel's value does not depend on which part was asked for.

use glassine_raster::{PixelRect, Plane, Samples16};

use crate::density::{DENSITY_D, background_row, density_d};
use crate::region::Region;
use crate::register::cubic_weights;
use crate::types::{DustError, Leakage, Registration};

/// What holds for the whole frame.
#[derive(Debug, Clone)]
pub(crate) struct Model {
    pub(crate) width: u32,
    pub(crate) height: u32,
    pub(crate) colours: u8,
    pub(crate) registration: Registration,
    /// Infrared density of lamp and film base, a value a block.
    pub(crate) background: Plane<f32>,
    /// Leaked density of every code, per colour; none when the dyes are clear.
    leaks: Vec<Vec<f32>>,
    /// Softness of the infrared picture: middle and one side of a Gaussian.
    kernel: Vec<f32>,
}

/// Residual density of a part of the frame, with one pixel more on every side where there is one.
#[derive(Debug)]
pub(crate) struct Field {
    /// What the planes cover.
    pub(crate) outer: PixelRect,
    /// Residual infrared density, D.
    pub(crate) density: Plane<f32>,
    /// Leaked image, D, when there is one.
    leaked: Option<Plane<f32>>,
}

impl Model {
    pub(crate) fn new(
        (width, height): (u32, u32),
        colours: u8,
        registration: Registration,
        leakage: &Leakage,
        background: Plane<f32>,
    ) -> Self {
        let weights = &leakage.coefficients.map(|c| c as f32)[..colours.min(3) as usize];
        let leaks = if is_clear(leakage) {
            Vec::new()
        } else {
            weights.iter().map(|&c| DENSITY_D.iter().map(|d| c * d).collect()).collect()
        };
        let kernel = if leaks.is_empty() { vec![1.0] } else { gaussian_kernel(leakage.blur_px as f32) };
        Self { width, height, colours, registration, background, leaks, kernel }
    }

    /// Samples that `rect` is computed from.
    fn needs(&self, rect: PixelRect) -> PixelRect {
        let outer = rect.grown(1, self.width, self.height);
        let visible = outer.grown(self.kernel.len() as u32 - 1, self.width, self.height);
        let corners =
            [(outer.x0, outer.y0), (outer.x1, outer.y0), (outer.x0, outer.y1), (outer.x1, outer.y1)].map(
                |(x, y)| {
                    let r = &self.registration;
                    r.infrared_from_visible(f64::from(x), f64::from(y), self.width, self.height)
                },
            );
        let bound = |pick: fn(&(f64, f64)) -> f64| {
            corners.iter().map(pick).fold((f64::MAX, f64::MIN), |(l, u), v| (l.min(v), u.max(v)))
        };
        let ((left, right), (top, bottom)) = (bound(|p| p.0), bound(|p| p.1));
        // Casts saturate; positions outside repeat the edge, so at least the edge itself is needed.
        let low = |v: f64, n: u32| ((v - 3.0).max(0.0) as u32).min(n - 1);
        let high = |v: f64, n: u32| ((v + 4.0).max(1.0) as u32).min(n);
        PixelRect::new(
            visible.x0.min(low(left, self.width)),
            visible.y0.min(low(top, self.height)),
            visible.x1.max(high(right, self.width)),
            visible.y1.max(high(bottom, self.height)),
        )
    }

    /// Residual density of `rect`, and the samples it was computed from, which begin at the position given.
    pub(crate) fn read(
        &self,
        region: &Region<'_>,
        rect: PixelRect,
    ) -> Result<(Field, Samples16, PixelRect), DustError> {
        let needs = self.needs(rect);
        let linear = region.read(needs)?;
        Ok((self.field(&linear, needs, rect), linear, needs))
    }

    /// Residual density of `rect` from samples that cover `from`.
    pub(crate) fn field(&self, linear: &Samples16, from: PixelRect, rect: PixelRect) -> Field {
        let outer = rect.grown(1, self.width, self.height);
        let leaked = (!self.leaks.is_empty()).then(|| self.leaked(linear, from, outer));
        let mut density = self.infrared(linear, from, outer);
        let w = outer.width() as usize;
        let mut slow = vec![0.0_f32; w];
        for y in 0..outer.height() {
            background_row(&self.background, outer.y0 + y, outer.x0, &mut slow);
            let out = density.row_mut(y);
            match &leaked {
                Some(plane) => {
                    for ((o, &s), &p) in out.iter_mut().zip(&slow).zip(plane.row(y)) {
                        *o -= s + p;
                    }
                }
                None => out.iter_mut().zip(&slow).for_each(|(o, s)| *o -= s),
            }
        }
        Field { outer, density, leaked }
    }

    /// Leaked image density, softened as the infrared picture is; edges of the frame repeat.
    fn leaked(&self, linear: &Samples16, from: PixelRect, outer: PixelRect) -> Plane<f32> {
        let reach = self.kernel.len() - 1;
        let (w, h) = (outer.width() as usize, outer.height() as usize);
        let wide = w + 2 * reach;
        let channels = linear.channels() as usize;
        let mut sharp = vec![0.0_f32; wide * (h + 2 * reach)];
        for (i, line) in sharp.chunks_exact_mut(wide).enumerate() {
            let y = clamped(i64::from(outer.y0) + i as i64 - reach as i64, self.height);
            let row = linear.row(y - from.y0);
            let first = outer.x0.saturating_sub(reach as u32);
            let end = (outer.x1 + reach as u32).min(self.width);
            // Columns of the frame, then its edge repeated on both sides.
            let before = reach - (outer.x0 - first) as usize;
            let middle = &mut line[before..before + (end - first) as usize];
            let pixels = row[(first - from.x0) as usize * channels..].chunks_exact(channels);
            match self.leaks.as_slice() {
                [r, g, b] => {
                    for (o, px) in middle.iter_mut().zip(pixels) {
                        *o = r[usize::from(px[0])] + g[usize::from(px[1])] + b[usize::from(px[2])];
                    }
                }
                tables => {
                    for (o, px) in middle.iter_mut().zip(pixels) {
                        *o = tables.iter().zip(px).map(|(t, &code)| t[usize::from(code)]).sum();
                    }
                }
            }
            let (left, right) = (middle[0], middle[middle.len() - 1]);
            let after = before + middle.len();
            line[..before].fill(left);
            line[after..].fill(right);
        }
        let mut out = Plane::filled(w as u32, h as u32, 0.0_f32);
        let mut column = vec![0.0_f32; wide];
        for y in 0..h {
            let line = |i: usize| &sharp[(y + i) * wide..(y + i + 1) * wide];
            for (c, v) in column.iter_mut().zip(line(reach)) {
                *c = self.kernel[0] * v;
            }
            for (i, &k) in self.kernel.iter().enumerate().skip(1) {
                for ((c, a), b) in column.iter_mut().zip(line(reach - i)).zip(line(reach + i)) {
                    *c += k * (a + b);
                }
            }
            let out = out.row_mut(y as u32);
            for (o, v) in out.iter_mut().zip(&column[reach..]) {
                *o = self.kernel[0] * v;
            }
            for (i, &k) in self.kernel.iter().enumerate().skip(1) {
                for ((o, a), b) in out.iter_mut().zip(&column[reach - i..]).zip(&column[reach + i..]) {
                    *o += k * (a + b);
                }
            }
        }
        out
    }

    /// Infrared density on the visible grid: interpolated in transmitted light (cubic), then taken as density.
    fn infrared(&self, linear: &Samples16, from: PixelRect, outer: PixelRect) -> Plane<f32> {
        if self.registration.is_pure_shift() {
            self.shifted(linear, from, outer)
        } else {
            self.turned(linear, from, outer)
        }
    }

    fn shifted(&self, linear: &Samples16, from: PixelRect, outer: PixelRect) -> Plane<f32> {
        let [sx, sy] = self.registration.shift_px;
        let (ix, iy) = (sx.floor(), sy.floor());
        let ((wx, _), (wy, _)) = (cubic_weights(sx - ix), cubic_weights(sy - iy));
        let (wx, wy) = (wx.map(|v| v as f32), wy.map(|v| v as f32));
        let (w, h) = (outer.width() as usize, outer.height() as usize);
        let channels = linear.channels() as usize;
        // Infrared columns x + ix - 1 .. x + ix + 2 of rows y + iy - 1 .. y + iy + 2, the frame's edges repeated.
        let wide = w + 3;
        let mut codes = vec![0.0_f32; wide * (h + 3)];
        let (left, top) = (i64::from(outer.x0) + ix as i64 - 1, i64::from(outer.y0) + iy as i64 - 1);
        for (i, line) in codes.chunks_exact_mut(wide).enumerate() {
            let row = linear.row(clamped(top + i as i64, self.height) - from.y0);
            let code = |x: i64| {
                f32::from(row[(clamped(x, self.width) - from.x0) as usize * channels + channels - 1])
            };
            let inside = (-left).clamp(0, wide as i64) as usize
                ..(i64::from(self.width) - left).clamp(0, wide as i64) as usize;
            for j in (0..inside.start).chain(inside.end.max(inside.start)..wide) {
                line[j] = code(left + j as i64);
            }
            if !inside.is_empty() {
                let first = (left + inside.start as i64 - i64::from(from.x0)) as usize * channels;
                let pixels = row[first + channels - 1..].iter().step_by(channels);
                for (o, v) in line[inside].iter_mut().zip(pixels) {
                    *o = f32::from(*v);
                }
            }
        }
        let mut out = Plane::filled(w as u32, h as u32, 0.0_f32);
        let mut column = vec![0.0_f32; wide];
        for y in 0..h {
            let line = |i: usize| &codes[(y + i) * wide..(y + i + 1) * wide];
            let lines = line(0).iter().zip(line(1)).zip(line(2)).zip(line(3));
            for (c, (((a, b), d), e)) in column.iter_mut().zip(lines) {
                *c = wy[0] * a + wy[1] * b + wy[2] * d + wy[3] * e;
            }
            for (o, s) in out.row_mut(y as u32).iter_mut().zip(column.windows(4)) {
                *o = density_of(wx[0] * s[0] + wx[1] * s[1] + wx[2] * s[2] + wx[3] * s[3]);
            }
        }
        out
    }

    fn turned(&self, linear: &Samples16, from: PixelRect, outer: PixelRect) -> Plane<f32> {
        let channels = linear.channels() as usize;
        let code = |x: i64, y: i64| {
            let (x, y) = (clamped(x, self.width) - from.x0, clamped(y, self.height) - from.y0);
            f32::from(linear.row(y)[x as usize * channels + channels - 1])
        };
        let mut out = Plane::filled(outer.width(), outer.height(), 0.0_f32);
        for y in 0..outer.height() {
            for (x, o) in out.row_mut(y).iter_mut().enumerate() {
                let (fx, fy) = self.registration.infrared_from_visible(
                    f64::from(outer.x0) + x as f64,
                    f64::from(outer.y0 + y),
                    self.width,
                    self.height,
                );
                let (ix, iy) = (fx.floor(), fy.floor());
                let ((wx, _), (wy, _)) = (cubic_weights(fx - ix), cubic_weights(fy - iy));
                let mut sum = 0.0;
                for (j, wy) in wy.iter().enumerate() {
                    for (i, wx) in wx.iter().enumerate() {
                        sum += (wx * wy) as f32 * code(ix as i64 + i as i64 - 1, iy as i64 + j as i64 - 1);
                    }
                }
                *o = density_of(sum);
            }
        }
        out
    }

    /// The whole frame; for tests.
    #[cfg(test)]
    fn everything(&self, linear: &Samples16) -> Field {
        let whole = PixelRect::of_size(self.width, self.height);
        self.field(linear, whole, whole)
    }
}

/// Whether the dyes hide nothing of the infrared.
pub(crate) fn is_clear(leakage: &Leakage) -> bool {
    leakage.coefficients.iter().all(|c| c.abs() < 2e-4)
}

#[inline]
fn density_of(code: f32) -> f32 {
    density_d((code + 0.5).clamp(1.0, 65535.0) as u16)
}

fn clamped(v: i64, n: u32) -> u32 {
    v.clamp(0, i64::from(n) - 1) as u32
}

/// Middle and one side of a Gaussian, cut at three standard deviations.
fn gaussian_kernel(sigma_px: f32) -> Vec<f32> {
    if sigma_px.is_nan() || sigma_px <= 0.2 {
        return vec![1.0];
    }
    let reach = (3.0 * sigma_px.min(20.0)).ceil() as usize;
    let half: Vec<f32> = (0..=reach).map(|i| (-0.5 * (i as f32 / sigma_px).powi(2)).exp()).collect();
    let sum = half[0] + 2.0 * half[1..].iter().sum::<f32>();
    half.iter().map(|k| k / sum).collect()
}

impl Field {
    /// Residual density at a position of the frame that the field covers.
    pub(crate) fn density_at(&self, x: u32, y: u32) -> f32 {
        self.density.at(x - self.outer.x0, y - self.outer.y0)
    }

    /// Leaked image density at a position of the frame that the field covers.
    pub(crate) fn leaked_at(&self, x: u32, y: u32) -> f32 {
        self.leaked.as_ref().map_or(0.0, |plane| plane.at(x - self.outer.x0, y - self.outer.y0))
    }

    fn rows_about(&self, y: u32) -> [u32; 3] {
        let at = y - self.outer.y0;
        [at.saturating_sub(1), at, (at + 1).min(self.outer.height() - 1)]
    }

    /// Density smoothed by 1 2 1 in both directions, over the columns of the field; the frame's edges repeat.
    pub(crate) fn smooth_row(&self, y: u32, column: &mut Vec<f32>, out: &mut Vec<f32>) {
        let [above, here, below] = self.rows_about(y).map(|row| self.density.row(row));
        column.clear();
        column.extend(here.iter().zip(above).zip(below).map(|((h, a), b)| 0.5 * h + 0.25 * (a + b)));
        let n = column.len();
        out.clear();
        out.resize(n, 0.0);
        for (o, c) in out[1.min(n - 1)..].iter_mut().zip(column.windows(3)) {
            *o = 0.5 * c[1] + 0.25 * (c[0] + c[2]);
        }
        for x in [0, n - 1] {
            let (l, r) = (column[x.saturating_sub(1)], column[(x + 1).min(n - 1)]);
            out[x] = 0.5 * column[x] + 0.25 * (l + r);
        }
    }

    /// [`Self::smooth_row`] at one position.
    pub(crate) fn smooth_at(&self, x: u32, y: u32) -> f32 {
        let rows = self.rows_about(y);
        let last = self.outer.width() - 1;
        let x = x - self.outer.x0;
        let column = |x: u32| {
            let [a, h, b] = rows.map(|row| self.density.at(x, row));
            0.5 * h + 0.25 * (a + b)
        };
        0.5 * column(x) + 0.25 * (column(x.saturating_sub(1)) + column((x + 1).min(last)))
    }

    /// Slope and bend of the leaked image, D per pixel: what an imperfect registration or blur leaves a part of.
    pub(crate) fn steepness_row(&self, y: u32, out: &mut Vec<f32>) {
        out.clear();
        out.resize(self.outer.width() as usize, 0.0);
        let Some(leaked) = &self.leaked else { return };
        let [above, here, below] = self.rows_about(y).map(|row| leaked.row(row));
        let n = here.len();
        let value = |l: f32, h: f32, r: f32, a: f32, b: f32| {
            0.5 * ((r - l).abs() + (b - a).abs()) + 0.5 * (l + r + a + b - 4.0 * h).abs()
        };
        let inner = out[1.min(n - 1)..].iter_mut().zip(here.windows(3));
        for ((o, h), (a, b)) in inner.zip(above[1.min(n - 1)..].iter().zip(&below[1.min(n - 1)..])) {
            *o = value(h[0], h[1], h[2], *a, *b);
        }
        for x in [0, n - 1] {
            let (l, r) = (here[x.saturating_sub(1)], here[(x + 1).min(n - 1)]);
            out[x] = value(l, here[x], r, above[x], below[x]);
        }
    }
}

#[cfg(test)]
mod tests {
    use glassine_raster::CancelToken;

    use super::*;

    fn leakage(coefficients: [f64; 3], blur_px: f64) -> Leakage {
        Leakage { coefficients, offset_d: 0.0, silver_correlation: 0.0, strength: 0.0, blur_px }
    }

    #[test]
    fn a_shifted_infrared_picture_is_laid_back() {
        let wave = |x: f64, y: f64| 30_000.0 + 8_000.0 * (0.3 * x).sin() * (0.25 * y).cos();
        let (w, h) = (64, 48);
        let mut data = Vec::new();
        for y in 0..h {
            for x in 0..w {
                // Infrared content lies at the visible position plus (0.8, -0.4).
                data.extend([20_000, wave(f64::from(x) - 0.8, f64::from(y) + 0.4) as u16]);
            }
        }
        let samples = Samples16::from_vec(w, h, 2, data).expect("length fits");
        for rotation_rad in [0.0, 1e-9] {
            let registration = Registration { shift_px: [0.8, -0.4], rotation_rad, ..Registration::ALIGNED };
            let zero = Plane::filled(4, 3, 0.0_f32);
            let model = Model::new((w, h), 1, registration, &leakage([0.0; 3], 0.0), zero);
            let laid = model.everything(&samples);
            for (x, y) in [(5, 5), (30, 20), (50, 40)] {
                let expect = (65535.0 / wave(f64::from(x), f64::from(y))).log10() as f32;
                assert!((laid.density_at(x, y) - expect).abs() < 5e-4);
            }
        }
    }

    #[test]
    fn a_part_has_the_values_of_the_whole() {
        let (w, h) = (90, 70);
        let mut state = 5_u32;
        let data = (0..w * h * 4).map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            20_000 + (state >> 18) as u16
        });
        let samples = Samples16::from_vec(w, h, 4, data.collect()).expect("length fits");
        let background =
            Plane::from_vec(6, 5, (0..30_u8).map(|i| 0.01 * f32::from(i)).collect()).expect("length fits");
        for (shift_px, rotation_rad) in [([0.8, -0.4], 0.0), ([-5.3, 7.1], 0.0), ([1.2, 0.3], 0.02)] {
            let registration = Registration { shift_px, rotation_rad, ..Registration::ALIGNED };
            let leakage = leakage([0.05, 0.01, -0.02], 0.9);
            let model = Model::new((w, h), 3, registration, &leakage, background.clone());
            let whole = model.everything(&samples);
            let cancel = CancelToken::new();
            let region = Region::new(&samples, PixelRect::of_size(w, h), &cancel);
            let (mut column, mut all, mut some) = (Vec::new(), Vec::new(), Vec::new());
            for rect in [(0, 0, 20, 9), (33, 17, 71, 40), (80, 60, 90, 70)] {
                let rect = PixelRect::new(rect.0, rect.1, rect.2, rect.3);
                let (part, ..) = model.read(&region, rect).expect("in memory");
                for y in rect.y0..rect.y1 {
                    let columns = |field: &Field| {
                        (rect.x0 - field.outer.x0) as usize..(rect.x1 - field.outer.x0) as usize
                    };
                    whole.smooth_row(y, &mut column, &mut all);
                    part.smooth_row(y, &mut column, &mut some);
                    assert_eq!(all[columns(&whole)], some[columns(&part)]);
                    assert_eq!(part.smooth_at(rect.x0, y), all[rect.x0 as usize]);
                    whole.steepness_row(y, &mut all);
                    part.steepness_row(y, &mut some);
                    assert_eq!(all[columns(&whole)], some[columns(&part)]);
                    for x in rect.x0..rect.x1 {
                        assert_eq!(part.density_at(x, y), whole.density_at(x, y), "{x} {y}");
                        assert_eq!(part.leaked_at(x, y), whole.leaked_at(x, y), "{x} {y}");
                    }
                }
            }
        }
    }
}
