//! Places all parts at once, so that the errors of a ring of parts are shared by all.

use super::affine::Affine;
use super::register::PairFit;

/// Two parts that were registered.
#[derive(Debug, Clone)]
pub struct Link {
    /// The first part; it comes before the second.
    pub a: usize,
    pub b: usize,
    pub fit: PairFit,
}

/// Places of all parts, as maps to pixels of the first, by least squares over all places of all links. `None` if the
/// links don't connect every part to the first.
///
/// Each part gets a similarity `x' = p x - q y + tx`, `y' = q x + p y + ty`, in which the equations are linear; the first
/// part stays as it is.
pub fn place_all(parts: usize, links: &[Link]) -> Option<Vec<Affine>> {
    if !is_connected(parts, links) {
        return None;
    }
    let unknowns = 4 * parts.saturating_sub(1);
    let mut system = Normal::new(unknowns);
    for link in links {
        for place in &link.fit.matches {
            for axis in 0..2 {
                let mut row = Vec::with_capacity(8);
                let mut right = 0.0;
                for (part, at, sign) in [(link.a, place.a, 1.0), (link.b, place.b, -1.0)] {
                    // Thousandths keep the numbers of the system alike.
                    let (x, y) = (at.x / UNIT_PX, at.y / UNIT_PX);
                    let own = [x, y];
                    let terms = if axis == 0 { [x, -y, 1.0, 0.0] } else { [y, x, 0.0, 1.0] };
                    if part == 0 {
                        right -= sign * own[axis];
                    } else {
                        let first = 4 * (part - 1);
                        row.extend(terms.iter().enumerate().map(|(i, v)| (first + i, sign * v)));
                    }
                }
                system.add(&row, right);
            }
        }
    }
    let solved = system.solve()?;
    let placed =
        solved.chunks_exact(4).map(|v| Affine([[v[0], -v[1], v[2] * UNIT_PX], [v[1], v[0], v[3] * UNIT_PX]]));
    let maps: Vec<Affine> = std::iter::once(Affine::IDENTITY).chain(placed).collect();
    maps.iter().all(Affine::is_sound).then_some(maps)
}

/// Pixels in one unit of the system.
const UNIT_PX: f64 = 1000.0;

/// Whether the links connect every part to the first.
pub(super) fn is_connected(parts: usize, links: &[Link]) -> bool {
    reached(parts, links).iter().all(|reached| *reached)
}

/// The parts that links connect to the first.
pub(super) fn reached(parts: usize, links: &[Link]) -> Vec<bool> {
    let mut reached = vec![false; parts];
    if let Some(first) = reached.first_mut() {
        *first = true;
    }
    for _ in 0..parts {
        for link in links {
            let is_reached = reached[link.a] || reached[link.b];
            (reached[link.a], reached[link.b]) = (is_reached, is_reached);
        }
    }
    reached
}

/// Normal equations of a least-squares system.
struct Normal {
    count: usize,
    matrix: Vec<f64>,
    right: Vec<f64>,
}

impl Normal {
    fn new(count: usize) -> Self {
        Self { count, matrix: vec![0.0; count * count], right: vec![0.0; count] }
    }

    fn add(&mut self, row: &[(usize, f64)], right: f64) {
        for (i, v) in row {
            for (j, w) in row {
                self.matrix[i * self.count + j] += v * w;
            }
            self.right[*i] += v * right;
        }
    }

    /// Gaussian elimination with the largest pivots.
    fn solve(mut self) -> Option<Vec<f64>> {
        let n = self.count;
        for column in 0..n {
            let pivot = (column..n).max_by(|p, q| {
                self.matrix[p * n + column].abs().total_cmp(&self.matrix[q * n + column].abs())
            })?;
            if self.matrix[pivot * n + column].abs() < 1e-9 {
                return None;
            }
            for k in 0..n {
                self.matrix.swap(pivot * n + k, column * n + k);
            }
            self.right.swap(pivot, column);
            for row in column + 1..n {
                let factor = self.matrix[row * n + column] / self.matrix[column * n + column];
                for k in column..n {
                    self.matrix[row * n + k] -= factor * self.matrix[column * n + k];
                }
                self.right[row] -= factor * self.right[column];
            }
        }
        let mut solved = vec![0.0; n];
        for row in (0..n).rev() {
            let known: f64 = (row + 1..n).map(|k| self.matrix[row * n + k] * solved[k]).sum();
            solved[row] = (self.right[row] - known) / self.matrix[row * n + row];
        }
        Some(solved)
    }
}

#[cfg(test)]
mod tests {
    use glassine_raster::Point;

    use super::*;
    use crate::join::Match;

    #[test]
    fn four_tiles_in_a_ring_are_placed_as_they_lie() {
        let turn = |angle: f64, tx: f64, ty: f64| {
            Affine([[angle.cos(), -angle.sin(), tx], [angle.sin(), angle.cos(), ty]])
        };
        let truth = [
            Affine::IDENTITY,
            turn(0.004, 900.0, 12.0),
            turn(-0.003, -8.0, 700.0),
            turn(0.002, 905.0, 690.0),
        ];
        let link = |a: usize, b: usize| {
            let back = truth[a].inverse().expect("regular");
            let matches = (0..20).map(|i| {
                let at = Point::new(f64::from(i) * 17.0, f64::from(i * i % 11) * 23.0);
                Match { a: back.apply(truth[b].apply(at)), b: at, likeness: 1.0 }
            });
            let fit = PairFit { b_to_a: back.after(&truth[b]), matches: matches.collect(), sigma_px: 0.1 };
            Link { a, b, fit }
        };
        let links = [link(0, 1), link(0, 2), link(1, 3), link(2, 3)];
        let placed = place_all(4, &links).expect("connected");
        for (got, want) in placed.iter().zip(&truth) {
            let at = Point::new(500.0, 400.0);
            assert!(got.apply(at).distance(want.apply(at)) < 1e-6);
        }
        assert!(place_all(5, &links).is_none(), "a part without a link");
    }
}
