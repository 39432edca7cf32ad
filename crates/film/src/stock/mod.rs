//! Stocks: the properties of one film, stored in a small JSON file that the user owns.

mod curve;
mod shipped;

pub use curve::{LayerCurve, ToeShoulder};
pub use shipped::{default_stock, shipped_stocks};

use crate::FilmKind;
use crate::matrix::{self, Matrix3};
use serde::{Deserialize, Serialize};

const FORMAT: &str = "film-stock";
/// Newest file version that this program reads.
const VERSION: u32 = 1;

/// Properties of one film: curves, dye unmixing, and the conversion from layer exposures to colour.
///
/// The three layers are ordered red-, green- and blue-sensitive; a black-and-white film uses the middle one.
#[derive(Debug, Clone, PartialEq)]
pub struct Stock {
    /// Short identifier, unique in a session: letters, digits, dashes.
    pub id: String,
    /// Name shown to the user.
    pub name: String,
    pub kind: FilmKind,
    /// Characteristic curve of each layer.
    pub curves: [LayerCurve; 3],
    /// Channel densities above base to layer densities; see [`crate::Recipe::unmix_strength`].
    pub unmix: Matrix3,
    /// Layer exposures to linear working RGB; rows sum to 1, so a neutral stays neutral.
    pub working_matrix: Matrix3,
    /// Typical density of the clear film, Status M for colour: a fallback when no rebate can be measured.
    pub typical_base_d: [f64; 3],
    /// Sources of the numbers.
    pub notes: String,
    /// What and when it was measured on; empty for a generic stock.
    pub measured_on: String,
}

/// Layout of the stock file, separate from the value in memory.
#[derive(Serialize, Deserialize)]
struct StockFile {
    format: String,
    version: u32,
    id: String,
    name: String,
    kind: String,
    curves: [LayerCurve; 3],
    unmix: Matrix3,
    working_matrix: Matrix3,
    typical_base_d: [f64; 3],
    #[serde(default)]
    notes: String,
    #[serde(default)]
    measured_on: String,
}

#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StockError {
    /// Not JSON, or a field is missing or has the wrong type.
    #[error("not a stock file: {0}")]
    Malformed(#[from] serde_json::Error),
    /// JSON with another `format`.
    #[error("not a stock file: its format is \"{found}\"")]
    WrongFormat {
        /// The `format` in the file.
        found: String,
    },
    /// Written by a newer version of the program.
    #[error("the stock file has version {found}; this program reads up to {supported}")]
    TooNew {
        found: u32,
        /// Newest version this program reads.
        supported: u32,
    },
    #[error("unknown film kind \"{found}\"")]
    UnknownKind {
        /// The kind in the file.
        found: String,
    },
    /// A number outside the range of plausible film.
    #[error("{field} of the stock is outside its range")]
    OutOfRange {
        /// Name of the field in the file.
        field: &'static str,
    },
}

impl Stock {
    /// Parse a stock file and check every number.
    pub fn from_json(text: &str) -> Result<Self, StockError> {
        let file: StockFile = serde_json::from_str(text)?;
        if file.format != FORMAT {
            return Err(StockError::WrongFormat { found: file.format });
        }
        if file.version > VERSION {
            return Err(StockError::TooNew { found: file.version, supported: VERSION });
        }
        let Some(kind) = FilmKind::from_key(&file.kind) else {
            return Err(StockError::UnknownKind { found: file.kind });
        };
        let StockFile { id, name, curves, unmix, working_matrix, typical_base_d, notes, measured_on, .. } =
            file;
        let stock =
            Self { id, name, kind, curves, unmix, working_matrix, typical_base_d, notes, measured_on };
        stock.check()?;
        Ok(stock)
    }

    /// The file content, with keys in a fixed order and numbers in full precision.
    pub fn to_json(&self) -> String {
        let Self { id, name, kind, curves, unmix, working_matrix, typical_base_d, notes, measured_on } =
            self.clone();
        let file = StockFile {
            format: FORMAT.into(),
            version: VERSION,
            id,
            name,
            kind: kind.key().into(),
            curves,
            unmix,
            working_matrix,
            typical_base_d,
            notes,
            measured_on,
        };
        // Plain numbers and strings always serialise.
        serde_json::to_string_pretty(&file).unwrap_or_default()
    }

    /// The same stock with the toe ratios from [`crate::solve_strip`].
    #[must_use]
    pub fn with_toe_ratio(&self, ratio: [f64; 3]) -> Self {
        let curves = [0, 1, 2].map(|c| self.curves[c].with_toe_ratio(ratio[c]));
        Self { curves, ..self.clone() }
    }

    /// The same stock with every colour scaled by `strength`; greys stay.
    ///
    /// ```text
    /// unmix' = G N G^-1 unmix,   N = s I + (1 - s) 1 w^T,   G = diag(gamma * gamma_ratio),   w = (0.3, 0.5, 0.2)
    /// ```
    /// `N` pulls the layers' densities, counted in log exposure, towards their weighted mean, which reverses the effect
    /// of development in one layer on the others. Source: ours.
    #[must_use]
    pub fn with_colour_strength(&self, strength: f64, gamma_ratio: [f64; 3]) -> Self {
        // Our choice: green weighs most, as in lightness.
        const WEIGHTS: [f64; 3] = [0.3, 0.5, 0.2];
        let slopes = [0, 1, 2].map(|c| self.curves[c].gamma() * gamma_ratio[c]);
        if strength == 1.0 || !strength.is_finite() || !slopes.iter().all(|slope| *slope > 0.01) {
            return self.clone();
        }
        let share = strength.clamp(0.3, 2.0);
        let towards_grey: Matrix3 = [0, 1, 2].map(|row| {
            [0, 1, 2].map(|column| {
                let own = if row == column { share } else { 0.0 };
                (own + (1.0 - share) * WEIGHTS[column]) * slopes[row] / slopes[column]
            })
        });
        Self { unmix: matrix::multiply(&towards_grey, &self.unmix), ..self.clone() }
    }

    /// Check that every number is plausible for film.
    pub fn check(&self) -> Result<(), StockError> {
        let range = |field| Err(StockError::OutOfRange { field });
        if !self.curves.iter().all(LayerCurve::is_sane) {
            return range("curves");
        }
        let bounded = |m: &Matrix3| matrix::is_finite(m) && m.iter().flatten().all(|x| x.abs() <= 20.0);
        if !bounded(&self.unmix) || matrix::invert(&self.unmix).is_none() {
            return range("unmix");
        }
        let sums_to_one = |row: &[f64; 3]| (row.iter().sum::<f64>() - 1.0).abs() < 1e-3;
        if !bounded(&self.working_matrix) || !self.working_matrix.iter().all(sums_to_one) {
            return range("working_matrix");
        }
        if !self.typical_base_d.iter().all(|d| (-0.5..=3.0).contains(d)) {
            return range("typical_base_d");
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_stock_is_sane_and_survives_its_file() {
        for stock in shipped_stocks() {
            stock.check().expect("shipped stocks are in range");
            assert_eq!(&Stock::from_json(&stock.to_json()).expect("own files are read"), stock);
        }
        for kind in FilmKind::ALL {
            assert_eq!(default_stock(kind).kind, kind);
        }
    }

    #[test]
    fn colour_strength_scales_colours_and_leaves_greys() {
        let stock = default_stock(FilmKind::ColourNegative);
        let ratio = [0.95, 1.0, 1.1];
        let weak = stock.with_colour_strength(0.8, ratio);
        let back = matrix::invert(&stock.unmix).expect("unmixing inverts");
        let slope = |c: usize| stock.curves[c].gamma() * ratio[c];
        let layers = |log: [f64; 3]| [0, 1, 2].map(|c| slope(c) * log[c]);
        let seen = |log: [f64; 3]| {
            let weaker = matrix::apply(&weak.unmix, matrix::apply(&back, layers(log)));
            [0, 1, 2].map(|c| weaker[c] / slope(c))
        };
        assert!(seen([1.2; 3]).iter().all(|log| (log - 1.2).abs() < 1e-9));
        let [r, g, b] = seen([1.4, 1.2, 0.9]);
        assert!((r - g - 0.8 * 0.2).abs() < 1e-9 && (g - b - 0.8 * 0.3).abs() < 1e-9, "{r} {g} {b}");
        assert_eq!(&stock.with_colour_strength(1.0, ratio), stock);
        assert_eq!(&stock.with_colour_strength(f64::NAN, ratio), stock);
    }

    #[test]
    fn a_bad_file_is_refused_with_its_reason() {
        let good = default_stock(FilmKind::ColourNegative).to_json();
        assert!(matches!(Stock::from_json("{"), Err(StockError::Malformed(_))));
        let newer = good.replace("\"version\": 1", "\"version\": 9");
        assert!(matches!(Stock::from_json(&newer), Err(StockError::TooNew { found: 9, .. })));
        let other = good.replace("film-stock", "cake");
        assert!(matches!(Stock::from_json(&other), Err(StockError::WrongFormat { .. })));
        let kind = good.replace("colour-negative", "tin-type");
        assert!(matches!(Stock::from_json(&kind), Err(StockError::UnknownKind { .. })));
    }
}
