//! From a scene picture to the latent image: the exposure of each film layer behind a real lens.

use rayon::prelude::*;

use crate::scene::Picture;
use crate::stock::exposures;

/// Layer exposures over one image area, 1 for an 18 % grey at 0 stops.
#[derive(Debug)]
pub(crate) struct Latent {
    width: usize,
    height: usize,
    cells: Vec<[f32; 3]>,
}

impl Latent {
    /// Expose a scene: lens vignetting and glare, exposure, halation of the film.
    ///
    /// `matrix` comes from [`Emulsion::exposure_from_rgb`](crate::stock::Emulsion::exposure_from_rgb).
    pub(crate) fn expose(picture: &Picture, matrix: &[[f32; 3]; 3], stops: f64) -> Self {
        let (width, height) = (picture.width as usize, picture.height as usize);
        let gain = 2f64.powf(stops) as f32;
        let n = picture.pixels.len().max(1) as f64;
        let mean: [f32; 3] =
            std::array::from_fn(|c| (picture.pixels.iter().map(|p| f64::from(p[c])).sum::<f64>() / n) as f32);
        // Veiling glare of a coated lens: half a per cent of the mean light, everywhere.
        let glare = exposures(matrix, mean.map(|m| 0.005 * m * gain));
        let (cx, cy) = (width as f32 / 2.0, height as f32 / 2.0);
        let corner2 = cx * cx + cy * cy;
        let mut cells: Vec<[f32; 3]> = picture
            .pixels
            .par_iter()
            .enumerate()
            .map(|(i, rgb)| {
                let (dx, dy) = ((i % width) as f32 + 0.5 - cx, (i / width) as f32 + 0.5 - cy);
                // Natural fall-off of a 28 degree half-field: cos^4 from memory, tan 28 deg = 0.53.
                let tan2 = 0.28 * (dx * dx + dy * dy) / corner2;
                let fall = 1.0 / ((1.0 + 0.55 * tan2) * (1.0 + 0.55 * tan2));
                let e = exposures(matrix, rgb.map(|v| v.max(0.0) * gain * fall));
                [e[0] + glare[0], e[1] + glare[1], e[2] + glare[2]]
            })
            .collect();
        halate(&mut cells, width, height);
        Self { width, height, cells }
    }

    /// Exposure at a position in the unit square of the upright picture (clamped at the edges).
    pub(crate) fn at(&self, u: f64, v: f64) -> [f32; 3] {
        let x = (u * self.width as f64 - 0.5).clamp(0.0, (self.width - 1) as f64) as f32;
        let y = (v * self.height as f64 - 0.5).clamp(0.0, (self.height - 1) as f64) as f32;
        let (ix, iy) = (x as usize, y as usize);
        let (fx, fy) = (x - ix as f32, y - iy as f32);
        let (jx, jy) = ((ix + 1).min(self.width - 1), (iy + 1).min(self.height - 1));
        let cell = |x: usize, y: usize| &self.cells[y * self.width + x];
        let (a, b, c, d) = (cell(ix, iy), cell(jx, iy), cell(ix, jy), cell(jx, jy));
        std::array::from_fn(|k| {
            let top = a[k] + fx * (b[k] - a[k]);
            let bottom = c[k] + fx * (d[k] - c[k]);
            top + fy * (bottom - top)
        })
    }
}

/// Light that passes the layers, reflects at the base and comes back a little beside: mostly in the deepest, red layer.
fn halate(cells: &mut [[f32; 3]], width: usize, height: usize) {
    const STEP: usize = 8;
    let (w, h) = (width.div_ceil(STEP), height.div_ceil(STEP));
    let mut coarse = vec![0f32; w * h];
    for (i, value) in coarse.iter_mut().enumerate() {
        let (x0, y0) = (i % w * STEP, i / w * STEP);
        let (mut sum, mut n) = (0.0, 0.0);
        for y in y0..(y0 + STEP).min(height) {
            for x in x0..(x0 + STEP).min(width) {
                // Only light much brighter than white leaves a visible ring.
                sum += (cells[y * width + x][0] - 6.0).max(0.0);
                n += 1.0;
            }
        }
        *value = sum / n;
    }
    if coarse.iter().all(|v| *v <= 0.0) {
        return;
    }
    let reach = (w.max(h) / 40).max(1);
    for _ in 0..3 {
        coarse = box_blur(&coarse, w, h, reach);
    }
    for (i, cell) in cells.iter_mut().enumerate() {
        let glow = between(&coarse, w, h, (i % width) as f32 / STEP as f32, (i / width) as f32 / STEP as f32);
        cell[0] += 0.06 * glow;
        cell[1] += 0.016 * glow;
        cell[2] += 0.004 * glow;
    }
}

/// A value interpolated between the middles of coarse cells.
fn between(cells: &[f32], w: usize, h: usize, x: f32, y: f32) -> f32 {
    let (x, y) = ((x - 0.5).clamp(0.0, w as f32 - 1.0), (y - 0.5).clamp(0.0, h as f32 - 1.0));
    let (ix, iy) = (x as usize, y as usize);
    let (jx, jy) = ((ix + 1).min(w - 1), (iy + 1).min(h - 1));
    let (fx, fy) = (x - ix as f32, y - iy as f32);
    let top = cells[iy * w + ix] * (1.0 - fx) + cells[iy * w + jx] * fx;
    let bottom = cells[jy * w + ix] * (1.0 - fx) + cells[jy * w + jx] * fx;
    top * (1.0 - fy) + bottom * fy
}

/// Mean over a square of side `2 reach + 1`, truncated at the borders.
pub(crate) fn box_blur(src: &[f32], w: usize, h: usize, reach: usize) -> Vec<f32> {
    let mut rows = vec![0f32; w * h];
    for y in 0..h {
        for x in 0..w {
            let (a, b) = (x.saturating_sub(reach), (x + reach + 1).min(w));
            rows[y * w + x] = src[y * w + a..y * w + b].iter().sum::<f32>() / (b - a) as f32;
        }
    }
    let mut out = vec![0f32; w * h];
    for y in 0..h {
        let (a, b) = (y.saturating_sub(reach), (y + reach + 1).min(h));
        for x in 0..w {
            out[y * w + x] = (a..b).map(|r| rows[r * w + x]).sum::<f32>() / (b - a) as f32;
        }
    }
    out
}
