//! How the best height changes over the film: tilt and bow.

use crate::height::inverse;
use crate::measured::{MAD_SHARE, Measured, TOLD_APART, middle};

/// Fewest cells for a shape. Our choice: twice its four numbers.
const CELLS_MIN: usize = 8;
/// Least range of the cells along a side, as a share of it, for the change along it. Our choice: less would be stretched
/// tenfold to the whole side.
const RANGE_MIN: f64 = 0.1;

/// How the best height changes over the film; `None` where the cells don't tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightShape {
    /// Change from the left side to the right, and from top to bottom; `None` if all cells lie in one column, or row.
    pub across_mm: Option<Measured>,
    pub down_mm: Option<Measured>,
    /// How much higher the middle is than the corners; `None` if all cells lie in one row or column.
    pub bow_mm: Option<Measured>,
    /// Least change that is told.
    pub told_from_mm: f64,
}

impl HeightShape {
    /// Plane and bow through the best heights of the cells, by weighted least squares.
    /// `told_from_mm` is the least change that is told.
    pub(crate) fn of(cells: impl Iterator<Item = ((f64, f64), Measured)>, told_from_mm: f64) -> Option<Self> {
        let cells: Vec<_> = cells.collect();
        if cells.len() < CELLS_MIN {
            return None;
        }
        let varies = |place: fn(&(f64, f64)) -> f64| {
            let places = || cells.iter().map(|(at, _)| place(at));
            places().fold(f64::MIN, f64::max) - places().fold(f64::MAX, f64::min) >= RANGE_MIN
        };
        let (across, down) = (varies(|at| at.0), varies(|at| at.1));
        // A term that the cells don't tell is left out: its factors are 0.
        let is_told = [true, across, down, across && down];
        let points: Vec<([f64; 4], Measured)> = cells
            .iter()
            .map(|((x, y), best)| {
                let (u, v) = (x - 0.5, y - 0.5);
                // The bow is 1 in the middle and 0 in the corners.
                let row = [1.0, u, v, 1.0 - 2.0 * (u * u + v * v)];
                (std::array::from_fn(|i| if is_told[i] { row[i] } else { 0.0 }), *best)
            })
            .collect();
        let (solved, _) = fit(&points, is_told, 0.0)?;
        // What the fit leaves over counts as error too.
        let off = points.iter().map(|(row, m)| {
            let told: f64 = row.iter().zip(solved).map(|(r, s)| r * s).sum();
            (m.value - told).powi(2) - m.error * m.error
        });
        let extra = middle(off).max(0.0) / MAD_SHARE / MAD_SHARE;
        let (solved, inverse) = fit(&points, is_told, extra)?;
        let part = |i: usize| {
            is_told[i].then(|| Measured { value: solved[i], error: inverse[i][i].max(0.0).sqrt() })
        };
        Some(Self { across_mm: part(1), down_mm: part(2), bow_mm: part(3), told_from_mm })
    }

    /// What it says about film and holder, if anything beyond doubt.
    pub fn verdict(&self) -> Option<String> {
        let told =
            |m: Option<Measured>| m.filter(|m| m.value.abs() > (TOLD_APART * m.error).max(self.told_from_mm));
        let text = |m: &Measured| format!("{:.2} ± {:.2} mm", m.value.abs(), m.error);
        let mut parts = Vec::new();
        for (change, sides) in [(self.across_mm, ["left", "right"]), (self.down_mm, ["upper", "lower"])] {
            if let Some(change) = told(change) {
                let [low, high] = if change.value > 0.0 { sides } else { [sides[1], sides[0]] };
                parts.push(format!("the {high} side is in focus {} higher than the {low}", text(&change)));
            }
        }
        if let Some(bow) = told(self.bow_mm) {
            let side = if bow.value > 0.0 { "higher" } else { "lower" };
            parts.push(format!("the middle is in focus {} {side} than the corners", text(&bow)));
        }
        (!parts.is_empty()).then(|| format!("film or holder is not flat: {}", parts.join("; ")))
    }
}

/// Coefficients of the terms and their covariance, with an addition to the variance of each point. A term that is not
/// told has 0.
fn fit(points: &[([f64; 4], Measured)], is_told: [bool; 4], extra: f64) -> Option<([f64; 4], [[f64; 4]; 4])> {
    // A term that is left out has an equation of its own, which no other takes part in.
    let own = |i: usize, j: usize| f64::from(u8::from(i == j && !is_told[i]));
    let mut matrix: [[f64; 4]; 4] = std::array::from_fn(|i| std::array::from_fn(|j| own(i, j)));
    let mut right = [0.0; 4];
    for (row, m) in points {
        let weight = 1.0 / (m.error * m.error + extra).max(1e-9);
        for i in 0..4 {
            right[i] += weight * row[i] * m.value;
            for j in 0..4 {
                matrix[i][j] += weight * row[i] * row[j];
            }
        }
    }
    let covariance = inverse(matrix)?;
    Some((covariance.map(|row| row.iter().zip(right).map(|(m, r)| m * r).sum()), covariance))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Best heights of cells that rise by 0.4 mm from left to right and fall by 0.2 mm from top to bottom.
    fn cells(columns: &[f64], rows: &[f64]) -> Vec<((f64, f64), Measured)> {
        let height = |x: f64, y: f64| Measured { value: 0.1 + 0.4 * x - 0.2 * y, error: 0.01 };
        rows.iter().flat_map(|y| columns.iter().map(move |x| ((*x, *y), height(*x, *y)))).collect()
    }

    #[test]
    fn a_single_row_or_column_of_cells_tells_no_tilt_across_it() {
        let many: Vec<f64> = (0..10).map(|nth| 0.05 + 0.1 * f64::from(nth)).collect();
        let near =
            |m: Option<Measured>, mm: f64| m.is_some_and(|m| (m.value - mm).abs() < 1e-6 && m.error < 0.02);
        for at in [0.5, 0.1, 0.37, 0.5 + 1e-9] {
            let shape = HeightShape::of(cells(&[at], &many).into_iter(), 0.0).expect("ten cells");
            assert!(
                shape.across_mm.is_none() && shape.bow_mm.is_none() && near(shape.down_mm, -0.2),
                "{shape:?}"
            );
            let shape = HeightShape::of(cells(&many, &[at]).into_iter(), 0.0).expect("ten cells");
            assert!(
                shape.down_mm.is_none() && shape.bow_mm.is_none() && near(shape.across_mm, 0.4),
                "{shape:?}"
            );
        }
        let shape = HeightShape::of(cells(&many, &many).into_iter(), 0.0).expect("a hundred cells");
        assert!(
            near(shape.across_mm, 0.4) && near(shape.down_mm, -0.2) && near(shape.bow_mm, 0.0),
            "{shape:?}"
        );
        let coarse = HeightShape::of(cells(&many, &many).into_iter(), 0.25).expect("a hundred cells");
        let words = coarse.verdict().expect("tilted");
        assert!(words.contains("the right side") && !words.contains("upper"), "{words}");
        let words = shape.verdict().expect("tilted");
        assert!(words.contains("the right side is in focus 0.40 ± 0.00 mm higher than the left"), "{words}");
        assert!(words.contains("the upper side is in focus 0.20 ± 0.00 mm higher than the lower"), "{words}");
    }
}
