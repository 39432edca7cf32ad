//! Balance from a reference that the user selects: a grey point, a chart patch, or another frame.

use crate::matrix::apply;
use crate::solve::balance_cc_from_log;
use crate::statistics::FrameStatistics;
use crate::{FilmKind, Stock};
use glassine_raster::{DensityD, ExposureStops};

/// Log10 exposures of the three layers for densities above base, before any offset.
///
/// Slides: `density_d` is the density of the encoded transmittance, so log exposure is minus the density.
pub fn layer_log_exposures(
    density_d: [f64; 3],
    stock: &Stock,
    kind: FilmKind,
    gamma_ratio: [f64; 3],
) -> [f64; 3] {
    if kind == FilmKind::Slide {
        return density_d.map(|d| -d);
    }
    let layers = apply(&stock.unmix, density_d);
    // A ratio below 0.05 is no film's; the floor only keeps the division finite.
    [0, 1, 2].map(|c| stock.curves[c].log_exposure(layers[c] / gamma_ratio[c].max(0.05)))
}

/// Change of warm and tint (CC) and exposure that brings one frame's median to another's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FrameMatch {
    pub balance_cc: [f64; 2],
    pub exposure: ExposureStops,
    /// By how much the exposure stays below a full match, so that highlights are not lost.
    pub held_back: ExposureStops,
}

/// Share of the pixels that may be brighter than what counts as the highlights of a frame.
/// Our choice: half a per cent leaves out lamps and reflections, but no sky.
const HIGHLIGHT_SHARE: f64 = 0.005;

/// Match `frame` to `target`, each with its solved offsets, by bringing their medians of layer log exposure together.
///
/// Medians, not means, so that a lamp or a window in one frame does not count. A frame is made lighter only until its
/// highlights are as bright as they were or as those of the target, whichever is brighter: the brightest layer that
/// all but half a per cent of the pixels stay below. `None` if a frame is empty.
pub fn match_frame(
    frame: (&FrameStatistics, [f64; 3]),
    target: (&FrameStatistics, [f64; 3]),
    stock: &Stock,
    kind: FilmKind,
    gamma_ratio: [f64; 3],
) -> Option<FrameMatch> {
    let medians = |(statistics, offset): (&FrameStatistics, [f64; 3])| -> Option<[f64; 3]> {
        let logs: Vec<[f64; 3]> = statistics
            .cells_d
            .iter()
            .map(|cell| layer_log_exposures(cell.map(f64::from), stock, kind, gamma_ratio))
            .collect();
        let mut out = [0.0; 3];
        for (c, value) in out.iter_mut().enumerate() {
            let mut layer: Vec<f64> = logs.iter().map(|log| log[c]).collect();
            *value = glassine_raster::median(&mut layer, f64::total_cmp)? + offset[c];
        }
        Some(out)
    };
    let (from, to) = (medians(frame)?, medians(target)?);
    let change = [0, 1, 2].map(|c| to[c] - from[c]);
    let highlights = |(statistics, offset): (&FrameStatistics, [f64; 3])| -> Option<f64> {
        let brightest = statistics.samples_d.iter().map(|sample| {
            let logs = layer_log_exposures(sample.map(f64::from), stock, kind, gamma_ratio);
            (0..3).map(|c| logs[c] + offset[c]).fold(f64::NEG_INFINITY, f64::max)
        });
        let mut brightest: Vec<f64> = brightest.collect();
        let at = ((brightest.len() as f64) * (1.0 - HIGHLIGHT_SHARE)) as usize;
        brightest.sort_unstable_by(f64::total_cmp);
        brightest.get(at.min(brightest.len().checked_sub(1)?)).copied()
    };
    let mean = change.iter().sum::<f64>() / 3.0;
    let room = match (highlights(frame), highlights(target)) {
        (Some(own), Some(of_target)) => (of_target - own).max(0.0),
        _ => f64::INFINITY,
    };
    let held_back = (mean - room).max(0.0);
    Some(FrameMatch {
        balance_cc: balance_cc_from_log(change),
        exposure: DensityD::new(mean - held_back)?.into(),
        held_back: DensityD::new(held_back)?.into(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{default_stock, measure_frame};
    use glassine_raster::Samples16;

    #[test]
    fn a_dark_frame_with_a_bright_window_is_made_lighter_only_until_the_window_is_as_bright_as_the_target() {
        let stock = default_stock(FilmKind::ColourNegative);
        let kind = FilmKind::ColourNegative;
        // Density above base for the picture and for the part of it that is a window.
        let frame = |picture_d: f64, window_d: f64| {
            let code = |above: f64, base: f64| (65_535.0 * crate::maths::exp10(-(base + above))) as u16;
            let mut data = Vec::new();
            for at in 0..64 * 64 {
                let above = if at < 64 * 8 { window_d } else { picture_d };
                data.extend([0.3, 0.6, 0.9].map(|base| code(above, base)));
            }
            let samples = Samples16::from_vec(64, 64, 3, data).expect("sizes fit");
            measure_frame(&samples, Some([0.3, 0.6, 0.9]), kind, stock)
        };
        let bright = frame(0.9, 1.1);
        let dark = frame(0.4, 1.0);
        let matched = |from: &FrameStatistics| {
            match_frame((from, [0.0; 3]), (&bright, [0.0; 3]), stock, kind, [1.0; 3]).expect("cells")
        };
        let (with_window, without) = (matched(&dark), matched(&frame(0.4, 0.45)));
        assert!(without.exposure.stops() > 1.0 && without.held_back.stops() < 1e-6, "{without:?}");
        assert!(with_window.held_back.stops() > 0.5, "{with_window:?}");
        let whole = with_window.exposure.stops() + with_window.held_back.stops();
        assert!((whole - without.exposure.stops()).abs() < 0.02, "{with_window:?} {without:?}");
    }

    #[test]
    fn a_darker_and_cooler_copy_is_matched_back() {
        let stock = default_stock(FilmKind::ColourNegative);
        let kind = FilmKind::ColourNegative;
        let flat = |d: [f64; 3]| {
            let code = d.map(|d| (65_535.0 * crate::maths::exp10(-d)) as u16);
            let data = code.iter().copied().cycle().take(64 * 64 * 3).collect();
            Samples16::from_vec(64, 64, 3, data).expect("sizes fit")
        };
        let one = measure_frame(&flat([0.9, 1.4, 1.6]), Some([0.3, 0.6, 0.9]), kind, stock);
        let other = measure_frame(&flat([0.8, 1.3, 1.6]), Some([0.3, 0.6, 0.9]), kind, stock);
        let found = match_frame((&other, [0.0; 3]), (&one, [0.0; 3]), stock, kind, [1.0; 3]).expect("cells");
        assert!(found.exposure.stops() > 0.1 && found.balance_cc[0] > 1.0, "{found:?}");
        let same = match_frame((&one, [0.0; 3]), (&one, [0.0; 3]), stock, kind, [1.0; 3]).expect("cells");
        assert!(same.exposure.stops().abs() < 1e-9);
        let empty = FrameStatistics::default();
        assert_eq!(match_frame((&empty, [0.0; 3]), (&one, [0.0; 3]), stock, kind, [1.0; 3]), None);
    }
}
