//! Samples of the pictures on screen, kept so that a change of settings resamples nothing.

use std::sync::Arc;

use glassine_raster::{Samples16, TiltedSampling};

use crate::cache::ByteCache;
use crate::preview::tiles::TileKey;

/// Bytes of samples kept: a handful of large pictures.
const SAMPLED_CACHE_BYTES: usize = 64 << 20;

/// Identifies the samples of a picture: the source, and the scan positions of its pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct SampledKey {
    source: TileKey,
    size_px: (u32, u32),
    /// Scan positions of three corner pixels, as bits; the grid is even, so they determine all others. The kernel
    /// follows from the factor of the source.
    corners: [(u64, u64); 3],
}

impl SampledKey {
    pub(crate) fn new(source: TileKey, sampling: &TiltedSampling) -> Self {
        let (width, height) = (sampling.width(), sampling.height());
        let bits = |x, y| {
            let p = sampling.scan_position(x, y);
            (p.x.to_bits(), p.y.to_bits())
        };
        let (right, bottom) = (width.saturating_sub(1), height.saturating_sub(1));
        Self { source, size_px: (width, height), corners: [bits(0, 0), bits(right, 0), bits(0, bottom)] }
    }

    /// Number of samples.
    pub(crate) fn pixels(&self) -> usize {
        self.size_px.0 as usize * self.size_px.1 as usize
    }

    /// Id of the scan that the samples were read from.
    pub(crate) fn scan(&self) -> u64 {
        self.source.scan
    }
}

/// Samples by key.
#[derive(Debug)]
pub(crate) struct SampleCache(ByteCache<SampledKey, Samples16>);

impl Default for SampleCache {
    fn default() -> Self {
        Self(ByteCache::new(SAMPLED_CACHE_BYTES))
    }
}

impl SampleCache {
    /// Drop what belongs to any other scan.
    pub(crate) fn retain(&self, keep: impl Fn(u64) -> bool) {
        self.0.retain(|key| keep(key.source.scan));
    }

    /// The samples of a picture, resampled at the first call.
    pub(crate) fn get_or(&self, key: SampledKey, resample: impl FnOnce() -> Samples16) -> Arc<Samples16> {
        if let Some(ready) = self.0.get(&key) {
            return ready;
        }
        let made = Arc::new(resample());
        let bytes = made.data().len() * 2;
        self.0.insert(key, made, bytes)
    }
}

#[cfg(test)]
mod tests {
    use glassine_raster::{Kernel, Orientation, PixelRect, TiltedBox};

    use super::*;

    fn key(left: f64, side_px: u32, scan: u64) -> SampledKey {
        let area = TiltedBox::from_edges(left, 0.0, left + 100.0, 80.0);
        let sampling = TiltedSampling::new(&area, Orientation::default(), side_px, side_px, Kernel::Cubic);
        SampledKey::new(TileKey::of(scan, PixelRect::of_size(200, 200), 1), &sampling)
    }

    #[test]
    fn samples_are_made_once_for_a_place_and_again_for_any_other() {
        let cache = SampleCache::default();
        let made = std::cell::Cell::new(0);
        let get = |key| {
            cache.get_or(key, || {
                made.set(made.get() + 1);
                Samples16::zeroed(2, 2, 3)
            })
        };
        for (key, count) in [
            (key(0.0, 64, 1), 1),
            (key(0.0, 64, 1), 1),
            (key(0.5, 64, 1), 2),
            (key(0.0, 65, 1), 3),
            (key(0.0, 64, 2), 4),
            (key(0.0, 64, 1), 4),
        ] {
            get(key);
            assert_eq!(made.get(), count);
        }
    }
}
