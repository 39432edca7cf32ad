//! Grain for repaired pixels that keep little of their own light.
//!
//! Smooth spots give a repair away at 1:1. Instead of synthetic noise, the grain of clean film close by is moved over:
//! its spectrum and the correlation of its channels are right by construction.
//! The place is the one, among a fixed set of offsets, where the picture itself is calmest, so that no image structure moves.

use crate::label::Component;
use crate::window::{Colours, Window};

/// Grain is what a binomial 5 x 5 mean takes away; this makes up for the grain the mean itself keeps.
const KEPT_BY_MEAN: f32 = 1.08;

/// Pixels of a piece that are looked at to find the calmest place.
const PROBES: usize = 16;

/// Add grain to the marked pixels of `piece`.
pub(crate) fn transplant(window: &mut Window, piece: &Component) {
    let targets: Vec<(i32, i32, f32)> = piece
        .pixels()
        .map(|(x, y)| {
            let own = window.own_share(x, y);
            ((x - window.rect.x0) as i32, (y - window.rect.y0) as i32, (1.0 - own * own).max(0.0).sqrt())
        })
        .filter(|t| t.2 > 0.2)
        .collect();
    if targets.is_empty() {
        return;
    }
    let limit = 3.0 * window.typical_difference();
    if limit <= 0.0 {
        return;
    }
    let Some(offset) = calmest_offset(window, &targets) else { return };
    let mut added = Vec::with_capacity(targets.len());
    for &(x, y, share) in &targets {
        let Some(grain) = grain_at(window, x + offset.0, y + offset.1) else { continue };
        added.push((x, y, grain.map(|g| share * KEPT_BY_MEAN * g.clamp(-limit, limit))));
    }
    for (x, y, grain) in added {
        if let Some(i) = window.at(x, y) {
            for (d, g) in window.solved[i].iter_mut().zip(grain) {
                *d += g;
            }
        }
    }
}

/// High-passed density of a clean pixel whose neighbours are clean too.
fn grain_at(window: &Window, x: i32, y: i32) -> Option<Colours> {
    const K: [f32; 5] = [1.0, 4.0, 6.0, 4.0, 1.0];
    let width = window.rect.width() as usize;
    let inside = |v: i32, n: u32| v >= 2 && v + 2 < n as i32;
    if !inside(x, window.rect.width()) || !inside(y, window.rect.height()) {
        return None;
    }
    let corner = (y as usize - 2) * width + x as usize - 2;
    let rows = (0..5).map(|j| corner + j * width..corner + j * width + 5);
    if rows.clone().any(|row| window.index[row].iter().any(|i| *i != 0)) {
        return None;
    }
    let mut mean = [0.0_f32; 4];
    for (row, ky) in rows.zip(K) {
        for (d, kx) in window.seen[row].iter().zip(K) {
            let k = kx * ky / 256.0;
            for (m, d) in mean.iter_mut().zip(d) {
                *m += k * d;
            }
        }
    }
    let mut grain = window.seen[corner + 2 * width + 2];
    for (g, m) in grain.iter_mut().zip(mean) {
        *g -= m;
    }
    Some(grain)
}

/// Offset of least high-pass energy among those that hit clean film nearly everywhere.
fn calmest_offset(window: &Window, targets: &[(i32, i32, f32)]) -> Option<(i32, i32)> {
    let reach = (window.rect.width().max(window.rect.height()) as i32) / 2;
    let step = (targets.len() / PROBES).max(1);
    let mut best: Option<(f32, (i32, i32))> = None;
    for radius in [5, 8, 12, 17, 24, 34] {
        if radius > reach {
            break;
        }
        for i in 0..12 {
            let a = f64::from(i) / 12.0 * std::f64::consts::TAU + f64::from(radius);
            let offset =
                ((f64::from(radius) * a.cos()).round() as i32, (f64::from(radius) * a.sin()).round() as i32);
            let (mut energy, mut hits, mut tried) = (0.0_f32, 0, 0);
            for &(x, y, _) in targets.iter().step_by(step) {
                tried += 1;
                if let Some(g) = grain_at(window, x + offset.0, y + offset.1) {
                    energy += g.iter().map(|v| v * v).sum::<f32>();
                    hits += 1;
                }
            }
            if hits * 10 < tried * 9 || hits == 0 {
                continue;
            }
            let mean = energy / hits as f32;
            if best.is_none_or(|b| mean < b.0) {
                best = Some((mean, offset));
            }
        }
    }
    best.map(|b| b.1)
}
