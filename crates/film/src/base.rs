//! The film base: density of the clear, developed but unexposed film, measured on the rebate.

use crate::FilmKind;
use crate::maths::log10;
use glassine_raster::{Plane, Samples16};

/// Fewest pixels a base may rest on.
const FEWEST_PIXELS: u64 = 64;

/// What was measured on the rebate.
#[derive(Debug, Clone, PartialEq)]
pub struct BaseMeasurement {
    /// `-log10(code / 65535)` of clear film in red, green and blue (three times the same for grey scans).
    pub density_d: [f64; 3],
    /// Pixels the value rests on.
    pub pixels: u64,
    /// Robust standard deviation of those pixels in density.
    pub spread_d: [f64; 3],
    /// Mask tolerance that takes in nearly all clear film and nearly nothing else.
    pub recommended_tolerance_d: f64,
    /// 0 to 1.
    pub confidence: f32,
    /// What was odd, in words.
    pub notes: Vec<String>,
}

/// Why no base could be measured.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum BaseError {
    /// Too little clear film among the candidates.
    #[error("only {found} pixels of clear film were found, {needed} are needed")]
    TooFewPixels {
        /// Pixels found.
        found: u64,
        /// Pixels needed.
        needed: u64,
    },
    /// The candidate plane and the samples differ in size.
    #[error("the candidate mask is {mask_width} x {mask_height}, the samples {width} x {height}")]
    SizeMismatch {
        /// Columns of the mask.
        mask_width: u32,
        /// Rows of the mask.
        mask_height: u32,
        /// Columns of the samples.
        width: u32,
        /// Rows of the samples.
        height: u32,
    },
    /// Slides have no base to measure.
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
/// Candidates may contain edge print, fog, perforations, dust: they are rejected here.
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
    let channels = usize::from(linear.channels());
    let used = colour_channels(linear);
    let mut codes: [Vec<u16>; 3] = Default::default();
    for (pixel, flag) in linear.data().chunks_exact(channels.max(1)).zip(candidate.data()) {
        if *flag != 0 {
            for (channel, list) in codes.iter_mut().take(used).enumerate() {
                list.push(pixel[channel]);
            }
        }
    }
    let found = codes[0].len() as u64;
    if found < FEWEST_PIXELS {
        return Err(BaseError::TooFewPixels { found, needed: FEWEST_PIXELS });
    }
    let mut density_d = [0.0; 3];
    let mut spread_d = [0.0; 3];
    for (channel, list) in codes.iter_mut().take(used).enumerate() {
        list.sort_unstable();
        let at = |share: f64| list[((list.len() - 1) as f64 * share) as usize];
        density_d[channel] = density_of_code(at(0.5));
        spread_d[channel] = (density_of_code(at(0.25)) - density_of_code(at(0.75))) / 1.349;
    }
    if used == 1 {
        density_d = [density_d[0]; 3];
        spread_d = [spread_d[0]; 3];
    }
    let widest = spread_d.iter().copied().fold(0.0, f64::max);
    Ok(BaseMeasurement {
        density_d,
        pixels: found,
        spread_d,
        recommended_tolerance_d: (4.0 * widest).clamp(0.01, 0.1),
        confidence: 1.0,
        notes: Vec::new(),
    })
}

/// Pixels that count as clear film: density no more than `tolerance_d` above the base in every channel.
///
/// Below the base (clearer) the same tolerance holds, so that perforations and open light are not taken for film.
pub fn base_mask(linear: &Samples16, base_d: [f64; 3], tolerance_d: f64) -> Plane<u8> {
    let channels = usize::from(linear.channels()).max(1);
    let used = colour_channels(linear);
    let code_of = |density_d: f64| 65_535.0 * crate::maths::exp10(-density_d);
    let limits = base_d.map(|d| (code_of(d + tolerance_d), code_of(d - tolerance_d)));
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
