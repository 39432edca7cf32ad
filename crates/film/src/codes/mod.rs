//! Properties of the codes of a scan, read from the picture: their curve against light, and stray light.

mod comb;
mod encoding;
mod kind;
mod levels;
mod stray;

pub use encoding::{CodeSamples, EncodingFinding, find_encoding};
pub use kind::{KindFinding, find_kind};
pub use stray::{StrayLight, find_stray_light};

use crate::colour::{Transfer, decode};

/// How codes relate to light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CodeCurve {
    /// Codes are proportional to light.
    Linear,
    /// IEC 61966-2-1.
    Srgb,
    /// Light is the code to this power.
    Gamma(f64),
}

impl CodeCurve {
    /// Light of a code, both 0 to 1.
    pub fn light(self, code: f64) -> f64 {
        match self {
            Self::Linear => code,
            Self::Srgb => decode(Transfer::Srgb, code),
            Self::Gamma(power) => libm::pow(code.max(0.0), power),
        }
    }

    /// Name shown to the user.
    pub fn label(self) -> String {
        match self {
            Self::Linear => "linear".to_owned(),
            Self::Srgb => "sRGB".to_owned(),
            Self::Gamma(power) => format!("gamma {power}"),
        }
    }
}
