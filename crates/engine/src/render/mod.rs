//! From sampled pixels to finished rows, and sharpening on lightness: what previews and exports share.

pub(crate) mod downscale;
pub(crate) mod export;
pub(crate) mod output_sharpen;
pub(crate) mod rows;

use glassine_film::{Look, OutputSpace, Param};
use glassine_raster::{PixelLoop, run_vectorised};
use glassine_sharpness::Sharpening;

/// Grain of a look, in the order of [`Sharpening::grain_sd`], and its unit there.
const GRAIN: [Param; 3] = [Param::SharpenGrainDark, Param::SharpenGrainMid, Param::SharpenGrainLight];
const PERCENT: f64 = 0.01;

/// The values of a look that sharpen in this way at full size.
pub(crate) fn look_values(sharpening: &Sharpening) -> Vec<(Param, f64)> {
    let rounded = |param: Param, value: f64| {
        let steps = 10.0_f64.powi(i32::from(param.spec().decimals));
        (param, (value * steps).round() / steps)
    };
    let values = [
        (Param::SharpenAmount, sharpening.amount),
        (Param::SharpenRadiusPx, sharpening.radius_px),
        (Param::OvershootLimit, sharpening.overshoot_limit),
    ];
    let grain = GRAIN.into_iter().zip(sharpening.grain_sd.map(|sd| f64::from(sd) / PERCENT));
    values
        .map(|(param, value)| (param, f64::from(value)))
        .into_iter()
        .chain(grain)
        .map(|(p, v)| rounded(p, v))
        .collect()
}

/// Sharpening of a look at a scale of `scan_px_per_px` scan pixels per picture pixel; `None` if it has no visible
/// effect.
pub(crate) fn sharpening(look: &Look, scan_px_per_px: f64) -> Option<Sharpening> {
    let radius_px = look.get(Param::SharpenRadiusPx) / scan_px_per_px.max(1e-6);
    let sharpening = Sharpening {
        amount: look.get(Param::SharpenAmount) as f32,
        radius_px: radius_px as f32,
        overshoot_limit: look.get(Param::OvershootLimit) as f32,
        // Scaling down averages grain over as many pixels each way.
        grain_sd: GRAIN.map(|param| (look.get(param) * PERCENT / scan_px_per_px.max(1.0)) as f32),
    };
    // A radius far below one screen pixel can't be seen.
    (!sharpening.is_identity() && radius_px >= 0.25).then_some(sharpening)
}

/// Luminance weights on encoded values. Source: ITU-R BT.709 (luma).
const LUMA: [f32; 3] = [0.2126, 0.7152, 0.0722];

/// What sharpening works on: lightness, so that colours stay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Lightness {
    /// Encoded values follow lightness closely enough: the same step is added to red, green and blue.
    Encoded,
    /// Linear values: the step is made on the cube root (CIE lightness) and scaled back.
    Linear,
}

impl Lightness {
    pub(crate) fn of(space: OutputSpace) -> Self {
        if space == OutputSpace::LinearSrgb { Self::Linear } else { Self::Encoded }
    }

    #[inline(always)]
    fn value(self, r: f32, g: f32, b: f32) -> f32 {
        let y = LUMA[0] * r + LUMA[1] * g + LUMA[2] * b;
        if self == Self::Linear { y.max(0.0).cbrt() } else { y }
    }

    /// Lightness of interleaved red, green and blue.
    pub(crate) fn of_pixels(self, pixels: &[f32]) -> Vec<f32> {
        pixels.chunks_exact(3).map(|pixel| self.value(pixel[0], pixel[1], pixel[2])).collect()
    }

    /// A colour value after its pixel's lightness changes from `before` to `after`.
    #[inline(always)]
    fn moved(self, value: f32, before: f32, after: f32) -> f32 {
        match self {
            Self::Encoded => value + (after - before),
            Self::Linear if before > 1e-4 => value * (after / before).powi(3),
            Self::Linear => value,
        }
    }

    /// Lightness of three planes.
    pub(crate) fn measure(self, [red, green, blue]: [&[f32]; 3], out: &mut [f32]) {
        run_vectorised(Measure { lightness: self, red, green, blue, out });
    }

    /// Move three planes from one lightness to another.
    pub(crate) fn apply(self, planes: [&mut [f32]; 3], before: &[f32], after: &[f32]) {
        run_vectorised(Apply { lightness: self, planes, before, after });
    }
}

struct Measure<'a> {
    lightness: Lightness,
    red: &'a [f32],
    green: &'a [f32],
    blue: &'a [f32],
    out: &'a mut [f32],
}

impl PixelLoop for Measure<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let colours = self.red.iter().zip(self.green).zip(self.blue);
        for (out, ((r, g), b)) in self.out.iter_mut().zip(colours) {
            *out = self.lightness.value(*r, *g, *b);
        }
    }
}

struct Apply<'a> {
    lightness: Lightness,
    planes: [&'a mut [f32]; 3],
    before: &'a [f32],
    after: &'a [f32],
}

impl PixelLoop for Apply<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for plane in self.planes {
            for ((value, before), after) in plane.iter_mut().zip(self.before).zip(self.after) {
                *value = self.lightness.moved(*value, *before, *after);
            }
        }
    }
}
