//! Three numbers: a position, a direction or a colour.

use std::ops::{Add, Mul, Neg, Sub};

#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct V3 {
    pub(crate) x: f32,
    pub(crate) y: f32,
    pub(crate) z: f32,
}

pub(crate) const fn v3(x: f32, y: f32, z: f32) -> V3 {
    V3 { x, y, z }
}

impl V3 {
    pub(crate) fn dot(self, o: Self) -> f32 {
        self.x * o.x + self.y * o.y + self.z * o.z
    }

    pub(crate) fn cross(self, o: Self) -> Self {
        v3(self.y * o.z - self.z * o.y, self.z * o.x - self.x * o.z, self.x * o.y - self.y * o.x)
    }

    pub(crate) fn length(self) -> f32 {
        self.dot(self).sqrt()
    }

    pub(crate) fn unit(self) -> Self {
        self * (1.0 / self.length().max(1e-20))
    }

    /// Product component by component (light times reflectance).
    pub(crate) fn tint(self, o: Self) -> Self {
        v3(self.x * o.x, self.y * o.y, self.z * o.z)
    }

    pub(crate) fn mix(self, o: Self, part: f32) -> Self {
        self + (o - self) * part
    }

    pub(crate) fn min_each(self, o: Self) -> Self {
        v3(self.x.min(o.x), self.y.min(o.y), self.z.min(o.z))
    }

    pub(crate) fn max_each(self, o: Self) -> Self {
        v3(self.x.max(o.x), self.y.max(o.y), self.z.max(o.z))
    }

    pub(crate) fn axis(self, axis: usize) -> f32 {
        match axis {
            0 => self.x,
            1 => self.y,
            _ => self.z,
        }
    }

    /// Reflected at a surface with normal `n`.
    pub(crate) fn mirrored(self, n: Self) -> Self {
        self - n * (2.0 * self.dot(n))
    }

    pub(crate) fn rgb(self) -> [f32; 3] {
        [self.x, self.y, self.z]
    }
}

impl Add for V3 {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        v3(self.x + o.x, self.y + o.y, self.z + o.z)
    }
}

impl Sub for V3 {
    type Output = Self;
    fn sub(self, o: Self) -> Self {
        v3(self.x - o.x, self.y - o.y, self.z - o.z)
    }
}

impl Mul<f32> for V3 {
    type Output = Self;
    fn mul(self, k: f32) -> Self {
        v3(self.x * k, self.y * k, self.z * k)
    }
}

impl Neg for V3 {
    type Output = Self;
    fn neg(self) -> Self {
        self * -1.0
    }
}

/// 0 below `a`, 1 above `b`, smooth between.
pub(crate) fn smooth(a: f32, b: f32, x: f32) -> f32 {
    let t = ((x - a) / (b - a)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}
