//! Film: how light becomes developed grains, grains become dyes or silver, and dyes become a transmittance spectrum.
//!
//! The tone of a layer comes from counting: an emulsion is a ladder of crystal sizes, a crystal is developable once two
//! quanta have reached it, and arrivals are Poisson. Toe, straight part and shoulder follow from that, without a gamma.

use crate::spectrum::{BANDS, Spectrum, black_body, colour_basis, lobe, overlap, spectrum};

/// Lowest and highest tabulated log10 exposure (0 is the exposure of an 18 % grey at 0 stops).
const LOG_H_RANGE: (f32, f32) = (-3.5, 4.5);
/// Entries of a tone table.
const TONE_ENTRIES: usize = 2049;

/// How a film stock forms its image.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Process {
    /// Dyes form in exposed areas; coloured couplers leave an orange mask elsewhere.
    ColourNegative,
    /// Metallic silver forms in exposed areas.
    SilverNegative,
    /// Dyes form in unexposed areas: a positive.
    Slide,
}

/// One of the invented stocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StockId {
    /// "Lantern 200", a masked colour negative.
    Lantern200,
    /// "Fathom 400", a silver black-and-white negative.
    Fathom400,
    /// "Meridian 50", a slide film.
    Meridian50,
    /// The masked colour negative from [`DrawnFilm::new`](crate::DrawnFilm::new) with this seed, and the bands of its
    /// scanner.
    Drawn(u32),
}

/// A ladder of crystal sizes: log10 exposure of the middle of the fastest size, the step between sizes, their number.
#[derive(Debug, Clone, Copy)]
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

/// All figures of a stock. Shapes and numbers are invented; ranges follow published curves of their kind.
#[derive(Debug, Clone)]
pub(crate) struct Stock {
    pub(crate) name: &'static str,
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

impl Stock {
    /// For a drawn stock, the one that it varies.
    pub(crate) fn of(id: StockId) -> Self {
        match id {
            StockId::Lantern200 | StockId::Drawn(_) => lantern_200(),
            StockId::Fathom400 => fathom_400(),
            StockId::Meridian50 => meridian_50(),
        }
    }
}

fn ladder(fastest_log_h: f64, step_log_h: f64, sizes: u32) -> Ladder {
    Ladder { fastest_log_h, step_log_h, sizes }
}

fn colour_sensitivity() -> [Spectrum; 3] {
    [
        spectrum(|nm| lobe(648.0, 24.0, 17.0)(nm) + 0.02 * lobe(560.0, 40.0, 40.0)(nm)),
        spectrum(|nm| lobe(550.0, 24.0, 20.0)(nm) + 0.03 * lobe(470.0, 30.0, 30.0)(nm)),
        spectrum(|nm| lobe(448.0, 26.0, 24.0)(nm) + 0.01 * lobe(540.0, 30.0, 30.0)(nm)),
    ]
}

/// Unit dyes: wanted lobe, side absorptions, long-wave tail.
fn unit_dyes() -> [Spectrum; 3] {
    [
        spectrum(|nm| {
            lobe(668.0, 44.0, 52.0)(nm)
                + 0.10 * lobe(540.0, 40.0, 40.0)(nm)
                + 0.08 * lobe(430.0, 30.0, 40.0)(nm)
        }),
        spectrum(|nm| {
            lobe(546.0, 30.0, 26.0)(nm)
                + 0.16 * lobe(440.0, 34.0, 36.0)(nm)
                + 0.05 * lobe(620.0, 24.0, 30.0)(nm)
        }),
        spectrum(|nm| lobe(446.0, 34.0, 28.0)(nm) + 0.05 * lobe(530.0, 24.0, 30.0)(nm)),
    ]
}

fn scaled(shape: &Spectrum, factor: f64) -> Spectrum {
    std::array::from_fn(|band| shape[band] * factor)
}

/// A masked colour negative of medium speed. Base densities and slopes are within the ranges usual for such stocks
/// (base near 0.25 / 0.6 / 0.85; slopes 0.55 to 0.70, steepest in blue).
fn lantern_200() -> Stock {
    let [cyan, magenta, yellow] = unit_dyes();
    let full = [2.65, 2.85, 3.20];
    // There is less coloured coupler than full development could use up, so the mask compensates most of the unwanted
    // absorption, not all of it.
    let coupled = [1.95, 2.05];
    let cyan_mask = spectrum(|nm| 0.17 * lobe(530.0, 40.0, 34.0)(nm) + 0.12 * lobe(440.0, 34.0, 36.0)(nm));
    let magenta_mask =
        spectrum(|nm| 0.155 * lobe(438.0, 34.0, 34.0)(nm) + 0.01 * lobe(520.0, 30.0, 30.0)(nm));
    Stock {
        name: "LANTERN 200",
        process: Process::ColourNegative,
        sensitivity: colour_sensitivity(),
        speed: [1.0, 1.06, 0.94],
        ladder: [ladder(-0.95, 0.52, 6), ladder(-0.99, 0.525, 6), ladder(-0.93, 0.515, 6)],
        dye: [scaled(&cyan, full[0]), scaled(&magenta, full[1]), scaled(&yellow, full[2])],
        dye_ir: [0.055, 0.012, 0.006],
        mask: [scaled(&cyan_mask, coupled[0]), scaled(&magenta_mask, coupled[1]), [0.0; BANDS]],
        support: spectrum(|nm| 0.19 + 0.045 * lobe(470.0, 70.0, 90.0)(nm)),
        support_ir: 0.035,
        inhibition_log_h: 0.30,
        grain: [0.21, 0.21, 0.30],
        print_exposure: [2.2, 2.0, 0.5],
    }
}

/// A fast silver black-and-white negative on a grey base; the image is neutral and blocks infrared as well as light.
fn fathom_400() -> Stock {
    let eye_like = spectrum(|nm| {
        0.75 * lobe(450.0, 40.0, 45.0)(nm) + lobe(550.0, 45.0, 45.0)(nm) + 0.9 * lobe(630.0, 30.0, 18.0)(nm)
    });
    let silver = spectrum(|nm| 2.15 * (1.0 + 0.05 * (560.0 - nm) / 180.0));
    Stock {
        name: "FATHOM 400",
        process: Process::SilverNegative,
        sensitivity: [eye_like; 3],
        speed: [1.0; 3],
        ladder: [ladder(-1.0, 0.58, 6); 3],
        dye: [silver, [0.0; BANDS], [0.0; BANDS]],
        dye_ir: [1.96, 0.0, 0.0],
        mask: [[0.0; BANDS]; 3],
        support: spectrum(|nm| 0.14 + 0.015 * lobe(440.0, 50.0, 80.0)(nm)),
        support_ir: 0.11,
        inhibition_log_h: 0.0,
        grain: [0.44, 0.0, 0.0],
        print_exposure: [3.0; 3],
    }
}

/// A slow, contrasty slide film.
fn meridian_50() -> Stock {
    let [cyan, magenta, yellow] = unit_dyes();
    Stock {
        name: "MERIDIAN 50",
        process: Process::Slide,
        sensitivity: colour_sensitivity(),
        speed: [1.02, 1.0, 0.97],
        ladder: [ladder(-1.28, 0.35, 5), ladder(-1.27, 0.35, 5), ladder(-1.26, 0.345, 5)],
        dye: [scaled(&cyan, 3.75), scaled(&magenta, 3.35), scaled(&yellow, 3.20)],
        dye_ir: [0.16, 0.02, 0.01],
        mask: [[0.0; BANDS]; 3],
        support: spectrum(|nm| 0.12 + 0.02 * lobe(430.0, 40.0, 60.0)(nm)),
        support_ir: 0.04,
        inhibition_log_h: 0.10,
        grain: [0.16, 0.16, 0.2],
        print_exposure: [2.5, 1.6, 0.25],
    }
}

/// A stock prepared for pictures: an RGB-to-exposure matrix and tone tables.
#[derive(Debug)]
pub(crate) struct Emulsion {
    pub(crate) stock: Stock,
    /// Layer exposures (rows: red, green, blue layer) of linear RGB, 1 for an 18 % grey.
    pub(crate) exposure_from_rgb: [[f32; 3]; 3],
    tone: [Vec<f32>; 3],
}

impl Emulsion {
    /// Integrate the stock's spectra under daylight.
    pub(crate) fn new(stock: Stock) -> Self {
        let light = black_body(5500.0);
        let basis = colour_basis();
        let exposure_from_rgb = std::array::from_fn(|layer| {
            let seen: Spectrum = std::array::from_fn(|band| light[band] * stock.sensitivity[layer][band]);
            let white = overlap(&seen, &[1.0; BANDS]);
            std::array::from_fn(|c| (stock.speed[layer] * overlap(&seen, &basis[c]) / white / 0.18) as f32)
        });
        let (low, high) = LOG_H_RANGE;
        let tone = std::array::from_fn(|layer| {
            (0..TONE_ENTRIES)
                .map(|i| {
                    let log_h = f64::from(low) + f64::from(high - low) * i as f64 / (TONE_ENTRIES - 1) as f64;
                    stock.ladder[layer].developed_frac(log_h) as f32
                })
                .collect()
        });
        Self { stock, exposure_from_rgb, tone }
    }

    /// Layer exposures of a linear RGB colour.
    pub(crate) fn exposures(&self, rgb: [f32; 3]) -> [f32; 3] {
        self.exposure_from_rgb.map(|row| row[0] * rgb[0] + row[1] * rgb[1] + row[2] * rgb[2])
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tone_rises_from_nothing_to_all_with_toe_and_shoulder() {
        let l = ladder(-0.95, 0.52, 6);
        let f = |h: f64| l.developed_frac(h);
        let slope = |h: f64| (f(h + 0.05) - f(h - 0.05)) / 0.1;
        assert!(f(-3.5) < 1e-4 && f(4.0) > 0.9999);
        assert!((-30..30).all(|i| f(f64::from(i) * 0.1) < f(f64::from(i + 1) * 0.1)));
        assert!(slope(-1.7) < 0.5 * slope(0.3) && slope(2.3) < 0.5 * slope(0.3));
    }

    #[test]
    fn mask_gives_way_where_dye_forms() {
        let film = Emulsion::new(Stock::of(StockId::Lantern200));
        let clear = film.densities([0.0; 3]).0;
        let cyan_only = film.densities([1.0, 0.0, 0.0]).0;
        // 430 nm: the mask that the cyan dye used up matches the dye's unwanted blue absorption.
        let blue_change = (cyan_only[5] - clear[5]).abs();
        assert!(blue_change < 0.12, "blue density moves by {blue_change}");
        assert!(cyan_only[28] - clear[28] > 1.5, "660 nm density does not rise");
    }

    #[test]
    fn grey_exposes_all_layers_alike() {
        for id in [StockId::Lantern200, StockId::Fathom400, StockId::Meridian50] {
            let film = Emulsion::new(Stock::of(id));
            for e in film.exposures([0.18; 3]) {
                assert!((e - 1.0).abs() < 0.08, "{id:?}: exposure {e}");
            }
        }
    }
}
