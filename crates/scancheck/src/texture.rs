//! Noise of neighbouring pixels. A sensor's is independent from pixel to pixel; enlarging and smoothing make neighbours
//! alike, sharpening sets them against each other. This shows on even ground, whatever is on the film.

use rayon::prelude::*;

use crate::areas::{Areas, PICTURE, REBATE};
use crate::statistics::quantile;
use crate::{Measure, Report, ScanUnderCheck, What};

/// Side of the blocks, pixels. Our choice: small enough to be even, and a correlation within 0.06 of each.
const BLOCK_PX: usize = 16;
/// Side of the parts of a block whose means stand for coarse structure. Our choice.
const PART_PX: usize = 4;
const COUNT: f64 = (BLOCK_PX * BLOCK_PX) as f64;
/// Means of a block less the three values of the plane that is taken out.
const FREE_PARTS: f64 = COUNT / (PART_PX * PART_PX) as f64 - 3.0;
/// What taking out a plane does to the correlation of neighbours that are independent: three of 256 values.
const BIAS: f64 = -3.0 / COUNT;
/// Light against the brightest: open light from, holder up to, film from. Our choice.
const OPEN_FROM: f64 = 0.7;
const DARK_TO: f64 = 0.01;
const FILM_FROM: f64 = 0.03;
/// Blocks within this factor of the variance of the quietest are even. Source: chi-squared with 253 degrees of freedom
/// has a relative deviation of 9 %.
const EVEN: f64 = 1.3;
/// Share of the blocks of open light or holder that must be even, else they hold edges. Our choice.
const LEAST_EVEN: f64 = 0.5;
const FEWEST_BLOCKS: usize = 24;

/// Excess of fine noise. Ours: sound scans stay below 2 %, an unsharp mask of 20 % with a radius of 1 px gives 10 %.
const SHARPENED_LIMIT: f64 = 0.06;
const SHARPENED_SERIOUS: f64 = 0.2;
/// Correlation of neighbours. Ours: sound scans stay below 0.02, enlarging by a quarter gives 0.3.
const RESAMPLED_LIMIT: f64 = 0.1;
const RESAMPLED_SERIOUS: f64 = 0.4;

/// Where blocks lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ground {
    Open,
    Dark,
    Film,
}

/// One block: its light, variance, covariances along x and y, energy of coarse structure.
#[derive(Debug, Clone, Copy)]
struct Block {
    ground: Ground,
    light: f64,
    variance: f64,
    next: [f64; 2],
    coarse: f64,
}

/// Noise of even blocks.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Noise {
    /// Correlation of neighbours along x and y; 0 if they are independent.
    next: [f64; 2],
    /// Variance of coarse structure against what independent pixels give; 1 if they are.
    coarse: f64,
    blocks: usize,
}

impl Noise {
    fn of(blocks: &[Block]) -> Self {
        let sum = |of: fn(&Block) -> f64| blocks.iter().map(of).sum::<f64>();
        let all = sum(|block| block.variance).max(f64::MIN_POSITIVE);
        Self {
            next: [sum(|block| block.next[0]) / all - BIAS, sum(|block| block.next[1]) / all - BIAS],
            coarse: sum(|block| block.coarse) / all,
            blocks: blocks.len(),
        }
    }

    /// How much stronger fine noise is than coarse, a share, less what chance explains.
    ///
    /// For unsharp masks of 1 px, four times the negative correlation of neighbours gives about the same; it shows
    /// narrow masks better where something coarse is in the blocks.
    fn excess(self) -> f64 {
        // Twice the standard error; 0.4 and 1 / 16 are those of one block.
        let chance = 2.0 / (self.blocks as f64).sqrt();
        let by_coarse = 1.0 / self.coarse.max(0.05) - 1.0 - 0.4 * chance;
        let by_next = -4.0 * (self.next[0].max(self.next[1]) + chance / 16.0);
        by_coarse.max(by_next).max(0.0)
    }
}

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let blocks = blocks(scan, areas);
    let open = even_ground(&blocks, Ground::Open);
    let dark = even_ground(&blocks, Ground::Dark);
    let film = even_film(&blocks);
    let all: Vec<Noise> = [open, dark, film].into_iter().flatten().collect();
    if let Some(excess) = all.iter().map(|noise| noise.excess()).max_by(f64::total_cmp) {
        let source = "ours: sound scans stay below 2 %, an unsharp mask of 20 % and 1 px gives 10 %";
        let unit = "% more fine than coarse noise";
        let measure = Measure::per_cent(What::Sharpened, excess, unit, SHARPENED_LIMIT, source);
        report.judge(measure, 100.0 * SHARPENED_SERIOUS, None);
    }
    // Grain has a size of its own, so film says nothing about enlarging.
    let next = [open, dark].into_iter().flatten().map(|noise| noise.next[0].min(noise.next[1]));
    if let Some(next) = next.min_by(f64::total_cmp) {
        let source = "ours: neighbours of a sensor are independent; enlarging by a quarter gives 0.3";
        let measure = Measure {
            what: What::Resampled,
            value: next.max(0.0),
            unit: "correlation of noise between neighbouring pixels",
            limit: RESAMPLED_LIMIT,
            source,
        };
        report.judge(measure, RESAMPLED_SERIOUS, None);
    }
}

/// Noise of open light or of the holder; `None` if there is too little even ground.
fn even_ground(blocks: &[Block], ground: Ground) -> Option<Noise> {
    let of: Vec<Block> =
        blocks.iter().filter(|block| block.ground == ground && block.variance > 0.0).copied().collect();
    let quiet = quantile(&mut of.iter().map(|block| block.variance).collect::<Vec<_>>(), 0.2)?;
    let even: Vec<Block> = of.iter().filter(|block| block.variance < EVEN * quiet).copied().collect();
    let is_even = even.len() >= FEWEST_BLOCKS && even.len() as f64 >= LEAST_EVEN * of.len() as f64;
    is_even.then(|| Noise::of(&even))
}

/// Noise of the most even blocks of film.
fn even_film(blocks: &[Block]) -> Option<Noise> {
    let relative = |block: &Block| block.variance / block.light.powi(2);
    let of: Vec<Block> =
        blocks.iter().filter(|block| block.ground == Ground::Film && block.variance > 0.0).copied().collect();
    let quiet = quantile(&mut of.iter().map(relative).collect::<Vec<_>>(), 0.1)?;
    let even: Vec<Block> = of.into_iter().filter(|block| relative(block) < EVEN * quiet).collect();
    (even.len() >= 3 * FEWEST_BLOCKS).then(|| Noise::of(&even))
}

fn blocks(scan: &ScanUnderCheck<'_>, areas: &Areas) -> Vec<Block> {
    let mut all = Vec::new();
    for (band, light) in scan.bands.iter().zip(&areas.light[scan.middle_channel()]) {
        let (columns, rows) = (light.width() / BLOCK_PX as u32, light.height() / BLOCK_PX as u32);
        let of_band: Vec<Block> = (0..rows)
            .into_par_iter()
            .flat_map_iter(|row| {
                let rect = band.rect;
                (0..columns).filter_map(move |column| {
                    let (x, y) = (column * BLOCK_PX as u32, row * BLOCK_PX as u32);
                    let half = BLOCK_PX as u32 / 2;
                    let at = (rect.x0 + x + half, rect.y0 + y + half);
                    let values = std::array::from_fn(|j| {
                        let row = &light.row(y + j as u32)[x as usize..];
                        std::array::from_fn(|i| row[i])
                    });
                    measured(&values, at, areas)
                })
            })
            .collect();
        all.extend(of_band);
    }
    all
}

type Values = [[f32; BLOCK_PX]; BLOCK_PX];

fn measured(values: &Values, at: (u32, u32), areas: &Areas) -> Option<Block> {
    let middle = (BLOCK_PX as f64 - 1.0) / 2.0;
    let (mut sum, mut tilt) = (0.0, [0.0; 2]);
    for (y, row) in values.iter().enumerate() {
        for (x, v) in row.iter().enumerate() {
            let v = f64::from(*v);
            sum += v;
            tilt[0] += v * (x as f64 - middle);
            tilt[1] += v * (y as f64 - middle);
        }
    }
    let light = sum / COUNT;
    let relative = light / areas.bright;
    let ground = match areas.at(at.0, at.1) {
        _ if relative >= OPEN_FROM => Ground::Open,
        _ if relative < DARK_TO => Ground::Dark,
        REBATE | PICTURE if relative >= FILM_FROM => Ground::Film,
        _ => return None,
    };
    // Sum of squares of the distances from the middle of a block.
    let spread = COUNT * (COUNT - 1.0) / 12.0;
    let slope = tilt.map(|tilt| tilt / spread);
    let mut rest = [[0.0_f64; BLOCK_PX]; BLOCK_PX];
    for (y, row) in rest.iter_mut().enumerate() {
        for (x, rest) in row.iter_mut().enumerate() {
            let plane = light + slope[0] * (x as f64 - middle) + slope[1] * (y as f64 - middle);
            *rest = f64::from(values[y][x]) - plane;
        }
    }
    let pairs = COUNT - BLOCK_PX as f64;
    let variance = rest.iter().flatten().map(|v| v * v).sum::<f64>() / COUNT;
    let across = rest.iter().flat_map(|row| row.windows(2)).map(|pair| pair[0] * pair[1]).sum::<f64>();
    let down: f64 = rest
        .windows(2)
        .flat_map(|rows| rows[0].iter().zip(&rows[1]))
        .map(|(above, below)| above * below)
        .sum();
    let coarse = coarse(&rest);
    Some(Block { ground, light, variance, next: [across / pairs, down / pairs], coarse })
}

/// Variance of single pixels that would give the means of the parts, if pixels were independent.
fn coarse(rest: &[[f64; BLOCK_PX]; BLOCK_PX]) -> f64 {
    let mut sum = 0.0;
    for y in (0..BLOCK_PX).step_by(PART_PX) {
        for x in (0..BLOCK_PX).step_by(PART_PX) {
            let part: f64 = rest[y..y + PART_PX].iter().flat_map(|row| &row[x..x + PART_PX]).sum();
            sum += part * part;
        }
    }
    sum / (PART_PX * PART_PX) as f64 / FREE_PARTS
}

#[cfg(test)]
mod tests {
    use glassine_raster::Plane;

    use super::*;

    /// Four even numbers added: nearly normal, deviation 1.
    fn noise(x: u32, y: u32) -> f32 {
        let mut state = (u64::from(x) << 32 | u64::from(y)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let mut next = || {
            state = (state ^ (state >> 29)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            (state >> 40) as f32 / 16_777_216.0 - 0.5
        };
        (next() + next() + next() + next()) * 3.0_f32.sqrt()
    }

    /// Noise of open light whose pixels are weighed with their neighbours along x and y.
    fn of_weights(beside: f32) -> Noise {
        let areas = Areas {
            class: Plane::filled(1, 1, crate::areas::OPEN),
            factor: u32::MAX,
            bright: 1.0,
            pictures: Vec::new(),
            light: Vec::new(),
        };
        let blocks: Vec<Block> = (0..400_u32)
            .filter_map(|block| {
                let (x0, y0) = (block % 20 * 64, block / 20 * 64);
                let at = |x: u32, y: u32| noise(x0 + x, y0 + y);
                let values = std::array::from_fn(|j| {
                    std::array::from_fn(|i| {
                        let (x, y) = (i as u32 + 1, j as u32 + 1);
                        let around = at(x - 1, y) + at(x + 1, y) + at(x, y - 1) + at(x, y + 1);
                        0.9 + 0.002 * (at(x, y) + beside * around)
                    })
                });
                measured(&values, (0, 0), &areas)
            })
            .collect();
        Noise::of(&blocks)
    }

    #[test]
    fn independent_pixels_are_neither_sharpened_nor_enlarged() {
        let noise = of_weights(0.0);
        assert!(noise.excess() < 0.02, "{noise:?}");
        assert!(noise.next[0].abs().max(noise.next[1].abs()) < 0.015, "{noise:?}");
        assert!((noise.coarse - 1.0).abs() < 0.05, "{noise:?}");
    }

    #[test]
    fn correlations_are_those_of_the_filter() {
        // (1, b): neighbours share 2 b of a variance of 1 + 4 b^2.
        for beside in [-0.05_f32, 0.2] {
            let expected = f64::from(2.0 * beside / (1.0 + 4.0 * beside * beside));
            let noise = of_weights(beside);
            assert!(
                (noise.next[0] - expected).abs() < 0.02 && (noise.next[1] - expected).abs() < 0.02,
                "{noise:?}"
            );
            assert_eq!(noise.excess() > SHARPENED_LIMIT, beside < 0.0, "{noise:?}");
        }
    }
}
