//! Rows of a picture in one pass: each is encoded, sharpened and handed on while it is in the cache of one core.
//! Previews and exports go through the same pass.

use std::ops::Range;

use glassine_raster::{CancelToken, Cancelled};
use glassine_sharpness::{RowScratch, RowSharpener, Sharpening};

use crate::render::Lightness;

/// Rows after which the lightness of earlier ones makes room: few enough to still be in the caches.
const STEP_ROWS: usize = 32;

/// What is done with the rows of a picture; planes hold red, green and blue.
pub(crate) trait RowSteps {
    /// Run a row through the pipeline.
    fn encode(&mut self, y: usize, planes: [&mut [f32]; 3]);

    /// Take a row before it is sharpened.
    fn count(&mut self, _planes: [&[f32]; 3]) {}

    /// Take the lightness of a row as it was sharpened with and without the overshoot limit, if both were asked for.
    fn limited(&mut self, _limited: &[f32], _free: &[f32]) {}

    /// Take a finished row; rows come in order.
    fn finish(&mut self, y: usize, planes: [&[f32]; 3]);
}

/// Buffers of one thread.
#[derive(Default)]
pub(crate) struct RowBuffers {
    /// Encoded red, green, blue: a ring of the rows that wait for those below them.
    ring: [Vec<f32>; 3],
    /// Lightness of these rows and of those above them that sharpening reads.
    light: Vec<f32>,
    sharp: Vec<f32>,
    /// Sharpened without the overshoot limit.
    free: Vec<f32>,
    scratch: RowScratch,
    free_scratch: RowScratch,
}

/// How the rows of a picture are made.
pub(crate) struct RowPass {
    width: usize,
    height: usize,
    lightness: Lightness,
    sharpener: Option<RowSharpener>,
    /// The same without the overshoot limit, to tell where it acts.
    free: Option<RowSharpener>,
    /// Rows above and below that a sharpened row needs.
    halo: usize,
}

impl RowPass {
    pub(crate) fn new(
        (width, height): (u32, u32),
        sharpening: Option<Sharpening>,
        lightness: Lightness,
    ) -> Self {
        Self {
            width: width as usize,
            height: height as usize,
            lightness,
            sharpener: sharpening.map(|sharpening| sharpening.prepare(width)),
            free: None,
            halo: sharpening.map_or(0, |sharpening| sharpening.halo_px() as usize),
        }
    }

    /// The same pass, which also tells where the overshoot limit acts.
    pub(crate) fn telling_limit(self, sharpening: Option<Sharpening>) -> Self {
        let free = sharpening.map(|sharpening| Sharpening { overshoot_limit: f32::INFINITY, ..sharpening });
        Self { free: free.map(|free| free.prepare(self.width as u32)), ..self }
    }

    /// The rows that must be encoded to make some rows.
    pub(crate) fn needed(&self, rows: &Range<usize>) -> Range<usize> {
        rows.start.saturating_sub(self.halo)..(rows.end + self.halo).min(self.height)
    }

    /// Make rows of the picture.
    pub(crate) fn run(
        &self,
        rows: Range<usize>,
        buffers: &mut RowBuffers,
        steps: &mut impl RowSteps,
        cancel: &CancelToken,
    ) -> Result<(), Cancelled> {
        let (width, halo, needed) = (self.width, self.halo, self.needed(&rows));
        let RowBuffers { ring, light, sharp, free, scratch, free_scratch } = buffers;
        ring.iter_mut().for_each(|plane| plane.resize((halo + 1) * width, 0.0));
        let room_rows = 2 * halo + STEP_ROWS;
        if self.sharpener.is_some() {
            light.resize(room_rows * width, 0.0);
            sharp.resize(width, 0.0);
        }
        let slot = |y: usize| y % (halo + 1) * width..(y % (halo + 1) + 1) * width;
        let (mut next, mut light_top) = (rows.start, needed.start);
        for y in needed.clone() {
            cancel.check()?;
            let [r, g, b] = ring.each_mut().map(|plane| &mut plane[slot(y)]);
            steps.encode(y, [&mut *r, &mut *g, &mut *b]);
            if self.sharpener.is_some() {
                if y - light_top == room_rows {
                    // No later row reads what is above the halo of the next one.
                    let kept = next.saturating_sub(halo).max(light_top);
                    light.copy_within((kept - light_top) * width.., 0);
                    light_top = kept;
                }
                self.lightness.measure([r, g, b], &mut light[(y - light_top) * width..][..width]);
            }
            // The last rows of the picture wait for no others.
            let ready = if y + 1 == needed.end { rows.end } else { (y + 1).saturating_sub(halo) };
            while next < ready {
                let [r, g, b] = ring.each_mut().map(|plane| &mut plane[slot(next)]);
                steps.count([&*r, &*g, &*b]);
                if let Some(sharpener) = &self.sharpener {
                    let at = next - light_top;
                    let known = &light[..(y + 1 - light_top) * width];
                    sharpener.row_of(known, at, scratch, sharp);
                    if let Some(unlimited) = &self.free {
                        free.resize(width, 0.0);
                        unlimited.row_of(known, at, free_scratch, free);
                        steps.limited(sharp, free);
                    }
                    self.lightness.apply([&mut *r, &mut *g, &mut *b], &known[at * width..][..width], sharp);
                }
                steps.finish(next, [&*r, &*g, &*b]);
                next += 1;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use glassine_raster::Plane;

    use super::*;

    const WIDTH: usize = 37;
    const HEIGHT: usize = 190;

    /// A colour value that looks random.
    fn value(x: usize, y: usize, channel: usize) -> f32 {
        let mixed = (x * 7919 + y * 104_729 + channel * 1_299_709) as u32;
        (mixed.wrapping_mul(2_654_435_761) >> 8) as f32 / 16_777_216.0
    }

    fn row(y: usize) -> [Vec<f32>; 3] {
        [0, 1, 2].map(|channel| (0..WIDTH).map(|x| value(x, y, channel)).collect())
    }

    #[derive(Default)]
    struct Kept {
        counted: Vec<[Vec<f32>; 3]>,
        finished: Vec<(usize, [Vec<f32>; 3])>,
    }

    impl RowSteps for Kept {
        fn encode(&mut self, y: usize, planes: [&mut [f32]; 3]) {
            for (plane, row) in planes.into_iter().zip(row(y)) {
                plane.copy_from_slice(&row);
            }
        }

        fn count(&mut self, planes: [&[f32]; 3]) {
            self.counted.push(planes.map(<[f32]>::to_vec));
        }

        fn finish(&mut self, y: usize, planes: [&[f32]; 3]) {
            self.finished.push((y, planes.map(<[f32]>::to_vec)));
        }
    }

    /// The rows of the picture, sharpened on the lightness of all of it at once.
    fn sharpened_whole(sharpening: Sharpening, lightness: Lightness) -> Vec<(usize, [Vec<f32>; 3])> {
        let mut rows: Vec<_> = (0..HEIGHT).map(row).collect();
        let mut light = vec![0.0; WIDTH * HEIGHT];
        for (line, [r, g, b]) in light.chunks_exact_mut(WIDTH).zip(&rows) {
            lightness.measure([r, g, b], line);
        }
        let plane = Plane::from_vec(WIDTH as u32, HEIGHT as u32, light).expect("has this size");
        let sharpener = sharpening.prepare(WIDTH as u32);
        let (mut scratch, mut sharp) = (RowScratch::default(), vec![0.0; WIDTH]);
        for (y, row) in rows.iter_mut().enumerate() {
            sharpener.row(&plane, y as u32, &mut scratch, &mut sharp);
            lightness.apply(row.each_mut().map(Vec::as_mut_slice), plane.row(y as u32), &sharp);
        }
        rows.into_iter().enumerate().collect()
    }

    #[test]
    fn any_cut_into_bands_gives_the_rows_of_the_whole_picture() {
        let sharpening = |radius_px| Sharpening {
            amount: 0.8,
            radius_px,
            overshoot_limit: 0.3,
            grain_sd: [0.0, 0.2, 0.1],
        };
        for (radius_px, lightness) in [(0.7, Lightness::Encoded), (2.5, Lightness::Linear)] {
            let whole = sharpened_whole(sharpening(radius_px), lightness);
            let size = (WIDTH as u32, HEIGHT as u32);
            let pass = RowPass::new(size, Some(sharpening(radius_px)), lightness);
            let mut buffers = RowBuffers::default();
            for band_rows in [1, 7, 64, HEIGHT] {
                let mut kept = Kept::default();
                for first in (0..HEIGHT).step_by(band_rows) {
                    let rows = first..(first + band_rows).min(HEIGHT);
                    pass.run(rows, &mut buffers, &mut kept, &CancelToken::new()).expect("not cancelled");
                }
                assert!(kept.finished == whole, "radius {radius_px} px, bands of {band_rows} rows");
                assert!(kept.counted.into_iter().eq((0..HEIGHT).map(row)));
            }
        }
    }

    #[test]
    fn without_sharpening_rows_pass_unchanged() {
        let pass = RowPass::new((WIDTH as u32, HEIGHT as u32), None, Lightness::Encoded);
        let mut kept = Kept::default();
        pass.run(20..25, &mut RowBuffers::default(), &mut kept, &CancelToken::new()).expect("not cancelled");
        assert!(kept.finished.into_iter().eq((20..25).map(|y| (y, row(y)))));
        assert_eq!(pass.needed(&(20..25)), 20..25);
    }
}
