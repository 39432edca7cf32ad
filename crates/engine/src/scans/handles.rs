//! Files of open scans: a bounded number at a time. The least recently used is closed first and reopened on demand.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use glassine_scanfile::{OpenOptions, Scan, ScanInfo};

use crate::error::EngineError;

/// Most scans whose files are open; each holds one file, or two with infrared in a separate file.
const MOST_OPEN: usize = 64;
/// Memory, bytes, that open scans may hold: unpacked blocks, and pictures that can only be decoded as a whole.
const MOST_HELD_BYTES: u64 = 3 << 29;

/// The place of one scan's open file.
#[derive(Debug, Default)]
pub(crate) struct Slot {
    scan: Mutex<Option<Arc<Scan>>>,
    used: AtomicU64,
}

impl Slot {
    fn lock(&self) -> MutexGuard<'_, Option<Arc<Scan>>> {
        self.scan.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Open files of all scans.
#[derive(Debug)]
pub(crate) struct Handles {
    most_open: usize,
    clock: AtomicU64,
    /// Slots with an open file, and the memory each may take.
    open: Mutex<Vec<(Arc<Slot>, u64)>>,
}

impl Default for Handles {
    fn default() -> Self {
        Self::with_most(most_open())
    }
}

impl Handles {
    pub(crate) fn with_most(most_open: usize) -> Self {
        Self { most_open: most_open.max(1), clock: AtomicU64::new(0), open: Mutex::default() }
    }

    /// The open scan of a slot; `open` opens it if it is closed.
    pub(crate) fn get(
        &self,
        slot: &Arc<Slot>,
        open: impl Fn() -> Result<Scan, EngineError>,
    ) -> Result<Arc<Scan>, EngineError> {
        slot.used.store(self.clock.fetch_add(1, Ordering::Relaxed), Ordering::Relaxed);
        let mut inside = slot.lock();
        if let Some(scan) = &*inside {
            return Ok(Arc::clone(scan));
        }
        let scan = Arc::new(open()?);
        *inside = Some(Arc::clone(&scan));
        // Released before others are closed, so that no thread holds one slot while waiting for another.
        drop(inside);
        self.admit(slot, held_bytes(scan.info()));
        Ok(scan)
    }

    fn lock(&self) -> MutexGuard<'_, Vec<(Arc<Slot>, u64)>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn admit(&self, slot: &Arc<Slot>, bytes: u64) {
        let mut open = self.lock();
        open.retain(|(other, _)| !Arc::ptr_eq(other, slot));
        open.push((Arc::clone(slot), bytes));
        let mut held: u64 = open.iter().map(|(_, bytes)| bytes).sum();
        while open.len() > 1 && (open.len() > self.most_open || held > MOST_HELD_BYTES) {
            let others = open.iter().enumerate().filter(|(_, (other, _))| !Arc::ptr_eq(other, slot));
            let Some((oldest, _)) = others.min_by_key(|(_, (other, _))| other.used.load(Ordering::Relaxed))
            else {
                break;
            };
            let (gone, bytes) = open.swap_remove(oldest);
            held -= bytes;
            *gone.lock() = None;
        }
    }

    /// Close the file of a slot.
    pub(crate) fn close(&self, slot: &Arc<Slot>) {
        self.lock().retain(|(other, _)| !Arc::ptr_eq(other, slot));
        *slot.lock() = None;
    }

    #[cfg(test)]
    pub(crate) fn count(&self) -> usize {
        self.lock().len()
    }
}

/// A quarter of the files that the system lets this process open; the rest is for output files and the window.
fn most_open() -> usize {
    #[cfg(unix)]
    let allowed = rustix::process::getrlimit(rustix::process::Resource::Nofile).current;
    #[cfg(not(unix))]
    let allowed = None;
    allowed.map_or(MOST_OPEN, |files: u64| (files / 4).clamp(4, MOST_OPEN as u64) as usize)
}

/// Memory, bytes, that an open scan may come to hold.
fn held_bytes(info: &ScanInfo) -> u64 {
    let raw = u64::from(info.width_px) * u64::from(info.height_px) * info.planes.len() as u64 * 2;
    match info.container.contains("TIFF") {
        true if info.container.contains("uncompressed") => 0,
        true => raw.min(OpenOptions::default().cache_bytes),
        false => raw,
    }
}
