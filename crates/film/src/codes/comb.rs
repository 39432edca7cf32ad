//! Gaps between the codes in use: applying a curve to whole-number codes leaves a comb whose teeth are the images of
//! the whole numbers.

use super::CodeCurve;
use glassine_raster::Samples16;

/// Candidate curves: sRGB, and the powers that displays and working spaces use. Source: IEC 61966-2-1; Adobe RGB (1998)
/// 563/256; ISO 22028-2 and older displays 1.8; ITU-R BT.1886 2.4.
const CURVES: [CodeCurve; 6] = [
    CodeCurve::Gamma(2.2),
    CodeCurve::Srgb,
    CodeCurve::Gamma(563.0 / 256.0),
    CodeCurve::Gamma(1.8),
    CodeCurve::Gamma(2.0),
    CodeCurve::Gamma(2.4),
];
/// Possible full scales of the whole numbers before the curve: 16 bits with none to four low bits unused, 14, 12 bits.
/// Source: arithmetic over the usual converters (common practice).
const FULL_SCALES: [f64; 7] =
    [65_535.0, 65_535.0 / 2.0, 65_535.0 / 4.0, 65_535.0 / 8.0, 65_535.0 / 16.0, 16_383.0, 4_095.0];
/// Least distance between two teeth, in steps of the file. At 4, rounding moves a tooth by at most an eighth of its
/// pitch. Our choice.
const LEAST_PITCH: f64 = 4.0;
/// Fewest teeth. For 24 codes placed at random the mean distance from a tooth is 0.25 with a standard deviation of
/// 0.03 (arithmetic). Our choice.
const FEWEST_TEETH: usize = 24;
/// Largest mean distance of the codes from the teeth of the right curve, in pitches: rounding alone gives at most
/// 0.0625. Our choice.
const MOST_OFF: f64 = 0.09;
/// Least lead: how much nearer the codes must be to the best curve's teeth than to any other's, in pitches. Our choice:
/// above the spread of chance.
const LEAST_LEAD: f64 = 0.05;

/// The curve whose teeth match the codes of these pictures.
pub(super) fn find_comb(windows: &[Samples16], colour_channels: usize) -> Option<CodeCurve> {
    let mut is_used = vec![false; 65_536];
    for window in windows {
        for pixel in window.data().chunks_exact(usize::from(window.channels()).max(1)) {
            for code in pixel.iter().take(colour_channels) {
                is_used[usize::from(*code)] = true;
            }
        }
    }
    let used: Vec<u32> = (0_u32..).zip(&is_used).filter(|(_, used)| **used).map(|(code, _)| code).collect();
    // Files with fewer than 16 bits use every 2nd, 4th ... code whatever their curve.
    let step = used.windows(2).map(|pair| pair[1] - pair[0]).fold(0, greatest_divisor);
    let off_of = |curve: CodeCurve| {
        let offs = FULL_SCALES.iter().filter_map(|scale| mean_off(&used, curve, *scale, f64::from(step)));
        offs.fold(f64::INFINITY, f64::min)
    };
    let offs = CURVES.map(|curve| (curve, off_of(curve)));
    let (best, off) = offs.into_iter().min_by(|a, b| a.1.total_cmp(&b.1))?;
    // 2.2 and 563/256 differ by less than a pitch in the shadows; either serves.
    let is_other = |curve: &CodeCurve| match (best, *curve) {
        (CodeCurve::Gamma(a), CodeCurve::Gamma(b)) => (a - b).abs() > 0.01,
        (a, b) => a != b,
    };
    let next = offs.iter().filter(|(curve, _)| is_other(curve)).map(|o| o.1).fold(f64::INFINITY, f64::min);
    (off < MOST_OFF && next.min(0.25) > off + LEAST_LEAD).then_some(best)
}

fn greatest_divisor(a: u32, b: u32) -> u32 {
    let (mut a, mut b) = (a, b);
    while b > 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// Mean distance of the codes from the nearest tooth, in pitches, over teeth that are far enough apart.
fn mean_off(used: &[u32], curve: CodeCurve, full_scale: f64, step: f64) -> Option<f64> {
    let (mut sum, mut count, mut span) = (0.0, 0_usize, 0.0);
    let mut before = None;
    for &code in used {
        let at = |code: f64| curve.light(code / 65_535.0) * full_scale;
        let place = at(f64::from(code));
        // Change of place over one step of the file.
        let slope = at(f64::from(code) + 0.5 * step) - at(f64::from(code) - 0.5 * step);
        // The first tooth holds the codes of black. Our choice.
        if place < 1.5 || slope <= 0.0 {
            continue;
        }
        if slope * LEAST_PITCH > 1.0 {
            break;
        }
        sum += (place - place.round()).abs();
        count += 1;
        span += before.map_or(0.0, |before| f64::from(code - before) / step);
        before = Some(code);
    }
    // A comb leaves most codes unused.
    (count >= FEWEST_TEETH && span > 2.0 * count as f64).then(|| sum / count as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(encode: impl Fn(f64) -> f64, full_scale: f64) -> Samples16 {
        // Whole numbers a little above black, as from a holder and dense film.
        let codes = (0..4000_u32).map(|i| {
            let n = 12 + (i.wrapping_mul(2_654_435_761) >> 8) % 900;
            (65_535.0 * encode(f64::from(n) / full_scale)).round() as u16
        });
        Samples16::from_vec(4000, 1, 1, codes.collect()).expect("sizes fit")
    }

    fn srgb(light: f64) -> f64 {
        if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
    }

    #[test]
    fn codes_of_whole_numbers_under_a_curve_tell_the_curve() {
        for full_scale in [65_535.0, 16_383.0] {
            assert_eq!(find_comb(&[picture(srgb, full_scale)], 1), Some(CodeCurve::Srgb));
            let found = find_comb(&[picture(|x| x.powf(1.0 / 1.8), full_scale)], 1);
            assert_eq!(found, Some(CodeCurve::Gamma(1.8)));
            let found = find_comb(&[picture(|x| x.powf(1.0 / 2.2), full_scale)], 1);
            assert!(matches!(found, Some(CodeCurve::Gamma(g)) if (g - 2.2).abs() < 0.001), "{found:?}");
        }
    }

    #[test]
    fn plain_codes_have_no_comb_of_a_curve() {
        for full_scale in [65_535.0, 65_535.0 / 8.0, 16_383.0, 4_095.0] {
            assert_eq!(find_comb(&[picture(|x| x, full_scale)], 1), None, "{full_scale}");
        }
    }
}
