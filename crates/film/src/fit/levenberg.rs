//! Least squares for a few unknowns by damped Gauss-Newton steps.
//!
//! Source: K. Levenberg (1944) and D. Marquardt (1963) as described in J. Nocedal, S. Wright, "Numerical Optimization",
//! 10.3; derivatives are forward differences. Deterministic.

/// Solve the symmetric positive system `a x = b` (size `n`, row-major) by Cholesky; `None` if it is not positive.
fn solve_positive(mut a: Vec<f64>, mut b: Vec<f64>, n: usize) -> Option<Vec<f64>> {
    for i in 0..n {
        for j in 0..=i {
            let dot: f64 = (0..j).map(|k| a[i * n + k] * a[j * n + k]).sum();
            let value = a[i * n + j] - dot;
            if i == j {
                if value.is_nan() || value <= 0.0 {
                    return None;
                }
                a[i * n + i] = libm::sqrt(value);
            } else {
                a[i * n + j] = value / a[j * n + j];
            }
        }
    }
    for i in 0..n {
        let dot: f64 = (0..i).map(|k| a[i * n + k] * b[k]).sum();
        b[i] = (b[i] - dot) / a[i * n + i];
    }
    for i in (0..n).rev() {
        let dot: f64 = (i + 1..n).map(|k| a[k * n + i] * b[k]).sum();
        b[i] = (b[i] - dot) / a[i * n + i];
    }
    Some(b)
}

fn cost(residuals: &[f64]) -> f64 {
    let sum: f64 = residuals.iter().map(|r| r * r).sum();
    if sum.is_nan() { f64::INFINITY } else { sum }
}

/// Minimise the sum of squared residuals of `f` from `start`.
pub(super) fn least_squares(start: &[f64], rounds: usize, f: impl Fn(&[f64]) -> Vec<f64>) -> Vec<f64> {
    // Step, first damping, its factors and the end of the search are common practice; they change speed, not the
    // result.
    const STEP: f64 = 1e-5;
    let n = start.len();
    let mut x = start.to_vec();
    let mut residuals = f(&x);
    let mut damping = 1e-2;
    for _ in 0..rounds {
        let columns: Vec<Vec<f64>> = (0..n)
            .map(|k| {
                let mut moved = x.clone();
                moved[k] += STEP;
                f(&moved).iter().zip(&residuals).map(|(new, old)| (new - old) / STEP).collect()
            })
            .collect();
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| x * y).sum::<f64>();
        let mut normal = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..n {
                normal[i * n + j] = dot(&columns[i], &columns[j]);
            }
        }
        let gradient: Vec<f64> = columns.iter().map(|column| -dot(column, &residuals)).collect();
        let before = cost(&residuals);
        let mut improved = false;
        for _ in 0..8 {
            let mut damped = normal.clone();
            for i in 0..n {
                damped[i * n + i] += damping * (normal[i * n + i] + 1e-9);
            }
            if let Some(step) = solve_positive(damped, gradient.clone(), n) {
                let trial: Vec<f64> = x.iter().zip(&step).map(|(x, s)| x + s).collect();
                let trial_residuals = f(&trial);
                if cost(&trial_residuals) < before {
                    x = trial;
                    residuals = trial_residuals;
                    damping = (damping * 0.3).max(1e-9);
                    improved = true;
                    break;
                }
            }
            damping *= 5.0;
        }
        if !improved || before - cost(&residuals) < 1e-10 * before {
            break;
        }
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exponential_is_fitted_from_far_away() {
        let points: Vec<(f64, f64)> =
            (0..20).map(|i| f64::from(i) / 10.0).map(|t| (t, 3.0 * libm::exp(-1.5 * t))).collect();
        let fit = least_squares(&[1.0, 0.0], 100, |p| {
            points.iter().map(|(t, y)| p[0] * libm::exp(p[1] * t) - y).collect()
        });
        assert!((fit[0] - 3.0).abs() < 1e-4 && (fit[1] + 1.5).abs() < 1e-4, "{fit:?}");
    }
}
