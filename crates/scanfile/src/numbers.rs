//! Conversions of numbers from files. What does not fit becomes the nearest number that does, never another one by
//! dropped bits, so that the checks that follow see it as too large.

pub(crate) fn to_u8(value: impl TryInto<u8>) -> u8 {
    value.try_into().unwrap_or(u8::MAX)
}

pub(crate) fn to_u16(value: impl TryInto<u16>) -> u16 {
    value.try_into().unwrap_or(u16::MAX)
}

pub(crate) fn to_u32(value: impl TryInto<u32>) -> u32 {
    value.try_into().unwrap_or(u32::MAX)
}

pub(crate) fn to_u64(value: impl TryInto<u64>) -> u64 {
    value.try_into().unwrap_or(u64::MAX)
}

pub(crate) fn to_usize(value: u64) -> usize {
    value.try_into().unwrap_or(usize::MAX)
}

/// The nearest number with 53 bits.
#[expect(clippy::cast_precision_loss, reason = "used for shares and resolutions, which need far fewer bits")]
pub(crate) fn to_f64(value: u64) -> f64 {
    value as f64
}

#[expect(clippy::cast_possible_truncation, reason = "rounds to 24 bits, which is what callers want")]
pub(crate) fn to_f32(value: f64) -> f32 {
    value as f32
}

/// The whole part; 0 for negative numbers and not-a-number.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a cast of a float saturates and drops the fraction"
)]
#[inline(always)]
pub(crate) fn whole_u32(value: f64) -> u32 {
    value as u32
}

/// The whole part; 0 for negative numbers and not-a-number.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a cast of a float saturates and drops the fraction"
)]
#[inline(always)]
pub(crate) fn whole_u16(value: f64) -> u16 {
    value as u16
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_that_does_not_fit_becomes_the_nearest_one() {
        assert_eq!((to_u8(255_usize), to_u8(256_usize), to_u16(70_000_u64)), (255, 255, u16::MAX));
        assert_eq!((to_u32(1_u64 << 40), to_u32(7_usize), to_u64(u128::MAX)), (u32::MAX, 7, u64::MAX));
        assert_eq!((whole_u16(-3.0), whole_u16(f64::NAN), whole_u16(1e9)), (0, 0, u16::MAX));
        assert_eq!((whole_u32(3.9), whole_u32(1e12)), (3, u32::MAX));
    }
}
