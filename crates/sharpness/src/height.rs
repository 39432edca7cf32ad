//! The best holder height from scans at several heights.

/// Fewest heights of a parabola with a test of its fit. Source: three coefficients; three heights fit exactly.
const HEIGHTS_MIN: usize = 3;

/// Why no best height is given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum HeightError {
    /// Too few different heights.
    #[error("the best height needs scans at {HEIGHTS_MIN} different heights or more")]
    TooFew,
    /// No height among them is sharper than its neighbours.
    #[error("sharpness has no peak within these heights; scan at heights further apart")]
    NoPeak,
    /// The peak lies outside the measured heights.
    #[error("the best height lies outside {low_mm:+.2} to {high_mm:+.2} mm; scan at heights further {}", if *is_above { "up" } else { "down" })]
    Outside {
        low_mm: f64,
        high_mm: f64,
        /// Above the highest, else below the lowest.
        is_above: bool,
    },
}

/// Peak of a parabola through sharpness by height.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BestHeight {
    pub height_mm: f64,
    /// Standard error, from the uncertainties of the measurements.
    pub error_mm: f64,
    /// Bend of the parabola, in the unit of the scores per mm²; negative.
    pub bend_per_mm2: f64,
}

/// Height of greatest sharpness: the peak of the weighted least-squares parabola through `(height_mm, score, standard
/// error of the score)`.
///
/// With `score = a + b h + c h^2` the peak is at `-b / 2c`; its error follows from the covariance of `b` and `c`. Errors
/// may be in any unit that is the same for all; equal ones count as equal weights. Close to focus, blur grows with the
/// square of the defocus, so that a parabola describes the response.
///
/// Source: least squares and propagation of errors as in any textbook of statistics.
pub fn best_height(points: &[(f64, f64, f64)]) -> Result<BestHeight, HeightError> {
    let heights = || points.iter().map(|point| point.0);
    let (low_mm, high_mm) =
        heights().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), h| (low.min(h), high.max(h)));
    let mut different: Vec<f64> = heights().collect();
    different.sort_by(f64::total_cmp);
    different.dedup();
    if different.len() < HEIGHTS_MIN || points.iter().any(|(h, s, e)| !(h + s + e).is_finite()) {
        return Err(HeightError::TooFew);
    }
    // Heights from -1 to 1 keep the normal equations well conditioned.
    let (middle, half) = (0.5 * (low_mm + high_mm), 0.5 * (high_mm - low_mm));
    let mut matrix = [[0.0; 3]; 3];
    let mut right = [0.0; 3];
    for (height, score, error) in points {
        let h = (height - middle) / half;
        let row = [1.0, h, h * h];
        let weight = 1.0 / error.max(1e-6 * score.abs()).max(1e-12).powi(2);
        for i in 0..3 {
            right[i] += weight * row[i] * score;
            for j in 0..3 {
                matrix[i][j] += weight * row[i] * row[j];
            }
        }
    }
    let covariance = inverse(matrix).ok_or(HeightError::TooFew)?;
    let solved = covariance.map(|row| row.iter().zip(right).map(|(m, r)| m * r).sum::<f64>());
    let [_, b, c] = solved;
    // A bend within twice its error is no peak.
    if c > -2.0 * covariance[2][2].sqrt() {
        return Err(HeightError::NoPeak);
    }
    let peak = -b / (2.0 * c);
    if peak.abs() > 1.0 {
        return Err(HeightError::Outside { low_mm, high_mm, is_above: peak > 0.0 });
    }
    let (by_b, by_c) = (-1.0 / (2.0 * c), b / (2.0 * c * c));
    let variance = by_b * by_b * covariance[1][1]
        + 2.0 * by_b * by_c * covariance[1][2]
        + by_c * by_c * covariance[2][2];
    Ok(BestHeight {
        height_mm: middle + half * peak,
        error_mm: half * variance.max(0.0).sqrt(),
        bend_per_mm2: c / (half * half),
    })
}

/// Least pivot as a share of the largest number of its column. Our choice: what rounding leaves of a dependent column is a
/// millionth of that, and columns of real measurements keep far more.
const PIVOT_MIN: f64 = 1e-10;

/// Inverse of a matrix by elimination with pivots; `None` if it has none beyond rounding.
pub(crate) fn inverse<const N: usize>(mut m: [[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let mut out = std::array::from_fn(|i| std::array::from_fn(|j| f64::from(u8::from(i == j))));
    let sizes: [f64; N] = std::array::from_fn(|j| m.iter().map(|row| row[j].abs()).fold(0.0, f64::max));
    for k in 0..N {
        let pivot = (k..N).max_by(|a, b| m[*a][k].abs().total_cmp(&m[*b][k].abs()))?;
        m.swap(k, pivot);
        out.swap(k, pivot);
        let scale = m[k][k];
        let is_certain = scale.abs() > PIVOT_MIN * sizes[k];
        if !is_certain {
            return None;
        }
        for j in 0..N {
            m[k][j] /= scale;
            out[k][j] /= scale;
        }
        for i in (0..N).filter(|i| *i != k) {
            let factor = m[i][k];
            for j in 0..N {
                m[i][j] -= factor * m[k][j];
                out[i][j] -= factor * out[k][j];
            }
        }
    }
    out.iter().flatten().all(|value: &f64| value.is_finite()).then_some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_peak_of_an_exact_parabola_is_found_with_its_error() {
        let points: Vec<_> =
            [-1.0, -0.5, 0.0, 0.5, 1.0].map(|h: f64| (h, 0.3 - 0.1 * (h - 0.2).powi(2), 0.001)).to_vec();
        let best = best_height(&points).expect("a peak");
        assert!((best.height_mm - 0.2).abs() < 1e-9, "{best:?}");
        // numpy.polyfit with cov="unscaled" and the same weights: var b 4e-7, var c 1.1428571e-6, no covariance between
        // them; sqrt(var b / 4 c^2 + b^2 var c / 4 c^4) with b = 0.04 and c = -0.1 is 0.0038173.
        assert!((best.error_mm - 0.003_817_3).abs() < 1e-6, "{best:?}");
    }

    #[test]
    fn a_matrix_that_is_singular_but_for_rounding_has_no_inverse() {
        // 0.1 * 0.1 is not 0.01 in binary.
        assert_eq!(inverse([[1.0, 0.1], [0.1, 0.1 * 0.1]]), None);
        assert_eq!(inverse([[1.0, 0.1], [0.1, 0.01]]), None);
        assert_eq!(inverse([[2.0, 0.0], [0.0, 1e-12]]), Some([[0.5, 0.0], [0.0, 1e12]]));
    }

    #[test]
    fn peaks_outside_flat_series_and_too_few_heights_are_refused() {
        let rising = [-0.5, 0.0, 0.5].map(|h: f64| (h, 0.3 - 0.05 * (h - 1.4).powi(2), 0.0005));
        assert!(matches!(best_height(&rising), Err(HeightError::Outside { is_above: true, .. })));
        let flat = [(-0.5, 0.3, 0.01), (0.0, 0.301, 0.01), (0.5, 0.3, 0.01)];
        assert_eq!(best_height(&flat), Err(HeightError::NoPeak));
        assert_eq!(best_height(&flat[..2]), Err(HeightError::TooFew));
        assert_eq!(best_height(&[flat[0], flat[0], flat[1]]), Err(HeightError::TooFew));
        let dip = [-0.5, 0.0, 0.5].map(|h: f64| (h, 0.3 + 0.1 * h * h, 0.001));
        assert_eq!(best_height(&dip), Err(HeightError::NoPeak));
    }
}
