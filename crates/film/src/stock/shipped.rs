//! The generic stocks that come with the program.

use super::{LayerCurve, Stock, ToeShoulder};
use crate::FilmKind;
use crate::matrix::{IDENTITY, Matrix3};
use std::sync::OnceLock;

/// Dye unmixing of a typical masked colour negative.
const GENERIC_UNMIX: Matrix3 = [[1.0, 0.317, -0.092], [0.028, 1.0, -0.134], [0.069, -0.084, 1.0]];
/// Layer exposures to working RGB for typical sensitivities.
const GENERIC_WORKING: Matrix3 = [[1.833, -0.739, -0.094], [-0.130, 1.171, -0.041], [-0.047, -0.061, 1.108]];

fn curve(gamma: f64, foot_log: f64, toe_width_log: f64, shoulder: Option<(f64, f64)>) -> LayerCurve {
    LayerCurve::Curve(ToeShoulder {
        gamma,
        foot_log,
        toe_width_log,
        shoulder_d: shoulder.map(|(d, _)| d),
        shoulder_width_d: shoulder.map_or(0.0, |(_, width)| width),
    })
}

fn build() -> Vec<Stock> {
    let stock =
        |id: &str, name: &str, kind, curves, unmix, working_matrix, typical_base_d, notes: &str| Stock {
            id: id.into(),
            name: name.into(),
            kind,
            curves,
            unmix,
            working_matrix,
            typical_base_d,
            notes: notes.into(),
            measured_on: String::new(),
        };
    vec![
        stock(
            "generic-masked",
            "Generic masked negative",
            FilmKind::ColourNegative,
            [
                curve(0.770, -1.93, 0.138, Some((3.02, 0.43))),
                curve(0.570, -1.93, 0.122, Some((2.45, 0.43))),
                curve(0.576, -1.93, 0.137, Some((2.19, 0.43))),
            ],
            GENERIC_UNMIX,
            GENERIC_WORKING,
            [0.27, 0.63, 0.85],
            "",
        ),
        stock(
            "generic-silver",
            "Generic silver negative",
            FilmKind::BlackAndWhite,
            [curve(0.62, -1.9, 0.14, None); 3],
            IDENTITY,
            IDENTITY,
            [0.28; 3],
            "",
        ),
        stock(
            "generic-slide",
            "Generic slide",
            FilmKind::Slide,
            [LayerCurve::Gamma(1.0); 3],
            IDENTITY,
            IDENTITY,
            [0.0; 3],
            "",
        ),
    ]
}

/// Every stock that comes with the program; the first of a kind is its default.
pub fn shipped_stocks() -> &'static [Stock] {
    static STOCKS: OnceLock<Vec<Stock>> = OnceLock::new();
    STOCKS.get_or_init(build)
}

/// The stock a new strip of this kind starts with.
pub fn default_stock(kind: FilmKind) -> &'static Stock {
    let stocks = shipped_stocks();
    stocks.iter().find(|stock| stock.kind == kind).unwrap_or(&stocks[0])
}
