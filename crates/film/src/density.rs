//! Optical density: of one transmittance, and of a spectrum through a densitometer's weights.

use glassine_raster::DensityD;

use crate::maths::{exp10, log10};

/// Least transmittance that has a density: half a code of a 16-bit scan, 5.1 D. Source: arithmetic.
pub const LEAST_TRANSMITTANCE: f64 = 0.5 / 65_535.0;

/// Optical density of a transmittance.
///
/// ```text
/// D = log10(1 / T)
/// ```
/// | quantity | unit | domain / range | outside |
/// |---|---|---|---|
/// | `transmittance` | fraction | above [`LEAST_TRANSMITTANCE`] | below it counts as it; above 1 gives a negative density |
/// | result | D | up to 5.12 | - |
///
/// Source: ISO 5-1. Inverse: [`transmittance_from_density`].
///
/// ```
/// assert_eq!(glassine_film::density_from_transmittance(0.01).d(), 2.0);
/// ```
pub fn density_from_transmittance(transmittance: f64) -> DensityD {
    // `max` also turns a value that is not a number into the least transmittance, so there is always a density.
    DensityD::new(-log10(transmittance.max(LEAST_TRANSMITTANCE))).unwrap_or_default()
}

/// Transmittance of an optical density: `T = 10^-D`.
pub fn transmittance_from_density(density: DensityD) -> f64 {
    exp10(-density.d())
}

/// Density of a spectrum as an instrument with the given spectral weights reads it.
///
/// ```text
/// D = -log10( sum(W T) / sum(W) )
/// ```
/// Both lists run over the same wavelengths; the shorter one ends the sum. Without any weight the result is 0.
///
/// Source: ISO 5-3, spectral products of a status density.
pub fn spectral_density(weights: &[f64], transmittances: &[f64]) -> DensityD {
    let (sum, norm) =
        weights.iter().zip(transmittances).fold((0.0, 0.0), |(sum, norm), (weight, transmittance)| {
            (sum + weight * transmittance, norm + weight)
        });
    if norm > 0.0 { density_from_transmittance(sum / norm) } else { DensityD::default() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::colour::lab_from_xyz_d50;

    #[test]
    fn densities_codes_and_lightness_agree() {
        // Density, transmittance, 16-bit linear code, L* of a neutral: arithmetic of D = log10(1/T) and CIE 1976 L*.
        for (d, t, code, l) in [
            (0.05, 0.891_251, 58_408.0, 95.633),
            (0.10, 0.794_328, 52_056.0, 91.430),
            (0.30, 0.501_187, 32_845.0, 76.142),
            (0.50, 0.316_228, 20_724.0, 63.030),
            (1.00, 0.1, 6553.5, 37.842),
            (2.00, 0.01, 655.4, 8.991),
            (3.00, 0.001, 65.5, 0.903),
            (4.00, 0.0001, 6.55, 0.090),
        ] {
            let transmittance = transmittance_from_density(DensityD::new(d).expect("a number"));
            assert!((transmittance - t).abs() < 1e-6);
            assert!((65_535.0 * transmittance - code).abs() < 0.6);
            assert!((density_from_transmittance(t).d() - d).abs() < 1e-3);
            let white = crate::colour::WHITE_D50.map(|x| x * transmittance);
            assert!((lab_from_xyz_d50(white).l - l).abs() < 1e-3);
        }
        // A colour negative process control strip: clear film, low and high step, red, green, blue (published worked
        // example); the codes are 65535 * 10^-D.
        for (d, codes) in [
            ([0.32, 0.63, 0.72], [31_367.0, 15_363.0, 12_487.0]),
            ([0.44, 0.76, 0.98], [23_794.0, 11_389.0, 6_862.0]),
            ([1.30, 1.77, 2.03], [3_284.0, 1_113.0, 612.0]),
        ] {
            for (d, code) in d.into_iter().zip(codes) {
                let transmittance = transmittance_from_density(DensityD::new(d).expect("a number"));
                assert!((65_535.0 * transmittance - code).abs() < 1.0, "{d} {code}");
            }
        }
        assert!((density_from_transmittance(0.18).d() - 0.744_727).abs() < 1e-6);
        assert!(density_from_transmittance(f64::NAN).d().is_finite());
    }
}
