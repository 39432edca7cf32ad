//! Automatic exposure: the brightest that keeps highlights and middle tones at usual levels.
//!
//! ```text
//! exposure = min(0.94 / H, 0.40 / M),  H = highlights: mean of the brightest 0.03 to 0.2 %,  M = median
//! ```
//! A sun or lamp in the picture is small and far brighter than everything else. Where the highlights are more than two
//! stops above the brightest 2 %, they may exceed white by up to a stop; a print rolls that off.
//!
//! Shares are shares of weight: a pixel in the middle of the picture counts more than one in a corner.

use crate::matrix::{Matrix3, apply};

/// Shares of pixels, brightest first, whose mean counts as the highlights; a mean, so that no single pixel decides. Our
/// choice: beyond dust and speculars, within the subject's whites.
const HIGHLIGHT_SHARES: [f64; 2] = [0.0003, 0.002];
/// The same for the median. Our choice.
const MIDDLE_SHARES: [f64; 2] = [0.48, 0.52];
/// Shares of pixels beyond what a sun with its glow, or a few lamps, can fill: half a degree of sun is 0.02 % of a
/// picture of 28 by 42 degrees. Our choice.
const BRIGHT_SHARES: [f64; 2] = [0.015, 0.025];
/// How far highlights exceed the bright parts of a picture without a sun, log10, and how far they may exceed white.
/// Paper white is 0.7 above a grey card and less above the brightest parts of most pictures. Ours.
const USUAL_GAP_LOG: f64 = 0.6;
const MOST_OVER_LOG: f64 = 0.3;
/// Light at which the highlights are placed: a little under white leaves room for grain. Our choice.
const HIGHLIGHT_LIGHT: f64 = 0.94;
/// Most light the median may have, so that fog and paper stay below white. Our choice: 1.2 stops over mid grey.
const MOST_MEDIAN_LIGHT: f64 = 0.40;
/// Largest change of log exposure in either direction. Our choice: 6.6 stops, more than film records.
const MOST_LOG: f64 = 2.0;

/// Log10 exposure to add so that the highlights of `layer_light` (layer exposures, neutral already balanced) fit below
/// white.
///
/// `weights` say how much each pixel counts for its place; a pixel without one counts in full. The largest channel of
/// each pixel counts, so that only a sun clips; a picture whose median would be lighter than a light grey gets less
/// exposure.
pub(super) fn exposure_log(layer_light: &[[f64; 3]], weights: &[f32], working_matrix: &Matrix3) -> f64 {
    if layer_light.is_empty() {
        return 0.0;
    }
    let mut largest = Vec::with_capacity(layer_light.len());
    let mut middle = Vec::with_capacity(layer_light.len());
    for (light, weight) in layer_light.iter().zip(weights.iter().copied().chain(std::iter::repeat(1.0))) {
        let rgb = apply(working_matrix, *light);
        largest.push((rgb.iter().copied().fold(f64::MIN, f64::max), f64::from(weight)));
        middle.push((rgb[1], f64::from(weight)));
    }
    let [highlights, bright] = [HIGHLIGHT_SHARES, BRIGHT_SHARES].map(|s| mean_between(&mut largest, s));
    let over_log = (crate::maths::log10(highlights / bright) - USUAL_GAP_LOG).clamp(0.0, MOST_OVER_LOG);
    let high = HIGHLIGHT_LIGHT / highlights * crate::maths::exp10(over_log);
    let median = MOST_MEDIAN_LIGHT / mean_between(&mut middle, MIDDLE_SHARES);
    crate::maths::log10(high.min(median)).clamp(-MOST_LOG, MOST_LOG)
}

/// Geometric mean of the values that from one to another share of all weight exceed, each counted by how far it reaches
/// inside.
fn mean_between(values: &mut [(f64, f64)], [first, last]: [f64; 2]) -> f64 {
    values.sort_unstable_by(|a, b| b.0.total_cmp(&a.0));
    let total: f64 = values.iter().map(|(_, weight)| weight).sum();
    let (from, to) = (first * total, last * total);
    let (mut sum, mut all, mut passed) = (0.0, 0.0, 0.0);
    for (value, weight) in values.iter() {
        let inside = (to.min(passed + weight) - from.max(passed)).max(0.0);
        sum += inside * crate::maths::log10(value.max(1e-6));
        all += inside;
        passed += weight;
        if passed >= to {
            break;
        }
    }
    if all > 0.0 { crate::maths::exp10(sum / all) } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::matrix::IDENTITY;

    /// Light that falls off evenly in log10 from 1 to 0.01.
    fn lights(count: usize) -> Vec<[f64; 3]> {
        (0..count).map(|i| [crate::maths::exp10(-2.0 * i as f64 / count as f64); 3]).collect()
    }

    #[test]
    fn leaving_out_some_pixels_hardly_moves_the_exposure() {
        let all = lights(40_000);
        let whole = exposure_log(&all, &[], &IDENTITY);
        for skipped in 0..20 {
            // Leave out one in a hundred, including each of the very brightest in turn.
            let kept: Vec<_> =
                all.iter().enumerate().filter(|(i, _)| i % 100 != skipped).map(|x| *x.1).collect();
            let moved = (exposure_log(&kept, &[], &IDENTITY) - whole).abs();
            assert!(moved < 1e-4, "{skipped}: {moved}");
        }
    }

    #[test]
    fn a_sun_leaves_the_subject_its_light_and_paper_does_not_clip() {
        // A landscape up to light 1, `share` of which is a sun `times` brighter.
        let with = |share: f64, times: f64| {
            let mut all: Vec<[f64; 3]> =
                (0..40_000).map(|i| [0.6 * crate::maths::exp10(-1.6 * f64::from(i) / 40_000.0); 3]).collect();
            let sun = (share * 40_000.0) as usize;
            all[..sun].iter_mut().for_each(|light| *light = [0.6 * times; 3]);
            exposure_log(&all, &[], &IDENTITY)
        };
        let without = with(0.0, 1.0);
        // The sun is four stops brighter. The landscape loses only three, since the sun may exceed white by one.
        let lost = without - with(0.005, 16.0);
        assert!((0.85..0.95).contains(&lost), "{lost}");
        // Half a stop brighter is not a sun and must fit below white.
        assert!((with(0.005, 1.4) - (HIGHLIGHT_LIGHT / (0.6 * 1.4)).log10()).abs() < 0.01);
        // A large window is not a sun either.
        assert!((with(0.05, 16.0) - (HIGHLIGHT_LIGHT / (0.6 * 16.0)).log10()).abs() < 0.01);
    }

    #[test]
    fn a_sun_in_a_corner_costs_the_subject_less_than_one_in_the_centre() {
        // A landscape up to light 1 with some clouds three stops over it, which count for their place.
        let with = |weight: f32| {
            let mut all = lights(40_000);
            let mut weights = vec![1.0; 40_000];
            for (light, at) in all.iter_mut().zip(&mut weights).take(60) {
                (*light, *at) = ([8.0; 3], weight);
            }
            exposure_log(&all, &weights, &IDENTITY)
        };
        let (corner, centre) = (with(0.25), with(1.0));
        assert!(corner > centre + 0.2, "{corner} {centre}");
        // Without weights every place counts alike.
        let mut all = lights(40_000);
        all[..60].iter_mut().for_each(|light| *light = [8.0; 3]);
        assert_eq!(exposure_log(&all, &[], &IDENTITY), centre);
    }

    #[test]
    fn the_mean_between_two_shares_is_that_of_the_values_there() {
        // Four values share evenly; between a quarter and three quarters lie the second and the third.
        let mut values = [1.0, 10.0, 100.0, 1000.0].map(|value| (value, 1.0));
        assert!((mean_between(&mut values, [0.25, 0.75]) - crate::maths::exp10(1.5)).abs() < 1e-9);
        assert!((mean_between(&mut [(7.0, 1.0)], [0.0001, 0.0012]) - 7.0).abs() < 1e-9);
        assert_eq!(mean_between(&mut [], [0.2, 0.3]), 1.0);
        // A value of three times the weight fills three quarters of all.
        let mut weighted = [(10.0, 3.0), (1000.0, 1.0)];
        assert!((mean_between(&mut weighted, [0.25, 1.0]) - 10.0).abs() < 1e-9);
    }
}
