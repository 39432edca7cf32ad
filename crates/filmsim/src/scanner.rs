//! The scanner: how its lamp and four bands record a density spectrum, and how its optics and sensor degrade that.

use rayon::prelude::*;
use serde::Deserialize;

use crate::spectrum::{BANDS, Spectrum, lobe, spectrum};
use crate::stock::Emulsion;

/// Properties of a scanner.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ScannerSpec {
    /// Share of full scale that open light reaches, per channel (red, green, blue, infrared).
    pub open_light_frac: [f64; 4],
    /// Light lost at the ends of the lamp, as a fraction of the light at its middle.
    pub lamp_falloff_frac: f64,
    /// Stray light, as a fraction of the light around a position.
    pub flare_frac: f64,
    /// Stray light that is equal everywhere, as a fraction of open light.
    pub veil_frac: f64,
    /// Infrared density of dyes, as a multiple of the stock's own: larger for a band nearer to visible light.
    pub dye_infrared: f64,
    /// Standard deviation of the blur in pixels, per channel.
    pub blur_px: [f64; 4],
    /// Displacement of a channel's content from its true position, x and y in pixels.
    pub shift_px: [[f64; 2]; 4],
    /// Electrons at full scale; shot noise is the square root of the electron count.
    pub full_well_electrons: f64,
    pub read_noise_electrons: f64,
}

impl Default for ScannerSpec {
    fn default() -> Self {
        Self {
            open_light_frac: [0.945, 0.94, 0.93, 0.90],
            lamp_falloff_frac: 0.03,
            flare_frac: 0.004,
            veil_frac: 0.0,
            dye_infrared: 1.0,
            blur_px: [0.56, 0.52, 0.55, 0.66],
            shift_px: [[0.14, -0.06], [0.0, 0.0], [-0.11, 0.10], [0.55, -0.40]],
            full_well_electrons: 160_000.0,
            read_noise_electrons: 6.0,
        }
    }
}

/// Response of the red, green and blue bands (lamp times filter times sensor). The shapes are invented.
pub(crate) fn bands() -> [Spectrum; 3] {
    [
        spectrum(lobe(640.0, 17.0, 20.0)),
        spectrum(|nm| lobe(541.0, 20.0, 19.0)(nm) + 0.01 * lobe(620.0, 20.0, 20.0)(nm)),
        spectrum(|nm| lobe(456.0, 17.0, 18.0)(nm) + 0.008 * lobe(540.0, 25.0, 25.0)(nm)),
    ]
}

/// Table entries along each layer.
const GRID: usize = 33;

/// Scanner densities (red, green, blue, infrared) of a film for every mixture of developed layers.
#[derive(Debug)]
pub(crate) struct BandTable {
    cells: Vec<[f32; 4]>,
}

impl BandTable {
    /// Integrate the spectra of `film` under the bands of a scanner on a grid of developed fractions.
    ///
    /// ```text
    /// D_band = -log10( sum S(l) 10^-D(l) / sum S(l) )
    /// ```
    pub(crate) fn seen_by(film: &Emulsion, bands: &[Spectrum; 3]) -> Self {
        let total: [f64; 3] = std::array::from_fn(|b| bands[b].iter().sum());
        let cells = (0..GRID * GRID * GRID)
            .into_par_iter()
            .map(|i| {
                let part = |n: usize| n as f64 / (GRID - 1) as f64;
                let at = [part(i / (GRID * GRID)), part(i / GRID % GRID), part(i % GRID)];
                let (d, ir) = film.densities(at);
                let t: Spectrum = std::array::from_fn(|band| 10f64.powf(-d[band]));
                let mut out = [ir as f32; 4];
                for b in 0..3 {
                    let seen: f64 = (0..BANDS).map(|band| bands[b][band] * t[band]).sum::<f64>() / total[b];
                    out[b] = -(seen.log10() as f32);
                }
                out
            })
            .collect();
        Self { cells }
    }

    /// Densities of a mixture, by trilinear interpolation.
    pub(crate) fn densities(&self, developed: [f32; 3]) -> [f32; 4] {
        let top = (GRID - 1) as f32;
        let pos = developed.map(|f| (f * top).clamp(0.0, top - 0.001));
        let base = pos.map(|p| p as usize);
        let part: [f32; 3] = std::array::from_fn(|k| pos[k] - base[k] as f32);
        let start = (base[0] * GRID + base[1]) * GRID + base[2];
        let mut out = [0.0f32; 4];
        for (offset, weight) in [
            (0, (1.0 - part[0]) * (1.0 - part[1]) * (1.0 - part[2])),
            (1, (1.0 - part[0]) * (1.0 - part[1]) * part[2]),
            (GRID, (1.0 - part[0]) * part[1] * (1.0 - part[2])),
            (GRID + 1, (1.0 - part[0]) * part[1] * part[2]),
            (GRID * GRID, part[0] * (1.0 - part[1]) * (1.0 - part[2])),
            (GRID * GRID + 1, part[0] * (1.0 - part[1]) * part[2]),
            (GRID * GRID + GRID, part[0] * part[1] * (1.0 - part[2])),
            (GRID * GRID + GRID + 1, part[0] * part[1] * part[2]),
        ] {
            let cell = &self.cells[start + offset];
            for c in 0..4 {
                out[c] += weight * cell[c];
            }
        }
        out
    }
}

/// Reach of the blur on each side, pixels.
pub(crate) const BLUR_REACH: usize = 4;

/// One-dimensional weights of a Gaussian that moves the content by `shift_px`.
///
/// ```text
/// w(k) ~ exp(-(k + shift)^2 / (2 sigma^2)),  k = -4 .. 4, sum 1:   out(x) = sum w(k) in(x + k)
/// ```
pub(crate) fn blur_weights(sigma_px: f64, shift_px: f64) -> [f32; 2 * BLUR_REACH + 1] {
    let sigma = sigma_px.max(0.2);
    let raw: [f64; 2 * BLUR_REACH + 1] = std::array::from_fn(|i| {
        let k = i as f64 - BLUR_REACH as f64;
        (-0.5 * ((k + shift_px) / sigma).powi(2)).exp()
    });
    let sum: f64 = raw.iter().sum();
    raw.map(|w| (w / sum) as f32)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::describe::STOCKS;
    use crate::stock::Stock;

    #[test]
    fn table_agrees_with_direct_integration() {
        let film = Emulsion::new(Stock::clone(&STOCKS[2].1));
        let bands = bands();
        let table = BandTable::seen_by(&film, &bands);
        for at in [[0.11f64, 0.52, 0.83], [0.49, 0.51, 0.5], [0.97, 0.03, 0.3]] {
            let (d, ir) = film.densities(at);
            let got = table.densities(at.map(|v| v as f32));
            for b in 0..3 {
                let total: f64 = bands[b].iter().sum();
                let seen: f64 = (0..BANDS).map(|i| bands[b][i] * 10f64.powf(-d[i])).sum::<f64>() / total;
                assert!((f64::from(got[b]) + seen.log10()).abs() < 0.01, "band {b} at {at:?}");
            }
            assert!((f64::from(got[3]) - ir).abs() < 1e-4);
        }
    }

    #[test]
    fn blur_moves_the_content_by_the_shift() {
        let w = blur_weights(0.7, 0.4);
        // The response at x to a point at 0 is w(-x); its centre of mass is where the point appears.
        let centre: f32 = w.iter().enumerate().map(|(i, w)| -(i as f32 - BLUR_REACH as f32) * w).sum();
        assert!((centre - 0.4).abs() < 0.02, "content moved by {centre}");
    }
}
