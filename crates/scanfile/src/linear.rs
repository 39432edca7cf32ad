//! From codes to linear light: one table per colour channel.

use std::sync::{Arc, LazyLock};

use glassine_raster::PowerCurve;

use crate::Encoding;
use crate::numbers::to_f32;

/// How the codes of a scan become linear light.
#[derive(Debug, Clone)]
pub struct Linearisation {
    /// Per colour channel, linear light 0..1 for each 16-bit code.
    pub tables: Vec<Arc<[f32]>>,
    /// Linear light to CIE XYZ under D50, if an embedded matrix profile states it.
    pub to_xyz_d50: Option<[[f64; 3]; 3]>,
}

impl Linearisation {
    /// The same curve for every channel; [`Encoding::Profile`] without a profile counts as linear.
    pub fn of_encoding(encoding: Encoding, colour_channels: u8) -> Self {
        static LINEAR: LazyLock<Arc<[f32]>> = LazyLock::new(|| table_of(|x| x));
        static SRGB: LazyLock<Arc<[f32]>> = LazyLock::new(|| table_of(|x| PowerCurve::SRGB.decode(x)));
        let table = match encoding {
            Encoding::Linear | Encoding::Profile => Arc::clone(&LINEAR),
            Encoding::Srgb => Arc::clone(&SRGB),
            Encoding::Gamma(power) => table_of(|x| x.powf(power)),
        };
        Self { tables: vec![table; colour_channels.into()], to_xyz_d50: None }
    }

    /// Light of a code; 0 for a missing channel.
    pub fn light(&self, channel: usize, code: u16) -> f32 {
        self.tables.get(channel).and_then(|t| t.get(usize::from(code))).copied().unwrap_or(0.0)
    }
}

/// A table of `light(code / 65535)`, clamped to 0..1; a value that is not a number becomes 0.
pub(crate) fn table_of(light: impl Fn(f64) -> f64) -> Arc<[f32]> {
    (0..=u16::MAX).map(|code| to_f32(light(f64::from(code) / 65535.0).clamp(0.0, 1.0).max(0.0))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_code_of_srgb_is_a_fifth_of_the_light() {
        let lin = Linearisation::of_encoding(Encoding::Srgb, 3);
        // Published value of the sRGB curve at 0.5: 0.214041.
        let half = f64::midpoint(f64::from(lin.light(0, 32767)), f64::from(lin.light(2, 32768)));
        assert!((half - 0.214041).abs() < 1e-6, "{half}");
        assert_eq!((lin.light(1, 0), lin.light(1, 65535)), (0.0, 1.0));
    }

    #[test]
    fn every_encoding_gives_rising_tables() {
        for encoding in [Encoding::Linear, Encoding::Srgb, Encoding::Gamma(2.2)] {
            let lin = Linearisation::of_encoding(encoding, 1);
            assert!(lin.tables[0].windows(2).all(|w| w[0] <= w[1]), "{encoding:?}");
        }
    }
}
