//! The ICC profiles of exported pictures, and profiles in files.

use std::path::Path;
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

/// Largest file that is taken for a profile, bytes. Our choice: those of presses have about 2 MB.
const MOST_FILE_BYTES: u64 = 32 << 20;

/// The bytes of a profile; `None` if what is there is no file, or too large for a profile.
pub fn read_profile(file: &Path) -> std::io::Result<Option<Vec<u8>>> {
    let about = std::fs::metadata(file)?;
    if !about.is_file() || about.len() > MOST_FILE_BYTES {
        return Ok(None);
    }
    std::fs::read(file).map(Some)
}
