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
