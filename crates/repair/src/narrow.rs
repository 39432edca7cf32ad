//! Finds narrow dense places of a reduced picture, so that statistics do not rest on dust when there is no infrared.
//!
//! ```text
//! tophat(D) = D - max(min(D))      (both over squares of 5 x 5 pixels)
//! ```
//! Everything narrower than the square in any direction and denser than its surroundings stands out: specks, hairs,
//! scratches that hold back light, and details of the picture that are no larger. The result repairs nothing.
//!
//! Source: J. Serra, "Image Analysis and Mathematical Morphology" (1982), opening and top-hat.

use glassine_raster::{Plane, Samples16};

use crate::density::density_d;
use crate::robust::median_in_place;

/// Half the side of the square, without its middle. Our choice.
const REACH_PX: usize = 2;
/// Least density that stands out, D, and least multiple of the picture's finest structure: grain and texture stay. Our
/// choice.
const CONTRAST_D: f32 = 0.10;
const CONTRAST_SIGMA: f32 = 8.0;
/// Pixels around a place that its blur may reach. Our choice.
const SKIRT_PX: u32 = 2;

/// 1 where a picture of about a thousand pixels a side has a dense detail too narrow to distinguish from dust, else 0.
///
/// `linear` holds linear 16-bit codes, its colours first; `colour_channels` is 3, or 1 for grey.
pub fn narrow_dense(linear: &Samples16, colour_channels: u8) -> Plane<u8> {
    let (w, h) = (linear.width(), linear.height());
    let mut doubtful = Plane::filled(w, h, 0_u8);
    let colours = usize::from(colour_channels.min(3).min(linear.channels()));
    if colours == 0 || (w as usize) <= 2 * REACH_PX || (h as usize) <= 2 * REACH_PX {
        return doubtful;
    }
    let mut density = Plane::filled(w, h, 0.0_f32);
    let pixels = linear.data().chunks_exact(usize::from(linear.channels()));
    for (d, pixel) in density.data_mut().iter_mut().zip(pixels) {
        *d = pixel[..colours].iter().map(|&code| density_d(code)).sum::<f32>() / colours as f32;
    }
    let opened = over_squares(&over_squares(&density, f32::min), f32::max);
    let least = CONTRAST_D.max(CONTRAST_SIGMA * finest_structure_d(&density));
    for y in 0..h {
        for x in 0..w {
            if density.at(x, y) - opened.at(x, y) > least {
                for yy in y.saturating_sub(SKIRT_PX)..(y + SKIRT_PX + 1).min(h) {
                    let (first, end) = (x.saturating_sub(SKIRT_PX), (x + SKIRT_PX + 1).min(w));
                    doubtful.row_mut(yy)[first as usize..end as usize].fill(1);
                }
            }
        }
    }
    doubtful
}

/// Standard deviation between neighbouring pixels, D.
fn finest_structure_d(density: &Plane<f32>) -> f32 {
    let mut steps: Vec<f32> = (0..density.height())
        .flat_map(|y| density.row(y).windows(2).map(|pair| (pair[1] - pair[0]).abs()))
        .collect();
    1.4826 * median_in_place(&mut steps) / std::f32::consts::SQRT_2
}

/// Smallest or largest value over the square around every pixel; the edge repeats.
fn over_squares(plane: &Plane<f32>, pick: fn(f32, f32) -> f32) -> Plane<f32> {
    let (w, h) = (plane.width() as usize, plane.height() as usize);
    let mut along = Plane::filled(plane.width(), plane.height(), 0.0_f32);
    for y in 0..plane.height() {
        let row = plane.row(y);
        for (x, out) in along.row_mut(y).iter_mut().enumerate() {
            let near = &row[x.saturating_sub(REACH_PX)..(x + REACH_PX + 1).min(w)];
            *out = near.iter().copied().reduce(pick).unwrap_or(row[x]);
        }
    }
    let mut out = along.clone();
    for y in 0..h {
        for near in y.saturating_sub(REACH_PX)..(y + REACH_PX + 1).min(h) {
            let row = along.row(near as u32);
            for (o, v) in out.row_mut(y as u32).iter_mut().zip(row) {
                *o = pick(*o, *v);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use glassine_testdata::random::Lcg;

    use super::*;

    /// A smooth picture of densities from 0.5 to 1.1 with grain of 0.01 D, and dense squares in it.
    fn picture(squares: &[(u32, u32, u32, u32)]) -> Samples16 {
        let (w, h) = (120_u32, 90_u32);
        let mut out = Samples16::zeroed(w, h, 3);
        let mut random = Lcg::new(12_345);
        for y in 0..h {
            for x in 0..w {
                let grain = (f64::from(random.next_u32() >> 16) / 65_535.0 - 0.5) * 0.035;
                let dense = squares
                    .iter()
                    .any(|&(x0, y0, sx, sy)| (x0..x0 + sx).contains(&x) && (y0..y0 + sy).contains(&y));
                let d = 0.5 + 0.005 * f64::from(x) + grain + if dense { 0.5 } else { 0.0 };
                let code = (65_535.0 * 10_f64.powf(-d)) as u16;
                let at = ((y * w + x) * 3) as usize;
                out.data_mut()[at..at + 3].fill(code);
            }
        }
        out
    }

    #[test]
    fn specks_and_hairs_stand_out_and_larger_things_stay() {
        let doubtful = narrow_dense(&picture(&[(20, 20, 3, 4), (50, 10, 2, 60), (80, 40, 20, 20)]), 3);
        assert_eq!((doubtful.at(21, 21), doubtful.at(50, 30), doubtful.at(51, 65)), (1, 1, 1));
        assert_eq!(doubtful.at(90, 50), 0);
        let share = doubtful.data().iter().map(|d| u32::from(*d)).sum::<u32>();
        assert!(share < 7 * 8 + 6 * 64 + 40, "little else is left out: {share}");
    }

    #[test]
    fn a_picture_of_grain_alone_keeps_every_pixel() {
        let doubtful = narrow_dense(&picture(&[]), 3);
        assert!(doubtful.data().iter().all(|d| *d == 0));
        assert_eq!(narrow_dense(&Samples16::zeroed(3, 3, 3), 3).data().len(), 9);
    }
}
