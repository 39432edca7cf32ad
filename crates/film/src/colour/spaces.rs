//! Output colour spaces, their primaries, matrices to XYZ (D50) and chromatic adaptation.

use super::lab::{Lab, Xyz, lab_from_xyz_d50, xyz_d50_from_lab};
use super::transfer::Transfer;
use crate::matrix::{IDENTITY, Matrix3, apply, diagonal, invert, multiply, with_unit_row_sums};

/// White of the profile connection space. Source: ICC.1:2022, 7.2.16 (0.9642, 1, 0.8249).
pub const WHITE_D50: Xyz = [0.9642, 1.0, 0.8249];

/// D65 from its chromaticity 0.3127, 0.3290: X = x/y, Z = (1 - x - y)/y. Source: IEC 61966-2-1.
pub const WHITE_D65: Xyz = [0.3127 / 0.3290, 1.0, (1.0 - 0.3127 - 0.3290) / 0.3290];

/// Cone responses of the Bradford adaptation. Source: ICC.1:2022, annex E.
const BRADFORD: Matrix3 = [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]];

/// Matrix that adapts XYZ from one white to another by scaling Bradford cone responses.
pub fn bradford_adaptation(from_white: Xyz, to_white: Xyz) -> Matrix3 {
    let (from, to) = (apply(&BRADFORD, from_white), apply(&BRADFORD, to_white));
    let gains = [to[0] / from[0], to[1] / from[1], to[2] / from[2]];
    let back = invert(&BRADFORD).unwrap_or(IDENTITY);
    multiply(&back, &multiply(&diagonal(gains), &BRADFORD))
}

/// RGB to XYZ from the chromaticities of the primaries and of their common white.
///
/// Source: SMPTE RP 177 (derivation of basic television colour equations).
pub fn rgb_to_xyz_matrix(primaries_xy: [[f64; 2]; 3], white: Xyz) -> Matrix3 {
    let columns = primaries_xy.map(|[x, y]| [x / y, 1.0, (1.0 - x - y) / y]);
    let unscaled: Matrix3 = [0, 1, 2].map(|row| [columns[0][row], columns[1][row], columns[2][row]]);
    let gains = apply(&invert(&unscaled).unwrap_or(IDENTITY), white);
    multiply(&unscaled, &diagonal(gains))
}

/// Colour space of an exported picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum OutputSpace {
    /// sRGB, IEC 61966-2-1.
    #[default]
    Srgb,
    /// Display P3: P3 primaries, D65, the transfer function of sRGB.
    DisplayP3,
    /// The primaries, white and power of Adobe RGB (1998).
    AdobeRgb1998,
    /// ROMM RGB, ISO 22028-2.
    RommRgb,
    /// Primaries of sRGB, linear light.
    LinearSrgb,
}

impl OutputSpace {
    /// Every space, in display order.
    pub const ALL: [Self; 5] =
        [Self::Srgb, Self::DisplayP3, Self::AdobeRgb1998, Self::RommRgb, Self::LinearSrgb];

    /// Name used in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Srgb => "srgb",
            Self::DisplayP3 => "display-p3",
            Self::AdobeRgb1998 => "adobe-rgb-1998",
            Self::RommRgb => "romm-rgb",
            Self::LinearSrgb => "linear-srgb",
        }
    }

    /// Name shown to the user.
    pub fn label(self) -> &'static str {
        match self {
            Self::Srgb => "sRGB",
            Self::DisplayP3 => "Display P3",
            Self::AdobeRgb1998 => "Adobe RGB (1998)-compatible",
            Self::RommRgb => "ROMM RGB",
            Self::LinearSrgb => "Linear sRGB",
        }
    }

    /// Inverse of [`Self::key`]; `None` for any other text.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|space| space.key() == key)
    }

    pub fn transfer(self) -> Transfer {
        match self {
            Self::Srgb | Self::DisplayP3 => Transfer::Srgb,
            Self::AdobeRgb1998 => Transfer::Power563,
            Self::RommRgb => Transfer::Romm,
            Self::LinearSrgb => Transfer::Linear,
        }
    }

    /// Chromaticities of red, green and blue.
    ///
    /// Sources: IEC 61966-2-1; SMPTE EG 432-1 (P3); Adobe RGB (1998) 4.3.1.1; ISO 22028-2.
    pub fn primaries_xy(self) -> [[f64; 2]; 3] {
        match self {
            Self::Srgb | Self::LinearSrgb => [[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]],
            Self::DisplayP3 => [[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]],
            Self::AdobeRgb1998 => [[0.64, 0.33], [0.21, 0.71], [0.15, 0.06]],
            Self::RommRgb => [[0.7347, 0.2653], [0.1596, 0.8404], [0.0366, 0.0001]],
        }
    }

    /// The native white.
    pub fn white(self) -> Xyz {
        if self == Self::RommRgb { WHITE_D50 } else { WHITE_D65 }
    }

    /// Linear RGB to XYZ under the native white.
    pub fn to_xyz(self) -> Matrix3 {
        rgb_to_xyz_matrix(self.primaries_xy(), self.white())
    }

    /// Linear RGB to XYZ adapted to D50 (Bradford), as stated in an embedded profile.
    pub fn to_xyz_d50(self) -> Matrix3 {
        multiply(&bradford_adaptation(self.white(), WHITE_D50), &self.to_xyz())
    }

    /// Working values (linear, primaries of sRGB) to linear RGB of this space; equal components stay equal.
    pub fn from_working(self) -> Matrix3 {
        if matches!(self, Self::Srgb | Self::LinearSrgb) {
            return IDENTITY;
        }
        let back = invert(&self.to_xyz_d50()).unwrap_or(IDENTITY);
        with_unit_row_sums(&multiply(&back, &Self::Srgb.to_xyz_d50()))
    }
}

/// Lab (D50) of working values.
pub fn lab_from_working(rgb: [f64; 3]) -> Lab {
    lab_from_xyz_d50(apply(&OutputSpace::Srgb.to_xyz_d50(), rgb))
}

/// Working values of a Lab (D50) colour.
pub fn working_from_lab(lab: Lab) -> [f64; 3] {
    apply(&invert(&OutputSpace::Srgb.to_xyz_d50()).unwrap_or(IDENTITY), xyz_d50_from_lab(lab))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn matrices_match_the_published_ones() {
        // Rows as published for each space (four to six digits).
        let cases: [(OutputSpace, Matrix3, f64); 4] = [
            (
                OutputSpace::Srgb,
                [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]],
                6e-5,
            ),
            (
                OutputSpace::AdobeRgb1998,
                [[0.57667, 0.18556, 0.18823], [0.29734, 0.62736, 0.07529], [0.02703, 0.07069, 0.99134]],
                6e-5,
            ),
            (
                OutputSpace::DisplayP3,
                [[0.486571, 0.265668, 0.198217], [0.228975, 0.691739, 0.079287], [0.0, 0.045113, 1.043944]],
                1e-5,
            ),
            (
                OutputSpace::RommRgb,
                [[0.7977, 0.1352, 0.0313], [0.2880, 0.7119, 0.0001], [0.0, 0.0, 0.8249]],
                1.2e-4,
            ),
        ];
        for (space, want, tolerance) in cases {
            for (row, want_row) in space.to_xyz().iter().zip(want) {
                for (cell, want) in row.iter().zip(want_row) {
                    assert!((cell - want).abs() < tolerance, "{space:?} {cell} {want}");
                }
            }
        }
    }

    #[test]
    fn white_is_white_in_every_space() {
        for space in OutputSpace::ALL {
            let xyz = apply(&space.to_xyz_d50(), [1.0; 3]);
            let lab = lab_from_xyz_d50(xyz);
            assert!((lab.l - 100.0).abs() < 1e-9 && lab.chroma() < 1e-9, "{space:?} {lab:?}");
            assert!(apply(&space.from_working(), [0.4; 3]).iter().all(|x| (x - 0.4).abs() < 1e-12));
            assert_eq!(OutputSpace::from_key(space.key()), Some(space));
        }
    }

    #[test]
    fn lab_and_working_values_invert() {
        for lab in [Lab::new(50.0, 20.0, -30.0), Lab::new(4.0, 1.0, 1.0), Lab::new(95.0, -1.0, 3.0)] {
            let back = lab_from_working(working_from_lab(lab));
            assert!((back.l - lab.l).abs() + (back.a - lab.a).abs() + (back.b - lab.b).abs() < 1e-9);
        }
    }
}
