//! Resampling: box reduction by whole numbers, and reading a tilted, turned box from a scan.
//!
//! Both work on linear samples, so a mean of transmittances is the transmittance of the larger pixel.

mod planes;

use rayon::prelude::*;

use crate::{Orientation, PixelRect, Point, Samples16, Scan, TiltedBox};

pub use planes::{Lines, SourcePlanes};

/// Mean of `factor` by `factor` pixels; a partial block at the right or bottom edge is averaged over its own pixels.
///
/// Rounded to nearest. A factor of 0 counts as 1.
pub fn box_reduce(src: &Samples16, factor: u32) -> Samples16 {
    let factor = factor.max(1);
    if factor == 1 {
        return src.clone();
    }
    let channels = src.channels() as usize;
    let (out_w, out_h) = (src.width().div_ceil(factor), src.height().div_ceil(factor));
    let mut out = Samples16::zeroed(out_w, out_h, src.channels());
    let stride = out.stride().max(1);
    out.data_mut().par_chunks_mut(stride).enumerate().for_each(|(oy, row)| {
        let y0 = oy as u32 * factor;
        let y1 = (y0 + factor).min(src.height());
        let mut sums = vec![0_u64; row.len()];
        for y in y0..y1 {
            for (x, px) in src.row(y).chunks_exact(channels).enumerate() {
                let at = x / factor as usize * channels;
                for (sum, &code) in sums[at..at + channels].iter_mut().zip(px) {
                    *sum += u64::from(code);
                }
            }
        }
        for (ox, (px, sum)) in row.chunks_exact_mut(channels).zip(sums.chunks_exact(channels)).enumerate() {
            let x0 = ox as u32 * factor;
            let n = u64::from((x0 + factor).min(src.width()) - x0) * u64::from(y1 - y0);
            for (code, s) in px.iter_mut().zip(sum) {
                *code = ((s + n / 2) / n) as u16;
            }
        }
    });
    out
}

/// Interpolation between pixel centres.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kernel {
    /// Two by two samples, for previews.
    Bilinear,
    /// Four by four samples, interpolating cubic (Catmull-Rom), for full-resolution output.
    ///
    /// Source: R. G. Keys, "Cubic convolution interpolation for digital image processing", IEEE Trans. ASSP 29 (1981),
    /// a = -0.5.
    Cubic,
}

impl Kernel {
    /// Pixels needed on each side of a position.
    pub fn reach_px(self) -> u32 {
        match self {
            Self::Bilinear => 1,
            Self::Cubic => 2,
        }
    }

    /// Which of the four weights of [`Kernel::weights`] are not zero.
    #[inline(always)]
    pub(crate) fn taps(self) -> std::ops::Range<usize> {
        match self {
            Self::Bilinear => 1..3,
            Self::Cubic => 0..4,
        }
    }

    #[inline(always)]
    pub(crate) fn weights(self, t: f32) -> [f32; 4] {
        match self {
            Self::Bilinear => [0.0, 1.0 - t, t, 0.0],
            Self::Cubic => {
                let (t2, t3) = (t * t, t * t * t);
                [
                    -0.5 * t3 + t2 - 0.5 * t,
                    1.5 * t3 - 2.5 * t2 + 1.0,
                    -1.5 * t3 + 2.0 * t2 + 0.5 * t,
                    0.5 * t3 - 0.5 * t2,
                ]
            }
        }
    }
}

/// A plan for reading the upright picture of a box: output size, and a scan position for every output pixel.
///
/// If the box is upright, on whole pixels, and output at its own size, samples are copied exactly.
#[derive(Debug, Clone, Copy)]
pub struct TiltedSampling {
    origin: Point<Scan>,
    pub(crate) step_x: (f64, f64),
    pub(crate) step_y: (f64, f64),
    out_width: u32,
    out_height: u32,
    pub(crate) kernel: Kernel,
}

impl TiltedSampling {
    /// The upright picture of `area` at `out_width` by `out_height` pixels.
    pub fn new(
        area: &TiltedBox,
        orientation: Orientation,
        out_width: u32,
        out_height: u32,
        kernel: Kernel,
    ) -> Self {
        let [tl, tr, _, bl] = area.upright_corners(orientation);
        let (w, h) = (f64::from(out_width.max(1)), f64::from(out_height.max(1)));
        let step_x = ((tr.x - tl.x) / w, (tr.y - tl.y) / w);
        let step_y = ((bl.x - tl.x) / h, (bl.y - tl.y) / h);
        let origin = Point::new(tl.x + 0.5 * (step_x.0 + step_y.0), tl.y + 0.5 * (step_x.1 + step_y.1));
        Self { origin, step_x, step_y, out_width, out_height, kernel }
    }

    /// Natural output size of a box: its sides rounded to whole pixels, after orientation.
    pub fn natural_size(area: &TiltedBox, orientation: Orientation) -> (u32, u32) {
        let round = |v: f64| (v.round().max(1.0)) as u32;
        let (w, h) = (round(area.width_px), round(area.height_px));
        if orientation.swaps_sides() { (h, w) } else { (w, h) }
    }

    /// The same plan for a picture reduced by `factor` with [`box_reduce`].
    pub fn on_reduced(mut self, factor: u32) -> Self {
        let f = f64::from(factor.max(1));
        self.origin = Point::new(self.origin.x / f, self.origin.y / f);
        for step in [&mut self.step_x, &mut self.step_y] {
            *step = (step.0 / f, step.1 / f);
        }
        self
    }

    pub fn width(&self) -> u32 {
        self.out_width
    }

    pub fn height(&self) -> u32 {
        self.out_height
    }

    /// Scan position of the centre of an output pixel.
    pub fn scan_position(&self, x: u32, y: u32) -> Point<Scan> {
        self.scan_position_of(f64::from(x), f64::from(y))
    }

    /// The same between pixels: `(0, 0)` is the centre of the first output pixel.
    #[inline]
    pub fn scan_position_of(&self, x: f64, y: f64) -> Point<Scan> {
        Point::new(
            self.origin.x + x * self.step_x.0 + y * self.step_y.0,
            self.origin.y + x * self.step_x.1 + y * self.step_y.1,
        )
    }

    /// Position of the first output pixel's centre along the scan's columns or rows, forward or backward, relative to
    /// the centre of the scan's first pixel, and its change per step along the picture's rows and columns.
    #[inline(always)]
    pub(crate) fn along(&self, is_down: bool, is_backward: bool) -> (f64, f64, f64) {
        let (start, x, y) = if is_down {
            (self.origin.y - 0.5, self.step_x.1, self.step_y.1)
        } else {
            (self.origin.x - 0.5, self.step_x.0, self.step_y.0)
        };
        if is_backward { (-start, -x, -y) } else { (start, x, y) }
    }

    /// Scan pixels needed for output pixels `out`, including the kernel's reach, clipped to a scan of the given size.
    pub fn source_rect(&self, out: PixelRect, scan_width: u32, scan_height: u32) -> PixelRect {
        if out.is_empty() {
            return PixelRect::default();
        }
        let ends = [(out.x0, out.y0), (out.x1 - 1, out.y0), (out.x0, out.y1 - 1), (out.x1 - 1, out.y1 - 1)]
            .map(|(x, y)| self.scan_position(x, y));
        let reach = f64::from(self.kernel.reach_px());
        let (mut x0, mut y0, mut x1, mut y1) = (f64::MAX, f64::MAX, f64::MIN, f64::MIN);
        for p in ends {
            (x0, y0) = (x0.min(p.x - 0.5), y0.min(p.y - 0.5));
            (x1, y1) = (x1.max(p.x - 0.5), y1.max(p.y - 0.5));
        }
        // A box may be partly outside the scan; its edge pixels are then repeated, so at least one must be read.
        let low =
            |v: f64, n: u32| (v.floor() - reach + 1.0).clamp(0.0, f64::from(n.saturating_sub(1))) as u32;
        let high = |v: f64, n: u32| (v.floor() + reach + 1.0).clamp(1.0, f64::from(n.max(1))) as u32;
        PixelRect::new(low(x0, scan_width), low(y0, scan_height), high(x1, scan_width), high(y1, scan_height))
            .intersect(PixelRect::of_size(scan_width, scan_height))
    }

    /// Whether every output pixel equals one whole scan pixel.
    pub fn is_exact_copy(&self) -> bool {
        let whole = |v: f64| (v - v.round()).abs() < 1e-6;
        let unit = |a: f64, b: f64| whole(a) && whole(b) && (a.abs() + b.abs() - 1.0).abs() < 1e-6;
        unit(self.step_x.0, self.step_x.1)
            && unit(self.step_y.0, self.step_y.1)
            && whole(self.origin.x - 0.5)
            && whole(self.origin.y - 0.5)
    }

    /// Output pixels `out`, from `src`, whose first pixel is scan pixel `(src_x0, src_y0)`.
    ///
    /// Positions outside `src` repeat its edge. The result does not depend on how `out` is split into tiles, as long as
    /// `src` covers [`Self::source_rect`] of each tile.
    pub fn read(&self, src: &Samples16, src_x0: u32, src_y0: u32, out: PixelRect) -> Samples16 {
        let mut result = Samples16::zeroed(out.width(), out.height(), src.channels());
        if out.is_empty() || src.width() == 0 || src.height() == 0 {
            return result;
        }
        let stride = result.stride();
        let (end_x, end_y) = (src_x0 + src.width(), src_y0 + src.height());
        let needs = self.source_rect(out, end_x, end_y);
        // Positions may be entirely outside; they then need the nearest edge.
        let (x0, y0) = (needs.x0.max(src_x0), needs.y0.max(src_y0));
        let needs = PixelRect::new(x0, y0, needs.x1.max(x0 + 1), needs.y1.max(y0 + 1));
        let mut planes = SourcePlanes::default();
        planes.fill(self, src, (src_x0, src_y0), needs, src.channels());
        let channels = usize::from(src.channels());
        result.data_mut().par_chunks_mut(stride).enumerate().for_each_init(Vec::new, |buffer, (i, row)| {
            let lines = planes.lines_at(self, out.x0..out.x1, out.y0 + i as u32, buffer);
            for c in 0..channels {
                let line = row.iter_mut().skip(c).step_by(channels);
                line.zip(lines.of(c)).for_each(|(to, from)| *to = *from);
            }
        });
        result
    }

    /// All columns of row `y`, computed on this thread with the results of [`Self::read`]: one line per channel.
    ///
    /// `planes` must cover [`Self::source_rect`] of the row. If they contain the row unchanged, it is not copied into
    /// the buffer.
    pub fn lines<'a>(&self, planes: &'a SourcePlanes, y: u32, buffer: &'a mut Vec<u16>) -> Lines<'a> {
        let columns = 0..self.out_width;
        planes.lines_at(self, columns, y, buffer)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp(width: u32, height: u32) -> Samples16 {
        let data = (0..height)
            .flat_map(|y| (0..width).flat_map(move |x| [(100 * x + 7 * y) as u16, (50 * y) as u16]));
        Samples16::from_vec(width, height, 2, data.collect()).expect("length fits")
    }

    #[test]
    fn box_reduction_averages_and_handles_partial_blocks() {
        let src = Samples16::from_vec(3, 2, 1, vec![10, 20, 30, 30, 40, 50]).expect("length fits");
        let half = box_reduce(&src, 2);
        assert_eq!((half.width(), half.height()), (2, 1));
        assert_eq!(half.data(), &[25, 40]);
    }

    #[test]
    fn an_upright_whole_pixel_box_is_copied_exactly() {
        let src = ramp(20, 10);
        let area = TiltedBox::from_edges(3.0, 2.0, 13.0, 8.0);
        let plan = TiltedSampling::new(&area, Orientation::default(), 10, 6, Kernel::Cubic);
        assert!(plan.is_exact_copy());
        let out = plan.read(&src, 0, 0, PixelRect::of_size(10, 6));
        assert_eq!(out.pixel(0, 0), src.pixel(3, 2));
        assert_eq!(out.pixel(9, 5), src.pixel(12, 7));
        let tilted = TiltedBox { angle_rad: 0.01, ..area };
        let tilted = TiltedSampling::new(&tilted, Orientation::default(), 10, 6, Kernel::Cubic);
        for plan in [plan, tilted] {
            let mut planes = SourcePlanes::default();
            planes.fill(&plan, &src, (0, 0), PixelRect::of_size(20, 10), 2);
            let mut buffer = Vec::new();
            let lines = plan.lines(&planes, 5, &mut buffer);
            let out = plan.read(&src, 0, 0, PixelRect::of_size(10, 6));
            for c in 0..2 {
                assert!(lines.of(c).iter().eq(out.row(5).iter().skip(c).step_by(2)));
            }
        }
    }

    #[test]
    fn a_quarter_turn_is_exact_too() {
        let src = ramp(20, 10);
        let area = TiltedBox::from_edges(3.0, 2.0, 13.0, 8.0);
        let plan = TiltedSampling::new(&area, Orientation::new(1, false), 6, 10, Kernel::Cubic);
        assert!(plan.is_exact_copy());
        let out = plan.read(&src, 0, 0, PixelRect::of_size(6, 10));
        assert_eq!(out.pixel(0, 0), src.pixel(3, 7));
        assert_eq!(out.pixel(5, 0), src.pixel(3, 2));
    }

    #[test]
    fn both_kernels_reproduce_a_linear_ramp_under_rotation() {
        let src = ramp(60, 60);
        let area =
            TiltedBox { center: Point::new(30.0, 30.0), width_px: 20.0, height_px: 16.0, angle_rad: 0.2 };
        for kernel in [Kernel::Bilinear, Kernel::Cubic] {
            let plan = TiltedSampling::new(&area, Orientation::default(), 20, 16, kernel);
            let out = plan.read(&src, 0, 0, PixelRect::of_size(20, 16));
            for (x, y) in [(0, 0), (19, 15), (7, 3)] {
                let p = plan.scan_position(x, y);
                let expect = 100.0 * (p.x - 0.5) + 7.0 * (p.y - 0.5);
                assert!((f64::from(out.pixel(x, y)[0]) - expect).abs() <= 0.75, "{kernel:?} at {x},{y}");
            }
        }
    }

    #[test]
    fn the_result_does_not_depend_on_tiling_or_on_the_read_window() {
        let src = ramp(60, 60);
        let area =
            TiltedBox { center: Point::new(31.3, 28.9), width_px: 40.0, height_px: 30.0, angle_rad: -0.1 };
        let plan = TiltedSampling::new(&area, Orientation::new(3, true), 30, 40, Kernel::Cubic);
        let whole = plan.read(&src, 0, 0, PixelRect::of_size(30, 40));
        for tile in [PixelRect::new(0, 0, 11, 40), PixelRect::new(11, 7, 30, 23)] {
            let window = plan.source_rect(tile, 60, 60);
            let part = src.read_for_test(window);
            let out = plan.read(&part, window.x0, window.y0, tile);
            for y in 0..tile.height() {
                for x in 0..tile.width() {
                    assert_eq!(out.pixel(x, y), whole.pixel(tile.x0 + x, tile.y0 + y));
                }
            }
        }
    }

    impl Samples16 {
        fn read_for_test(&self, rect: PixelRect) -> Self {
            crate::RegionSource::read(self, rect, &crate::CancelToken::new()).expect("in memory")
        }
    }
}
