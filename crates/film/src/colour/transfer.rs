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
