//! The ICC profiles of exported pictures.

use std::sync::Arc;

use glassine_film::OutputSpace;
use glassine_scanfile::icc::{TransferCurve, build_grey_profile, build_rgb_profile};

/// The ICC profile of an output space, for colour or grey.
pub fn output_profile(space: OutputSpace, grey: bool) -> Arc<[u8]> {
    let curve = match space {
        OutputSpace::Srgb | OutputSpace::DisplayP3 => TransferCurve::srgb(),
        OutputSpace::AdobeRgb1998 => TransferCurve::Gamma(563.0 / 256.0),
        // ISO 22028-2: 16 times the light below 1/512 of full scale, else the power 1/1.8.
        OutputSpace::RommRgb => {
            TransferCurve::Parametric { g: 1.8, a: 1.0, b: 0.0, c: 1.0 / 16.0, d: 16.0 / 512.0 }
        }
        OutputSpace::LinearSrgb => TransferCurve::Linear,
    };
    if grey {
        return build_grey_profile(&format!("Grey with the tone curve of {}", space.label()), &curve).into();
    }
    build_rgb_profile(space.label(), space.to_xyz_d50(), space.white(), &curve).into()
}
