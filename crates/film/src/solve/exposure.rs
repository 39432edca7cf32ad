//! Automatic exposure: the brightest that keeps highlights and middle tones where a picture wants them.

use crate::matrix::{Matrix3, apply};

/// Share of pixels that may lie above the level highlights are put at.
const HIGHLIGHT_SHARE: f64 = 0.0004;
/// Light the highlights are put at: a little under white leaves room for grain.
const HIGHLIGHT_LIGHT: f64 = 0.94;
/// Light the median may have at most, so that fog and paper stay below white.
const MOST_MEDIAN_LIGHT: f64 = 0.40;
/// Change of log exposure the solve may ask for in either direction.
const MOST_LOG: f64 = 2.0;

/// Log10 exposure to add so that the highlights of `lights` (layer exposures, neutral already balanced) fit below white.
///
/// The largest channel of each pixel counts, so that no channel clips; a picture whose median would come out lighter
/// than a light grey is held back.
pub(super) fn exposure_log(layer_light: &[[f64; 3]], working_matrix: &Matrix3) -> f64 {
    if layer_light.is_empty() {
        return 0.0;
    }
    let mut largest = Vec::with_capacity(layer_light.len());
    let mut middle = Vec::with_capacity(layer_light.len());
    for light in layer_light {
        let rgb = apply(working_matrix, *light);
        largest.push(rgb.iter().copied().fold(f64::MIN, f64::max));
        middle.push(rgb[1]);
    }
    let quantile = |list: &mut Vec<f64>, share: f64| {
        list.sort_unstable_by(f64::total_cmp);
        list[((list.len() - 1) as f64 * share).round() as usize].max(1e-6)
    };
    let high = HIGHLIGHT_LIGHT / quantile(&mut largest, 1.0 - HIGHLIGHT_SHARE);
    let median = MOST_MEDIAN_LIGHT / quantile(&mut middle, 0.5);
    crate::maths::log10(high.min(median)).clamp(-MOST_LOG, MOST_LOG)
}
