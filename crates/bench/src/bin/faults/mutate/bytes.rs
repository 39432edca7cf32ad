//! Mutations that ignore the format.

use glassine_testdata::random::SplitMix64;

/// Bytes that break readers more often than others.
const EDGES: [u8; 8] = [0, 1, 0x7F, 0x80, 0xFE, 0xFF, 0x20, 0x0A];

/// Makes one to four changes: bytes, bits, runs, cuts, repeats.
pub(super) fn mutate(bytes: &mut Vec<u8>, random: &mut SplitMix64) {
    for _ in 0..=random.below(4) {
        let length = bytes.len();
        let at = random.below(length);
        match random.below(8) {
            0 => set(bytes, at, random.next_u64() as u8),
            1 => {
                let edge = random.pick(&EDGES).copied().unwrap_or(0);
                set(bytes, at, edge);
            }
            2 => {
                let bit = 1 << random.below(8);
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= bit;
                }
            }
            3 => bytes.truncate(at),
            4 => {
                let end = (at + 1 + random.below(16)).min(length);
                drop(bytes.drain(at..end));
            }
            5 => {
                let end = (at + 1 + random.below(64)).min(length);
                let run = bytes.get(at..end).unwrap_or_default().to_vec();
                let to = random.below(length);
                bytes.splice(to..to, run);
            }
            6 => {
                let value = random.next_u64() as u32 >> (8 * random.below(4));
                for (i, byte) in value.to_le_bytes().into_iter().enumerate() {
                    set(bytes, at + i, byte);
                }
            }
            _ => {
                let end = (at + 1 + random.below(32)).min(length);
                let fill = random.pick(&EDGES).copied().unwrap_or(0);
                bytes.get_mut(at..end).unwrap_or_default().fill(fill);
            }
        }
    }
}

fn set(bytes: &mut [u8], at: usize, value: u8) {
    if let Some(byte) = bytes.get_mut(at) {
        *byte = value;
    }
}
