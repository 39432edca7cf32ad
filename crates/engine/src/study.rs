//! What of dust repair does not depend on the sensitivity, kept so that a slider answers at once.

use std::sync::{Arc, Mutex, PoisonError};

use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16};
use glassine_repair::{Analysis, DustOptions, Refusal, Registration};

use crate::EngineError;
use crate::cache::ByteCache;
use crate::recipe::FrameContext;
use crate::repair::{Repair, RepairKey, TILE_PX, tiles_of};
use crate::scans::{OpenScan, working_memory};

/// Bytes of dust maps and repaired pixels kept.
const REPAIR_CACHE_BYTES: usize = 256 << 20;
/// Bytes of analysed parts kept: one frame of some thirty megapixels.
const STUDY_CACHE_BYTES: usize = 640 << 20;
/// Bytes an analysis takes for each pixel.
const ANALYSIS_BYTES: usize = 12;

/// A part of a scan with its infrared analysed.
#[derive(Debug)]
pub(crate) struct Study {
    pub(crate) linear: Samples16,
    pub(crate) analysis: Analysis,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct StudyKey {
    scan: u64,
    whole: PixelRect,
    part: PixelRect,
}

/// Everything that is kept about repairs.
#[derive(Debug)]
pub(crate) struct RepairDesk {
    pub(crate) repairs: ByteCache<RepairKey, Repair>,
    studies: ByteCache<StudyKey, Study>,
    /// The repair that was shown last, to stand in while the next one is made.
    shown: Mutex<Option<Arc<Repair>>>,
}

impl Default for RepairDesk {
    fn default() -> Self {
        Self {
            repairs: ByteCache::new(REPAIR_CACHE_BYTES),
            studies: ByteCache::new(STUDY_CACHE_BYTES),
            shown: Mutex::new(None),
        }
    }
}

impl RepairDesk {
    pub(crate) fn clear(&self) {
        self.repairs.clear();
        self.studies.clear();
        *self.shown.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// Remember what is on screen.
    pub(crate) fn show(&self, repair: &Arc<Repair>) {
        *self.shown.lock().unwrap_or_else(PoisonError::into_inner) = Some(Arc::clone(repair));
    }

    /// The repair last shown, if it is of the same place.
    pub(crate) fn stand_in(&self, key: &RepairKey) -> Option<Arc<Repair>> {
        let shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        shown.clone().filter(|repair| repair.key().is_same_place(key))
    }

    /// The analysis of a part of a place; kept for the next sensitivity when `keep` is set.
    pub(crate) fn study(
        &self,
        open: &OpenScan,
        whole: PixelRect,
        part: PixelRect,
        options: &DustOptions,
        keep: bool,
        cancel: &CancelToken,
    ) -> Result<Result<Arc<Study>, Refusal>, EngineError> {
        let key = StudyKey { scan: open.id(), whole, part };
        if let Some(ready) = self.studies.get(&key) {
            return Ok(Ok(ready));
        }
        let linear = open.read(part, cancel)?;
        let analysis = match Analysis::of(&linear, open.colour_channels(), options, cancel) {
            Err(Refusal::Cancelled(_)) => return Err(EngineError::Cancelled),
            Err(refusal) => return Ok(Err(refusal)),
            Ok(analysis) => analysis,
        };
        let bytes = linear.data().len() * 2 + part.area() as usize * ANALYSIS_BYTES;
        let study = Arc::new(Study { linear, analysis });
        Ok(Ok(if keep { self.studies.insert(key, study, bytes) } else { study }))
    }
}

/// Where the infrared lies against the visible planes, measured once for a scan on the piece of film that tells best.
///
/// The film with its edges, perforations and all its dust says more than one frame alone; `None` lets each frame decide.
pub(crate) fn scan_registration(
    context: &FrameContext,
    cancel: &CancelToken,
) -> Result<Option<Registration>, EngineError> {
    /// Pieces of film that are looked at, and the confidence that ends the search.
    const PIECES: usize = 5;
    const SURE: f32 = 0.7;
    let open = &context.open;
    if let Some(known) = open.registration.get() {
        return Ok(*known);
    }
    let film = context.strip.film_area.unwrap_or(context.frame.crop);
    let tiles = tiles_of(film.pixel_bounds(open.width(), open.height()), TILE_PX);
    let mut order: Vec<usize> = (0..tiles.len()).collect();
    // From the middle outwards: the ends of a strip are often cut, curled or lit from the side.
    order.sort_by_key(|idx| idx.abs_diff(tiles.len() / 2));
    let mut pieces: Vec<Registration> = Vec::new();
    for idx in order.into_iter().take(PIECES) {
        cancel.check()?;
        let rect = tiles[idx];
        let _held = working_memory().reserve(rect.area() * u64::from(open.channels()) * 2)?;
        let linear = open.read(rect, cancel)?;
        if let Ok(found) = glassine_repair::register(&linear, open.colour_channels()) {
            pieces.push(found);
            if found.confidence >= SURE {
                break;
            }
        }
    }
    // Nothing stood out where the confidence is zero: then there is nothing to lay over either.
    let best = glassine_repair::consensus(&pieces).filter(|best| best.confidence > 0.0);
    Ok(*open.registration.get_or_init(|| best))
}
