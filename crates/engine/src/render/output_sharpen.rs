//! Sharpening of a picture after it was scaled down, as its rows stream past.

use glassine_sharpness::{RowScratch, RowSharpener, Sharpening};

use crate::render::Lightness;

/// Averaging over areas softens a picture by about a third of a pixel; this restores it. Our choice: small, and limited
/// like all sharpening, since the picture is seen pixel by pixel.
const SHARPENING: Sharpening =
    Sharpening { amount: 0.8, radius_px: 0.5, overshoot_limit: 0.02, grain_sd: [0.0; 3] };

/// Sharpens interleaved rows of one picture in order; results do not depend on how the rows are cut.
pub(crate) struct OutputSharpener {
    width: usize,
    lightness: Lightness,
    sharpener: RowSharpener,
    halo: usize,
    /// Rows that wait, and those above them that sharpening reads.
    pixels: Vec<f32>,
    light: Vec<f32>,
    /// Kept rows above the next one.
    above: usize,
    scratch: RowScratch,
    sharp: Vec<f32>,
    planes: [Vec<f32>; 3],
}

impl OutputSharpener {
    pub(crate) fn new(width: u32, lightness: Lightness) -> Self {
        Self {
            width: width as usize,
            lightness,
            sharpener: SHARPENING.prepare(width),
            halo: SHARPENING.halo_px() as usize,
            pixels: Vec::new(),
            light: Vec::new(),
            above: 0,
            scratch: RowScratch::default(),
            sharp: vec![0.0; width as usize],
            planes: [0; 3].map(|_| vec![0.0; width as usize]),
        }
    }

    /// Take rows; returns those that wait for no others.
    pub(crate) fn push(&mut self, rows: &[f32]) -> Vec<f32> {
        self.pixels.extend_from_slice(rows);
        self.light.extend(self.lightness.of_pixels(rows));
        let known = self.light.len() / self.width.max(1);
        self.make(known.saturating_sub(self.halo))
    }

    /// The remaining rows.
    pub(crate) fn finish(&mut self) -> Vec<f32> {
        self.make(self.light.len() / self.width.max(1))
    }

    /// Sharpen the waiting rows before kept row `end`, and drop what no later row reads.
    fn make(&mut self, end: usize) -> Vec<f32> {
        let (width, stride) = (self.width, 3 * self.width);
        let mut out = Vec::with_capacity(end.saturating_sub(self.above) * stride);
        for y in self.above..end {
            self.sharpener.row_of(&self.light, y, &mut self.scratch, &mut self.sharp);
            let row = &self.pixels[y * stride..(y + 1) * stride];
            for (channel, plane) in self.planes.iter_mut().enumerate() {
                plane.iter_mut().zip(row.iter().skip(channel).step_by(3)).for_each(|(to, from)| *to = *from);
            }
            let before = &self.light[y * width..(y + 1) * width];
            self.lightness.apply(self.planes.each_mut().map(Vec::as_mut_slice), before, &self.sharp);
            let [r, g, b] = &self.planes;
            out.extend(r.iter().zip(g).zip(b).flat_map(|((r, g), b)| [*r, *g, *b]));
        }
        self.above = self.above.max(end);
        let spare = self.above.saturating_sub(self.halo);
        self.pixels.drain(..spare * stride);
        self.light.drain(..spare * width);
        self.above -= spare;
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A step between dark and light columns, softened over one pixel; rows differ if it is ragged.
    fn picture(width: usize, height: usize, is_ragged: bool) -> Vec<f32> {
        let value = |x: usize, y: usize| match x.cmp(&(width / 2 + if is_ragged { y % 3 } else { 0 })) {
            std::cmp::Ordering::Less => 0.3,
            std::cmp::Ordering::Equal => 0.45,
            std::cmp::Ordering::Greater => 0.7,
        };
        let pixels = (0..height).flat_map(|y| (0..width).map(move |x| (x, y)));
        pixels.flat_map(|(x, y)| [value(x, y), 0.9 * value(x, y), 0.5]).collect()
    }

    fn sharpened(picture: &[f32], width: usize, rows_at_once: usize) -> Vec<f32> {
        let mut sharpener = OutputSharpener::new(width as u32, Lightness::Encoded);
        let mut out = Vec::new();
        for rows in picture.chunks(rows_at_once * width * 3) {
            out.extend(sharpener.push(rows));
        }
        out.extend(sharpener.finish());
        out
    }

    #[test]
    fn any_cut_into_rows_gives_the_same_picture_of_the_same_size() {
        let picture = picture(70, 41, true);
        let whole = sharpened(&picture, 70, 41);
        assert_eq!(whole.len(), picture.len());
        assert!(whole != picture);
        for rows in [1, 2, 3, 7, 40] {
            assert!(sharpened(&picture, 70, rows) == whole, "{rows} rows at once");
        }
    }

    #[test]
    fn edges_get_steeper_with_no_more_than_the_allowed_halo() {
        let picture = picture(70, 41, false);
        let out = sharpened(&picture, 70, 8);
        let red = |pixels: &[f32], x: usize| pixels[(21 * 70 + x) * 3];
        let steepest =
            |pixels: &[f32]| (1..70).map(|x| red(pixels, x) - red(pixels, x - 1)).fold(0.0_f32, f32::max);
        assert!(steepest(&out) > 1.03 * steepest(&picture), "{} {}", steepest(&out), steepest(&picture));
        // Lightness of the step spans 0.21 * 0.4 + 0.72 * 0.36; every channel moves alike.
        let slack = 0.02 * (0.2126 + 0.7152 * 0.9) * 0.4 + 1e-5;
        let (low, high) = out.iter().step_by(3).fold((1.0_f32, 0.0_f32), |(l, h), v| (l.min(*v), h.max(*v)));
        assert!(low >= 0.3 - slack && high <= 0.7 + slack, "{low} {high}");
    }
}
