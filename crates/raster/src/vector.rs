//! Pixel loops compiled for any processor, for 256-bit vectors and for 512-bit vectors, selected at run time.
//!
//! A loop is a value with one method, marked `#[inline(always)]` down to the arithmetic, so that it is compiled
//! separately for each kind of processor. Multiplications and additions are never fused, so every processor gives the
//! same bits.

pub use pulp::NullaryFnOnce as PixelLoop;
/// Vector types for loops that hold vectors in registers.
pub(crate) use pulp::{Simd, WithSimd as VectorLoop};

/// Run a loop with the widest instructions of this processor.
#[inline]
pub fn run_vectorised<L: PixelLoop>(pixels: L) -> L::Output {
    pulp::Arch::new().dispatch(pixels)
}

/// [`run_vectorised`] with vectors of at most 256 bits, for loops with more loads than arithmetic: nearly every
/// unaligned load of a vector as long as a cache line straddles two lines.
#[inline]
pub fn run_in_short_vectors<L: PixelLoop>(pixels: L) -> L::Output {
    #[cfg(target_arch = "x86_64")]
    if let Some(short) = pulp::x86::V3::try_new() {
        return short.vectorize(pixels);
    }
    run_vectorised(pixels)
}

/// [`run_vectorised`] for a loop written with explicit vectors.
#[inline]
pub(crate) fn run_in_vectors<L: VectorLoop>(pixels: L) -> L::Output {
    pulp::Arch::new().dispatch(pixels)
}

/// The smaller of two numbers; a single comparison, without the rule for not-a-number.
#[inline(always)]
pub fn least(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

/// The larger of two numbers; a single comparison, without the rule for not-a-number.
#[inline(always)]
pub fn most(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Blend<'a> {
        a: &'a [f32],
        out: &'a mut [f32],
    }

    impl PixelLoop for Blend<'_> {
        type Output = ();

        #[inline(always)]
        fn call(self) {
            for (o, a) in self.out.iter_mut().zip(self.a) {
                *o = a * 0.3 + *o * 0.7;
            }
        }
    }

    #[test]
    fn wide_and_plain_instructions_give_the_same_bits() {
        let a: Vec<f32> = (0..999).map(|i| (i as f32 * 0.37).fract()).collect();
        let start: Vec<f32> = (0..999).map(|i| (i as f32 * 0.61).fract()).collect();
        let (mut wide, mut short, mut plain) = (start.clone(), start.clone(), start);
        run_vectorised(Blend { a: &a, out: &mut wide });
        run_in_short_vectors(Blend { a: &a, out: &mut short });
        Blend { a: &a, out: &mut plain }.call();
        assert_eq!(wide, plain);
        assert_eq!(short, plain);
    }
}
