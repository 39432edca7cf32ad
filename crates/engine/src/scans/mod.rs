//! Open scans, their linear view and their overviews, kept for as long as the engine lives.

pub(crate) mod checks;
mod disk;
mod dither;
mod handles;
mod open;
pub(crate) mod overview_cache;
pub(crate) mod progress_reader;
pub(crate) mod relink;
mod store;
#[cfg(test)]
pub(crate) mod tests;

use std::borrow::Cow;
use std::path::Path;
use std::sync::{Arc, OnceLock};

use bytemuck::Zeroable;
use glassine_raster::{CancelToken, MemoryBudget, NoMemory, PixelRect, RegionSource, Samples16, reserve};

use crate::error::{EngineError, Notice, Severity};

pub(crate) use disk::{FilesState, Prints, ScanFiles, changed_while_read};
pub(crate) use open::OpenScan;
pub(crate) use store::{ScanStore, files_of};

/// Longest side of an overview: fits a single texture of any graphics driver.
const OVERVIEW_MAX_SIDE_PX: u32 = 4096;
/// Longest side of a coarse overview.
const COARSE_OVERVIEW_MAX_SIDE_PX: u32 = 1024;

/// A scan reduced by a whole-number factor, in linear codes.
#[derive(Debug)]
pub(crate) struct OverviewData {
    pub(crate) samples: Samples16,
    pub(crate) factor: u32,
}

/// A table that leaves codes unchanged, for samples made linear while reading.
pub(crate) fn identity_table() -> Arc<[f32]> {
    static TABLE: std::sync::OnceLock<Arc<[f32]>> = std::sync::OnceLock::new();
    Arc::clone(TABLE.get_or_init(|| (0..=u16::MAX).map(|code| f32::from(code) / 65535.0).collect()))
}

/// Memory for full-resolution samples in work at any moment, over all threads.
pub(crate) fn working_memory() -> &'static MemoryBudget {
    const LIMIT_BYTES: u64 = 1 << 30;
    static BUDGET: OnceLock<MemoryBudget> = OnceLock::new();
    BUDGET.get_or_init(|| MemoryBudget::new(LIMIT_BYTES))
}

/// Fails early if the system can't give the memory that buffers will need, where their content is known only later.
pub(crate) fn ask_for_memory(bytes: u64, what: &str) -> Result<(), EngineError> {
    // Reserved, not filled: filling would cost time and use the memory.
    let mut room = Vec::<u8>::new();
    let refused = NoMemory { bytes };
    let reserved = usize::try_from(bytes).ok().ok_or(refused).and_then(|len| reserve(&mut room, len));
    // The compiler would remove an allocation that nothing reads.
    drop(std::hint::black_box(room));
    reserved.map_err(|refused| no_memory(refused, what))
}

/// Zeroed memory, or an error if the system has none to give.
pub(crate) fn zeroed<T: Zeroable>(count: u64, what: &str) -> Result<Vec<T>, EngineError> {
    glassine_raster::zeroed(count).map_err(|refused| no_memory(refused, what))
}

/// Zeroed samples, or an error if the system has no memory for them.
pub(crate) fn zeroed_samples(
    (width, height): (u32, u32),
    channels: u8,
    what: &str,
) -> Result<Samples16, EngineError> {
    let codes = zeroed(u64::from(width) * u64::from(height) * u64::from(channels), what)?;
    Samples16::from_vec(width, height, channels, codes)
        .ok_or_else(|| EngineError::internal("samples were made in another size than asked"))
}

pub(crate) fn no_memory(refused: NoMemory, what: &str) -> EngineError {
    EngineError::Transient(Notice::new(
        Severity::Error,
        format!("the system has no memory for {} MB of {what}", refused.bytes.div_ceil(1 << 20)),
        "close other programs, or make the box smaller",
    ))
}

/// Linear samples reduced by `factor`, for the part of a scan that covers `rect`.
///
/// The result begins at scan pixel `origin`, a multiple of `factor`; bands keep memory bounded.
pub(crate) fn read_reduced(
    source: &dyn RegionSource,
    rect: PixelRect,
    factor: u32,
    cancel: &CancelToken,
) -> Result<(Samples16, (u32, u32)), EngineError> {
    /// Full-resolution bytes held at once.
    const BAND_BYTES: u64 = 32 << 20;
    let factor = factor.max(1);
    let origin = (rect.x0 / factor * factor, rect.y0 / factor * factor);
    let aligned = PixelRect::new(
        origin.0,
        origin.1,
        rect.x1.div_ceil(factor).saturating_mul(factor).min(source.width()),
        rect.y1.div_ceil(factor).saturating_mul(factor).min(source.height()),
    );
    if factor == 1 {
        let _held = working_memory().reserve(aligned.area() * u64::from(source.channels()) * 2)?;
        return Ok((source.read(aligned, cancel)?, origin));
    }
    let row_bytes = (u64::from(aligned.width()) * u64::from(source.channels()) * 2).max(1);
    let rows = (BAND_BYTES / row_bytes / u64::from(factor)).clamp(1, 4096) as u32 * factor;
    let mut data = Vec::new();
    let mut y = aligned.y0;
    while y < aligned.y1 {
        cancel.check()?;
        let band = PixelRect::new(aligned.x0, y, aligned.x1, (y + rows).min(aligned.y1));
        let full = source.read(band, cancel)?;
        data.extend_from_slice(glassine_raster::box_reduce(&full, factor).data());
        y = band.y1;
    }
    let (width, height) = (aligned.width().div_ceil(factor), aligned.height().div_ceil(factor));
    Samples16::from_vec(width, height, source.channels(), data)
        .map(|samples| (samples, origin))
        .ok_or_else(|| EngineError::internal("a scan gave a region of another size than asked"))
}

/// Tables for a pipeline that is fed `channels` colour channels.
pub(crate) fn table_refs<'a>(tables: &'a [Arc<[f32]>], spare: &'a Arc<[f32]>) -> [&'a [f32]; 3] {
    [0, 1, 2].map(|c| -> &[f32] { tables.get(c).or(tables.first()).unwrap_or(spare) })
}

/// Text of a path for messages.
pub(crate) fn shown(path: &Path) -> Cow<'_, str> {
    path.to_string_lossy()
}
