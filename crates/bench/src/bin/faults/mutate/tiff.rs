//! Mutations of TIFF and `BigTIFF` directories: tags, types, counts, values and offsets.

use glassine_testdata::random::SplitMix64;

/// Values that break readers more often than others.
const NUMBERS: [u64; 22] = [
    0,
    1,
    2,
    3,
    4,
    5,
    7,
    8,
    9,
    16,
    17,
    32,
    64,
    255,
    256,
    65_535,
    65_536,
    1 << 24,
    0x7FFF_FFFF,
    0x8000_0000,
    0xFFFF_FFFE,
    0xFFFF_FFFF,
];
/// Tags that readers act on.
const TAGS: [u16; 32] = [
    254, 255, 256, 257, 258, 259, 262, 266, 273, 274, 277, 278, 279, 282, 283, 284, 296, 301, 317, 320, 322,
    323, 324, 325, 330, 338, 339, 347, 700, 34_665, 34_675, 34_377,
];

/// Positions of the parts of a directory.
struct Directory {
    big_endian: bool,
    big: bool,
    entries: Vec<usize>,
    next: usize,
}

impl Directory {
    fn number(&self, bytes: &[u8], at: usize, length: usize) -> Option<u64> {
        let part = bytes.get(at..at.checked_add(length)?)?;
        let join = |sum: u64, byte: &u8| sum << 8 | u64::from(*byte);
        Some(if self.big_endian { part.iter().fold(0, join) } else { part.iter().rev().fold(0, join) })
    }

    fn put(&self, bytes: &mut [u8], at: usize, length: usize, value: u64) {
        let Some(part) = at.checked_add(length).and_then(|end| bytes.get_mut(at..end)) else { return };
        for (i, byte) in part.iter_mut().enumerate() {
            let place = if self.big_endian { length - 1 - i } else { i };
            *byte = (value >> (8 * place)) as u8;
        }
    }

    /// A directory of the file: the first, or one that it leads to.
    fn of(bytes: &[u8], random: &mut SplitMix64) -> Option<Self> {
        let big_endian = bytes.starts_with(b"MM");
        let mut directory = Self { big_endian, big: false, entries: Vec::new(), next: 0 };
        directory.big = directory.number(bytes, 2, 2)? == 43;
        let (first, width) = if directory.big { (8, 8) } else { (4, 4) };
        let mut at = directory.number(bytes, first, width)? as usize;
        directory.fill(bytes, at)?;
        for _ in 0..random.below(3) {
            at = directory.number(bytes, directory.next, width)? as usize;
            if at == 0 || directory.fill(bytes, at).is_none() {
                break;
            }
        }
        Some(directory)
    }

    fn fill(&mut self, bytes: &[u8], at: usize) -> Option<()> {
        let (head, size) = if self.big { (8, 20) } else { (2, 12) };
        let count = self.number(bytes, at, head)?.min(64) as usize;
        self.entries = (0..count).map(|i| at + head + size * i).collect();
        self.next = at + head + size * count;
        Some(())
    }
}

/// Changes one to three entries of a directory. Without a readable directory, the file stays as it is.
pub(super) fn mutate(bytes: &mut [u8], random: &mut SplitMix64) {
    // The number of completed changes does not matter.
    change(bytes, random).unwrap_or_default();
}

fn change(bytes: &mut [u8], random: &mut SplitMix64) -> Option<()> {
    let directory = Directory::of(bytes, random)?;
    let wide = if directory.big { 8 } else { 4 };
    for _ in 0..=random.below(3) {
        let entry = *random.pick(&directory.entries)?;
        let value_at = entry + 4 + wide;
        let number = match random.below(4) {
            0 => *random.pick(&NUMBERS)?,
            1 => random.next_u64() >> random.below(64),
            2 => random.below(bytes.len() + 64) as u64,
            _ => directory
                .number(bytes, value_at, wide)?
                .wrapping_add(random.below(9) as u64)
                .wrapping_sub(random.below(9) as u64),
        };
        match random.below(10) {
            0 => directory.put(bytes, entry, 2, u64::from(*random.pick(&TAGS)?)),
            1 => directory.put(bytes, entry + 2, 2, random.below(20) as u64),
            2 => directory.put(bytes, entry + 4, wide, number),
            3 => directory.put(bytes, directory.next, wide, number),
            // A short value is in the first bytes of its field.
            4 | 5 => directory.put(bytes, value_at, 2, number),
            6 => {
                // The entry points to the value.
                let target = directory.number(bytes, value_at, wide)? as usize;
                directory.put(bytes, target.saturating_add(2 * random.below(8)), 2, number);
            }
            7 => {
                let other = *random.pick(&directory.entries)?;
                let size = if directory.big { 20 } else { 12 };
                if let (Some(copy), true) =
                    (bytes.get(other..other + size).map(<[u8]>::to_vec), entry != other)
                {
                    bytes.get_mut(entry..entry + size)?.copy_from_slice(&copy);
                }
            }
            _ => directory.put(bytes, value_at, wide, number),
        }
    }
    Some(())
}
