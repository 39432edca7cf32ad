//! Unit conversions that several crates need, each in one place.

/// Millimetres in an inch (exact by definition).
pub const MM_PER_INCH: f64 = 25.4;

/// Density of one stop: `log10 2`. Source: arithmetic.
const DENSITY_PER_STOP: f64 = std::f64::consts::LOG10_2;

/// Log10 exposure (or density) for a number of stops.
///
/// ```text
/// d = stops * log10(2)
/// ```
/// Source: arithmetic; one stop is 0.30103 D.
pub fn density_from_stops(stops: f64) -> f64 {
    stops * DENSITY_PER_STOP
}

/// Stops for a log10 exposure or density difference; inverse of [`density_from_stops`].
pub fn stops_from_density(density_d: f64) -> f64 {
    density_d / DENSITY_PER_STOP
}

/// Pixels covered by a length at a resolution, not rounded: `mm / 25.4 * ppi`.
pub fn px_from_mm(length_mm: f64, resolution_ppi: f64) -> f64 {
    length_mm / MM_PER_INCH * resolution_ppi
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_stop_is_log10_of_two() {
        assert!((10.0_f64.powf(density_from_stops(1.0)) - 2.0).abs() < 1e-12);
        assert!((stops_from_density(density_from_stops(2.5)) - 2.5).abs() < 1e-12);
    }

    #[test]
    fn a_35_mm_frame_at_2400_ppi_is_3402_px_long() {
        assert_eq!(px_from_mm(36.0, 2400.0).round(), 3402.0);
    }
}
