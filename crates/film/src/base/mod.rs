//! The film base: density of the clear, developed but unexposed film, measured on the rebate.

mod field;

pub use field::{BaseField, measure_base_field};

use crate::maths::{exp10, log10};
use crate::{FilmKind, Stock};
use glassine_raster::{DensityD, Plane, Samples16};

/// Fewest pixels for a base. Our choice: grain of 0.03 D then averages to below 0.004 D.
const FEWEST_PIXELS: u64 = 64;
/// Most candidate pixels used; of more, every second, third ... is taken. Our choice: bounds memory and time.
const MOST_PIXELS: usize = 2_000_000;

/// Base measured on the rebate.
#[derive(Debug, Clone, PartialEq)]
pub struct BaseMeasurement {
    /// `-log10(code / 65535)` of clear film in red, green and blue (three times the same for grey scans).
    pub density_d: [f64; 3],
    /// Number of pixels behind the value.
    pub pixels: u64,
    /// Robust standard deviation of those pixels in density.
    pub spread_d: [f64; 3],
    /// Mask tolerance that includes nearly all clear film and almost nothing else.
    pub recommended_tolerance: DensityD,
    /// 0 to 1.
    pub confidence: f32,
    /// Problems found, as messages for the user.
    pub notes: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BaseError {
    /// Too little clear film among the candidates.
    #[error("only {found} pixels of clear film were found, {needed} are needed")]
    TooFewPixels {
        /// Pixels of clear film among the candidates.
        found: u64,
        needed: u64,
    },
    /// The candidate plane and the samples differ in size.
    #[error("the candidate mask is {mask_width} x {mask_height}, the samples {width} x {height}")]
    SizeMismatch {
        /// Columns of the candidate plane.
        mask_width: u32,
        mask_height: u32,
        width: u32,
        height: u32,
    },
    #[error("a slide has no film base: its rebate is dark")]
    NotANegative,
}

/// Density of a 16-bit linear code; code 0 counts as half a code.
pub(crate) fn density_of_code(code: u16) -> f64 {
    -log10(f64::from(code).max(0.5) / 65_535.0)
}

/// Colour channels of interleaved samples: 1 for grey (with or without infrared), else 3.
pub(crate) fn colour_channels(samples: &Samples16) -> usize {
    if samples.channels() >= 3 { 3 } else { 1 }
}

/// Measure the base from linear 16-bit codes where `candidate` is not zero.
///
/// Candidates may contain edge print, fog, perforations, open light and dust. Clear film is the clearest *population*
/// that is not open light: the first peak of the density histogram, from the clear end, that holds enough pixels and
/// stands out. The base is the centre of the pixels around it that are within three robust standard deviations in every
/// channel, so a few percent of anything else do not move it.
pub fn measure_base(
    linear: &Samples16,
    candidate: &Plane<u8>,
    kind: FilmKind,
) -> Result<BaseMeasurement, BaseError> {
    if !kind.is_negative() {
        return Err(BaseError::NotANegative);
    }
    if (candidate.width(), candidate.height()) != (linear.width(), linear.height()) {
        return Err(BaseError::SizeMismatch {
            mask_width: candidate.width(),
            mask_height: candidate.height(),
            width: linear.width(),
            height: linear.height(),
        });
    }
    let channels = usize::from(linear.channels()).max(1);
    let used = colour_channels(linear);
    let flagged = candidate.data().iter().filter(|flag| **flag != 0).count();
    let stride = flagged.div_ceil(MOST_PIXELS).max(1);
    let table: Vec<f32> = (0..=u16::MAX).map(|code| density_of_code(code) as f32).collect();
    let pixels: Vec<[f32; 3]> = linear
        .data()
        .chunks_exact(channels)
        .zip(candidate.data())
        .filter(|(_, flag)| **flag != 0)
        .step_by(stride)
        .map(|(pixel, _)| [0, 1, 2].map(|c| table[usize::from(pixel[c.min(used - 1)])]))
        .collect();
    let mut base = base_of_pixels(&pixels)?;
    base.pixels *= stride as u64;
    Ok(base)
}

/// Fallback base if no rebate can be used: from the clearest part of the pictures, which is at least as dense as clear
/// film, limited to what is plausible for the stock.
///
/// Deep shadows come within a few hundredths of a density of the base, so this is an estimate, not a measurement:
/// confidence is 0.1, and a note warns the user.
pub fn base_from_picture(
    linear: &Samples16,
    kind: FilmKind,
    stock: &Stock,
) -> Result<BaseMeasurement, BaseError> {
    if !kind.is_negative() {
        return Err(BaseError::NotANegative);
    }
    let channels = usize::from(linear.channels()).max(1);
    let used = colour_channels(linear);
    let found = (linear.data().len() / channels) as u64;
    if found < FEWEST_PIXELS {
        return Err(BaseError::TooFewPixels { found, needed: FEWEST_PIXELS });
    }
    let mut density_d = [0.0; 3];
    for (c, value) in density_d.iter_mut().enumerate() {
        let mut codes: Vec<u16> =
            linear.data().chunks_exact(channels).map(|pixel| pixel[c.min(used - 1)]).collect();
        let idx = (codes.len() as f64 * 0.998) as usize;
        let (_, code, _) = codes.select_nth_unstable(idx.min(found as usize - 1));
        // A little clearer than the clearest two in a thousand, and never denser than film of this kind can be: usual
        // bases are within 0.1 D of the typical one (from memory), aged ones are denser. Our choice.
        *value = (density_of_code(*code) - 0.02).clamp(0.0, stock.typical_base_d[c] + 0.35);
    }
    Ok(BaseMeasurement {
        density_d,
        pixels: found / 500,
        spread_d: [0.03; 3],
        recommended_tolerance: const { DensityD::new(0.03).expect("a number") },
        confidence: 0.1,
        notes: vec![
            "no clear rebate was found: the base was taken from the clearest parts of the picture".into(),
        ],
    })
}

/// Width of a histogram bin in density. Our choice: finer than populations, coarser than a code of bright film.
const BIN_D: f32 = 0.004;
/// Number of bins: up to 2.4 D, denser than any film base. Our choice.
const BINS: usize = 600;
/// Density below which a population is open light if a denser one exists. Our choice: lamps fall off by up
/// to 0.05 D, and clear supports have 0.06 D and more (from memory).
const OPEN_LIGHT_D: f32 = 0.08;

/// Mean density of the channels, by which populations are separated.
fn mean_d(pixel: &[f32; 3]) -> f32 {
    (pixel[0] + pixel[1] + pixel[2]) / 3.0
}

/// Peaks of the histogram of mean density, from the clear end: (density, pixels within 0.02 D).
fn populations(pixels: &[[f32; 3]]) -> Vec<(f32, u64)> {
    let mut counts = vec![0_u64; BINS];
    for pixel in pixels {
        let bin = (mean_d(pixel) / BIN_D).max(0.0) as usize;
        if let Some(count) = counts.get_mut(bin) {
            *count += 1;
        }
    }
    let window = |center: usize, reach: usize| -> u64 {
        counts[center.saturating_sub(reach)..(center + reach + 1).min(BINS)].iter().sum()
    };
    let smooth: Vec<u64> = (0..BINS).map(|bin| window(bin, 2)).collect();
    // Two per cent of the candidates, the largest within six bins: smaller peaks are print and dirt. Our choice.
    let enough = (pixels.len() as u64 / 50).max(FEWEST_PIXELS);
    let mut peaks = Vec::new();
    for bin in 0..BINS {
        let around = &smooth[bin.saturating_sub(6)..(bin + 7).min(BINS)];
        let first_of_equals = bin == 0 || smooth[bin] > smooth[bin - 1];
        let is_peak = first_of_equals && around.iter().all(|other| *other <= smooth[bin]);
        // The clear side of a population falls off steeply, to a third within 0.03 D; this rejects a slope or plateau
        // of fog. Our choice.
        let clear_side = bin.checked_sub(8).map_or(0, |clearer| smooth[clearer]);
        if is_peak && window(bin, 5) >= enough && clear_side * 3 <= smooth[bin] {
            peaks.push(((bin as f32 + 0.5) * BIN_D, window(bin, 5)));
        }
    }
    peaks
}

fn median(values: &mut [f32]) -> f32 {
    glassine_raster::median(values, f32::total_cmp).unwrap_or(0.0)
}

/// The base from candidate pixels, given as densities.
fn base_of_pixels(pixels: &[[f32; 3]]) -> Result<BaseMeasurement, BaseError> {
    let too_few = |found: usize| BaseError::TooFewPixels { found: found as u64, needed: FEWEST_PIXELS };
    let peaks = populations(pixels);
    let is_open = |density_d: f32| density_d < OPEN_LIGHT_D;
    let film = peaks.iter().find(|(density_d, _)| !is_open(*density_d)).or(peaks.first());
    let Some(&(peak_d, _)) = film else {
        return Err(too_few(0));
    };
    let mut notes = Vec::new();
    if peaks.first().is_some_and(|(first_d, _)| *first_d < peak_d) {
        notes.push("open light beside or inside the rebate was ignored".to_owned());
    }
    // First within 0.03 D of the peak, then within three standard deviations (common practice).
    let mut kept: Vec<[f32; 3]> =
        pixels.iter().filter(|pixel| (mean_d(pixel) - peak_d).abs() < 0.03).copied().collect();
    let mut center = [0.0_f32; 3];
    let mut spread = [0.03_f32; 3];
    for _ in 0..6 {
        for c in 0..3 {
            let mut values: Vec<f32> = kept.iter().map(|pixel| pixel[c]).collect();
            center[c] = median(&mut values);
            for value in &mut values {
                *value = (*value - center[c]).abs();
            }
            // 1.4826 converts a median deviation to a standard deviation; the minimum allows for the width of a code.
            spread[c] = (1.4826 * median(&mut values)).max(2e-4);
        }
        let within = |pixel: &[f32; 3]| (0..3).all(|c| (pixel[c] - center[c]).abs() <= 3.0 * spread[c]);
        let next: Vec<[f32; 3]> = pixels.iter().filter(|pixel| within(pixel)).copied().collect();
        let settled = next.len() == kept.len();
        kept = next;
        if settled {
            break;
        }
    }
    if (kept.len() as u64) < FEWEST_PIXELS {
        return Err(too_few(kept.len()));
    }
    // Average codes, not densities, as a larger aperture would.
    let mut density_d = [0.0; 3];
    for (c, value) in density_d.iter_mut().enumerate() {
        let light: f64 = kept.iter().map(|pixel| exp10(-f64::from(pixel[c]))).sum();
        *value = -log10(light / kept.len() as f64);
    }
    let share = kept.len() as f64 / pixels.len() as f64;
    if share < 0.25 {
        notes.push(format!(
            "only {:.0} % of the rebate is clear film; the rest is edge print, fog or dust",
            share * 100.0
        ));
    }
    let spread_d = spread.map(f64::from);
    let widest = spread_d.iter().copied().fold(0.0, f64::max);
    // Full confidence: 2000 pixels, 0.02 D of spread, a quarter of the rebate clear. Four spreads of tolerance include
    // all but one pixel in 10 000. Our choice; the confidence is not calibrated.
    let by_count = (kept.len() as f64 / 2000.0).min(1.0);
    let by_spread = (0.02 / widest.max(0.005)).min(1.0);
    Ok(BaseMeasurement {
        density_d,
        pixels: kept.len() as u64,
        spread_d,
        recommended_tolerance: DensityD::new((4.0 * widest).clamp(0.01, 0.15)).unwrap_or_default(),
        confidence: (by_count * by_spread * (0.5 + 2.0 * share).min(1.0)) as f32,
        notes,
    })
}

/// Mask of clear film: pixels no more than `tolerance` above the base in every channel.
///
/// The same tolerance holds below the base (clearer), which excludes perforations and open light.
pub fn base_mask(linear: &Samples16, base_d: [f64; 3], tolerance: DensityD) -> Plane<u8> {
    let channels = usize::from(linear.channels()).max(1);
    let used = colour_channels(linear);
    let code_of = |density_d: f64| 65_535.0 * exp10(-density_d);
    let limits = base_d.map(|d| (code_of(d + tolerance.d()), code_of(d - tolerance.d())));
    let data = linear
        .data()
        .chunks_exact(channels)
        .map(|pixel| {
            let inside = pixel[..used].iter().zip(&limits).all(|(&code, &(low, high))| {
                let code = f64::from(code);
                code >= low && code <= high
            });
            u8::from(inside)
        })
        .collect();
    Plane::from_vec(linear.width(), linear.height(), data)
        .unwrap_or_else(|| Plane::filled(linear.width(), linear.height(), 0))
}

#[cfg(test)]
mod tests {
    use glassine_testdata::random::Lcg;

    use super::*;

    /// Clear film with noise, plus the densities that `paint` returns.
    fn rebate(base_d: [f64; 3], paint: impl Fn(u32, u32) -> Option<[f64; 3]>) -> (Samples16, Plane<u8>) {
        let (width, height) = (300, 120);
        let mut random = Lcg::new(9);
        let mut data = Vec::new();
        for y in 0..height {
            for x in 0..width {
                let density_d = paint(x, y).unwrap_or(base_d);
                for d in density_d {
                    data.push((65_535.0 * exp10(-d) * (1.0 + 0.006 * random.normal())) as u16);
                }
            }
        }
        let samples = Samples16::from_vec(width, height, 3, data).expect("sizes fit");
        (samples, Plane::filled(width, height, 1))
    }

    const MASKED: [f64; 3] = [0.27, 0.61, 0.93];

    fn check(
        base_d: [f64; 3],
        kind: FilmKind,
        paint: impl Fn(u32, u32) -> Option<[f64; 3]>,
    ) -> BaseMeasurement {
        let (samples, candidate) = rebate(base_d, paint);
        let base = measure_base(&samples, &candidate, kind).expect("there is clear film");
        for c in 0..3 {
            assert!((base.density_d[c] - base_d[c]).abs() < 0.003, "{:?} for {base_d:?}", base.density_d);
        }
        assert!(base.spread_d.iter().all(|s| (0.001..0.006).contains(s)));
        base
    }

    #[test]
    fn clear_film_alone_is_measured() {
        let base = check(MASKED, FilmKind::ColourNegative, |_, _| None);
        assert!(base.confidence > 0.9 && base.notes.is_empty() && base.pixels > 30_000);
    }

    #[test]
    fn edge_print_perforations_and_dust_do_not_move_the_base() {
        check(MASKED, FilmKind::ColourNegative, |x, y| {
            let hash = x.wrapping_mul(2_654_435_761) ^ y.wrapping_mul(40_503);
            match (x, y) {
                _ if hash % 97 == 0 => Some([0.9, 1.2, 1.6]),
                (_, 0..30) if (x / 20) % 2 == 0 => Some([0.027, 0.029, 0.034]),
                (_, 90..) if (x / 3) % 3 == 0 => Some([1.4, 1.9, 2.2]),
                _ => None,
            }
        });
    }

    #[test]
    fn a_fogged_edge_over_most_of_the_rebate_does_not_move_the_base() {
        let base = check(MASKED, FilmKind::ColourNegative, |x, _| {
            let fog = (f64::from(x) - 60.0).max(0.0) / 240.0 * 0.5;
            Some([MASKED[0] + fog, MASKED[1] + fog, MASKED[2] + fog])
        });
        assert!(!base.notes.is_empty());
    }

    #[test]
    fn a_clear_based_film_is_told_from_the_light_beside_it() {
        let clear = [0.11, 0.11, 0.12];
        let base = check(clear, FilmKind::BlackAndWhite, |x, _| (x < 100).then_some([0.027, 0.028, 0.03]));
        assert!(base.notes.iter().any(|note| note.contains("open light")));
    }

    #[test]
    fn slides_and_empty_candidates_are_refused() {
        let (samples, candidate) = rebate(MASKED, |_, _| None);
        assert_eq!(measure_base(&samples, &candidate, FilmKind::Slide), Err(BaseError::NotANegative));
        let none = Plane::filled(300, 120, 0);
        let refused = measure_base(&samples, &none, FilmKind::ColourNegative);
        assert!(matches!(refused, Err(BaseError::TooFewPixels { .. })));
        let wrong = Plane::filled(3, 120, 1);
        let refused = measure_base(&samples, &wrong, FilmKind::ColourNegative);
        assert!(matches!(refused, Err(BaseError::SizeMismatch { mask_width: 3, .. })));
    }

    #[test]
    fn the_mask_takes_clear_film_and_leaves_the_rest() {
        let (samples, _) = rebate(MASKED, |x, _| (x >= 150).then_some([0.4, 0.8, 1.1]));
        let mask = base_mask(&samples, MASKED, DensityD::new(0.02).expect("a number"));
        let clear = mask.data().iter().filter(|flag| **flag != 0).count();
        assert!((17_500..=18_000).contains(&clear), "{clear}");
    }
}
