//! The perceptual space in which saturation changes and colours are brought into gamut.
//!
//! Source: B. Ottosson, "A perceptual color space for image processing" (2020), matrices as published there for linear
//! sRGB (D65). Chosen because hue lines bend little, and because both directions need only two small matrices and cubes.

/// Lightness and two opponent axes: all zero for black, `l = 1` for white, `a = b = 0` for neutrals.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Perceptual {
    /// Lightness, 0..=1 for 0..=white.
    pub l: f64,
    /// Green to red.
    pub a: f64,
    /// Blue to yellow.
    pub b: f64,
}

/// Linear sRGB to cone-like responses.
pub(crate) const CONES_FROM_SRGB: [[f64; 3]; 3] = [
    [0.412_221_470_8, 0.536_332_536_3, 0.051_445_992_9],
    [0.211_903_498_2, 0.680_699_545_1, 0.107_396_956_6],
    [0.088_302_461_9, 0.281_718_837_6, 0.629_978_700_5],
];

/// Cube roots of the responses to lightness and opponent axes.
pub(crate) const OPPONENT_FROM_ROOTS: [[f64; 3]; 3] = [
    [0.210_454_255_3, 0.793_617_785_0, -0.004_072_046_8],
    [1.977_998_495_1, -2.428_592_205_0, 0.450_593_709_9],
    [0.025_904_037_1, 0.782_771_766_2, -0.808_675_766_0],
];

/// Opponent values to cube roots; the first column is exactly one, so a neutral stays a neutral.
pub(crate) const ROOTS_FROM_OPPONENT: [[f64; 3]; 3] = [
    [1.0, 0.396_337_777_4, 0.215_803_757_3],
    [1.0, -0.105_561_345_8, -0.063_854_172_8],
    [1.0, -0.089_484_177_5, -1.291_485_548_0],
];

/// Responses to linear sRGB.
pub(crate) const SRGB_FROM_CONES: [[f64; 3]; 3] = [
    [4.076_741_662_1, -3.307_711_591_3, 0.230_969_929_2],
    [-1.268_438_004_6, 2.609_757_401_1, -0.341_319_396_5],
    [-0.004_196_086_3, -0.703_418_614_7, 1.707_614_701_0],
];

/// Perceptual coordinates of linear sRGB; any finite values.
pub fn perceptual_from_linear_srgb(rgb: [f64; 3]) -> Perceptual {
    let roots = crate::matrix::apply(&CONES_FROM_SRGB, rgb).map(libm::cbrt);
    let [l, a, b] = crate::matrix::apply(&OPPONENT_FROM_ROOTS, roots);
    Perceptual { l, a, b }
}

/// Linear sRGB of perceptual coordinates; inverse of [`perceptual_from_linear_srgb`].
pub fn linear_srgb_from_perceptual(colour: Perceptual) -> [f64; 3] {
    let roots = crate::matrix::apply(&ROOTS_FROM_OPPONENT, [colour.l, colour.a, colour.b]);
    crate::matrix::apply(&SRGB_FROM_CONES, roots.map(|root| root * root * root))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn white_is_one_and_neutral_and_colours_come_back() {
        let white = perceptual_from_linear_srgb([1.0; 3]);
        assert!((white.l - 1.0).abs() < 1e-6 && white.a.abs() < 1e-6 && white.b.abs() < 1e-6);
        for rgb in [[0.2, 0.5, 0.9], [-0.1, 0.4, 0.02], [1.4, 0.0, 0.3]] {
            let back = linear_srgb_from_perceptual(perceptual_from_linear_srgb(rgb));
            for (x, y) in rgb.iter().zip(back) {
                assert!((x - y).abs() < 1e-6, "{rgb:?} {back:?}");
            }
        }
    }
}
