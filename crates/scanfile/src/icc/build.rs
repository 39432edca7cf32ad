//! Display profiles of the matrix kind, version 4, built with `moxcms`.
//!
//! The same numbers always give the same bytes: the date is fixed.

use crate::numbers::to_f32;
use moxcms::{
    ColorProfile, DataColorSpace, LocalizableString, ProfileText, ToneReprCurve, Xyz, Xyzd, adaption_matrix_d,
};

/// The illuminant of the connection space, D50. Source: ICC.1 v4.
const D50: Xyz = Xyz { x: 0.9642, y: 1.0, z: 0.8249 };
const RIGHTS: &str = "No rights reserved; free to use and embed.";

/// How device values relate to linear light.
#[derive(Debug, Clone, PartialEq)]
pub enum TransferCurve {
    /// Device values are linear light.
    Linear,
    /// `light = value ^ gamma`.
    Gamma(f32),
    /// `light = (a value + b) ^ g` for `value >= d`, else `c value` (ICC parametric type 3).
    Parametric {
        /// Exponent.
        g: f32,
        /// Scale inside the power.
        a: f32,
        /// Offset inside the power.
        b: f32,
        /// Slope of the straight part.
        c: f32,
        /// Value at which the straight part ends.
        d: f32,
    },
}

impl TransferCurve {
    /// The curve of IEC 61966-2-1 as ICC type 3.
    pub fn srgb() -> Self {
        Self::Parametric { g: 2.4, a: 1.0 / 1.055, b: 0.055 / 1.055, c: 1.0 / 12.92, d: 0.04045 }
    }

    fn to_tag(&self) -> ToneReprCurve {
        match *self {
            // A table without entries stands for the identity.
            Self::Linear => ToneReprCurve::Lut(Vec::new()),
            Self::Gamma(gamma) => ToneReprCurve::Parametric(vec![gamma]),
            Self::Parametric { g, a, b, c, d } => ToneReprCurve::Parametric(vec![g, a, b, c, d]),
        }
    }
}

/// An RGB display profile.
///
/// `to_xyz_d50` turns linear light into XYZ already adapted to D50, row by row; its columns become the colorant tags.
/// `white_xyz` is the XYZ (Y = 1) of the space's own white, from which the chromatic adaptation tag (Bradford) is
/// computed. Characters of `desc` beyond ASCII are left out.
pub fn build_rgb_profile(
    desc: &str,
    to_xyz_d50: [[f64; 3]; 3],
    white_xyz: [f64; 3],
    curve: &TransferCurve,
) -> Vec<u8> {
    let column = |i: usize| Xyzd { x: to_xyz_d50[0][i], y: to_xyz_d50[1][i], z: to_xyz_d50[2][i] };
    let [x, y, z] = white_xyz.map(to_f32);
    let mut profile = described(desc, DataColorSpace::Rgb);
    profile.red_colorant = column(0);
    profile.green_colorant = column(1);
    profile.blue_colorant = column(2);
    profile.red_trc = Some(curve.to_tag());
    profile.green_trc = Some(curve.to_tag());
    profile.blue_trc = Some(curve.to_tag());
    profile.chromatic_adaptation = Some(adaption_matrix_d(Xyz { x, y, z }, D50));
    encode(&profile)
}

/// A grey display profile under D50. Characters of `desc` beyond ASCII are left out.
pub fn build_grey_profile(desc: &str, curve: &TransferCurve) -> Vec<u8> {
    let mut profile = described(desc, DataColorSpace::Gray);
    profile.gray_trc = Some(curve.to_tag());
    encode(&profile)
}

/// What both kinds have in common.
fn described(desc: &str, colour_space: DataColorSpace) -> ColorProfile {
    let mut profile = ColorProfile::default();
    profile.color_space = colour_space;
    profile.pcs = DataColorSpace::Xyz;
    profile.white_point = D50.to_xyzd();
    profile.media_white_point = Some(D50.to_xyzd());
    profile.description = Some(text(desc));
    profile.copyright = Some(text(RIGHTS));
    profile
}

/// English text, once for each of two countries: moxcms places tags without padding, and only an even number of
/// characters keeps the next tag at a multiple of four bytes, as ICC.1 demands. It also takes bytes for characters,
/// which is true of ASCII alone.
fn text(text: &str) -> ProfileText {
    let text: String = text.chars().filter(char::is_ascii).collect();
    let record = |country: &str| LocalizableString::new("en".into(), country.into(), text.clone());
    ProfileText::Localizable(vec![record("US"), record("GB")])
}

fn encode(profile: &ColorProfile) -> Vec<u8> {
    let mut bytes = profile.encode().expect("curves with 1 or 5 parameters can be written");
    // moxcms writes the time of the system. Source of the position: ICC.1 v4, section 7.2.
    let date = [2026_u16, 1, 1, 0, 0, 0].map(u16::to_be_bytes);
    if let Some(field) = bytes.get_mut(24..36) {
        field.copy_from_slice(date.as_flattened());
    }
    bytes
}
