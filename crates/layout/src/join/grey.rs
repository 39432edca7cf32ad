//! Grey pictures of regions of a scan: the mean of its colours in linear light.

use glassine_raster::{CancelToken, PixelRect, Point, RegionError, RegionSource, Samples16, Scan};

/// A scan, or a picture of it reduced by a whole factor.
#[derive(Clone, Copy)]
pub(super) struct Level<'a> {
    pub(super) source: &'a dyn RegionSource,
    /// Scan pixels a side of one pixel.
    pub(super) factor: f64,
    pub(super) colours: usize,
}

/// A region in grey.
#[derive(Debug, Clone, Default)]
pub(super) struct Grey {
    pub(super) x0: i64,
    pub(super) y0: i64,
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) data: Vec<f32>,
}

impl Level<'_> {
    pub(super) fn size(&self) -> (u32, u32) {
        (self.source.width(), self.source.height())
    }

    /// A region, smoothed with the weights 1 2 1 in both directions against noise and grain.
    pub(super) fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Grey, RegionError> {
        let samples = self.source.read(rect, cancel)?;
        Ok(Grey::of(&samples, self.colours, (rect.x0, rect.y0)).smoothed())
    }
}

impl Grey {
    pub(super) fn of(samples: &Samples16, colours: usize, (x0, y0): (u32, u32)) -> Self {
        let channels = usize::from(samples.channels()).max(1);
        let colours = colours.clamp(1, channels);
        let data = samples
            .data()
            .chunks_exact(channels)
            .map(|px| px[..colours].iter().map(|&code| f32::from(code)).sum::<f32>() / colours as f32)
            .collect();
        let (width, height) = (samples.width() as usize, samples.height() as usize);
        Self { x0: x0.into(), y0: y0.into(), width, height, data }
    }

    fn smoothed(mut self) -> Self {
        let (width, height) = (self.width, self.height);
        if width < 3 || height < 3 {
            return self;
        }
        for row in self.data.chunks_exact_mut(width) {
            let mut before = row[0];
            for x in 1..width - 1 {
                let here = row[x];
                row[x] = 0.25 * (before + row[x + 1]) + 0.5 * here;
                before = here;
            }
        }
        let mut before = self.data[..width].to_vec();
        for y in 1..height - 1 {
            let (row, below) = self.data[y * width..(y + 2) * width].split_at_mut(width);
            for ((here, before), below) in row.iter_mut().zip(&mut before).zip(below) {
                let now = *here;
                *here = 0.25 * (*before + *below) + 0.5 * now;
                *before = now;
            }
        }
        self
    }

    /// The square of side `2 half + 1` about a pixel, row by row; `None` if it is not all inside.
    pub(super) fn square(&self, x: i64, y: i64, half: i64) -> Option<Vec<f32>> {
        let (left, top) = (x - half - self.x0, y - half - self.y0);
        let side = 2 * half + 1;
        if left < 0 || top < 0 || left + side > self.width as i64 || top + side > self.height as i64 {
            return None;
        }
        let (left, top, side) = (left as usize, top as usize, side as usize);
        let rows = (top..top + side).map(|y| &self.data[y * self.width + left..][..side]);
        Some(rows.flatten().copied().collect())
    }

    /// The value at a position (pixel edges), by cubic interpolation (Keys 1981, a = -0.5); `None` near or beyond the
    /// border.
    pub(super) fn at(&self, p: Point<Scan>) -> Option<f32> {
        let (x, y) = (p.x - 0.5 - self.x0 as f64, p.y - 0.5 - self.y0 as f64);
        let (fx, fy) = (x.floor(), y.floor());
        let inside = |v: f64, n: usize| v >= 1.0 && v + 2.0 < n as f64;
        if !inside(fx, self.width) || !inside(fy, self.height) {
            return None;
        }
        let (wx, wy) = (cubic((x - fx) as f32), cubic((y - fy) as f32));
        let (left, top) = (fx as usize - 1, fy as usize - 1);
        let mut sum = 0.0;
        for (j, wy) in wy.iter().enumerate() {
            let row = &self.data[(top + j) * self.width + left..][..4];
            sum += wy * (row[0] * wx[0] + row[1] * wx[1] + row[2] * wx[2] + row[3] * wx[3]);
        }
        Some(sum)
    }
}

/// Weights of four neighbours for a position `t` after the second (Keys 1981, a = -0.5).
#[inline(always)]
pub(super) fn cubic(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [-0.5 * t3 + t2 - 0.5 * t, 1.5 * t3 - 2.5 * t2 + 1.0, -1.5 * t3 + 2.0 * t2 + 0.5 * t, 0.5 * t3 - 0.5 * t2]
}
