//! Prior for neutral from the brightest colours of a frame.
//!
//! Surfaces that reflect nearly all light are nearly white, and clouds, reflections and paper show the colour of the
//! light itself. So the brightest colours of a picture are nearer to neutral than its other colours, whatever it shows:
//! over 735 frames in daylight of drawn strips (`crates/bench/src/bin/strips.rs`, seeds from 20001) the median colour
//! of the brightest parts lies 0.11 along the lights (quartiles 0.02 and 0.23) and -0.01 across (-0.04 and 0.01), log10
//! exposure. A mean over the whole picture lies 0.2 to 0.4 along and varies twice as much. Often only some of the
//! brightest parts are neutral, or none (a sunset, a flower against the dark), so the likelihood of a shift is
//!
//! ```text
//! log( floor + sum over colours of weight ( share peak(colour + shift) + (1 - share) broad(colour + shift) ) )
//! ```
//!
//! with two normal distributions `peak` and `broad`, per unit of (along, across), and weights that sum to 1.
//!
//! Source of the idea: the brightest area as a reference for white (E. H. Land, J. J. McCann, "Lightness and retinex
//! theory", J. Opt. Soc. Am. 61, 1971), here as one kind of evidence among others.

use super::surfaces::{ACROSS, ALONG, COLOUR_STEP, dot};

/// Share of cells that are brighter than the level taken as brightest: lamps and the sun. Our choice.
const BRIGHTER_SHARE: f64 = 0.01;
/// How far below that level a cell is still among the brightest, log10 exposure. Ours: 0.06 was as good over 300
/// drawn strips.
const BAND_LOG: f64 = 0.12;
/// Share of the brightest colours that are neutral. Ours, not fitted.
const SHARE: f64 = 0.5;
/// Neutral and other bright colours: middle along and across the lights, then spread. Ours, from the quartiles above.
/// The peak is widened by the slopes of layers, which shift highlights by 0.03 to 0.05 against middle tones; a peak of
/// 0.06 by 0.035 was as good over 300 drawn strips. Over 180 drawn strips of seeds that decided nothing (60 each of
/// ordinary, warm and mixed light, from 40001) the mean difference of pictures falls by 0.36 CIEDE2000, standard error
/// 0.11, against the solve without this prior.
const PEAK: ([f64; 2], [f64; 2]) = ([0.04, 0.0], [0.1, 0.05]);
const BROAD: ([f64; 2], [f64; 2]) = ([0.08, -0.01], [0.2, 0.08]);
/// Keeps a colour that no bright surface has from deciding. Ours; `broad` is 10 at its middle.
const FLOOR: f64 = 0.05;

/// The brightest colours of a frame.
#[derive(Debug)]
pub(super) struct Highlights {
    /// Red and blue against green, before any shift, and weights that sum to 1.
    colours: Vec<([f64; 2], f64)>,
}

impl Highlights {
    /// The brightest colours among cells, given as log10 exposures of the layers.
    pub(super) fn of(cells_log: &[[f64; 3]]) -> Self {
        // About luminance: layers overlap, so that no weights are exact.
        let brightness = |[r, g, b]: &[f64; 3]| 0.3 * r + 0.6 * g + 0.1 * b;
        let mut levels: Vec<f64> = cells_log.iter().map(brightness).collect();
        levels.sort_unstable_by(|a, b| b.total_cmp(a));
        let Some(top) = levels.get((levels.len() as f64 * BRIGHTER_SHARE) as usize) else {
            return Self { colours: Vec::new() };
        };
        let square = |v: f64| libm::floor(v / COLOUR_STEP) as i32;
        let mut cells: Vec<((i32, i32), [f64; 2])> = cells_log
            .iter()
            .filter(|cell| brightness(cell) >= top - BAND_LOG)
            .map(|[r, g, b]| ((square(r - g), square(b - g)), [r - g, b - g]))
            .collect();
        cells.sort_by_key(|(square, _)| *square);
        // A square root keeps large areas from dominating.
        let mut colours: Vec<([f64; 2], f64)> = cells
            .chunk_by(|a, b| a.0 == b.0)
            .map(|same| {
                let mean = |c: usize| same.iter().map(|(_, at)| at[c]).sum::<f64>() / same.len() as f64;
                ([mean(0), mean(1)], libm::sqrt(same.len() as f64))
            })
            .collect();
        let sum: f64 = colours.iter().map(|(_, weight)| weight).sum();
        colours.iter_mut().for_each(|(_, weight)| *weight /= sum);
        Self { colours }
    }

    /// Log likelihood of a shift of all colours; 0 without any.
    pub(super) fn log_likelihood(&self, shift: [f64; 2]) -> f64 {
        if self.colours.is_empty() {
            return 0.0;
        }
        let likely = |(at, weight): &([f64; 2], f64)| {
            let shifted = [at[0] + shift[0], at[1] + shift[1]];
            weight * (SHARE * normal(shifted, PEAK) + (1.0 - SHARE) * normal(shifted, BROAD))
        };
        libm::log(FLOOR + self.colours.iter().map(likely).sum::<f64>())
    }
}

/// Density of a normal distribution along and across the lights.
fn normal(colour: [f64; 2], (middle, spread): ([f64; 2], [f64; 2])) -> f64 {
    let along = (dot(colour, ALONG) - middle[0]) / spread[0];
    let across = (dot(colour, ACROSS) - middle[1]) / spread[1];
    libm::exp(-0.5 * (along * along + across * across)) / (std::f64::consts::TAU * spread[0] * spread[1])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::{Lab, working_from_lab};
    use crate::fit::{CHART_ISO17321_LAB_D50, CHART_LAB_D50};

    /// Cells of a picture: dark warm ones, and some at another level and colour (along, across).
    fn cells(bright: usize, level_log: f64, [along, across]: [f64; 2]) -> Vec<[f64; 3]> {
        let colour = |green: f64, [along, across]: [f64; 2]| {
            let of = |c: usize| green + along * ALONG[c] + across * ACROSS[c];
            [of(0), green, of(1)]
        };
        let dark = (0..1000).map(|i| colour(-0.8 - 0.001 * f64::from(i), [0.3, 0.05]));
        dark.chain((0..bright).map(|_| colour(level_log, [along, across]))).collect()
    }

    fn along(highlights: &Highlights, shift: f64) -> f64 {
        highlights.log_likelihood(ALONG.map(|axis| axis * shift))
    }

    /// The most likely shift along the lights, and how much likelier it is than another.
    fn best_against(highlights: &Highlights, other: f64) -> (f64, f64) {
        let best = (-40..=40)
            .map(|i| 0.01 * f64::from(i))
            .max_by(|a, b| along(highlights, *a).total_cmp(&along(highlights, *b)))
            .expect("there are shifts");
        (best, along(highlights, best) - along(highlights, other))
    }

    #[test]
    fn bright_colours_say_where_neutral_is_and_dark_ones_do_not() {
        let (best, gain) = best_against(&Highlights::of(&cells(60, 0.0, [-0.15, 0.0])), 0.0);
        assert!((best - 0.15 - PEAK.0[0]).abs() < 0.011 && gain > 1.0, "{best} {gain}");
    }

    #[test]
    fn one_neutral_colour_among_the_brightest_suffices() {
        let mut both = cells(60, 0.0, [0.0, 0.0]);
        both.extend(cells(60, -0.02, [0.4, 0.1]).into_iter().skip(1000));
        // With the warm ones as neutral, the others would be as cold as hardly any bright surface.
        let (best, gain) = best_against(&Highlights::of(&both), -0.4);
        assert!((best - PEAK.0[0]).abs() < 0.011 && gain > 1.0, "{best} {gain}");
    }

    #[test]
    fn a_warm_highlight_may_be_warm() {
        // As of a sunset: a small share of pictures, but not excluded.
        let (best, gain) = best_against(&Highlights::of(&cells(60, 0.0, [0.35, 0.0])), 0.0);
        assert!(best < -0.2 && gain < 4.0, "{best} {gain}");
    }

    #[test]
    fn a_frame_without_usable_cells_says_nothing() {
        assert_eq!(Highlights::of(&[]).log_likelihood([0.1, -0.1]), 0.0);
    }

    /// Published colours of the 24-patch chart (`fit/reference.rs`): the white patch decides where the mean of all
    /// patches is warm, and without white the yellow one is the brightest.
    #[test]
    fn the_white_of_a_published_chart_decides_and_not_its_mean() {
        for chart in [CHART_LAB_D50, CHART_ISO17321_LAB_D50] {
            let cells_log = |patches: &[Lab]| {
                let logs =
                    patches.iter().map(|lab| working_from_lab(*lab).map(|v| libm::log10(v.max(0.003))));
                logs.flat_map(|log| [log; 10]).collect::<Vec<_>>()
            };
            let all = cells_log(&chart);
            let sum: f64 = all.iter().map(|[r, g, b]| dot([r - g, b - g], ALONG)).sum();
            assert!(sum / all.len() as f64 > 0.1, "{sum}");
            let (best, _) = best_against(&Highlights::of(&all), 0.0);
            assert!((best - PEAK.0[0]).abs() < 0.03, "{best}");
            let (without_white, _) = best_against(&Highlights::of(&cells_log(&chart[..18])), 0.0);
            assert!(without_white < -0.2, "{without_white}");
        }
    }
}
