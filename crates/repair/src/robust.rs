//! Robust statistics and small least-squares problems.

/// Median of the values, which are reordered; 0 if empty.
pub(crate) fn median_in_place(values: &mut [f32]) -> f32 {
    glassine_raster::median(values, f32::total_cmp).unwrap_or(0.0)
}

/// Median, and standard deviation of a normal distribution from the median absolute deviation.
///
/// `sigma = 1.4826 * median |x - median|`; the factor is `1 / Phi^-1(3/4)`. Source: arithmetic of the normal
/// distribution.
pub(crate) fn mad_sigma(values: &mut [f32]) -> (f32, f32) {
    let middle = median_in_place(values);
    for v in values.iter_mut() {
        *v = (*v - middle).abs();
    }
    (middle, 1.4826 * median_in_place(values))
}

/// Normal equations of a weighted least-squares problem with `N` unknowns.
#[derive(Debug, Clone)]
pub(crate) struct Normal<const N: usize> {
    matrix: [[f64; N]; N],
    right: [f64; N],
}

impl<const N: usize> Normal<N> {
    pub(crate) fn new() -> Self {
        Self { matrix: [[0.0; N]; N], right: [0.0; N] }
    }

    pub(crate) fn add(&mut self, row: &[f64; N], value: f64, weight: f64) {
        for i in 0..N {
            // Many rows involve only a few unknowns.
            if row[i] == 0.0 {
                continue;
            }
            let part = weight * row[i];
            for (m, r) in self.matrix[i].iter_mut().zip(&row[..=i]) {
                *m += part * r;
            }
            self.right[i] += part * value;
        }
    }

    /// Share of the sum of squares of the values that a solution explains.
    pub(crate) fn explained(&self, solution: &[f64; N]) -> f64 {
        dot(&self.right, solution)
    }

    /// Pulls unknown `i` towards `prior` with the given weight (ridge).
    pub(crate) fn pull(&mut self, i: usize, prior: f64, weight: f64) {
        self.matrix[i][i] += weight;
        self.right[i] += weight * prior;
    }

    /// Solution by Cholesky decomposition; `None` when the unknowns are not determined.
    pub(crate) fn solve(&self) -> Option<[f64; N]> {
        let mut l = self.matrix;
        for i in 0..N {
            for j in 0..=i {
                let dot: f64 = (0..j).map(|k| l[i][k] * l[j][k]).sum();
                if i == j {
                    let pivot = l[i][i] - dot;
                    if pivot.is_nan() || pivot <= 1e-12 * self.matrix[i][i].abs().max(1e-12) {
                        return None;
                    }
                    l[i][i] = pivot.sqrt();
                } else {
                    l[i][j] = (l[i][j] - dot) / l[j][j];
                }
            }
        }
        let mut x = self.right;
        for i in 0..N {
            let dot: f64 = (0..i).map(|k| l[i][k] * x[k]).sum();
            x[i] = (x[i] - dot) / l[i][i];
        }
        for i in (0..N).rev() {
            let dot: f64 = (i + 1..N).map(|k| l[k][i] * x[k]).sum();
            x[i] = (x[i] - dot) / l[i][i];
        }
        x.iter().all(|v| v.is_finite()).then_some(x)
    }
}

/// Robust linear fit by repeated weighted least squares with Tukey's weights.
///
/// Source: J. W. Tukey's biweight with tuning constant 4.685 (95 % efficiency for normal errors); constants from
/// memory.
/// `prior` and `ridge` fix unknowns that the data do not determine.
pub(crate) fn robust_fit<const N: usize>(
    rows: &[([f64; N], f64, f64)],
    prior: &[f64; N],
    ridge: &[f64; N],
    rounds: usize,
) -> Option<([f64; N], f64)> {
    let mut solution = *prior;
    let mut sigma = f64::INFINITY;
    for round in 0..=rounds {
        let mut normal = Normal::<N>::new();
        for (row, value, weight) in rows {
            let r = value - dot(row, &solution);
            // 4.685: Tukey's biweight at 95 % efficiency; 1.4826: median to standard deviation of a normal
            // distribution.
            let u = r / (4.685 * sigma);
            let w = if round == 0 {
                1.0
            } else if u.abs() < 1.0 {
                (1.0 - u * u) * (1.0 - u * u)
            } else {
                0.0
            };
            normal.add(row, *value, weight * w);
        }
        for i in 0..N {
            normal.pull(i, prior[i], ridge[i]);
        }
        solution = normal.solve()?;
        let mut errors: Vec<f32> =
            rows.iter().map(|(row, value, _)| (value - dot(row, &solution)).abs() as f32).collect();
        sigma = f64::from(1.4826 * median_in_place(&mut errors)).max(1e-7);
    }
    Some((solution, sigma))
}

pub(crate) fn dot<const N: usize>(a: &[f64; N], b: &[f64; N]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tenth_of_outliers_does_not_move_the_fit() {
        let rows: Vec<_> = (0..200)
            .map(|i| {
                let x = f64::from(i) / 100.0;
                let wild = if i % 10 == 0 { 5.0 } else { 0.0 };
                ([1.0, x], 0.3 + 0.05 * x + wild + 1e-3 * (f64::from(i * 7919 % 13) - 6.0), 1.0)
            })
            .collect();
        let (fit, _) = robust_fit(&rows, &[0.0; 2], &[0.0; 2], 12).expect("well determined");
        assert!((fit[0] - 0.3).abs() < 2e-3 && (fit[1] - 0.05).abs() < 2e-3, "{fit:?}");
    }

    #[test]
    fn an_open_unknown_takes_its_prior() {
        let rows = vec![([1.0, 1.0], 2.0, 1.0); 5];
        let (fit, _) = robust_fit(&rows, &[0.0, 0.5], &[1e-6, 1e-6], 3).expect("held by the prior");
        assert!((fit[0] + fit[1] - 2.0).abs() < 1e-4);
        assert!(Normal::<2>::new().solve().is_none());
    }

    #[test]
    fn the_deviation_of_a_known_sample_is_right() {
        let mut values: Vec<f32> = (0..=100).map(|i| i as f32).collect();
        let (middle, sigma) = mad_sigma(&mut values);
        assert_eq!(middle, 50.0);
        assert!((sigma - 1.4826 * 25.0).abs() < 1e-3);
    }
}
