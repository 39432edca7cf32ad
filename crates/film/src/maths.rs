//! Elementary functions that give the same bits on every machine: `libm` for single values in `f64`, and short
//! polynomials in `f32` for the pixel loops, written so that the compiler turns them into vector instructions.

/// `log10` of one value.
pub(crate) fn log10(x: f64) -> f64 {
    libm::log10(x)
}

/// Ten to the power `x`.
pub(crate) fn exp10(x: f64) -> f64 {
    libm::exp10(x)
}

/// Natural logarithm of `1 + e^x` without overflow: the smooth ramp used for toes.
pub(crate) fn softplus(x: f64) -> f64 {
    // Beyond 35, `e^-x` is below half a unit of an `f64`.
    if x > 35.0 { x } else { libm::log1p(libm::exp(x)) }
}

/// Inverse of [`softplus`]; minus infinity for `y <= 0`.
pub(crate) fn softplus_inverse(y: f64) -> f64 {
    if y > 35.0 {
        y
    } else if y > 0.0 {
        libm::log(libm::expm1(y))
    } else {
        f64::NEG_INFINITY
    }
}

/// Bits of `sqrt(1/2)`.
const SQRT_HALF_BITS: u32 = 0x3f35_04f3;

/// Base-2 logarithm of a positive normal `f32`; smaller values count as the smallest normal number.
///
/// The mantissa is brought into `[sqrt(1/2), sqrt(2))` and expanded in `t = (m - 1) / (m + 1)`; the first term left out
/// is below `5e-8`, less than `f32` rounding (about `3e-7` for results near 1).
#[inline(always)]
pub(crate) fn log2_f32(x: f32) -> f32 {
    // A comparison instead of `max`, whose rule for not-a-number costs instructions.
    let held = if x > f32::MIN_POSITIVE { x } else { f32::MIN_POSITIVE };
    let bits = held.to_bits().wrapping_sub(SQRT_HALF_BITS);
    let exponent = (bits as i32 >> 23) as f32;
    let mantissa = f32::from_bits((bits & 0x007f_ffff).wrapping_add(SQRT_HALF_BITS));
    let t = (mantissa - 1.0) / (mantissa + 1.0);
    let t2 = t * t;
    // 2 / ln 2 divided by 1, 3, 5, 7; in pairs, so that terms can be computed in parallel.
    let series = (2.885_39 + t2 * 0.961_796_7) + (t2 * t2) * (0.577_078 + t2 * 0.412_198_6);
    exponent + t * series
}

/// Two to the power `x`, for `x` clamped to -126..=127.
#[inline(always)]
pub(crate) fn exp2_f32(x: f32) -> f32 {
    let low = if x > -126.0 { x } else { -126.0 };
    exp2_inside(if low < 127.0 { low } else { 127.0 })
}

/// Two to the power `x`, which must be in -126..=127.
///
/// Taylor series of the fractional part in -0.5..=0.5 to the sixth order: relative error below `2e-7`.
#[inline(always)]
fn exp2_inside(x: f32) -> f32 {
    const ROUND: f32 = 12_582_912.0; // 1.5 * 2^23: adding it rounds to whole numbers
    let shifted = x + ROUND;
    let f = x - (shifted - ROUND);
    let scale = f32::from_bits(shifted.to_bits().wrapping_sub(ROUND.to_bits()).wrapping_add(127) << 23);
    let f2 = f * f;
    // ln(2)^k / k!, in pairs, so that terms can be computed in parallel.
    let low = (1.0 + f * std::f32::consts::LN_2) + f2 * (0.240_226_5 + f * 0.055_504_11);
    let high = (0.009_618_129 + f * 0.001_333_356) + f2 * 1.540_353e-4;
    (low + (f2 * f2) * high) * scale
}

/// `x` to a power between 0 and 1; values below the smallest normal number count as that number.
#[inline(always)]
pub(crate) fn root_f32(x: f32, power: f32) -> f32 {
    // The logarithm of any f32 is in -126..=128, so with this power it needs no clamping.
    exp2_inside(power * log2_f32(x))
}

/// Real cube root by [`root_f32`], odd around zero.
#[inline(always)]
pub(crate) fn cbrt_f32(x: f32) -> f32 {
    let magnitude = x.abs();
    let root = root_f32(magnitude, 1.0 / 3.0);
    (if magnitude < 1e-30 { 0.0 } else { root }).copysign(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fast_functions_agree_with_libm_over_their_domain() {
        for step in 0..200_000 {
            let x = libm::exp2(f64::from(step) / 200_000.0 * 60.0 - 40.0) as f32;
            let want = libm::log2(f64::from(x));
            assert!((f64::from(log2_f32(x)) - want).abs() < 4e-7 * want.abs().max(1.0), "log2({x})");
            let power = f64::from(step) / 200_000.0 * 60.0 - 40.0;
            let want = libm::exp2(f64::from(power as f32));
            assert!((f64::from(exp2_f32(power as f32)) / want - 1.0).abs() < 4e-7, "exp2({power})");
            let want = libm::cbrt(f64::from(x));
            assert!((f64::from(cbrt_f32(-x)) / -want - 1.0).abs() < 3e-6, "cbrt(-{x})");
        }
        assert_eq!(cbrt_f32(0.0), 0.0);
    }

    #[test]
    fn the_smooth_ramp_inverts() {
        for step in -300..400 {
            let x = f64::from(step) / 10.0;
            assert!((softplus_inverse(softplus(x)) - x).abs() < 1e-9 * x.abs().max(1.0));
        }
    }
}
