//! Determines the kind of film from the colours of a scan, for files without a rebate to measure.

use super::levels::{colours, open_plateau, quantile};
use crate::FilmKind;
use crate::maths::log10;
use glassine_raster::Samples16;

/// Least blue density of the clearest part of a masked negative, whose base alone has 0.75 to 0.95 (from memory).
const MASK_CLEAR_BLUE_D: f64 = 0.7;
/// Least difference of density from red to blue in the clearest fiftieth and in the densest tenth: a mask tints all of
/// the film, while highlights of a slide are clear and its shadows neutral. Ours: over 18 pictures of practice
/// negatives 0.28 and 0.27 at least, over slides 0.13 at most in the shadows.
const MASK_DIFFERENCE_D: f64 = 0.2;
/// Least 5th percentile of such differences: blue and green subjects are the least orange of a negative. Our choice.
const MASK_LEAST_D: f64 = -0.1;
/// Largest range of green densities of a negative, 1st to 99th percentile. Ours: 1.3 at most over the same negatives,
/// while slides span 1.8 to 2.5.
const MOST_RANGE_D: f64 = 1.7;
/// Spread of the differences from red to blue, 10th to 90th percentile, below which film has no colour. Ours: scans of
/// silver film stay below 0.03.
const MOST_GREY_D: f64 = 0.045;

/// Kind of film inferred from the colours of a scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KindFinding {
    pub kind: FilmKind,
    /// Whether the colours nearly exclude other kinds; otherwise they only make them less likely.
    pub is_sure: bool,
}

/// Infer the kind of film from linear codes of a picture; `None` for grey scans and if too little film is visible.
///
/// A mask tints every part of a colour negative orange, including its densest parts, and a negative spans less than 1.7
/// D; film without any colour is black-and-white; colours without a mask mean a slide. If a holder or perforations are
/// visible the range is larger and the result is uncertain; a rebate is more reliable there.
pub fn find_kind(linear: &Samples16, colour_channels: u8) -> Option<KindFinding> {
    if colour_channels < 3 || linear.channels() < 3 {
        return None;
    }
    let pixels = colours(linear, 3);
    let open = open_plateau(&pixels).filter(|open| open.level[2] > 0.5);
    let mut film: Vec<[f64; 3]> = pixels
        .iter()
        .filter(|t| !open.is_some_and(|open| t[2] > 0.8 * open.level[2]))
        .map(|t| t.map(|code| -log10(code.max(1e-5))))
        .collect();
    if film.len() < 500 {
        return None;
    }
    film.sort_unstable_by(|a, b| a[1].total_cmp(&b[1]));
    let last = film.len() - 1;
    let range_d = film[last * 99 / 100][1] - film[last / 100][1];
    let differences = |part: &[[f64; 3]]| -> Vec<f64> { part.iter().map(|d| d[2] - d[0]).collect() };
    let difference = |part: &[[f64; 3]]| quantile(&mut differences(part), 0.5);
    let (clear_d, dense_d) = (difference(&film[..=last / 50]), difference(&film[last * 9 / 10..]));
    let mut blue_less_red = differences(&film);
    let clear_blue_d = quantile(&mut film.iter().map(|d| d[2]).collect::<Vec<_>>(), 0.005);
    let is_masked = clear_blue_d > MASK_CLEAR_BLUE_D
        && clear_d.min(dense_d) > MASK_DIFFERENCE_D
        && quantile(&mut blue_less_red, 0.05) > MASK_LEAST_D
        // Specular lights and wedges exceed the range of pictures; then an equal tint of shadows and highlights
        // suffices.
        && (range_d < MOST_RANGE_D || clear_d.min(dense_d) > 2.0 * MASK_DIFFERENCE_D);
    if is_masked {
        return Some(KindFinding { kind: FilmKind::ColourNegative, is_sure: true });
    }
    let spread_d = quantile(&mut blue_less_red, 0.9) - quantile(&mut blue_less_red, 0.1);
    let kind = if spread_d < MOST_GREY_D { FilmKind::BlackAndWhite } else { FilmKind::Slide };
    Some(KindFinding { kind, is_sure: false })
}

#[cfg(test)]
mod tests {
    use glassine_testdata::random::Lcg;

    use super::*;

    /// A picture of varied tones and colours as densities of three layers, on film.
    fn picture(film: impl Fn([f64; 3]) -> [f64; 3]) -> Samples16 {
        let mut random = Lcg::new(11);
        let mut data = Vec::new();
        for _ in 0..120 * 90 {
            // Log exposure of a scene of six stops with colours.
            let tone = -1.8 + 1.8 * random.unit();
            let colour = [0.3 * (random.unit() - 0.5), 0.0, 0.3 * (random.unit() - 0.5)];
            let exposure = [0, 1, 2].map(|c| tone + colour[c]);
            data.extend(film(exposure).map(|d| (65_535.0 * 10_f64.powf(-d)) as u16));
        }
        Samples16::from_vec(120, 90, 3, data).expect("sizes fit")
    }

    #[test]
    fn a_mask_is_told_by_the_picture_alone() {
        let base = [0.27, 0.61, 0.93];
        let negative = picture(|e| [0, 1, 2].map(|c| base[c] + 0.6 * (e[c] + 2.0)));
        let found = find_kind(&negative, 3).expect("colours");
        assert_eq!(found, KindFinding { kind: FilmKind::ColourNegative, is_sure: true });
    }

    #[test]
    fn a_slide_is_no_masked_negative_even_under_warm_light() {
        for warm in [0.0, 0.25] {
            let slide = picture(|e| {
                let light = [e[0] + warm, e[1], e[2] - warm];
                light.map(|e| 0.16 + 2.9 / (1.0 + (3.0 * (e + 1.0)).exp()))
            });
            let found = find_kind(&slide, 3).expect("colours");
            assert_eq!(found, KindFinding { kind: FilmKind::Slide, is_sure: false }, "{warm}");
        }
    }

    #[test]
    fn film_without_colour_is_black_and_white() {
        let grey = picture(|e| [0.3 + 0.6 * (e[1] + 2.0); 3]);
        let found = find_kind(&grey, 3).expect("colours");
        assert_eq!(found, KindFinding { kind: FilmKind::BlackAndWhite, is_sure: false });
        assert_eq!(find_kind(&grey, 1), None);
    }
}
