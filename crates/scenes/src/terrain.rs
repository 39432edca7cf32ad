//! Land as a height field: rays march over it, the sun casts shadows, and the air gains colour with distance.

use super::Picture;
use super::sky::Sky;
use super::v3::{V3, smooth, v3};
use crate::noise::{fbm2, hash2, unit};

pub(crate) struct Land {
    /// Height in metres at a position; `detail` is the number of octaves worth computing there.
    pub(crate) height: fn(f32, f32, u32) -> f32,
    /// Reflectance at a position, given its normal.
    pub(crate) cover: fn(V3, V3) -> V3,
    /// Highest land, m.
    pub(crate) top_m: f32,
    /// Level of the water, m; far below the land if there is none.
    pub(crate) water_m: f32,
    /// Colour of deep water.
    pub(crate) water: V3,
    /// Steepness of the waves.
    pub(crate) waves: f32,
    pub(crate) sky: Sky,
    /// Share of light that the air absorbs per metre, and the height over which it thins out.
    pub(crate) air_per_m: f32,
    pub(crate) air_height_m: f32,
    /// Colour of the air towards and away from the sun.
    pub(crate) air_sun: V3,
    pub(crate) air: V3,
    /// Furthest distance, m.
    pub(crate) far_m: f32,
}

/// Position and direction of the camera (level, shifted like a view camera).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stand {
    pub(crate) at: V3,
    /// Turn about the vertical, radians; 0 looks towards -z.
    pub(crate) turn: f32,
    /// Width of the picture at unit distance.
    pub(crate) width: f32,
    /// Share of the picture's height by which the horizon is below the middle.
    pub(crate) rise: f32,
}

impl Land {
    /// Render the view.
    pub(crate) fn picture(&self, stand: &Stand, width: u32, height: u32) -> Picture {
        let (sin, cos) = stand.turn.sin_cos();
        let forward = v3(sin, 0.0, -cos);
        let right = v3(cos, 0.0, sin);
        let aspect = height as f32 / width as f32;
        Picture::from_fn(width, height, |x, y| {
            let mut sum = V3::default();
            const SUB: u32 = 2;
            for s in 0..SUB * SUB {
                let jitter = unit(hash2(x as i32, y as i32, s)) * 0.5;
                let px = x as f32 + ((s % SUB) as f32 + jitter) / SUB as f32;
                let py = y as f32 + ((s / SUB) as f32 + jitter) / SUB as f32;
                let sx = (px / width as f32 - 0.5) * stand.width;
                let sy = ((0.5 - py / height as f32) + stand.rise) * stand.width * aspect;
                let dir = (forward + right * sx + v3(0.0, sy, 0.0)).unit();
                sum = sum + self.light(stand.at, dir, true).min_each(v3(9.0, 9.0, 9.0));
            }
            (sum * (1.0 / (SUB * SUB) as f32)).rgb()
        })
    }

    fn light(&self, from: V3, dir: V3, mirror: bool) -> V3 {
        let water_t = if dir.y < -1e-4 { (self.water_m - from.y) / dir.y } else { f32::INFINITY };
        let limit = self.far_m.min(water_t);
        match self.walk(from, dir, limit) {
            Some(t) => {
                let at = from + dir * t;
                self.through_air(from, dir, t, self.ground(at, t))
            }
            None if water_t < self.far_m * 4.0 => {
                let at = from + dir * water_t;
                let seen = self.sea(at, dir, water_t, mirror);
                self.through_air(from, dir, water_t, seen)
            }
            None => {
                let far = self.sky.seen(dir) + self.sky.glint(dir, 0.0).min_each(v3(7.0, 6.0, 4.5));
                self.through_air(from, dir, self.far_m * 1.4, far)
            }
        }
    }

    /// Distance to the land along a ray, if it hits before `limit`.
    fn walk(&self, from: V3, dir: V3, limit: f32) -> Option<f32> {
        let mut t = 1.0f32;
        let mut last_t = 0.0;
        let mut last_gap = 1.0;
        for _ in 0..260 {
            let at = from + dir * t;
            if t > limit || (dir.y > 0.0 && at.y > self.top_m) {
                return None;
            }
            let gap = at.y - (self.height)(at.x, at.z, octaves(t));
            if gap < 0.002 * t {
                // Interpolate between the last point above and this one.
                let part = (last_gap / (last_gap - gap).max(1e-6)).clamp(0.0, 1.0);
                return Some(last_t + (t - last_t) * part);
            }
            last_t = t;
            last_gap = gap;
            t += (0.42 * gap).max(0.004 * t);
        }
        Some(t).filter(|t| *t < limit)
    }

    fn normal(&self, at: V3, t: f32) -> V3 {
        let e = (0.0009 * t).max(0.02);
        let h = |dx: f32, dz: f32| (self.height)(at.x + dx, at.z + dz, octaves(t) + 1);
        v3(h(-e, 0.0) - h(e, 0.0), 2.0 * e, h(0.0, -e) - h(0.0, e)).unit()
    }

    fn ground(&self, at: V3, t: f32) -> V3 {
        let n = self.normal(at, t);
        let albedo = (self.cover)(at, n);
        let to_sun = self.sky.sun_dir;
        let slant = n.dot(to_sun).max(0.0);
        let sun = if slant > 0.0 {
            self.sky.sun * (slant * self.sunlit(at + v3(0.0, 0.004 * t, 0.0)))
        } else {
            V3::default()
        };
        let open = 0.5 + 0.5 * n.y;
        let above = self.sky.soft(v3(n.x * 0.5, 0.75, n.z * 0.5).unit()) * (0.85 * open);
        // Light reflected by the surrounding ground.
        let bounce = albedo.tint(self.sky.sun) * (0.16 * to_sun.y.max(0.0) * (1.0 - 0.5 * n.y));
        albedo.tint(sun + above + bounce)
    }

    /// Share of the sun that reaches a point, with a soft edge that widens with distance.
    fn sunlit(&self, at: V3) -> f32 {
        let to = self.sky.sun_dir;
        let mut free: f32 = 1.0;
        let mut t = 0.6;
        for _ in 0..70 {
            let p = at + to * t;
            if p.y > self.top_m {
                break;
            }
            let gap = p.y - (self.height)(p.x, p.z, octaves(t * 3.0));
            free = free.min(0.5 + 0.5 * gap / (self.sky.sun_half_rad.max(0.006) * t));
            if free <= 0.0 {
                return 0.0;
            }
            t += gap.abs().mul_add(0.5, 0.03 * t).max(0.4);
        }
        smooth(0.0, 1.0, free)
    }

    fn sea(&self, at: V3, dir: V3, t: f32, mirror: bool) -> V3 {
        let fade = 1.0 / (1.0 + t * 0.004);
        let f = |x: f32, z: f32| fbm2(x * 0.16, z * 0.34, 4, 201) + 0.55 * fbm2(x * 0.9, z * 1.5, 3, 203);
        let e = 0.15 + 0.0006 * t;
        let slope = self.waves * fade.sqrt();
        let n = v3(
            (f(at.x - e, at.z) - f(at.x + e, at.z)) * slope / e,
            1.0,
            (f(at.x, at.z - e) - f(at.x, at.z + e)) * slope / e,
        )
        .unit();
        let facing = (-dir.dot(n)).clamp(0.0, 1.0);
        let reflect = 0.02 + 0.98 * (1.0 - facing).powi(5);
        let mut up = dir.mirrored(n);
        up.y = up.y.abs().max(0.015);
        let up = up.unit();
        let seen = if mirror && self.top_m > self.water_m {
            self.light_once(at + v3(0.0, 0.05, 0.0), up)
        } else {
            self.sky.seen(up)
        };
        let spark = self.sky.glint(up, 0.035).min_each(v3(8.0, 6.5, 4.5));
        self.water.tint(self.sky.soft(v3(0.0, 1.0, 0.0)) + self.sky.sun * self.sky.sun_dir.y.max(0.0))
            * (1.0 - reflect)
            + (seen + spark) * reflect
    }

    fn light_once(&self, from: V3, dir: V3) -> V3 {
        match self.walk(from, dir, self.far_m) {
            Some(t) => self.through_air(from, dir, t, self.ground(from + dir * t, t)),
            None => self.sky.seen(dir),
        }
    }

    /// Light after passing through air that thins out with height.
    fn through_air(&self, from: V3, dir: V3, t: f32, light: V3) -> V3 {
        let h = self.air_height_m;
        let rise = dir.y / h;
        let path = if rise.abs() * t < 1e-3 { t } else { (1.0 - (-rise * t).exp()) / rise };
        let depth =
            (self.air_per_m * (-(from.y - self.water_m.max(0.0)).max(0.0) / h).exp() * path).clamp(0.0, 60.0);
        let toward = dir.dot(self.sky.sun_dir).max(0.0).powi(5);
        light.mix(self.air.mix(self.air_sun, toward), 1.0 - (-depth).exp())
    }
}

/// Octaves of detail visible at a distance.
fn octaves(t: f32) -> u32 {
    if t < 60.0 {
        9
    } else if t < 400.0 {
        7
    } else if t < 2500.0 {
        6
    } else {
        5
    }
}

/// Ridged noise: sharp crests, round valleys; about 0..1.
pub(crate) fn ridges(x: f32, z: f32, n: u32, seed: u32) -> f32 {
    let (mut sum, mut weight, mut px, mut pz, mut carry) = (0.0, 0.5, x, z, 1.0);
    for octave in 0..n {
        let v = 1.0 - fbm2(px, pz, 1, seed + 13 * octave).abs() * 2.0;
        let v = v.max(0.0).powi(2) * carry;
        sum += v * weight;
        carry = v.clamp(0.0, 1.0).sqrt();
        weight *= 0.5;
        let (rx, rz) = (px * 0.8 - pz * 0.6, px * 0.6 + pz * 0.8);
        px = rx * 2.05;
        pz = rz * 2.05;
    }
    sum
}
