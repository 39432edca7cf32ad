//! Surfaces: plaster, wood, stone, roof tiles, water, glass.

use super::tracer::{Point, Surface};
use super::v3::{V3, smooth, v3};
use crate::noise::{fbm2, hash2, unit, value2};

/// The two coordinates along a face: across and up for walls, x and z for floors.
fn face(p: &Point) -> (f32, f32) {
    let n = p.normal;
    if n.y.abs() > 0.7 {
        (p.at.x, p.at.z)
    } else if n.x.abs() > n.z.abs() {
        (p.at.z, p.at.y)
    } else {
        (p.at.x, p.at.y)
    }
}

/// A normal roughened by noise of a given size and depth.
fn rough(n: V3, u: f32, v: f32, size: f32, depth: f32, seed: u32) -> V3 {
    let bump = v3(
        value2(u * size, v * size, seed) + 0.5 * value2(u * size * 2.3, v * size * 2.3, seed + 1),
        value2(u * size, v * size, seed + 2) + 0.5 * value2(u * size * 2.3, v * size * 2.3, seed + 3),
        value2(u * size, v * size, seed + 4),
    );
    (n + bump * depth).unit()
}

/// Plain matt paint.
pub(crate) fn matt(p: &Point) -> Surface {
    Surface::matt(p.colour, p.normal)
}

/// Painted plaster with stains that run down; `number` varies the pattern.
pub(crate) fn plaster(p: &Point) -> Surface {
    let (u, v) = face(p);
    let seed = 40 + p.number as u32;
    let stain = fbm2(u * 0.9, v * 0.5, 5, seed);
    let streak = fbm2(u * 3.1, v * 0.22, 3, seed + 9);
    let fine = value2(u * 37.0, v * 37.0, seed + 3);
    // Grime above the ground and under ledges.
    let foot = 1.0 - 0.28 * smooth(1.4, 0.1, v + 0.5 * stain);
    let tone = (1.0 + 0.22 * stain + 0.14 * streak + 0.05 * fine) * foot;
    Surface::matt(p.colour * tone.clamp(0.4, 1.25), rough(p.normal, u, v, 14.0, 0.05, seed))
}

/// Planks along the first direction of a face, `number` planks per metre.
pub(crate) fn planks(p: &Point) -> Surface {
    let (u, v) = face(p);
    let across = v * p.number;
    let plank = across.floor();
    let seam = (across - plank - 0.5).abs();
    let id = plank as i32;
    let offset = unit(hash2(id, 3, 77)) * 20.0;
    let tone = 0.8 + 0.4 * unit(hash2(id, 5, 78));
    let rings = fbm2(u * 0.7 + offset, across * 2.6 + offset, 4, 60);
    let grain = value2(u * 1.3 + offset, across * 26.0 + 6.0 * rings, 61);
    let fibre = value2(u * 9.0 + offset, across * 90.0, 62);
    let dark = if seam > 0.47 { 0.25 } else { 1.0 };
    let tone = tone * (1.0 + 0.22 * grain + 0.10 * fibre + 0.25 * rings) * dark;
    let warm = v3(1.0, 1.0 - 0.05 * grain, 1.0 - 0.12 * grain);
    Surface::matt((p.colour * tone.clamp(0.15, 1.6)).tint(warm), rough(p.normal, u * 0.2, v, 40.0, 0.03, 63))
        .coated(0.025, 0.28)
}

/// Courses of bricks; `number` is the mortar's lightness.
pub(crate) fn bricks(p: &Point) -> Surface {
    let (u, v) = face(p);
    let (length, height) = (0.24, 0.078);
    let course = (v / height).floor();
    let shifted = u / length + if course as i32 % 2 == 0 { 0.0 } else { 0.5 };
    let (fx, fy) = (shifted - shifted.floor(), v / height - course);
    let id = hash2(shifted.floor() as i32, course as i32, 5);
    let wobble = 0.02 * value2(u * 20.0, v * 20.0, 8);
    let mortar = fx < 0.045 + wobble || fy < 0.13 + wobble;
    let tone = 0.7 + 0.55 * unit(id) + 0.25 * fbm2(u * 18.0, v * 18.0, 3, 9);
    let grime = 1.0 + 0.3 * fbm2(u * 0.5, v * 0.5, 4, 12);
    let albedo = if mortar { v3(p.number, p.number * 0.96, p.number * 0.9) } else { p.colour * tone };
    Surface::matt(albedo * grime, rough(p.normal, u, v, 60.0, if mortar { 0.1 } else { 0.06 }, 14))
}

/// Stone blocks of a quay: about 1.1 by 0.45 m; wet and weedy near the water.
pub(crate) fn quay(p: &Point) -> Surface {
    let (u, v) = face(p);
    let flat = p.normal.y > 0.7;
    let (length, height) = if flat { (0.9, 0.6) } else { (1.15, 0.42) };
    let course = (v / height).floor();
    let shifted = u / length + 0.37 * course + 0.1 * unit(hash2(course as i32, 1, 4));
    let (fx, fy) = (shifted - shifted.floor(), v / height - course);
    let seam = (fx < 0.018) | (fy < 0.04);
    let tone = 0.75
        + 0.5 * unit(hash2(shifted.floor() as i32, course as i32, 6))
        + 0.35 * fbm2(u * 3.0, v * 3.0, 5, 7);
    let mut albedo = p.colour * if seam { 0.35 } else { tone.max(0.3) };
    let mut coat = 0.0;
    if !flat {
        let line = 0.75 + 0.25 * fbm2(u * 0.8, 0.0, 3, 19);
        let weed = smooth(line, line - 0.35, p.at.y);
        albedo = albedo.mix(v3(0.035, 0.05, 0.022) * tone.max(0.4), weed * 0.9);
        coat = 0.03 * weed;
    }
    Surface::matt(albedo, rough(p.normal, u, v, 9.0, 0.09, 21)).coated(coat, 0.3)
}

/// Round-topped paving stones; `number` is 0 for dry to 1 for wet.
pub(crate) fn cobbles(p: &Point) -> Surface {
    let (u, v) = (p.at.x / 0.13, p.at.z / 0.11);
    let row = v.floor();
    let shifted = u + if row as i32 % 2 == 0 { 0.0 } else { 0.5 } + 0.15 * unit(hash2(row as i32, 9, 3));
    let column = shifted.floor();
    let (fx, fy) = (shifted - column - 0.5, v - row - 0.5);
    let id = hash2(column as i32, row as i32, 31);
    let dome = (fx.abs().powi(4) + fy.abs().powi(4)) * 16.0;
    let joint = smooth(0.62, 1.0, dome);
    let far = smooth(30.0, 6.0, p.at.z.abs());
    let slope = 0.5 * far;
    let tilt =
        v3(fx * slope + 0.06 * (unit(id) - 0.5), 1.0, fy * slope + 0.06 * (unit(id >> 3) - 0.5)).unit();
    let tone = (0.65 + 0.6 * unit(id)) * (1.0 - 0.65 * joint);
    let puddle = smooth(0.02, 0.22, fbm2(p.at.x * 0.45, p.at.z * 0.45, 4, 37) + 0.12 * p.number);
    let wet = p.number * (0.45 + 0.55 * puddle);
    let normal = tilt.mix(v3(0.0, 1.0, 0.0), 0.92 * wet * puddle).unit();
    Surface::matt(p.colour * tone * (1.0 - 0.5 * wet), normal)
        .coated(0.035 * wet, 0.02 + 0.2 * (1.0 - puddle * wet))
}

/// Rows of curved roof tiles along a pitched roof.
pub(crate) fn tiles(p: &Point) -> Surface {
    let (u, v) = (p.at.x / 0.22, p.at.y / 0.17);
    let row = v.floor();
    let column = u.floor();
    let id = hash2(column as i32, row as i32, 91);
    let round = ((u - column) - 0.5) * 1.5;
    let tone =
        (0.72 + 0.45 * unit(id)) * (0.72 + 0.34 * (v - row)) * (1.0 + 0.3 * fbm2(u * 0.15, v * 0.15, 4, 92));
    let n = (p.normal + v3(round * 0.55, 0.0, 0.0)).unit();
    let moss = smooth(0.1, 0.4, fbm2(u * 0.2, v * 0.3, 4, 95));
    Surface::matt((p.colour * tone).mix(v3(0.10, 0.11, 0.05), 0.35 * moss), n)
}

/// A window pane: nearly black inside, mirror in front; `number` is the light inside.
pub(crate) fn glass(p: &Point) -> Surface {
    let wave = 0.012 * value2(p.at.x * 2.0, p.at.y * 2.0, 55);
    let n = (p.normal + v3(wave, wave, 0.0)).unit();
    let curtain = 0.7 + 0.3 * value2(p.at.x * 9.0, p.at.y * 0.8, 56);
    Surface {
        emit: p.colour * (p.number * curtain),
        ..Surface::matt(v3(0.02, 0.022, 0.025), n).coated(0.07, 0.02)
    }
}

/// Varnish or gloss paint.
pub(crate) fn gloss(p: &Point) -> Surface {
    let (u, v) = face(p);
    let dirt = 1.0 + 0.10 * fbm2(u * 2.0, v * 2.0, 4, 71);
    Surface::matt(p.colour * dirt, p.normal).coated(0.04, 0.05 + p.number)
}

/// A boat's hull: bottom paint, boot line, topsides, rubbing strake at `number` metres above the water.
pub(crate) fn hull(p: &Point) -> Surface {
    let y = p.at.y;
    let weathered = 1.0 + 0.16 * fbm2(p.at.x * 1.4, y * 5.0, 5, 81);
    let streak = 1.0 - 0.2 * smooth(0.05, 0.5, fbm2(p.at.x * 6.0 + p.at.z * 3.0, y * 0.4, 3, 83));
    let albedo = if y < 0.13 {
        v3(0.24, 0.045, 0.03)
    } else if y < 0.19 {
        v3(0.75, 0.74, 0.70)
    } else if y > p.number - 0.10 {
        v3(0.55, 0.52, 0.45)
    } else {
        p.colour
    };
    Surface::matt(albedo * (weathered * streak), p.normal).coated(0.04, 0.12)
}

/// Sea or harbour water; `number` is the steepness of the ripples.
pub(crate) fn water(p: &Point) -> Surface {
    let (x, z) = (p.at.x, p.at.z);
    let slope = |size: f32, stretch: f32, seed: u32| {
        let e = 0.06 / size;
        let f = |x: f32, z: f32| fbm2(x * size, z * size * stretch, 3, seed);
        v3(
            (f(x + e, z) - f(x - e, z)) / (2.0 * e * size),
            0.0,
            (f(x, z + e) - f(x, z - e)) / (2.0 * e * size),
        )
    };
    let swell = slope(0.35, 1.6, 101);
    let ripple = slope(1.9, 1.5, 103);
    let calm = 0.35 + 0.65 * smooth(-0.25, 0.3, fbm2(x * 0.07, z * 0.16, 3, 107));
    let n = v3(0.0, 1.0, 0.0) + (swell * 0.6 + ripple * 0.55) * (p.number * calm);
    Surface::matt(p.colour, n.unit()).coated(0.02, 0.015)
}

/// Leaves and bushes: mottled, darker inside.
pub(crate) fn leaves(p: &Point) -> Surface {
    let (a, b, c) = (p.at.x * 9.0, p.at.y * 9.0, p.at.z * 9.0);
    let mottle = value2(a + c, b, 111) + 0.6 * value2(a * 2.3, (b + c) * 2.3, 112);
    let n = (p.normal + v3(value2(a, b + c, 113), value2(b, a - c, 114), value2(c, a + b, 115)) * 0.9).unit();
    let warm = v3(1.0 + 0.25 * mottle, 1.0 + 0.1 * mottle, 1.0);
    Surface::matt((p.colour * (0.75 + 0.5 * mottle).max(0.12)).tint(warm), n)
}

/// Weathered rock with cracks and lichen.
pub(crate) fn rock(p: &Point) -> Surface {
    let (a, b, c) = (p.at.x, p.at.y * 1.8, p.at.z);
    let big = fbm2(a * 1.1 + c, b * 1.1 - 0.4 * c, 6, 121 + p.number as u32);
    let fine = fbm2((a - c) * 7.0, (b + c) * 7.0, 4, 122);
    let crack = smooth(0.05, 0.0, (fbm2(a * 1.7 + 2.0 * c, b * 2.6, 4, 123)).abs());
    let wet = smooth(0.30, 0.02, p.at.y + 0.3 * big);
    let tone = (0.95 + 0.55 * big + 0.35 * fine) * (1.0 - 0.6 * crack) * (1.0 - 0.6 * wet);
    let n = (p.normal + v3(fine - crack * 0.5, big, value2(a * 5.0, c * 5.0 + b, 125)) * 0.75).unit();
    let lichen = smooth(0.15, 0.4, fbm2(a * 2.1 - c, b * 1.3 + c, 4, 127)) * (1.0 - wet);
    Surface::matt((p.colour * tone.max(0.1)).mix(v3(0.42, 0.34, 0.10), 0.35 * lichen), n)
        .coated(0.022 * wet, 0.5)
}

/// Glazed pottery; `number` above 0 draws a band of that colour strength.
pub(crate) fn glaze(p: &Point) -> Surface {
    let speckle = if unit(hash2(
        (p.own.x * 160.0) as i32 + (p.own.z * 160.0) as i32 * 7,
        (p.own.y * 160.0) as i32,
        131,
    )) > 0.985
    {
        0.7
    } else {
        1.0
    };
    let drift = 1.0 + 0.12 * fbm2(p.own.x * 14.0 + p.own.z * 9.0, p.own.y * 14.0, 4, 132);
    Surface::matt(p.colour * (speckle * drift), p.normal).coated(0.045, 0.02 + p.number)
}

/// Woven cloth with a coloured stripe.
pub(crate) fn cloth(p: &Point) -> Surface {
    let (u, v) = (p.at.x, p.at.z);
    let weave = 0.08 * ((u * 900.0).sin() * (v * 900.0).sin());
    let fold = rough(p.normal, u, v, 6.0, 0.10, 141);
    let stripe = ((u + 0.05 * v) * 7.0).rem_euclid(1.0);
    let albedo =
        if stripe < 0.16 || (0.24..0.28).contains(&stripe) { v3(0.10, 0.16, 0.34) } else { p.colour };
    Surface::matt(albedo * (1.0 + weave + 0.08 * fbm2(u * 8.0, v * 8.0, 3, 142)), fold)
}
