//! Spectra on a fixed 10 nm grid, and the smooth spectra that represent a linear RGB colour.

pub(crate) const BANDS: usize = 36;

/// Values at 380, 390, … 730 nm.
pub(crate) type Spectrum = [f64; BANDS];

/// Wavelength of a sample, nm.
pub(crate) fn wavelength_nm(band: usize) -> f64 {
    380.0 + 10.0 * band as f64
}

/// A spectrum from a function of the wavelength in nm.
pub(crate) fn spectrum(f: impl Fn(f64) -> f64) -> Spectrum {
    std::array::from_fn(|band| f(wavelength_nm(band)))
}

/// A lobe of height 1 with its own half width (one standard deviation) on each side.
pub(crate) fn lobe(peak_nm: f64, short_nm: f64, long_nm: f64) -> impl Fn(f64) -> f64 {
    move |nm| {
        let width = if nm < peak_nm { short_nm } else { long_nm };
        (-0.5 * ((nm - peak_nm) / width).powi(2)).exp()
    }
}

/// Sum of the product of two spectra over the grid.
pub(crate) fn overlap(a: &Spectrum, b: &Spectrum) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Relative spectral power of a black body, 1 at 560 nm.
///
/// ```text
/// P(l) = l^-5 / (exp(c2 / (l T)) - 1)      c2 = 1.4388e-2 m K (CODATA, rounded)
/// ```
pub(crate) fn black_body(kelvin: f64) -> Spectrum {
    let power = |nm: f64| {
        let metre = nm * 1e-9;
        metre.powi(-5) / ((1.4388e-2 / (metre * kelvin)).exp() - 1.0)
    };
    let at_560 = power(560.0);
    spectrum(|nm| power(nm) / at_560)
}

/// Smoothest reflectance whose colour is the red primary of sRGB. Source: `derive/colour_basis.py`.
#[rustfmt::skip]
const RED: Spectrum = [
    0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0021, 0.0141, 0.0409, 0.0397, 0.0144, 0.0,
    0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0509, 0.2087, 0.4221, 0.6384, 0.8171,
    0.9341, 0.986, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0,
];
/// The same for blue.
#[rustfmt::skip]
const BLUE: Spectrum = [
    1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.9979, 0.9859, 0.9591, 0.8658, 0.7039, 0.4994,
    0.2892, 0.1131, 0.0062, 0.0, 0.0, 0.0, 0.0, 0.007, 0.0205, 0.0347, 0.0443, 0.0449,
    0.0348, 0.014, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0,
];

/// Three smooth reflectances that represent pure red, green and blue. The eye sees them under daylight as the primaries
/// of sRGB, so the film records the colour in a chart's reference.
///
/// They add up to 1 at every wavelength, so that a grey has a flat spectrum and any mixture of colours in 0..1 is a
/// possible reflectance.
pub(crate) fn colour_basis() -> [Spectrum; 3] {
    [RED, std::array::from_fn(|band| 1.0 - RED[band] - BLUE[band]), BLUE]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colour_basis_adds_up_to_a_flat_grey() {
        let [r, g, b] = colour_basis();
        for band in 0..BANDS {
            assert!((r[band] + g[band] + b[band] - 1.0).abs() < 1e-4);
        }
    }

    /// Colour matching functions of the CIE 1931 observer as sums of lobes.
    ///
    /// Source: C. Wyman, P.-P. Sloan, P. Shirley, "Simple Analytic Approximations to the CIE XYZ Color Matching
    /// Functions", Journal of Computer Graphics Techniques 2 (2013), multi-lobe fit.
    fn observer(nm: f64) -> [f64; 3] {
        let g = |at: f64, low: f64, high: f64| {
            let t = (nm - at) * if nm < at { low } else { high };
            (-0.5 * t * t).exp()
        };
        [
            0.362 * g(442.0, 0.0624, 0.0374) + 1.056 * g(599.8, 0.0264, 0.0323)
                - 0.065 * g(501.1, 0.049, 0.0382),
            0.821 * g(568.8, 0.0213, 0.0247) + 0.286 * g(530.9, 0.0613, 0.0322),
            1.217 * g(437.0, 0.0845, 0.0278) + 0.681 * g(459.0, 0.0385, 0.0725),
        ]
    }

    #[test]
    fn the_eye_sees_the_primaries_of_srgb_in_the_colour_basis() {
        // sRGB to XYZ, adapted to D50 (Bradford), as published with the profile; columns are the primaries.
        let primaries = [[0.4360, 0.2225, 0.0139], [0.3851, 0.7169, 0.0971], [0.1431, 0.0606, 0.7141]];
        let light = black_body(5000.0);
        let seen = |spectrum: &Spectrum, axis: usize| -> f64 {
            (0..BANDS).map(|b| light[b] * spectrum[b] * observer(wavelength_nm(b))[axis]).sum()
        };
        for (spectrum, primary) in colour_basis().iter().zip(primaries) {
            for (axis, (want, white)) in primary.into_iter().zip([0.9642, 1.0, 0.8249]).enumerate() {
                let share = seen(spectrum, axis) / seen(&[1.0; BANDS], axis);
                // A black body replaces D50, and the lobes the observer: both cost less than a hundredth.
                assert!((share - want / white).abs() < 0.012, "axis {axis}: {share} for {}", want / white);
            }
        }
    }

    #[test]
    fn black_body_of_5500_kelvin_peaks_in_the_green() {
        let p = black_body(5500.0);
        let peak = (0..BANDS).max_by(|a, b| p[*a].total_cmp(&p[*b])).expect("the grid is not empty");
        // Displacement law: 2.898e6 nm K / 5500 K = 527 nm.
        assert!((wavelength_nm(peak) - 527.0).abs() <= 10.0);
    }
}
