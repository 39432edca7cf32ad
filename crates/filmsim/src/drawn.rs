//! Random films and scanners with small pictures of them: the cases a balance must handle, without whole scans.
//!
//! Every figure of the demo's stock "Lantern 200" and of the default scanner varies around middles that give
//! greys the usual balance and slopes, by these amounts:
//!
//! | what | one standard deviation | source |
//! |---|---|---|
//! | speed of red, blue against green, at the pivot | 0.046, 0.056 log10 exposure, and what slopes add; one film in ten twice that | tolerance of +-0.12 D of the mid-grey aim of laboratory film over its slope of 0.53, less the common part, and colour spread of process control strips (0.06 to 0.09 D), as limits of three standard deviations |
//! | pivot at which layers keep their speed when slopes change | anywhere from the foot to mid grey | films are specified at either |
//! | slope of a layer | 3 % (2 % ladder, 2 % dye), scanner bands on top | control strips: +-0.07 to 0.09 on 0.6 to 1.05 as limits of two |
//! | dye peaks, sensitivity peaks, scanner bands | 2, 3, 3 nm; three scanners in five broad, one narrow, one near Status M | ours |
//! | mask, inhibition | 8 %, 0.05 | ours |
//!
//! Together they move the grey of a generic stock by 0.10 log10 exposure along the lights and 0.13 across (root mean
//! square over 72 films), more than speeds alone: scanner bands and dyes contribute most.

use glassine_raster::Samples16;

use crate::describe::STOCKS;
use crate::light::Light;
use crate::noise::{Dice, hash2, normal};
use crate::scanner::{BandTable, bands};
use crate::scene::Picture;
use crate::spectrum::{Spectrum, lobe, spectrum};
use crate::stock::{Emulsion, FilmStock, Stock, exposures};

/// A film and the scanner that reads it.
#[derive(Debug)]
pub struct DrawnFilm {
    film: Emulsion,
    table: BandTable,
}

/// A sequence of random numbers.
struct Draw(Dice);

impl Draw {
    fn around(&mut self, middle: f64, spread: f64) -> f64 {
        middle + spread * f64::from(self.0.normal())
    }

    fn even(&mut self) -> f64 {
        f64::from(self.0.range(0.0, 1.0))
    }
}

impl DrawnFilm {
    /// The film for a seed.
    pub fn new(seed: u32) -> Self {
        let (stock, bands) = stock_and_bands(&FilmStock::Drawn(seed));
        let film = Emulsion::new(stock);
        let table = BandTable::seen_by(&film, &bands);
        Self { film, table }
    }

    /// The same film on another day: speeds 0.02, slopes 1.5 % from another batch and bath (one standard deviation).
    #[must_use]
    pub fn another_day(&self, seed: u32, film_seed: u32) -> Self {
        let (mut stock, bands) = stock_and_bands(&FilmStock::Drawn(film_seed));
        let mut day = Draw(Dice::new(u64::from(seed) ^ 0xDA11_0000));
        for layer in 0..3 {
            stock.speed[layer] *= 10f64.powf(day.around(0.0, 0.014));
            let gain = day.around(1.0, 0.015);
            stock.dye[layer] = stock.dye[layer].map(|d| d * gain);
        }
        let film = Emulsion::new(stock);
        let table = BandTable::seen_by(&film, &bands);
        Self { film, table }
    }

    /// Density of clear film relative to open light: red, green, blue.
    pub fn base_d(&self) -> [f64; 3] {
        let [r, g, b, _] = self.table.densities([0.0; 3]);
        [r, g, b].map(f64::from)
    }

    /// Linear scan codes of a picture taken in a given light, `stops` above the meter; open light is full scale.
    pub fn photograph(&self, picture: &Picture, light: Light, stops: f64, seed: u32) -> Samples16 {
        let matrix = self.film.exposure_from_rgb(light);
        let gain = 2f64.powf(stops) as f32;
        let n = picture.pixels.len().max(1) as f64;
        // Veiling glare of a coated lens: half a per cent of the mean light, everywhere.
        let glare: [f32; 3] = std::array::from_fn(|c| {
            (0.005 * picture.pixels.iter().map(|p| f64::from(p[c])).sum::<f64>() / n) as f32
        });
        let mut codes = Vec::with_capacity(picture.pixels.len() * 3);
        for (i, pixel) in picture.pixels.iter().enumerate() {
            let rgb: [f32; 3] = std::array::from_fn(|c| gain * (pixel[c].max(0.0) + glare[c]));
            let developed = self.film.developed(exposures(&matrix, rgb));
            let grainy: [f32; 3] = std::array::from_fn(|k| {
                let spread = (developed[k] * (1.0 - developed[k])).max(0.0).sqrt() + 0.06;
                let grain = 0.006 * spread * normal(hash2(i as i32, k as i32, seed));
                (developed[k] + grain).clamp(0.0, 1.0)
            });
            let d = self.table.densities(grainy);
            codes
                .extend(d[..3].iter().map(|d| (65_535.0 * 10f32.powf(-d) + 0.5).clamp(0.0, 65_535.0) as u16));
        }
        Samples16::from_vec(picture.width, picture.height, 3, codes)
            .unwrap_or_else(|| Samples16::zeroed(0, 0, 3))
    }
}

/// A stock and the bands of its scanner: drawn together, or the default scanner's.
pub(crate) fn stock_and_bands(stock: &FilmStock) -> (Stock, [Spectrum; 3]) {
    match stock {
        FilmStock::Described(stock) => (Stock::clone(stock), bands()),
        FilmStock::Drawn(seed) => {
            let mut draw = Draw(Dice::new(u64::from(*seed) ^ 0xF11A_0000));
            let stock = draw_stock(&mut draw);
            (stock, draw_bands(&mut draw))
        }
    }
}

fn draw_stock(draw: &mut Draw) -> Stock {
    let [(_, lantern_200), ..] = &*STOCKS;
    let mut stock = Stock::clone(lantern_200);
    let tail = if draw.even() < 0.1 { 2.0 } else { 1.0 };
    for (layer, spread) in [0.036, 0.028, 0.048].into_iter().enumerate() {
        stock.speed[layer] = [1.15, 1.0, 1.09][layer] * 10f64.powf(draw.around(0.0, tail * spread));
    }
    // Foot at -0.95 (the fastest crystals), mid grey at 0.
    let pivot_log_h = -0.95 * draw.even();
    let common = draw.around(1.0, 0.02);
    for layer in 0..3 {
        let ladder = &mut stock.ladder[layer];
        let wider = common * draw.around(1.0, 0.02);
        ladder.fastest_log_h = pivot_log_h - (pivot_log_h - ladder.fastest_log_h) * wider;
        ladder.step_log_h *= wider;
    }
    let mut peak = |middle: f64, spread: f64| draw.around(middle, spread);
    let dyes = [
        (peak(662.0, 2.0), peak(44.0, 1.0), peak(52.0, 1.5), peak(0.09, 0.015), peak(0.08, 0.015)),
        (peak(546.0, 2.0), peak(31.0, 1.0), peak(28.0, 1.0), peak(0.14, 0.02), peak(0.04, 0.010)),
        (peak(447.0, 2.0), peak(34.0, 1.0), peak(30.0, 1.0), 0.0, peak(0.04, 0.010)),
    ];
    let side = [[(540.0, 40.0), (430.0, 34.0)], [(440.0, 35.0), (620.0, 27.0)], [(0.0, 1.0), (530.0, 27.0)]];
    for (layer, (at, short, long, first, second)) in dyes.into_iter().enumerate() {
        let full = [2.75, 2.85, 2.80][layer] * draw.around(1.0, 0.02);
        let [(a, wa), (b, wb)] = side[layer];
        stock.dye[layer] = spectrum(|nm| {
            full * (lobe(at, short, long)(nm) + first * lobe(a, wa, wa)(nm) + second * lobe(b, wb, wb)(nm))
        });
    }
    for layer in 0..2 {
        let strength = draw.around(1.0, 0.08);
        stock.mask[layer] = stock.mask[layer].map(|d| d * strength);
    }
    stock.inhibition_log_h = draw.around(0.22, 0.05).clamp(0.05, 0.4) as f32;
    let peaks = [(648.0, 24.0, 17.0), (550.0, 24.0, 20.0), (448.0, 26.0, 24.0)];
    for (layer, (at, short, long)) in peaks.into_iter().enumerate() {
        let (at, wider) = (draw.around(at, 3.0), draw.around(1.1, 0.08));
        let beside = [(560.0, 40.0, 0.02), (470.0, 30.0, 0.03), (540.0, 30.0, 0.01)][layer];
        stock.sensitivity[layer] = spectrum(|nm| {
            lobe(at, short * wider, long * wider)(nm) + beside.2 * lobe(beside.0, beside.1, beside.1)(nm)
        });
    }
    stock
}

fn draw_bands(draw: &mut Draw) -> [Spectrum; 3] {
    let kind = draw.even();
    let centres = if kind < 0.6 {
        [(625.0, 25.0), (537.0, 23.0), (458.0, 22.0)]
    } else if kind < 0.8 {
        [(632.0, 10.0), (532.0, 13.0), (458.0, 11.0)]
    } else {
        [(645.0, 14.0), (543.0, 16.0), (452.0, 15.0)]
    };
    centres.map(|(at, width)| {
        let (at, width) = (draw.around(at, 3.0), draw.around(width, 1.0));
        spectrum(lobe(at, width, width))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_seed_is_one_film_and_seeds_differ_within_their_spread() {
        let grey = Picture { width: 20, height: 20, pixels: vec![[0.18; 3]; 400] };
        let density = |seed: u32, light: Light| {
            let scan = DrawnFilm::new(seed).photograph(&grey, light, 0.0, 1);
            let base = DrawnFilm::new(seed).base_d();
            let px = scan.pixel(10, 10);
            [0, 1, 2].map(|c| -(f64::from(px[c]) / 65_535.0).log10() - base[c])
        };
        assert_eq!(density(3, Light::DAYLIGHT), density(3, Light::DAYLIGHT));
        let all: Vec<[f64; 3]> = (0..40).map(|seed| density(seed, Light::DAYLIGHT)).collect();
        for c in 0..3 {
            let mean = all.iter().map(|d| d[c]).sum::<f64>() / 40.0;
            let spread = (all.iter().map(|d| (d[c] - mean).powi(2)).sum::<f64>() / 40.0).sqrt();
            assert!((0.5..1.2).contains(&mean) && (0.02..0.12).contains(&spread), "{c}: {mean} {spread}");
        }
        let tungsten = density(3, Light { kelvin: 2856.0, green_line: 0.0 });
        let daylight = density(3, Light::DAYLIGHT);
        assert!(tungsten[0] > daylight[0] + 0.05 && tungsten[2] < daylight[2] - 0.05);
    }
}
