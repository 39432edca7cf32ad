//! A file that is nothing but picture: no holder, no open light and no rebate along any of its sides.

use glassine_raster::Samples16;

use super::{FindOptions, Overview};
use crate::{Format, formats};

/// Longest picture of one frame, longer side against shorter: 3:2 and some. A longer file may hold several frames.
const MOST_ASPECT: f64 = 1.62;
/// Part of a side that holder, open light or rebate must cover to count. Ours: print and frames interrupt a rebate.
const LEAST_OF_SIDE: f64 = 0.45;
/// Darkest and clearest transmittances that may be holder (or the black of a slide) and open light.
const BLACK_T: f32 = 0.012;
const OPEN_T: f32 = 0.7;
/// How far a rebate may be from its median along a side, density: grain and lamp, not picture. Ours.
const EVEN_D: f32 = 0.035;
/// How near the clearest (densest) five hundredth of the picture a rebate lies, density. Ours: lamp fall-off.
const NEAR_D: f32 = 0.12;
/// How much smaller than nominal a cut-out picture may be, and how much larger.
const SIZES: std::ops::Range<f64> = 0.90..1.03;

/// Whether one picture fills the whole file.
pub(super) fn fills_file(overview: &Overview<'_>) -> bool {
    let (w, h) = (f64::from(overview.scan_width_px), f64::from(overview.scan_height_px));
    let src = overview.samples;
    if w.max(h) > MOST_ASPECT * w.min(h) || src.width() < 8 || src.height() < 8 {
        return false;
    }
    let colour = usize::from(overview.colour_channels.clamp(1, src.channels().max(1)));
    let extremes = Extremes::of(src, colour);
    sides(src, colour).iter().all(|side| !extremes.is_surround(side))
}

/// The format of a picture that was cut out of its film, when its size tells.
pub(super) fn format_of_size(
    (width, height): (u32, u32),
    options: &FindOptions<'_>,
) -> Option<&'static Format> {
    let mm = 25.4 / options.ppi.filter(|ppi| ppi.is_finite() && *ppi > 1.0)?;
    let (long, short) = (f64::from(width.max(height)) * mm, f64::from(width.min(height)) * mm);
    let fits = |format: &&Format| {
        let nominal = (format.along_mm.max(format.across_mm), format.along_mm.min(format.across_mm));
        SIZES.contains(&(long / nominal.0)) && SIZES.contains(&(short / nominal.1))
    };
    let mut fitting = formats().iter().filter(fits);
    fitting.next().filter(|_| fitting.next().is_none())
}

/// Mean densities of the clearest and the densest part of a picture.
struct Extremes {
    clear_d: f32,
    dense_d: f32,
}

impl Extremes {
    fn of(src: &Samples16, colour: usize) -> Self {
        let channels = usize::from(src.channels()).max(1);
        let step = (src.data().len() / channels / 200_000).max(1);
        let pixels = src.data().chunks_exact(channels).step_by(step);
        let mut all: Vec<f32> = pixels.map(|pixel| density(pixel, colour)).collect();
        let last = all.len().saturating_sub(1);
        let mut at = |share: usize| *all.select_nth_unstable_by(last * share / 500, f32::total_cmp).1;
        Self { clear_d: at(1), dense_d: at(499) }
    }

    /// Whether a side of the file runs along holder, open light or rebate.
    fn is_surround(&self, side: &[(f32, f32, f32)]) -> bool {
        let share = |holds: &dyn Fn(&(f32, f32, f32)) -> bool| {
            side.iter().filter(|pixel| holds(pixel)).count() as f64 > LEAST_OF_SIDE * side.len() as f64
        };
        if share(&|(_, _, most)| *most < BLACK_T) || share(&|(_, least, _)| *least > OPEN_T) {
            return true;
        }
        [self.clear_d, self.dense_d].into_iter().any(|extreme_d| {
            let mut near: Vec<f32> =
                side.iter().map(|s| s.0).filter(|d| (d - extreme_d).abs() < NEAR_D).collect();
            if near.is_empty() {
                return false;
            }
            let middle = near.len() / 2;
            let median_d = *near.select_nth_unstable_by(middle, f32::total_cmp).1;
            share(&|(d, ..)| (d - median_d).abs() < EVEN_D)
        })
    }
}

fn density(pixel: &[u16], colour: usize) -> f32 {
    let sum: f32 = pixel[..colour].iter().map(|code| (f32::from(*code).max(0.5) / 65_535.0).log10()).sum();
    -sum / colour as f32
}

/// The pixels a little inside each side: mean density, least and largest transmittance of their colours.
fn sides(src: &Samples16, colour: usize) -> [Vec<(f32, f32, f32)>; 4] {
    let channels = usize::from(src.channels()).max(1);
    let (w, h) = (src.width(), src.height());
    let at = |x: u32, y: u32| {
        let pixel = &src.row(y)[x as usize * channels..][..channels];
        let t = |code: &u16| f32::from(*code) / 65_535.0;
        let least = pixel[..colour].iter().map(t).fold(1.0, f32::min);
        let most = pixel[..colour].iter().map(t).fold(0.0, f32::max);
        (density(pixel, colour), least, most)
    };
    [
        (0..w).map(|x| at(x, 1)).collect(),
        (0..w).map(|x| at(x, h - 2)).collect(),
        (0..h).map(|y| at(1, y)).collect(),
        (0..h).map(|y| at(w - 2, y)).collect(),
    ]
}
