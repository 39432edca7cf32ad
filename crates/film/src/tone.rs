//! Tone: everything that acts on one layer's log exposure, from balance per band to contrast and the print-like curve.

use crate::maths::{exp10, log10};
use crate::solve::log_from_balance_cc;
use crate::{Look, Param};
use glassine_raster::density_from_stops;

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
    /// Both renderings, in the order shown.
    pub const ALL: [Self; 2] = [Self::Straight, Self::Print];

    /// Name used in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Straight => "straight",
            Self::Print => "print",
        }
    }

    /// Name shown to the person.
    pub fn label(self) -> &'static str {
        match self {
            Self::Straight => "Straight",
            Self::Print => "Print",
        }
    }

    /// The rendering a file or command names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|rendering| rendering.key() == key)
    }
}

/// Log10 of 18 % grey: the pivot of contrast.
pub(crate) const MID_LOG: f64 = -0.744_727_494_896_694;
/// Centres of the shadow, middle and highlight bands in log10 exposure: four stops under, at, and 1.8 stops over mid grey.
pub const BAND_CENTRES_LOG: [f64; 3] = [MID_LOG - 1.0, MID_LOG, MID_LOG + 0.55];
/// Steepest change of a band offset that still leaves the tone curve rising.
const LEAST_SLOPE: f64 = 0.05;

/// One layer's tone curve: offsets in log10 exposure at the three band centres, joined smoothly.
///
/// ```text
/// y(e) = e + offset(e);  offset is constant outside the outer centres and joins them by cubics with zero slope at centres
/// ```
/// Offsets are held so that the curve rises everywhere.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneCurve {
    offsets_log: [f64; 3],
}

impl ToneCurve {
    /// From offsets at shadow, middle and highlight centres.
    pub fn new(offsets_log: [f64; 3]) -> Self {
        let [mut shadow, middle, mut highlight] = offsets_log.map(|x| if x.is_finite() { x } else { 0.0 });
        // A smoothstep's steepest slope is 1.5 / width, so the drop between two centres must stay under width / 1.5.
        let drop =
            |a: usize, b: usize| (BAND_CENTRES_LOG[b] - BAND_CENTRES_LOG[a]) / 1.5 * (1.0 - LEAST_SLOPE);
        shadow = shadow.min(middle + drop(0, 1));
        highlight = highlight.max(middle - drop(1, 2));
        Self { offsets_log: [shadow, middle, highlight] }
    }

    /// Offsets at the three centres, as held.
    pub fn offsets_log(&self) -> [f64; 3] {
        self.offsets_log
    }

    /// Offset at a log10 exposure.
    pub fn offset_log(&self, log_exposure: f64) -> f64 {
        let [shadow, middle, highlight] = self.offsets_log;
        let [s, m, h] = BAND_CENTRES_LOG;
        let smooth = |a: f64, b: f64| {
            let t = ((log_exposure - a) / (b - a)).clamp(0.0, 1.0);
            t * t * (3.0 - 2.0 * t)
        };
        shadow + (middle - shadow) * smooth(s, m) + (highlight - middle) * smooth(m, h)
    }

    /// Output log10 exposure.
    pub fn apply(&self, log_exposure: f64) -> f64 {
        log_exposure + self.offset_log(log_exposure)
    }
}

/// The three tone curves (red, green, blue) that the balance wheels of a look *are*.
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

/// The look whose wheels give these curves, as far as wheels can: what the curves lift together is exposure, not balance,
/// and is left out.
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

/// Everything that happens to one layer's log10 exposure on the way to output light.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LayerTone {
    offset_log: f64,
    band: ToneCurve,
    white_shift_log: f64,
    contrast: f64,
    rendering: Rendering,
}

impl LayerTone {
    /// `white_shift_log`: log exposure by which the white point was moved.
    pub(crate) fn new(
        offset_log: f64,
        band: ToneCurve,
        look: &Look,
        white_shift_log: f64,
        rendering: Rendering,
    ) -> Self {
        let exposure_log = density_from_stops(look.get(Param::ExposureStops));
        Self {
            offset_log: offset_log + exposure_log,
            band,
            white_shift_log,
            contrast: look.get(Param::Contrast),
            rendering,
        }
    }

    /// Output light (1 = white) of a layer's log10 exposure.
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

/// Move white: what was at log exposure `shift` comes to 0 while mid grey and everything darker stays.
///
/// A rational curve above mid grey, `y = x / (1 + k x)` with `x` counted from mid grey: slope 1 at mid grey, rising.
fn white_moved(e: f64, shift: f64) -> f64 {
    let x = e - MID_LOG;
    if x <= 0.0 || shift == 0.0 {
        return e;
    }
    // y(x1) = x0 with x0 the distance from mid grey to white and x1 the same moved.
    let x0 = -MID_LOG;
    let x1 = (x0 + shift).max(0.25 * x0);
    let k = 1.0 / x0 - 1.0 / x1;
    // For k < 0 the curve has a pole at -1/k; it is continued as a line from half way.
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

/// Reflectance of a print: an S in log exposure between paper black and paper white.
///
/// ```text
/// light = 1 / (1 + ((1 - m) / m) * 10^(-g (e - mid)))     m = 0.18 at mid grey
/// ```
/// A logistic in log light: slope of log light at mid grey is `g (1 - m)`; `g` gives the usual 1.4 of a print.
fn print_light(e: f64) -> f64 {
    let g = 1.4 / (1.0 - 0.18);
    1.0 / (1.0 + (0.82 / 0.18) * exp10((-g * (e - MID_LOG)).min(30.0)))
}

/// Log10 of light, with darkness held at -8.
pub(crate) fn log_of_light(light: f64) -> f64 {
    if light > 1e-8 { log10(light) } else { -8.0 }
}
