//! Quasi-Newton refinement of a minimum, accurate enough not to depend on the starting point.
//!
//! A downhill simplex stops once it is small, so two almost equal problems may end at different places of a flat
//! valley. From there this search finds the minimum itself, with slopes measured on both sides of every unknown.
//!
//! Source: the quasi-Newton update of C. G. Broyden, R. Fletcher, D. Goldfarb and D. F. Shanno (1970), as in J.
//! Nocedal, S. J. Wright, "Numerical Optimization" (2006), chapter 6; with backtracking. Deterministic.

/// Distance, as a share of an unknown's scale, over which slopes are measured. Our choice: above rounding of the cost.
const PROBE: f64 = 0.05;
/// Longest step of a round, in scales. Our choice: stays in the valley.
const REACH: f64 = 1.0;
/// The search ends when a round promises less than this. Our choice: rounding of a cost near 100.
const LEAST_GAIN: f64 = 1e-9;

/// Minimise `f` from `start`, which must be in the valley; `scale` is the size of a change that matters in each
/// unknown.
pub(super) fn settle<const N: usize>(
    start: [f64; N],
    scale: [f64; N],
    rounds: usize,
    mut f: impl FnMut(&[f64; N]) -> f64,
) -> [f64; N] {
    let mut at = start;
    let mut here = f(&at);
    let (mut slope, bend) = slopes(&at, here, &scale, &mut f);
    // Inverse of the second derivatives, initially diagonal.
    let mut inverse = [[0.0; N]; N];
    for (i, row) in inverse.iter_mut().enumerate() {
        row[i] = 1.0 / bend[i].max(1e-3);
    }
    for _ in 0..rounds {
        let mut step = [0.0; N];
        for (i, row) in inverse.iter().enumerate() {
            step[i] = -dot(row, &slope);
        }
        let longest = step.iter().fold(0.0, |most: f64, s| most.max(s.abs()));
        if longest > REACH {
            step = step.map(|s| s * REACH / longest);
        }
        let promised = -dot(&step, &slope);
        if promised.is_nan() || promised <= LEAST_GAIN {
            break;
        }
        let mut share = 1.0;
        let found = loop {
            let mut trial = at;
            for (i, x) in trial.iter_mut().enumerate() {
                *x += share * step[i] * scale[i];
            }
            let value = f(&trial);
            // Sufficient decrease with 1e-4 and halving. Source: Nocedal and Wright, chapter 3.
            if value <= here - 1e-4 * share * promised {
                break Some((trial, value));
            }
            share *= 0.5;
            if share < 1e-3 {
                break None;
            }
        };
        let Some((next, value)) = found else { break };
        (at, here) = (next, value);
        let (next_slope, _) = slopes(&at, here, &scale, &mut f);
        let mut turned = [0.0; N];
        for (i, t) in turned.iter_mut().enumerate() {
            *t = next_slope[i] - slope[i];
        }
        update(&mut inverse, &step.map(|s| s * share), &turned);
        slope = next_slope;
    }
    at
}

/// Slope and curvature along every unknown, per scale.
fn slopes<const N: usize>(
    at: &[f64; N],
    here: f64,
    scale: &[f64; N],
    f: &mut impl FnMut(&[f64; N]) -> f64,
) -> ([f64; N], [f64; N]) {
    let (mut slope, mut bend) = ([0.0; N], [0.0; N]);
    for i in 0..N {
        let mut value = |side: f64| {
            let mut probe = *at;
            probe[i] += side * PROBE * scale[i];
            f(&probe)
        };
        let (before, after) = (value(-1.0), value(1.0));
        slope[i] = (after - before) / (2.0 * PROBE);
        bend[i] = (after + before - 2.0 * here) / (PROBE * PROBE);
    }
    (slope, bend)
}

/// Update the inverse second derivatives from a step and the change of slope along it.
fn update<const N: usize>(inverse: &mut [[f64; N]; N], step: &[f64; N], turned: &[f64; N]) {
    let along = dot(step, turned);
    // Only a valley that curves upwards carries information.
    if along.is_nan() || along <= 1e-12 {
        return;
    }
    let moved = inverse.map(|row| dot(&row, turned));
    let gain = 1.0 + dot(turned, &moved) / along;
    for i in 0..N {
        for j in 0..N {
            inverse[i][j] += (gain * step[i] * step[j] - moved[i] * step[j] - step[i] * moved[j]) / along;
        }
    }
}

fn dot<const N: usize>(a: &[f64; N], b: &[f64; N]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bottom_of_a_flat_valley_is_found_from_different_sides() {
        // A long valley: 10 000 times flatter along than across; minimum at (0.3, 0.3, 0).
        let valley = |x: &[f64; 3]| {
            let (across, along) = (x[0] - x[1], x[0] + x[1] - 0.6);
            1e4 * across * across + along * along + 50.0 * x[2] * x[2] + x[2].powi(4)
        };
        for start in [[0.31, 0.3, 0.02], [0.2, 0.19, -0.05], [0.5, 0.52, 0.0]] {
            let at = settle(start, [0.05; 3], 20, valley);
            assert!((at[0] - 0.3).abs() < 2e-5 && (at[1] - 0.3).abs() < 2e-5 && at[2].abs() < 1e-5, "{at:?}");
        }
    }

    #[test]
    fn a_start_where_nothing_can_be_measured_is_returned() {
        let at = settle([0.5, -0.5], [0.1; 2], 20, |_| f64::INFINITY);
        assert_eq!(at, [0.5, -0.5]);
    }
}
