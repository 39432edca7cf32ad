//! Finds straight lines of the visible picture, along rows and columns, that are lighter than both of their sides.
//!
//! Film is torn by parts it is pulled past in cameras, tanks, cutters and holders, so along its edges or across them.
//! These lines are candidates; [`crate::torn`] separates torn emulsion from photographed lines.

use glassine_raster::{PixelLoop, PixelRect, Samples16, run_vectorised};

use crate::label::Run;

/// Distance at which a pixel is compared with its sides. Our choice: beyond the blur of a hair line.
pub(crate) const SIDE_PX: u32 = 4;
/// Least light of a line relative to its lighter side: 0.015 D, a little more than what is worth a repair. Our choice.
const LIGHTER: f32 = 1.035;
/// Pixels in a row judged together, and how many of them must be lighter. Our choice.
const CHUNK_PX: usize = 16;
const LIGHT_MIN: u8 = 14;

/// Light pixels of lines along rows and of lines along columns, in reading order.
#[derive(Debug, Clone, Default)]
pub(crate) struct Ridges {
    pub(crate) along_rows: Vec<Run>,
    pub(crate) along_columns: Vec<Run>,
}

impl Ridges {
    pub(crate) fn append(&mut self, mut later: Self) {
        self.along_rows.append(&mut later.along_rows);
        self.along_columns.append(&mut later.along_columns);
    }

    pub(crate) fn bytes(&self) -> usize {
        (self.along_rows.len() + self.along_columns.len()) * size_of::<Run>()
    }
}

/// Buffers of one thread.
#[derive(Debug, Default)]
pub(crate) struct RidgeSpace {
    /// Codes of one channel for the rows in use.
    codes: Vec<f32>,
    light: Vec<u8>,
    columns: Vec<u8>,
}

/// Finds lines in the rows `y0..y1`, from samples of `from`, which has [`SIDE_PX`] more rows on both sides if they
/// exist.
pub(crate) fn ridges(
    linear: &Samples16,
    from: PixelRect,
    (y0, y1): (u32, u32),
    colours: u8,
    space: &mut RidgeSpace,
) -> Ridges {
    let RidgeSpace { codes, light, columns } = space;
    let wide = from.width() as usize;
    codes.clear();
    // Green, if there is more than one channel.
    let channel = usize::from(colours / 2);
    for y in 0..from.height() {
        let pixels = linear.row(y).chunks_exact(usize::from(linear.channels()));
        codes.extend(pixels.map(|px| f32::from(px[channel])));
    }
    let row = |y: u32| &codes[(y - from.y0) as usize * wide..][..wide];
    let side = SIDE_PX as usize;
    let mut found = Ridges::default();
    light.resize(wide, 0);
    for first in (y0..y1).step_by(CHUNK_PX) {
        let rows = first..(first + CHUNK_PX as u32).min(y1);
        columns.clear();
        columns.resize(wide, 0);
        for y in rows.clone() {
            if y >= from.y0 + SIDE_PX && y + SIDE_PX < from.y1 {
                let (middle, sides) = (row(y), [row(y - SIDE_PX), row(y + SIDE_PX)]);
                run_vectorised(Lighter { middle, sides, light });
                for (i, chunk) in light.chunks_exact(CHUNK_PX).enumerate() {
                    if chunk.iter().sum::<u8>() >= LIGHT_MIN {
                        push(&mut found.along_rows, from.x0 + (i * CHUNK_PX) as u32, y, CHUNK_PX as u32);
                    }
                }
            }
            if wide > 2 * side {
                let line = row(y);
                let (middle, sides) = (&line[side..wide - side], [line, &line[2 * side..]]);
                run_vectorised(Lighter { middle, sides, light: &mut light[side..wide - side] });
                light[..side].fill(0);
                light[wide - side..].fill(0);
                columns.iter_mut().zip(light.iter()).for_each(|(sum, light)| *sum += light);
            }
        }
        if rows.len() == CHUNK_PX && columns.iter().any(|sum| *sum >= LIGHT_MIN) {
            for y in rows {
                for (x, _) in (from.x0..).zip(&*columns).filter(|(_, sum)| **sum >= LIGHT_MIN) {
                    push(&mut found.along_columns, x, y, 1);
                }
            }
        }
    }
    found
}

/// Adds pixels of a row, joined to those before them.
fn push(runs: &mut Vec<Run>, x0: u32, y: u32, count: u32) {
    match runs.last_mut() {
        Some(last) if last.y == y && last.x1 == x0 => last.x1 += count,
        _ => runs.push(Run { y, x0, x1: x0 + count }),
    }
}

/// Which pixels are lighter than both sides: 1 or 0.
struct Lighter<'a> {
    middle: &'a [f32],
    sides: [&'a [f32]; 2],
    light: &'a mut [u8],
}

impl PixelLoop for Lighter<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let n = self.light.len();
        let (middle, a, b) = (&self.middle[..n], &self.sides[0][..n], &self.sides[1][..n]);
        for (x, light) in self.light.iter_mut().enumerate() {
            *light = u8::from(middle[x] > LIGHTER * a[x]) & u8::from(middle[x] > LIGHTER * b[x]);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_along_rows_and_columns_are_found_and_steps_are_not() {
        let (w, h) = (96, 96);
        let light = |x: u32, y: u32| match (x, y) {
            // A step in the right third.
            (64.., _) => 9000,
            (20..60, 40..42) | (12..14, 52..96) => 5500,
            _ => 5000,
        };
        let pixels = (0..h).flat_map(|y| (0..w).flat_map(move |x| [light(x, y), 60_000]));
        let samples = Samples16::from_vec(w, h, 2, pixels.collect()).expect("length fits");
        let whole = PixelRect::of_size(w, h);
        let found = ridges(&samples, whole, (0, h), 1, &mut RidgeSpace::default());
        assert_eq!(found.along_rows, [Run { y: 40, x0: 32, x1: 48 }, Run { y: 41, x0: 32, x1: 48 }]);
        let columns: Vec<Run> = (64..96).map(|y| Run { y, x0: 12, x1: 14 }).collect();
        assert_eq!(found.along_columns, columns);
    }
}
