//! Samples sorted by channel, and rows resampled from them at a tilt.

mod tilted;

use std::ops::Range;

use crate::resample::{Kernel, TiltedSampling};
use crate::vector::{PixelLoop, run_in_vectors, run_vectorised};
use crate::{PixelRect, Samples16};

use tilted::{BLOCK, RUN, TiltedRow};

/// Copies of the first and last sample at the ends of each line, so that runs of pixels need no bounds checks.
const PAD: usize = RUN + BLOCK;

/// A piece of a scan, turned and mirrored like the picture, with a separate row per channel: neighbours in the picture
/// are neighbours in memory.
///
/// Filled once per piece and used for all picture rows in it; refilling reuses the buffer.
#[derive(Debug, Clone, Default)]
pub struct SourcePlanes {
    /// Axis along picture rows, and axis along picture columns.
    axes: [Axis; 2],
    channels: usize,
    /// Lines in order, each with its channels in order, each of those with `PAD` samples at both ends.
    codes: Vec<u16>,
}

/// One direction of the picture within the scan.
#[derive(Debug, Clone, Copy, Default)]
struct Axis {
    /// Whether it runs along the columns of the scan, and whether in reverse.
    is_down: bool,
    is_backward: bool,
    /// First scan pixel and number of pixels.
    first: u32,
    len: u32,
}

impl Axis {
    /// The axis for a step in the scan, within a rectangle.
    fn of(step: (f64, f64), rect: PixelRect) -> Self {
        let is_down = step.1.abs() > step.0.abs();
        if is_down {
            Self { is_down, is_backward: step.1 < 0.0, first: rect.y0, len: rect.height() }
        } else {
            Self { is_down, is_backward: step.0 < 0.0, first: rect.x0, len: rect.width() }
        }
    }

    /// Index on this axis of a scan pixel, which must be on it.
    fn place_of(self, px: u32) -> usize {
        (if self.is_backward { self.first + self.len - 1 - px } else { px - self.first }) as usize
    }

    /// Position of a pixel's centre along this axis; [`Axis::origin`] is that of the first pixel.
    fn centre(self, (x, y): (f64, f64)) -> f64 {
        let along = if self.is_down { y } else { x } - 0.5;
        if self.is_backward { -along } else { along }
    }

    /// Position of the first pixel of this axis, as in [`Axis::centre`].
    fn origin(self) -> f64 {
        if self.is_backward { -f64::from(self.first + self.len - 1) } else { f64::from(self.first) }
    }
}

impl SourcePlanes {
    /// Copy the first `channels` channels of scan pixels `rect` from `src`, whose first pixel is scan pixel `src_at`,
    /// for use with `plan` (or any other plan with its orientation).
    ///
    /// Omits the part of `rect` outside `src`.
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

    /// Make room for scan pixels `rect`; [`Self::add`] then copies them piece by piece.
    pub fn begin(&mut self, plan: &TiltedSampling, rect: PixelRect, channels: u8) {
        self.axes = [Axis::of(plan.step_x, rect), Axis::of(plan.step_y, rect)];
        let [along, across] = self.axes;
        self.channels = usize::from(channels);
        // Sheared boxes do not exist, and an empty piece has nothing to read.
        let is_sound = along.is_down != across.is_down && !rect.is_empty();
        let samples = self.stride() * self.channels * across.len as usize;
        self.codes.resize(if is_sound { samples } else { 0 }, 0);
    }

    /// Copy the requested pixels that are in `src`, whose first pixel is scan pixel `src_at`.
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

    /// Repeat the first and last sample of every line at its ends, after all pieces were added.
    pub fn finish(&mut self) {
        let (stride, len) = (self.stride(), self.axes[0].len as usize);
        for line in self.codes.chunks_exact_mut(stride) {
            let (first, last) = (line[PAD], line[PAD + len - 1]);
            line[..PAD].fill(first);
            line[PAD + len..].fill(last);
        }
    }

    /// Whether there are no samples.
    pub fn is_empty(&self) -> bool {
        self.codes.is_empty()
    }

    fn stride(&self) -> usize {
        self.axes[0].len as usize + 2 * PAD
    }

    /// The lines of all channels with their ends; outside, the nearest ones.
    fn lines_of(&self, v: i32) -> &[u16] {
        let v = v.clamp(0, self.axes[1].len as i32 - 1) as usize;
        &self.codes[v * self.channels * self.stride()..][..self.channels * self.stride()]
    }

    fn line(&self, channel: usize, v: i32) -> &[u16] {
        &self.lines_of(v)[channel * self.stride()..][..self.stride()]
    }

    /// Resample these columns of row `y` of the picture with the plan's kernel; the edge repeats outside the samples.
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
            // The ends of lines are copies of the edge, so the row may reach that far outside.
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
            (1, Kernel::Cubic) => run_in_vectors(TiltedRow::<1, 5, 4> { plan, src: self, at, row, width }),
            (2, Kernel::Cubic) => run_in_vectors(TiltedRow::<2, 5, 4> { plan, src: self, at, row, width }),
            (3, Kernel::Cubic) => run_in_vectors(TiltedRow::<3, 5, 4> { plan, src: self, at, row, width }),
            (4, Kernel::Cubic) => run_in_vectors(TiltedRow::<4, 5, 4> { plan, src: self, at, row, width }),
            (1, Kernel::Bilinear) => run_in_vectors(TiltedRow::<1, 3, 2> { plan, src: self, at, row, width }),
            (2, Kernel::Bilinear) => run_in_vectors(TiltedRow::<2, 3, 2> { plan, src: self, at, row, width }),
            (3, Kernel::Bilinear) => run_in_vectors(TiltedRow::<3, 3, 2> { plan, src: self, at, row, width }),
            (4, Kernel::Bilinear) => run_in_vectors(TiltedRow::<4, 3, 2> { plan, src: self, at, row, width }),
            _ => {}
        }
        Lines { codes: buffer, first: 0, width, stride: width, channels }
    }
}

/// A row of the picture, one line per channel.
#[derive(Debug, Clone, Copy)]
pub struct Lines<'a> {
    codes: &'a [u16],
    first: usize,
    width: usize,
    stride: usize,
    channels: usize,
}

impl<'a> Lines<'a> {
    /// The codes of a channel; for a higher number, those of the last one.
    pub fn of(&self, channel: usize) -> &'a [u16] {
        let line = channel.min(self.channels.saturating_sub(1)) * self.stride;
        &self.codes[line + self.first..][..self.width]
    }

    /// Red, green and blue; for fewer than three channels, the first line three times.
    pub fn colours(&self) -> [&'a [u16]; 3] {
        if self.channels < 3 { [self.of(0); 3] } else { [0, 1, 2].map(|c| self.of(c)) }
    }
}

/// Sort samples that are `step` apart into a part of each line.
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

#[cfg(test)]
mod tests {
    use glassine_testdata::random::Lcg;

    use super::*;
    use crate::{Orientation, Point, TiltedBox};

    fn noise(width: u32, height: u32, channels: u8) -> Samples16 {
        let mut random = Lcg::new(0x2545_f491);
        let codes = (0..width * height * u32::from(channels)).map(|_| (random.next_u32() >> 16) as u16);
        Samples16::from_vec(width, height, channels, codes.collect()).expect("length fits")
    }

    /// Keys' cubic and linear interpolation by their definitions, in `f64`.
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
            // Aligned, nearly aligned, tilted as much as in a holder, and partly outside the scan.
            for (angle_rad, cx) in [(0.0, 130.25), (0.004, 130.0), (-0.03, 131.7), (0.3, 128.0), (0.01, 20.0)]
            {
                for quarter in 0..4 {
                    let orientation = Orientation::new(quarter, quarter == 2);
                    let center = Point::new(cx, 104.6);
                    let area = TiltedBox { center, width_px: 150.0, height_px: 97.0, angle_rad };
                    let (w, h) = TiltedSampling::natural_size(&area, orientation);
                    let plan = TiltedSampling::new(&area, orientation, w, h, kernel);
                    let out = plan.read(&src, 0, 0, PixelRect::of_size(w, h));
                    let columns = |y: u32| (0..w).flat_map(move |x| (0..channels).map(move |c| (x, y, c)));
                    for (x, y, c) in (0..h).step_by(11).flat_map(columns) {
                        let wanted = by_definition(&plan, &src, x, y, usize::from(c));
                        let found = f64::from(out.pixel(x, y)[usize::from(c)]);
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
