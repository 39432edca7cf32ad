//! Transfer functions of the output spaces: linear light to encoded value and back.

use glassine_raster::PowerCurve;

use crate::maths::root_f32;

/// Relation of linear light and encoded value.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Transfer {
    /// [`PowerCurve::SRGB`].
    Srgb,
    /// `L^(256/563)`. Source: Adobe RGB (1998) colour image encoding, version 2005-05, 4.3.1.2.
    Power563,
    /// `16 L` below 1/512, else `L^(1/1.8)`. Source: ISO 22028-2 (ROMM RGB).
    Romm,
    /// Encoded value equals linear light.
    Linear,
}

impl Transfer {
    fn curve(self) -> PowerCurve {
        match self {
            Self::Srgb => PowerCurve::SRGB,
            // The pure power has an infinite slope at zero; below 1e-7 (under a hundredth of a 16-bit code) it is a
            // line.
            Self::Power563 => {
                PowerCurve { slope: 0.0, knee: 0.0, scale: 1.0, power: 256.0 / 563.0, offset: 0.0 }
            }
            Self::Romm => {
                PowerCurve { slope: 16.0, knee: 1.0 / 512.0, scale: 1.0, power: 1.0 / 1.8, offset: 0.0 }
            }
            Self::Linear => {
                PowerCurve { slope: 1.0, knee: f64::INFINITY, scale: 1.0, power: 1.0, offset: 0.0 }
            }
        }
    }
}

/// Encoded value of linear light; odd around zero, so values outside 0..=1 stay outside.
pub fn encode(transfer: Transfer, linear: f64) -> f64 {
    transfer.curve().encode(linear)
}

/// Linear light of an encoded value; inverse of [`encode`].
pub fn decode(transfer: Transfer, encoded: f64) -> f64 {
    transfer.curve().decode(encoded)
}

/// [`encode`] of many values of light, rounded to `f32`: the same bits in a fraction of the time.
///
/// The power of light `x` is taken from the nearest node `t` below or above: `x^p = t^p (1 + r)^p` with
/// `r = (x - t) / t`, `|r| <= 2^-8`, and the binomial series up to `r^6`, which leaves a relative error below `2^-53`.
/// Where the error could change the rounding to `f32`, about once in ten million values, [`encode`] decides.
#[derive(Debug, Clone)]
pub struct ExactEncoder {
    curve: PowerCurve,
    /// `1 / t` and `scale t^p` of each node.
    nodes: Vec<[f64; 2]>,
    /// Coefficients of `r` to `r^6`.
    series: [f64; 6],
}

impl ExactEncoder {
    /// Nodes for each doubling of light.
    const NODES: usize = 128;
    /// Exponent of the least light that has nodes, `2^-12`.
    const LEAST: i32 = -12;
    /// Largest difference from the value of [`encode`] in `f64`, many times what the roundings can add up to.
    const ERROR: f64 = 1e-14;

    pub fn new(transfer: Transfer) -> Self {
        let curve = transfer.curve();
        let doublings = (Self::LEAST..=0).flat_map(|exponent| (0..Self::NODES).map(move |at| (exponent, at)));
        let nodes = doublings
            .map(|(exponent, at)| {
                let middle = 1.0 + (at as f64 + 0.5) / Self::NODES as f64;
                let node = libm::ldexp(middle, exponent);
                [node.recip(), curve.scale * libm::pow(node, curve.power)]
            })
            .collect();
        let mut series = [curve.power; 6];
        for order in 1..series.len() {
            series[order] = series[order - 1] * (curve.power - order as f64) / (order as f64 + 1.0);
        }
        Self { curve, nodes, series }
    }

    /// [`encode`] of one value.
    #[inline]
    pub fn encode(&self, linear: f32) -> f32 {
        let exact = || self.curve.encode(f64::from(linear)) as f32;
        // Exponent and the highest bits of the mantissa number the nodes; a sign makes the number too large.
        let node = (linear.to_bits() >> (23 - Self::NODES.ilog2()))
            .wrapping_sub(((127 + Self::LEAST) as u32) << Self::NODES.ilog2());
        let light = f64::from(linear);
        let Some([reciprocal, root]) = self.nodes.get(node as usize).filter(|_| light > self.curve.knee)
        else {
            return exact();
        };
        let r = light * reciprocal - 1.0;
        let [a, b, c, d, e, f] = self.series;
        let sum = r * (a + r * (b + r * (c + r * (d + r * (e + r * f)))));
        let value = (root + root * sum) - self.curve.offset;
        let (low, high) = ((value - Self::ERROR) as f32, (value + Self::ERROR) as f32);
        if low == high { low } else { exact() }
    }
}

/// [`encode`] for the pixel loop: constants in `f32`, no branches.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FastEncoder {
    slope: f32,
    knee: f32,
    scale: f32,
    power: f32,
    offset: f32,
    linear: bool,
}

impl FastEncoder {
    pub(crate) fn new(transfer: Transfer) -> Self {
        let PowerCurve { slope, knee, scale, power, offset } = transfer.curve();
        Self {
            slope: slope as f32,
            knee: knee as f32,
            scale: scale as f32,
            power: power as f32,
            offset: offset as f32,
            linear: transfer == Transfer::Linear,
        }
    }

    /// Encode values in place.
    #[inline(always)]
    pub(crate) fn run(&self, values: &mut [f32]) {
        if self.linear {
            return;
        }
        let Self { slope, knee, scale, power, offset, .. } = *self;
        for value in values {
            let magnitude = value.abs();
            let curved = scale * root_f32(magnitude, power) - offset;
            let encoded = if magnitude <= knee { slope * magnitude } else { curved };
            *value = encoded.copysign(*value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn encoded_values_match_published_ones() {
        // Computed with colour-science 0.4.7 from the documents named beside each transfer function.
        for (transfer, at_18, at_half, at_milli, back) in [
            (Transfer::Srgb, 0.461_356, 0.735_357, 0.012_920, 0.214_041),
            (Transfer::Power563, 0.458_529, 0.729_658, 0.043_239, 0.217_756),
            (Transfer::Romm, 0.385_711, 0.680_395, 0.016_000, 0.287_175),
        ] {
            assert!((encode(transfer, 0.18) - at_18).abs() < 1e-6);
            assert!((encode(transfer, 0.5) - at_half).abs() < 1e-6);
            assert!((encode(transfer, 0.001) - at_milli).abs() < 1e-6);
            assert!((decode(transfer, 0.5) - back).abs() < 1e-6);
        }
    }

    #[test]
    fn the_table_of_roots_gives_the_same_bits_as_the_formula() {
        let mut random = glassine_testdata::random::SplitMix64::new(5);
        for transfer in [Transfer::Srgb, Transfer::Power563, Transfer::Romm, Transfer::Linear] {
            let table = ExactEncoder::new(transfer);
            let agrees = |light: f32| {
                let exact = encode(transfer, f64::from(light)) as f32;
                assert_eq!(table.encode(light).to_bits(), exact.to_bits(), "{transfer:?} {light:e}");
            };
            for bits in (0..=3.0_f32.to_bits()).step_by(2003) {
                agrees(f32::from_bits(bits));
                agrees(-f32::from_bits(bits));
            }
            (0..400_000).for_each(|_| agrees(random.unit() as f32));
            // Both ends of each interval.
            for bits in (0.000_1_f32.to_bits()..2.0_f32.to_bits()).step_by(1 << 16) {
                (0..=2).for_each(|step| agrees(f32::from_bits((bits & !0xffff) + step - 1)));
            }
        }
    }

    #[test]
    fn encoding_inverts_and_the_fast_one_agrees_within_a_tenth_of_a_code() {
        for transfer in [Transfer::Srgb, Transfer::Power563, Transfer::Romm, Transfer::Linear] {
            let fast = FastEncoder::new(transfer);
            for step in -2000..=66_000 {
                let linear = f64::from(step) / 65_000.0;
                let encoded = encode(transfer, linear);
                assert!((decode(transfer, encoded) - linear).abs() < 1e-6);
                let mut value = [linear as f32];
                fast.run(&mut value);
                assert!((f64::from(value[0]) - encoded).abs() < 0.1 / 65_535.0, "{transfer:?} {linear}");
            }
        }
    }
}
