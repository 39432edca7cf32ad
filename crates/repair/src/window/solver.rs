//! Minimises the energy of a window by conjugate gradients.
//!
//! The unknowns are on a grid and are coupled along rows, columns and diagonals only. A row of the system is therefore
//! a star of sixteen neighbours around a pixel, and the solver looks up no index.
//!
//! Source: M. R. Hestenes, E. Stiefel, "Methods of conjugate gradients for solving linear systems", J. Res. Nat. Bur.
//! Standards 49 (1952); preconditioned by the diagonal.

use glassine_raster::{PixelLoop, run_vectorised};

use crate::window::{Colours, each};

/// Neighbours of a pixel, as positions in the five rows of five around it: distances one and two, in four directions
/// and both senses.
const STAR: [(usize, usize); 16] = [
    (2, 3),
    (2, 1),
    (2, 4),
    (2, 0),
    (3, 2),
    (1, 2),
    (4, 2),
    (0, 2),
    (3, 3),
    (1, 1),
    (4, 4),
    (0, 0),
    (3, 1),
    (1, 3),
    (4, 0),
    (0, 4),
];

/// Precisions of the differences along one direction that contain a pixel.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Links {
    /// First differences from the pixel forwards, and backwards to it: `first * (S_p - S_q)^2`.
    pub(crate) first: [f32; 2],
    /// Second differences that begin at, are centred on and end at the pixel: `second * (S_a - 2 S_b + S_c)^2`.
    pub(crate) second: [f32; 3],
}

/// One unknown pixel: its coupling to the pixels around it, and what its own light says.
#[derive(Debug, Clone)]
pub(crate) struct Unknown {
    /// Index on the grid, at least two pixels from its edge.
    pub(crate) at: u32,
    diagonal: f32,
    star: [f32; 16],
    /// Precision of its own value per channel; 0 if nothing is known.
    pub(crate) weight: Colours,
    /// Its own value per channel.
    pub(crate) value: Colours,
}

impl Unknown {
    /// Builds an unknown from its links in the four directions, forwards: right, down, right and down, left and down.
    pub(crate) fn new(at: u32, links: &[Links; 4]) -> Self {
        let mut unknown = Self { at, diagonal: 0.0, star: [0.0; 16], weight: [0.0; 4], value: [0.0; 4] };
        for (star, Links { first: [ahead, back], second: [begins, about, ends] }) in
            unknown.star.chunks_exact_mut(4).zip(links)
        {
            unknown.diagonal += ahead + back + begins + 4.0 * about + ends;
            star[0] = -ahead - 2.0 * (begins + about);
            star[1] = -back - 2.0 * (about + ends);
            star[2] = *begins;
            star[3] = *ends;
        }
        unknown
    }
}

/// Vectors of the solver, reused for the next window.
#[derive(Debug, Default)]
pub(crate) struct SolverSpace {
    rest: Vec<Colours>,
    inverse: Vec<Colours>,
    product: Vec<Colours>,
    /// On the grid; 0 everywhere except at unknown pixels.
    direction: Vec<Colours>,
}

/// Largest number of steps. Our choice: bounds time.
const STEPS_MAX: usize = 160;

/// Minimises the energy over the unknown pixels of a grid with rows of length `stride`; `picture` is start and result.
///
/// Stops when no pixel would move by more than `settled`.
pub(crate) fn minimise(
    unknowns: &[Unknown],
    stride: usize,
    picture: &mut [Colours],
    settled: f32,
    space: &mut SolverSpace,
) {
    run_vectorised(Descent { unknowns, stride, picture, settled, space });
}

struct Descent<'a> {
    unknowns: &'a [Unknown],
    stride: usize,
    picture: &'a mut [Colours],
    settled: f32,
    space: &'a mut SolverSpace,
}

impl PixelLoop for Descent<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { unknowns, stride, picture, settled, space } = self;
        let SolverSpace { rest, inverse, product, direction } = space;
        // Start from a pixel's own value as far as that is known.
        for u in unknowns {
            let s = &mut picture[u.at as usize];
            *s = each(|c| s[c] + u.weight[c] / (u.weight[c] + u.diagonal).max(1e-12) * (u.value[c] - s[c]));
        }
        rest.clear();
        rest.extend(unknowns.iter().map(|u| {
            let (pull, here) = (pull(u, stride, picture), picture[u.at as usize]);
            each(|c| u.weight[c] * (u.value[c] - here[c]) - pull[c])
        }));
        inverse.clear();
        inverse.extend(unknowns.iter().map(|u| u.weight.map(|w| 1.0 / (w + u.diagonal).max(1e-12))));
        product.clear();
        product.resize(unknowns.len(), [0.0; 4]);
        direction.clear();
        direction.resize(picture.len(), [0.0; 4]);
        let mut energy = [0.0_f32; 4];
        for step in 0..STEPS_MAX {
            let (next, largest) = preconditioned(rest, inverse);
            if largest < settled {
                return;
            }
            let keep: Colours = each(|c| if step > 0 && energy[c] > 0.0 { next[c] / energy[c] } else { 0.0 });
            energy = next;
            for ((u, r), inv) in unknowns.iter().zip(&*rest).zip(&*inverse) {
                let p = &mut direction[u.at as usize];
                *p = each(|c| r[c] * inv[c] + keep[c] * p[c]);
            }
            let mut curve = [0.0_f32; 4];
            for (u, q) in unknowns.iter().zip(&mut *product) {
                let (pull, p) = (pull(u, stride, direction), direction[u.at as usize]);
                *q = each(|c| pull[c] + u.weight[c] * p[c]);
                curve = each(|c| curve[c] + p[c] * q[c]);
            }
            let length: Colours = each(|c| if curve[c] > 0.0 { energy[c] / curve[c] } else { 0.0 });
            for ((u, r), q) in unknowns.iter().zip(&mut *rest).zip(&*product) {
                let (s, p) = (&mut picture[u.at as usize], direction[u.at as usize]);
                *s = each(|c| s[c] + length[c] * p[c]);
                *r = each(|c| r[c] - length[c] * q[c]);
            }
        }
    }
}

/// Energy of the remaining gradient, and the largest move of any pixel.
#[inline(always)]
fn preconditioned(rest: &[Colours], inverse: &[Colours]) -> (Colours, f32) {
    let (mut energy, mut largest) = ([0.0_f32; 4], [0.0_f32; 4]);
    for (r, inv) in rest.iter().zip(inverse) {
        let z: Colours = each(|c| r[c] * inv[c]);
        energy = each(|c| energy[c] + r[c] * z[c]);
        largest = each(|c| if z[c].abs() > largest[c] { z[c].abs() } else { largest[c] });
    }
    (energy, largest.into_iter().fold(0.0, f32::max))
}

/// Half the gradient of all links of an unknown.
#[inline(always)]
fn pull(unknown: &Unknown, stride: usize, grid: &[Colours]) -> Colours {
    let corner = unknown.at as usize - 2 * stride - 2;
    let rows: [&[Colours; 5]; 5] =
        std::array::from_fn(|row| grid[corner + row * stride..].first_chunk().unwrap_or(&[[0.0; 4]; 5]));
    let here = rows[2][2];
    let mut sum: Colours = each(|c| unknown.diagonal * here[c]);
    for ((row, column), k) in STAR.into_iter().zip(unknown.star) {
        let v = rows[row][column];
        sum = each(|c| sum[c] + k * v[c]);
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A line of seven pixels in the middle of a grid; the middle three are unknown and coupled by one kind of
    /// difference.
    fn line(second: bool) -> (Vec<Unknown>, usize, Vec<Colours>) {
        let stride = 11;
        let mut picture = vec![[0.0; 4]; 5 * stride];
        let place = |i: usize| 2 * stride + 2 + i;
        for (i, v) in [0.0_f32, 1.0, 9.0, 9.0, 9.0, 5.0, 6.0].into_iter().enumerate() {
            picture[place(i)] = [v; 4];
        }
        let along = if second {
            Links { first: [0.0; 2], second: [3.0; 3] }
        } else {
            Links { first: [2.0; 2], second: [0.0; 3] }
        };
        let none = Links::default();
        let unknowns = (2..5).map(|i| Unknown::new(place(i) as u32, &[along, none, none, none]));
        (unknowns.collect(), stride, picture)
    }

    #[test]
    fn second_differences_continue_a_straight_slope_and_first_ones_join_the_ends() {
        for second in [true, false] {
            let (unknowns, stride, mut picture) = line(second);
            minimise(&unknowns, stride, &mut picture, 1e-6, &mut SolverSpace::default());
            for i in 0..7 {
                let v = picture[2 * stride + 2 + i];
                assert!((v[0] - i as f32).abs() < 1e-3, "{i}: {v:?}");
            }
        }
    }

    #[test]
    fn a_sure_value_wins_and_nothing_unknown_changes_nothing() {
        let (mut unknowns, stride, mut picture) = line(false);
        unknowns[1].weight = [1e6, 0.0, 0.0, 0.0];
        unknowns[1].value = [0.7; 4];
        minimise(&unknowns, stride, &mut picture, 1e-6, &mut SolverSpace::default());
        let v = picture[unknowns[1].at as usize];
        assert!((v[0] - 0.7).abs() < 1e-4 && (v[1] - 3.0).abs() < 1e-3, "{v:?}");
        let before = picture.clone();
        minimise(&[], stride, &mut picture, 1e-6, &mut SolverSpace::default());
        assert_eq!(picture, before);
    }

    #[test]
    fn the_star_of_every_direction_reaches_its_own_neighbours() {
        let stride = 9;
        let link = Links { first: [1.0, 2.0], second: [3.0, 4.0, 5.0] };
        let middle = 4 * stride + 4;
        for (direction, step) in [1, stride, stride + 1, stride - 1].into_iter().enumerate() {
            let mut links = [Links::default(); 4];
            links[direction] = link;
            let unknown = Unknown::new(middle as u32, &links);
            let mut grid = vec![[0.0; 4]; 9 * stride];
            for (k, v) in (0..5).zip([7.0, 11.0, 13.0, 17.0, 19.0]) {
                grid[middle + k * step - 2 * step] = [v; 4];
            }
            // Half the gradient at the middle value 13: each difference times its factor for the middle and its weight.
            let [far, back, here, ahead, beyond] = [7.0, 11.0, 13.0, 17.0, 19.0];
            let expect = (here - ahead) + 2.0 * (here - back) + 3.0 * (here - 2.0 * ahead + beyond)
                - 2.0 * 4.0 * (back - 2.0 * here + ahead)
                + 5.0 * (far - 2.0 * back + here);
            assert_eq!(pull(&unknown, stride, &grid), [expect; 4], "direction {direction}");
        }
    }
}
