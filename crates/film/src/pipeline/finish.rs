//! Working values to encoded output: saturation, weak-colour boost, output matrix, gamut, transfer function.

use glassine_raster::{least, most};

use super::build::f32_rows;
use super::run::{Aligned, CHUNK, Planes, matrix, neutral_matrix};
use crate::colour::{
    CONES_FROM_SRGB, FastEncoder, OPPONENT_FROM_ROOTS, OutputSpace, ROOTS_FROM_OPPONENT, SRGB_FROM_CONES,
};
use crate::maths::{cbrt_f32, exp2_f32};
use crate::matrix::{IDENTITY, invert, multiply};
use crate::{Look, Param};

/// The last steps of a recipe.
#[derive(Debug, Clone)]
pub(super) struct Finish {
    chroma: Option<Chroma>,
    output: Option<[[f32; 3]; 3]>,
    gamut: Gamut,
    encoder: FastEncoder,
    grey: bool,
}

impl Finish {
    pub(super) fn new(look: &Look, space: OutputSpace, grey: bool) -> Self {
        let matrix = space.from_working();
        Self {
            chroma: Chroma::new(look),
            output: (matrix != IDENTITY).then(|| f32_rows(&matrix)),
            gamut: Gamut::new(&matrix),
            encoder: FastEncoder::new(space.transfer()),
            grey,
        }
    }

    /// Finish one chunk of working values, given as three planes.
    #[inline(always)]
    pub(super) fn run(&self, planes: &mut Planes, len: usize) {
        if !self.grey {
            if let Some(chroma) = &self.chroma {
                chroma.run(planes, len);
            }
            if let Some(matrix) = &self.output {
                neutral_matrix(matrix, planes, len);
            }
            self.gamut.run(planes, len);
        }
        for plane in planes {
            self.encoder.run(&mut plane[..len]);
        }
    }
}

/// Saturation and weak-colour boost: a factor on the chroma of the perceptual space that keeps lightness and hue.
///
/// ```text
/// factor = saturation * (1 + 0.7 boost * exp(-(C / 0.11)^2) * (1 - skin))
/// ```
/// `skin` is 1 within 12 degrees of the hue of skin and falls to 0 at 38 degrees.
#[derive(Debug, Clone)]
struct Chroma {
    saturation: f32,
    boost: f32,
}

/// Hue of skin in the perceptual space, degrees: light and dark skin of the 24-patch chart are at 46 and 51. Our
/// choice: the middle, held fully within 12 degrees and not at all beyond 38.
const SKIN_HUE_DEG: f64 = 49.0;

impl Chroma {
    fn new(look: &Look) -> Option<Self> {
        let (saturation, boost) = (look.get(Param::Saturation), look.get(Param::WeakColourBoost));
        (saturation != 1.0 || boost != 0.0)
            // The full boost raises the weakest colours by 0.7. Our choice.
            .then_some(Self { saturation: saturation as f32, boost: 0.7 * boost as f32 })
    }

    #[inline(always)]
    fn run(&self, planes: &mut Planes, len: usize) {
        let Aligned(before) = &Aligned(*planes);
        let (skin_a, skin_b) =
            (libm::cos(SKIN_HUE_DEG.to_radians()) as f32, libm::sin(SKIN_HUE_DEG.to_radians()) as f32);
        let (far, near) = (libm::cos(38.0_f64.to_radians()) as f32, libm::cos(12.0_f64.to_radians()) as f32);
        // exp(-(C / 0.11)^2) as a power of two. Our choice: at a chroma of 0.11 a third is left.
        let fall = (-std::f64::consts::LOG2_E / (0.11 * 0.11)) as f32;
        matrix(&f32_rows(&CONES_FROM_SRGB), planes, len);
        for plane in planes.iter_mut() {
            for value in &mut plane[..len] {
                *value = cbrt_f32(*value);
            }
        }
        matrix(&f32_rows(&OPPONENT_FROM_ROOTS), planes, len);
        let [_, a, b] = planes;
        for (a, b) in a[..len].iter_mut().zip(&mut b[..len]) {
            let square = *a * *a + *b * *b;
            let cosine = (*a * skin_a + *b * skin_b) / (square + 1e-12).sqrt();
            let t = ((cosine - far) / (near - far)).clamp(0.0, 1.0);
            let skin = t * t * (3.0 - 2.0 * t);
            let weak = exp2_f32((square * fall).max(-100.0));
            let factor = self.saturation * (1.0 + self.boost * weak * (1.0 - skin));
            *a *= factor;
            *b *= factor;
        }
        matrix(&f32_rows(&ROOTS_FROM_OPPONENT), planes, len);
        for plane in planes.iter_mut() {
            for value in &mut plane[..len] {
                *value = *value * *value * *value;
            }
        }
        matrix(&f32_rows(&SRGB_FROM_CONES), planes, len);
        // A neutral has no chroma to change, so it keeps its exact value.
        let [r0, g0, b0] = before;
        for i in 0..len.min(CHUNK) {
            let neutral = r0[i] == g0[i] && g0[i] == b0[i];
            for (plane, old) in planes.iter_mut().zip(before) {
                plane[i] = if neutral { old[i] } else { plane[i] };
            }
        }
    }
}

/// Brings colours outside the output space inside: reduces chroma along a line of equal hue and lightness.
///
/// Light beyond white stays beyond white and light below black below black, so that both still count as clipped. A
/// colour that is only too strong ends just inside the edge, because its detail is not lost.
#[derive(Debug, Clone)]
struct Gamut {
    /// Output RGB to cone-like responses.
    cones: [[f32; 3]; 3],
    /// Cone-like responses to output RGB.
    output: [[f32; 3]; 3],
    opponent: [[f32; 3]; 3],
    roots: [[f32; 3]; 3],
}

/// Distance from black and white (in light) at which strong colours end. An encoded space keeps it above its first
/// 16-bit code; in linear sRGB it rounds to code 0. Source: arithmetic (first code of sRGB: 1.2e-6 of light).
const EDGE: f32 = 4e-6;

impl Gamut {
    fn new(output_from_working: &crate::matrix::Matrix3) -> Self {
        let back = invert(output_from_working).unwrap_or(IDENTITY);
        Self {
            cones: f32_rows(&multiply(&CONES_FROM_SRGB, &back)),
            output: f32_rows(&multiply(output_from_working, &SRGB_FROM_CONES)),
            opponent: f32_rows(&OPPONENT_FROM_ROOTS),
            roots: f32_rows(&ROOTS_FROM_OPPONENT),
        }
    }

    #[inline(always)]
    fn run(&self, planes: &mut Planes, len: usize) {
        let [r, g, b] = planes;
        // Gather the colours outside, so that the search runs over full vectors and costs nothing elsewhere.
        let mut outside = [0_u8; CHUNK];
        let mut any = 0;
        for i in 0..len.min(CHUNK) {
            let low = least(r[i], least(g[i], b[i]));
            let high = most(r[i], most(g[i], b[i]));
            outside[i] = u8::from(((low < 0.0) | (high > 1.0)) & (low != high));
            any |= outside[i];
        }
        if any == 0 {
            return;
        }
        let mut places = [0_usize; CHUNK];
        let mut count = 0;
        for (i, outside) in outside[..len.min(CHUNK)].iter().enumerate() {
            places[count] = i;
            count += usize::from(*outside);
        }
        let places = &places[..count];
        let Aligned(strong): &mut Aligned<Planes> = &mut Aligned([[0.0; CHUNK]; 3]);
        for (k, &i) in places.iter().enumerate() {
            (strong[0][k], strong[1][k], strong[2][k]) = (r[i], g[i], b[i]);
        }
        self.bring_inside(strong, count);
        for (k, &i) in places.iter().enumerate() {
            (r[i], g[i], b[i]) = (strong[0][k], strong[1][k], strong[2][k]);
        }
    }

    /// Replace colours by the nearest of the same hue and lightness inside the space.
    #[inline(always)]
    fn bring_inside(&self, planes: &mut Planes, len: usize) {
        matrix(&self.cones, planes, len);
        for plane in planes.iter_mut() {
            for value in &mut plane[..len] {
                *value = cbrt_f32(*value);
            }
        }
        matrix(&self.opponent, planes, len);
        let Aligned([inner, outer]) = &mut Aligned([[0.0_f32; CHUNK], [1.0_f32; CHUNK]]);
        let [l, a, b] = &*planes;
        // Twelve halvings: chroma to 1/4096 of itself. Our choice. Near the ends of lightness the limits close in on
        // grey.
        for _ in 0..12 {
            for i in 0..len.min(CHUNK) {
                let grey = l[i] * l[i] * l[i];
                let bottom = least(EDGE, 0.5 * grey);
                let top = most(1.0 - 20.0 * EDGE, 0.5 + 0.5 * grey);
                let middle = 0.5 * (inner[i] + outer[i]);
                let [x, y, z] = self.rgb(l[i], a[i] * middle, b[i] * middle);
                let fits = (least(x, least(y, z)) >= bottom) & (most(x, most(y, z)) <= top);
                inner[i] = if fits { middle } else { inner[i] };
                outer[i] = if fits { outer[i] } else { middle };
            }
        }
        let [l, a, b] = planes;
        for i in 0..len.min(CHUNK) {
            let grey = l[i] * l[i] * l[i];
            let [x, y, z] = self.rgb(l[i], a[i] * inner[i], b[i] * inner[i]);
            // There is no colour lighter than white or darker than black: use a neutral beyond the end.
            let beyond = l[i] >= 1.0 || l[i] <= 0.0;
            l[i] = if beyond { grey } else { x };
            a[i] = if beyond { grey } else { y };
            b[i] = if beyond { grey } else { z };
        }
    }

    /// Output RGB of perceptual coordinates.
    #[inline(always)]
    fn rgb(&self, l: f32, a: f32, b: f32) -> [f32; 3] {
        let m = &self.roots;
        let cube = |row: usize| {
            let root = l + m[row][1] * a + m[row][2] * b;
            root * root * root
        };
        let (x, y, z) = (cube(0), cube(1), cube(2));
        let o = &self.output;
        [0, 1, 2].map(|row| o[row][0] * x + o[row][1] * y + o[row][2] * z)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::{linear_srgb_from_perceptual, perceptual_from_linear_srgb};

    #[test]
    fn strong_colours_come_inside_with_their_hue_and_lightness() {
        for space in OutputSpace::ALL {
            let matrix = space.from_working();
            let gamut = Gamut::new(&matrix);
            let back = invert(&matrix).expect("space matrices have an inverse");
            for step in 0..360 {
                let angle = f64::from(step).to_radians();
                for l in [0.2, 0.5, 0.8, 0.95] {
                    let strong =
                        crate::colour::Perceptual { l, a: 0.4 * libm::cos(angle), b: 0.4 * libm::sin(angle) };
                    let rgb = crate::matrix::apply(&matrix, linear_srgb_from_perceptual(strong));
                    let mut planes = [[0.0; CHUNK]; 3];
                    for c in 0..3 {
                        planes[c][0] = rgb[c] as f32;
                    }
                    gamut.run(&mut planes, 1);
                    let out = [planes[0][0], planes[1][0], planes[2][0]];
                    assert!(out.iter().all(|x| *x > 0.0 && *x < 1.0), "{space:?} {strong:?} {out:?}");
                    let now = perceptual_from_linear_srgb(crate::matrix::apply(&back, out.map(f64::from)));
                    assert!((now.l - l).abs() < 2e-3, "{space:?} {strong:?} {now:?}");
                    let turned = now.a * libm::sin(angle) - now.b * libm::cos(angle);
                    assert!(turned.abs() < 2e-3, "{space:?} {strong:?} {now:?}");
                }
            }
        }
    }
}
