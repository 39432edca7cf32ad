//! Resamples one picture row from sorted samples, a run of pixels at a time.

use std::ops::Range;

use super::{PAD, SourcePlanes};
use crate::resample::{Kernel, TiltedSampling};
use crate::vector::{Simd, VectorLoop, least, most};

/// Output pixels whose positions and weights are computed together. Our choice; changes speed alone.
pub(super) const RUN: usize = 256;

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

/// Block length into which runs are split: the longest vector there is, 512 bits of `f32`.
pub(super) const BLOCK: usize = 16;

/// Positions of a run of pixels, and the weights of the samples around them.
///
/// Along a run at a small tilt the position in the source advances by one per pixel, and occasionally by one more or
/// less. So there are weights for `T` columns and lines, one more than in the kernel, which shift by one where that
/// happens: a weight of zero does not change a sum. Most blocks are entirely before or after such a shift and skip the
/// extra one.
#[repr(align(64))]
struct Taps<const T: usize> {
    u: [i32; RUN],
    v: [i32; RUN],
    /// Fractions by which the positions are beyond those pixels.
    shares: [[f32; RUN]; 2],
    wu: [[f32; RUN]; T],
    wv: [[f32; RUN]; T],
    /// For each block the first column and line with a weight, and whether it needs one more than the kernel has.
    columns: [(usize, bool); RUN / BLOCK],
    rows: [(usize, bool); RUN / BLOCK],
    /// Samples of one channel under the taps, and their sums.
    lines: [[f32; RUN + BLOCK]; T],
    sums: [f32; RUN],
}

/// A row of output pixels, resampled from the tilted source with a kernel of `N` samples, one less than `T`.
pub(super) struct TiltedRow<'a, const C: usize, const T: usize, const N: usize> {
    pub(super) plan: &'a TiltedSampling,
    pub(super) src: &'a SourcePlanes,
    pub(super) at: (f64, f64),
    /// One line per channel.
    pub(super) row: &'a mut [u16],
    pub(super) width: usize,
}

impl<const C: usize, const T: usize, const N: usize> VectorLoop for TiltedRow<'_, C, T, N> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { plan, src, at: (x, y), row, width } = self;
        let mut taps = Taps::<T> {
            u: [0; RUN],
            v: [0; RUN],
            shares: [[0.0; RUN]; 2],
            wu: [[0.0; RUN]; T],
            wv: [[0.0; RUN]; T],
            columns: [(0, true); RUN / BLOCK],
            rows: [(0, true); RUN / BLOCK],
            lines: [[0.0; RUN + BLOCK]; T],
            sums: [0.0; RUN],
        };
        let mut codes = [0_u16; RUN];
        for start in (0..width).step_by(RUN) {
            let len = RUN.min(width - start);
            taps.place(plan, src, (x + start as f64, y));
            let mut from = 0;
            while from < len {
                let to = taps.end_of_line(from, len);
                // A few pixels on a line are faster one by one, and far outside there is only the edge.
                let near = -(PAD as i32) + 2 < taps.u[from] - from as i32
                    && taps.u[from] + 2 < src.axes[0].len as i32 + 4;
                let whole = to - from >= BLOCK && near;
                let base = if whole { taps.weigh(plan, from..to) } else { (0, 0) };
                for c in 0..C {
                    let line = &mut row[c * width + start..][from..to];
                    if whole {
                        taps.sum::<S, N>(simd, src, c, base, from..to, &mut codes);
                        line.copy_from_slice(&codes[from..to]);
                    } else {
                        taps.singles(plan, src, c, from..to, line);
                    }
                }
                from = to;
            }
        }
    }
}

/// A value rounded to a 16-bit code: adding 2^23 removes the fraction.
#[inline(always)]
fn code_of(value: f32) -> u16 {
    (least(most(value, 0.0), 65_535.0) + 8_388_608.0).to_bits() as u16
}

/// A whole number of moderate size: adding 1.5 times 2^52 moves it into the lowest bits, without a range check.
#[inline(always)]
fn whole_i32(value: f64) -> i32 {
    (value + 6_755_399_441_055_744.0).to_bits() as i32
}

impl<const T: usize> Taps<T> {
    /// Source pixels at or before the positions of a run, and the fractions of the positions beyond them.
    #[inline(always)]
    fn place(&mut self, plan: &TiltedSampling, src: &SourcePlanes, (x, y): (f64, f64)) {
        let [along, across] = src.axes;
        for (axis, to, share) in [(along, &mut self.u, 0), (across, &mut self.v, 1)] {
            let (share, origin) = (&mut self.shares[share], axis.origin());
            let (start, step_x, step_y) = plan.along(axis.is_down, axis.is_backward);
            let start = start + y * step_y;
            for (i, number) in NUMBERS.iter().enumerate() {
                let place = start + (x + number) * step_x;
                let whole = place.floor();
                share[i] = (place - whole) as f32;
                to[i] = whole_i32(whole - origin);
            }
        }
    }

    /// First pixel after `from` whose position is outside the lines and columns of the taps that start there.
    #[inline(always)]
    fn end_of_line(&self, from: usize, len: usize) -> usize {
        let drift = |i: usize| (self.u[i] - i as i32, self.v[i]);
        let first = drift(from);
        let is_near = |i: usize| {
            let here = drift(i);
            (here.0 - first.0).abs() <= 1 && (here.1 - first.1).abs() <= 1
        };
        // Positions advance evenly, so the near ones are contiguous and a binary search finds their end.
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

    /// Compute the weights of the taps; returns the source pixel of the first tap, extrapolated to the run's first
    /// pixel.
    #[inline(always)]
    fn weigh(&mut self, plan: &TiltedSampling, at: Range<usize>) -> (i32, i32) {
        let (first, last) = (at.start, at.end - 1);
        let base_u = (self.u[first] - first as i32).min(self.u[last] - last as i32);
        let base_v = self.v[first].min(self.v[last]);
        // The outermost weights of a two-by-two kernel are zero.
        let skip = (5 - T) / 2;
        for block in first / BLOCK..at.end.div_ceil(BLOCK) {
            let from = block * BLOCK;
            let inside = first.max(from) - from..at.end.min(from + BLOCK) - from;
            let (u, v) = (of_block(&self.u, from), of_block(&self.v, from));
            let (mut on_u, mut on_v) = ([0_u32; BLOCK], [0_u32; BLOCK]);
            for i in 0..BLOCK {
                on_u[i] = mask(u[i] - (from + i) as i32 > base_u);
                on_v[i] = mask(v[i] > base_v);
            }
            let [shares_u, shares_v] = self.shares.each_ref().map(|shares| *of_block(shares, from));
            weigh_block(plan.kernel, &shares_u, &on_u, &mut self.wu, from);
            weigh_block(plan.kernel, &shares_v, &on_v, &mut self.wv, from);
            let needs = |on: &[u32; BLOCK]| {
                let moved = on[inside.clone()].iter().map(|on| on & 1).sum::<u32>() as usize;
                (usize::from(moved == inside.len()), moved > 0 && moved < inside.len())
            };
            (self.columns[block], self.rows[block]) = (needs(&on_u), needs(&on_v));
        }
        (base_u - 1 + skip as i32, base_v - 1 + skip as i32)
    }

    /// Resample one channel of some pixels to codes, one by one.
    #[inline(always)]
    fn singles(
        &self,
        plan: &TiltedSampling,
        src: &SourcePlanes,
        channel: usize,
        at: Range<usize>,
        line: &mut [u16],
    ) {
        for (i, code) in at.zip(line) {
            let share = self.shares.each_ref().map(|shares| shares[i]);
            *code = single(plan, src, channel, (self.u[i], self.v[i]), share);
        }
    }

    /// Resample one channel of a run to codes.
    #[inline(always)]
    fn sum<S: Simd, const N: usize>(
        &mut self,
        simd: S,
        src: &SourcePlanes,
        channel: usize,
        (base_u, base_v): (i32, i32),
        at: Range<usize>,
        codes: &mut [u16; RUN],
    ) {
        // Process whole blocks: computing the unused pixels around the range costs less than a branch.
        let (from, to) = (at.start / BLOCK * BLOCK, at.end.next_multiple_of(BLOCK).min(RUN));
        let first = (base_u + PAD as i32) as usize + from;
        let Self { lines, sums, wu, wv, columns, rows, .. } = self;
        for (j, line) in lines.iter_mut().enumerate() {
            let samples = &src.line(channel, base_v + j as i32)[first..];
            line.iter_mut().zip(samples.iter().take(to - from + T - 1)).for_each(|(value, code)| {
                *value = f32::from(*code);
            });
        }
        for b in (0..to - from).step_by(S::F32_LANES) {
            let block = (from + b) / BLOCK;
            let ((left, more_columns), (top, more_rows)) = (columns[block], rows[block]);
            let part =
                Part { lines: &lines[top..], wu: &wu[left..], wv: &wv[top..], from: from + b, at: b + left };
            let sum = match (more_rows, more_columns) {
                (false, false) => part.sum::<S, N, N>(simd),
                (false, true) => part.sum::<S, N, T>(simd),
                (true, false) => part.sum::<S, T, N>(simd),
                (true, true) => part.sum::<S, T, T>(simd),
            };
            if let Some(out) = S::as_mut_simd_f32s(&mut sums[b..]).0.first_mut() {
                *out = sum;
            }
        }
        codes[from..to].iter_mut().zip(&*sums).for_each(|(code, sum)| *code = code_of(*sum));
    }
}

/// Values of a block, which starts at a multiple of its length.
#[inline(always)]
fn of_block<V>(values: &[V; RUN], from: usize) -> &[V; BLOCK] {
    values[from..].first_chunk().expect("runs end with a whole block")
}

/// All bits set if on: masking avoids branches and indexed loads.
#[inline(always)]
fn mask(is_on: bool) -> u32 {
    u32::from(is_on).wrapping_neg()
}

/// Weights of `T` taps for a block of pixels, shifted by one where `on` is set.
#[inline(always)]
fn weigh_block<const T: usize>(
    kernel: Kernel,
    shares: &[f32; BLOCK],
    on: &[u32; BLOCK],
    weights: &mut [[f32; RUN]; T],
    from: usize,
) {
    let skip = (5 - T) / 2;
    // A zero on both sides, so that each tap takes its own weight or the previous one.
    let mut plain = [[0.0_f32; BLOCK]; 6];
    for i in 0..BLOCK {
        let all = kernel.weights(shares[i]);
        for k in 0..4 {
            plain[k + 1][i] = all[k];
        }
    }
    for (k, weights) in weights.iter_mut().enumerate() {
        let (here, before) = (&plain[k + skip + 1], &plain[k + skip]);
        for (i, weight) in weights[from..from + BLOCK].iter_mut().enumerate() {
            *weight = f32::from_bits(before[i].to_bits() & on[i] | here[i].to_bits() & !on[i]);
        }
    }
}

/// Lines and weights of one vector of pixels: weights from index `from` on, samples from index `at`.
struct Part<'a> {
    lines: &'a [[f32; RUN + BLOCK]],
    wu: &'a [[f32; RUN]],
    wv: &'a [[f32; RUN]],
    from: usize,
    at: usize,
}

impl Part<'_> {
    /// Weighted sum over `R` lines and `K` columns.
    #[inline(always)]
    fn sum<S: Simd, const R: usize, const K: usize>(&self, simd: S) -> S::f32s {
        let (lines, wu, wv) = (&self.lines[..R], &self.wu[..K], &self.wv[..R]);
        let mut columns = [simd.splat_f32s(0.0); K];
        for (column, wu) in columns.iter_mut().zip(wu) {
            *column = vector(simd, &wu[self.from..]);
        }
        let mut sum = simd.splat_f32s(0.0);
        for (line, wv) in lines.iter().zip(wv) {
            let mut across = simd.mul_f32s(columns[0], vector(simd, &line[self.at..]));
            for (k, wu) in columns.iter().enumerate().skip(1) {
                across = simd.add_f32s(across, simd.mul_f32s(*wu, vector(simd, &line[self.at + k..])));
            }
            sum = simd.add_f32s(sum, simd.mul_f32s(vector(simd, &wv[self.from..]), across));
        }
        sum
    }
}

/// The first values as one vector; zero if there are too few.
#[inline(always)]
fn vector<S: Simd>(simd: S, values: &[f32]) -> S::f32s {
    S::as_simd_f32s(values).0.first().copied().unwrap_or_else(|| simd.splat_f32s(0.0))
}

/// One channel of one pixel, at any position.
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
