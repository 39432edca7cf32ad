//! Downhill simplex search for a few unknowns.
//!
//! Source: J. A. Nelder, R. Mead, "A simplex method for function minimization", The Computer Journal 7 (1965), with its
//! usual coefficients (reflection 1, expansion 2, contraction and shrinkage 1/2). Deterministic.

/// Minimise `f` from `start` with first steps `step`; stops after `most` evaluations or when the simplex is flat.
pub(crate) fn minimise<const N: usize>(
    start: [f64; N],
    step: [f64; N],
    most: usize,
    mut f: impl FnMut(&[f64; N]) -> f64,
) -> ([f64; N], f64) {
    let mut left = most;
    let mut value_of = |x: &[f64; N], left: &mut usize| {
        *left = left.saturating_sub(1);
        let value = f(x);
        if value.is_nan() { f64::INFINITY } else { value }
    };
    let mut simplex: Vec<([f64; N], f64)> = Vec::with_capacity(N + 1);
    simplex.push((start, value_of(&start, &mut left)));
    for (axis, size) in step.iter().enumerate() {
        let mut corner = start;
        corner[axis] += size;
        simplex.push((corner, value_of(&corner, &mut left)));
    }
    let towards = |from: &[f64; N], to: &[f64; N], share: f64| {
        let mut out = *from;
        for (x, target) in out.iter_mut().zip(to) {
            *x += (target - *x) * share;
        }
        out
    };
    while left > 0 {
        simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
        // Our choice: `settle.rs` goes on from here where the last digits matter.
        if simplex[N].1 - simplex[0].1 < 1e-7 * (1.0 + simplex[0].1.abs()) {
            break;
        }
        let mut middle = [0.0; N];
        for (corner, _) in &simplex[..N] {
            for (sum, x) in middle.iter_mut().zip(corner) {
                *sum += x / N as f64;
            }
        }
        let (worst, worst_value) = simplex[N];
        let reflected = towards(&worst, &middle, 2.0);
        let reflected_value = value_of(&reflected, &mut left);
        if reflected_value < simplex[0].1 {
            let expanded = towards(&worst, &middle, 3.0);
            let expanded_value = value_of(&expanded, &mut left);
            simplex[N] = if expanded_value < reflected_value {
                (expanded, expanded_value)
            } else {
                (reflected, reflected_value)
            };
        } else if reflected_value < simplex[N - 1].1 {
            simplex[N] = (reflected, reflected_value);
        } else {
            let outside = reflected_value < worst_value;
            let contracted = towards(&middle, if outside { &reflected } else { &worst }, 0.5);
            let contracted_value = value_of(&contracted, &mut left);
            if contracted_value < reflected_value.min(worst_value) {
                simplex[N] = (contracted, contracted_value);
            } else {
                let best = simplex[0].0;
                for corner in &mut simplex[1..] {
                    corner.0 = towards(&best, &corner.0, 0.5);
                    corner.1 = value_of(&corner.0, &mut left);
                }
            }
        }
    }
    simplex.sort_by(|a, b| a.1.total_cmp(&b.1));
    simplex[0]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bottom_of_a_bent_valley_is_found() {
        // H. H. Rosenbrock, The Computer Journal 3 (1960): minimum 0 at (1, 1).
        let banana = |x: &[f64; 2]| 100.0 * (x[1] - x[0] * x[0]).powi(2) + (1.0 - x[0]).powi(2);
        let (at, value) = minimise([-1.2, 1.0], [0.3, 0.3], 2000, banana);
        assert!((at[0] - 1.0).abs() < 1e-2 && value < 1e-4, "{at:?} {value}");
    }
}
