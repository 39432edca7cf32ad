//! Files of film density: what the film holds back, above its base, as numbers for other programs.
//!
//! ```text
//! log     code = 8000 D + 1520        D = (code - 1520) / 8000
//! linear  code = 65535 * 10^-D
//! ```
//! D is the density of the scan above the film base, at least -0.19 in the logarithmic form. Source of 8000 and 1520: SMPTE
//! ST 2065-3 in 16 bits, whose densities are Academy Printing Densities; those of a scan are near them only where its light
//! is near that of a printer.

use glassine_film::FilmKind;
use glassine_session::DensityEncoding;

use crate::frame::{FrameContext, InputCodes};

const CODES_PER_D: f32 = 8000.0;
const BASE_CODE: f32 = 1520.0;
const FULL: f32 = 65_535.0;
/// Half a code: the least light that a code of 16 bits can mean.
const LEAST_LIGHT: f32 = 0.5 / FULL;

/// From codes of the scan to values of the file, relative to full scale.
pub(super) struct FilmDensity {
    encoding: DensityEncoding,
    /// For each channel, the value of each code.
    tables: [Box<[f32]>; 3],
}

impl FilmDensity {
    pub(super) fn new(context: &FrameContext, encoding: DensityEncoding, input: InputCodes) -> Self {
        let base_d = match (context.strip.film, &context.strip.base) {
            // The film base of a slide is its white.
            (FilmKind::Slide, _) | (_, None) => [0.0; 3],
            (_, Some(base)) => base.density_d,
        };
        let linearisation = &context.open.tables.linearisation;
        let light = |channel: usize, code: u16| match input {
            InputCodes::File if !linearisation.tables.is_empty() => {
                linearisation.light(channel.min(linearisation.tables.len() - 1), code)
            }
            _ => f32::from(code) / FULL,
        };
        let tables = [0, 1, 2].map(|channel| {
            let value = |code| {
                let density_d = -light(channel, code).max(LEAST_LIGHT).log10() - base_d[channel] as f32;
                encoded(encoding, density_d)
            };
            (0..=u16::MAX).map(value).collect()
        });
        Self { encoding, tables }
    }

    /// A row of values from one line of codes for each channel; `shifts_d` is how much denser the base is, pixel by pixel.
    pub(super) fn run(&self, codes: [&[u16]; 3], shifts_d: &[f32], planes: [&mut [f32]; 3]) {
        for (channel, (codes, values)) in codes.into_iter().zip(planes).enumerate() {
            let table = &self.tables[channel];
            for (value, code) in values.iter_mut().zip(codes) {
                *value = table[usize::from(*code)];
            }
            let shifts = shifts_d.iter().skip(channel).step_by(3);
            for (value, shift_d) in values.iter_mut().zip(shifts) {
                *value = match self.encoding {
                    DensityEncoding::Log => *value - CODES_PER_D / FULL * shift_d,
                    DensityEncoding::Linear => *value * 10.0_f32.powf(*shift_d),
                };
            }
        }
    }
}

fn encoded(encoding: DensityEncoding, density_d: f32) -> f32 {
    match encoding {
        DensityEncoding::Log => (CODES_PER_D * density_d + BASE_CODE) / FULL,
        DensityEncoding::Linear => 10.0_f32.powf(-density_d),
    }
}

/// What the codes of such a file mean, for a reader who has only this file.
pub(super) fn describe(encoding: DensityEncoding) -> &'static str {
    match encoding {
        DensityEncoding::Log => {
            "Film density above the film base, not inverted: density = (code - 1520) / 8000, the 16-bit encoding of SMPTE \
             ST 2065-3 (ADX16) applied to densities of the scan."
        }
        DensityEncoding::Linear => {
            "Light through the film relative to that through its base, not inverted: density above the base = \
             -log10(code / 65535)."
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_codes_of_densities_come_out() {
        // ST 2065-3 in 16 bits: the base at 1520, mid grey (0.70 above it) at 7120, full scale at 8.0019 above it.
        for (density_d, code) in [(0.0, 1520.0), (0.7, 7120.0), (-0.19, 0.0), (8.001_875, 65_535.0)] {
            let found = encoded(DensityEncoding::Log, density_d) * FULL;
            assert!((found - code).abs() < 0.01, "{density_d}: {found}");
        }
        for (density_d, light) in [(0.0, 1.0), (1.0, 0.1), (2.0, 0.01)] {
            assert!((encoded(DensityEncoding::Linear, density_d) - light).abs() < 1e-6);
        }
    }
}
