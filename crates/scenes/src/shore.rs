//! Outside the town: the lighthouse, the buoy shed, boulders on the shore.

use std::f32::consts::FRAC_PI_8;

use super::Picture;
use super::harbour::{lift, samples};
use super::paint;
use super::shape::{ball, block, egg, stick};
use super::sky::Sky;
use super::tracer::{Camera, World};
use super::v3::{V3, v3};
use crate::noise::Dice;

fn boulders_along(
    world: &mut World,
    from: V3,
    spread: V3,
    count: usize,
    size: (f32, f32),
    colour: V3,
    dice: &mut Dice,
) {
    for i in 0..count {
        let at = from
            + v3(
                dice.range(-1.0, 1.0) * spread.x,
                dice.range(-0.4, 0.3) * spread.y,
                dice.range(-1.0, 1.0) * spread.z,
            );
        let r = size.0 + (size.1 - size.0) * dice.range(0.0, 1.0).powi(2);
        let radii = v3(r * dice.range(0.8, 1.35), r * dice.range(0.5, 0.85), r * dice.range(0.75, 1.2));
        world.put(
            egg(at, radii, dice.range(0.0, 3.0)),
            paint::rock,
            colour * dice.range(0.75, 1.2),
            i as f32,
        );
    }
}

/// A lighthouse under a heavy sky.
pub(crate) fn lighthouse(width: u32, height: u32) -> Picture {
    let sky = Sky {
        zenith: v3(0.10, 0.12, 0.16),
        horizon: v3(0.62, 0.62, 0.60),
        below: v3(0.12, 0.12, 0.12),
        sun_dir: v3(-0.72, 0.40, 0.56).unit(),
        sun: v3(0.95, 0.90, 0.82),
        cloud: 0.74,
        cloud_bright: v3(0.86, 0.85, 0.83),
        cloud_dark: v3(0.09, 0.10, 0.12),
        cloud_scale: 0.50,
        seed: 61,
        ..Sky::default()
    };
    let mut world = World::new(sky);
    world.ground(paint::water, v3(0.020, 0.030, 0.034), 0.42);
    let mut dice = Dice::new(13);
    let foot = v3(2.2, 3.0, -16.0);
    world.put(egg(v3(3.0, -0.6, -17.0), v3(9.5, 3.8, 6.0), 0.1), paint::rock, v3(0.24, 0.22, 0.20), 3.0);
    boulders_along(
        &mut world,
        v3(1.5, 0.3, -10.5),
        v3(9.0, 0.8, 2.6),
        60,
        (0.5, 1.7),
        v3(0.24, 0.22, 0.20),
        &mut dice,
    );
    boulders_along(
        &mut world,
        v3(-3.5, 0.0, -1.0),
        v3(4.0, 0.5, 2.4),
        26,
        (0.25, 0.8),
        v3(0.20, 0.19, 0.17),
        &mut dice,
    );
    let white = v3(0.76, 0.75, 0.72);
    tower(&mut world, foot, white);
    // The keeper's house and its wall.
    world.put(block(foot + v3(4.6, 0.9, -0.6), v3(2.1, 1.5, 1.6), 0.1), paint::plaster, white * 0.95, 17.0);
    let ridge = foot + v3(4.6, 3.6, -0.6);
    for side in [-1.0, 1.0] {
        let (a, b) = (foot + v3(2.3, 2.35, -0.6 + side * 1.9), foot + v3(6.9, 2.35, -0.6 + side * 1.9));
        let (c, d) = (ridge + v3(2.2, 0.0, 0.0), ridge + v3(-2.2, 0.0, 0.0));
        world.put(super::shape::Shape::Triangle { a, b, c }, paint::tiles, v3(0.12, 0.12, 0.13), 0.0);
        world.put(super::shape::Shape::Triangle { a, b: c, c: d }, paint::tiles, v3(0.12, 0.12, 0.13), 0.0);
    }
    for x in [3.5, 5.4] {
        world.put(block(foot + v3(x, 1.0, 1.02), v3(0.3, 0.45, 0.04), 0.1), paint::glass, V3::default(), 0.0);
    }
    for h in [2.4, 6.4, 9.2] {
        world.put(
            block(foot + v3(-0.5, h, 1.75 - 0.045 * h), v3(0.16, 0.30, 0.2), -0.25),
            paint::glass,
            V3::default(),
            0.0,
        );
    }
    world.haze_per_m = 0.003;
    let camera = Camera {
        from: v3(-2.5, 2.2, 9.5),
        to: v3(0.4, 2.2, -16.0),
        width: 0.78,
        rise: 0.24,
        aperture: 0.003,
        focus: 22.0,
    };
    world.picture(&camera, width, height, samples(width, height))
}

/// Buoys and floats hung on a tarred shed.
pub(crate) fn buoys(width: u32, height: u32) -> Picture {
    let sky = Sky {
        sun_dir: v3(-0.48, 0.62, 0.62).unit(),
        sun: v3(1.08, 0.96, 0.78),
        cloud: 0.2,
        ..Sky::default()
    };
    let mut world = World::new(sky);
    world.ground(paint::cobbles, v3(0.36, 0.33, 0.28), 0.0);
    world.put(block(v3(0.0, 2.0, -0.5), v3(6.0, 2.6, 0.5), 0.0), paint::planks, v3(0.115, 0.10, 0.095), 6.5);
    // An eave that throws a band of shadow, a window, a door of bleached wood.
    world.put(block(v3(0.0, 3.15, 0.1), v3(6.0, 0.06, 0.45), 0.0), paint::planks, v3(0.2, 0.17, 0.14), 6.5);
    world.put(block(v3(-1.72, 1.75, 0.0), v3(0.5, 0.55, 0.03), 0.0), paint::matt, v3(0.70, 0.69, 0.66), 0.0);
    world.put(block(v3(-1.72, 1.75, 0.02), v3(0.42, 0.47, 0.03), 0.0), paint::glass, V3::default(), 0.0);
    world.put(
        block(v3(-1.72, 1.75, 0.045), v3(0.02, 0.47, 0.02), 0.0),
        paint::matt,
        v3(0.70, 0.69, 0.66),
        0.0,
    );
    world.put(
        block(v3(-1.72, 1.75, 0.045), v3(0.42, 0.02, 0.02), 0.0),
        paint::matt,
        v3(0.70, 0.69, 0.66),
        0.0,
    );
    hang_buoys(&mut world);
    // Crates, a coil of rope and a lobster-red barrel on the ground.
    for (x, y, z, turn) in [(1.55, 0.22, 0.75, 0.2), (1.75, 0.66, 0.70, -0.1), (2.35, 0.22, 0.85, -0.3)] {
        world.put(block(v3(x, y, z), v3(0.36, 0.22, 0.28), turn), paint::planks, v3(0.44, 0.32, 0.19), 9.0);
    }
    for ring in 0..5 {
        for k in 0..16 {
            let (s, c) = (k as f32 * FRAC_PI_8).sin_cos();
            let (s2, c2) = ((k + 1) as f32 * FRAC_PI_8).sin_cos();
            let r = 0.30 - 0.012 * ring as f32;
            let at = v3(-0.75, 0.035 + 0.06 * ring as f32, 0.9);
            world.put(
                stick(at + v3(r * c, 0.0, r * s), at + v3(r * c2, 0.0, r * s2), 0.035, 0.035),
                paint::matt,
                v3(0.42, 0.33, 0.20),
                0.0,
            );
        }
    }
    world.put(
        stick(v3(0.35, 0.0, 0.8), v3(0.35, 0.72, 0.8), 0.27, 0.27),
        paint::gloss,
        v3(0.10, 0.22, 0.30),
        0.12,
    );
    world.put(egg(v3(0.35, 0.72, 0.8), v3(0.27, 0.01, 0.27), 0.0), paint::gloss, v3(0.12, 0.24, 0.32), 0.12);
    let camera = Camera {
        from: v3(0.35, 1.5, 5.6),
        to: v3(0.25, 1.5, 0.0),
        width: 0.86,
        rise: -0.02,
        aperture: 0.010,
        focus: 5.5,
    };
    world.picture(&camera, width, height, samples(width, height))
}

/// Boulders on the shore at low water.
pub(crate) fn boulders(width: u32, height: u32) -> Picture {
    let sky = Sky {
        sun_dir: v3(0.78, 0.30, -0.30).unit(),
        sun: v3(0.95, 0.85, 0.70),
        glow: v3(0.4, 0.36, 0.30),
        cloud: 0.5,
        cloud_scale: 0.45,
        seed: 3,
        ..Sky::default()
    };
    let mut world = World::new(sky);
    world.ground(paint::water, v3(0.02, 0.03, 0.03), 0.12);
    let mut dice = Dice::new(101);
    let grey = v3(0.30, 0.28, 0.26);
    boulders_along(&mut world, v3(0.0, 0.0, 2.5), v3(5.0, 0.25, 2.2), 90, (0.12, 0.55), grey, &mut dice);
    boulders_along(&mut world, v3(-1.0, 0.1, -3.5), v3(7.0, 0.3, 2.5), 46, (0.3, 1.1), grey, &mut dice);
    world.put(egg(v3(-1.5, 0.2, -0.6), v3(1.25, 1.15, 1.0), 0.4), paint::rock, grey, 9.0);
    world.put(egg(v3(1.7, 0.1, -1.8), v3(1.5, 0.9, 1.2), -0.3), paint::rock, grey, 14.0);
    world.put(egg(v3(14.0, 0.0, -40.0), v3(26.0, 2.6, 6.0), 0.2), paint::rock, v3(0.2, 0.2, 0.17), 2.0);
    world.haze_per_m = 0.006;
    let camera = Camera {
        from: v3(0.2, 1.7, 8.2),
        to: v3(0.1, 0.9, -2.0),
        width: 0.85,
        rise: 0.05,
        aperture: 0.006,
        focus: 8.6,
    };
    lift(world.picture(&camera, width, height, samples(width, height)), 1.2)
}

/// The banded tower with its gallery and lantern.
fn tower(world: &mut World, foot: V3, white: V3) {
    let red = v3(0.40, 0.05, 0.04);
    let rings = [
        (0.0, 2.05, white),
        (3.2, 1.82, red),
        (5.4, 1.68, white),
        (7.6, 1.53, red),
        (9.6, 1.40, white),
        (11.4, 1.3, white),
    ];
    for pair in rings.windows(2) {
        let ((h0, r0, colour), (h1, r1, _)) = (pair[0], pair[1]);
        world.put(
            stick(foot + v3(0.0, h0, 0.0), foot + v3(0.0, h1, 0.0), r0, r1),
            paint::plaster,
            colour,
            h0,
        );
    }
    let top = foot + v3(0.0, 11.4, 0.0);
    let iron = v3(0.05, 0.05, 0.05);
    world.put(stick(top, top + v3(0.0, 0.25, 0.0), 1.75, 1.75), paint::gloss, iron, 0.1);
    world.put(egg(top + v3(0.0, 0.25, 0.0), v3(1.75, 0.03, 1.75), 0.0), paint::gloss, iron, 0.1);
    world.put(stick(top, top + v3(0.0, 1.9, 0.0), 0.92, 0.92), paint::glass, V3::default(), 0.0);
    world.put(stick(top + v3(0.0, 1.9, 0.0), top + v3(0.0, 3.0, 0.0), 1.15, 0.06), paint::gloss, red, 0.1);
    world.put(ball(top + v3(0.0, 3.1, 0.0), 0.16), paint::gloss, iron, 0.1);
    for i in 0..20 {
        let (s, c) = (i as f32 * 0.314).sin_cos();
        let post = top + v3(1.66 * c, 0.25, 1.66 * s);
        world.put(stick(post, post + v3(0.0, 0.9, 0.0), 0.025, 0.025), paint::matt, iron, 0.0);
        let (s2, c2) = ((i + 1) as f32 * 0.314).sin_cos();
        let next = top + v3(1.66 * c2, 0.25, 1.66 * s2);
        world.put(
            stick(post + v3(0.0, 0.88, 0.0), next + v3(0.0, 0.88, 0.0), 0.02, 0.02),
            paint::matt,
            iron,
            0.0,
        );
    }
}

/// Three rows of round and spindle buoys on ropes.
fn hang_buoys(world: &mut World) {
    let mut dice = Dice::new(29);
    let paints = [
        v3(0.62, 0.11, 0.03),
        v3(0.70, 0.48, 0.03),
        v3(0.64, 0.63, 0.60),
        v3(0.04, 0.19, 0.40),
        v3(0.05, 0.30, 0.20),
        v3(0.60, 0.25, 0.20),
    ];
    for i in 0..24 {
        let column = i % 8;
        let x = -0.75 + 0.37 * column as f32 + dice.range(-0.07, 0.07);
        let y = 2.35 - 0.62 * (i / 8) as f32 + dice.range(-0.12, 0.12);
        let r = dice.range(0.11, 0.17);
        let at = v3(x, y, r + 0.03);
        let colour = paints[(dice.bits() % 6) as usize];
        let rope = v3(0.40, 0.33, 0.22);
        world.put(
            stick(at + v3(0.0, r, 0.0), v3(x + dice.range(-0.04, 0.04), 3.02, 0.05), 0.008, 0.008),
            paint::matt,
            rope,
            0.0,
        );
        if dice.range(0.0, 1.0) < 0.6 {
            world.put(ball(at, r), paint::gloss, colour, 0.10);
            world.put(
                stick(at + v3(0.0, r * 0.8, 0.0), at + v3(0.0, r * 1.2, 0.0), r * 0.3, r * 0.22),
                paint::gloss,
                v3(0.05, 0.08, 0.16),
                0.1,
            );
        } else {
            let second = paints[(dice.bits() % 6) as usize];
            let (up, down) = (at + v3(0.0, r * 1.3, 0.0), at - v3(0.0, r * 1.3, 0.0));
            world.put(stick(at, up, r * 0.8, r * 0.3), paint::gloss, colour, 0.12);
            world.put(stick(at, down, r * 0.8, r * 0.3), paint::gloss, second, 0.12);
            world.put(
                stick(down - v3(0.0, 0.2, 0.0), up + v3(0.0, 0.25, 0.0), 0.016, 0.016),
                paint::gloss,
                v3(0.5, 0.4, 0.25),
                0.1,
            );
        }
    }
}
