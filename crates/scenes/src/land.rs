//! Four landscapes: a headland, dunes, autumn hills, a sunset at sea.

use super::Picture;
use super::harbour::lift;
use super::sky::Sky;
use super::terrain::{Land, Stand, ridges};
use super::v3::{V3, smooth, v3};
use crate::noise::{fbm2, hash2, unit, value2};

fn headland_height(x: f32, z: f32, n: u32) -> f32 {
    // Land on the left, sea on the right; ranges behind one another.
    let coast =
        -40.0 + 0.30 * z + 160.0 * fbm2(z * 0.0022, 3.1, 3, 301) + 45.0 * fbm2(z * 0.012, x * 0.004, 3, 302);
    let inland = coast - x;
    let rise = smooth(-30.0, 900.0, inland);
    let hills = ridges(x * 0.0011, z * 0.0011, n, 305);
    let bumps = fbm2(x * 0.010, z * 0.010, n, 306);
    -22.0
        + 24.0 * smooth(-40.0, 14.0, inland)
        + rise * (120.0 + 560.0 * hills)
        + (3.0 + 22.0 * rise.sqrt()) * (bumps + 0.3)
}

fn headland_cover(p: V3, n: V3) -> V3 {
    let patch = fbm2(p.x * 0.011, p.z * 0.011, 5, 311);
    let fine = fbm2(p.x * 0.28, p.z * 0.28, 4, 312);
    let grass = v3(0.13, 0.17, 0.045).mix(v3(0.26, 0.22, 0.085), smooth(-0.15, 0.3, patch));
    let heath = v3(0.20, 0.09, 0.12);
    let bush = v3(0.035, 0.06, 0.02);
    let rock = v3(0.27, 0.245, 0.21) * (1.0 + 0.5 * fbm2(p.x * 0.05 + p.y * 0.2, p.y * 0.35, 4, 313));
    let mut c = grass.mix(
        heath,
        smooth(0.12, 0.3, fbm2(p.x * 0.006 + 5.0, p.z * 0.006, 4, 314)) * smooth(25.0, 90.0, p.y),
    );
    c = c.mix(bush, smooth(0.10, 0.25, fbm2(p.x * 0.035, p.z * 0.035, 5, 315)) * 0.85);
    c = c.mix(rock, smooth(0.80, 0.62, n.y + 0.10 * fine));
    let beach = smooth(4.0, 1.5, p.y + fine) * smooth(0.7, 0.9, n.y);
    c.mix(v3(0.48, 0.40, 0.28), beach) * (1.0 + 0.35 * fine)
}

/// A headland falling to the sea, hills behind hills.
pub(crate) fn headland(width: u32, height: u32) -> Picture {
    let land = Land {
        height: headland_height,
        cover: headland_cover,
        top_m: 760.0,
        water_m: 0.0,
        water: v3(0.015, 0.055, 0.070),
        waves: 0.08,
        sky: Sky {
            sun_dir: v3(0.70, 0.46, 0.30).unit(),
            sun: v3(1.0, 0.88, 0.70),
            horizon: v3(0.55, 0.63, 0.70),
            cloud: 0.60,
            cloud_scale: 0.36,
            seed: 93,
            ..Sky::default()
        },
        air_per_m: 0.000_23,
        air_height_m: 420.0,
        air_sun: v3(0.66, 0.66, 0.66),
        air: v3(0.42, 0.53, 0.66),
        far_m: 9000.0,
    };
    let stand = Stand { at: v3(-60.0, 62.0, 420.0), turn: -0.20, width: 0.95, rise: 0.05 };
    land.picture(&stand, width, height)
}

fn dune_height(x: f32, z: f32, n: u32) -> f32 {
    // Long crests, steep on the lee side, bent by slow noise; ripples only nearby.
    let bend = 26.0 * fbm2(x * 0.006, z * 0.006, 3, 321);
    let phase = (z + 0.35 * x + bend) / 62.0;
    let f = phase - phase.floor();
    let shape = if f < 0.72 { smooth(0.0, 0.72, f) } else { 1.0 - smooth(0.72, 1.0, f) };
    let size = 0.55 + 0.65 * smooth(-0.35, 0.4, fbm2(x * 0.011, z * 0.008, 3, 322));
    let second = fbm2(x * 0.022, z * 0.03, 4, 323);
    let ripple = if n >= 9 {
        0.018 * ((x * 0.5 + z * 1.2 + 2.0 * value2(x * 0.3, z * 0.3, 325)) * 5.5).sin()
    } else {
        0.0
    };
    15.0 * shape * size + 1.6 * second + ripple
}

fn dune_cover(p: V3, n: V3) -> V3 {
    let grain = fbm2(p.x * 1.7, p.z * 1.7, 3, 331);
    let sand = v3(0.56, 0.40, 0.23) * (1.0 + 0.12 * grain);
    let tuft_field = smooth(0.16, 0.34, fbm2(p.x * 0.05, p.z * 0.05, 4, 332));
    let blade = smooth(0.0, 0.5, value2(p.x * 2.6, p.z * 2.6, 333) + 0.5 * value2(p.x * 7.0, p.z * 7.0, 334));
    let grass = v3(0.20, 0.20, 0.085);
    sand.mix(grass, tuft_field * blade * smooth(0.75, 0.92, n.y) * 0.9)
}

/// Dunes in thin fog.
pub(crate) fn dunes(width: u32, height: u32) -> Picture {
    let land = Land {
        height: dune_height,
        cover: dune_cover,
        top_m: 24.0,
        water_m: -80.0,
        water: V3::default(),
        waves: 0.0,
        sky: Sky {
            sun_dir: v3(0.90, 0.30, 0.12).unit(),
            sun: v3(1.30, 0.98, 0.62),
            zenith: v3(0.16, 0.27, 0.48),
            horizon: v3(0.72, 0.68, 0.60),
            glow: v3(0.45, 0.34, 0.18),
            glow_power: 8.0,
            cloud: 0.5,
            cloud_scale: 0.45,
            seed: 15,
            ..Sky::default()
        },
        air_per_m: 0.0013,
        air_height_m: 16.0,
        air_sun: v3(0.92, 0.78, 0.56),
        air: v3(0.66, 0.65, 0.62),
        far_m: 1400.0,
    };
    let stand = Stand { at: v3(4.0, 19.0, 60.0), turn: 0.20, width: 0.80, rise: -0.02 };
    land.picture(&stand, width, height)
}

/// Forest canopy: rounded crowns on a jittered grid, `h` metres tall.
fn crowns(x: f32, z: f32, cell: f32, h: f32, seed: u32) -> f32 {
    let (gx, gz) = ((x / cell).floor() as i32, (z / cell).floor() as i32);
    let mut best: f32 = 0.0;
    for dz in -1..=1 {
        for dx in -1..=1 {
            let id = hash2(gx + dx, gz + dz, seed);
            let cx = (gx + dx) as f32 + 0.5 + 0.7 * (unit(id) - 0.5);
            let cz = (gz + dz) as f32 + 0.5 + 0.7 * (unit(id.rotate_left(11)) - 0.5);
            let d2 = (x / cell - cx).powi(2) + (z / cell - cz).powi(2);
            let tall = 0.6 + 0.6 * unit(id.rotate_left(19));
            best = best.max(tall * (1.0 - d2 * 1.5).max(0.0).sqrt());
        }
    }
    best * h
}

fn autumn_base(x: f32, z: f32, n: u32) -> f32 {
    let valley = smooth(40.0, 900.0, (x + 0.25 * z + 220.0 * fbm2(z * 0.0016, 0.7, 2, 345)).abs());
    -6.0 + valley * 150.0
        + ridges(x * 0.0014, z * 0.0014, n.min(5), 341) * 280.0 * valley
        + 14.0 * fbm2(x * 0.007, z * 0.007, 4, 342)
}

fn forest(x: f32, z: f32, base: f32) -> f32 {
    smooth(-0.30, -0.16, fbm2(x * 0.004, z * 0.004, 4, 343)) * smooth(-2.0, 12.0, base)
}

fn autumn_height(x: f32, z: f32, n: u32) -> f32 {
    let base = autumn_base(x, z, n);
    if n < 5 {
        base + 8.0 * forest(x, z, base)
    } else {
        base + forest(x, z, base) * crowns(x, z, 9.0, 11.0, 346)
    }
}

fn autumn_cover(p: V3, n: V3) -> V3 {
    let base = autumn_base(p.x, p.z, 6);
    let wood = forest(p.x, p.z, base);
    let id = hash2((p.x / 9.0).round() as i32, (p.z / 9.0).round() as i32, 346);
    let kind = unit(id) + 0.5 * fbm2(p.x * 0.006, p.z * 0.006, 3, 347);
    let leaf = if kind < 0.25 {
        v3(0.05, 0.085, 0.03)
    } else if kind < 0.48 {
        v3(0.15, 0.17, 0.035)
    } else if kind < 0.74 {
        v3(0.42, 0.24, 0.03)
    } else if kind < 0.92 {
        v3(0.36, 0.11, 0.025)
    } else {
        v3(0.25, 0.04, 0.025)
    };
    let fine = fbm2(p.x * 0.9, p.z * 0.9 + p.y, 4, 348);
    let field = v3(0.16, 0.22, 0.05)
        .mix(v3(0.40, 0.32, 0.13), smooth(-0.1, 0.25, fbm2(p.x * 0.009, p.z * 0.009, 3, 349)));
    let furrow = 1.0 + 0.10 * ((p.x * 0.8 + p.z * 0.35) * 1.2).sin();
    let rock = v3(0.26, 0.24, 0.22);
    let ground = (field * furrow).mix(rock, smooth(0.72, 0.55, n.y) * (1.0 - wood));
    ground.mix(leaf, smooth(0.2, 0.5, wood)) * (1.0 + 0.45 * fine)
}

/// Hills in autumn above a still lake.
pub(crate) fn autumn(width: u32, height: u32) -> Picture {
    let land = Land {
        height: autumn_height,
        cover: autumn_cover,
        top_m: 420.0,
        water_m: 0.0,
        water: v3(0.012, 0.030, 0.036),
        waves: 0.012,
        sky: Sky {
            sun_dir: v3(0.70, 0.40, 0.36).unit(),
            sun: v3(1.05, 0.88, 0.64),
            horizon: v3(0.50, 0.58, 0.68),
            zenith: v3(0.10, 0.20, 0.46),
            cloud: 0.56,
            cloud_scale: 0.40,
            seed: 41,
            ..Sky::default()
        },
        air_per_m: 0.000_20,
        air_height_m: 260.0,
        air_sun: v3(0.66, 0.60, 0.52),
        air: v3(0.40, 0.50, 0.64),
        far_m: 7000.0,
    };
    let stand = Stand { at: v3(0.0, 34.0, 560.0), turn: -0.10, width: 0.90, rise: 0.03 };
    land.picture(&stand, width, height)
}

fn island_height(x: f32, z: f32, n: u32) -> f32 {
    let chain = fbm2(x * 0.0011 + 7.0, z * 0.0007, 3, 361);
    let far = smooth(300.0, 900.0, -z);
    -30.0
        + far
            * (150.0 * smooth(0.04, 0.55, chain)
                + 60.0 * ridges(x * 0.003, z * 0.003, n, 362) * smooth(0.05, 0.3, chain))
}

fn island_cover(p: V3, _: V3) -> V3 {
    v3(0.10, 0.09, 0.07) * (1.0 + 0.5 * fbm2(p.x * 0.02, p.z * 0.02 + p.y * 0.02, 5, 363))
}

/// The sun low over islands.
pub(crate) fn sunset(width: u32, height: u32) -> Picture {
    let land = Land {
        height: island_height,
        cover: island_cover,
        top_m: 200.0,
        water_m: 0.0,
        water: v3(0.012, 0.022, 0.034),
        waves: 0.16,
        sky: Sky {
            sun_dir: v3(-0.13, 0.105, -1.0).unit(),
            sun: v3(0.80, 0.42, 0.16),
            sun_half_rad: 0.005,
            zenith: v3(0.07, 0.11, 0.27),
            horizon: v3(0.46, 0.26, 0.15),
            below: v3(0.10, 0.08, 0.07),
            glow: v3(0.55, 0.25, 0.06),
            glow_power: 22.0,
            cloud: 0.62,
            cloud_bright: v3(0.85, 0.42, 0.22),
            cloud_dark: v3(0.16, 0.14, 0.19),
            cloud_scale: 0.40,
            seed: 57,
        },
        air_per_m: 0.000_16,
        air_height_m: 150.0,
        air_sun: v3(0.95, 0.52, 0.22),
        air: v3(0.42, 0.32, 0.32),
        far_m: 8000.0,
    };
    let stand = Stand { at: v3(0.0, 7.0, 60.0), turn: 0.0, width: 0.80, rise: 0.10 };
    lift(land.picture(&stand, width, height), 0.9)
}
