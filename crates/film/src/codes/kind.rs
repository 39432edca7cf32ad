//! Which kind of film a scan shows, from its colours alone: for files without a rebate to measure.

use super::encoding::mask_differences;
use super::levels::{colours, dark_plateau, open_plateau};
use crate::FilmKind;
use crate::maths::log10;
use glassine_raster::Samples16;

/// Differences of density from red to blue of the clearest film, as a mask makes them. See `encoding` for the sources.
const MASK_BLUE_D: std::ops::Range<f64> = 0.38..0.95;
const MASK_GREEN_D: std::ops::Range<f64> = 0.12..0.65;
/// Least difference from red to blue in the densest tenth: a mask tints highlights too, shadows of a slide are neutral.
const MASK_DENSE_D: f64 = 0.15;
/// Largest range of green densities of a negative, from its 1st to its 99th percentile: 1.6 to 1.9 above the base at the end of
/// the curves of the practice films, where a slide spans up to 3.3.
const MOST_RANGE_D: f64 = 2.1;
/// Spread of the differences from red to blue, 10th to 90th percentile, below which film has no colour. Ours: scans of
/// silver film stay under 0.03, the greyest of the practice slides is 0.2.
const MOST_GREY_D: f64 = 0.06;

/// The kind of film that the colours of a scan speak for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KindFinding {
    /// The kind.
    pub kind: FilmKind,
    /// Whether the colours can't be those of another kind; else they only make others less likely.
    pub is_sure: bool,
}

/// Kind of film from linear codes of a whole scan; `None` for grey scans and where too little film is seen.
///
/// A mask tints every part of a colour negative orange, its densest parts included, and a negative spans less than 2.1 D;
/// film without any colour is black-and-white; colours without a mask are those of a slide.
pub fn find_kind(linear: &Samples16, colour_channels: u8) -> Option<KindFinding> {
    if colour_channels < 3 || linear.channels() < 3 {
        return None;
    }
    let pixels = colours(linear, 3);
    let open = open_plateau(&pixels);
    let dark = dark_plateau(&pixels).map_or(0.0, |dark| 1.5 * dark.level.into_iter().fold(0.0, f64::max));
    let dark = if dark > 0.012 { 0.0 } else { dark };
    let mut film: Vec<[f64; 3]> = pixels
        .iter()
        .filter(|t| t[0].max(t[1]).max(t[2]) > dark)
        .filter(|t| !open.is_some_and(|open| t[2] > 0.8 * open.level[2]))
        .map(|t| t.map(|code| -log10(code.max(1e-5))))
        .collect();
    if film.len() < 500 {
        return None;
    }
    film.sort_unstable_by(|a, b| a[1].total_cmp(&b[1]));
    let last = film.len() - 1;
    let range_d = film[last * 99 / 100][1] - film[last / 100][1];
    let mut blue: Vec<f64> = film.iter().map(|d| d[2] - d[0]).collect();
    let mut dense: Vec<f64> = blue[last * 9 / 10..].to_vec();
    let middle = dense.len() / 2;
    let dense_d = *dense.select_nth_unstable_by(middle, f64::total_cmp).1;
    blue.sort_unstable_by(f64::total_cmp);
    let spread_d = blue[last * 9 / 10] - blue[last / 10];
    let is_masked = mask_differences(&pixels).is_some_and(|([green_d, blue_d], _)| {
        MASK_BLUE_D.contains(&blue_d) && MASK_GREEN_D.contains(&green_d)
    });
    if is_masked && dense_d > MASK_DENSE_D && range_d < MOST_RANGE_D {
        return Some(KindFinding { kind: FilmKind::ColourNegative, is_sure: true });
    }
    let kind = if spread_d < MOST_GREY_D { FilmKind::BlackAndWhite } else { FilmKind::Slide };
    Some(KindFinding { kind, is_sure: false })
}
