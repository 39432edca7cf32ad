//! Smoothing of the path tracer's noise that stays within one surface.
//!
//! Every pixel is averaged with neighbours on the same surface (reflectance, normal, distance) whose light differs by
//! no more than the noise explains. Light is divided by reflectance first, so textures are preserved.

use rayon::prelude::*;

use super::v3::{V3, v3};

/// Mean of the first hits of a pixel's paths, with the spread of their results.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Seen {
    pub(crate) light: V3,
    pub(crate) albedo: V3,
    pub(crate) normal: V3,
    pub(crate) distance: f32,
    /// Variance of the mean of the light's luminance.
    pub(crate) variance: f32,
}

/// Reach in pixels on each side.
const REACH: i32 = 5;

fn luminance(c: V3) -> f32 {
    // Weights of linear sRGB, IEC 61966-2-1.
    0.2126 * c.x + 0.7152 * c.y + 0.0722 * c.z
}

/// Smooth a picture of `width` columns.
pub(crate) fn denoise(seen: &[Seen], width: usize) -> Vec<[f32; 3]> {
    let height = seen.len() / width.max(1);
    let floor = v3(0.04, 0.04, 0.04);
    let base: Vec<V3> = seen.iter().map(|s| s.albedo.max_each(floor)).collect();
    let light: Vec<V3> =
        seen.iter().zip(&base).map(|(s, b)| v3(s.light.x / b.x, s.light.y / b.y, s.light.z / b.z)).collect();
    let noise: Vec<f32> = (0..seen.len())
        .into_par_iter()
        .map(|i| {
            let (x, y) = (i % width, i / width);
            let (mut sum, mut n) = (0.0, 0.0);
            for qy in y.saturating_sub(1)..(y + 2).min(height) {
                for qx in x.saturating_sub(1)..(x + 2).min(width) {
                    let q = qy * width + qx;
                    sum += seen[q].variance / luminance(base[q]).powi(2);
                    n += 1.0;
                }
            }
            sum / n
        })
        .collect();
    (0..seen.len())
        .into_par_iter()
        .map(|i| {
            let (x, y) = ((i % width) as i32, (i / width) as i32);
            let p = &seen[i];
            let lp = luminance(light[i]);
            let (mut sum, mut total) = (V3::default(), 0.0);
            for qy in (y - REACH).max(0)..=(y + REACH).min(height as i32 - 1) {
                for qx in (x - REACH).max(0)..=(x + REACH).min(width as i32 - 1) {
                    let j = qy as usize * width + qx as usize;
                    let q = &seen[j];
                    let far = (p.distance - q.distance).abs() / (0.02 * p.distance + 0.01);
                    let turned = (p.normal - q.normal).length();
                    let painted = (p.albedo - q.albedo).length();
                    let apart = (lp - luminance(light[j])).powi(2) / (5.0 * (noise[i] + noise[j]) + 1e-6);
                    let exponent = far * far + 14.0 * turned * turned + 20.0 * painted * painted + apart;
                    let weight = if i == j { 1.0 } else { (-exponent).exp() };
                    sum = sum + light[j] * weight;
                    total += weight;
                }
            }
            (sum * (1.0 / total)).tint(base[i]).rgb()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::Dice;

    #[test]
    fn noise_falls_on_one_surface_and_the_edge_to_another_stays() {
        let mut dice = Dice::new(4);
        let (width, height) = (40, 20);
        let seen: Vec<Seen> = (0..width * height)
            .map(|i| {
                let bright = i % width >= 20;
                let level = if bright { 0.6 } else { 0.1 };
                let value = level * (1.0 + 0.25 * dice.normal());
                Seen {
                    light: v3(value, value, value),
                    albedo: v3(level, level, level),
                    normal: v3(if bright { 1.0 } else { 0.0 }, if bright { 0.0 } else { 1.0 }, 0.0),
                    distance: 3.0,
                    variance: (0.25 * level).powi(2),
                }
            })
            .collect();
        let out = denoise(&seen, width);
        let left: Vec<f32> =
            out.iter().enumerate().filter(|(i, _)| i % width < 20).map(|(_, p)| p[0]).collect();
        let mean = left.iter().sum::<f32>() / left.len() as f32;
        let spread = (left.iter().map(|v| (v - mean).powi(2)).sum::<f32>() / left.len() as f32).sqrt();
        assert!((mean - 0.1).abs() < 0.006 && spread < 0.007, "mean {mean} spread {spread}");
    }
}
