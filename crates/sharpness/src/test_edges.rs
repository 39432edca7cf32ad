//! Slanted edges of known blur for tests: exact blur, area-sampled pixels.

use glassine_raster::Plane;
use glassine_testdata::random::Lcg64;

/// A Gaussian-blurred step, area-sampled by square pixels (16 x 16 points per pixel).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Edge {
    pub(crate) sigma: f64,
    pub(crate) angle_deg: f64,
    pub(crate) width: u32,
    pub(crate) height: u32,
    pub(crate) turned: bool,
    pub(crate) falling: bool,
}

impl Default for Edge {
    fn default() -> Self {
        Self { sigma: 0.7, angle_deg: 5.0, width: 96, height: 128, turned: false, falling: false }
    }
}

impl Edge {
    pub(crate) fn draw(&self) -> Plane<f32> {
        let (w, h) = (self.width, self.height);
        let angle = self.angle_deg.to_radians();
        let start = f64::from(w) / 2.0 - f64::from(h) / 2.0 * angle.tan();
        let points = 8_u32;
        let at = |x: u32, y: u32| {
            let mut sum = 0.0;
            for j in 0..points {
                for i in 0..points {
                    let px = f64::from(x) + (f64::from(i) + 0.5) / f64::from(points);
                    let py = f64::from(y) + (f64::from(j) + 0.5) / f64::from(points);
                    let distance = (px - start - py * angle.tan()) * angle.cos();
                    sum += step(distance / self.sigma.max(1e-6));
                }
            }
            let part = sum / f64::from(points * points);
            (0.1 + 0.8 * if self.falling { 1.0 - part } else { part }) as f32
        };
        let data = if self.turned {
            (0..w).flat_map(|x| (0..h).map(move |y| (x, y))).map(|(x, y)| at(x, y)).collect()
        } else {
            (0..h).flat_map(|y| (0..w).map(move |x| (x, y))).map(|(x, y)| at(x, y)).collect()
        };
        let (cols, rows) = if self.turned { (h, w) } else { (w, h) };
        Plane::from_vec(cols, rows, data).expect("length fits")
    }
}

/// Normal distribution function.
///
/// Source: M. Abramowitz, I. Stegun, "Handbook of Mathematical Functions", 7.1.26, error below 1.5e-7.
pub(crate) fn step(z: f64) -> f64 {
    let x = (z / std::f64::consts::SQRT_2).abs();
    let t = 1.0 / (1.0 + 0.327_591_1 * x);
    let poly = t
        * (0.254_829_592
            + t * (-0.284_496_736 + t * (1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429))));
    let erf = 1.0 - poly * (-x * x).exp();
    0.5 * (1.0 + erf.copysign(z))
}

/// The plane plus nearly normal noise (sum of twelve uniform numbers) from a fixed seed.
pub(crate) fn noisy(plane: &Plane<f32>, sd: f32, seed: u64) -> Plane<f32> {
    let mut random = Lcg64::new(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(12345));
    let mut uniform = || (random.next_u64() >> 40) as f32 / 16_777_216.0;
    let data =
        plane.data().iter().map(|v| v + sd * ((0..12).map(|_| uniform()).sum::<f32>() - 6.0)).collect();
    Plane::from_vec(plane.width(), plane.height(), data).expect("length fits")
}
