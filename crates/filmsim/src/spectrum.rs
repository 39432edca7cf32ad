//! Spectra on a fixed 10 nm grid, and the smooth spectra that stand for a linear RGB colour.

/// Number of samples of a spectrum.
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

/// Sum over the grid of a product of two spectra.
pub(crate) fn overlap(a: &Spectrum, b: &Spectrum) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Relative spectral power of a glowing black body, 1 at 560 nm.
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

/// Three smooth reflectances that stand for pure red, green and blue; they add up to 1 at every wavelength, so that an
/// equal-energy grey has a flat spectrum and any mixture of colours in 0..1 is a possible reflectance.
pub(crate) fn colour_basis() -> [Spectrum; 3] {
    let rise = |nm: f64, at_nm: f64, width_nm: f64| 1.0 / (1.0 + (-(nm - at_nm) / width_nm).exp());
    let red = spectrum(|nm| rise(nm, 587.0, 7.0));
    let blue = spectrum(|nm| 1.0 - rise(nm, 493.0, 7.5));
    let green = std::array::from_fn(|band| (1.0 - red[band] - blue[band]).max(0.0));
    [red, green, blue]
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

    #[test]
    fn black_body_of_5500_kelvin_peaks_in_the_green() {
        let p = black_body(5500.0);
        let peak = (0..BANDS).max_by(|a, b| p[*a].total_cmp(&p[*b])).expect("the grid is not empty");
        // Displacement law: 2.898e6 nm K / 5500 K = 527 nm.
        assert!((wavelength_nm(peak) - 527.0).abs() <= 10.0);
    }
}
