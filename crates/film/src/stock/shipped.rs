//! The generic stocks that come with the program.

use super::{LayerCurve, Stock, ToeShoulder};
use crate::FilmKind;
use crate::matrix::{IDENTITY, Matrix3};
use std::sync::OnceLock;

/// Dye unmixing of a typical masked colour negative.
const GENERIC_UNMIX: Matrix3 = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
/// Layer exposures to working RGB for typical sensitivities.
const GENERIC_WORKING: Matrix3 = [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];

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
            [curve(0.6, -1.9, 0.14, None); 3],
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
