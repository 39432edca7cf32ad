//! Compares the measured response with the closed form, on edge pictures from another program.
//!
//! The pictures are plain uncompressed TIFF; a few lines here read them, because this crate opens no files.

#![expect(clippy::print_stdout, reason = "the figures are shown")]

use std::path::Path;

use glassine_raster::{PixelRect, Plane};
use glassine_sharpness::{sharpen, slanted_edge};

/// First image of an uncompressed little-endian 16-bit grey file, 0..1.
fn read_grey(path: &Path) -> Option<Plane<f32>> {
    let bytes = std::fs::read(path).ok()?;
    let u16_at = |i: usize| Some(u16::from_le_bytes([*bytes.get(i)?, *bytes.get(i + 1)?]));
    let u32_at = |i: usize| Some(u32::from(u16_at(i)?) | u32::from(u16_at(i + 2)?) << 16);
    if bytes.get(..4)? != b"II*\0" {
        return None;
    }
    let directory = u32_at(4)? as usize;
    let mut tags = std::collections::HashMap::new();
    for k in 0..u16_at(directory)? as usize {
        let at = directory + 2 + 12 * k;
        let (tag, kind, count, value) = (u16_at(at)?, u16_at(at + 2)?, u32_at(at + 4)?, u32_at(at + 8)?);
        let value = if kind == 3 && count == 1 { value & 0xFFFF } else { value };
        tags.insert(tag, (count, value as usize, kind));
    }
    let one = |tag: u16| tags.get(&tag).map(|t| t.1);
    let (width, height) = (one(256)?, one(257)?);
    if one(258)? != 16 || one(259)? != 1 {
        return None;
    }
    let (strips, at, kind) = *tags.get(&273)?;
    let rows = one(278).unwrap_or(height).min(height);
    let mut data = Vec::with_capacity(width * height);
    for s in 0..strips as usize {
        let start = match (strips, kind) {
            (1, _) => at,
            (_, 3) => u16_at(at + 2 * s)? as usize,
            _ => u32_at(at + 4 * s)? as usize,
        };
        for i in 0..rows.min(height - rows * s) * width {
            data.push(f32::from(u16_at(start + 2 * i)?) / 65535.0);
        }
    }
    Plane::from_vec(width as u32, height as u32, data)
}

#[test]
fn edges_made_elsewhere_give_the_response_of_their_blur() {
    let Some(folder) = glassine_testdata::folder("sfr-edges/analytic") else { return };
    // MTF50 of `sinc(f) exp(-2 (pi sigma f)^2)`, cycles per pixel, by bisection; sigma 0 and 0.5 as in the check values
    // CV-5.1.
    for (file, sigma) in [
        ("edge_a5_s0p0_k0_r1.tif", 0.0_f64),
        ("edge_a5_s0p5_k0_r1.tif", 0.5),
        ("edge_a5_s0p8_k0_r1.tif", 0.8),
        ("edge_a5_s1p2_k0_r1.tif", 1.2),
        ("edge_a5_s2p0_k0_r1.tif", 2.0),
    ] {
        let plane = read_grey(&folder.join(file)).expect("the edges are plain uncompressed grey");
        let sfr = slanted_edge(&plane, PixelRect::of_size(plane.width(), plane.height())).expect("one edge");
        let (mut low, mut high) = (0.0_f64, 0.999_f64);
        for _ in 0..60 {
            let f = 0.5 * (low + high);
            let x = std::f64::consts::PI * f;
            let value = x.sin() / x * (-2.0 * (x * sigma).powi(2)).exp();
            (low, high) = if value > 0.5 { (f, high) } else { (low, f) };
        }
        let got = sfr.mtf50_cy_px().expect("falls");
        println!("{file}: {got:.4} against {low:.4}");
        assert!((got / low - 1.0).abs() < 0.01, "{file}: {got} against {low}");
    }
}

/// Normal distribution function by the rule of midpoints.
fn phi(x: f64) -> f64 {
    let density = |t: f64| (-0.5 * t * t).exp() / (2.0 * std::f64::consts::PI).sqrt();
    0.5 + (0..4000).map(|i| x / 4000.0 * density((f64::from(i) + 0.5) * x / 4000.0)).sum::<f64>()
}

#[test]
fn an_unlimited_mask_overshoots_these_edges_as_the_closed_form_says() {
    let Some(folder) = glassine_testdata::folder("sfr-edges/analytic") else { return };
    for (file, blur) in [
        ("edge_a5_s0p8_k0_r1.tif", 0.8_f64),
        ("edge_a5_s1p2_k0_r1.tif", 1.2),
        ("edge_a5_s2p0_k0_r1.tif", 2.0),
    ] {
        let edge = read_grey(&folder.join(file)).expect("the edges are plain uncompressed grey");
        let inside = 20 * edge.width() as usize;
        for radius in [blur, 1.0, 2.0] {
            let out = sharpen(&edge, 1.0, radius as f32, f32::INFINITY);
            // The outer rows see their own repetition.
            let out = &out.data()[inside..out.data().len() - inside];
            let top = |of: &[f32]| f64::from(of.iter().copied().fold(f32::MIN, f32::max));
            let low = f64::from(edge.data().iter().copied().fold(f32::MAX, f32::min));
            let high = top(edge.data());
            let got = (top(out) - high) / (high - low);
            // Overshoot of a Gaussian edge, check values CV-7.2; a square pixel has a variance of 1/12.
            let (s, k) = ((blur * blur + 1.0 / 12.0).sqrt(), 1.0);
            let wide = s.hypot(radius);
            let x = (2.0 * ((1.0 + k) * wide / (k * s)).ln() / (s.powi(-2) - wide.powi(-2))).sqrt();
            let expect = (1.0 + k) * phi(x / s) - k * phi(x / wide) - 1.0;
            assert!((got - expect).abs() < 0.001, "{file}, radius {radius}: {got} against {expect}");
        }
    }
}
