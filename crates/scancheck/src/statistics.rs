//! Medians and quantiles.

/// The value below which `share` of all values are; `None` if there are none.
pub(crate) fn quantile(values: &mut [f64], share: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let at = ((values.len() as f64 * share) as usize).min(values.len() - 1);
    Some(*values.select_nth_unstable_by(at, f64::total_cmp).1)
}

pub(crate) fn median(values: &mut [f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Standard deviation of a normal distribution with the same median absolute value. Source: 1 / 0.6745, its quartile.
pub(crate) fn deviation(values: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = values.iter().map(|v| v.abs()).collect();
    1.4826 * median(&mut sizes).unwrap_or(0.0)
}

/// Weighted values as they come, for their mean and its standard error.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Sums {
    pub(crate) count: f64,
    weights: f64,
    sum: f64,
    /// Sums of the squared weights, alone and times the value and its square.
    squares: [f64; 3],
}

impl Sums {
    pub(crate) fn add(&mut self, value: f64, weight: f64) {
        self.count += 1.0;
        self.weights += weight;
        self.sum += weight * value;
        let square = weight * weight;
        let terms = [square, square * value, square * value * value];
        self.squares.iter_mut().zip(terms).for_each(|(sum, term)| *sum += term);
    }

    pub(crate) fn mean(&self) -> f64 {
        self.sum / self.weights.max(f64::MIN_POSITIVE)
    }

    /// Standard error of the mean if the values are independent; never 0.
    pub(crate) fn error(&self) -> f64 {
        let (mean, [plain, first, second]) = (self.mean(), self.squares);
        let variance = second - 2.0 * mean * first + mean * mean * plain;
        variance.max(1e-12 * plain).sqrt() / self.weights.max(f64::MIN_POSITIVE)
    }
}
