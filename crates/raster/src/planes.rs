//! Samples sorted by channel, and rows read out of them at a tilt.

use std::ops::Range;

use crate::resample::{Kernel, TiltedSampling};
use crate::vector::{PixelLoop, Simd, VectorLoop, least, most, run_in_vectors, run_vectorised};
use crate::{PixelRect, Samples16};

/// Copies of the first and last sample at the ends of each line, so that a run of pixels never asks whether it is inside.
const PAD: usize = RUN + BLOCK;

/// A piece of a scan, turned and mirrored as the picture is, each row of each channel on its own: what lies side by side
/// in the picture lies side by side in memory.
///
/// Made once for a piece and used for all picture rows that are read out of it; its buffer is used again when it is
/// filled again.
#[derive(Debug, Clone, Default)]
pub struct SourcePlanes {
    /// Along picture rows and along picture columns.
    axes: [Axis; 2],
    channels: usize,
    /// Line after line, in each of them channel after channel, each with `PAD` samples at both ends.
    codes: Vec<u16>,
}

/// One direction of the picture within the scan.
#[derive(Debug, Clone, Copy, Default)]
struct Axis {
    /// Whether it runs along the columns of the scan, and whether against their order (or that of the rows).
    is_down: bool,
    is_backward: bool,
    /// First scan pixel and their number.
    first: u32,
    len: u32,
}

impl Axis {
    /// The direction of a step in the scan, within a rectangle.
    fn of(step: (f64, f64), rect: PixelRect) -> Self {
        let is_down = step.1.abs() > step.0.abs();
        if is_down {
            Self { is_down, is_backward: step.1 < 0.0, first: rect.y0, len: rect.height() }
        } else {
            Self { is_down, is_backward: step.0 < 0.0, first: rect.x0, len: rect.width() }
        }
    }

    /// Place on this axis of a scan pixel by its number, which must lie on it.
    fn place_of(self, px: u32) -> usize {
        (if self.is_backward { self.first + self.len - 1 - px } else { px - self.first }) as usize
    }

    /// Place of a pixel's centre along this direction of the scan; [`Axis::origin`] is that of the first pixel.
    fn centre(self, (x, y): (f64, f64)) -> f64 {
        let along = if self.is_down { y } else { x } - 0.5;
        if self.is_backward { -along } else { along }
    }

    /// Place of the first pixel of this axis, by [`Axis::centre`].
    fn origin(self) -> f64 {
        if self.is_backward { -f64::from(self.first + self.len - 1) } else { f64::from(self.first) }
    }
}

impl SourcePlanes {
    /// Take the first `channels` channels of scan pixels `rect` out of `src`, whose first pixel is scan pixel `src_at`,
    /// to be read by `plan` (or any other plan with its orientation).
    ///
    /// The part of `rect` that `src` does not have is left out.
    pub fn fill(
        &mut self,
        plan: &TiltedSampling,
        src: &Samples16,
        src_at: (u32, u32),
        rect: PixelRect,
        channels: u8,
    ) {
        let has = PixelRect::new(src_at.0, src_at.1, src_at.0 + src.width(), src_at.1 + src.height());
        self.begin(plan, rect.intersect(has), channels.min(src.channels()));
        self.add(src, src_at);
        self.finish();
    }

    /// Make room for scan pixels `rect`, whose pieces are then added one by one.
    pub fn begin(&mut self, plan: &TiltedSampling, rect: PixelRect, channels: u8) {
        self.axes = [Axis::of(plan.step_x, rect), Axis::of(plan.step_y, rect)];
        let [along, across] = self.axes;
        self.channels = usize::from(channels);
        // Sheared boxes do not exist; an empty piece has nothing to read.
        let is_sound = along.is_down != across.is_down && !rect.is_empty();
        let samples = self.stride() * self.channels * across.len as usize;
        self.codes.resize(if is_sound { samples } else { 0 }, 0);
    }

    /// Take what `src`, whose first pixel is scan pixel `src_at`, has of the pixels.
    pub fn add(&mut self, src: &Samples16, src_at: (u32, u32)) {
        let [along, across] = self.axes;
        let (stride, count, all) = (self.stride(), self.channels, usize::from(src.channels()));
        if self.codes.is_empty() || all < count {
            return;
        }
        let has = |axis: Axis| {
            let (at, len) = if axis.is_down { (src_at.1, src.height()) } else { (src_at.0, src.width()) };
            let (from, to) = (at.max(axis.first), (at + len).min(axis.first + axis.len));
            (from.min(to)..to, at)
        };
        let ((columns, at_u), (rows, at_v)) = (has(along), has(across));
        if columns.is_empty() {
            return;
        }
        let first = along.place_of(if along.is_backward { columns.end - 1 } else { columns.start });
        let (from, len) = ((columns.start - at_u) as usize, columns.len());
        for row in rows {
            let (v, other) = (across.place_of(row), (row - at_v) as usize);
            let lines = &mut self.codes[v * stride * count..][..stride * count];
            if along.is_down {
                let column = &src.data()[(from * src.width() as usize + other) * all..];
                sort(column, src.stride(), lines, stride, PAD + first..PAD + first + len);
            } else {
                let codes = &src.row(other as u32)[from * all..(from + len) * all];
                let to = PAD + first..PAD + first + len;
                match all {
                    1 => run_vectorised(Sort::<1> { codes, lines, stride, to }),
                    2 => run_vectorised(Sort::<2> { codes, lines, stride, to }),
                    3 => run_vectorised(Sort::<3> { codes, lines, stride, to }),
                    4 => run_vectorised(Sort::<4> { codes, lines, stride, to }),
                    n => sort(codes, n, lines, stride, to),
                }
            }
            if along.is_backward {
                for line in lines.chunks_exact_mut(stride) {
                    line[PAD + first..PAD + first + len].reverse();
                }
            }
        }
    }

    /// Repeat the first and last sample of every line at its ends, once all pieces are there.
    pub fn finish(&mut self) {
        let (stride, len) = (self.stride(), self.axes[0].len as usize);
        for line in self.codes.chunks_exact_mut(stride) {
            let (first, last) = (line[PAD], line[PAD + len - 1]);
            line[..PAD].fill(first);
            line[PAD + len..].fill(last);
        }
    }

    /// Whether there is no sample at all.
    pub fn is_empty(&self) -> bool {
        self.codes.is_empty()
    }

    fn stride(&self) -> usize {
        self.axes[0].len as usize + 2 * PAD
    }

    /// The lines of all channels with their ends, the nearest ones when there are none.
    fn lines_of(&self, v: i32) -> &[u16] {
        let v = v.clamp(0, self.axes[1].len as i32 - 1) as usize;
        &self.codes[v * self.channels * self.stride()..][..self.channels * self.stride()]
    }

    fn line(&self, channel: usize, v: i32) -> &[u16] {
        &self.lines_of(v)[channel * self.stride()..][..self.stride()]
    }

    /// These columns of row `y` of the picture, by the kernel of the plan; the edge where there is no sample.
    pub(crate) fn lines_at<'a>(
        &'a self,
        plan: &TiltedSampling,
        columns: Range<u32>,
        y: u32,
        buffer: &'a mut Vec<u16>,
    ) -> Lines<'a> {
        let width = columns.len();
        if self.is_empty() {
            buffer.clear();
            buffer.resize(width, 0);
            return Lines { codes: buffer, first: 0, width, stride: 0, channels: 1 };
        }
        if plan.is_exact_copy() {
            let p = plan.scan_position(columns.start, y);
            let [u, v] = self.axes.map(|axis| (axis.centre((p.x, p.y)) - axis.origin()).round());
            // Ends of lines are copies of the edge: so far the row may lie outside.
            let first = u + PAD as f64;
            if first >= 0.0 && first + width as f64 <= self.stride() as f64 {
                let codes = self.lines_of(v as i32);
                let (stride, channels) = (self.stride(), self.channels);
                return Lines { codes, first: first as usize, width, stride, channels };
            }
        }
        let channels = self.channels;
        buffer.resize(width * channels, 0);
        let (at, row) = ((f64::from(columns.start), f64::from(y)), buffer.as_mut_slice());
        match (channels, plan.kernel) {
            (1, Kernel::Cubic) => run_in_vectors(TiltedRow::<1, 5> { plan, src: self, at, row, width }),
            (2, Kernel::Cubic) => run_in_vectors(TiltedRow::<2, 5> { plan, src: self, at, row, width }),
            (3, Kernel::Cubic) => run_in_vectors(TiltedRow::<3, 5> { plan, src: self, at, row, width }),
            (4, Kernel::Cubic) => run_in_vectors(TiltedRow::<4, 5> { plan, src: self, at, row, width }),
            (1, Kernel::Bilinear) => run_in_vectors(TiltedRow::<1, 3> { plan, src: self, at, row, width }),
            (2, Kernel::Bilinear) => run_in_vectors(TiltedRow::<2, 3> { plan, src: self, at, row, width }),
            (3, Kernel::Bilinear) => run_in_vectors(TiltedRow::<3, 3> { plan, src: self, at, row, width }),
            (4, Kernel::Bilinear) => run_in_vectors(TiltedRow::<4, 3> { plan, src: self, at, row, width }),
            _ => {}
        }
        Lines { codes: buffer, first: 0, width, stride: width, channels }
    }
}

/// A row of the picture, a line for each channel.
#[derive(Debug, Clone, Copy)]
pub struct Lines<'a> {
    codes: &'a [u16],
    first: usize,
    width: usize,
    stride: usize,
    channels: usize,
}

impl<'a> Lines<'a> {
    /// The codes of a channel; those of the last one for any beyond.
    pub fn of(&self, channel: usize) -> &'a [u16] {
        let line = channel.min(self.channels.saturating_sub(1)) * self.stride;
        &self.codes[line + self.first..][..self.width]
    }

    /// Red, green and blue; of a single channel the same line three times.
    pub fn colours(&self) -> [&'a [u16]; 3] {
        if self.channels < 3 { [self.of(0); 3] } else { [0, 1, 2].map(|c| self.of(c)) }
    }
}

/// Sort samples that lie `step` apart into a part of each line.
fn sort(codes: &[u16], step: usize, lines: &mut [u16], stride: usize, to: Range<usize>) {
    for (c, line) in lines.chunks_exact_mut(stride).enumerate() {
        let channel = codes.iter().skip(c).step_by(step);
        line[to.clone()].iter_mut().zip(channel).for_each(|(to, from)| *to = *from);
    }
}

/// One row of interleaved samples, sorted by channel.
struct Sort<'a, const C: usize> {
    codes: &'a [u16],
    lines: &'a mut [u16],
    stride: usize,
    to: Range<usize>,
}

impl<const C: usize> PixelLoop for Sort<'_, C> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (c, line) in self.lines.chunks_exact_mut(self.stride).enumerate() {
            for (to, from) in line[self.to.clone()].iter_mut().zip(self.codes.chunks_exact(C)) {
                *to = from[c % C];
            }
        }
    }
}

/// Output pixels whose places and weights are worked out together.
const RUN: usize = 256;

/// 0, 1, 2 …
const NUMBERS: [f64; RUN] = {
    let mut numbers = [0.0; RUN];
    let mut i = 0;
    while i < RUN {
        numbers[i] = i as f64;
        i += 1;
    }
    numbers
};

/// Runs are cut at multiples of this many pixels: the longest vector there is.
const BLOCK: usize = 16;

/// Places of a run of pixels, and the weights of the samples around them.
///
/// Along a run at a small tilt the place in the source advances by one a pixel, and sometimes by one more or less. So the
/// weights of `T` columns and lines are kept, one more than the kernel has, and moved by one where that happens: a weight
/// of nothing changes no sum.
struct Taps<const T: usize> {
    u: [i32; RUN],
    v: [i32; RUN],
    wu: [[f32; RUN]; T],
    wv: [[f32; RUN]; T],
    /// Samples of one channel under the taps, and their sums.
    lines: [[f32; RUN + BLOCK]; T],
    sums: [f32; RUN],
}

/// A row of output pixels, read out of the source at a tilt.
struct TiltedRow<'a, const C: usize, const T: usize> {
    plan: &'a TiltedSampling,
    src: &'a SourcePlanes,
    at: (f64, f64),
    /// A line for each channel.
    row: &'a mut [u16],
    width: usize,
}

impl<const C: usize, const T: usize> VectorLoop for TiltedRow<'_, C, T> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { plan, src, at: (x, y), row, width } = self;
        let mut taps = Taps::<T> {
            u: [0; RUN],
            v: [0; RUN],
            wu: [[0.0; RUN]; T],
            wv: [[0.0; RUN]; T],
            lines: [[0.0; RUN + BLOCK]; T],
            sums: [0.0; RUN],
        };
        let mut codes = [0_u16; RUN];
        for start in (0..width).step_by(RUN) {
            let len = RUN.min(width - start);
            let shares = taps.place(plan, src, (x + start as f64, y));
            let mut from = 0;
            while from < len {
                let to = taps.end_of_line(from, len);
                // A few pixels on a line are quicker one by one, and far outside there is only the edge.
                let near = -(PAD as i32) + 2 < taps.u[from] - from as i32
                    && taps.u[from] + 2 < src.axes[0].len as i32 + 4;
                let whole = to - from >= BLOCK && near;
                let base = if whole { taps.weigh(plan, &shares, from..to) } else { (0, 0) };
                for c in 0..C {
                    let line = &mut row[c * width + start..][from..to];
                    if whole {
                        taps.sum(simd, src, c, base, from..to, &mut codes);
                        line.copy_from_slice(&codes[from..to]);
                    } else {
                        for (i, code) in (from..to).zip(line) {
                            let share = [shares[0][i], shares[1][i]];
                            *code = single(plan, src, c, (taps.u[i], taps.v[i]), share);
                        }
                    }
                }
                from = to;
            }
        }
    }
}

/// A value rounded to a 16-bit code: adding 2^23 leaves no room for a fraction.
#[inline(always)]
fn code_of(value: f32) -> u16 {
    (least(most(value, 0.0), 65_535.0) + 8_388_608.0).to_bits() as u16
}

/// A whole number of moderate size: adding 1.5 times 2^52 brings it into the lowest bits, without a question whether it fits.
#[inline(always)]
fn whole_i32(value: f64) -> i32 {
    (value + 6_755_399_441_055_744.0).to_bits() as i32
}

impl<const T: usize> Taps<T> {
    /// Source pixels at or before a run of places, and how far on the places are.
    #[inline(always)]
    fn place(&mut self, plan: &TiltedSampling, src: &SourcePlanes, (x, y): (f64, f64)) -> [[f32; RUN]; 2] {
        let mut shares = [[0.0_f32; RUN]; 2];
        let [along, across] = src.axes;
        for (axis, to, share) in [(along, &mut self.u, 0), (across, &mut self.v, 1)] {
            let (share, origin) = (&mut shares[share], axis.origin());
            let (start, step_x, step_y) = plan.along(axis.is_down, axis.is_backward);
            let start = start + y * step_y;
            for (i, number) in NUMBERS.iter().enumerate() {
                let place = start + (x + number) * step_x;
                let whole = place.floor();
                share[i] = (place - whole) as f32;
                to[i] = whole_i32(whole - origin);
            }
        }
        shares
    }

    /// First pixel after `from` whose place is not on the lines and columns of the taps that begin there.
    #[inline(always)]
    fn end_of_line(&self, from: usize, len: usize) -> usize {
        let drift = |i: usize| (self.u[i] - i as i32, self.v[i]);
        let first = drift(from);
        let is_near = |i: usize| {
            let here = drift(i);
            (here.0 - first.0).abs() <= 1 && (here.1 - first.1).abs() <= 1
        };
        // Places advance evenly: what is near follows each other, and ends once.
        let (mut near, mut end) = (from, len);
        while end - near > 1 {
            let middle = if near == from && end == len { len - 1 } else { near.midpoint(end) };
            if is_near(middle) {
                near = middle;
            } else {
                end = middle;
            }
        }
        near + 1
    }

    /// Weights of the taps; gives the source pixel of the first of them, for the first pixel of the run, were it there.
    #[inline(always)]
    fn weigh(&mut self, plan: &TiltedSampling, shares: &[[f32; RUN]; 2], at: Range<usize>) -> (i32, i32) {
        let (first, last) = (at.start, at.end - 1);
        let base_u = (self.u[first] - first as i32).min(self.u[last] - last as i32);
        let base_v = self.v[first].min(self.v[last]);
        // The outermost weights of two by two are nothing.
        let skip = (5 - T) / 2;
        let whole = first / BLOCK * BLOCK..at.end.next_multiple_of(BLOCK).min(RUN);
        let [shares_u, shares_v] = shares;
        for (i, (share_u, share_v)) in
            shares_u.iter().zip(shares_v).enumerate().take(whole.end).skip(whole.start)
        {
            let (wu, wv) = (plan.kernel.weights(*share_u), plan.kernel.weights(*share_v));
            let on_u = self.u[i] - i as i32 > base_u;
            let on_v = self.v[i] > base_v;
            for k in 0..T {
                let plain = |w: &[f32; 4]| if k + 1 < T { w[k + skip] } else { 0.0 };
                let moved = |w: &[f32; 4]| if k > 0 { w[k + skip - 1] } else { 0.0 };
                self.wu[k][i] = if on_u { moved(&wu) } else { plain(&wu) };
                self.wv[k][i] = if on_v { moved(&wv) } else { plain(&wv) };
            }
        }
        (base_u - 1 + skip as i32, base_v - 1 + skip as i32)
    }

    /// One channel of a run, as codes.
    #[inline(always)]
    fn sum<S: Simd>(
        &mut self,
        simd: S,
        src: &SourcePlanes,
        channel: usize,
        (base_u, base_v): (i32, i32),
        at: Range<usize>,
        codes: &mut [u16; RUN],
    ) {
        // Whole blocks: what lies around the run inside them is worked out for nothing, but without a question.
        let (from, to) = (at.start / BLOCK * BLOCK, at.end.next_multiple_of(BLOCK).min(RUN));
        let first = (base_u + PAD as i32) as usize + from;
        let Self { lines, sums, wu, wv, .. } = self;
        for (j, line) in lines.iter_mut().enumerate() {
            let samples = &src.line(channel, base_v + j as i32)[first..];
            line.iter_mut().zip(samples.iter().take(to - from + T - 1)).for_each(|(value, code)| {
                *value = f32::from(*code);
            });
        }
        for b in (0..to - from).step_by(S::F32_LANES) {
            let wu = wu.each_ref().map(|w| vector(simd, &w[from + b..]));
            let mut sum = simd.splat_f32s(0.0);
            for (line, wv) in lines.iter().zip(&*wv) {
                let mut across = simd.mul_f32s(wu[0], vector(simd, &line[b..]));
                for (k, wu) in wu.iter().enumerate().skip(1) {
                    across = simd.add_f32s(across, simd.mul_f32s(*wu, vector(simd, &line[b + k..])));
                }
                sum = simd.add_f32s(sum, simd.mul_f32s(vector(simd, &wv[from + b..]), across));
            }
            if let Some(out) = S::as_mut_simd_f32s(&mut sums[b..]).0.first_mut() {
                *out = sum;
            }
        }
        codes[from..to].iter_mut().zip(&*sums).for_each(|(code, sum)| *code = code_of(*sum));
    }
}

/// The first values as one vector; nothing where there are too few.
#[inline(always)]
fn vector<S: Simd>(simd: S, values: &[f32]) -> S::f32s {
    S::as_simd_f32s(values).0.first().copied().unwrap_or_else(|| simd.splat_f32s(0.0))
}

/// One channel of one pixel, wherever it lies.
#[inline(always)]
fn single(
    plan: &TiltedSampling,
    src: &SourcePlanes,
    channel: usize,
    (u, v): (i32, i32),
    [share_u, share_v]: [f32; 2],
) -> u16 {
    let (wu, wv) = (plan.kernel.weights(share_u), plan.kernel.weights(share_v));
    let last = src.axes[0].len as i32 - 1;
    let mut sum = 0.0_f32;
    for j in plan.kernel.taps() {
        let line = src.line(channel, v + j as i32 - 1);
        let mut across = 0.0_f32;
        for k in plan.kernel.taps() {
            across += wu[k] * f32::from(line[(u + k as i32 - 1).clamp(0, last) as usize + PAD]);
        }
        sum += wv[j] * across;
    }
    code_of(sum)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Orientation, Point, TiltedBox};

    fn noise(width: u32, height: u32, channels: u8) -> Samples16 {
        let mut state = 0x2545_f491_u32;
        let codes = (0..width * height * u32::from(channels)).map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 16) as u16
        });
        Samples16::from_vec(width, height, channels, codes.collect()).expect("length fits")
    }

    /// Keys' cubic and the straight line by their definitions, in `f64`.
    fn by_definition(plan: &TiltedSampling, src: &Samples16, x: u32, y: u32, channel: usize) -> f64 {
        let p = plan.scan_position(x, y);
        let weight = |d: f64| match plan.kernel {
            Kernel::Bilinear => (1.0 - d.abs()).max(0.0),
            Kernel::Cubic if d.abs() <= 1.0 => 1.5 * d.abs().powi(3) - 2.5 * d * d + 1.0,
            Kernel::Cubic if d.abs() <= 2.0 => -0.5 * d.abs().powi(3) + 2.5 * d * d - 4.0 * d.abs() + 2.0,
            Kernel::Cubic => 0.0,
        };
        let (fx, fy) = (p.x - 0.5, p.y - 0.5);
        let mut sum = 0.0;
        for j in -1..=2 {
            for i in -1..=2 {
                let (sx, sy) = (fx.floor() + f64::from(i), fy.floor() + f64::from(j));
                let at = |v: f64, n: u32| v.clamp(0.0, f64::from(n - 1)) as u32;
                let code = src.pixel(at(sx, src.width()), at(sy, src.height()))[channel];
                sum += weight(fx - sx) * weight(fy - sy) * f64::from(code);
            }
        }
        sum.clamp(0.0, 65_535.0)
    }

    #[test]
    fn every_tilt_turn_and_place_gives_the_kernel_of_its_definition() {
        for (channels, kernel) in [(4, Kernel::Cubic), (3, Kernel::Bilinear), (1, Kernel::Cubic)] {
            let src = noise(260, 210, channels);
            // Aligned, nearly so, as tilted as a holder gets, and partly outside the scan.
            for (angle_rad, cx) in [(0.0, 130.25), (0.004, 130.0), (-0.03, 131.7), (0.3, 128.0), (0.01, 20.0)]
            {
                for quarter in 0..4 {
                    let orientation = Orientation::new(quarter, quarter == 2);
                    let center = Point::new(cx, 104.6);
                    let area = TiltedBox { center, width_px: 150.0, height_px: 97.0, angle_rad };
                    let (w, h) = TiltedSampling::natural_size(&area, orientation);
                    let plan = TiltedSampling::new(&area, orientation, w, h, kernel);
                    let out = plan.read(&src, 0, 0, PixelRect::of_size(w, h));
                    for y in (0..h).step_by(11) {
                        for x in 0..w {
                            for c in 0..usize::from(channels) {
                                let wanted = by_definition(&plan, &src, x, y, c);
                                let found = f64::from(out.pixel(x, y)[c]);
                                assert!(
                                    (found - wanted).abs() < 0.6,
                                    "{kernel:?} {angle_rad} {quarter} at {x},{y}: {found} for {wanted}"
                                );
                            }
                        }
                    }
                }
            }
        }
    }
}
