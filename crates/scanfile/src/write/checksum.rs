//! Checksums over samples, to compare a finished file with what was written.

/// Lanes summed in parallel, so that the processor need not wait for one product before the next.
const LANES: usize = 4;
/// An odd number with well-spread bits (2^64 divided by the golden ratio): multiplying by it loses nothing.
const SPREAD: u64 = 0x9e37_79b9_7f4a_7c15;

/// Checksum of 16-bit samples that depends on their order.
///
/// Each step is a bijection of its lane, so a change within one group of four samples always changes it; other
/// changes go undetected with a probability of 2^-64. It guards against faults, not against forgery.
pub(crate) fn sample_checksum(samples: &[u16]) -> u64 {
    let mut lanes = [SPREAD, !SPREAD, SPREAD << 1, SPREAD >> 1];
    let groups = samples.chunks_exact(4 * LANES);
    let rest = groups.remainder();
    for group in groups {
        for (lane, four) in lanes.iter_mut().zip(group.chunks_exact(4)) {
            let word = u64::from(four[0])
                | u64::from(four[1]) << 16
                | u64::from(four[2]) << 32
                | u64::from(four[3]) << 48;
            *lane = step(*lane, word);
        }
    }
    for sample in rest {
        lanes[0] = step(lanes[0], u64::from(*sample));
    }
    let length = step(SPREAD, samples.len() as u64);
    lanes.into_iter().fold(length, step)
}

#[inline(always)]
fn step(sum: u64, word: u64) -> u64 {
    (sum ^ word).wrapping_mul(SPREAD).rotate_left(29)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_changed_bit_and_every_exchange_of_samples_shows() {
        let samples: Vec<u16> = (0..203_u32).map(|i| ((i * 40_503) >> 3) as u16).collect();
        let sum = sample_checksum(&samples);
        for at in 0..samples.len() {
            for bit in 0..16 {
                let mut other = samples.clone();
                other[at] ^= 1 << bit;
                assert_ne!(sample_checksum(&other), sum, "bit {bit} of sample {at}");
            }
            let mut other = samples.clone();
            other.swap(at, (at + 1) % samples.len());
            assert_ne!(sample_checksum(&other), sum, "samples {at} and the next");
        }
        assert_ne!(sample_checksum(&samples[..202]), sum);
        assert_ne!(sample_checksum(&[]), sample_checksum(&[0]));
    }
}
