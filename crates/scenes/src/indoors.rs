//! A still life and a colonnade.

use super::Picture;
use super::harbour::samples;
use super::paint;
use super::shape::{Shape, ball, block, egg, stick};
use super::sky::Sky;
use super::tracer::{Camera, World};
use super::v3::{V3, v3};
use crate::noise::Dice;

/// Stack round sections (height, radius) to form a pot.
fn pot(
    world: &mut World,
    foot: V3,
    sections: &[(f32, f32)],
    shader: super::tracer::Shader,
    colour: V3,
    number: f32,
) {
    for pair in sections.windows(2) {
        let ((h0, r0), (h1, r1)) = (pair[0], pair[1]);
        world.put(stick(foot + v3(0.0, h0, 0.0), foot + v3(0.0, h1, 0.0), r0, r1), shader, colour, number);
    }
}

/// A smooth profile through a few points, in `n` steps (cosine easing keeps it round).
fn profile(points: &[(f32, f32)], n: usize) -> Vec<(f32, f32)> {
    let mut out = Vec::new();
    for pair in points.windows(2) {
        for i in 0..n {
            let t = i as f32 / n as f32;
            let e = (1.0 - (t * std::f32::consts::PI).cos()) / 2.0;
            out.push((pair[0].0 + t * (pair[1].0 - pair[0].0), pair[0].1 + e * (pair[1].1 - pair[0].1)));
        }
    }
    out.extend(points.last());
    out
}

/// Pots and fruit on a cloth, light from a window on the left.
pub(crate) fn still_life(width: u32, height: u32) -> Picture {
    let sky = Sky {
        zenith: v3(0.55, 0.60, 0.68),
        horizon: v3(0.40, 0.42, 0.45),
        below: v3(0.05, 0.045, 0.04),
        sun_dir: v3(-0.80, 0.50, 0.42).unit(),
        sun: v3(1.25, 1.10, 0.88),
        sun_half_rad: 0.045,
        cloud: 0.0,
        ..Sky::default()
    };
    let mut world = World::new(sky);
    room(&mut world);

    let jug =
        profile(&[(0.0, 0.075), (0.03, 0.10), (0.17, 0.125), (0.30, 0.06), (0.37, 0.052), (0.41, 0.07)], 7);
    pot(&mut world, v3(-0.20, 0.0, -0.12), &jug, paint::glaze, v3(0.08, 0.20, 0.33), 0.0);
    world.put(
        egg(v3(-0.20, 0.33, -0.12), v3(0.045, 0.004, 0.045), 0.0),
        paint::matt,
        v3(0.02, 0.02, 0.02),
        0.0,
    );
    let bowl = profile(&[(0.0, 0.07), (0.02, 0.075), (0.075, 0.155), (0.10, 0.17)], 6);
    pot(&mut world, v3(0.16, 0.0, 0.02), &bowl, paint::glaze, v3(0.64, 0.61, 0.54), 0.02);
    let bottle = profile(&[(0.0, 0.055), (0.22, 0.057), (0.30, 0.022), (0.42, 0.018), (0.44, 0.022)], 6);
    pot(&mut world, v3(0.44, 0.0, -0.22), &bottle, paint::gloss, v3(0.035, 0.085, 0.03), 0.0);
    let cup = profile(&[(0.0, 0.035), (0.02, 0.045), (0.10, 0.05)], 4);
    pot(&mut world, v3(-0.46, 0.0, 0.10), &cup, paint::glaze, v3(0.55, 0.18, 0.08), 0.02);
    world.put(
        egg(v3(-0.46, 0.085, 0.10), v3(0.047, 0.002, 0.047), 0.0),
        paint::gloss,
        v3(0.05, 0.022, 0.01),
        0.0,
    );
    // Fruit: oranges, lemons, plums, a green apple.
    let fruit = [
        (v3(0.10, 0.115, 0.03), 0.056, v3(0.70, 0.27, 0.02)),
        (v3(0.21, 0.118, -0.01), 0.054, v3(0.72, 0.30, 0.03)),
        (v3(0.18, 0.125, 0.09), 0.050, v3(0.40, 0.05, 0.03)),
        (v3(0.15, 0.20, 0.03), 0.050, v3(0.36, 0.46, 0.08)),
        (v3(-0.06, 0.036, 0.20), 0.036, v3(0.16, 0.04, 0.10)),
        (v3(0.02, 0.034, 0.25), 0.034, v3(0.20, 0.05, 0.11)),
    ];
    for (at, r, colour) in fruit {
        world.put(ball(at, r), paint::glaze, colour, 0.09);
        world.put(
            stick(at + v3(0.0, r * 0.95, 0.0), at + v3(0.006, r * 1.25, 0.0), 0.003, 0.002),
            paint::matt,
            v3(0.12, 0.07, 0.03),
            0.0,
        );
    }
    world.put(
        egg(v3(-0.28, 0.036, 0.20), v3(0.052, 0.037, 0.037), 0.5),
        paint::glaze,
        v3(0.78, 0.60, 0.05),
        0.09,
    );
    world.put(
        egg(v3(0.36, 0.036, 0.20), v3(0.050, 0.037, 0.037), -0.7),
        paint::glaze,
        v3(0.78, 0.60, 0.05),
        0.09,
    );
    let camera = Camera {
        from: v3(0.05, 0.42, 1.75),
        to: v3(0.02, 0.165, 0.0),
        width: 0.66,
        rise: 0.02,
        aperture: 0.012,
        focus: 1.75,
    };
    super::harbour::lift(world.picture(&camera, width, height, samples(width, height) + 8), 1.25)
}

/// A colonnade with hard shadows.
pub(crate) fn colonnade(width: u32, height: u32) -> Picture {
    let sky = Sky {
        sun_dir: v3(0.66, 0.50, 0.42).unit(),
        sun: v3(1.05, 0.95, 0.80),
        sun_half_rad: 0.008,
        cloud: 0.38,
        cloud_scale: 0.7,
        seed: 77,
        ..Sky::default()
    };
    let mut world = World::new(sky);
    let stone = v3(0.52, 0.48, 0.41);
    world.put(block(v3(0.0, -0.5, -12.0), v3(14.0, 0.5, 24.0), 0.0), paint::quay, stone * 0.9, 0.0);
    world.put(
        block(v3(-3.4, 3.0, -14.0), v3(0.4, 4.0, 22.0), 0.0),
        paint::plaster,
        v3(0.62, 0.58, 0.50),
        12.0,
    );
    world.put(
        block(v3(-0.6, 5.6, -14.0), v3(3.2, 0.22, 22.0), 0.0),
        paint::plaster,
        v3(0.58, 0.55, 0.49),
        13.0,
    );
    for i in 0..11 {
        let z = 3.0 - 3.1 * i as f32;
        let foot = v3(2.0, 0.0, z);
        world.put(block(foot + v3(0.0, 0.18, 0.0), v3(0.42, 0.18, 0.42), 0.0), paint::plaster, stone, 2.0);
        let shaft = profile(&[(0.36, 0.33), (1.5, 0.335), (4.3, 0.27)], 4);
        pot(&mut world, foot, &shaft, paint::plaster, stone, 4.0 + i as f32);
        world.put(
            stick(foot + v3(0.0, 4.3, 0.0), foot + v3(0.0, 4.55, 0.0), 0.28, 0.42),
            paint::plaster,
            stone,
            2.0,
        );
        world.put(block(foot + v3(0.0, 4.68, 0.0), v3(0.46, 0.13, 0.46), 0.0), paint::plaster, stone, 3.0);
    }
    world.put(block(v3(2.0, 5.1, -14.0), v3(0.42, 0.32, 22.0), 0.0), paint::plaster, stone, 8.0);
    let mut dice = Dice::new(6);
    // Doors in the wall and a few tubs; a garden beyond the columns.
    for i in 0..4 {
        let z = -1.2 - 6.2 * i as f32;
        world.put(block(v3(-3.0, 1.2, z), v3(0.03, 1.2, 0.6), 0.0), paint::planks, v3(0.16, 0.11, 0.07), 7.0);
        world.put(block(v3(-2.98, 2.5, z), v3(0.06, 0.12, 0.75), 0.0), paint::plaster, stone, 3.0);
        let tub = v3(-2.5, 0.0, z - 1.6);
        world.put(stick(tub, tub + v3(0.0, 0.5, 0.0), 0.24, 0.32), paint::plaster, v3(0.4, 0.2, 0.12), 5.0);
        for _ in 0..7 {
            let at = tub + v3(dice.range(-0.22, 0.22), 0.6 + dice.range(0.0, 0.6), dice.range(-0.22, 0.22));
            world.put(ball(at, 0.22), paint::leaves, v3(0.10, 0.17, 0.06), 0.0);
        }
    }
    for i in 0..26 {
        let at = v3(9.0 + dice.range(-2.0, 6.0), dice.range(0.3, 3.4), -2.0 - 1.5 * i as f32);
        world.put(ball(at, dice.range(0.8, 1.7)), paint::leaves, v3(0.09, 0.15, 0.05), 0.0);
    }
    let gate = Shape::Block { center: v3(-0.6, 2.4, -36.5), half: v3(3.4, 3.0, 0.3), turn: (0.0, 1.0) };
    world.put(gate, paint::plaster, v3(0.45, 0.42, 0.36), 31.0);
    world.haze_per_m = 0.004;
    let camera = Camera {
        from: v3(-0.9, 1.6, 7.5),
        to: v3(-0.35, 1.6, -20.0),
        width: 0.86,
        rise: 0.10,
        aperture: 0.002,
        focus: 9.0,
    };
    super::harbour::lift(world.picture(&camera, width, height, samples(width, height) + 4), 1.1)
}

/// Table, cloth, walls, and a window that admits light from one side.
fn room(world: &mut World) {
    // Table, wall, the room's dark side.
    world.put(block(v3(0.0, -0.05, 0.0), v3(1.5, 0.05, 0.55), 0.0), paint::planks, v3(0.34, 0.19, 0.10), 6.0);
    world.put(
        block(v3(0.0, -0.002, 0.10), v3(0.52, 0.006, 0.34), 0.06),
        paint::cloth,
        v3(0.66, 0.64, 0.58),
        0.0,
    );
    world.put(
        block(v3(0.0, 0.6, -0.72), v3(2.4, 1.4, 0.04), 0.0),
        paint::plaster,
        v3(0.30, 0.33, 0.32),
        21.0,
    );
    world.put(block(v3(1.5, 0.6, 0.4), v3(0.04, 1.4, 1.6), 0.0), paint::plaster, v3(0.20, 0.15, 0.11), 22.0);
    world.put(block(v3(0.0, 1.9, 0.2), v3(2.4, 0.04, 1.2), 0.0), paint::matt, v3(0.25, 0.24, 0.22), 0.0);
    // The window's frame and the wall beside it, so that light enters as through a window.
    for (y, half) in [(0.05, 0.16), (1.62, 0.3)] {
        world.put(block(v3(-1.5, y, 0.2), v3(0.04, half, 1.3), 0.0), paint::matt, v3(0.3, 0.3, 0.28), 0.0);
    }
    world.put(block(v3(-1.5, 0.8, -0.38), v3(0.04, 1.0, 0.32), 0.0), paint::matt, v3(0.3, 0.3, 0.28), 0.0);
    world.put(block(v3(-1.5, 0.9, 0.62), v3(0.02, 0.8, 0.02), 0.0), paint::matt, v3(0.5, 0.5, 0.48), 0.0);
    world.put(block(v3(-1.5, 0.82, 0.6), v3(0.02, 0.02, 0.8), 0.0), paint::matt, v3(0.5, 0.5, 0.48), 0.0);
}
