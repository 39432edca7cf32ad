//! Values with their errors, and what is told apart by them.

use glassine_raster::median;

/// Scans are told apart beyond this many standard errors. Source: common practice, 95 %.
pub(crate) const TOLD_APART: f64 = 2.0;
/// Median absolute deviation of normal values, standard deviations, and standard error of a median against that of a
/// mean. Source: normal distribution.
pub(crate) const MAD_SHARE: f64 = 0.6745;
pub(crate) const MEDIAN_ERROR: f64 = 1.253;

/// A value with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    pub value: f64,
    pub error: f64,
}

/// The median; 0 of nothing.
pub(crate) fn middle(values: impl Iterator<Item = f64>) -> f64 {
    median(&mut values.collect::<Vec<_>>(), f64::total_cmp).unwrap_or(0.0)
}
