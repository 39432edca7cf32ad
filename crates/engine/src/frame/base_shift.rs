//! How the density of the film base varies over a picture, row by row.

use glassine_film::BaseField;
use glassine_raster::{PixelLoop, TiltedSampling, run_vectorised};

/// How the base varies under the pixels of a sampling.
#[derive(Debug, Clone, Copy)]
pub(crate) struct BaseShift<'a> {
    pub(crate) field: &'a BaseField,
    pub(crate) sampling: &'a TiltedSampling,
    /// First row of the samples within the sampling.
    pub(crate) first_row: u32,
    /// Size of the scan.
    pub(crate) scan_px: (u32, u32),
}

impl BaseShift<'_> {
    /// Shift of the base (D) at each pixel of a row, three values a pixel.
    pub(crate) fn row(&self, y: u32, out: &mut [f32]) {
        let width = out.len() / 3;
        let last = f64::from(self.sampling.width().saturating_sub(1));
        let at = |share: f64| {
            let p = self.sampling.scan_position_of(share * last, f64::from(self.first_row + y));
            let place = |v: f64, side: u32| 2.0 * v / f64::from(side.max(1)) - 1.0;
            self.field.shift_d(place(p.x, self.scan_px.0), place(p.y, self.scan_px.1))
        };
        // Along a row the surface is a parabola, which three points determine.
        let (start, middle, end) = (at(0.0), at(0.5), at(1.0));
        let step = 1.0 / (width.saturating_sub(1)).max(1) as f32;
        let mut parabola = Parabola { step, ..Parabola::default() };
        for c in 0..3 {
            let (s, m, e) = (start[c] as f32, middle[c] as f32, end[c] as f32);
            (parabola.start[c], parabola.linear[c]) = (s, 4.0 * m - 3.0 * s - e);
            parabola.square[c] = 2.0 * (s + e) - 4.0 * m;
        }
        run_vectorised(ParabolaRow { parabola, out });
    }
}

/// A parabola along a row for each of three channels.
#[derive(Debug, Clone, Copy, Default)]
struct Parabola {
    start: [f32; 3],
    linear: [f32; 3],
    square: [f32; 3],
    /// Part of the row that one pixel takes.
    step: f32,
}

struct ParabolaRow<'a> {
    parabola: Parabola,
    out: &'a mut [f32],
}

impl PixelLoop for ParabolaRow<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        /// Values of eight pixels: value `i` always belongs to channel `i % 3` and to pixel `i / 3`.
        const LANES: usize = 24;
        let Self { parabola: Parabola { start, linear, square, step }, out } = self;
        let spread = |of: [f32; 3]| std::array::from_fn::<f32, LANES, _>(|i| of[i % 3]);
        let (start, linear, square) = (spread(start), spread(linear), spread(square));
        let pixel: [f32; LANES] = std::array::from_fn(|i| (i / 3) as f32);
        for (group, out) in out.chunks_mut(LANES).enumerate() {
            let first = (group * (LANES / 3)) as f32;
            let mut values = [0.0_f32; LANES];
            for i in 0..LANES {
                let t = (first + pixel[i]) * step;
                values[i] = start[i] + t * (linear[i] + t * square[i]);
            }
            let len = out.len();
            out.copy_from_slice(&values[..len]);
        }
    }
}
