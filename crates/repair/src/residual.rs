//! The infrared density that only defects explain, on the visible pixel grid.
//!
//! ```text
//! E(x) = D_infrared(register(x)) - blur(c . D_visible)(x) - background(x)
//! ```

use glassine_raster::{Plane, Samples16};
use rayon::prelude::*;

use crate::density::{background_row, density_d};
use crate::register::cubic_weights;
use crate::types::{Leakage, Registration};

/// Leaked image density, softened as the infrared picture is; `None` when the dyes are clear.
pub(crate) fn leaked_image(linear: &Samples16, colours: u8, leakage: &Leakage) -> Option<Plane<f32>> {
    let weights = leakage.coefficients.map(|c| c as f32);
    if weights.iter().all(|c| c.abs() < 2e-4) {
        return None;
    }
    let (w, h) = (linear.width(), linear.height());
    let channels = linear.channels() as usize;
    let tables: Vec<Vec<f32>> = weights[..colours.min(3) as usize]
        .iter()
        .map(|&c| crate::density::DENSITY_D.iter().map(|d| c * d).collect())
        .collect();
    let mut plane = Plane::filled(w, h, 0.0_f32);
    plane.data_mut().par_chunks_mut(w as usize).enumerate().for_each(|(y, out)| {
        let row = linear.row(y as u32);
        for (o, px) in out.iter_mut().zip(row.chunks_exact(channels)) {
            *o = tables.iter().zip(px).map(|(t, &code)| t[code as usize]).sum();
        }
    });
    Some(gaussian(&plane, leakage.blur_px as f32))
}

/// Gaussian blur, cut at three standard deviations; edges repeat.
pub(crate) fn gaussian(plane: &Plane<f32>, sigma_px: f32) -> Plane<f32> {
    if sigma_px.is_nan() || sigma_px <= 0.2 {
        return plane.clone();
    }
    let reach = (3.0 * sigma_px.min(20.0)).ceil() as usize;
    let half: Vec<f32> = (0..=reach).map(|i| (-0.5 * (i as f32 / sigma_px).powi(2)).exp()).collect();
    let sum = half[0] + 2.0 * half[1..].iter().sum::<f32>();
    let kernel: Vec<f32> = half.iter().map(|k| k / sum).collect();
    separable(plane, &kernel)
}

/// Symmetric separable filter; `kernel[0]` is its middle.
pub(crate) fn separable(plane: &Plane<f32>, kernel: &[f32]) -> Plane<f32> {
    let (w, h) = (plane.width() as usize, plane.height() as usize);
    let reach = kernel.len() - 1;
    let mut out = Plane::filled(plane.width(), plane.height(), 0.0_f32);
    if w == 0 || h == 0 {
        return out;
    }
    out.data_mut().par_chunks_mut(w).enumerate().for_each_init(
        || vec![0.0_f32; w + 2 * reach],
        |padded, (y, out)| {
            let middle = &mut padded[reach..reach + w];
            for (m, &v) in middle.iter_mut().zip(plane.row(y as u32)) {
                *m = kernel[0] * v;
            }
            for (i, &k) in kernel.iter().enumerate().skip(1) {
                let above = plane.row(y.saturating_sub(i) as u32);
                let below = plane.row((y + i).min(h - 1) as u32);
                for ((m, &a), &b) in middle.iter_mut().zip(above).zip(below) {
                    *m += k * (a + b);
                }
            }
            let (first, last) = (padded[reach], padded[reach + w - 1]);
            padded[..reach].fill(first);
            padded[reach + w..].fill(last);
            for (o, &v) in out.iter_mut().zip(&padded[reach..]) {
                *o = kernel[0] * v;
            }
            for (i, &k) in kernel.iter().enumerate().skip(1) {
                for ((o, &a), &b) in out.iter_mut().zip(&padded[reach - i..]).zip(&padded[reach + i..]) {
                    *o += k * (a + b);
                }
            }
        },
    );
    out
}

/// Infrared density on the visible grid: interpolated in transmitted light (cubic), then taken as density.
fn registered_row(
    linear: &Samples16,
    registration: &Registration,
    y: u32,
    scratch: &mut [f32],
    out: &mut [f32],
) {
    let (w, h) = (linear.width() as i64, linear.height() as i64);
    let channels = linear.channels() as usize;
    let code = |x: i64, y: i64| {
        f32::from(linear.row(y.clamp(0, h - 1) as u32)[x.clamp(0, w - 1) as usize * channels + channels - 1])
    };
    let to_density = |value: f32| density_d((value + 0.5).clamp(1.0, 65535.0) as u16);
    if !registration.is_pure_shift() {
        for (x, o) in out.iter_mut().enumerate() {
            let (fx, fy) =
                registration.infrared_from_visible(x as f64, f64::from(y), linear.width(), linear.height());
            let (ix, iy) = (fx.floor(), fy.floor());
            let ((wx, _), (wy, _)) = (cubic_weights(fx - ix), cubic_weights(fy - iy));
            let mut sum = 0.0;
            for (j, wy) in wy.iter().enumerate() {
                for (i, wx) in wx.iter().enumerate() {
                    sum += (wx * wy) as f32 * code(ix as i64 + i as i64 - 1, iy as i64 + j as i64 - 1);
                }
            }
            *o = to_density(sum);
        }
        return;
    }
    let [sx, sy] = registration.shift_px;
    let (ix, iy) = (sx.floor(), sy.floor());
    let ((wx, _), (wy, _)) = (cubic_weights(sx - ix), cubic_weights(sy - iy));
    let (wx, wy) = (wx.map(|v| v as f32), wy.map(|v| v as f32));
    // Columns x + ix - 1 .. x + ix + 2 of the vertically interpolated line, edges repeated.
    let lines: Vec<&[u16]> =
        (0..4).map(|j| linear.row((i64::from(y) + iy as i64 + j - 1).clamp(0, h - 1) as u32)).collect();
    for (i, s) in scratch.iter_mut().enumerate() {
        let at = (i as i64 + ix as i64 - 1).clamp(0, w - 1) as usize * channels + channels - 1;
        *s = lines.iter().zip(&wy).map(|(line, k)| k * f32::from(line[at])).sum();
    }
    for (o, s) in out.iter_mut().zip(scratch.windows(4)) {
        *o = to_density(wx[0] * s[0] + wx[1] * s[1] + wx[2] * s[2] + wx[3] * s[3]);
    }
}

/// The residual density `E` on the visible grid.
pub(crate) fn residual(
    linear: &Samples16,
    registration: &Registration,
    leaked: Option<&Plane<f32>>,
    background: &Plane<f32>,
) -> Plane<f32> {
    let (w, h) = (linear.width(), linear.height());
    let mut out = Plane::filled(w, h, 0.0_f32);
    out.data_mut().par_chunks_mut(w as usize).enumerate().for_each_init(
        || (vec![0.0_f32; w as usize + 3], vec![0.0_f32; w as usize]),
        |(scratch, slow), (y, out)| {
            registered_row(linear, registration, y as u32, scratch, out);
            background_row(background, y as u32, slow);
            match leaked {
                Some(plane) => {
                    for ((o, &s), &p) in out.iter_mut().zip(&*slow).zip(plane.row(y as u32)) {
                        *o -= s + p;
                    }
                }
                None => {
                    for (o, &s) in out.iter_mut().zip(&*slow) {
                        *o -= s;
                    }
                }
            }
        },
    );
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shifted_infrared_picture_is_laid_back() {
        let wave = |x: f64, y: f64| 30_000.0 + 8_000.0 * (0.3 * x).sin() * (0.25 * y).cos();
        let (w, h) = (64, 48);
        let mut data = Vec::new();
        for y in 0..h {
            for x in 0..w {
                // Infrared content lies at the visible position plus (0.8, -0.4).
                data.extend([20_000, wave(f64::from(x) - 0.8, f64::from(y) + 0.4) as u16]);
            }
        }
        let samples = Samples16::from_vec(w, h, 2, data).expect("length fits");
        let zero = Plane::filled(4, 3, 0.0_f32);
        for rotation_rad in [0.0, 1e-9] {
            let registration = Registration { shift_px: [0.8, -0.4], rotation_rad, ..Registration::ALIGNED };
            let laid = residual(&samples, &registration, None, &zero);
            for (x, y) in [(5, 5), (30, 20), (50, 40)] {
                let expect = (65535.0 / wave(f64::from(x), f64::from(y))).log10() as f32;
                assert!((laid.at(x, y) - expect).abs() < 5e-4);
            }
        }
    }
}
