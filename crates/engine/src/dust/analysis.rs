//! The part of dust repair that does not depend on the sensitivity, kept so that a slider responds at once.

use std::sync::{Arc, Mutex, PoisonError};

use glassine_raster::{CancelToken, PixelRect, RegionSource, TiltedBox};
use glassine_repair::{Analysis, DustError, DustMap, DustOptions, Registration};

use crate::EngineError;
use crate::cache::ByteCache;
use crate::dust::{Repair, RepairKey, tiles_of};
use crate::scans::{OpenScan, working_memory};

/// Bytes of dust maps and repaired pixels kept.
const REPAIR_CACHE_BYTES: usize = 96 << 20;
/// Bytes of finished repairs kept, of which only the new pixels are left.
const FINISHED_CACHE_BYTES: usize = 96 << 20;
/// Bytes of analyses kept.
const STUDY_CACHE_BYTES: usize = 64 << 20;
/// Side of the pieces of film on which the registration of a scan is measured, px.
const PIECE_PX: u32 = 2048;

/// A part of a scan with its infrared analysed, and the marks of the last sensitivity.
#[derive(Debug)]
struct Study {
    analysis: Analysis,
    marks: Mutex<Option<(u64, DustMap)>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct StudyKey {
    scan: u64,
    region: PixelRect,
}

/// Caches of repairs and their analyses.
#[derive(Debug)]
pub(crate) struct RepairDesk {
    pub(crate) repairs: ByteCache<RepairKey, Repair>,
    /// Repairs made for counts and exports, without their marks: what was counted is exported next.
    pub(crate) finished: ByteCache<RepairKey, Repair>,
    studies: ByteCache<StudyKey, Study>,
    /// The repair shown last, which stands in while the next one is made.
    shown: Mutex<Option<Arc<Repair>>>,
}

impl Default for RepairDesk {
    fn default() -> Self {
        Self {
            repairs: ByteCache::new(REPAIR_CACHE_BYTES),
            finished: ByteCache::new(FINISHED_CACHE_BYTES),
            studies: ByteCache::new(STUDY_CACHE_BYTES),
            shown: Mutex::new(None),
        }
    }
}

impl RepairDesk {
    /// Drop what belongs to any other scan.
    pub(crate) fn retain(&self, keep: impl Fn(u64) -> bool) {
        self.repairs.retain(|key| keep(key.scan()));
        self.finished.retain(|key| keep(key.scan()));
        self.studies.retain(|key| keep(key.scan));
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        if shown.as_ref().is_some_and(|repair| !keep(repair.key().scan())) {
            *shown = None;
        }
    }

    /// Remember the repair on screen.
    pub(crate) fn show(&self, repair: &Arc<Repair>) {
        *self.shown.lock().unwrap_or_else(PoisonError::into_inner) = Some(Arc::clone(repair));
    }

    /// The repair shown last, if it is of the same place.
    pub(crate) fn stand_in(&self, key: &RepairKey) -> Option<Arc<Repair>> {
        let shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        shown.clone().filter(|repair| repair.key().is_same_place(key))
    }

    /// The marks of a part of a scan, read through `source`; if `keep` is set, the analysis is kept for the next
    /// sensitivity.
    pub(crate) fn marks(
        &self,
        open: &OpenScan,
        source: &dyn RegionSource,
        region: PixelRect,
        options: &DustOptions,
        keep: bool,
        cancel: &CancelToken,
    ) -> Result<DustMap, DustError> {
        let key = StudyKey { scan: open.id(), region };
        let study = match self.studies.get(&key) {
            Some(ready) => ready,
            None => {
                let analysis = Analysis::of(source, region, open.colour_channels(), options, cancel)?;
                let bytes = 2 * analysis.bytes();
                let study = Arc::new(Study { analysis, marks: Mutex::new(None) });
                if keep { self.studies.insert(key, study, bytes) } else { study }
            }
        };
        let bits = options.sensitivity.to_bits();
        let last = || study.marks.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, marks)) = last().as_ref().filter(|(known, _)| *known == bits) {
            return Ok(marks.clone());
        }
        // Not locked while computing: a waiting pool thread may pick up another job that needs the lock.
        let marks = study.analysis.map(source, options.sensitivity, cancel)?;
        if keep {
            *last() = Some((bits, marks.clone()));
        }
        Ok(marks)
    }
}

/// Registration of the infrared in a part of a scan, with the middle of that part as origin.
///
/// `film` is a piece of film and the density of its clear parts; see [`DustOptions::film_base_d`].
pub(crate) fn region_registration(
    open: &OpenScan,
    film: (&TiltedBox, Option<[f64; 3]>),
    region: PixelRect,
    cancel: &CancelToken,
) -> Result<Option<Registration>, EngineError> {
    let known = scan_registration(open, film, cancel)?;
    Ok(known.map(|registration| {
        let [from, to] = [whole(open), region].map(middle);
        registration.about([to[0] - from[0], to[1] - from[1]])
    }))
}

fn whole(open: &OpenScan) -> PixelRect {
    PixelRect::of_size(open.width(), open.height())
}

fn middle(rect: PixelRect) -> [f64; 2] {
    [f64::midpoint(rect.x0.into(), rect.x1.into()), f64::midpoint(rect.y0.into(), rect.y1.into())]
}

/// Registration of the infrared against the visible planes, measured once for a scan on pieces of the film.
///
/// The film with its edges, perforations and all its dust says more than one frame alone; `None` lets each frame
/// decide. The origin is the middle of the scan.
fn scan_registration(
    open: &OpenScan,
    (film, film_base_d): (&TiltedBox, Option<[f64; 3]>),
    cancel: &CancelToken,
) -> Result<Option<Registration>, EngineError> {
    /// Most pieces of film measured, and the confidence that ends the search.
    const PIECES: usize = 8;
    const SURE: f32 = 0.7;
    if let Some(known) = open.registration.get() {
        return Ok(*known);
    }
    let tiles = tiles_of(film.pixel_bounds(open.width(), open.height()), PIECE_PX);
    let mut order: Vec<usize> = (0..tiles.len()).collect();
    // From the middle outwards: the ends of a strip are often cut, curled or lit from the side.
    order.sort_by_key(|idx| idx.abs_diff(tiles.len() / 2));
    let mut pieces: Vec<Registration> = Vec::new();
    for idx in order.into_iter().take(PIECES) {
        cancel.check()?;
        let rect = tiles[idx];
        let _held = working_memory().reserve(rect.area() * u64::from(open.channels()) * 2)?;
        let linear = open.read(rect, cancel)?;
        if let Ok(found) = glassine_repair::register(&linear, open.colour_channels(), film_base_d) {
            let [from, to] = [rect, whole(open)].map(middle);
            pieces.push(found.about([to[0] - from[0], to[1] - from[1]]));
            if found.confidence >= SURE {
                break;
            }
        }
    }
    // With zero confidence nothing stood out, so there is nothing to align either.
    let best = glassine_repair::consensus(&pieces).filter(|best| best.confidence > 0.0);
    Ok(*open.registration.get_or_init(|| best))
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use glassine_film::FilmKind;
    use glassine_raster::{CancelToken, TiltedBox};
    use glassine_session::{Edit, FoundStripEdit, NewFrame, ScanRef, Session};

    use crate::Engine;
    use crate::frame::FrameContext;
    use crate::scans::tests::write_scan;

    #[test]
    fn what_was_repaired_for_a_count_is_used_again_by_the_export() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("scan.tif");
        write_scan(&path, 64, 30_000);
        let scan = ScanRef { path, width_px: 64, height_px: 64, ..ScanRef::default() };
        let session = Edit::AddScans(vec![scan]).apply(&Session::default()).expect("applies");
        let frame = NewFrame::in_box(TiltedBox::from_edges(4.0, 4.0, 60.0, 60.0));
        let strip = FoundStripEdit { frames: vec![frame], ..Default::default() };
        let (film, strips) = (FilmKind::BlackAndWhite, vec![strip]);
        let stock_id = glassine_film::default_stock(film).id.clone();
        let scan = session.scans[0].id;
        let found = Edit::ReplaceStrips { scan, film, stock_id, strips, keep: Vec::new() };
        let session = found.apply(&session).expect("applies");
        let (engine, cancel) = (Engine::new(), CancelToken::new());
        let context = FrameContext::new(&session, &session.frames[0], None, &engine.scans).expect("opens");
        let counted = engine.finished_repair(&context, &cancel).expect("made");
        let exported = engine.finished_repair(&context, &cancel).expect("kept");
        assert!(Arc::ptr_eq(&counted, &exported));
        engine.forget();
        let again = engine.finished_repair(&context, &cancel).expect("made");
        assert!(!Arc::ptr_eq(&counted, &again), "forgotten with the session");
    }
}
