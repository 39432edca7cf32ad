//! The light in which a picture is taken.

use serde::Deserialize;

use crate::spectrum::{Spectrum, black_body, lobe, spectrum};

/// A light as a spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Light {
    /// Temperature of the black body that represents it; 5500 is the light for which the film is made.
    pub kelvin: f64,
    /// Light of an added green line, as a share of the black body's at 545 nm: fluorescent lamps.
    #[serde(default)]
    pub green_line: f64,
}

impl Light {
    /// The light for which the film is made.
    pub const DAYLIGHT: Self = Self { kelvin: 5500.0, green_line: 0.0 };

    pub(crate) fn spectrum(self) -> Spectrum {
        let body = black_body(self.kelvin);
        let line = spectrum(lobe(545.0, 12.0, 12.0));
        std::array::from_fn(|band| body[band] + self.green_line * line[band])
    }
}

impl Default for Light {
    fn default() -> Self {
        Self::DAYLIGHT
    }
}
