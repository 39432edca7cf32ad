//! CIE XYZ and CIE 1976 L*a*b* under D50, the white of the chart tables and of profile connection space.

use super::spaces::WHITE_D50;

/// CIE XYZ, scaled to Y = 1 for white.
pub type Xyz = [f64; 3];

/// CIE L*, a*, b*.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Lab {
    /// Lightness, 0 to 100.
    pub l: f64,
    /// Green to red.
    pub a: f64,
    /// Blue to yellow.
    pub b: f64,
}

impl Lab {
    pub const fn new(l: f64, a: f64, b: f64) -> Self {
        Self { l, a, b }
    }

    /// Chroma C*ab.
    pub fn chroma(self) -> f64 {
        libm::hypot(self.a, self.b)
    }
}

/// Where the cube root becomes a line. Source: CIE 15, as are the other numbers of the formulas below.
const DELTA: f64 = 6.0 / 29.0;

/// Lab (D50) of an XYZ colour adapted to D50.
///
/// ```text
/// f(t) = t^(1/3) for t > (6/29)^3, else t / (3 (6/29)^2) + 4/29
/// L = 116 f(Y/Yn) - 16, a = 500 (fX - fY), b = 200 (fY - fZ)
/// ```
/// Source: CIE 15, 1976 L*a*b*.
pub fn lab_from_xyz_d50(xyz: Xyz) -> Lab {
    let f = |value: f64, white: f64| {
        let t = value / white;
        if t > DELTA * DELTA * DELTA { libm::cbrt(t) } else { t / (3.0 * DELTA * DELTA) + 4.0 / 29.0 }
    };
    let (fx, fy, fz) = (f(xyz[0], WHITE_D50[0]), f(xyz[1], WHITE_D50[1]), f(xyz[2], WHITE_D50[2]));
    Lab::new(116.0 * fy - 16.0, 500.0 * (fx - fy), 200.0 * (fy - fz))
}

/// XYZ (D50) of a Lab colour; inverse of [`lab_from_xyz_d50`].
pub fn xyz_d50_from_lab(lab: Lab) -> Xyz {
    let g = |f: f64, white: f64| {
        white * if f > DELTA { f * f * f } else { 3.0 * DELTA * DELTA * (f - 4.0 / 29.0) }
    };
    let fy = (lab.l + 16.0) / 116.0;
    [g(fy + lab.a / 500.0, WHITE_D50[0]), g(fy, WHITE_D50[1]), g(fy - lab.b / 200.0, WHITE_D50[2])]
}
