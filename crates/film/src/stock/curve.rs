//! Characteristic curves: density above base of one layer against log10 exposure, and back.

use crate::maths::{softplus, softplus_inverse};
use serde::{Deserialize, Serialize};

/// Toe, straight line and shoulder as nested smooth ramps.
///
/// ```text
/// u = gamma * w * ln(1 + exp((e - foot) / w))                               w = toe_width
/// D = u                                                                     without a shoulder
/// D = u - s * ln((1 + exp((u - k) / s)) / (1 + exp(-k / s)))                k = shoulder_d, s = shoulder_width_d
/// ```
/// | quantity | unit | domain |
/// |---|---|---|
/// | `e` | log10 exposure, 0 = white of a normally exposed frame | any |
/// | `D` | density above base | [0, about `shoulder_d`) |
///
/// Both ramps rise strictly, so `D(e)` is strictly monotone and smooth, with an inverse in closed form.
/// Source: ours; the shape follows the published curves it is fitted to in the tests.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ToeShoulder {
    /// Slope of the straight line: density per unit of log10 exposure.
    pub gamma: f64,
    /// Log10 exposure where the straight line would meet the base.
    pub foot_log: f64,
    /// Roundness of the toe in log10 exposure; 0 is a corner.
    pub toe_width_log: f64,
    /// Density above base where the shoulder levels off; `None` for a straight line without end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shoulder_d: Option<f64>,
    /// Roundness of the shoulder in density.
    #[serde(default)]
    pub shoulder_width_d: f64,
}

/// Characteristic curve of one layer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum LayerCurve {
    /// A straight line `D = gamma * (e - foot)`; the exposure solve sets the foot, so only ratios of exposure count.
    Gamma(f64),
    /// Toe, straight line, shoulder.
    Curve(ToeShoulder),
}

/// Log10 exposure for no light at all, the lower limit. Our choice: 24 stops below mid grey.
pub(crate) const DARK_LOG: f64 = -8.0;
/// Upper limit of log10 exposure, beyond which a layer cannot resolve more light. Our choice: 22 stops over mid grey.
pub(crate) const BRIGHT_LOG: f64 = 6.0;
/// Foot of a plain straight line: 3.8 stops below 18 % grey (0.7 D above base at 18 % grey, a common anchor, and a
/// gamma of 0.6).
pub(crate) const PLAIN_FOOT_LOG: f64 = -1.9;

impl LayerCurve {
    /// Density above base for a log10 exposure; at least 0.
    pub fn density_d(&self, log_exposure: f64) -> f64 {
        match *self {
            Self::Gamma(gamma) => (gamma * (log_exposure - PLAIN_FOOT_LOG)).max(0.0),
            Self::Curve(curve) => curve.density_d(log_exposure),
        }
    }

    /// Log10 exposure for a density above base, clamped to -8..=6.
    pub fn log_exposure(&self, density_d: f64) -> f64 {
        self.log_exposure_of(self.without_shoulder_d(density_d))
    }

    /// Density above base that a layer without a shoulder would have: `u` of [`ToeShoulder`].
    pub(crate) fn without_shoulder_d(&self, density_d: f64) -> f64 {
        match self {
            Self::Gamma(_) => density_d,
            Self::Curve(curve) => curve.without_shoulder_d(density_d),
        }
    }

    /// [`Self::log_exposure`] for a density of [`Self::without_shoulder_d`].
    pub(crate) fn log_exposure_of(&self, without_shoulder_d: f64) -> f64 {
        let log = match *self {
            Self::Gamma(gamma) => without_shoulder_d / gamma + PLAIN_FOOT_LOG,
            Self::Curve(curve) => curve.log_exposure_of(without_shoulder_d),
        };
        // This order of the comparison also replaces NaN, which `clamp` would pass on.
        if log > DARK_LOG { log.min(BRIGHT_LOG) } else { DARK_LOG }
    }

    /// The same curve with a wider or narrower toe; a plain gamma has none.
    #[must_use]
    pub fn with_toe_ratio(&self, ratio: f64) -> Self {
        match *self {
            Self::Curve(curve) if ratio.is_finite() => Self::Curve(ToeShoulder {
                toe_width_log: (curve.toe_width_log * ratio.clamp(0.3, 3.0)).min(2.0),
                ..curve
            }),
            other => other,
        }
    }

    /// Slope of the straight line.
    pub fn gamma(&self) -> f64 {
        match *self {
            Self::Gamma(gamma) => gamma,
            Self::Curve(curve) => curve.gamma,
        }
    }

    /// Whether every number is valid: positive slope, widths not negative, all finite. The limits are our choice, far
    /// beyond film, where the formulas still hold.
    pub fn is_sane(&self) -> bool {
        match *self {
            Self::Gamma(gamma) => (0.05..=10.0).contains(&gamma),
            Self::Curve(c) => {
                (0.05..=10.0).contains(&c.gamma)
                    && (-8.0..=4.0).contains(&c.foot_log)
                    && (0.0..=2.0).contains(&c.toe_width_log)
                    && (0.0..=2.0).contains(&c.shoulder_width_d)
                    && c.shoulder_d.is_none_or(|d| (0.2..=10.0).contains(&d))
            }
        }
    }
}

/// Narrowest toe or shoulder; a narrower one counts as a corner. Our choice: below what a code resolves.
const SHARPEST: f64 = 1e-4;

impl ToeShoulder {
    fn density_d(&self, e: f64) -> f64 {
        let w = self.toe_width_log.max(SHARPEST);
        let u = self.gamma * w * softplus((e - self.foot_log) / w);
        match self.shoulder_d {
            None => u,
            Some(k) => {
                let s = self.shoulder_width_d.max(SHARPEST);
                u - s * (softplus((u - k) / s) - softplus(-k / s))
            }
        }
    }

    fn without_shoulder_d(&self, density_d: f64) -> f64 {
        let Some(k) = self.shoulder_d else { return density_d };
        // exp(-u/s) = exp(-(D - c)/s) - exp(-k/s) with c = s ln(1 + exp(-k/s)).
        let s = self.shoulder_width_d.max(SHARPEST);
        let top = k - (density_d - s * softplus(-k / s));
        if top > 0.0 { k - s * softplus_inverse(top / s) } else { f64::INFINITY }
    }

    fn log_exposure_of(&self, without_shoulder_d: f64) -> f64 {
        let w = self.toe_width_log.max(SHARPEST);
        self.foot_log + w * softplus_inverse(without_shoulder_d / (self.gamma * w))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(crate::test_support::fixed_seed())]
        #[test]
        fn any_sane_curve_rises_and_inverts(
            gamma in 0.2..3.0_f64, foot in -4.0..0.0_f64, toe in 0.0..0.5_f64, top in 1.0..4.0_f64, round in 0.01..0.6_f64,
        ) {
            let curve = LayerCurve::Curve(ToeShoulder {
                gamma, foot_log: foot, toe_width_log: toe, shoulder_d: Some(top), shoulder_width_d: round,
            });
            prop_assert!(curve.is_sane());
            let mut last = -1.0;
            for step in -50..60 {
                let e = f64::from(step) / 10.0;
                let d = curve.density_d(e);
                prop_assert!(d >= last - 1e-9 && d.is_finite());
                last = d;
                if d > 1e-3 && d < top * 0.95 {
                    prop_assert!((curve.log_exposure(d) - e).abs() < 1e-6, "{d} {e} {}", curve.log_exposure(d));
                }
            }
            prop_assert!(curve.log_exposure(f64::NAN).is_finite());
            prop_assert!(curve.log_exposure(1e9).is_finite() && curve.log_exposure(-1e9).is_finite());
        }
    }
}
