//! Density of sample codes, and the slow background of a plane measured over blocks.

use std::sync::LazyLock;

use glassine_raster::{Plane, Samples16};
use rayon::prelude::*;

use crate::robust::{dot, median_in_place, robust_fit};

/// Side of the blocks in which the background is measured.
pub(crate) const BLOCK_PX: u32 = 16;

/// Density of every 16-bit code against full scale: `log10(65535 / code)`; code 0 counts as half a code.
pub(crate) static DENSITY_D: LazyLock<Vec<f32>> =
    LazyLock::new(|| (0..=65535_u32).map(|c| (65535.0 / f64::from(c).max(0.5)).log10() as f32).collect());

/// Density of one code.
#[inline]
pub(crate) fn density_d(code: u16) -> f32 {
    DENSITY_D[code as usize]
}

/// Transmittance of a density.
#[inline]
pub(crate) fn transmittance(density_d: f32) -> f32 {
    (-density_d * std::f32::consts::LN_10).exp()
}

/// Code of a density, rounded.
#[inline]
pub(crate) fn code_from_density(density_d: f32) -> u16 {
    (transmittance(density_d) * 65535.0 + 0.5).clamp(0.0, 65535.0) as u16
}

/// Median density of each block for every channel: one plane a channel, one sample a block.
///
/// Every second column and row is read; a median does not need more, and small defects do not move it.
pub(crate) fn block_medians(samples: &Samples16, channels: u8) -> Vec<Plane<f32>> {
    let (bw, bh) = (samples.width().div_ceil(BLOCK_PX), samples.height().div_ceil(BLOCK_PX));
    let step = samples.channels() as usize;
    let rows: Vec<Vec<f32>> = (0..bh)
        .into_par_iter()
        .map(|by| {
            let mut line = vec![0.0; bw as usize * channels as usize];
            let mut values: Vec<u16> = Vec::with_capacity(256);
            for bx in 0..bw {
                for c in 0..channels as usize {
                    values.clear();
                    for y in (by * BLOCK_PX..((by + 1) * BLOCK_PX).min(samples.height())).step_by(2) {
                        let row = samples.row(y);
                        let x1 = ((bx + 1) * BLOCK_PX).min(samples.width());
                        values.extend((bx * BLOCK_PX..x1).step_by(2).map(|x| row[x as usize * step + c]));
                    }
                    let mid = values.len() / 2;
                    let code = *values.select_nth_unstable(mid).1;
                    line[c * bw as usize + bx as usize] = density_d(code);
                }
            }
            line
        })
        .collect();
    (0..channels as usize)
        .map(|c| {
            let data = rows.iter().flat_map(|r| r[c * bw as usize..(c + 1) * bw as usize].iter().copied());
            Plane::from_vec(bw, bh, data.collect()).unwrap_or_else(|| Plane::filled(bw, bh, 0.0))
        })
        .collect()
}

/// The slow background: a robust quadratic surface (the lamp), plus a running median of what it leaves.
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

/// Robust least-squares surface of second order through the film blocks; zero when it is not determined.
fn quadratic_surface(blocks: &Plane<f32>, film: &[bool]) -> Plane<f32> {
    let (w, h) = (blocks.width(), blocks.height());
    let terms = |x: u32, y: u32| {
        let u = 2.0 * f64::from(x) / f64::from(w.max(2) - 1) - 1.0;
        let v = 2.0 * f64::from(y) / f64::from(h.max(2) - 1) - 1.0;
        [1.0, u, v, u * u, u * v, v * v]
    };
    let positions = (0..h).flat_map(|y| (0..w).map(move |x| (x, y)));
    let rows: Vec<([f64; 6], f64, f64)> = positions
        .filter(|&(x, y)| film[(y * w + x) as usize])
        .map(|(x, y)| (terms(x, y), f64::from(blocks.at(x, y)), 1.0))
        .collect();
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
    let mut values = Vec::with_capacity(81);
    for y in 0..h {
        for x in 0..w {
            for reach in [2_i64, 4] {
                values.clear();
                for yy in (y - reach).max(0)..=(y + reach).min(h - 1) {
                    for xx in (x - reach).max(0)..=(x + reach).min(w - 1) {
                        if film[(yy * w + xx) as usize] {
                            values.push(blocks.at(xx as u32, yy as u32));
                        }
                    }
                }
                if values.len() >= 5 {
                    break;
                }
            }
            if !values.is_empty() {
                out.set(x as u32, y as u32, median_in_place(&mut values));
            }
        }
    }
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

/// Bilinear value of a block plane at a pixel.
pub(crate) fn background_at(blocks: &Plane<f32>, x: f32, y: f32) -> f32 {
    let b = BLOCK_PX as f32;
    // Beyond the outermost block centres the last slope goes on.
    let pos = |v: f32, n: u32| {
        let t = ((v + 0.5) / b - 0.5).clamp(-0.5, n as f32 - 0.5);
        let i = (t.max(0.0) as u32).min(n.saturating_sub(2));
        (i, if n > 1 { t - i as f32 } else { 0.0 })
    };
    let ((x0, fx), (y0, fy)) = (pos(x, blocks.width()), pos(y, blocks.height()));
    let (x1, y1) = ((x0 + 1).min(blocks.width() - 1), (y0 + 1).min(blocks.height() - 1));
    let top = blocks.at(x0, y0) + fx * (blocks.at(x1, y0) - blocks.at(x0, y0));
    let bottom = blocks.at(x0, y1) + fx * (blocks.at(x1, y1) - blocks.at(x0, y1));
    top + fy * (bottom - top)
}

/// The background along one pixel row, bilinear between blocks.
pub(crate) fn background_row(blocks: &Plane<f32>, y: u32, out: &mut [f32]) {
    let b = BLOCK_PX as usize;
    let half = b / 2;
    let mut x = 0;
    // Between two block centres the background is a straight line: step it instead of evaluating every pixel.
    while x < out.len() {
        let end = if x < half { half } else { x - (x - half) % b + b }.min(out.len());
        let first = background_at(blocks, x as f32, y as f32);
        let slope = if end - x > 1 {
            (background_at(blocks, (end - 1) as f32, y as f32) - first) / (end - 1 - x) as f32
        } else {
            0.0
        };
        for (i, o) in out[x..end].iter_mut().enumerate() {
            *o = first + slope * i as f32;
        }
        x = end;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
        background_row(&smooth, h / 2, &mut row);
        for (x, &value) in row.iter().enumerate().take(112).skip(48) {
            let expect = 0.01 * ((x as f32 + 0.5) / 16.0 - 0.5);
            assert!((value - expect).abs() < 0.004, "{x}: {value}");
            assert!((value - background_at(&smooth, x as f32, (h / 2) as f32)).abs() < 1e-5);
        }
    }
}
