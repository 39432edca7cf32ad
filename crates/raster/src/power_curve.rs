//! Curves between linear light and encoded values that are a power with a straight part near black.

/// `scale * light^power - offset` above the `knee`, `slope * light` up to it; odd around zero.
///
/// The same bits on every machine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PowerCurve {
    /// Slope of the straight part.
    pub slope: f64,
    /// Linear light at which the straight part ends.
    pub knee: f64,
    /// Factor of the power.
    pub scale: f64,
    /// Exponent for linear light.
    pub power: f64,
    /// What is taken off the power.
    pub offset: f64,
}

impl PowerCurve {
    /// `12.92 L` below 0.0031308, else `1.055 L^(1/2.4) - 0.055`. Source: IEC 61966-2-1.
    pub const SRGB: Self =
        Self { slope: 12.92, knee: 0.003_130_8, scale: 1.055, power: 1.0 / 2.4, offset: 0.055 };

    /// Encoded value of linear light; values outside 0..=1 stay outside.
    pub fn encode(&self, linear: f64) -> f64 {
        let Self { slope, knee, scale, power, offset } = *self;
        let magnitude = linear.abs();
        let value =
            if magnitude <= knee { slope * magnitude } else { scale * libm::pow(magnitude, power) - offset };
        libm::copysign(value, linear)
    }

    /// Linear light of an encoded value; inverse of [`Self::encode`].
    pub fn decode(&self, encoded: f64) -> f64 {
        let Self { slope, knee, scale, power, offset } = *self;
        let magnitude = encoded.abs();
        let value = if magnitude <= slope * knee {
            magnitude / slope.max(f64::MIN_POSITIVE)
        } else {
            libm::pow((magnitude + offset) / scale, 1.0 / power)
        };
        libm::copysign(value, encoded)
    }
}

#[cfg(test)]
mod tests {
    use super::PowerCurve;

    #[test]
    fn srgb_matches_the_formula_of_the_standard_at_every_code() {
        for code in 0..=65_535_u16 {
            let value = f64::from(code) / 65_535.0;
            let light = if value <= 0.04045 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) };
            let found = PowerCurve::SRGB.decode(value);
            assert_eq!(found as f32, light as f32, "{code}");
            assert!((PowerCurve::SRGB.encode(found) - value).abs() < 1e-7, "{code}");
        }
    }
}
