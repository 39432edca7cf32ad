//! Measures how much neighbours differ on clean film, as means of squared first and second differences.
//!
//! Boxes of any size take constant time.
//!
//! Source: F. C. Crow, "Summed-area tables for texture mapping", SIGGRAPH 1984.

use glassine_raster::{PixelLoop, PixelRect, run_vectorised};

use crate::window::Colours;

/// Sums of squared differences along one direction over the clean pixels of a part of a window.
#[derive(Debug, Default)]
pub(crate) struct Differences {
    width: usize,
    height: usize,
    /// Columns of the planes: those of the part plus one on each side.
    stride: usize,
    /// Densities of the three colours, and 1 for clean film, 0 otherwise.
    planes: [Vec<f32>; 4],
    /// One row: squares of first differences and their count, squares of second differences and their count.
    line: [Vec<f32>; 4],
    /// Running sums of the same four from the top left corner.
    sums: Vec<[f64; 4]>,
}

/// Densities on a padded grid, and which of its pixels are clean.
#[derive(Clone, Copy)]
pub(crate) struct Picture<'a> {
    pub(crate) seen: &'a [Colours],
    /// 0 for clean film.
    pub(crate) index: &'a [u32],
    pub(crate) stride: usize,
}

impl Differences {
    /// Loads a part of a grid, at least one pixel from its edge.
    pub(crate) fn look_at(&mut self, picture: Picture<'_>, part: PixelRect) {
        (self.width, self.height) = (part.width() as usize, part.height() as usize);
        self.stride = self.width + 2;
        self.planes.iter_mut().for_each(|plane| plane.clear());
        for y in part.y0 as usize - 1..part.y1 as usize + 1 {
            let first = y * picture.stride + part.x0 as usize - 1;
            let seen = &picture.seen[first..first + self.stride];
            let [r, g, b, clean] = &mut self.planes;
            for (plane, c) in [r, g, b].into_iter().zip(0..3) {
                plane.extend(seen.iter().map(|d| d[c]));
            }
            let index = &picture.index[first..first + self.stride];
            clean.extend(index.iter().map(|i| if *i == 0 { 1.0 } else { 0.0 }));
        }
    }

    /// Sums the differences in one direction; `share` multiplies the squares.
    pub(crate) fn sum_up(&mut self, (dx, dy): (i32, i32), share: f32) {
        self.sums.clear();
        self.sums.resize((self.width + 1) * (self.height + 1), [0.0; 4]);
        run_vectorised(Summing { differences: self, step: (dx, dy), share });
    }

    /// Sums within `reach` of a position of the part.
    #[inline(always)]
    fn sum(&self, x: i32, y: i32, reach: i32) -> [f64; 4] {
        let clamp = |v: i32, n: usize| v.clamp(0, n as i32) as usize;
        let (x0, x1) = (clamp(x - reach, self.width), clamp(x + reach + 1, self.width));
        let (y0, y1) = (clamp(y - reach, self.height), clamp(y + reach + 1, self.height));
        let at = |x: usize, y: usize| &self.sums[y * (self.width + 1) + x];
        let (a, b, c, d) = (at(x1, y1), at(x0, y1), at(x1, y0), at(x0, y0));
        let sum = |i: usize| a[i] - b[i] - c[i] + d[i];
        [sum(0), sum(1), sum(2), sum(3)]
    }

    /// Mean squares of first and second differences about a position, with more weight on near values; the boxes widen
    /// where there are too few.
    #[inline(always)]
    pub(crate) fn near(&self, x: i32, y: i32) -> [Option<f32>; 2] {
        let mut found = [None; 2];
        // Reaches in pixels; twelve differences in the widest box are the least. Our choice.
        for boxes in [[2, 4, 6], [6, 9, 12], [16, 24, 40]] {
            let all = boxes.map(|reach| self.sum(x, y, reach));
            for (kind, found) in found.iter_mut().enumerate().filter(|(_, found)| found.is_none()) {
                let (square, number) = (2 * kind, 2 * kind + 1);
                if all[2][number] < 12.0 {
                    continue;
                }
                let (mut value, mut count) = (0.0, 0.0);
                for (sum, side) in all.iter().zip(boxes.map(|r| f64::from((2 * r + 1) * (2 * r + 1)))) {
                    value += sum[square] / side;
                    count += sum[number] / side;
                }
                *found = Some((value / count).max(0.0) as f32);
            }
            if found.iter().all(Option::is_some) {
                break;
            }
        }
        found
    }
}

struct Summing<'a> {
    differences: &'a mut Differences,
    step: (i32, i32),
    share: f32,
}

impl PixelLoop for Summing<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { differences, step: (dx, dy), share } = self;
        let Differences { width, height, stride, planes, line, sums } = differences;
        let (w, stride) = (*width, *stride);
        let step = dy as isize * stride as isize + dx as isize;
        line.iter_mut().for_each(|line| line.resize(w, 0.0));
        for y in 0..*height {
            let here = (y + 1) * stride + 1;
            let (next, before) = (here.wrapping_add_signed(step), here.wrapping_add_signed(-step));

            let [r, g, b, clean] = planes.each_ref().map(|plane| plane.as_slice());
            let [a0, a1, a2, a3] = [r, g, b, clean].map(|plane| &plane[before..before + w]);
            let [b0, b1, b2, b3] = [r, g, b, clean].map(|plane| &plane[here..here + w]);
            let [c0, c1, c2, c3] = [r, g, b, clean].map(|plane| &plane[next..next + w]);
            let [slope, slopes, bend, bends] = line.each_mut().map(|line| &mut line[..w]);
            for x in 0..w {
                let (d0, d1, d2) = (b0[x] - c0[x], b1[x] - c1[x], b2[x] - c2[x]);
                let (e0, e1, e2) = (a0[x] - b0[x] - d0, a1[x] - b1[x] - d1, a2[x] - b2[x] - d2);
                slopes[x] = b3[x] * c3[x];
                bends[x] = slopes[x] * a3[x];
                slope[x] = slopes[x] * (share * (d0 * d0 + d1 * d1 + d2 * d2));
                bend[x] = bends[x] * (share * (e0 * e0 + e1 * e1 + e2 * e2));
            }
            let (above, below) = sums.split_at_mut((y + 1) * (w + 1));
            let above = &above[y * (w + 1) + 1..];
            let mut so_far = [0.0_f64; 4];
            for (x, (sum, above)) in below[1..=w].iter_mut().zip(above).enumerate() {
                let values = [slope[x], slopes[x], bend[x], bends[x]];
                let values = values.map(f64::from);
                let [a, b, c, d] = so_far;
                so_far = [a + values[0], b + values[1], c + values[2], d + values[3]];
                let [a, b, c, d] = *above;
                *sum = [a + so_far[0], b + so_far[1], c + so_far[2], d + so_far[3]];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_over_boxes_leave_out_pairs_and_threes_with_a_marked_pixel() {
        // Density grows as the square of the column, so the first difference at column x is 2 x + 1 and the second 2.
        let stride = 12;
        let seen: Vec<Colours> =
            (0..stride * 10).map(|i| [((i % stride) * (i % stride)) as f32, 0.0, 0.0, 0.0]).collect();
        let mut index = vec![0; stride * 10];
        index[5 * stride + 6] = 1;
        let mut differences = Differences::default();
        differences.look_at(Picture { seen: &seen, index: &index, stride }, PixelRect::new(2, 2, 10, 8));
        differences.sum_up((1, 0), 1.0);
        // Around column 6, row 5 of the grid, which is marked: columns 5, 6, 7 of rows 4, 5, 6.
        let squares = |x: i32| f64::from((2 * x + 1) * (2 * x + 1));
        let row = squares(5) + squares(6) + squares(7);
        assert_eq!(differences.sum(4, 3, 1), [2.0 * row + squares(7), 7.0, 4.0 * 6.0, 6.0]);
        assert!(differences.near(4, 3).iter().all(Option::is_some));
        let mut few = Differences::default();
        few.look_at(Picture { seen: &seen, index: &index, stride }, PixelRect::new(2, 2, 5, 5));
        few.sum_up((0, 1), 1.0);
        assert_eq!(few.near(1, 1), [None; 2]);
    }
}
