//! The generic stocks that come with the program, with invented names and the sources of their numbers.
//!
//! The numbers of the colour negatives come from a simulation, `derive/generic_stock.py` in this crate: films whose
//! dyes (Gaussian shapes about 652, 545 and 448 nm), sensitivities, gammas, masks and scanner bands vary around
//! documented shapes photograph the 24 patches of ISO 17321-1 under CIE D55. Unmixing and working matrix minimise the
//! colour error over all of them at once. They describe no single film; a measured stock is better.

use super::{LayerCurve, Stock, ToeShoulder};
use crate::FilmKind;
use crate::matrix::{IDENTITY, Matrix3};
use std::sync::OnceLock;

/// Dye unmixing of a masked colour negative: the side absorptions of the dyes that the mask leaves, as broad scanner
/// bands see them. Weighted Lab error over simulated films 5.3 without, 2.9 with it. Source: ours, see the module.
const MASKED_UNMIX: Matrix3 = [[1.0, 0.189, -0.069], [0.0, 1.0, -0.147], [0.018, -0.141, 1.0]];
/// Layer exposures to working RGB for the sensitivities of masked films. Source: as above.
const MASKED_WORKING: Matrix3 = [[1.700, -0.625, -0.075], [-0.131, 1.180, -0.049], [-0.034, -0.078, 1.112]];
/// The same without a mask: the magenta dye then shows fully in blue; 5.7 without, 3.0 with it. Source: as above.
const UNMASKED_UNMIX: Matrix3 = [[1.0, 0.178, -0.074], [-0.082, 1.0, -0.181], [-0.027, -0.284, 1.0]];
/// Layer exposures to working RGB for unmasked films. Source: as above.
const UNMASKED_WORKING: Matrix3 = [[1.698, -0.618, -0.080], [-0.106, 1.153, -0.047], [-0.033, -0.071, 1.104]];
/// Linear scanner RGB of a slide to working RGB, for scans without a profile: dyes as above under CIE D50 for the CIE
/// 1931 observer, over three kinds of scanner bands. Source: `derive/generic_slide.py` (weighted Lab error 1.83
/// without, 1.58 with it).
const SLIDE_WORKING: Matrix3 = [[1.177, -0.045, -0.132], [0.009, 1.011, -0.020], [-0.031, -0.071, 1.102]];

fn curve(gamma: f64, toe_width_log: f64, shoulder_d: f64) -> LayerCurve {
    LayerCurve::Curve(ToeShoulder {
        gamma,
        // Foot and shoulder roundness hardly differ between the simulated layers and films.
        foot_log: -1.945,
        toe_width_log,
        shoulder_d: Some(shoulder_d),
        shoulder_width_d: 0.43,
    })
}

fn masked() -> Stock {
    Stock {
        id: "generic-masked".into(),
        name: "Generic masked negative".into(),
        kind: FilmKind::ColourNegative,
        // Unmixing adds toes with slightly different feet, so red and blue bend more softly in log exposure than green;
        // these widths keep the darkest greys of simulated wedges grey.
        // Gammas after unmixing for films whose layers have 0.64: the usual contrast of camera negatives is 0.60 to
        // 0.67.
        curves: [curve(0.693, 0.160, 2.66), curve(0.568, 0.143, 2.24), curve(0.535, 0.155, 2.24)],
        unmix: MASKED_UNMIX,
        working_matrix: MASKED_WORKING,
        // Status M base of masked films: 0.20-0.35, 0.55-0.70, 0.75-0.95 (from memory; middle of each).
        typical_base_d: [0.27, 0.63, 0.85],
        notes: "Simulated average of masked colour negatives for daylight; not one particular film.".into(),
        measured_on: String::new(),
    }
}

fn unmasked() -> Stock {
    Stock {
        id: "generic-unmasked".into(),
        name: "Generic unmasked negative".into(),
        kind: FilmKind::ColourNegative,
        curves: [curve(0.703, 0.156, 2.72), curve(0.542, 0.142, 2.56), curve(0.531, 0.155, 2.02)],
        unmix: UNMASKED_UNMIX,
        working_matrix: UNMASKED_WORKING,
        // A grey support and a little fog (from memory).
        typical_base_d: [0.15, 0.17, 0.20],
        notes: "Simulated average of colour negatives without an orange mask.".into(),
        measured_on: String::new(),
    }
}

fn silver() -> Stock {
    Stock {
        id: "generic-silver".into(),
        name: "Generic silver negative".into(),
        kind: FilmKind::BlackAndWhite,
        // Mean gradient 0.64 of a published curve at one developing time; 0.56-0.62 is a pictorial aim for diffuse
        // light.
        curves: [curve(0.62, 0.137, 2.6); 3],
        unmix: IDENTITY,
        working_matrix: IDENTITY,
        // Base plus fog of a published 35 mm curve is 0.33, of roll film 0.06-0.20 (from memory).
        typical_base_d: [0.28; 3],
        notes: "Silver image developed for diffuse light; a condenser or collimated lamp sees more contrast."
            .into(),
        measured_on: String::new(),
    }
}

fn chromogenic() -> Stock {
    Stock {
        id: "generic-chromogenic".into(),
        name: "Generic chromogenic black-and-white".into(),
        kind: FilmKind::BlackAndWhite,
        // Processed as a colour negative, with its usual contrast and a long shoulder (from memory).
        curves: [curve(0.58, 0.15, 2.4); 3],
        unmix: IDENTITY,
        working_matrix: IDENTITY,
        typical_base_d: [0.22, 0.40, 0.50],
        notes: "Dye image: dust can be seen in infrared, unlike on silver film.".into(),
        measured_on: String::new(),
    }
}

fn slide() -> Stock {
    Stock {
        id: "generic-slide".into(),
        name: "Generic slide".into(),
        kind: FilmKind::Slide,
        // A slide is shown as it is, since its curve is part of the picture.
        curves: [LayerCurve::Gamma(1.0); 3],
        unmix: IDENTITY,
        working_matrix: SLIDE_WORKING,
        typical_base_d: [0.0; 3],
        notes: "Shown as on a light table; the matrix serves scans that carry no colour profile.".into(),
        measured_on: String::new(),
    }
}

/// Every stock that comes with the program; the first of each kind is its default.
pub fn shipped_stocks() -> &'static [Stock] {
    static STOCKS: OnceLock<[Stock; 5]> = OnceLock::new();
    STOCKS.get_or_init(|| [masked(), unmasked(), silver(), chromogenic(), slide()])
}

/// The default stock of a new strip of this kind.
pub fn default_stock(kind: FilmKind) -> &'static Stock {
    let stocks = shipped_stocks();
    stocks.iter().find(|stock| stock.kind == kind).unwrap_or(&stocks[0])
}
