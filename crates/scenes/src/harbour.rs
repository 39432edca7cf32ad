//! Four views of Sallow Quay: evening, midday, house fronts in low sun, a wet square at night.

use super::Picture;
use super::paint;
use super::shape::{ball, block, stick};
use super::sky::Sky;
use super::town::{boat, lamp_post, row};
use super::tracer::{Camera, World};
use super::v3::{V3, v3};
use crate::noise::Dice;

/// Paths per pixel: more for big pictures, where noise would be visible.
pub(crate) fn samples(width: u32, height: u32) -> u32 {
    if width.max(height) < 700 { 8 } else { 12 }
}

/// The quay wall, its bollards, the houses behind it and the hill behind the houses.
fn waterfront(world: &mut World, lit: f32, seed: u64) {
    let mut dice = Dice::new(seed);
    world.put(block(v3(0.0, 0.0, -23.0), v3(90.0, 1.5, 9.0), 0.0), paint::quay, v3(0.30, 0.27, 0.23), 0.0);
    row(world, v3(-58.0, 1.5, -20.0), 60.0, lit, &mut dice);
    for i in 0..14 {
        let x = -34.0 + 5.1 * i as f32;
        let foot = v3(x, 1.5, -14.5);
        world.put(
            stick(foot, foot + v3(0.0, 0.45, 0.0), 0.16, 0.13),
            paint::gloss,
            v3(0.05, 0.05, 0.05),
            0.2,
        );
        world.put(ball(foot + v3(0.0, 0.48, 0.0), 0.18), paint::gloss, v3(0.05, 0.05, 0.05), 0.2);
    }
    for i in 0..9 {
        // Trees of the park above the town.
        let x = -50.0 + 12.0 * i as f32 + dice.range(-4.0, 4.0);
        for _ in 0..7 {
            let at =
                v3(x + dice.range(-4.0, 4.0), 10.0 + dice.range(-1.0, 3.5), -34.0 + dice.range(-2.0, 2.0));
            world.put(ball(at, dice.range(1.6, 3.0)), paint::leaves, v3(0.07, 0.12, 0.04), 0.0);
        }
    }
}

/// Boats along the quay after sunset, windows lit.
pub(crate) fn evening(width: u32, height: u32) -> Picture {
    let sky = Sky {
        zenith: v3(0.06, 0.10, 0.25),
        horizon: v3(0.62, 0.36, 0.24),
        below: v3(0.05, 0.05, 0.06),
        sun_dir: v3(-0.62, 0.06, -0.78).unit(),
        sun: V3::default(),
        glow: v3(0.75, 0.32, 0.10),
        glow_power: 10.0,
        cloud: 0.46,
        cloud_bright: v3(0.80, 0.36, 0.24),
        cloud_dark: v3(0.13, 0.13, 0.20),
        cloud_scale: 0.62,
        seed: 23,
        ..Sky::default()
    };
    let mut world = World::new(sky);
    world.ground(paint::water, v3(0.010, 0.020, 0.024), 0.17);
    waterfront(&mut world, 0.34, 71);
    for i in 0..5 {
        lamp_post(&mut world, v3(-14.0 + 8.5 * i as f32, 1.5, -15.0), 3.6, v3(95.0, 56.0, 22.0));
    }
    boat(&mut world, v3(-3.4, 0.0, -4.6), 0.35, 9.0, v3(0.06, 0.17, 0.34), v3(0.62, 0.60, 0.55));
    boat(&mut world, v3(4.4, 0.0, -8.4), 2.9, 8.2, v3(0.44, 0.09, 0.05), v3(0.58, 0.50, 0.36));
    boat(&mut world, v3(2.2, 0.0, 3.2), -0.25, 5.2, v3(0.60, 0.58, 0.52), v3(0.10, 0.26, 0.22));
    boat(&mut world, v3(-10.5, 0.0, -11.2), 0.1, 8.8, v3(0.10, 0.28, 0.20), v3(0.62, 0.60, 0.56));
    boat(&mut world, v3(11.5, 0.0, -11.4), 3.1, 9.2, v3(0.55, 0.36, 0.08), v3(0.60, 0.58, 0.55));
    world.haze_per_m = 0.001;
    let camera = Camera {
        from: v3(1.0, 3.4, 15.5),
        to: v3(0.2, 3.4, -14.0),
        width: 0.66,
        rise: 0.02,
        aperture: 0.01,
        focus: 20.0,
    };
    lift(world.picture(&camera, width, height, samples(width, height)), 1.55)
}

/// Boats at midday.
pub(crate) fn noon(width: u32, height: u32) -> Picture {
    let sky = Sky {
        sun_dir: v3(-0.55, 0.62, 0.56).unit(),
        cloud: 0.56,
        cloud_scale: 0.42,
        seed: 34,
        ..Sky::default()
    };
    let mut world = World::new(sky);
    world.ground(paint::water, v3(0.014, 0.040, 0.042), 0.30);
    waterfront(&mut world, 0.0, 17);
    boat(&mut world, v3(-7.6, 0.0, -3.0), 0.5, 9.6, v3(0.55, 0.10, 0.05), v3(0.66, 0.64, 0.60));
    boat(&mut world, v3(2.0, 0.0, -6.5), 0.15, 8.6, v3(0.05, 0.22, 0.42), v3(0.64, 0.60, 0.48));
    boat(&mut world, v3(9.6, 0.0, -2.0), 2.5, 8.0, v3(0.62, 0.44, 0.06), v3(0.64, 0.63, 0.60));
    boat(&mut world, v3(3.6, 0.0, 5.4), -0.35, 4.6, v3(0.62, 0.61, 0.57), v3(0.09, 0.30, 0.25));
    boat(&mut world, v3(-17.0, 0.0, -11.3), 0.0, 9.0, v3(0.09, 0.28, 0.15), v3(0.6, 0.6, 0.57));
    boat(&mut world, v3(18.0, 0.0, -11.0), 3.0, 9.0, v3(0.6, 0.6, 0.58), v3(0.42, 0.12, 0.07));
    world.haze_per_m = 0.002;
    let camera = Camera {
        from: v3(0.5, 2.9, 15.5),
        to: v3(0.0, 2.9, -14.0),
        width: 1.02,
        rise: 0.04,
        aperture: 0.004,
        focus: 20.0,
    };
    world.picture(&camera, width, height, samples(width, height))
}

/// House fronts in low sun, with the shadow of a roof across the street.
pub(crate) fn fronts(width: u32, height: u32) -> Picture {
    let sky = Sky {
        sun_dir: v3(-0.70, 0.44, 0.52).unit(),
        sun: v3(1.10, 0.90, 0.64),
        cloud: 0.5,
        cloud_scale: 0.5,
        seed: 5,
        ..Sky::default()
    };
    let mut world = World::new(sky);
    world.ground(paint::cobbles, v3(0.34, 0.31, 0.28), 0.0);
    let mut dice = Dice::new(92);
    row(&mut world, v3(-17.0, 0.0, -8.0), 20.0, 0.0, &mut dice);
    // Across the street, behind the camera.
    world.put(block(v3(-15.5, 4.0, 9.5), v3(7.5, 4.6, 3.0), 0.0), paint::plaster, v3(0.55, 0.50, 0.42), 3.0);
    world.put(block(v3(-15.0, 9.2, 9.5), v3(0.6, 1.2, 0.6), 0.0), paint::bricks, v3(0.3, 0.12, 0.08), 0.4);
    lamp_post(&mut world, v3(2.6, 0.0, -6.2), 3.7, v3(0.6, 0.58, 0.5));
    // A bench, tubs with bushes, a cart.
    for (x, s) in [(-2.9, 0.46), (1.4, 0.40), (3.9, 0.5)] {
        let at = v3(x, 0.28, -7.2);
        world.put(
            stick(at - v3(0.0, 0.28, 0.0), at + v3(0.0, 0.22, 0.0), 0.26, 0.33),
            paint::plaster,
            v3(0.42, 0.20, 0.12),
            5.0,
        );
        for _ in 0..6 {
            let bush = at + v3(dice.range(-0.2, 0.2), 0.45 + dice.range(0.0, s), dice.range(-0.2, 0.2));
            world.put(ball(bush, 0.24), paint::leaves, v3(0.10, 0.20, 0.05), 0.0);
        }
    }
    let camera = Camera {
        from: v3(0.4, 1.65, 5.2),
        to: v3(0.2, 1.65, -8.0),
        width: 0.62,
        rise: 0.19,
        aperture: 0.002,
        focus: 12.5,
    };
    world.picture(&camera, width, height, samples(width, height))
}

/// A square in the rain at night.
pub(crate) fn night(width: u32, height: u32) -> Picture {
    let sky = Sky {
        zenith: v3(0.010, 0.016, 0.040),
        horizon: v3(0.045, 0.050, 0.075),
        below: v3(0.01, 0.01, 0.012),
        sun_dir: v3(0.0, -0.5, 0.8).unit(),
        sun: V3::default(),
        glow: V3::default(),
        cloud: 0.7,
        cloud_bright: v3(0.055, 0.050, 0.055),
        cloud_dark: v3(0.020, 0.024, 0.040),
        seed: 8,
        ..Sky::default()
    };
    let mut world = World::new(sky);
    world.ground(paint::cobbles, v3(0.22, 0.21, 0.20), 1.0);
    let mut dice = Dice::new(44);
    row(&mut world, v3(-20.0, 0.0, -9.0), 22.0, 0.38, &mut dice);
    for (x, z) in [(-6.6, -5.6), (0.4, -6.4), (7.2, -5.2), (-2.6, 1.6)] {
        lamp_post(&mut world, v3(x, 0.0, z), 3.5, v3(190.0, 118.0, 52.0));
    }
    // A parked cart under a tarpaulin and some crates.
    world.put(block(v3(3.4, 0.45, -3.6), v3(0.9, 0.45, 0.5), 0.3), paint::planks, v3(0.30, 0.22, 0.14), 9.0);
    world.put(
        block(v3(3.0, 1.15, -3.7), v3(0.45, 0.28, 0.4), 0.15),
        paint::planks,
        v3(0.34, 0.24, 0.14),
        9.0,
    );
    world.put(town_awning(-4.6), paint::cloth, v3(0.50, 0.46, 0.40), 0.0);
    let camera = Camera {
        from: v3(1.2, 1.6, 7.8),
        to: v3(0.2, 1.6, -9.0),
        width: 1.05,
        rise: 0.06,
        aperture: 0.003,
        focus: 13.0,
    };
    lift(world.picture(&camera, width, height, samples(width, height) + 6), 1.5)
}

/// A shop awning on the fronts.
fn town_awning(x: f32) -> super::shape::Shape {
    super::shape::Shape::Triangle {
        a: v3(x - 1.6, 2.75, -8.9),
        b: v3(x + 1.6, 2.75, -8.9),
        c: v3(x, 2.25, -7.2),
    }
}

/// Multiply all light, as the photographer's choice of exposure.
pub(crate) fn lift(mut picture: Picture, gain: f32) -> Picture {
    for pixel in &mut picture.pixels {
        *pixel = pixel.map(|v| v * gain);
    }
    picture
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn traced_pictures_are_finite_and_use_the_tonal_range() {
        let picture = noon(90, 60);
        let mut grey: Vec<f32> = picture.pixels.iter().map(|p| (p[0] + p[1] + p[2]) / 3.0).collect();
        assert!(grey.iter().all(|v| v.is_finite() && *v >= 0.0));
        grey.sort_by(f32::total_cmp);
        let at = |q: f32| grey[(q * (grey.len() - 1) as f32) as usize];
        assert!(at(0.98) / at(0.02).max(1e-4) > 8.0, "from {} to {}", at(0.02), at(0.98));
    }
}
