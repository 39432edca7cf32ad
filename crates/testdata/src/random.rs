//! Random numbers for tests: the same for the same seed, on every machine and for ever.
//!
//! Thresholds of tests are set on these sequences, so they must not change. New tests take [`SplitMix64`].

/// Linear congruential generator of 32 bits. Source of the constants: Numerical Recipes, "quick and dirty" generators.
#[derive(Debug, Clone)]
pub struct Lcg(u32);

impl Lcg {
    pub fn new(seed: u32) -> Self {
        Self(seed)
    }

    /// The next number; only its upper bits look random.
    pub fn next_u32(&mut self) -> u32 {
        self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        self.0
    }

    /// Even between 0 and 1.
    pub fn unit(&mut self) -> f64 {
        f64::from(self.next_u32() >> 8) / 16_777_216.0
    }

    /// Nearly normal, variance 1: twelve even numbers.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// Linear congruential generator of 64 bits. Source of the constants: D. Knuth, MMIX.
#[derive(Debug, Clone)]
pub struct Lcg64(u64);

impl Lcg64 {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next number; only its upper bits look random.
    pub fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        self.0
    }

    /// Even between 0 and 1.
    pub fn unit(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Nearly normal, variance 1: twelve even numbers.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// Shift-register generator of 64 bits. Source: G. Marsaglia, "Xorshift RNGs" (2003), shifts 13, 7, 17.
#[derive(Debug, Clone)]
pub struct Xorshift(u64);

impl Xorshift {
    /// The seed 0 gives only zeros.
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub fn next_u64(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// A whole number below `count`.
    pub fn below(&mut self, count: u64) -> u64 {
        self.next_u64() % count.max(1)
    }
}

/// Counter with a mixing output, 64 bits. Source: G. Steele, D. Lea, C. Flood, "Fast Splittable Pseudorandom Number
/// Generators" (2014).
#[derive(Debug, Clone)]
pub struct SplitMix64(u64);

impl SplitMix64 {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub fn next_u64(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Even between 0 and 1.
    pub fn unit(&mut self) -> f64 {
        (self.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Even between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A whole number below `count`; 0 if `count` is 0.
    pub fn below(&mut self, count: usize) -> usize {
        (self.next_u64() % count.max(1) as u64) as usize
    }

    /// Nearly normal, variance 1: twelve even numbers.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }

    /// True once in `count` times.
    pub fn one_in(&mut self, count: usize) -> bool {
        self.below(count) == 0
    }

    /// An element of a list.
    pub fn pick<'l, T>(&mut self, list: &'l [T]) -> Option<&'l T> {
        list.get(self.below(list.len()))
    }
}
