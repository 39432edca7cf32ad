//! Quantities with their units, and the conversions between units, each in one place.
//!
//! Constructors refuse what is not a number, so that a value of these types can always be compared.

/// Millimetres in an inch (exact by definition).
pub const MM_PER_INCH: f64 = 25.4;

/// Optical density, or any other log10 ratio of light.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct DensityD(f64);

impl DensityD {
    /// `None` for what is not a number.
    pub const fn new(d: f64) -> Option<Self> {
        if d.is_nan() { None } else { Some(Self(d)) }
    }

    pub const fn d(self) -> f64 {
        self.0
    }
}

/// Exposure as log2 of a ratio of light.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default)]
pub struct ExposureStops(f64);

impl ExposureStops {
    /// `None` for what is not a number.
    pub const fn new(stops: f64) -> Option<Self> {
        if stops.is_nan() { None } else { Some(Self(stops)) }
    }

    pub const fn stops(self) -> f64 {
        self.0
    }
}

/// `d = stops * log10(2)`: one stop is 0.30103 D. Source: arithmetic.
impl From<ExposureStops> for DensityD {
    fn from(exposure: ExposureStops) -> Self {
        Self(exposure.0 * std::f64::consts::LOG10_2)
    }
}

/// `stops = d / log10(2)`. Source: arithmetic.
impl From<DensityD> for ExposureStops {
    fn from(density: DensityD) -> Self {
        Self(density.0 / std::f64::consts::LOG10_2)
    }
}

/// Samples per inch, positive and finite.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct ResolutionPpi(f64);

impl ResolutionPpi {
    /// `None` unless the number is positive and finite.
    pub const fn new(ppi: f64) -> Option<Self> {
        if ppi > 0.0 && ppi.is_finite() { Some(Self(ppi)) } else { None }
    }

    pub const fn ppi(self) -> f64 {
        self.0
    }

    /// Pixels covered by a length, not rounded: `mm / 25.4 * ppi`.
    pub fn px_from_mm(self, length_mm: f64) -> f64 {
        length_mm / MM_PER_INCH * self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_stop_is_log10_of_two_in_density_and_comes_back() {
        let stops = |stops: f64| ExposureStops::new(stops).expect("a number");
        let density = DensityD::from(stops(1.0));
        assert!((density.d() * 1e5).round() == 30_103.0 && (10.0_f64.powf(density.d()) - 2.0).abs() < 1e-12);
        assert!((ExposureStops::from(DensityD::from(stops(2.5))).stops() - 2.5).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_a_number_is_refused_and_a_resolution_must_be_positive_and_finite() {
        assert_eq!((DensityD::new(f64::NAN), ExposureStops::new(f64::NAN)), (None, None));
        assert_eq!(DensityD::new(-0.2).map(DensityD::d), Some(-0.2));
        for wrong in [f64::NAN, 0.0, -300.0, f64::INFINITY] {
            assert_eq!(ResolutionPpi::new(wrong), None, "{wrong}");
        }
        assert_eq!(ResolutionPpi::new(2400.0).map(ResolutionPpi::ppi), Some(2400.0));
    }

    #[test]
    fn a_36_mm_side_at_2400_ppi_is_3402_px_long() {
        let ppi = ResolutionPpi::new(2400.0).expect("positive");
        assert_eq!(ppi.px_from_mm(36.0).round(), 3402.0);
    }
}
