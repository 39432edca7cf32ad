//! How the best height changes over the film: tilt and bow.

use crate::height::inverse;
use crate::measured::{MAD_SHARE, Measured, TOLD_APART, middle};

/// Fewest cells for a shape. Our choice: twice its four numbers.
const CELLS_MIN: usize = 8;

/// How the best height changes over the film.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeightShape {
    /// Change from the left side to the right, and from top to bottom.
    pub across_mm: Measured,
    pub down_mm: Measured,
    /// How much higher the middle is than the corners.
    pub bow_mm: Measured,
}

impl HeightShape {
    /// Plane and bow through the best heights of the cells, by weighted least squares.
    pub(crate) fn of(cells: impl Iterator<Item = ((f64, f64), Measured)>) -> Option<Self> {
        let points: Vec<([f64; 4], Measured)> = cells
            .map(|((x, y), best)| {
                let (u, v) = (x - 0.5, y - 0.5);
                // The bow is 1 in the middle and 0 in the corners.
                ([1.0, u, v, 1.0 - 2.0 * (u * u + v * v)], best)
            })
            .collect();
        let fit = |extra: f64| {
            let (mut matrix, mut right) = ([[0.0; 4]; 4], [0.0; 4]);
            for (row, m) in &points {
                let weight = 1.0 / (m.error * m.error + extra).max(1e-9);
                for i in 0..4 {
                    right[i] += weight * row[i] * m.value;
                    for j in 0..4 {
                        matrix[i][j] += weight * row[i] * row[j];
                    }
                }
            }
            inverse(matrix).map(|inverse| {
                let solved = inverse.map(|row| row.iter().zip(right).map(|(m, r)| m * r).sum::<f64>());
                (solved, inverse)
            })
        };
        if points.len() < CELLS_MIN {
            return None;
        }
        let (solved, _) = fit(0.0)?;
        // What the fit leaves over counts as error too.
        let off = points.iter().map(|(row, m)| {
            let told: f64 = row.iter().zip(solved).map(|(r, s)| r * s).sum();
            (m.value - told).powi(2) - m.error * m.error
        });
        let extra = middle(off).max(0.0) / MAD_SHARE / MAD_SHARE;
        let (solved, inverse) = fit(extra)?;
        let part = |i: usize| Measured { value: solved[i], error: inverse[i][i].max(0.0).sqrt() };
        Some(Self { across_mm: part(1), down_mm: part(2), bow_mm: part(3) })
    }

    /// What it says about film and holder, if anything beyond doubt.
    pub fn verdict(&self) -> Option<String> {
        let is_told = |m: &Measured| m.value.abs() > TOLD_APART * m.error;
        let text = |m: &Measured| format!("{:.2} mm ± {:.2} mm", m.value.abs(), m.error);
        let mut parts = Vec::new();
        if is_told(&self.across_mm) {
            let side = if self.across_mm.value > 0.0 { "right" } else { "left" };
            parts
                .push(format!("the {side} side is sharpest {} higher than the other", text(&self.across_mm)));
        }
        if is_told(&self.down_mm) {
            let side = if self.down_mm.value > 0.0 { "lower" } else { "upper" };
            parts.push(format!("the {side} side is sharpest {} higher than the other", text(&self.down_mm)));
        }
        if is_told(&self.bow_mm) {
            let side = if self.bow_mm.value > 0.0 { "higher" } else { "lower" };
            parts.push(format!("the middle is sharpest {} {side} than the corners", text(&self.bow_mm)));
        }
        (!parts.is_empty()).then(|| format!("film or holder is not flat: {}", parts.join("; ")))
    }
}
