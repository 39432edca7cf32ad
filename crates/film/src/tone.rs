//! Tone: every operation on one layer's log exposure, from balance per band to contrast and the print-like curve.

use crate::maths::{exp10, log10};
use crate::solve::log_from_balance_cc;
use crate::{Look, Param};
use glassine_raster::DensityD;

/// How scene light becomes output light.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Rendering {
    /// In proportion to the scene: for master files.
    #[default]
    Straight,
    /// An S-shaped curve, as printing paper gives.
    Print,
}

impl Rendering {
    /// Both renderings, in display order.
    pub const ALL: [Self; 2] = [Self::Straight, Self::Print];

    /// Name used in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Straight => "straight",
            Self::Print => "print",
        }
    }

    /// Name shown to the user.
    pub fn label(self) -> &'static str {
        match self {
            Self::Straight => "Straight",
            Self::Print => "Print",
        }
    }

    /// Inverse of [`Self::key`]; `None` for any other text.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|rendering| rendering.key() == key)
    }
}

/// Log10 of 18 % grey: the pivot of contrast. Source: arithmetic; 18 % as mid grey is common practice.
pub(crate) const MID_LOG: f64 = -0.744_727_494_896_694;
/// Centres of the shadow, middle and highlight bands in log10 exposure: 3.3 stops under, at, and 1.8 stops over mid
/// grey. Our choice: where a print is near black and near white.
pub const BAND_CENTRES_LOG: [f64; 3] = [MID_LOG - 1.0, MID_LOG, MID_LOG + 0.55];
/// Least slope of the tone curve under any band offsets. Our choice: tones merge, but never change order.
const LEAST_SLOPE: f64 = 0.05;

/// One layer's tone curve: offsets in log10 exposure at the three band centres, smoothly interpolated.
///
/// ```text
/// y(e) = e + offset(e)
/// offset: constant outside the outer centres, between centres cubics with zero slope at the centres
/// ```
/// Offsets are limited so that the curve rises everywhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneCurve {
    offsets_log: [f64; 3],
}

impl ToneCurve {
    /// From offsets at the shadow, middle and highlight centres.
    pub fn new(offsets_log: [f64; 3]) -> Self {
        let [mut shadow, middle, mut highlight] = offsets_log.map(|x| if x.is_finite() { x } else { 0.0 });
        // A smoothstep's steepest slope is 1.5 / width, so the drop between two centres must stay below width / 1.5.
        let drop =
            |a: usize, b: usize| (BAND_CENTRES_LOG[b] - BAND_CENTRES_LOG[a]) / 1.5 * (1.0 - LEAST_SLOPE);
        shadow = shadow.min(middle + drop(0, 1));
        highlight = highlight.max(middle - drop(1, 2));
        Self { offsets_log: [shadow, middle, highlight] }
    }

    /// Offsets at the three centres, after limiting.
    pub fn offsets_log(&self) -> [f64; 3] {
        self.offsets_log
    }

    pub fn offset_log(&self, log_exposure: f64) -> f64 {
        let [shadow, middle, highlight] = self.offsets_log;
        let [s, m, h] = BAND_CENTRES_LOG;
        let smooth = |a: f64, b: f64| {
            let t = ((log_exposure - a) / (b - a)).clamp(0.0, 1.0);
            t * t * (3.0 - 2.0 * t)
        };
        shadow + (middle - shadow) * smooth(s, m) + (highlight - middle) * smooth(m, h)
    }

    pub fn apply(&self, log_exposure: f64) -> f64 {
        log_exposure + self.offset_log(log_exposure)
    }
}

/// The three tone curves (red, green, blue) that a look's balance wheels represent.
pub fn band_curves(look: &Look) -> [ToneCurve; 3] {
    use Param::{HighlightTintCc, HighlightWarmthCc, MidTintCc, MidWarmthCc, ShadowTintCc, ShadowWarmthCc};
    let band = |warm: Param, tint: Param| log_from_balance_cc([look.get(warm), look.get(tint)]);
    let bands = [
        band(ShadowWarmthCc, ShadowTintCc),
        band(MidWarmthCc, MidTintCc),
        band(HighlightWarmthCc, HighlightTintCc),
    ];
    [0, 1, 2].map(|layer| ToneCurve::new(bands.map(|offsets| offsets[layer])))
}

/// The look whose wheels come closest to these curves; a lift common to all three curves is exposure, not balance, and
/// is dropped.
#[must_use]
pub fn look_from_band_curves(look: &Look, curves: &[ToneCurve; 3]) -> Look {
    use Param::{HighlightTintCc, HighlightWarmthCc, MidTintCc, MidWarmthCc, ShadowTintCc, ShadowWarmthCc};
    let mut out = look.clone();
    let params =
        [(ShadowWarmthCc, ShadowTintCc), (MidWarmthCc, MidTintCc), (HighlightWarmthCc, HighlightTintCc)];
    for (band, (warm, tint)) in params.into_iter().enumerate() {
        let cc = crate::solve::balance_cc_from_log([0, 1, 2].map(|layer| curves[layer].offsets_log[band]));
        out.set(warm, cc[0]);
        out.set(tint, cc[1]);
    }
    out
}

/// All operations on one layer's log10 exposure up to output light.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LayerTone {
    offset_log: f64,
    band: ToneCurve,
    white_shift_log: f64,
    contrast: f64,
    rendering: Rendering,
}

impl LayerTone {
    /// `white_shift_log`: shift of the white point in log exposure.
    pub(crate) fn new(
        offset_log: f64,
        band: ToneCurve,
        look: &Look,
        white_shift_log: f64,
        rendering: Rendering,
    ) -> Self {
        let exposure_log = DensityD::from(look.exposure()).d();
        Self {
            offset_log: offset_log + exposure_log,
            band,
            white_shift_log,
            contrast: look.get(Param::Contrast),
            rendering,
        }
    }

    /// Output light (1 = white) for a layer's log10 exposure.
    pub(crate) fn light(&self, log_exposure: f64) -> f64 {
        let e = self.band.apply(log_exposure + self.offset_log);
        let e = white_moved(e, self.white_shift_log);
        let e = MID_LOG + self.contrast * (e - MID_LOG);
        match self.rendering {
            Rendering::Straight => exp10(e.min(2.0)),
            Rendering::Print => print_light(e),
        }
    }
}

/// Move the white point: log exposure `shift` maps to 0, while mid grey and everything darker stays.
///
/// Above mid grey this is a rational curve, `y = x / (1 + k x)` with `x` counted from mid grey: slope 1 there, rising.
fn white_moved(e: f64, shift: f64) -> f64 {
    let x = e - MID_LOG;
    if x <= 0.0 || shift == 0.0 {
        return e;
    }
    // y(x1) = x0, with x0 the distance from mid grey to white and x1 that to the shifted white.
    let x0 = -MID_LOG;
    // White stays at least a quarter of the way from mid grey. Our choice.
    let x1 = (x0 + shift).max(0.25 * x0);
    let k = 1.0 / x0 - 1.0 / x1;
    // For k < 0 the curve has a pole at -1/k; a line continues it from part of the way to the pole. Our choice: from
    // white or 60 % of the way, whichever is further, and a slope of at most 40.
    if k < 0.0 {
        let pole = -1.0 / k;
        let join = pole * 0.6_f64.max(x1 / pole);
        if x > join {
            let y = join / (1.0 + k * join);
            let slope = 1.0 / ((1.0 + k * join) * (1.0 + k * join));
            return MID_LOG + y + slope.min(40.0) * (x - join);
        }
    }
    MID_LOG + x / (1.0 + k * x)
}

/// Slope of a print at mid grey, log light over log exposure: a negative of 0.6 on ordinary paper of 2.0 to 2.5 gives
/// 1.2 to 1.5. Source: published contrasts of negative and grade 2 papers.
const PRINT_SLOPE: f64 = 1.4;
/// Slope deep in the shadows. Ours: it keeps a step of the scene as large as in proportional rendering, where the S of
/// a paper would have merged it with black.
const TOE_SLOPE: f64 = 1.0;
/// Log exposure below mid grey over which the slope falls by a factor of e towards that of the toe. Ours: with 0.5 the
/// exposure range from 0.04 D to 2.07 D (90 % of a paper's black) is 2.13, between papers of grade 0 (2.27) and of
/// grade 2 (1.87) for a negative of 0.6.
const TOE_LENGTH_LOG: f64 = 0.5;

/// Reflectance of a print: an S in log exposure towards paper white, with an open toe.
///
/// ```text
/// x = e - mid                                             m = 0.18 at mid grey
/// x >= 0:  light = 1 / (1 + ((1 - m) / m) * 10^(-g x))    g = 1.4 / (1 - m)
/// x <  0:  log light = log m + x - 0.2 (1 - exp(x / 0.5))
/// ```
/// Above mid grey this is a logistic in log light whose slope at mid grey is 1.4. Below, the slope is
/// `1 + 0.4 exp(x / 0.5)`: 1.4 at mid grey, where both meet, and 1.05 one density below it.
fn print_light(e: f64) -> f64 {
    const MID_LIGHT: f64 = 0.18;
    let x = e - MID_LOG;
    if x < 0.0 {
        let bend = (PRINT_SLOPE - TOE_SLOPE) * TOE_LENGTH_LOG * (1.0 - libm::exp(x / TOE_LENGTH_LOG));
        return MID_LIGHT * exp10((TOE_SLOPE * x - bend).max(-30.0));
    }
    let g = PRINT_SLOPE / (1.0 - MID_LIGHT);
    1.0 / (1.0 + ((1.0 - MID_LIGHT) / MID_LIGHT) * exp10((-g * x).min(30.0)))
}

/// Log10 of light, at least -8.
pub(crate) fn log_of_light(light: f64) -> f64 {
    if light > 1e-8 { log10(light) } else { -8.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Code of 8 bits under IEC 61966-2-1.
    fn code(light: f64) -> f64 {
        255.0 * if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
    }

    #[test]
    fn a_print_has_the_contrast_of_paper_and_an_open_toe() {
        let slope = |x: f64| {
            (print_light(MID_LOG + x + 1e-4).log10() - print_light(MID_LOG + x - 1e-4).log10()) / 2e-4
        };
        assert!((print_light(MID_LOG) - 0.18).abs() < 1e-12);
        assert!((slope(-0.001) - 1.4).abs() < 0.002 && (slope(0.001) - 1.4).abs() < 0.002);
        assert!((slope(-1.0) - 1.054).abs() < 0.001);
        // From 0.04 D below paper white to 2.07 D: between 1.87 and 2.27 log exposure.
        let reach = |light: f64| {
            (0..4000).map(|i| f64::from(i) / 1000.0 - 2.5).find(|x| print_light(MID_LOG + x) >= light)
        };
        let range = reach(10_f64.powf(-0.04)).expect("reached") - reach(10_f64.powf(-2.07)).expect("reached");
        assert!((1.87..2.27).contains(&range), "{range}");
    }

    #[test]
    fn the_darkest_steps_of_a_wedge_stay_apart() {
        // Steps of half a stop, from 5.5 to 7 stops below mid grey.
        let steps: Vec<f64> = [2.4, 2.55, 2.7, 2.85].map(|d: f64| code(print_light(-d))).to_vec();
        for pair in steps.windows(2) {
            assert!(pair[0] - pair[1] > 0.8, "{steps:?}");
        }
        // Not black yet 8.7 stops below mid grey.
        assert!(code(print_light(MID_LOG - 2.619)) > 0.5);
    }

    #[test]
    fn a_print_rises_everywhere() {
        let mut before = 0.0;
        for step in -6000..3000 {
            let light = print_light(f64::from(step) / 1000.0);
            assert!(light > before, "{step}");
            before = light;
        }
    }
}
