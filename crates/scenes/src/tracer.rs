//! A small path tracer: sun, sky, lamps, matt and varnished surfaces, water, haze, a lens with an aperture.

use rayon::prelude::*;

use super::Picture;
use super::denoise::{Seen, denoise};
use super::shape::{Meeting, Ray, Shape, Tree};
use super::sky::Sky;
use super::v3::{V3, v3};
use crate::noise::{hash2, unit};

/// Appearance of a surface at one point.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Surface {
    /// Diffuse reflectance.
    pub(crate) albedo: V3,
    /// Shading normal.
    pub(crate) normal: V3,
    /// Reflectance of a clear coat at normal incidence; 0 = matt.
    pub(crate) coat: f32,
    /// Spread of that reflection, radians.
    pub(crate) gloss_rad: f32,
    /// Own light.
    pub(crate) emit: V3,
}

impl Surface {
    /// A matt surface.
    pub(crate) fn matt(albedo: V3, normal: V3) -> Self {
        Self { albedo, normal, coat: 0.0, gloss_rad: 0.1, emit: V3::default() }
    }

    /// The same surface with a clear coat.
    pub(crate) fn coated(self, coat: f32, gloss_rad: f32) -> Self {
        Self { coat, gloss_rad, ..self }
    }
}

/// The point that a shader colours.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Point {
    /// World position.
    pub(crate) at: V3,
    /// Position in the shape's own frame.
    pub(crate) own: V3,
    /// Geometric normal.
    pub(crate) normal: V3,
    /// Colour assigned to the shape.
    pub(crate) colour: V3,
    /// Number assigned to the shape; its meaning depends on the shader.
    pub(crate) number: f32,
}

/// Computes the appearance of a point.
pub(crate) type Shader = fn(&Point) -> Surface;

#[derive(Debug, Clone, Copy)]
struct Skin {
    shader: Shader,
    colour: V3,
    number: f32,
    /// A light source. Lit surfaces sample it directly, so scattered paths must not count it again.
    lamp: bool,
}

/// A spherical lamp.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lamp {
    pub(crate) at: V3,
    pub(crate) radius: f32,
    /// Light emitted by its surface.
    pub(crate) emit: V3,
}

/// A scene to trace.
#[derive(Debug)]
pub(crate) struct World {
    shapes: Vec<Shape>,
    skins: Vec<Skin>,
    lamps: Vec<Lamp>,
    ground: Option<Skin>,
    pub(crate) sky: Sky,
    /// Haze: share of light lost per metre.
    pub(crate) haze_per_m: f32,
    tree: Option<Tree>,
}

/// A view camera: the picture is shifted instead of tilted, so verticals stay vertical.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Camera {
    pub(crate) from: V3,
    /// Point that appears in the middle of the picture's width.
    pub(crate) to: V3,
    /// Width of the picture at unit distance.
    pub(crate) width: f32,
    /// Rise of the lens: moves the horizon down by this share of the picture's height.
    pub(crate) rise: f32,
    /// Radius of the aperture, m.
    pub(crate) aperture: f32,
    /// Distance in focus, m.
    pub(crate) focus: f32,
}

impl World {
    pub(crate) fn new(sky: Sky) -> Self {
        Self {
            shapes: Vec::new(),
            skins: Vec::new(),
            lamps: Vec::new(),
            ground: None,
            sky,
            haze_per_m: 0.0,
            tree: None,
        }
    }

    pub(crate) fn put(&mut self, shape: Shape, shader: Shader, colour: V3, number: f32) {
        self.shapes.push(shape);
        self.skins.push(Skin { shader, colour, number, lamp: false });
    }

    /// Add a lamp.
    pub(crate) fn hang(&mut self, lamp: Lamp) {
        self.shapes.push(super::shape::ball(lamp.at, lamp.radius));
        self.skins.push(Skin { shader: lamp_shader, colour: lamp.emit, number: 0.0, lamp: true });
        self.lamps.push(lamp);
    }

    /// Endless ground or water at height 0.
    pub(crate) fn ground(&mut self, shader: Shader, colour: V3, number: f32) {
        self.ground = Some(Skin { shader, colour, number, lamp: false });
    }

    /// Trace a picture with `samples` paths per pixel.
    pub(crate) fn picture(mut self, camera: &Camera, width: u32, height: u32, samples: u32) -> Picture {
        self.tree = Some(Tree::new(std::mem::take(&mut self.shapes)));
        let world = &self;
        let forward = v3(camera.to.x - camera.from.x, 0.0, camera.to.z - camera.from.z).unit();
        let right = v3(-forward.z, 0.0, forward.x);
        let up = v3(0.0, 1.0, 0.0);
        let tilt = (camera.to.y - camera.from.y) / (camera.to - camera.from).length().max(1e-6);
        let aspect = height as f32 / width as f32;
        let mut seen = vec![Seen::default(); width as usize * height as usize];
        seen.par_chunks_mut(width as usize).enumerate().for_each(|(y, row)| {
            for (x, pixel) in row.iter_mut().enumerate() {
                let (mut all, mut squares) = (Seen::default(), 0.0);
                for s in 0..samples {
                    let mut path = Path { x: x as i32, y: y as i32, sample: s, dimension: 0 };
                    let (jx, jy) = path.pair();
                    let sx = ((x as f32 + jx) / width as f32 - 0.5) * camera.width;
                    let sy = ((0.5 - (y as f32 + jy) / height as f32) + camera.rise) * camera.width * aspect
                        + tilt;
                    let dir = forward + right * sx + up * sy;
                    let (lx, ly) = path.disc();
                    let lens = (right * lx + up * ly) * camera.aperture;
                    let focus = dir * camera.focus;
                    let ray = Ray { from: camera.from + lens, dir: (focus - lens).unit() };
                    let mut first = Seen { albedo: v3(1.0, 1.0, 1.0), distance: 1e4, ..Seen::default() };
                    let light = world.light(ray, &mut path, &mut first).min_each(v3(8.0, 8.0, 8.0));
                    all.light = all.light + light;
                    all.albedo = all.albedo + first.albedo;
                    all.normal = all.normal + first.normal;
                    all.distance += first.distance;
                    squares += (0.2126 * light.x + 0.7152 * light.y + 0.0722 * light.z).powi(2);
                }
                *pixel = mean_of(&all, squares, samples as f32);
            }
        });
        Picture { width, height, pixels: denoise(&seen, width as usize) }
    }

    fn nearest(&self, ray: &Ray) -> Option<(Meeting, Skin)> {
        let tree = self.tree.as_ref()?;
        let found = tree.nearest(ray, 1e-3, 1e6);
        if let Some(ground) = self.ground.filter(|_| ray.dir.y < -1e-5) {
            let t = -ray.from.y / ray.dir.y;
            if t > 1e-3 && found.is_none_or(|m| t < m.t) {
                let at = ray.at(t);
                return Some((Meeting { t, normal: v3(0.0, 1.0, 0.0), own: at, index: usize::MAX }, ground));
            }
        }
        found.map(|m| (m, self.skins[m.index]))
    }

    fn blocked(&self, ray: &Ray, far: f32) -> bool {
        self.tree.as_ref().is_some_and(|tree| tree.blocked(ray, 2e-3, far))
    }

    fn light(&self, mut ray: Ray, path: &mut Path, first: &mut Seen) -> V3 {
        let mut sum = V3::default();
        let mut gain = v3(1.0, 1.0, 1.0);
        let mut direct_view = true;
        // After light was scattered, mirrors no longer show the small bright sun: such paths are rare and glaring.
        let mut scattered = false;
        let mut spread = 0.0;
        for bounce in 0..4 {
            let Some((met, skin)) = self.nearest(&ray) else {
                let sky = if direct_view { self.sky.seen(ray.dir) } else { self.sky.soft(ray.dir) };
                let glint =
                    if direct_view && !scattered { self.sky.glint(ray.dir, spread) } else { V3::default() };
                return sum + gain.tint(sky + glint);
            };
            if self.haze_per_m > 0.0 && direct_view {
                let clear = (-met.t * self.haze_per_m).exp();
                let along = v3(ray.dir.x, ray.dir.y.abs().max(0.02), ray.dir.z).unit();
                sum = sum + gain.tint(self.sky.soft(along)) * (1.0 - clear);
                gain = gain * clear;
            }
            let at = ray.at(met.t);
            let normal = if met.normal.dot(ray.dir) > 0.0 { -met.normal } else { met.normal };
            let point = Point { at, own: met.own, normal, colour: skin.colour, number: skin.number };
            let surface = (skin.shader)(&point);
            if bounce == 0 {
                *first = Seen {
                    albedo: surface.albedo,
                    normal: surface.normal,
                    distance: met.t,
                    ..Seen::default()
                };
            }
            if !skin.lamp || direct_view && !scattered {
                sum = sum + gain.tint(surface.emit);
            }
            if skin.lamp {
                return sum;
            }
            let n = surface.normal;
            if surface.coat > 0.0 {
                let facing = (-ray.dir.dot(n)).clamp(0.0, 1.0);
                let mirror = surface.coat + (1.0 - surface.coat) * (1.0 - facing).powi(5);
                if path.next() < mirror {
                    let (a, b) = path.disc();
                    let (t1, t2) = tangents(n);
                    let tilted = (n + (t1 * a + t2 * b) * (0.5 * surface.gloss_rad)).unit();
                    let mut dir = ray.dir.mirrored(tilted);
                    if dir.dot(normal) < 0.01 {
                        dir = (dir + normal * (0.02 - dir.dot(normal))).unit();
                    }
                    ray = Ray { from: at + normal * 1e-3, dir };
                    spread = surface.gloss_rad * 0.5;
                    direct_view = true;
                    continue;
                }
            }
            sum = sum + gain.tint(surface.albedo).tint(self.direct(at, normal, n, path));
            gain = gain.tint(surface.albedo);
            if bounce >= 2 || gain.x.max(gain.y).max(gain.z) < 0.02 {
                // The rest of the path sees part of the sky.
                return sum + gain.tint(self.sky.soft(n)) * 0.25;
            }
            ray = Ray { from: at + normal * 1e-3, dir: around(n, normal, path) };
            direct_view = false;
            scattered = true;
        }
        sum
    }

    /// Light of the sun and of one lamp at a point.
    fn direct(&self, at: V3, geometric: V3, n: V3, path: &mut Path) -> V3 {
        let mut sum = V3::default();
        let sky = &self.sky;
        let from = at + geometric * 2e-3;
        if sky.sun.x + sky.sun.y + sky.sun.z > 0.0 {
            let (a, b) = path.disc();
            let (t1, t2) = tangents(sky.sun_dir);
            let to = (sky.sun_dir + (t1 * a + t2 * b) * sky.sun_half_rad).unit();
            let slant = n.dot(to);
            if slant > 0.0 && geometric.dot(to) > 0.0 && !self.blocked(&Ray { from, dir: to }, 1e6) {
                sum = sum + sky.sun * slant;
            }
        }
        if !self.lamps.is_empty() {
            let pick = ((path.next() * self.lamps.len() as f32) as usize).min(self.lamps.len() - 1);
            let lamp = self.lamps[pick];
            let (a, b) = path.disc();
            let centre = lamp.at - from;
            let (t1, t2) = tangents(centre.unit());
            let to = centre + (t1 * a + t2 * b) * lamp.radius;
            let far = to.length();
            let dir = to * (1.0 / far);
            let slant = n.dot(dir);
            let clear = far - 1.05 * lamp.radius;
            if slant > 0.0 && geometric.dot(dir) > 0.0 && !self.blocked(&Ray { from, dir }, clear) {
                // Radiance times solid angle over pi: the light of a white card.
                let solid = (lamp.radius / far).powi(2);
                sum = sum + lamp.emit * (slant * solid * self.lamps.len() as f32);
            }
        }
        sum
    }
}

/// Means over the results of `n` paths, with the variance of the mean of their luminance.
fn mean_of(all: &Seen, squares: f32, n: f32) -> Seen {
    let light = all.light * (1.0 / n);
    let mean = 0.2126 * light.x + 0.7152 * light.y + 0.0722 * light.z;
    Seen {
        light,
        albedo: all.albedo * (1.0 / n),
        normal: all.normal * (1.0 / n),
        distance: all.distance / n,
        variance: ((squares / n - mean * mean) / (n - 1.0).max(1.0)).max(0.0),
    }
}

fn lamp_shader(p: &Point) -> Surface {
    Surface { emit: p.colour, ..Surface::matt(V3::default(), p.normal) }
}

fn tangents(n: V3) -> (V3, V3) {
    let helper = if n.y.abs() < 0.9 { v3(0.0, 1.0, 0.0) } else { v3(1.0, 0.0, 0.0) };
    let t1 = n.cross(helper).unit();
    (t1, n.cross(t1))
}

/// A random direction from a matt surface, above the true surface.
fn around(n: V3, geometric: V3, path: &mut Path) -> V3 {
    let (a, b) = path.disc();
    let (t1, t2) = tangents(n);
    let up = (1.0 - a * a - b * b).max(0.0).sqrt();
    let dir = (t1 * a + t2 * b + n * up).unit();
    if dir.dot(geometric) < 0.01 { (dir + geometric * (0.02 - dir.dot(geometric))).unit() } else { dir }
}

/// Numbers for one path: a low-discrepancy sequence per dimension, shifted by a hash of the pixel.
struct Path {
    x: i32,
    y: i32,
    sample: u32,
    dimension: u32,
}

impl Path {
    fn next(&mut self) -> f32 {
        let shift = unit(hash2(self.x, self.y, self.dimension.wrapping_mul(0x9E37_79B9)));
        self.dimension += 1;
        (shift + self.sample as f32 * 0.618_034).fract()
    }

    /// Two numbers of the plastic-number sequence (fractions 0.7549, 0.5698).
    fn pair(&mut self) -> (f32, f32) {
        let seed = self.dimension.wrapping_mul(0x9E37_79B9);
        let (a, b) = (unit(hash2(self.x, self.y, seed)), unit(hash2(self.x, self.y, seed ^ 0x5bd1_e995)));
        self.dimension += 2;
        let s = self.sample as f32;
        ((a + s * 0.754_877_7).fract(), (b + s * 0.569_840_3).fract())
    }

    /// A point of the unit disc.
    fn disc(&mut self) -> (f32, f32) {
        let (u, v) = self.pair();
        let (sin, cos) = (u * std::f32::consts::TAU).sin_cos();
        let r = v.sqrt();
        (r * cos, r * sin)
    }
}
