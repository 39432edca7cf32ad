//! Recognises a file that is all picture: no holder, no open light and no rebate along any of its sides.

use glassine_raster::{ResolutionPpi, Samples16};

use super::{FilmTone, FindOptions, Overview};
use crate::{Format, formats};

/// Largest ratio of longer to shorter side for one frame: 3:2 and 8 % of rebate. A longer file may hold several frames.
/// Our choice.
const MOST_ASPECT: f64 = 1.62;
/// Share of a side that holder, open light or rebate must cover. Ours: print and frames interrupt a rebate.
const LEAST_OF_SIDE: f64 = 0.45;
/// Below `BLACK_T` a place may be holder or the black of a slide; above `OPEN_T` it may be open light. Our choice, as
/// in `levels.rs`.
const BLACK_T: f32 = 0.012;
const OPEN_T: f32 = 0.7;
/// Largest deviation of a rebate from its middle along a side, density: grain and lamp, not picture. Ours.
const EVEN_D: f32 = 0.035;
/// Share of a side that rebate must cover where perforations or a holder take the rest. Our choice.
const LEAST_REBATE: f64 = 0.25;
/// Share of the film that may be clearer (for a slide: denser) than its rebate. Ours: dirt, light through scratches.
const FEW: f64 = 0.03;
/// Size against nominal: a cut-out picture may be this much smaller, a camera's picture this much larger. Our choice:
/// wider ranges name a neighbouring format.
const SIZES: std::ops::Range<f64> = 0.90..1.05;

/// Whether one picture fills the whole file.
pub(super) fn fills_file(overview: &Overview<'_>, tone: FilmTone) -> bool {
    let (w, h) = (f64::from(overview.scan_width_px), f64::from(overview.scan_height_px));
    let src = overview.samples;
    // Thumbnails below 32 pixels show no side. Our choice.
    if w.max(h) > MOST_ASPECT * w.min(h) || src.width() < 32 || src.height() < 32 {
        return false;
    }
    let colour = usize::from(overview.colour_channels.clamp(1, src.channels().max(1)));
    let extremes = Extremes::of(src, colour, tone);
    sides(src, colour).iter().all(|side| !extremes.is_surround(side))
}

/// The format of a lone picture in either orientation, if its size in pixels fits exactly one.
pub(super) fn format_of_size(
    (width, height): (f64, f64),
    options: &FindOptions<'_>,
) -> Option<&'static Format> {
    let mm = 25.4 / options.ppi.map(ResolutionPpi::ppi).filter(|ppi| *ppi > 1.0)?;
    let (long, short) = (width.max(height) * mm, width.min(height) * mm);
    let fits = |format: &&Format| {
        let nominal = (format.along_mm.max(format.across_mm), format.along_mm.min(format.across_mm));
        SIZES.contains(&(long / nominal.0)) && SIZES.contains(&(short / nominal.1))
    };
    let mut fitting = formats().iter().filter(fits);
    fitting.next().filter(|_| fitting.next().is_none())
}

/// Density range of the film, used to test whether a density is at its clear or dense end.
struct Extremes {
    /// Sorted densities of everything that is neither open light nor black.
    film_d: Vec<f32>,
    tone: FilmTone,
}

impl Extremes {
    fn of(src: &Samples16, colour: usize, tone: FilmTone) -> Self {
        let channels = usize::from(src.channels()).max(1);
        // Enough pixels for the shares below, whatever the size of the scan. Our choice.
        let step = (src.data().len() / channels / 200_000).max(1);
        let pixels = src.data().chunks_exact(channels).step_by(step);
        let all = pixels.map(|pixel| place_of(&pixel[..colour])).filter(|place| !place.is_no_film());
        let mut film_d: Vec<f32> = all.map(|place| place.density_d).collect();
        film_d.sort_unstable_by(f32::total_cmp);
        Self { film_d, tone }
    }

    /// Whether a side of the file is holder, open light or rebate; perforations may interrupt it.
    fn is_surround(&self, side: &[Place]) -> bool {
        let no_film = side.iter().filter(|place| place.is_no_film()).count();
        let mut film_d: Vec<f32> = side.iter().filter(|p| !p.is_no_film()).map(|p| p.density_d).collect();
        film_d.sort_unstable_by(f32::total_cmp);
        // The window of even film that holds the most places.
        let (mut end, mut most, mut middle_d) = (0, 0, 0.0);
        for (begin, from) in film_d.iter().enumerate() {
            while film_d.get(end).is_some_and(|d| *d <= from + 2.0 * EVEN_D) {
                end += 1;
            }
            if end - begin > most {
                (most, middle_d) = (end - begin, from + EVEN_D);
            }
        }
        let is_rebate = self.is_extreme(middle_d) && most as f64 > LEAST_REBATE * side.len() as f64;
        let even = no_film + if is_rebate { most } else { 0 };
        even as f64 > LEAST_OF_SIDE * side.len() as f64
    }

    /// Whether only few film places are clearer (for a slide: denser) than this.
    fn is_extreme(&self, density_d: f32) -> bool {
        // Half as far again as the rebate itself may deviate. Our choice.
        let below = self.film_d.partition_point(|d| *d < density_d - 1.5 * EVEN_D);
        let above = self.film_d.len() - self.film_d.partition_point(|d| *d < density_d + 1.5 * EVEN_D);
        let few = |count: usize| count as f64 <= FEW * self.film_d.len() as f64;
        match self.tone {
            FilmTone::Negative => few(below),
            FilmTone::Slide => few(above),
            FilmTone::Unknown => few(below) || few(above),
        }
    }
}

/// Mean of a few adjacent pixels.
#[derive(Debug, Clone, Copy)]
struct Place {
    density_d: f32,
    least_t: f32,
    most_t: f32,
}

impl Place {
    fn is_no_film(&self) -> bool {
        self.most_t < BLACK_T || self.least_t > OPEN_T
    }
}

fn place_of(codes: &[u16]) -> Place {
    let t = |code: &u16| f32::from(*code) / 65_535.0;
    Place {
        density_d: density(codes, codes.len()),
        least_t: codes.iter().map(t).fold(1.0, f32::min),
        most_t: codes.iter().map(t).fold(0.0, f32::max),
    }
}

fn density(pixel: &[u16], colour: usize) -> f32 {
    let sum: f32 = pixel[..colour].iter().map(|code| (f32::from(*code).max(0.5) / 65_535.0).log10()).sum();
    -sum / colour as f32
}

/// Places along each side, slightly inside; each is the mean of several pixels, so that grain does not hide a rebate.
fn sides(src: &Samples16, colour: usize) -> [Vec<Place>; 4] {
    // Pixels averaged for a place, so that grain does not decide. Our choice.
    const ALONG: u32 = 5;
    const DEEP: u32 = 3;
    let channels = usize::from(src.channels()).max(1);
    let (w, h) = (src.width(), src.height());
    let place = |x0: u32, y0: u32, across: u32, down: u32| {
        let mut sums = [0_u32; 4];
        for y in y0..(y0 + down).min(h) {
            let pixels = src.row(y).chunks_exact(channels).skip(x0 as usize).take(across as usize);
            for pixel in pixels {
                for (sum, code) in sums.iter_mut().zip(pixel).take(colour) {
                    *sum += u32::from(*code);
                }
            }
        }
        let codes = sums.map(|sum| (sum / (across * down)).min(65_535) as u16);
        place_of(&codes[..colour.min(4)])
    };
    let columns = || (1..w.saturating_sub(ALONG)).step_by(ALONG as usize);
    let rows = || (1..h.saturating_sub(ALONG)).step_by(ALONG as usize);
    [
        columns().map(|x| place(x, 1, ALONG, DEEP)).collect(),
        columns().map(|x| place(x, h - 1 - DEEP, ALONG, DEEP)).collect(),
        rows().map(|y| place(1, y, DEEP, ALONG)).collect(),
        rows().map(|y| place(w - 1 - DEEP, y, DEEP, ALONG)).collect(),
    ]
}
