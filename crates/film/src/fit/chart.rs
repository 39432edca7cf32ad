//! A stock from a frame that shows the 24-patch chart.

use super::levenberg::least_squares;
use crate::colour::{Lab, OutputSpace, delta_e_2000, lab_from_xyz_d50};
use crate::maths::{exp10, log10};
use crate::matrix::{Matrix3, apply, multiply};
use crate::{FilmKind, LayerCurve, Stock, ToeShoulder};

/// Number of patches on the chart. Source: ISO 17321-1 (24 patches, the last row neutral).
const PATCHES: usize = 24;
/// The neutral patches from white to dark grey; excludes black, whose density depends on flare.
const NEUTRALS: std::ops::Range<usize> = 18..23;

/// One patch of a fit.
#[derive(Debug, Clone, PartialEq)]
pub struct PatchFit {
    pub reference: Lab,
    /// Colour with the starting stock, with one exposure factor for the chart.
    pub before: Lab,
    pub after: Lab,
    pub delta_e_before: f64,
    pub delta_e_after: f64,
}

/// Quality of a fitted stock.
#[derive(Debug, Clone, PartialEq)]
pub struct FitReport {
    /// The patches in chart order.
    pub patches: Vec<PatchFit>,
    pub mean_before: f64,
    pub mean_after: f64,
    pub worst_after: f64,
    /// Problems found, as messages for the user.
    pub notes: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum FitError {
    /// The number of readings and references is not the chart's (24), or too small for a wedge.
    #[error("{found} readings and {references} references were given, {needed} are needed")]
    WrongCount {
        found: usize,
        references: usize,
        /// Number needed of each.
        needed: usize,
    },
    /// A reading is not a number or not a density of film.
    #[error("reading {index} is no density of film: {density_d:?}")]
    NotADensity {
        /// Position in the list of readings.
        index: usize,
        density_d: [f64; 3],
    },
    /// The grey patches do not get darker from white to black: the corners are on the wrong part of the picture, or the
    /// chart is turned.
    #[error("the grey row does not run from light to dark: check the corners and the turn of the chart")]
    NotAChart,
    /// The fit left the range of plausible film.
    #[error("the fit ended outside what film can be ({field}); is this the right film kind?")]
    Implausible {
        /// The implausible part of the stock.
        field: &'static str,
    },
    /// A chart can only determine the unmixing of colour negatives.
    #[error("a chart can be fitted for colour negatives, not for {0}")]
    WrongKind(&'static str),
}

/// The unpacked unknowns of a fit: a candidate stock with the feet (exposure and neutral) of its layers.
#[derive(Clone)]
struct Model {
    unmix: Matrix3,
    working: Matrix3,
    curves: [ToeShoulder; 3],
}

/// Unknowns: 6 unmixing, 3 log gammas, 3 feet, 3 toe widths (log ratio), 6 working matrix.
const UNKNOWNS: usize = 21;

/// Spread of each unknown around the generic stock (one standard deviation).
///
/// Source: ours; the spread of unmixing, gammas, toes and matrices over simulated films.
const SPREAD: [f64; UNKNOWNS] = [
    0.15, 0.08, 0.12, 0.08, 0.10, 0.12, // unmixing
    0.15, 0.15, 0.15, // log gammas
    1.0, 1.0, 1.0, // feet: exposure is free
    0.15, 0.15, 0.15, // toes
    0.25, 0.08, 0.10, 0.06, 0.05, 0.06, // working matrix
];
/// Cost of one standard deviation of the prior, in Lab units. Our choice: higher keeps the generic stock, lower bends
/// the stock to noise.
const PRIOR_WEIGHT: f64 = 0.5;

fn off_diagonal(mut m: Matrix3, values: &[f64], unit_sums: bool) -> Matrix3 {
    let mut next = values.iter();
    for (row, cells) in m.iter_mut().enumerate() {
        let mut sum = 0.0;
        for (column, cell) in cells.iter_mut().enumerate() {
            if row != column {
                *cell += next.next().copied().unwrap_or(0.0);
                sum += *cell;
            }
        }
        if unit_sums {
            cells[row] = 1.0 - sum;
        }
    }
    m
}

fn toe_shoulder(curve: &LayerCurve) -> ToeShoulder {
    match *curve {
        LayerCurve::Curve(curve) => curve,
        LayerCurve::Gamma(gamma) => ToeShoulder {
            gamma,
            foot_log: -1.93,
            toe_width_log: 0.13,
            shoulder_d: None,
            shoulder_width_d: 0.0,
        },
    }
}

impl Model {
    fn new(start: &Stock, x: &[f64]) -> Self {
        let mut curves = [0, 1, 2].map(|c| toe_shoulder(&start.curves[c]));
        for (c, curve) in curves.iter_mut().enumerate() {
            curve.gamma *= libm::exp(x[6 + c].clamp(-1.5, 1.5));
            curve.foot_log += x[9 + c].clamp(-3.0, 3.0);
            curve.toe_width_log *= libm::exp(x[12 + c].clamp(-2.0, 2.0));
        }
        Self {
            unmix: off_diagonal(start.unmix, &x[..6], false),
            working: off_diagonal(start.working_matrix, &x[15..21], true),
            curves,
        }
    }

    fn light(&self, density_d: [f64; 3]) -> [f64; 3] {
        let layers = apply(&self.unmix, density_d);
        let light =
            [0, 1, 2].map(|c| exp10(LayerCurve::Curve(self.curves[c]).log_exposure(layers[c].max(2e-3))));
        apply(&self.working, light)
    }
}

/// Differences of two colours, weighted as in CIEDE2000: lightness, chroma, hue.
fn weighted_difference(lab: Lab, reference: Lab) -> [f64; 3] {
    let (chroma, wanted) = (lab.chroma(), reference.chroma());
    let d_c = chroma - wanted;
    let along = if wanted > 1e-6 { (reference.a / wanted, reference.b / wanted) } else { (1.0, 0.0) };
    let across = (lab.b - reference.b) * along.0 - (lab.a - reference.a) * along.1;
    let l50 = (reference.l - 50.0) * (reference.l - 50.0);
    // Weights of lightness, chroma and hue. Source: CIEDE2000 (see `colour/difference.rs`), without its rotation.
    let s_l = 1.0 + 0.015 * l50 / libm::sqrt(20.0 + l50);
    if wanted < 3.0 {
        // A grey has no hue: both axes count fully, and `a` more, as CIEDE2000 stretches it near grey (by up to 1.5).
        // Our choice: 1.3, and chroma 3 as the end of grey.
        return [(lab.l - reference.l) / s_l, 1.3 * (lab.a - reference.a), lab.b - reference.b];
    }
    [(lab.l - reference.l) / s_l, d_c / (1.0 + 0.045 * wanted), across / (1.0 + 0.015 * wanted)]
}

/// Fit curves, unmixing and working matrix to a chart, drawn to `start` where the chart does not determine them.
///
/// `patches` are densities above base of the 24 patches in chart order (row by row from dark skin), `reference` their
/// Lab (D50). Exposure and neutral of the frame are free. The result keeps `start`'s typical base; its name and notes
/// say what it was measured on.
///
/// Twenty-one unknowns on seventy-two readings: each unknown carries a prior (`SPREAD`) so that noise in a few patches
/// does not bend the whole stock.
pub fn fit_stock_from_chart(
    patches: &[[f64; 3]],
    reference: &[Lab],
    start: &Stock,
) -> Result<(Stock, FitReport), FitError> {
    if start.kind != FilmKind::ColourNegative {
        return Err(FitError::WrongKind(start.kind.label()));
    }
    if patches.len() != PATCHES || reference.len() != PATCHES {
        return Err(FitError::WrongCount {
            found: patches.len(),
            references: reference.len(),
            needed: PATCHES,
        });
    }
    for (index, density_d) in patches.iter().enumerate() {
        // A little clearer than the base is noise or lamp; 6 D is beyond any scan. Our choice.
        if !density_d.iter().all(|d| (-0.3..6.0).contains(d)) {
            return Err(FitError::NotADensity { index, density_d: *density_d });
        }
    }
    let greys = &patches[NEUTRALS];
    // Neutral patches differ by 0.18 D and more (nominal densities), 0.1 D on a negative. Our choice: a tenth of that.
    if !greys.windows(2).all(|pair| pair[0][1] > pair[1][1] + 0.01) {
        return Err(FitError::NotAChart);
    }
    let to_xyz = OutputSpace::Srgb.to_xyz_d50();
    let lab_of = |rgb: [f64; 3]| lab_from_xyz_d50(apply(&to_xyz, rgb.map(|x| x.max(-0.02))));
    let first = balanced_start(patches, reference, start);
    let residuals = |x: &[f64]| {
        let model = Model::new(start, x);
        let mut out = Vec::with_capacity(PATCHES * 3 + UNKNOWNS);
        for (patch, wanted) in patches.iter().zip(reference) {
            out.extend(weighted_difference(lab_of(model.light(*patch)), *wanted));
        }
        out.extend(x.iter().zip(SPREAD).map(|(x, spread)| PRIOR_WEIGHT * x / spread));
        out
    };
    let fitted = least_squares(&first, 60, residuals);
    let (before, after) = (Model::new(start, &first), Model::new(start, &fitted));
    let report = report_of(patches, reference, &|d| lab_of(before.light(d)), &|d| lab_of(after.light(d)));
    let stock = stock_of(start, &after)?;
    Ok((stock, report))
}

/// Feet that bring the grey row to its lightness and to the grey axis; all else as in `start`.
fn balanced_start(patches: &[[f64; 3]], reference: &[Lab], start: &Stock) -> Vec<f64> {
    let mut x = vec![0.0; UNKNOWNS];
    let model = Model::new(start, &x);
    for c in 0..3 {
        let mut sum = 0.0;
        for idx in NEUTRALS {
            let layers = apply(&model.unmix, patches[idx]);
            let log = LayerCurve::Curve(model.curves[c]).log_exposure(layers[c].max(2e-3));
            let luminance = crate::colour::xyz_d50_from_lab(reference[idx])[1];
            sum += log10(luminance.max(1e-4)) - log;
        }
        x[9 + c] = sum / NEUTRALS.len() as f64;
    }
    x
}

fn report_of(
    patches: &[[f64; 3]],
    reference: &[Lab],
    before: &dyn Fn([f64; 3]) -> Lab,
    after: &dyn Fn([f64; 3]) -> Lab,
) -> FitReport {
    let patches: Vec<PatchFit> = patches
        .iter()
        .zip(reference)
        .map(|(density_d, reference)| {
            let (before, after) = (before(*density_d), after(*density_d));
            PatchFit {
                reference: *reference,
                before,
                after,
                delta_e_before: delta_e_2000(before, *reference),
                delta_e_after: delta_e_2000(after, *reference),
            }
        })
        .collect();
    let mean = |of: fn(&PatchFit) -> f64| patches.iter().map(of).sum::<f64>() / patches.len() as f64;
    let mean_after = mean(|p| p.delta_e_after);
    let worst_after = patches.iter().map(|p| p.delta_e_after).fold(0.0, f64::max);
    let mut notes = Vec::new();
    if mean_after > 4.0 {
        notes
            .push("the chart fits badly: check the corners, the light on the chart and its reference".into());
    }
    FitReport { mean_before: mean(|p| p.delta_e_before), mean_after, worst_after, patches, notes }
}

/// The stock of a fitted model; all feet shift equally to restore their mean, because the exposure of the chart frame
/// is not a property of the film.
fn stock_of(start: &Stock, model: &Model) -> Result<Stock, FitError> {
    let mut curves = model.curves;
    let mean = |curves: &[ToeShoulder; 3]| curves.iter().map(|c| c.foot_log).sum::<f64>() / 3.0;
    let shift = mean(&[0, 1, 2].map(|c| toe_shoulder(&start.curves[c]))) - mean(&curves);
    for curve in &mut curves {
        curve.foot_log += shift;
    }
    let stock = Stock {
        id: "measured".into(),
        name: "Measured stock".into(),
        curves: curves.map(LayerCurve::Curve),
        unmix: model.unmix,
        working_matrix: model.working,
        notes: format!("Fitted to a 24-patch chart, starting from {}.", start.name),
        measured_on: "a 24-patch chart".into(),
        ..start.clone()
    };
    let whole = multiply(&stock.working_matrix, &stock.unmix);
    if stock.check().is_err() || !crate::matrix::is_finite(&whole) {
        return Err(FitError::Implausible { field: "curves or matrices" });
    }
    Ok(stock)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{CHART_LAB_D50, ChartEdition, default_stock};

    /// Densities of the chart on a film that differs from the generic stock.
    fn chart_on(film: &Stock, exposure_log: f64) -> Vec<[f64; 3]> {
        let back = crate::matrix::invert(&film.unmix).expect("unmixing inverts");
        let exposures = crate::matrix::invert(&film.working_matrix).expect("working matrix inverts");
        CHART_LAB_D50
            .iter()
            .map(|lab| {
                let light = apply(&exposures, crate::colour::working_from_lab(*lab)).map(|x| x.max(1e-4));
                let layers = [0, 1, 2].map(|c| film.curves[c].density_d(log10(light[c]) + exposure_log));
                apply(&back, layers)
            })
            .collect()
    }

    fn other_film() -> Stock {
        let generic = default_stock(FilmKind::ColourNegative);
        let mut film = generic.clone();
        film.unmix = [[1.0, 0.2, -0.05], [-0.04, 1.0, -0.2], [0.1, -0.15, 1.0]];
        film.working_matrix = [[1.7, -0.6, -0.1], [-0.1, 1.13, -0.03], [-0.03, -0.09, 1.12]];
        for (curve, (gain, foot)) in film.curves.iter_mut().zip([(1.1, 0.05), (0.95, 0.0), (0.9, -0.07)]) {
            let LayerCurve::Curve(curve) = curve else { continue };
            curve.gamma *= gain;
            curve.foot_log += foot;
        }
        film
    }

    #[test]
    fn a_chart_on_another_film_is_fitted_well() {
        let film = other_film();
        for exposure_log in [-0.2, 0.0, 0.3] {
            let patches = chart_on(&film, exposure_log);
            let start = default_stock(FilmKind::ColourNegative);
            let (stock, report) = fit_stock_from_chart(&patches, &CHART_LAB_D50, start).expect("fits");
            assert!(report.mean_before > 2.0, "{}", report.mean_before);
            assert!(report.mean_after < 1.0, "{} {}", report.mean_after, report.worst_after);
            assert_eq!(Stock::from_json(&stock.to_json()).expect("own file"), stock);
        }
    }

    #[test]
    fn a_chart_fits_best_with_the_reference_of_its_own_printing() {
        let start = default_stock(FilmKind::ColourNegative);
        let patches = chart_on(&other_film(), 0.0);
        let after = |edition: ChartEdition| {
            fit_stock_from_chart(&patches, edition.lab_d50(), start).expect("fits").1.mean_after
        };
        let (own, other) = (after(ChartEdition::Since2014), after(ChartEdition::Iso17321));
        assert!(own + 0.3 < other, "{own} {other}");
    }

    #[test]
    fn a_turned_chart_and_wrong_counts_are_refused() {
        let start = default_stock(FilmKind::ColourNegative);
        let mut patches = chart_on(&other_film(), 0.0);
        let short = fit_stock_from_chart(&patches[..23], &CHART_LAB_D50, start);
        assert!(matches!(short, Err(FitError::WrongCount { found: 23, .. })));
        patches.reverse();
        assert_eq!(fit_stock_from_chart(&patches, &CHART_LAB_D50, start), Err(FitError::NotAChart));
        patches[3][1] = f64::NAN;
        let bad = fit_stock_from_chart(&patches, &CHART_LAB_D50, start);
        assert!(matches!(bad, Err(FitError::NotADensity { index: 3, .. })));
        let silver = default_stock(FilmKind::BlackAndWhite);
        assert!(matches!(
            fit_stock_from_chart(&patches, &CHART_LAB_D50, silver),
            Err(FitError::WrongKind(_))
        ));
    }
}
