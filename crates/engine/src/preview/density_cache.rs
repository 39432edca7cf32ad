//! Layer densities of the picture under work, kept while its exposure, contrast, balance or saturation change.

use std::sync::{Arc, Mutex, PoisonError};

use glassine_film::{BaseField, Pipeline};
use rayon::prelude::*;

use crate::preview::sample_cache::SampledKey;

/// Largest picture whose densities are kept, pixels: 80 MB.
const KEPT_PX_MAX: usize = 6_600_000;

/// Densities of every pixel of a picture: for each row, one line for each of its three layers.
#[derive(Debug)]
pub(crate) struct LayerDensities {
    width: usize,
    lines: Vec<f32>,
}

impl LayerDensities {
    /// Compute all rows; `row` fills the three lines of one.
    pub(crate) fn compute(
        (width, height): (u32, u32),
        row: impl Fn(u32, [&mut [f32]; 3], &mut Vec<f32>) + Sync,
    ) -> Self {
        let width = width as usize;
        let mut lines = vec![0.0; 3 * width * height as usize];
        lines.par_chunks_mut((3 * width).max(1)).zip(0..height).for_each_init(
            Vec::new,
            |shifts, (lines, y)| {
                if let [Some(r), Some(g), Some(b)] = split(lines, width) {
                    row(y, [r, g, b], shifts);
                }
            },
        );
        Self { width, lines }
    }

    /// The three layers of a row.
    pub(crate) fn row(&self, y: u32) -> [&[f32]; 3] {
        let row = &self.lines[3 * self.width * y as usize..][..3 * self.width];
        let (red, rest) = row.split_at(self.width);
        let (green, blue) = rest.split_at(self.width);
        [red, green, blue]
    }
}

fn split(row: &mut [f32], width: usize) -> [Option<&mut [f32]>; 3] {
    let mut lines = row.chunks_exact_mut(width.max(1));
    [lines.next(), lines.next(), lines.next()]
}

/// Densities and what they belong to.
#[derive(Debug)]
struct CachedDensities {
    key: SampledKey,
    field: Option<BaseField>,
    pipeline: Pipeline,
    /// `None` until the picture is made a second time, because most pictures are made once.
    densities: Option<Arc<LayerDensities>>,
}

/// The densities of one picture.
#[derive(Debug, Default)]
pub(crate) struct DensityCache(Mutex<Option<CachedDensities>>);

impl DensityCache {
    /// Drop the densities unless their scan is kept.
    pub(crate) fn retain(&self, keep: impl Fn(u64) -> bool) {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.as_ref().is_some_and(|kept| !keep(kept.key.scan())) {
            *kept = None;
        }
    }

    /// Densities of a picture that was made before with the same samples, base and stock, computed by `make` when it is
    /// made the second time; else `None`.
    pub(crate) fn of(
        &self,
        key: SampledKey,
        pipeline: &Pipeline,
        field: Option<&BaseField>,
        make: impl FnOnce() -> LayerDensities,
    ) -> Option<Arc<LayerDensities>> {
        if !pipeline.has_densities() || key.pixels() > KEPT_PX_MAX {
            return None;
        }
        let lock = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let is_of = |kept: &CachedDensities| {
            kept.key == key && kept.field.as_ref() == field && kept.pipeline.shares_densities(pipeline)
        };
        let known = lock().as_ref().filter(|kept| is_of(kept)).map(|kept| kept.densities.clone());
        match known {
            Some(Some(ready)) => return Some(ready),
            Some(None) => {}
            None => {
                let (field, pipeline) = (field.cloned(), pipeline.clone());
                *lock() = Some(CachedDensities { key, field, pipeline, densities: None });
                return None;
            }
        }
        // Not locked while computing: a waiting pool thread may pick up another job that needs the lock.
        let made = Arc::new(make());
        if let Some(kept) = lock().as_mut().filter(|kept| is_of(kept)) {
            kept.densities = Some(Arc::clone(&made));
        }
        Some(made)
    }
}
