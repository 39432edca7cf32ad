//! Repeatable randomness: integer hashes, lattice noise and a small sequential generator.
//!
//! Everything here is a pure function of its arguments, so a picture does not depend on the order of its pixels.

/// Mix two lattice coordinates and a seed into 32 well-spread bits (multiply-and-shift mixing, constants ours).
pub fn hash2(x: i32, y: i32, seed: u32) -> u32 {
    let mut h = (x as u32).wrapping_mul(0x9E37_79B1)
        ^ (y as u32).wrapping_mul(0x85EB_CA77)
        ^ seed.wrapping_mul(0xC2B2_AE3D);
    h ^= h >> 15;
    h = h.wrapping_mul(0x2C1B_3C6D);
    h ^= h >> 12;
    h = h.wrapping_mul(0x297A_2D39);
    h ^ (h >> 15)
}

/// A hash as a number in 0..1.
pub fn unit(h: u32) -> f32 {
    (h >> 8) as f32 * (1.0 / 16_777_216.0)
}

/// A hash as a nearly normal number (sum of its four bytes), mean 0, standard deviation 1, within ±3.5.
pub fn normal(h: u32) -> f32 {
    let sum = (h & 255) + ((h >> 8) & 255) + ((h >> 16) & 255) + (h >> 24);
    // Sum of four uniform bytes: mean 510, variance 4 * (256^2 - 1) / 12.
    (sum as f32 - 510.0) * (1.0 / 147.80)
}

/// Smooth lattice noise in -1..1 with a cell of one unit.
pub fn value2(x: f32, y: f32, seed: u32) -> f32 {
    let (fx, fy) = (x.floor(), y.floor());
    let (ix, iy) = (fx as i32, fy as i32);
    let ease = |t: f32| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
    let (u, v) = (ease(x - fx), ease(y - fy));
    let corner = |dx: i32, dy: i32| unit(hash2(ix.wrapping_add(dx), iy.wrapping_add(dy), seed)) * 2.0 - 1.0;
    let top = corner(0, 0) + u * (corner(1, 0) - corner(0, 0));
    let bottom = corner(0, 1) + u * (corner(1, 1) - corner(0, 1));
    top + v * (bottom - top)
}

/// A small sequential generator (64-bit counter with a mixing output), for lists of objects.
#[derive(Debug, Clone)]
pub struct Dice(u64);

impl Dice {
    /// A sequence determined by its seed.
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x51_7C_C1_B7)
    }

    /// The next 32 bits.
    pub fn bits(&mut self) -> u32 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z >> 32) as u32
    }

    /// Uniform in `low..high`.
    pub fn range(&mut self, low: f32, high: f32) -> f32 {
        low + unit(self.bits()) * (high - low)
    }

    /// Nearly normal, standard deviation 1.
    pub fn normal(&mut self) -> f32 {
        normal(self.bits())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn normal_numbers_have_unit_spread() {
        let mut dice = Dice::new(7);
        let n = 20_000;
        let values: Vec<f64> = (0..n).map(|_| f64::from(dice.normal())).collect();
        let mean = values.iter().sum::<f64>() / f64::from(n);
        let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / f64::from(n);
        assert!(mean.abs() < 0.03, "mean {mean}");
        assert!((variance - 1.0).abs() < 0.04, "variance {variance}");
    }

    #[test]
    fn lattice_noise_is_continuous_across_cells() {
        for i in 0..50 {
            let x = i as f32;
            let step = value2(x + 1e-4, 0.37, 5) - value2(x - 1e-4, 0.37, 5);
            assert!(step.abs() < 1e-2, "jump of {step} at {x}");
        }
    }
}
