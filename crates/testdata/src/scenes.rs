//! Random flat scenes with straight and round edges, seen through a lens of known blur: for tests of sharpness.

use glassine_raster::Plane;
use rayon::prelude::*;

use crate::random::SplitMix64;

/// Points on a side of a pixel.
const FINE: u32 = 3;

/// A scene in light, 0 to 1, drawn at three points a pixel each way.
#[derive(Debug, Clone)]
pub struct Scene {
    width: u32,
    height: u32,
    fine: Plane<f32>,
}

impl Scene {
    /// Polygons, discs and soft patches of random grey over each other.
    pub fn random(seed: u64, (width, height): (u32, u32)) -> Self {
        let mut random = SplitMix64::new(seed);
        let mut unit = move || random.unit();
        let (w, h) = (f64::from(width * FINE), f64::from(height * FINE));
        let shapes: Vec<Shape> = (0..40).map(|nth| Shape::random(&mut unit, (w, h), nth)).collect();
        let rows: Vec<Vec<f32>> = (0..height * FINE)
            .into_par_iter()
            .map(|y| {
                let grey = |x: u32| {
                    let at = (f64::from(x) + 0.5, f64::from(y) + 0.5);
                    let top = shapes.iter().rev().find(|shape| shape.holds(at));
                    top.map_or(0.45, |shape| shape.grey + shape.fade * (at.0 - shape.x) / w)
                };
                (0..width * FINE).map(|x| grey(x).clamp(0.05, 0.95) as f32).collect()
            })
            .collect();
        Self { width, height, fine: plane(width * FINE, height * FINE, rows.concat()) }
    }

    /// Grain on the film itself: every scan shows the same.
    #[must_use]
    pub fn with_film_grain(mut self, sd: f64, seed: u64) -> Self {
        let mut random = SplitMix64::new(seed);
        // The mean of nine points has a third of their deviation.
        for value in self.fine.data_mut() {
            *value += (sd * f64::from(FINE) * random.normal()) as f32;
        }
        self
    }

    /// Dark specks and hairs.
    #[must_use]
    pub fn with_dust(mut self, specks: u32, seed: u64) -> Self {
        let mut random = SplitMix64::new(seed);
        let (w, h) = (f64::from(self.fine.width()), f64::from(self.fine.height()));
        for _ in 0..specks {
            let (x, y, turn) = (w * random.unit(), h * random.unit(), std::f64::consts::TAU * random.unit());
            let (long, thick) =
                (f64::from(FINE) * (2.0 + 18.0 * random.unit().powi(3)), f64::from(FINE) * 1.2);
            for step in 0..(2.0 * long) as u32 {
                let along = f64::from(step) * 0.5;
                let bend = turn + along / long;
                let (cx, cy) = (x + along * bend.cos(), y + along * bend.sin());
                for (dx, dy) in (-5..=5).flat_map(|dy| (-5..=5).map(move |dx| (dx, dy))) {
                    let (px, py) = (cx + f64::from(dx), cy + f64::from(dy));
                    let inside = px >= 0.0 && py >= 0.0 && px < w && py < h;
                    if inside && f64::from(dx).hypot(f64::from(dy)) <= thick {
                        self.fine.set(px as u32, py as u32, 0.03);
                    }
                }
            }
        }
        self
    }

    /// The scene through a Gaussian blur, given at each place of the unit square, sampled by square pixels that begin
    /// `shift` pixels into it.
    pub fn seen(&self, blur_px: impl Fn(f64, f64) -> f64 + Sync, shift: (u32, u32)) -> Plane<f32> {
        let (w, h) = (self.width - shift.0, self.height - shift.1);
        let (fine_w, fine_h) = (w * FINE, h * FINE);
        let moved = |x: u32, y: u32| self.fine.at(x + shift.0 * FINE, y + shift.1 * FINE);
        let kernel = |blur_px: f64| -> Vec<f32> {
            let sigma = blur_px * f64::from(FINE);
            let reach = (4.5 * sigma).ceil() as i32;
            let weights: Vec<f64> =
                (0..=reach).map(|i| (-0.5 * (f64::from(i) / sigma.max(1e-9)).powi(2)).exp()).collect();
            let sum = weights[0] + 2.0 * weights[1..].iter().sum::<f64>();
            weights.iter().map(|w| (w / sum) as f32).collect()
        };
        // Blur changes slowly: one kernel for each block of columns or rows.
        let block = 48;
        let blurred =
            |length: u32, at: &(dyn Fn(u32) -> f32 + Sync), blur: &(dyn Fn(f64) -> f64 + Sync)| -> Vec<f32> {
                let line: Vec<f32> = (0..length).map(at).collect();
                let mut out = Vec::with_capacity(length as usize);
                for from in (0..length).step_by(block as usize) {
                    let to = (from + block).min(length);
                    let weights = kernel(blur(f64::from(from + to) / 2.0 / f64::from(length)));
                    for x in from..to {
                        let tap = |i: i32| line[(x as i32 + i).clamp(0, length as i32 - 1) as usize];
                        let sides = weights.iter().enumerate().skip(1);
                        let sides = sides.map(|(i, w)| w * (tap(i as i32) + tap(-(i as i32)))).sum::<f32>();
                        out.push(weights[0] * tap(0) + sides);
                    }
                }
                out
            };
        let rows: Vec<Vec<f32>> = (0..fine_h)
            .into_par_iter()
            .map(|y| {
                let v = f64::from(y) / f64::from(fine_h);
                blurred(fine_w, &|x| moved(x, y), &|u| blur_px(u, v))
            })
            .collect();
        let columns: Vec<Vec<f32>> = (0..fine_w)
            .into_par_iter()
            .map(|x| {
                let u = f64::from(x) / f64::from(fine_w);
                let down = blurred(fine_h, &|y| rows[y as usize][x as usize], &|v| blur_px(u, v));
                down.chunks_exact(FINE as usize).map(|points| points.iter().sum::<f32>()).collect()
            })
            .collect();
        let pixel = |x: u32, y: u32| {
            let sum: f32 = (0..FINE).map(|i| columns[(x * FINE + i) as usize][y as usize]).sum();
            sum / (FINE * FINE) as f32
        };
        plane(w, h, (0..h).flat_map(|y| (0..w).map(move |x| (x, y))).map(|(x, y)| pixel(x, y)).collect())
    }
}

/// A picture with white noise of the scanner.
pub fn with_scanner_noise(picture: &Plane<f32>, sd: f64, seed: u64) -> Plane<f32> {
    let mut random = SplitMix64::new(seed);
    let data = picture.data().iter().map(|value| value + (sd * random.normal()) as f32).collect();
    plane(picture.width(), picture.height(), data)
}

fn plane(width: u32, height: u32, data: Vec<f32>) -> Plane<f32> {
    Plane::from_vec(width, height, data).expect("length fits")
}

/// A convex polygon or a disc.
#[derive(Debug, Clone)]
struct Shape {
    x: f64,
    y: f64,
    radius: f64,
    /// Directions and distances of its sides; none for a disc.
    sides: Vec<(f64, f64, f64)>,
    grey: f64,
    /// Change of grey over the width.
    fade: f64,
}

impl Shape {
    fn random(unit: &mut impl FnMut() -> f64, (w, h): (f64, f64), nth: u32) -> Self {
        let radius = h * if nth < 6 { 0.3 + 0.3 * unit() } else { 0.05 + 0.2 * unit() };
        let count = (unit() * 6.0) as u32;
        let turn = std::f64::consts::TAU * unit();
        let sides = (0..if count < 1 { 0 } else { count + 2 }).map(|side| {
            let angle =
                turn + std::f64::consts::TAU * (f64::from(side) + 0.5 * unit()) / f64::from(count + 2);
            (angle.cos(), angle.sin(), radius * (0.4 + 0.6 * unit()))
        });
        Self {
            sides: sides.collect(),
            x: w * unit(),
            y: h * unit(),
            radius,
            grey: 0.15 + 0.7 * unit(),
            fade: 0.2 * (unit() - 0.5),
        }
    }

    fn holds(&self, (x, y): (f64, f64)) -> bool {
        let (dx, dy) = (x - self.x, y - self.y);
        let is_near = dx.hypot(dy) < self.radius;
        is_near && self.sides.iter().all(|(cos, sin, far)| dx * cos + dy * sin < *far)
    }
}
