//! Repeatable randomness, from the film model, and its fractal sum.

pub(crate) use glassine_filmsim::noise::{Dice, hash2, unit, value2};

/// Fractal sum of `octaves` layers of lattice noise, each half the size and half the strength; about -1..1.
pub(crate) fn fbm2(x: f32, y: f32, octaves: u32, seed: u32) -> f32 {
    let (mut sum, mut weight, mut px, mut py) = (0.0, 0.5, x, y);
    for octave in 0..octaves {
        sum += weight * value2(px, py, seed.wrapping_add(octave * 101));
        weight *= 0.5;
        // A turn of about 37 degrees between octaves hides the lattice.
        let (rx, ry) = (px * 0.8 - py * 0.6, px * 0.6 + py * 0.8);
        px = rx * 2.03;
        py = ry * 2.03;
    }
    sum
}
