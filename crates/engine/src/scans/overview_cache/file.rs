//! The file of one cached overview.
//!
//! ```text
//! magic (16 bytes) | length of the description (u64) | description (JSON) | levels, the small one first: codes, u16
//! | BLAKE3 of each block of codes (32 bytes each) | BLAKE3 of everything that is neither codes nor itself
//! ```
//! Numbers are little-endian. Blocks are hashed one by one, so that several threads can check and copy them, and the
//! small level can be shown without reading the large one.

use std::fs::File;
use std::io::Write as _;
use std::path::Path;

use glassine_raster::Samples16;
use glassine_scanfile::{AtomicFile, Overwrite, Positioned};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::Identity;
use crate::scans::OverviewData;

const MAGIC: &[u8; 16] = b"kept overview 1\n";
const HASH_BYTES: usize = 32;
/// Codes hashed together.
const BLOCK_CODES: usize = 1 << 19;
/// No description is longer than this.
const MOST_DESCRIPTION_BYTES: u64 = 64 << 10;
/// Side of the small level, px: enough to fill a screen for a moment.
const QUICK_SIDE_PX: u32 = 1024;
/// Longest side of an overview, px; a larger claim is damage.
const MOST_SIDE_PX: u32 = 1 << 16;

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Description {
    identity: Identity,
    /// The small one first.
    levels: Vec<Level>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
struct Level {
    /// Scan pixels for one overview pixel.
    factor: u32,
    width: u32,
    height: u32,
    channels: u8,
}

impl Level {
    fn of(data: &OverviewData) -> Self {
        let samples = &data.samples;
        Self {
            factor: data.factor,
            width: samples.width(),
            height: samples.height(),
            channels: samples.channels(),
        }
    }

    fn codes(self) -> usize {
        self.width as usize * self.height as usize * usize::from(self.channels)
    }

    fn blocks(self) -> usize {
        self.codes().div_ceil(BLOCK_CODES)
    }
}

/// Write an overview with its small level, whole or not at all.
pub(super) fn write(
    path: &Path,
    identity: &Identity,
    overview: &OverviewData,
) -> Result<(), glassine_scanfile::Error> {
    let samples = &overview.samples;
    let shrink = samples.width().max(samples.height()).div_ceil(QUICK_SIDE_PX).max(1);
    let quick = (shrink > 1).then(|| OverviewData {
        samples: glassine_raster::box_reduce(samples, shrink),
        factor: overview.factor.saturating_mul(shrink),
    });
    let levels: Vec<&OverviewData> = quick.iter().chain([overview]).collect();
    let description = Description {
        identity: identity.clone(),
        levels: levels.iter().map(|level| Level::of(level)).collect(),
    };
    let mut head = MAGIC.to_vec();
    let text = serde_json::to_vec(&description).unwrap_or_default();
    head.extend((text.len() as u64).to_le_bytes());
    head.extend(text);
    let mut file = AtomicFile::create(path, Overwrite::Replace)?;
    let failed =
        |source| glassine_scanfile::Error::Io { path: path.to_owned(), action: "write the file", source };
    file.write_all(&head).map_err(failed)?;
    let mut hashes = Vec::new();
    let mut bytes = Vec::with_capacity(2 * BLOCK_CODES);
    for level in levels {
        for block in level.samples.data().chunks(BLOCK_CODES) {
            bytes.clear();
            bytes.extend(block.iter().flat_map(|code| code.to_le_bytes()));
            hashes.extend(blake3::hash(&bytes).as_bytes());
            file.write_all(&bytes).map_err(failed)?;
        }
    }
    file.write_all(&hashes).map_err(failed)?;
    file.write_all(seal(&head, &hashes).as_bytes()).map_err(failed)?;
    file.commit().map(drop)
}

fn seal(head: &[u8], hashes: &[u8]) -> blake3::Hash {
    blake3::Hasher::new().update(head).update(hashes).finalize()
}

/// A cached overview whose description and hashes are sound; its codes are checked when they are read.
#[derive(Debug)]
pub(crate) struct CachedOverview {
    file: Positioned,
    description: Description,
    first_code_at: u64,
    hashes: Vec<u8>,
    is_beside_session: bool,
}

impl CachedOverview {
    /// Open the file if it exists, is whole, and was made from exactly this identity.
    pub(super) fn open(path: &Path, identity: &Identity, is_beside_session: bool) -> Option<Self> {
        let file = Positioned::open(path).ok()?;
        let mut start = [0; 24];
        file.read_exact_at(0, &mut start, "start").ok()?;
        let text_len = u64::from_le_bytes(start[16..].try_into().ok()?);
        if &start[..16] != MAGIC || text_len > MOST_DESCRIPTION_BYTES {
            return None;
        }
        let mut text = vec![0; text_len as usize];
        file.read_exact_at(start.len() as u64, &mut text, "description").ok()?;
        let description: Description = serde_json::from_slice(&text).ok()?;
        let is_sound = |l: &Level| {
            (1..=MOST_SIDE_PX).contains(&l.width)
                && (1..=MOST_SIDE_PX).contains(&l.height)
                && (1..=4).contains(&l.channels)
                && l.factor > 0
        };
        let levels = &description.levels;
        if description.identity != *identity
            || !(1..=2).contains(&levels.len())
            || !levels.iter().all(is_sound)
        {
            return None;
        }
        let first_code_at = start.len() as u64 + text_len;
        let code_bytes: u64 = levels.iter().map(|level| 2 * level.codes() as u64).sum();
        let hash_bytes = HASH_BYTES * levels.iter().map(|level| level.blocks()).sum::<usize>();
        if file.len() != first_code_at + code_bytes + (hash_bytes + HASH_BYTES) as u64 {
            return None;
        }
        let mut hashes = vec![0; hash_bytes];
        file.read_exact_at(first_code_at + code_bytes, &mut hashes, "hashes").ok()?;
        let mut sealed = [0; HASH_BYTES];
        file.read_exact_at(first_code_at + code_bytes + hash_bytes as u64, &mut sealed, "seal").ok()?;
        if seal(&[start.as_slice(), &text].concat(), &hashes) != sealed {
            return None;
        }
        // The time of last use decides which overview goes first when room runs out; failing to set it does no harm.
        if let Ok(own) = File::options().append(true).open(path) {
            own.set_modified(std::time::SystemTime::now()).ok();
        }
        Some(Self { file, description, first_code_at, hashes, is_beside_session })
    }

    /// Whether it is beside the session, not in the user's cache folder.
    pub(crate) fn is_beside_session(&self) -> bool {
        self.is_beside_session
    }

    /// The small level, quick to show; `None` if it is damaged.
    pub(crate) fn quick(&self) -> Option<OverviewData> {
        self.level(0)
    }

    /// The overview itself; `None` if it is damaged.
    pub(crate) fn full(&self) -> Option<OverviewData> {
        self.level(self.description.levels.len() - 1)
    }

    fn level(&self, nth: usize) -> Option<OverviewData> {
        let before = &self.description.levels[..nth];
        let level = *self.description.levels.get(nth)?;
        let from = self.first_code_at + before.iter().map(|level| 2 * level.codes() as u64).sum::<u64>();
        let first_hash = before.iter().map(|level| level.blocks()).sum::<usize>();
        // Zeroed memory from the system costs nothing until it is written, which all cores do.
        let mut codes: Vec<u16> = glassine_raster::zeroed(level.codes() as u64).ok()?;
        let all_sound = codes.par_chunks_mut(BLOCK_CODES).enumerate().all(|(idx, block)| {
            let bytes: &mut [u8] = bytemuck::cast_slice_mut(block);
            let at = from + (idx * BLOCK_CODES * 2) as u64;
            let hash = &self.hashes[(first_hash + idx) * HASH_BYTES..][..HASH_BYTES];
            let is_sound =
                self.file.read_exact_at(at, bytes, "codes").is_ok() && blake3::hash(bytes).as_bytes() == hash;
            block.iter_mut().for_each(|code| *code = u16::from_le(*code));
            is_sound
        });
        if !all_sound {
            return None;
        }
        let samples = Samples16::from_vec(level.width, level.height, level.channels, codes)?;
        Some(OverviewData { samples, factor: level.factor })
    }
}
