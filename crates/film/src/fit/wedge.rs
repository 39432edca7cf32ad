//! Layer curves from a neutral step wedge of known steps.

use super::chart::FitError;
use super::levenberg::least_squares;
use crate::matrix::apply;
use crate::{FilmKind, LayerCurve, Stock, ToeShoulder};

/// Fewest steps that determine gamma, foot and toe: two more than unknowns. Our choice.
const FEWEST_STEPS: usize = 5;

/// Quality of a fitted wedge.
#[derive(Debug, Clone, PartialEq)]
pub struct WedgeReport {
    /// Root mean square error of log10 exposure with the starting stock (its foot free), per layer.
    pub rms_log_before: [f64; 3],
    /// The same with the fitted curves.
    pub rms_log_after: [f64; 3],
}

/// Fit gamma, foot, toe and shoulder of each layer to a neutral wedge.
///
/// `densities_d` are densities above base of the steps, `log_exposures` their log10 exposures relative to white (minus
/// the density of each step of a printed wedge). The result keeps unmixing and working matrix of `start`.
pub fn fit_stock_from_wedge(
    densities_d: &[[f64; 3]],
    log_exposures: &[f64],
    start: &Stock,
) -> Result<(Stock, WedgeReport), FitError> {
    if densities_d.len() != log_exposures.len() || densities_d.len() < FEWEST_STEPS {
        return Err(FitError::WrongCount {
            found: densities_d.len(),
            references: log_exposures.len(),
            needed: FEWEST_STEPS,
        });
    }
    if start.kind == FilmKind::Slide {
        return Err(FitError::WrongKind(start.kind.label()));
    }
    for (index, (density_d, log)) in densities_d.iter().zip(log_exposures).enumerate() {
        if !density_d.iter().all(|d| (-0.3..6.0).contains(d)) || !log.is_finite() {
            return Err(FitError::NotADensity { index, density_d: *density_d });
        }
    }
    let layers: Vec<[f64; 3]> = densities_d.iter().map(|d| apply(&start.unmix, *d)).collect();
    let mut report = WedgeReport { rms_log_before: [0.0; 3], rms_log_after: [0.0; 3] };
    let mut curves = start.curves;
    for c in 0..3 {
        let steps: Vec<(f64, f64)> =
            layers.iter().zip(log_exposures).map(|(layer, log)| (*log, layer[c])).collect();
        let first = fit_layer(&steps, &start.curves[c], false);
        let fitted = fit_layer(&steps, &start.curves[c], true);
        report.rms_log_before[c] = rms_log(&steps, &first);
        report.rms_log_after[c] = rms_log(&steps, &fitted);
        curves[c] = LayerCurve::Curve(fitted);
    }
    let stock = Stock {
        id: "measured".into(),
        name: "Measured stock".into(),
        curves,
        notes: format!("Layer curves fitted to a neutral wedge; the rest from {}.", start.name),
        measured_on: "a neutral step wedge".into(),
        ..start.clone()
    };
    match stock.check() {
        Ok(()) => Ok((stock, report)),
        Err(_) => Err(FitError::Implausible { field: "curves" }),
    }
}

/// Fit one layer; unless `free`, only its foot moves.
fn fit_layer(steps: &[(f64, f64)], start: &LayerCurve, free: bool) -> ToeShoulder {
    let begin = match *start {
        LayerCurve::Curve(curve) => curve,
        LayerCurve::Gamma(gamma) => ToeShoulder {
            gamma,
            foot_log: -1.93,
            toe_width_log: 0.13,
            shoulder_d: None,
            shoulder_width_d: 0.0,
        },
    };
    let curve_of = |x: &[f64]| ToeShoulder {
        foot_log: begin.foot_log + x[0].clamp(-4.0, 4.0),
        gamma: begin.gamma * libm::exp(x.get(1).copied().unwrap_or(0.0).clamp(-1.5, 1.5)),
        toe_width_log: begin.toe_width_log * libm::exp(x.get(2).copied().unwrap_or(0.0).clamp(-2.0, 2.0)),
        shoulder_d: begin
            .shoulder_d
            .map(|d| d * libm::exp(x.get(3).copied().unwrap_or(0.0).clamp(-1.0, 1.0))),
        ..begin
    };
    // One code of a 16-bit scan is about 0.002 D at 2.5 D; errors are taken as 0.003 D. The priors are wide (a factor
    // of e) and only hold what a wedge does not show. Our choice.
    let residuals = |x: &[f64]| {
        let curve = LayerCurve::Curve(curve_of(x));
        let mut out: Vec<f64> = steps.iter().map(|(log, d)| (curve.density_d(*log) - d) / 0.003).collect();
        let priors = [4.0, 1.0, 1.0, 1.0];
        out.extend(x.iter().zip(priors).map(|(x, spread)| x / spread));
        out
    };
    curve_of(&least_squares(&vec![0.0; if free { 4 } else { 1 }], 80, residuals))
}

fn rms_log(steps: &[(f64, f64)], curve: &ToeShoulder) -> f64 {
    let curve = LayerCurve::Curve(*curve);
    // Steps in the deepest toe carry no information about exposure. Our choice of limit.
    let errors: Vec<f64> =
        steps.iter().filter(|(_, d)| *d > 0.03).map(|(log, d)| curve.log_exposure(*d) - log).collect();
    if errors.is_empty() {
        return 0.0;
    }
    libm::sqrt(errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::default_stock;

    #[test]
    fn published_curves_of_a_masked_film_are_fitted_and_inverted() {
        // Density against log exposure, red, green, blue, of a published masked duplicating film (third-hand digitised
        // data sheet; used as a realistic curve, not as a claim about a product).
        let log_h = [-1.2, -1.0, -0.5, 0.0, 0.5, 1.0, 1.5, 2.0, 2.5];
        let red = [0.063, 0.071, 0.185, 0.403, 0.637, 0.830, 1.100, 1.385, 1.634];
        let green = [0.483, 0.487, 0.590, 0.844, 1.127, 1.362, 1.642, 1.914, 2.118];
        let blue = [0.805, 0.814, 0.902, 1.171, 1.493, 1.797, 2.069, 2.345, 2.495];
        let steps: Vec<[f64; 3]> =
            (0..9).map(|i| [red[i] - 0.063, green[i] - 0.482, blue[i] - 0.803]).collect();
        let mut start = default_stock(FilmKind::ColourNegative).clone();
        start.unmix = crate::matrix::IDENTITY;
        let (stock, report) = fit_stock_from_wedge(&steps, &log_h, &start).expect("a wedge");
        for c in 0..3 {
            assert!(report.rms_log_after[c] < 0.06, "{report:?}");
            for (step, log) in steps.iter().zip(log_h) {
                assert!(
                    (stock.curves[c].density_d(log) - step[c]).abs() < 0.05,
                    "{c} {log} {} {}",
                    stock.curves[c].density_d(log),
                    step[c]
                );
            }
        }
        // Mean slopes from log H 0 to 1.5 as published with the curves; the digitised points scatter by 0.03.
        for (curve, slope) in stock.curves.iter().zip([0.465, 0.532, 0.598]) {
            let fitted = (curve.density_d(1.5) - curve.density_d(0.0)) / 1.5;
            assert!((fitted - slope).abs() < 0.035, "{fitted} {slope}");
        }
    }

    #[test]
    fn a_published_silver_curve_is_fitted() {
        let log_h = [-3.4, -3.0, -2.5, -2.0, -1.5, -1.0, -0.5, 0.0, 0.3];
        let d = [0.332, 0.375, 0.559, 0.852, 1.172, 1.504, 1.825, 2.109, 2.261];
        let steps: Vec<[f64; 3]> = d.iter().map(|d| [d - 0.328; 3]).collect();
        let start = default_stock(FilmKind::BlackAndWhite);
        let (stock, report) = fit_stock_from_wedge(&steps, &log_h, start).expect("a wedge");
        assert!(report.rms_log_after[1] < 0.05, "{report:?}");
        // Mean gradient 0.640 between log H -2.29 and -0.48, as published with the curve.
        let gradient = (stock.curves[1].density_d(-0.48) - stock.curves[1].density_d(-2.29)) / 1.81;
        assert!((gradient - 0.640).abs() < 0.03, "{gradient}");
    }

    #[test]
    fn published_curves_of_a_reversal_film_are_fitted_turned_round() {
        // Three layers of a published slide film (third-hand digitised data sheet). A slide gets denser with less
        // light, so the fit uses minus log exposure; its curve is an S of slope about 2.2.
        let log_h = [-2.0, -1.5, -1.0, -0.5, 0.0, 0.5];
        let layers = [
            [3.30, 2.79, 1.59, 0.80, 0.30, 0.14],
            [3.63, 2.73, 1.51, 0.74, 0.27, 0.16],
            [3.54, 2.66, 1.49, 0.74, 0.27, 0.16],
        ];
        let least = [0.134, 0.154, 0.155];
        let steps: Vec<[f64; 3]> = (0..6).map(|i| [0, 1, 2].map(|c| layers[c][i] - least[c])).collect();
        let turned = log_h.map(|log| -log);
        let mut start = default_stock(FilmKind::BlackAndWhite).clone();
        start.curves = [LayerCurve::Curve(ToeShoulder {
            gamma: 2.2,
            foot_log: 0.2,
            toe_width_log: 0.2,
            shoulder_d: Some(3.4),
            shoulder_width_d: 0.3,
        }); 3];
        let (stock, report) = fit_stock_from_wedge(&steps, &turned, &start).expect("a wedge");
        assert!(report.rms_log_after.iter().all(|rms| *rms < 0.08), "{report:?}");
        for (c, curve) in stock.curves.iter().enumerate() {
            for (step, log) in steps.iter().zip(turned) {
                let density_d = curve.density_d(log);
                assert!((density_d - step[c]).abs() < 0.15, "{c} {log}: {density_d} {}", step[c]);
                assert!((curve.log_exposure(density_d) - log).abs() < 1e-6);
            }
            // Mid slope as published: 2.1 to 2.3; as a chord over one unit of the points above, about 2.0.
            let chord = curve.density_d(1.6) - curve.density_d(0.6);
            assert!((1.8..2.4).contains(&chord), "{c} {chord}");
        }
    }

    #[test]
    fn the_published_neutral_scale_of_an_open_density_encoding_is_fitted() {
        // Density above base and linear light of neutrals in the ADX encoding (SMPTE ST 2065-3 constants as published
        // in open colour transforms): straight line of gamma 0.55, mid grey at 0.70.
        let neutrals = [
            (0.2, 0.016_786),
            (0.4, 0.047_674),
            (0.5, 0.075_558),
            (0.6, 0.118_428),
            (0.7, 0.18),
            (0.8, 0.273_584),
            (1.18, 1.342_764),
            (1.856, 22.755_7),
        ];
        let steps: Vec<[f64; 3]> = neutrals.iter().map(|(d, _)| [*d; 3]).collect();
        let logs: Vec<f64> = neutrals.iter().map(|(_, light)| crate::maths::log10(*light)).collect();
        let mut start = default_stock(FilmKind::BlackAndWhite).clone();
        start.curves = [LayerCurve::Gamma(0.6); 3];
        let (stock, report) = fit_stock_from_wedge(&steps, &logs, &start).expect("a wedge");
        assert!(report.rms_log_after[1] < 0.02, "{report:?}");
        assert!((stock.curves[1].gamma() - 0.55).abs() < 0.012, "{}", stock.curves[1].gamma());
        assert!((stock.curves[1].density_d(crate::maths::log10(0.18)) - 0.70).abs() < 0.01);
    }
}
