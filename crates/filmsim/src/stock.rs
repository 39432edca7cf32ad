//! Film: how light becomes developed grains, grains become dyes or silver, and dyes become a transmittance spectrum.
//!
//! The tone of a layer comes from counting: an emulsion is a ladder of crystal sizes, a crystal is developable once two
//! quanta have reached it, and arrivals are Poisson. Toe, straight part and shoulder follow from that, without a gamma.

use std::sync::Arc;

use serde::Deserialize;

use crate::light::Light;
use crate::spectrum::{BANDS, Spectrum, colour_basis, overlap};

/// Lowest and highest tabulated log10 exposure (0 is the exposure of an 18 % grey at 0 stops).
const LOG_H_RANGE: (f32, f32) = (-3.5, 4.5);
/// Entries of a tone table.
const TONE_ENTRIES: usize = 2049;

/// How a film stock forms its image.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Process {
    /// Dyes form in exposed areas; coloured couplers leave an orange mask elsewhere.
    ColourNegative,
    /// Metallic silver forms in exposed areas: a negative.
    BlackAndWhite,
    /// Dyes form in unexposed areas: a positive.
    Slide,
}

impl Process {
    /// Kind of film, as in session files.
    pub fn film_kind_key(self) -> &'static str {
        match self {
            Self::ColourNegative => "colour-negative",
            Self::BlackAndWhite => "black-and-white",
            Self::Slide => "slide",
        }
    }
}

/// The stock of a strip.
#[derive(Debug, Clone, PartialEq)]
pub enum FilmStock {
    /// A stock from a description, behind the bands of the default scanner.
    Described(Arc<Stock>),
    /// The masked colour negative from [`DrawnFilm::new`](crate::DrawnFilm::new) with this seed, and the bands of its
    /// scanner.
    Drawn(u32),
}

/// A ladder of crystal sizes: log10 exposure of the middle of the fastest size, the step between sizes, their number.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Ladder {
    pub(crate) fastest_log_h: f64,
    pub(crate) step_log_h: f64,
    pub(crate) sizes: u32,
}

impl Ladder {
    /// Fraction of all crystals that are developable at an exposure.
    ///
    /// ```text
    /// f(H) = mean over sizes j of  1 - (1 + x) exp(-x),   x = 1.678 H / H_j
    /// ```
    /// 1.678 makes `f = 1/2` for one size at `H = H_j` (root of `(1 + x) exp(-x) = 1/2`, computed).
    pub(crate) fn developed_frac(&self, log_h: f64) -> f64 {
        let sum: f64 = (0..self.sizes)
            .map(|size| {
                let x = 1.678 * 10f64.powf(log_h - self.fastest_log_h - self.step_log_h * f64::from(size));
                1.0 - (1.0 + x) * (-x).exp()
            })
            .sum();
        sum / f64::from(self.sizes.max(1))
    }
}

/// All figures of a film stock.
#[derive(Debug, Clone, PartialEq)]
pub struct Stock {
    /// Name in the edge print.
    pub(crate) name: String,
    pub(crate) process: Process,
    /// Spectral sensitivity of the red, green and blue recording layers.
    pub(crate) sensitivity: [Spectrum; 3],
    /// Relative speed of each layer: 1 is perfectly balanced for the taking light.
    pub(crate) speed: [f64; 3],
    /// Crystal ladders of the layers.
    pub(crate) ladder: [Ladder; 3],
    /// Density spectra at full development of the cyan, magenta and yellow image (or of silver).
    pub(crate) dye: [Spectrum; 3],
    /// Infrared density at full development of each.
    pub(crate) dye_ir: [f64; 3],
    /// Mask density spectra of the undeveloped layers.
    pub(crate) mask: [Spectrum; 3],
    /// Support and fog.
    pub(crate) support: Spectrum,
    /// Infrared density of support and fog.
    pub(crate) support_ir: f64,
    /// Log10 exposure lost in every other layer when a layer is fully developed.
    pub(crate) inhibition_log_h: f32,
    /// Spread of the developed fraction due to grain, for an aperture of 1 um side; inversely proportional to the side.
    pub(crate) grain: [f32; 3],
    /// Exposure of edge print, per layer, in units of an 18 % grey.
    pub(crate) print_exposure: [f32; 3],
}

/// A stock prepared for pictures, with tone tables.
#[derive(Debug)]
pub(crate) struct Emulsion {
    pub(crate) stock: Stock,
    tone: [Vec<f32>; 3],
}

impl Emulsion {
    pub(crate) fn new(stock: Stock) -> Self {
        let (low, high) = LOG_H_RANGE;
        let tone = std::array::from_fn(|layer| {
            (0..TONE_ENTRIES)
                .map(|i| {
                    let log_h = f64::from(low) + f64::from(high - low) * i as f64 / (TONE_ENTRIES - 1) as f64;
                    stock.ladder[layer].developed_frac(log_h) as f32
                })
                .collect()
        });
        Self { stock, tone }
    }

    /// Layer exposures (rows: red, green, blue layer) of linear RGB in a light: 1 for an 18 % grey in daylight, with the
    /// light metered in green.
    pub(crate) fn exposure_from_rgb(&self, light: Light) -> [[f32; 3]; 3] {
        let (daylight, light) = (Light::DAYLIGHT.spectrum(), light.spectrum());
        let basis = colour_basis();
        let seen = |light: &Spectrum, layer: usize| -> Spectrum {
            std::array::from_fn(|band| light[band] * self.stock.sensitivity[layer][band])
        };
        let flat = [1.0; BANDS];
        let metered = overlap(&seen(&daylight, 1), &flat) / overlap(&seen(&light, 1), &flat);
        std::array::from_fn(|layer| {
            let lit = seen(&light, layer);
            let white = overlap(&seen(&daylight, layer), &flat) / metered;
            std::array::from_fn(|c| {
                (self.stock.speed[layer] * overlap(&lit, &basis[c]) / white / 0.18) as f32
            })
        })
    }

    fn tone_at(&self, layer: usize, log_h: f32) -> f32 {
        let (low, high) = LOG_H_RANGE;
        let pos = ((log_h - low) / (high - low) * (TONE_ENTRIES - 1) as f32)
            .clamp(0.0, (TONE_ENTRIES - 1) as f32 - 0.001);
        let table = &self.tone[layer];
        let (i, part) = (pos as usize, pos.fract());
        table[i] + part * (table[i + 1] - table[i])
    }

    /// Developed fraction of the three layers for layer exposures, each reduced by development in the others.
    pub(crate) fn developed(&self, exposure: [f32; 3]) -> [f32; 3] {
        let log_h = exposure.map(|e| e.max(1e-6).log10());
        let held = self.stock.inhibition_log_h;
        if held == 0.0 {
            return std::array::from_fn(|layer| self.tone_at(layer, log_h[layer]));
        }
        let alone: [f32; 3] = std::array::from_fn(|layer| self.tone_at(layer, log_h[layer]));
        let all = alone[0] + alone[1] + alone[2];
        std::array::from_fn(|layer| self.tone_at(layer, log_h[layer] - held * (all - alone[layer])))
    }

    /// Density spectrum and infrared density for developed fractions of the layers.
    pub(crate) fn densities(&self, developed: [f64; 3]) -> (Spectrum, f64) {
        let s = &self.stock;
        let (mut d, mut ir) = (s.support, s.support_ir);
        for (layer, share) in developed.into_iter().enumerate() {
            let dye_frac = if s.process == Process::Slide { 1.0 - share } else { share };
            for (band, d) in d.iter_mut().enumerate() {
                *d += s.dye[layer][band] * dye_frac + s.mask[layer][band] * (1.0 - share);
            }
            ir += s.dye_ir[layer] * dye_frac;
        }
        (d, ir)
    }
}

/// Layer exposures of a linear RGB colour, by a matrix from [`Emulsion::exposure_from_rgb`].
pub(crate) fn exposures(matrix: &[[f32; 3]; 3], rgb: [f32; 3]) -> [f32; 3] {
    matrix.map(|row| row[0] * rgb[0] + row[1] * rgb[1] + row[2] * rgb[2])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::describe::STOCKS;

    #[test]
    fn tone_rises_from_nothing_to_all_with_toe_and_shoulder() {
        let l = Ladder { fastest_log_h: -0.95, step_log_h: 0.52, sizes: 6 };
        let f = |h: f64| l.developed_frac(h);
        let slope = |h: f64| (f(h + 0.05) - f(h - 0.05)) / 0.1;
        assert!(f(-3.5) < 1e-4 && f(4.0) > 0.9999);
        assert!((-30..30).all(|i| f(f64::from(i) * 0.1) < f(f64::from(i + 1) * 0.1)));
        assert!(slope(-1.7) < 0.5 * slope(0.3) && slope(2.3) < 0.5 * slope(0.3));
    }

    #[test]
    fn mask_gives_way_where_dye_forms() {
        let film = Emulsion::new(Stock::clone(&STOCKS[0].1));
        let clear = film.densities([0.0; 3]).0;
        let cyan_only = film.densities([1.0, 0.0, 0.0]).0;
        // 430 nm: the mask that the cyan dye used up matches the dye's unwanted blue absorption.
        let blue_change = (cyan_only[5] - clear[5]).abs();
        assert!(blue_change < 0.12, "blue density moves by {blue_change}");
        assert!(cyan_only[28] - clear[28] > 1.5, "660 nm density does not rise");
    }

    #[test]
    fn grey_exposes_all_layers_alike() {
        for (id, stock) in STOCKS.iter() {
            let film = Emulsion::new(Stock::clone(stock));
            for e in exposures(&film.exposure_from_rgb(Light::DAYLIGHT), [0.18; 3]) {
                assert!((e - 1.0).abs() < 0.08, "{id}: exposure {e}");
            }
        }
    }
}
