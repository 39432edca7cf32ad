//! Residual density of a part of a frame: see [`crate::model`].

use glassine_raster::{PixelLoop, PixelRect, Samples16, run_vectorised};

use crate::density::{background_row, density_of, dye_density};
use crate::model::{HALO_PX, Model};
use crate::register::cubic_weights;

/// Lag of an edge's density, in pixels, for a step of 1 D a pixel: a step of light of ratio 10^-D through a Gaussian of
/// s pixels has its middle density at s Phi^-1(10^(-D/2)), which for s = 0.6 is 0.3 px at 1 D and 1 px at 2.8 D.
/// Source: arithmetic.
const LAG_PX2_PER_D: f32 = 0.7;

/// Residual density of a part of the frame, with [`HALO_PX`] more pixels on every side inside the frame; reused for
/// part after part.
#[derive(Debug, Default)]
pub(crate) struct Field {
    /// The part that the planes cover.
    pub(crate) outer: PixelRect,
    width: usize,
    /// Residual infrared density, D.
    density: Vec<f32>,
    /// Leaked image, D; empty when the dyes are clear.
    leaked: Vec<f32>,
    /// Leaked density of a grey of 1 D.
    leak_of_grey: f32,
    /// Leaked image before softening, and infrared codes, both with a margin.
    sharp: Vec<f32>,
    codes: Vec<f32>,
    /// Buffer for one row.
    line: Vec<f32>,
}

impl Field {
    /// Residual density of `rect` from samples that cover `from`.
    pub(crate) fn compute(&mut self, model: &Model, linear: &Samples16, from: PixelRect, rect: PixelRect) {
        self.outer = rect.grown(HALO_PX, model.width, model.height);
        self.leak_of_grey = model.leaks.iter().map(|leak| leak.abs()).sum();
        self.width = self.outer.width() as usize;
        run_vectorised(Computing { field: self, model, linear, from });
    }

    fn place(&self, x: u32, y: u32) -> usize {
        (y - self.outer.y0) as usize * self.width + (x - self.outer.x0) as usize
    }

    /// Residual density at a frame position inside the field.
    pub(crate) fn density_at(&self, x: u32, y: u32) -> f32 {
        self.density[self.place(x, y)]
    }

    /// Leaked image density at a frame position inside the field.
    pub(crate) fn leaked_at(&self, x: u32, y: u32) -> f32 {
        self.leaked.get(self.place(x, y)).copied().unwrap_or(0.0)
    }

    /// Start indices of a row and its two neighbours; the frame's edges repeat.
    fn rows_about(&self, y: u32) -> [usize; 3] {
        let last = self.outer.height() - 1;
        let at = y - self.outer.y0;
        [at.saturating_sub(1), at, (at + 1).min(last)].map(|row| row as usize * self.width)
    }

    /// Density smoothed by 1 2 1 in both directions, over the columns of the field; the frame's edges repeat.
    pub(crate) fn smooth_row<'a>(&self, y: u32, space: &'a mut [Vec<f32>; 2]) -> &'a [f32] {
        let rows = self.rows_about(y).map(|first| &self.density[first..first + self.width]);
        let [column, out] = space;
        column.resize(self.width, 0.0);
        out.resize(self.width, 0.0);
        run_vectorised(Smoothing { rows, column, out });
        out
    }

    /// [`Self::smooth_row`] at one position.
    pub(crate) fn smooth_at(&self, x: u32, y: u32) -> f32 {
        let rows = self.rows_about(y);
        let last = self.width - 1;
        let x = (x - self.outer.x0) as usize;
        let column = |x: usize| {
            let [above, here, below] = rows.map(|first| self.density[first + x]);
            0.5 * here + 0.25 * (above + below)
        };
        0.5 * column(x) + 0.25 * (column(x.saturating_sub(1)) + column((x + 1).min(last)))
    }

    /// Slope and bend of the leaked image, D per pixel; an imperfect registration or blur leaves a part of it.
    pub(crate) fn steepness_at(&self, x: u32, y: u32) -> f32 {
        if self.leaked.is_empty() {
            return 0.0;
        }
        let rows = self.rows_about(y);
        let x = (x - self.outer.x0) as usize;
        let (left, right) = (x.saturating_sub(1), (x + 1).min(self.width - 1));
        let [above, here, below] = rows.map(|first| self.leaked[first + x]);
        let (left, right) = (self.leaked[rows[1] + left], self.leaked[rows[1] + right]);
        0.5 * ((right - left).abs() + (below - above).abs())
            + 0.5 * (left + right + above + below - 4.0 * here).abs()
    }

    /// Possible error of the leaked image at steep edges, because the lens softens light and not density, D.
    ///
    /// ```text
    /// doubt = LAG_PX2_PER_D * step * step / leak
    /// ```
    /// `step` is the largest step of the leaked image from pixel to pixel within [`HALO_PX`], summed over both
    /// directions; `leak` is the leak of 1 D. Between clear and black film the visible density rises a pixel late, on
    /// the dark side, while the infrared, where the same edge is faint, rises in place. The image is off by its step
    /// times that distance, which grows with the visible step. Slides have such edges around every picture; in
    /// negatives the doubt is far below the noise.
    pub(crate) fn lag_at(&self, x: u32, y: u32) -> f32 {
        if self.leaked.is_empty() || self.leak_of_grey <= 0.0 {
            return 0.0;
        }
        let place = |x: u32, y: u32| self.leaked[self.place(x, y)];
        let range = |at: u32, first: u32, end: u32| {
            at.saturating_sub(HALO_PX).max(first)..(at + HALO_PX).min(end - 1)
        };
        let along = range(x, self.outer.x0, self.outer.x1)
            .fold(0.0_f32, |most, x| most.max((place(x + 1, y) - place(x, y)).abs()));
        let down = range(y, self.outer.y0, self.outer.y1)
            .fold(0.0_f32, |most, y| most.max((place(x, y + 1) - place(x, y)).abs()));
        LAG_PX2_PER_D / self.leak_of_grey * (along + down) * (along + down)
    }
}

struct Smoothing<'a> {
    rows: [&'a [f32]; 3],
    column: &'a mut [f32],
    out: &'a mut [f32],
}

impl PixelLoop for Smoothing<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { rows: [above, here, below], column, out } = self;
        let n = out.len();
        let (above, here, below, column) = (&above[..n], &here[..n], &below[..n], &mut column[..n]);
        for x in 0..n {
            column[x] = 0.5 * here[x] + 0.25 * (above[x] + below[x]);
        }
        let inner = n.saturating_sub(2);
        let (left, middle, right) = (&column[..inner], &column[n - inner - 1..], &column[n - inner..]);
        let (middle, right, o) = (&middle[..inner], &right[..inner], &mut out[n - inner - 1..][..inner]);
        for x in 0..inner {
            o[x] = 0.5 * middle[x] + 0.25 * (left[x] + right[x]);
        }
        for x in [0, n - 1] {
            let (l, r) = (column[x.saturating_sub(1)], column[(x + 1).min(n - 1)]);
            out[x] = 0.5 * column[x] + 0.25 * (l + r);
        }
    }
}

struct Computing<'a> {
    field: &'a mut Field,
    model: &'a Model,
    linear: &'a Samples16,
    from: PixelRect,
}

impl PixelLoop for Computing<'_> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        let (model, outer) = (self.model, self.field.outer);
        self.field.leaked.clear();
        if !model.leaks.is_empty() {
            self.see_leaks();
            self.soften();
        }
        if model.registration.is_pure_shift() {
            self.see_shifted();
        } else {
            self.see_turned();
        }
        let Field { density, leaked, line, width, .. } = self.field;
        line.resize(*width, 0.0);
        let w = *width;
        for (y, out) in (outer.y0..outer.y1).zip(density.chunks_exact_mut(w)) {
            background_row(&model.background, y, outer.x0, line);
            let (out, slow) = (&mut out[..w], &line[..w]);
            for x in 0..w {
                out[x] -= slow[x];
            }
        }
        for (out, leaked) in density.chunks_exact_mut(w).zip(leaked.chunks_exact(w)) {
            let (out, leaked) = (&mut out[..w], &leaked[..w]);
            for x in 0..w {
                out[x] -= leaked[x];
            }
        }
    }
}

impl Computing<'_> {
    /// Samples of a frame row from a column onwards, as many as there are.
    #[inline(always)]
    fn samples(&self, y: u32, x: u32) -> &[u16] {
        &self.linear.row(y - self.from.y0)
            [(x - self.from.x0) as usize * usize::from(self.linear.channels())..]
    }

    /// Computes the sharp leaked image density with the margin that softening needs; edges of the frame repeat.
    #[inline(always)]
    fn see_leaks(&mut self) {
        let (model, outer) = (self.model, self.field.outer);
        let reach = model.kernel.len() - 1;
        let (w, h) = (outer.width() as usize + 2 * reach, outer.height() as usize + 2 * reach);
        let mut sharp = std::mem::take(&mut self.field.sharp);
        sharp.resize(w * h, 0.0);
        let channels = usize::from(self.linear.channels());
        let stray = model.stray_codes;
        let first = outer.x0.saturating_sub(reach as u32);
        let end = (outer.x1 + reach as u32).min(model.width);
        // Columns of the frame, then its edge repeated on both sides.
        let before = reach - (outer.x0 - first) as usize;
        let after = before + (end - first) as usize;
        for (i, line) in sharp.chunks_exact_mut(w).enumerate() {
            let y = clamped(i64::from(outer.y0) + i as i64 - reach as i64, model.height);
            let samples = self.samples(y, first);
            let middle = &mut line[before..after];
            match (channels, model.leaks.as_slice()) {
                (4, &[r, g, b]) => leaks_of::<4, 3>(samples, [r, g, b], stray, middle),
                (2, &[grey]) => leaks_of::<2, 1>(samples, [grey], stray, middle),
                (n, leaks) => {
                    for (o, px) in middle.iter_mut().zip(samples.chunks_exact(n)) {
                        let all = leaks.iter().zip(px);
                        *o = all
                            .fold(0.0, |sum, (leak, code)| sum + leak * dye_density(f32::from(*code), stray));
                    }
                }
            }
            let (left, right) = (line[before], line[after - 1]);
            line[..before].fill(left);
            line[after..].fill(right);
        }
        self.field.sharp = sharp;
    }

    /// Makes the leaked image as soft as the infrared picture.
    #[inline(always)]
    fn soften(&mut self) {
        let kernel = self.model.kernel.as_slice();
        let reach = kernel.len() - 1;
        let Field { outer, width, leaked, sharp, line, .. } = &mut *self.field;
        let (w, wide) = (*width, *width + 2 * reach);
        leaked.resize(w * outer.height() as usize, 0.0);
        line.resize(wide, 0.0);
        for (y, out) in leaked.chunks_exact_mut(w).enumerate() {
            let row = |i: usize| &sharp[(y + i) * wide..(y + i + 1) * wide];
            spread(kernel, row(reach), |i| (row(reach - i), row(reach + i)), &mut line[..wide]);
            let line = &line[..wide];
            let part = |i: usize| &line[i..i + w];
            spread(kernel, part(reach), |i| (part(reach - i), part(reach + i)), out);
        }
    }

    /// Infrared density on the visible grid: interpolated in transmitted light (cubic), then converted to density.
    #[inline(always)]
    fn see_shifted(&mut self) {
        let (model, outer) = (self.model, self.field.outer);
        let [sx, sy] = model.registration.shift_px;
        let (ix, iy) = (sx.floor(), sy.floor());
        let ((wx, _), (wy, _)) = (cubic_weights(sx - ix), cubic_weights(sy - iy));
        let (wx, wy) = (wx.map(|v| v as f32), wy.map(|v| v as f32));
        let (w, h) = (outer.width() as usize, outer.height() as usize);
        // Infrared columns x + ix - 1 .. x + ix + 2 of rows y + iy - 1 .. y + iy + 2, the frame's edges repeated.
        let wide = w + 3;
        let mut codes = std::mem::take(&mut self.field.codes);
        codes.resize(wide * (h + 3), 0.0);
        let (left, top) = (i64::from(outer.x0) + ix as i64 - 1, i64::from(outer.y0) + iy as i64 - 1);
        let inside = (-left).clamp(0, wide as i64) as usize
            ..(i64::from(model.width) - left).clamp(0, wide as i64) as usize;
        for (i, line) in codes.chunks_exact_mut(wide).enumerate() {
            let y = clamped(top + i as i64, model.height);
            for j in (0..inside.start).chain(inside.end.max(inside.start)..wide) {
                last_codes(
                    self.linear,
                    self.samples(y, clamped(left + j as i64, model.width)),
                    &mut line[j..j + 1],
                );
            }
            if !inside.is_empty() {
                let first = (left + inside.start as i64) as u32;
                last_codes(self.linear, self.samples(y, first), &mut line[inside.clone()]);
            }
        }
        let Field { density, line, .. } = &mut *self.field;
        density.resize(w * h, 0.0);
        line.resize(wide, 0.0);
        for (y, out) in density.chunks_exact_mut(w).enumerate() {
            weigh([0, 1, 2, 3].map(|i| &codes[(y + i) * wide..]), wy, &mut line[..wide]);
            weigh([0, 1, 2, 3].map(|i| &line[i..]), wx, out);
            out.iter_mut().for_each(|o| *o = density_of(*o));
        }
        self.field.codes = codes;
    }

    fn see_turned(&mut self) {
        let (model, outer) = (self.model, self.field.outer);
        let channels = usize::from(self.linear.channels());
        let (linear, from) = (self.linear, self.from);
        let code = |x: i64, y: i64| {
            let (x, y) = (clamped(x, model.width) - from.x0, clamped(y, model.height) - from.y0);
            f32::from(linear.row(y)[x as usize * channels + channels - 1])
        };
        self.field.density.clear();
        for y in outer.y0..outer.y1 {
            for x in outer.x0..outer.x1 {
                let (fx, fy) = model.registration.infrared_from_visible(
                    f64::from(x),
                    f64::from(y),
                    model.width,
                    model.height,
                );
                let (ix, iy) = (fx.floor(), fy.floor());
                let ((wx, _), (wy, _)) = (cubic_weights(fx - ix), cubic_weights(fy - iy));
                let mut sum = 0.0;
                for (j, wy) in wy.iter().enumerate() {
                    for (i, wx) in wx.iter().enumerate() {
                        sum += (wx * wy) as f32 * code(ix as i64 + i as i64 - 1, iy as i64 + j as i64 - 1);
                    }
                }
                self.field.density.push(density_of(sum));
            }
        }
    }
}

/// Weighted sum of four rows.
#[inline(always)]
fn weigh(rows: [&[f32]; 4], weights: [f32; 4], out: &mut [f32]) {
    let n = out.len();
    let [a, b, c, d] = rows.map(|row| &row[..n]);
    for x in 0..n {
        out[x] = weights[0] * a[x] + weights[1] * b[x] + weights[2] * c[x] + weights[3] * d[x];
    }
}

/// Weighted sum of a row and its neighbours on both sides; `pair` returns the two at a distance.
#[inline(always)]
fn spread<'a>(
    kernel: &[f32],
    middle: &[f32],
    pair: impl Fn(usize) -> (&'a [f32], &'a [f32]),
    out: &mut [f32],
) {
    let n = out.len();
    let middle = &middle[..n];
    for x in 0..n {
        out[x] = kernel[0] * middle[x];
    }
    for (i, &k) in kernel.iter().enumerate().skip(1) {
        let (a, b) = pair(i);
        let (a, b) = (&a[..n], &b[..n]);
        for x in 0..n {
            out[x] += k * (a[x] + b[x]);
        }
    }
}

/// Leaked density of pixels with `C` channels, of which `N` leak.
#[inline(always)]
fn leaks_of<const C: usize, const N: usize>(samples: &[u16], leaks: [f32; N], stray: f32, out: &mut [f32]) {
    let (pixels, _) = samples.as_chunks::<C>();
    for (o, px) in out.iter_mut().zip(pixels) {
        let mut sum = 0.0;
        for c in 0..N {
            sum += leaks[c] * dye_density(f32::from(px[c]), stray);
        }
        *o = sum;
    }
}

/// Codes of the last channel of some pixels.
#[inline(always)]
fn last_codes(linear: &Samples16, samples: &[u16], out: &mut [f32]) {
    match linear.channels() {
        4 => last_of::<4>(samples, out),
        2 => last_of::<2>(samples, out),
        n => {
            for (o, px) in out.iter_mut().zip(samples.chunks_exact(usize::from(n))) {
                *o = f32::from(px[px.len() - 1]);
            }
        }
    }
}

#[inline(always)]
fn last_of<const C: usize>(samples: &[u16], out: &mut [f32]) {
    let (pixels, _) = samples.as_chunks::<C>();
    for (o, px) in out.iter_mut().zip(pixels) {
        *o = f32::from(px[C - 1]);
    }
}

fn clamped(v: i64, n: u32) -> u32 {
    v.clamp(0, i64::from(n) - 1) as u32
}
