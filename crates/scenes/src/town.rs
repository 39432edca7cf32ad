//! Building blocks of Sallow Quay: houses, boats, lamp posts, built from simple solids.

use super::paint;
use super::shape::{Shape, ball, block, stick};
use super::tracer::{Lamp, World};
use super::v3::{V3, v3};
use crate::noise::Dice;

/// Paint colours of the town's fronts (linear reflectance).
pub(crate) const FRONTS: [V3; 8] = [
    v3(0.62, 0.34, 0.14),
    v3(0.66, 0.62, 0.52),
    v3(0.42, 0.12, 0.09),
    v3(0.20, 0.36, 0.46),
    v3(0.68, 0.50, 0.20),
    v3(0.58, 0.36, 0.33),
    v3(0.30, 0.42, 0.26),
    v3(0.74, 0.72, 0.68),
];

const SHUTTERS: [V3; 5] = [
    v3(0.05, 0.16, 0.12),
    v3(0.08, 0.14, 0.30),
    v3(0.30, 0.07, 0.05),
    v3(0.55, 0.54, 0.50),
    v3(0.16, 0.10, 0.06),
];

/// A house front facing +z.
#[derive(Debug, Clone, Copy)]
pub(crate) struct House {
    /// Middle of the front at its foot.
    pub(crate) foot: V3,
    pub(crate) width: f32,
    pub(crate) floors: u32,
    pub(crate) colour: V3,
    /// Share of windows with light behind them.
    pub(crate) lit: f32,
}

/// Height of one floor, m.
pub(crate) const FLOOR_M: f32 = 2.9;

/// Build a house with windows, shutters, a door and a pitched roof.
pub(crate) fn house(world: &mut World, house: &House, dice: &mut Dice) {
    let House { foot, width, floors, colour, lit } = *house;
    let (depth, height) = (7.0, floors as f32 * FLOOR_M + 0.5);
    let middle = foot + v3(0.0, height / 2.0, -depth / 2.0);
    world.put(
        block(middle, v3(width / 2.0, height / 2.0, depth / 2.0), 0.0),
        paint::plaster,
        colour,
        dice.range(0.0, 90.0),
    );
    // Plinth, cornice.
    let stone = v3(0.36, 0.34, 0.30);
    world.put(block(foot + v3(0.0, 0.3, 0.02), v3(width / 2.0, 0.3, 0.05), 0.0), paint::plaster, stone, 6.0);
    world.put(
        block(foot + v3(0.0, height - 0.1, 0.08), v3(width / 2.0 + 0.05, 0.1, 0.14), 0.0),
        paint::matt,
        colour.mix(stone, 0.6),
        0.0,
    );
    roof(world, foot, width, height, depth, dice);
    let shutter = SHUTTERS[(dice.bits() % 5) as usize];
    let columns = ((width / 1.9) as u32).max(2);
    let door = dice.bits() % columns;
    for floor in 0..floors {
        for column in 0..columns {
            let x = foot.x + width * ((column as f32 + 0.5) / columns as f32 - 0.5);
            let y = foot.y + floor as f32 * FLOOR_M;
            if floor == 0 && column == door {
                let wood = shutter.mix(v3(0.2, 0.1, 0.05), 0.3);
                world.put(block(v3(x, y + 1.05, foot.z), v3(0.48, 1.05, 0.04), 0.0), paint::gloss, wood, 0.1);
                world.put(
                    block(v3(x, y + 2.2, foot.z), v3(0.60, 0.10, 0.07), 0.0),
                    paint::matt,
                    stone * 1.5,
                    0.0,
                );
            } else {
                window(world, v3(x, y + 1.55, foot.z), shutter, dice.range(0.0, 1.0) < lit, dice);
            }
        }
    }
}

fn window(world: &mut World, at: V3, shutter: V3, lit: bool, dice: &mut Dice) {
    let (half_w, half_h) = (0.42, 0.68);
    let white = v3(0.72, 0.71, 0.68);
    world.put(block(at, v3(half_w + 0.09, half_h + 0.09, 0.03), 0.0), paint::matt, white, 0.0);
    let glow = v3(1.5, 0.86, 0.34) * dice.range(0.5, 1.3);
    world.put(
        block(at + v3(0.0, 0.0, 0.012), v3(half_w, half_h, 0.022), 0.0),
        paint::glass,
        glow,
        if lit { 1.0 } else { 0.0 },
    );
    world.put(block(at + v3(0.0, 0.0, 0.03), v3(0.022, half_h, 0.02), 0.0), paint::matt, white, 0.0);
    world.put(block(at + v3(0.0, 0.18, 0.03), v3(half_w, 0.022, 0.02), 0.0), paint::matt, white, 0.0);
    world.put(
        block(at + v3(0.0, -half_h - 0.12, 0.06), v3(half_w + 0.14, 0.04, 0.09), 0.0),
        paint::matt,
        white * 0.8,
        0.0,
    );
    if dice.range(0.0, 1.0) < 0.75 {
        for side in [-1.0, 1.0] {
            let leaf = at + v3(side * (half_w + 0.34), 0.0, 0.06);
            world.put(
                block(leaf, v3(0.24, half_h + 0.05, 0.02), side * dice.range(0.0, 0.25)),
                paint::gloss,
                shutter,
                0.15,
            );
        }
    }
    if dice.range(0.0, 1.0) < 0.3 {
        // A flower box.
        let sill = at + v3(0.0, -half_h, 0.18);
        world.put(block(sill, v3(half_w, 0.09, 0.10), 0.0), paint::matt, v3(0.30, 0.14, 0.08), 0.0);
        for i in 0..5 {
            let bush =
                sill + v3((i as f32 - 2.0) * 0.18, 0.14 + dice.range(0.0, 0.06), dice.range(-0.02, 0.06));
            let bloom = if i % 2 == 0 { v3(0.62, 0.06, 0.08) } else { v3(0.10, 0.20, 0.05) };
            world.put(ball(bush, 0.12), paint::leaves, bloom, 0.0);
        }
    }
}

fn roof(world: &mut World, foot: V3, width: f32, height: f32, depth: f32, dice: &mut Dice) {
    let clay = v3(0.38, 0.14, 0.08) * dice.range(0.75, 1.15);
    let (x0, x1) = (foot.x - width / 2.0 - 0.15, foot.x + width / 2.0 + 0.15);
    let (eave, ridge) = (foot.y + height, foot.y + height + dice.range(1.7, 2.6));
    let (front, back) = (foot.z + 0.35, foot.z - depth / 2.0);
    let a = v3(x0, eave, front);
    let b = v3(x1, eave, front);
    let c = v3(x1, ridge, back);
    let d = v3(x0, ridge, back);
    world.put(Shape::Triangle { a, b, c }, paint::tiles, clay, 0.0);
    world.put(Shape::Triangle { a, b: c, c: d }, paint::tiles, clay, 0.0);
    for x in [x0, x1] {
        let (a, b, c) = (v3(x, eave, front), v3(x, ridge, back), v3(x, eave, back));
        world.put(Shape::Triangle { a, b, c }, paint::plaster, v3(0.5, 0.45, 0.38), 7.0);
    }
    let chimney = v3(foot.x + dice.range(-0.3, 0.3) * width, ridge, back + 0.5);
    world.put(block(chimney, v3(0.35, 0.9, 0.3), 0.0), paint::bricks, v3(0.30, 0.12, 0.08), 0.4);
    world.put(
        stick(chimney + v3(0.0, 0.9, 0.0), chimney + v3(0.0, 1.3, 0.0), 0.12, 0.10),
        paint::matt,
        clay,
        0.0,
    );
}

/// A row of houses along x, from `from` to about `to`.
pub(crate) fn row(world: &mut World, from: V3, to_x: f32, lit: f32, dice: &mut Dice) {
    let mut x = from.x;
    let mut last = usize::MAX;
    while x < to_x {
        let width = dice.range(4.2, 6.8);
        let mut pick = (dice.bits() % 8) as usize;
        if pick == last {
            pick = (pick + 3) % 8;
        }
        last = pick;
        let colour = FRONTS[pick] * dice.range(0.85, 1.1);
        let floors = 2 + u32::from(dice.range(0.0, 1.0) < 0.6);
        let foot = v3(x + width / 2.0, from.y, from.z + dice.range(-0.25, 0.25));
        house(world, &House { foot, width, floors, colour, lit }, dice);
        x += width;
    }
}

/// Planking and deck of a boat; `place` maps (along, up, sideways) into the scene.
fn hull(world: &mut World, place: &dyn Fn(f32, f32, f32) -> V3, length: f32, colour: V3) {
    let beam = length * 0.17;
    let free = length * 0.105;
    // Sections from stern (-1) to bow (+1): half breadth at deck and at the water, height of the deck.
    let section = |s: f32| {
        let fore = ((s + 0.15) / 1.15).max(0.0);
        let breadth = beam * (1.0 - fore * fore).max(0.0).powf(0.62) * if s < -0.7 { 0.92 } else { 1.0 };
        let water = breadth * (0.86 - 0.25 * fore);
        (breadth, water, free * (1.0 + 0.75 * (s.max(0.0)).powi(2) + 0.15 * (-s).max(0.0)))
    };
    let n = 9;
    let step = |i: usize| -1.0 + 2.0 * i as f32 / n as f32;
    for i in 0..n {
        let (s0, s1) = (step(i), step(i + 1));
        let ((b0, w0, h0), (b1, w1, h1)) = (section(s0), section(s1));
        let (l0, l1) = (s0 * length / 2.0, s1 * length / 2.0);
        let rake = |h: f32, s: f32| h * 0.25 * s.max(0.0);
        for side in [-1.0, 1.0] {
            let deck0 = place(l0 + rake(h0, s0), h0, side * b0);
            let deck1 = place(l1 + rake(h1, s1), h1, side * b1);
            let keel0 = place(l0, -0.15, side * w0);
            let keel1 = place(l1, -0.15, side * w1);
            world.put(Shape::Triangle { a: deck0, b: deck1, c: keel0 }, paint::hull, colour, free);
            world.put(Shape::Triangle { a: deck1, b: keel0, c: keel1 }, paint::hull, colour, free);
        }
        let inset = 0.10;
        let (p, q) = (place(l0, h0 - inset, -b0), place(l0, h0 - inset, b0));
        let (r, t) = (place(l1, h1 - inset, -b1), place(l1, h1 - inset, b1));
        world.put(Shape::Triangle { a: p, b: q, c: r }, paint::planks, v3(0.34, 0.25, 0.16), 8.0);
        world.put(Shape::Triangle { a: q, b: r, c: t }, paint::planks, v3(0.34, 0.25, 0.16), 8.0);
    }
    let (bs, ws, hs) = section(-1.0);
    let corners = [
        place(-length / 2.0, hs, -bs),
        place(-length / 2.0, hs, bs),
        place(-length / 2.0, -0.15, -ws),
        place(-length / 2.0, -0.15, ws),
    ];
    world.put(Shape::Triangle { a: corners[0], b: corners[1], c: corners[2] }, paint::hull, colour, free);
    world.put(Shape::Triangle { a: corners[1], b: corners[2], c: corners[3] }, paint::hull, colour, free);
}

/// A small working boat afloat at `at`, bow along `heading` (radians about the vertical, 0 = towards +x).
pub(crate) fn boat(world: &mut World, at: V3, heading: f32, length: f32, colour: V3, cabin: V3) {
    let (sin, cos) = heading.sin_cos();
    let place =
        |along: f32, up: f32, side: f32| at + v3(cos * along + sin * side, up, cos * side - sin * along);
    let beam = length * 0.17;
    let free = length * 0.105;
    hull(world, &place, length, colour);
    let (cw, ch) = (length * 0.13, length * 0.11);
    let house_at = place(-length * 0.12, free + ch - 0.1, 0.0);
    world.put(block(house_at, v3(cw, ch, beam * 0.62), heading), paint::gloss, cabin, 0.1);
    world.put(
        block(house_at + v3(0.0, ch * 0.35, 0.0), v3(cw + 0.01, ch * 0.34, beam * 0.52), heading),
        paint::glass,
        V3::default(),
        0.0,
    );
    world.put(
        block(house_at + v3(0.0, ch * 0.35, 0.0), v3(cw * 0.8, ch * 0.34, beam * 0.62 + 0.01), heading),
        paint::glass,
        V3::default(),
        0.0,
    );
    world.put(
        block(house_at + v3(0.0, ch + 0.04, 0.0), v3(cw * 1.15, 0.05, beam * 0.72), heading),
        paint::gloss,
        v3(0.62, 0.61, 0.57),
        0.1,
    );
    let foot = place(length * 0.10, free * 0.8, 0.0);
    let top = foot + v3(0.0, length * 0.62, 0.0);
    let timber = v3(0.40, 0.25, 0.11);
    world.put(stick(foot, top, 0.011 * length, 0.007 * length), paint::gloss, timber, 0.1);
    world.put(
        stick(
            foot + v3(0.0, length * 0.14, 0.0),
            place(-length * 0.40, free + length * 0.22, 0.0),
            0.007 * length,
            0.005 * length,
        ),
        paint::gloss,
        timber,
        0.1,
    );
    let rope = v3(0.12, 0.11, 0.09);
    for (along, up, side) in
        [(0.56, free * 1.7, 0.0), (-0.45, free * 1.1, beam * 0.9), (-0.45, free * 1.1, -beam * 0.9)]
    {
        world.put(
            stick(top, place(along * length, up, side), 0.0016 * length, 0.0016 * length),
            paint::matt,
            rope,
            0.0,
        );
    }
    for i in 0..3 {
        let fender = place(length * (-0.28 + 0.24 * i as f32), free * 0.62, beam * 1.0);
        world.put(
            ball(fender, 0.028 * length),
            paint::gloss,
            if i == 1 { v3(0.60, 0.13, 0.03) } else { v3(0.66, 0.64, 0.58) },
            0.12,
        );
    }
}

/// A street lamp on a post; `emit` is the light of its globe.
pub(crate) fn lamp_post(world: &mut World, foot: V3, height: f32, emit: V3) {
    let iron = v3(0.05, 0.055, 0.05);
    world.put(stick(foot, foot + v3(0.0, height, 0.0), 0.06, 0.035), paint::gloss, iron, 0.2);
    world.put(block(foot + v3(0.0, 0.25, 0.0), v3(0.12, 0.25, 0.12), 0.0), paint::gloss, iron, 0.2);
    world.put(
        stick(foot + v3(0.0, height, 0.0), foot + v3(0.0, height + 0.12, 0.0), 0.11, 0.05),
        paint::gloss,
        iron,
        0.2,
    );
    world.hang(Lamp { at: foot + v3(0.0, height + 0.25, 0.0), radius: 0.14, emit });
}
