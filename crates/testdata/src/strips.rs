//! Draws strips with known frames: film in a holder, rebates, perforations, edge print, blur and noise.
//!
//! Lengths are millimetres on the film. The drawing follows exposure, then density, then light through the scanner's
//! blur, so an image edge is soft in the way a gate and a lens make it.

use glassine_raster::{Point, Samples16, TiltedBox};
use rayon::prelude::*;

/// What a frame shows: density above base (negatives) at a position in 0..1 by 0..1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scene {
    /// Broken tones over the whole frame; the number selects the pattern.
    Photo(u32),
    /// One even density.
    Even(f32),
    /// Clear at the top, dense below.
    ClearTop(u32),
    /// Clear nearly everywhere, with a few lights.
    Night(u32),
    /// An even sky a little denser than the base, full of small stars.
    Stars(u32),
    /// Broken tones at exposures that a slide renders; all others are clear film on slides.
    OnSlide(u32),
}

#[derive(Debug, Clone, Copy)]
pub struct Shot {
    /// Start along the film, mm from the cut end.
    pub at_mm: f64,
    pub along_mm: f64,
    pub across_mm: f64,
    /// Shift across, mm, and turn of the frame itself, degrees.
    pub shift_mm: f64,
    pub turn_deg: f64,
    pub scene: Scene,
}

/// One piece of film.
#[derive(Debug, Clone)]
pub struct Film {
    /// Left end of its middle line on the scan, mm.
    pub x_mm: f64,
    pub y_mm: f64,
    pub length_mm: f64,
    pub width_mm: f64,
    pub angle_deg: f64,
    pub perforated: bool,
    pub slide: bool,
    /// Transmittance of the rebate.
    pub base: [f32; 3],
    pub shots: Vec<Shot>,
    /// Fog at the start of the film, density, fading over 12 mm.
    pub leak_d: f32,
}

/// A scan to draw.
#[derive(Debug, Clone)]
pub struct Bed {
    pub width_mm: f64,
    pub height_mm: f64,
    pub ppi: f64,
    /// Openings of the holder: x0, y0, x1, y1 in mm.
    pub openings: Vec<[f64; 4]>,
    pub films: Vec<Film>,
    pub infrared: bool,
    /// Swap x and y of the finished scan, so that strips run down.
    pub turned: bool,
    pub seed: u32,
}

pub const ORANGE: [f32; 3] = [0.53, 0.245, 0.118];
pub const GREY: [f32; 3] = [0.54, 0.535, 0.525];
pub const BLACK: [f32; 3] = [0.0012, 0.0010, 0.0013];

pub fn hash(x: i64, y: i64, seed: u32) -> f32 {
    let mut h = (x as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15)
        ^ (y as u64).wrapping_mul(0xC2B2_AE3D_27D4_EB4F)
        ^ u64::from(seed).wrapping_mul(0x1656_67B1_9E37_79F9);
    h = (h ^ (h >> 32)).wrapping_mul(0xD6E8_FEB8_6659_FD93);
    h = (h ^ (h >> 32)).wrapping_mul(0xD6E8_FEB8_6659_FD93);
    ((h ^ (h >> 32)) >> 40) as f32 / (1_u64 << 24) as f32
}

/// Smooth noise, 0..1.
fn noise(x: f64, y: f64, seed: u32) -> f32 {
    let (ix, iy) = (x.floor(), y.floor());
    let (fx, fy) = ((x - ix) as f32, (y - iy) as f32);
    let (fx, fy) = (fx * fx * (3.0 - 2.0 * fx), fy * fy * (3.0 - 2.0 * fy));
    let at = |dx: i64, dy: i64| hash(ix as i64 + dx, iy as i64 + dy, seed);
    let top = at(0, 0) * (1.0 - fx) + at(1, 0) * fx;
    let low = at(0, 1) * (1.0 - fx) + at(1, 1) * fx;
    top * (1.0 - fy) + low * fy
}

impl Scene {
    /// Density above base at a position in the frame, for one channel.
    fn density(self, u: f64, v: f64, channel: u32) -> f32 {
        let broken = |seed: u32| {
            let coarse = noise(u * 3.0, v * 3.0, seed + 17 * channel);
            let middle = noise(u * 11.0, v * 9.0, seed + 5);
            (1.7 * (0.6 * coarse + 0.4 * middle) - 0.25).clamp(0.02, 1.5)
        };
        match self {
            Self::Photo(seed) => broken(seed),
            Self::OnSlide(seed) => broken(seed) - 1.7,
            Self::Even(d) => d,
            Self::ClearTop(seed) => {
                let fade = ((v - 0.45) * 6.0).clamp(0.0, 1.0) as f32;
                broken(seed) * fade
            }
            Self::Stars(seed) => {
                let (column, row) = ((u * 45.0).floor() as i64, (v * 60.0).floor() as i64);
                let (x, y) = (hash(column, row, seed), hash(column, row, seed + 1));
                let (dx, dy) =
                    (u * 45.0 - column as f64 - f64::from(x), v * 60.0 - row as f64 - f64::from(y));
                let bright = hash(column, row, seed + 2);
                if bright > 0.5 && dx.hypot(dy) < 0.2 { 0.12 + bright } else { 0.12 }
            }
            Self::Night(seed) => {
                let lamp = (0..9).map(|k| {
                    let (x, y) = (0.15 + 0.7 * hash(k, 1, seed), 0.2 + 0.6 * hash(k, 2, seed));
                    let r = (u - f64::from(x)).hypot(v - f64::from(y));
                    if r < 0.035 { 1.0 } else { 0.0 }
                });
                lamp.fold(0.0, f32::max)
            }
        }
    }
}

impl Film {
    /// Scan position in mm of a point on the film.
    fn to_scan(&self, u: f64, v: f64) -> (f64, f64) {
        let (s, c) = self.angle_deg.to_radians().sin_cos();
        (self.x_mm + u * c - v * s, self.y_mm + u * s + v * c)
    }

    fn to_film(&self, x: f64, y: f64) -> (f64, f64) {
        let (s, c) = self.angle_deg.to_radians().sin_cos();
        let (dx, dy) = (x - self.x_mm, y - self.y_mm);
        (dx * c + dy * s, dy * c - dx * s)
    }

    fn hole(&self, u: f64, v: f64) -> bool {
        // 2.8 by 1.98 mm every 4.75 mm, 2.01 mm from the edge. Source: from memory, SMPTE 139.
        let from_edge = self.width_mm / 2.0 - v.abs();
        self.perforated && (2.01..4.80).contains(&from_edge) && (u - 1.3).rem_euclid(4.75) < 1.98
    }

    fn print(&self, u: f64, v: f64) -> bool {
        let from_edge = self.width_mm / 2.0 - v;
        let row = if self.perforated { 0.4..1.6 } else { 0.3..1.9 };
        let word = u.rem_euclid(38.0);
        row.contains(&from_edge)
            && (4.0..14.0).contains(&word)
            && hash((u * 2.2) as i64, (v * 3.0) as i64, 3) > 0.4
    }

    /// Transmittance at a point on the film; `None` off the film and in holes.
    fn transmittance(&self, u: f64, v: f64) -> Option<[f32; 3]> {
        if u < 0.0 || u > self.length_mm || v.abs() > self.width_mm / 2.0 || self.hole(u, v) {
            return None;
        }
        let mut exposure = [0.0_f32; 3];
        for shot in &self.shots {
            let (cu, cv) = (shot.at_mm + shot.along_mm / 2.0, shot.shift_mm);
            let (s, c) = shot.turn_deg.to_radians().sin_cos();
            let (du, dv) = (u - cu, v - cv);
            let (x, y) = (du * c + dv * s, dv * c - du * s);
            // The gate's shadow: 0.03 mm from dark to full, half at the edge.
            let inside = |p: f64, size: f64| (((size / 2.0 - p.abs()) / 0.03 + 0.5).clamp(0.0, 1.0)) as f32;
            let open = inside(x, shot.along_mm) * inside(y, shot.across_mm);
            if open > 0.0 {
                let (fu, fv) = (x / shot.along_mm + 0.5, y / shot.across_mm + 0.5);
                for (k, e) in exposure.iter_mut().enumerate() {
                    let d = shot.scene.density(fu, fv, k as u32);
                    // Relative exposure for a straight line of slope 0.6 that starts at zero density.
                    *e += open * if self.slide { 10_f32.powf(d) } else { 10_f32.powf(d / 0.6) - 1.0 };
                }
            }
        }
        let leak = self.leak_d * (1.0 - u as f32 / 12.0).max(0.0);
        let print = if self.print(u, v) { 0.9 } else { 0.0 };
        Some(std::array::from_fn(|k| {
            if self.slide {
                // Reversal: exposure clears the film from black, with a slope of 1.8; print is clear there.
                let cleared =
                    (1.8 * (exposure[k] + 0.02).log10() + 3.0 + if print > 0.0 { 2.5 } else { 0.0 })
                        .clamp(0.0, 2.75);
                self.base[k] * 10_f32.powf(cleared)
            } else {
                self.base[k] * 10_f32.powf(-0.6 * (exposure[k] + 1.0).log10() - leak - print)
            }
        }))
    }
}

impl Bed {
    fn px(&self, mm: f64) -> f64 {
        mm / 25.4 * self.ppi
    }

    fn light(&self, x: f64, y: f64) -> [f32; 4] {
        let inside = self.openings.iter().any(|o| x > o[0] && x < o[2] && y > o[1] && y < o[3]);
        if !inside {
            return [0.0009, 0.0008, 0.0007, 0.0030];
        }
        let mut t = [0.94, 0.935, 0.925, 0.935];
        for film in &self.films {
            let (u, v) = film.to_film(x, y);
            if let Some(f) = film.transmittance(u, v) {
                for k in 0..3 {
                    t[k] *= f[k];
                }
                t[3] *= 0.86;
            }
        }
        t
    }

    pub fn draw(&self) -> Samples16 {
        let (w, h) = (self.px(self.width_mm).round() as usize, self.px(self.height_mm).round() as usize);
        let lit: Vec<[f32; 4]> = (0..w * h)
            .into_par_iter()
            .map(|i| {
                let at = |k: usize| (k as f64 + 0.5) / self.ppi * 25.4;
                self.light(at(i % w), at(i / w))
            })
            .collect();
        let mut planes: Vec<Vec<f32>> = (0..4).map(|k| lit.iter().map(|t| t[k]).collect()).collect();
        planes.par_iter_mut().for_each(|plane| blur(plane, w, h));
        let channels = if self.infrared { 4 } else { 3 };
        let (ow, oh) = if self.turned { (h, w) } else { (w, h) };
        let mut out = Samples16::zeroed(ow as u32, oh as u32, channels as u8);
        for y in 0..oh {
            for x in 0..ow {
                let i = if self.turned { x * w + y } else { y * w + x };
                for (k, plane) in planes.iter().take(channels).enumerate() {
                    let t = plane[i] * 65535.0;
                    let n = (hash(x as i64, y as i64, self.seed + k as u32) - 0.5) * 3.4;
                    let code = t + n * (0.004 * t + 8.0).min(160.0);
                    out.row_mut(y as u32)[x * channels + k] = code.clamp(0.0, 65535.0) as u16;
                }
            }
        }
        out
    }

    /// True image areas of every film, in scan pixels.
    pub fn truth(&self) -> Vec<Vec<TiltedBox>> {
        self.films
            .iter()
            .map(|film| {
                film.shots
                    .iter()
                    .map(|s| {
                        let a = s.at_mm.max(0.0);
                        let b = (s.at_mm + s.along_mm).min(film.length_mm);
                        let (x, y) = film.to_scan((a + b) / 2.0, s.shift_mm);
                        let angle = (film.angle_deg + s.turn_deg).to_radians();
                        let (along, across) = (self.px(b - a), self.px(s.across_mm));
                        if self.turned {
                            TiltedBox {
                                center: Point::new(self.px(y), self.px(x)),
                                width_px: across,
                                height_px: along,
                                angle_rad: -angle,
                            }
                        } else {
                            TiltedBox {
                                center: Point::new(self.px(x), self.px(y)),
                                width_px: along,
                                height_px: across,
                                angle_rad: angle,
                            }
                        }
                    })
                    .collect()
            })
            .collect()
    }

    /// True turn of each film in radians.
    pub fn angles(&self) -> Vec<f64> {
        let sign = if self.turned { -1.0 } else { 1.0 };
        self.films.iter().map(|f| sign * f.angle_deg.to_radians()).collect()
    }
}

/// A scanner's blur: 1 4 6 4 1 both ways (standard deviation one pixel).
fn blur(plane: &mut [f32], w: usize, h: usize) {
    let kernel = [1.0 / 16.0, 4.0 / 16.0, 6.0 / 16.0, 4.0 / 16.0, 1.0 / 16.0];
    let pass = |src: &[f32], n: usize, lines: usize, step: usize, line_step: usize| {
        let mut out = vec![0.0; src.len()];
        for line in 0..lines {
            for i in 0..n {
                let mut sum = 0.0;
                for (k, weight) in kernel.iter().enumerate() {
                    let j = (i + k).saturating_sub(2).min(n - 1);
                    sum += weight * src[line * line_step + j * step];
                }
                out[line * line_step + i * step] = sum;
            }
        }
        out
    };
    let rows = pass(plane, w, h, 1, w);
    plane.copy_from_slice(&pass(&rows, h, w, w, 1));
}

/// Shots in a row with small irregularities, as cameras make them.
pub fn row(first_mm: f64, pitch_mm: f64, size: (f64, f64), scenes: &[Scene]) -> Vec<Shot> {
    scenes
        .iter()
        .enumerate()
        .map(|(k, &scene)| {
            let wobble = |n: i64| f64::from(hash(k as i64, n, 77)) - 0.5;
            Shot {
                at_mm: first_mm + pitch_mm * k as f64 + 0.3 * wobble(1),
                along_mm: size.0,
                across_mm: size.1,
                shift_mm: 0.2 * wobble(2),
                turn_deg: 0.2 * wobble(3),
                scene,
            }
        })
        .collect()
}

/// Area of overlap over area of union, and how far `found` reaches outside `truth`, in pixels.
pub fn compare(found: &TiltedBox, truth: &TiltedBox) -> (f64, f64) {
    let mut polygon: Vec<(f64, f64)> = found.corners().iter().map(|p| (p.x, p.y)).collect();
    let sides = truth.corners().map(|p| (p.x, p.y));
    let mut outside = 0.0_f64;
    for k in 0..4 {
        let (a, b) = (sides[k], sides[(k + 1) % 4]);
        let length = (b.0 - a.0).hypot(b.1 - a.1);
        // Positive inside: corners run clockwise on screen.
        let side = |p: (f64, f64)| ((b.0 - a.0) * (p.1 - a.1) - (b.1 - a.1) * (p.0 - a.0)) / length;
        outside = found.corners().iter().map(|p| -side((p.x, p.y))).fold(outside, f64::max);
        let mut cut = Vec::new();
        for i in 0..polygon.len() {
            let (p, q) = (polygon[i], polygon[(i + 1) % polygon.len()]);
            let (sp, sq) = (side(p), side(q));
            if sp >= 0.0 {
                cut.push(p);
            }
            if (sp >= 0.0) != (sq >= 0.0) {
                let t = sp / (sp - sq);
                cut.push((p.0 + t * (q.0 - p.0), p.1 + t * (q.1 - p.1)));
            }
        }
        polygon = cut;
    }
    let n = polygon.len();
    let twice: f64 =
        (0..n).map(|i| polygon[i].0 * polygon[(i + 1) % n].1 - polygon[i].1 * polygon[(i + 1) % n].0).sum();
    let shared = twice.abs() / 2.0;
    (shared / (found.area_px2() + truth.area_px2() - shared), outside)
}
