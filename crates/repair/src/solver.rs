//! Minimises the energy of a window by conjugate gradients.
//!
//! Source: M. R. Hestenes, E. Stiefel, "Methods of conjugate gradients for solving linear systems", J. Res. Nat. Bur.
//! Standards 49 (1952); preconditioned by the diagonal.

use crate::window::Colours;

/// One term of the prior: `weight * (stencil . S)^2` over three pixels of the window.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Term {
    /// Pixels of the window.
    pub(crate) at: [u32; 3],
    /// Their factors; a first difference leaves the last at 0.
    pub(crate) stencil: [f32; 3],
    /// Precision, 1 / D squared.
    pub(crate) weight: f32,
}

/// What is known of one unknown pixel by itself: `weight * (S - value)^2` for each channel.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Datum {
    /// Pixel of the window.
    pub(crate) at: u32,
    /// Precision per channel; 0 when nothing is known.
    pub(crate) weight: Colours,
    /// Value per channel.
    pub(crate) value: Colours,
}

/// Steps at most.
const STEPS_MAX: usize = 160;

/// Minimise the sum of all terms over the pixels named in `data`, starting from and ending in `picture`.
///
/// Ends when no pixel would move by more than `settled`.
pub(crate) fn minimise(terms: &[Term], data: &[Datum], picture: &mut [Colours], settled: f32) {
    let (terms, place) = compact(terms, data, picture.len());
    let mut solution: Vec<Colours> = place.iter().map(|&i| picture[i as usize]).collect();
    descend(&terms, data, &mut solution, settled);
    for (d, s) in data.iter().zip(&solution) {
        picture[d.at as usize] = *s;
    }
}

/// The terms on a dense numbering of the pixels they touch, the unknown ones first in the order of `data`; and that numbering.
fn compact(terms: &[Term], data: &[Datum], pixels: usize) -> (Vec<Term>, Vec<u32>) {
    let mut number = vec![u32::MAX; pixels];
    let mut place: Vec<u32> = data.iter().map(|d| d.at).collect();
    for (k, d) in data.iter().enumerate() {
        number[d.at as usize] = k as u32;
    }
    let terms = terms
        .iter()
        .map(|term| Term {
            at: term.at.map(|i| {
                if number[i as usize] == u32::MAX {
                    number[i as usize] = place.len() as u32;
                    place.push(i);
                }
                number[i as usize]
            }),
            ..*term
        })
        .collect();
    (terms, place)
}

/// Conjugate gradients; unknown `k` is entry `k` of `solution`, the rest of which stays.
fn descend(terms: &[Term], data: &[Datum], solution: &mut [Colours], settled: f32) {
    let mut diagonal = vec![0.0_f32; solution.len()];
    for term in terms {
        for (at, s) in term.at.iter().zip(term.stencil) {
            diagonal[*at as usize] += term.weight * s * s;
        }
    }
    // Where much is known of a pixel by itself, begin there.
    for ((s, d), own) in solution.iter_mut().zip(data).zip(&diagonal) {
        for ((s, weight), value) in s.iter_mut().zip(d.weight).zip(d.value) {
            *s += weight / (weight + own).max(1e-12) * (value - *s);
        }
    }
    let mut product = vec![[0.0_f32; 4]; solution.len()];
    apply(terms, solution, &mut product);
    let inverse: Vec<Colours> =
        data.iter().zip(&diagonal).map(|(d, own)| d.weight.map(|w| 1.0 / (w + own).max(1e-12))).collect();
    let mut rest: Vec<Colours> = data
        .iter()
        .enumerate()
        .map(|(k, d)| std::array::from_fn(|c| d.weight[c] * (d.value[c] - solution[k][c]) - product[k][c]))
        .collect();
    let mut direction = vec![[0.0_f32; 4]; solution.len()];
    let mut energy = [0.0_f32; 4];
    for step in 0..STEPS_MAX {
        let mut next = [0.0_f32; 4];
        let mut largest = 0.0_f32;
        for (r, inv) in rest.iter().zip(&inverse) {
            for c in 0..4 {
                let z = r[c] * inv[c];
                next[c] += r[c] * z;
                largest = largest.max(z.abs());
            }
        }
        if largest < settled {
            return;
        }
        let keep: Colours =
            std::array::from_fn(|c| if step > 0 && energy[c] > 0.0 { next[c] / energy[c] } else { 0.0 });
        for ((p, r), inv) in direction.iter_mut().zip(&rest).zip(&inverse) {
            for c in 0..4 {
                p[c] = r[c] * inv[c] + keep[c] * p[c];
            }
        }
        energy = next;
        product.fill([0.0; 4]);
        apply(terms, &direction, &mut product);
        let mut curve = [0.0_f32; 4];
        for ((d, p), q) in data.iter().zip(&direction).zip(&mut product) {
            for c in 0..4 {
                q[c] += d.weight[c] * p[c];
                curve[c] += p[c] * q[c];
            }
        }
        let length: Colours =
            std::array::from_fn(|c| if curve[c] > 0.0 { energy[c] / curve[c] } else { 0.0 });
        for (((s, r), p), q) in solution.iter_mut().zip(&mut rest).zip(&direction).zip(&product) {
            for c in 0..4 {
                s[c] += length[c] * p[c];
                r[c] -= length[c] * q[c];
            }
        }
    }
}

/// Half the gradient of all terms.
fn apply(terms: &[Term], values: &[Colours], out: &mut [Colours]) {
    for Term { at, stencil, weight } in terms {
        let v = at.map(|i| values[i as usize]);
        let pull: Colours = std::array::from_fn(|c| {
            weight * (stencil[0] * v[0][c] + stencil[1] * v[1][c] + stencil[2] * v[2][c])
        });
        for (i, s) in at.iter().zip(stencil) {
            let o = &mut out[*i as usize];
            for c in 0..4 {
                o[c] += s * pull[c];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn second_differences_continue_a_straight_slope_and_first_ones_join_the_ends() {
        let start = [0.0_f32, 1.0, 9.0, 9.0, 9.0, 5.0, 6.0];
        let data: Vec<Datum> = [2, 3, 4].map(|at| Datum { at, weight: [0.0; 4], value: [0.0; 4] }).to_vec();
        let second: Vec<Term> =
            (1..6).map(|i| Term { at: [i - 1, i, i + 1], stencil: [1.0, -2.0, 1.0], weight: 3.0 }).collect();
        let first: Vec<Term> =
            (0..6).map(|i| Term { at: [i, i + 1, i], stencil: [1.0, -1.0, 0.0], weight: 2.0 }).collect();
        for terms in [second, first] {
            let mut values: Vec<Colours> = start.iter().map(|&v| [v; 4]).collect();
            minimise(&terms, &data, &mut values, 1e-6);
            for (i, v) in values.iter().enumerate() {
                assert!((v[0] - i as f32).abs() < 1e-3, "{i}: {v:?}");
            }
        }
    }

    #[test]
    fn a_sure_datum_wins_and_no_terms_change_nothing() {
        let mut values = vec![[0.0_f32; 4]; 3];
        let datum = Datum { at: 1, weight: [1e6, 0.0, 0.0, 0.0], value: [0.7; 4] };
        let link = Term { at: [0, 1, 0], stencil: [1.0, -1.0, 0.0], weight: 1.0 };
        minimise(&[link], &[datum], &mut values, 1e-6);
        assert!((values[1][0] - 0.7).abs() < 1e-4 && values[1][1] == 0.0);
        minimise(&[], &[], &mut values, 1e-6);
    }
}
