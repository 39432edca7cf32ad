//! Noise of the scanner in the densest film, against what its tones need.

use glassine_raster::Plane;
use rayon::prelude::*;

use crate::areas::{Areas, PICTURE, REBATE};
use crate::statistics::{median, quantile};
use crate::{Band, Measure, Report, ScanUnderCheck, What};

/// Side of the blocks, pixels. Our choice: small enough to be even, large enough for a deviation within a tenth.
const BLOCK_PX: u32 = 8;
/// Share of the picture that counts as densest. Our choice: what a print shows as its brightest places.
const DENSEST: f64 = 0.03;
const FEWEST_BLOCKS: usize = 24;
/// Share of the blocks that may be quieter than the noise that is stated. Our choice: of equal blocks one in ten is
/// quieter by 12 % and more.
const QUIETEST: f64 = 0.12;
/// Lightness noise in the finished picture, standard deviation of L*. Source: FADGI 2016 asks for less than 4 at one
/// star (stated for reflective originals); twice that is serious by our choice.
const LIMIT_L: f64 = 4.0;
const SERIOUS_L: f64 = 8.0;
/// Slope of L* over the density of a negative in its densest parts: prints there have L* near 85, so
/// `(L* + 16) / 3 * ln 10` per log10 of light, over a film slope of 0.6. Source: the definition of L*; the slope is the
/// usual one of negatives (common practice).
const L_PER_D: f64 = (85.0 + 16.0) / 3.0 * std::f64::consts::LN_10 / 0.6;
/// How much stronger the grain of dense film may be than that of clearer film, in density. Our choice: grain grows with
/// the root of density, and the compared parts differ by no more than a factor of two.
const GRAIN_GROWTH: f64 = 1.5;
/// Weights of red, green and blue light in lightness. Source: IEC 61966-2-1.
const WEIGHTS: [f64; 3] = [0.2126, 0.7152, 0.0722];

/// Light and noise of one block.
#[derive(Clone, Copy)]
struct Block {
    light: f64,
    sigma: f64,
}

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let colours = usize::from(scan.colour_channels);
    let sizes: Vec<Option<f64>> = (0..colours).map(|channel| of_channel(scan, areas, channel)).collect();
    let value = match sizes.as_slice() {
        [Some(one)] => *one,
        [Some(r), Some(g), Some(b)] => {
            let weighted =
                [*r, *g, *b].into_iter().zip(WEIGHTS).map(|(size, weight)| (size * weight).powi(2));
            weighted.sum::<f64>().sqrt()
        }
        _ => return,
    };
    let source = "FADGI 2016: standard deviation of L* below 4 at 1 star, stated for reflective originals";
    let measure = Measure { what: What::Noise, value, unit: "L* standard deviation", limit: LIMIT_L, source };
    report.judge(measure, SERIOUS_L, None);
}

/// Standard deviation of L* that the scanner adds in the densest parts, as far as one channel shows it.
///
/// ```text
/// excess^2 = (sigma_dense / T_dense)^2 - (1.5 sigma_clear / T_clear)^2
/// ```
/// Grain varies in proportion to light, so relative noise that grows towards dense film is the scanner's.
fn of_channel(scan: &ScanUnderCheck<'_>, areas: &Areas, channel: usize) -> Option<f64> {
    let lit = scan.bands.iter().zip(&areas.light[channel]);
    let mut blocks: Vec<Block> = lit.flat_map(|(band, light)| blocks(areas, band, light)).collect();
    if blocks.len() < 4 * FEWEST_BLOCKS {
        return None;
    }
    blocks.sort_unstable_by(|a, b| a.light.total_cmp(&b.light));
    let dense_count = ((blocks.len() as f64 * DENSEST) as usize).max(FEWEST_BLOCKS);
    let level = |blocks: &[Block]| {
        let light = median(&mut blocks.iter().map(|block| block.light).collect::<Vec<_>>())?;
        // Texture of the picture makes most blocks noisier; the quietest have none.
        let sigma = quantile(&mut blocks.iter().map(|block| block.sigma).collect::<Vec<_>>(), QUIETEST)?;
        Some(Block { light, sigma })
    };
    let dense = level(&blocks[..dense_count])?;
    let clear_from = blocks.partition_point(|block| block.light < 5.0 * dense.light);
    let clear = blocks.get(clear_from..).filter(|clear| clear.len() >= FEWEST_BLOCKS);
    let grain = clear.and_then(|clear| level(&clear[..clear.len().min(4 * dense_count)]));
    let relative = |block: Block| block.sigma / block.light.max(1e-6);
    let grain = grain.map_or(0.0, |clear| GRAIN_GROWTH * relative(clear));
    let excess = (relative(dense).powi(2) - grain.powi(2)).max(0.0).sqrt();
    Some(if scan.is_slide() {
        excess * dense.light * lightness_slope(dense.light)
    } else {
        excess / std::f64::consts::LN_10 * L_PER_D
    })
}

/// dL* / dY. Source: CIE 15, both branches of L*.
fn lightness_slope(light: f64) -> f64 {
    if light > 0.008_856 { 116.0 / 3.0 * light.powf(-2.0 / 3.0) } else { 903.3 }
}

fn blocks(areas: &Areas, band: &Band, light: &Plane<f32>) -> Vec<Block> {
    let (width, height) = (light.width(), light.height());
    // A block in four is enough of a whole scan.
    let step = if u64::from(width) * u64::from(height) > 1_000_000 { 2 * BLOCK_PX } else { BLOCK_PX };
    (1..height.saturating_sub(BLOCK_PX + 1))
        .into_par_iter()
        .filter(|y| (y - 1) % step == 0)
        .flat_map_iter(|y| {
            (1..width.saturating_sub(BLOCK_PX + 1)).step_by(step as usize).filter_map(move |x| {
                let class = areas.at(x + BLOCK_PX / 2, band.rect.y0 + y + BLOCK_PX / 2);
                (class == PICTURE || class == REBATE).then(|| block(light, x, y))
            })
        })
        .collect()
}

/// Source of the filter: J. Immerkaer, "Fast noise variance estimation", Computer Vision and Image Understanding 64
/// (1996).
fn block(light: &Plane<f32>, x0: u32, y0: u32) -> Block {
    let (mut sum, mut rest) = (0.0, 0.0);
    for y in y0..y0 + BLOCK_PX {
        let [above, here, below] = [y - 1, y, y + 1].map(|y| light.row(y));
        for x in x0 as usize..(x0 + BLOCK_PX) as usize {
            let line = |row: &[f32]| f64::from(row[x - 1]) - 2.0 * f64::from(row[x]) + f64::from(row[x + 1]);
            rest += (line(above) - 2.0 * line(here) + line(below)).abs();
            sum += f64::from(here[x]);
        }
    }
    let count = f64::from(BLOCK_PX * BLOCK_PX);
    // Mean of |normal| is sqrt(2 / pi) of its deviation; the filter's weights have a root sum of squares of 6.
    Block { light: sum / count, sigma: (std::f64::consts::FRAC_PI_2).sqrt() / 6.0 * rest / count }
}
