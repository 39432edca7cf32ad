//! Density of sample codes, and the slow background of a plane measured over blocks.

use glassine_raster::{PixelLoop, PixelRect, Plane, run_vectorised};
use rayon::prelude::*;

use crate::region::Region;
use crate::robust::{dot, median_in_place, robust_fit};
use crate::types::DustError;

/// Side of the blocks for measuring the background. Our choice: larger than grain and most dust, smaller than the
/// fall-off of a lamp.
pub(crate) const BLOCK_PX: u32 = 16;

/// Largest number of blocks for fitting a smooth surface; six or nine unknowns need no more. Our choice.
pub(crate) const FIT_BLOCKS_MAX: usize = 6_000;

/// Density of a 16-bit code against full scale: `log10(65535 / code)`; code 0 counts as half a code.
#[inline(always)]
pub(crate) fn density_d(code: u16) -> f32 {
    density_of(f32::from(code))
}

/// Density of a code between whole ones; below half a code it is that of half a code.
///
/// ```text
/// log10(code)  = exponent * log10(2) + log10(1 + x)
/// log10(1 + x) = x * polynomial(x),   1 + x in [sqrt(1/2), sqrt(2))
/// ```
/// Error below 1e-6 D; arithmetic only, so that whole rows are computed at once. Coefficients: minimax fit of degree
/// five, ours.
#[inline(always)]
pub(crate) fn density_of(code: f32) -> f32 {
    // Bits of `sqrt(1/2)`, and the density of code 1: `log10(65535)`.
    const ROOT_HALF_BITS: i32 = 0x3f35_04f3;
    const FULL: f32 = 4.816_473_3;
    const FIT: [f32; 6] =
        [0.434_299_98, -0.217_082_44, 0.144_298_64, -0.110_623_71, 0.096_974_56, -0.062_193_813];
    let code = if code > 0.5 { code } else { 0.5 };
    let bits = code.to_bits() as i32;
    let exponent = (bits - ROOT_HALF_BITS) >> 23;
    let x = f32::from_bits((bits - (exponent << 23)) as u32) - 1.0;
    let high = FIT[3] + x * (FIT[4] + x * FIT[5]);
    let log = x * (FIT[0] + x * (FIT[1] + x * (FIT[2] + x * high)));
    FULL - (exponent as f32 * std::f32::consts::LOG10_2 + log)
}

/// Density of the dyes behind a code that contains stray light; see [`Leakage`](crate::Leakage).
///
/// At least a tenth of the code counts as film, to limit noise in the dark.
#[inline(always)]
pub(crate) fn dye_density(code: f32, stray_codes: f32) -> f32 {
    // Our choice of a tenth.
    let (rest, least) = (code - stray_codes, 0.1 * code);
    density_of(if rest > least { rest } else { least })
}

/// Transmittance of a density.
#[inline]
pub(crate) fn transmittance(density_d: f32) -> f32 {
    (-density_d * std::f32::consts::LN_10).exp()
}

/// Rounded code of a density.
#[inline]
pub(crate) fn code_from_density(density_d: f32) -> u16 {
    (transmittance(density_d) * 65535.0 + 0.5).clamp(0.0, 65535.0) as u16
}

/// Results of the first pass over a region.
pub(crate) struct Blocks {
    /// Median density of each block: one plane per colour used, the infrared last.
    pub(crate) medians: Vec<Plane<f32>>,
    /// Share of infrared samples at full scale, and at black.
    pub(crate) infrared_top: f64,
    pub(crate) infrared_black: f64,
}

/// Median density of each block for the first `colours` channels and the last.
///
/// Reads the middle half of a block's rows and every second column; a median does not need more, and small defects do
/// not move it.
pub(crate) fn block_medians(region: &Region<'_>, colours: u8) -> Result<Blocks, DustError> {
    let (width, height) = (region.width(), region.height());
    let (bw, bh) = (width.div_ceil(BLOCK_PX), height.div_ceil(BLOCK_PX));
    let step = region.channels() as usize;
    let used: Vec<usize> = (0..colours as usize).chain([step - 1]).collect();
    let lines: Vec<(Vec<u16>, u64, u64)> = (0..bh)
        .into_par_iter()
        .map(|by| {
            let rows = BLOCK_PX.min(height - by * BLOCK_PX);
            let y0 = by * BLOCK_PX + rows / 4;
            let linear = region.read(PixelRect::new(0, y0, width, y0 + rows.div_ceil(2)))?;
            let mut line = vec![0; bw as usize * used.len()];
            let (mut top, mut black) = (0, 0);
            for bx in 0..bw {
                let (x0, x1) = (bx * BLOCK_PX, ((bx + 1) * BLOCK_PX).min(width));
                let mut values = [[0; BLOCK_VALUES]; 4];
                let mut count = 0;
                for y in 0..linear.height() {
                    let row = &linear.row(y)[x0 as usize * step..x1 as usize * step];
                    for px in row.chunks_exact(step).step_by(2) {
                        for (values, &c) in values.iter_mut().zip(&used) {
                            values[count] = px[c];
                        }
                        count += 1;
                    }
                }
                for (i, values) in values.iter_mut().enumerate().take(used.len()) {
                    // Fill a smaller block at the border with its highest value.
                    let highest = values[..count].iter().fold(0, |high, v| high.max(*v));
                    values[count..].fill(highest);
                    line[i * bw as usize + bx as usize] =
                        run_vectorised(Ranked { values: &*values, rank: count / 2 });
                }
                let infrared = &values[used.len() - 1][..count];
                top += infrared.iter().filter(|v| **v >= 65_500).count() as u64;
                black += infrared.iter().filter(|v| **v <= 16).count() as u64;
            }
            Ok((line, top, black))
        })
        .collect::<Result<_, DustError>>()?;
    let medians = (0..used.len())
        .map(|i| {
            let codes = lines.iter().flat_map(|l| &l.0[i * bw as usize..(i + 1) * bw as usize]);
            let data = codes.map(|&code| density_d(code)).collect();
            Plane::from_vec(bw, bh, data).unwrap_or_else(|| Plane::filled(bw, bh, 0.0))
        })
        .collect();
    let looked: f64 = f64::from(width.div_ceil(2)) * f64::from(height.div_ceil(2));
    let share = |pick: fn(&(Vec<u16>, u64, u64)) -> u64| lines.iter().map(pick).sum::<u64>() as f64 / looked;
    Ok(Blocks { medians, infrared_top: share(|l| l.1), infrared_black: share(|l| l.2) })
}

/// Number of values read per block. Our choice: every second row and column is enough for a median.
const BLOCK_VALUES: usize = (BLOCK_PX * BLOCK_PX / 4) as usize;

/// Finds the value with `rank` others below it, bit by bit: comparing all values at once is faster than sorting them.
struct Ranked<'a> {
    values: &'a [u16; BLOCK_VALUES],
    rank: usize,
}

impl PixelLoop for Ranked<'_> {
    type Output = u16;

    #[inline(always)]
    fn call(self) -> u16 {
        let (low, high) =
            self.values.iter().fold((u16::MAX, 0), |(low, high), v| (low.min(*v), high.max(*v)));
        // The leading bits common to all values are already known.
        let open = 16 - (low ^ high).leading_zeros();
        let mut found = if open < 16 { low >> open << open } else { 0 };
        for bit in (0..open).rev() {
            let next = found | 1 << bit;
            let below = self.values.iter().fold(0_u16, |sum, v| sum + u16::from(*v < next));
            if usize::from(below) <= self.rank {
                found = next;
            }
        }
        found
    }
}

/// The slow background: a robust quadratic surface (the lamp), plus a running median of the remainder.
///
/// A median window of five blocks keeps a defect out of the background as long as it covers less than half of it; the
/// surface keeps the median from flattening slopes at the border. Blocks that are not film are ignored.
pub(crate) fn smooth_background(blocks: &Plane<f32>, film: &[bool]) -> Plane<f32> {
    let lamp = quadratic_surface(blocks, film);
    let mut rest = blocks.clone();
    for (r, l) in rest.data_mut().iter_mut().zip(lamp.data()) {
        *r -= l;
    }
    let mut out = binomial(&binomial(&running_median(&rest, film)));
    for (o, l) in out.data_mut().iter_mut().zip(lamp.data()) {
        *o += l;
    }
    out
}

/// Robust least-squares surface of second order through the film blocks; zero if it is not determined.
fn quadratic_surface(blocks: &Plane<f32>, film: &[bool]) -> Plane<f32> {
    let (w, h) = (blocks.width(), blocks.height());
    let terms = |x: u32, y: u32| {
        let u = 2.0 * f64::from(x) / f64::from(w.max(2) - 1) - 1.0;
        let v = 2.0 * f64::from(y) / f64::from(h.max(2) - 1) - 1.0;
        [1.0, u, v, u * u, u * v, v * v]
    };
    let positions = (0..h).flat_map(|y| (0..w).map(move |x| (x, y)));
    let count = film.iter().filter(|f| **f).count();
    let rows: Vec<([f64; 6], f64, f64)> = positions
        .filter(|&(x, y)| film[(y * w + x) as usize])
        .step_by(count.div_ceil(FIT_BLOCKS_MAX).max(1))
        .map(|(x, y)| (terms(x, y), f64::from(blocks.at(x, y)), 1.0))
        .collect();
    // Per block; curved terms are held more, so that few blocks do not bend the surface. Our choice.
    let ridge = [0.0, 1e-3, 1e-3, 1e-2, 1e-2, 1e-2].map(|r| r * rows.len() as f64);
    let mut out = Plane::filled(w, h, 0.0_f32);
    if let Some((fit, _)) = robust_fit(&rows, &[0.0; 6], &ridge, 6) {
        for y in 0..h {
            for x in 0..w {
                out.set(x, y, dot(&fit, &terms(x, y)) as f32);
            }
        }
    }
    out
}

fn running_median(blocks: &Plane<f32>, film: &[bool]) -> Plane<f32> {
    let (w, h) = (blocks.width() as i64, blocks.height() as i64);
    let mut out = blocks.clone();
    out.data_mut().par_chunks_mut(w.max(1) as usize).enumerate().for_each(|(y, line)| {
        let y = y as i64;
        let mut values = Vec::with_capacity(81);
        for (x, out) in (0_i64..).zip(line) {
            // Five blocks to a side, nine where fewer than five of them are film. Our choice.
            for reach in [2_i64, 4] {
                values.clear();
                for yy in (y - reach).max(0)..=(y + reach).min(h - 1) {
                    let columns = (x - reach).max(0)..=(x + reach).min(w - 1);
                    let seen = columns.filter(|xx| film[(yy * w + xx) as usize]);
                    values.extend(seen.map(|xx| blocks.at(xx as u32, yy as u32)));
                }
                if values.len() >= 5 {
                    break;
                }
            }
            if !values.is_empty() {
                *out = median_in_place(&mut values);
            }
        }
    });
    out
}

/// One pass of the kernel 1 2 1 in both directions; edges repeat.
fn binomial(plane: &Plane<f32>) -> Plane<f32> {
    let (w, h) = (plane.width(), plane.height());
    let mut out = plane.clone();
    for y in 0..h {
        for x in 0..w {
            let (l, r) = (x.saturating_sub(1), (x + 1).min(w - 1));
            let (u, d) = (y.saturating_sub(1), (y + 1).min(h - 1));
            let line = |yy| plane.at(l, yy) + 2.0 * plane.at(x, yy) + plane.at(r, yy);
            out.set(x, y, (line(u) + 2.0 * line(y) + line(d)) / 16.0);
        }
    }
    out
}

/// The block whose centre precedes a pixel position, and the fraction of the way to the next one.
///
/// Beyond the outermost block centres the last slope continues.
#[inline(always)]
fn block_position(v: f32, n: u32) -> (u32, f32) {
    let t = ((v + 0.5) / BLOCK_PX as f32 - 0.5).clamp(-0.5, n as f32 - 0.5);
    let i = (t.max(0.0) as u32).min(n.saturating_sub(2));
    (i, if n > 1 { t - i as f32 } else { 0.0 })
}

/// Bilinear value of a block plane at a pixel.
pub(crate) fn background_at(blocks: &Plane<f32>, x: f32, y: f32) -> f32 {
    let pos = block_position;
    let ((x0, fx), (y0, fy)) = (pos(x, blocks.width()), pos(y, blocks.height()));
    let (x1, y1) = ((x0 + 1).min(blocks.width() - 1), (y0 + 1).min(blocks.height() - 1));
    let top = blocks.at(x0, y0) + fx * (blocks.at(x1, y0) - blocks.at(x0, y0));
    let bottom = blocks.at(x0, y1) + fx * (blocks.at(x1, y1) - blocks.at(x0, y1));
    top + fy * (bottom - top)
}

/// The background along one pixel row from column `x0` on, bilinear between blocks.
#[inline(always)]
pub(crate) fn background_row(blocks: &Plane<f32>, y: u32, x0: u32, out: &mut [f32]) {
    let b = BLOCK_PX;
    let end = x0 + out.len() as u32;
    let (y0, fy) = block_position(y as f32, blocks.height());
    let (above, below) = (blocks.row(y0), blocks.row((y0 + 1).min(blocks.height() - 1)));
    let at = |block: u32| {
        let (a, b) = (above[block as usize], below[block as usize]);
        a + fy * (b - a)
    };
    // Between two block centres the background is a straight line: add steps instead of evaluating every pixel.
    let mut x = if x0 < b / 2 { 0 } else { x0 - (x0 - b / 2) % b };
    while x < end {
        let next = if x < b / 2 { b / 2 } else { x + b };
        let (block, fx) = block_position(x as f32, blocks.width());
        let left = at(block);
        let slope = (at((block + 1).min(blocks.width() - 1)) - left) / b as f32;
        let first = left + fx * b as f32 * slope;
        let columns = x.max(x0)..next.min(end);
        let values = &mut out[(columns.start - x0) as usize..(columns.end - x0) as usize];
        for (v, column) in values.iter_mut().zip(columns.start - x..) {
            *v = first + slope * column as f32;
        }
        x = next;
    }
}

#[cfg(test)]
mod tests {
    use glassine_testdata::random::Lcg;

    use super::*;

    #[test]
    fn densities_are_logarithms() {
        for code in 0..=65535_u16 {
            let known = (65535.0 / f64::from(code).max(0.5)).log10();
            let computed = f64::from(density_d(code));
            assert!((computed - known).abs() < 2e-6, "{code}: {computed} for {known}");
        }
        assert_eq!(density_of(-3.0), density_of(0.5));
    }

    #[test]
    fn a_rank_is_that_of_the_sorted_values() {
        let mut random = Lcg::new(9);
        for spread in [0, 1, 7, 300, 65_535] {
            let values: [u16; BLOCK_VALUES] =
                std::array::from_fn(|_| ((random.next_u32() >> 16) * spread / 65_535) as u16);
            let mut sorted = values;
            sorted.sort_unstable();
            for rank in [0, 1, 31, 32, 63] {
                assert_eq!(run_vectorised(Ranked { values: &values, rank }), sorted[rank], "{rank}");
            }
        }
    }

    #[test]
    fn density_and_code_are_inverse() {
        for code in [1_u16, 65, 655, 6553, 40000, 65535] {
            assert_eq!(code_from_density(density_d(code)), code);
        }
        // 16-bit linear code of D = 0.30 and 1.00 (check value CV-2.0 of the reference notes).
        assert_eq!(code_from_density(0.3), 32845);
        assert!((6553..=6554).contains(&code_from_density(1.0)));
    }

    #[test]
    fn the_background_of_a_ramp_is_the_ramp_in_spite_of_a_speck() {
        let (w, h) = (160, 160);
        let mut blocks = Plane::filled(10, 10, 0.0_f32);
        for y in 0..10 {
            for x in 0..10 {
                blocks.set(x, y, 0.01 * x as f32);
            }
        }
        blocks.set(5, 5, 2.0);
        let smooth = smooth_background(&blocks, &[true; 100]);
        let mut row = vec![0.0; w];
        background_row(&smooth, h / 2, 0, &mut row);
        for (x, &value) in row.iter().enumerate().take(112).skip(48) {
            let expect = 0.01 * ((x as f32 + 0.5) / 16.0 - 0.5);
            assert!((value - expect).abs() < 0.004, "{x}: {value}");
            assert!((value - background_at(&smooth, x as f32, (h / 2) as f32)).abs() < 1e-5);
        }
    }
}
