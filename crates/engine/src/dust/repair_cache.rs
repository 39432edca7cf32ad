//! Repairs of frames, and the part of dust detection that does not depend on the sensitivity, kept so that a slider
//! responds at once.

use std::sync::{Arc, Mutex, PoisonError};

use glassine_raster::{CancelToken, PixelRect, RegionSource};
use glassine_repair::{Analysis, DustError, DustMap, DustOptions};

use crate::cache::ByteCache;
use crate::dust::{Repair, RepairKey, key_of, make};
use crate::error::EngineError;
use crate::frame::FrameContext;
use crate::scans::OpenScan;

/// Bytes of dust maps and repaired pixels kept.
const REPAIR_CACHE_BYTES: usize = 96 << 20;
/// Bytes of finished repairs kept, of which only the new pixels are left.
const FINISHED_CACHE_BYTES: usize = 96 << 20;
/// Bytes of analyses kept.
const ANALYSIS_CACHE_BYTES: usize = 64 << 20;
/// A part of a scan with its infrared analysed, and the marks of the last sensitivity.
#[derive(Debug)]
struct DustAnalysis {
    analysis: Analysis,
    marks: Mutex<Option<(u64, DustMap)>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
struct AnalysisKey {
    scan: u64,
    region: PixelRect,
}

/// Caches of repairs and their analyses.
#[derive(Debug)]
pub(crate) struct RepairCache {
    repairs: ByteCache<RepairKey, Repair>,
    /// Repairs made for counts and exports, without their marks: what was counted is exported next.
    finished: ByteCache<RepairKey, Repair>,
    analyses: ByteCache<AnalysisKey, DustAnalysis>,
    /// The repair shown last, which stands in while the next one is made.
    shown: Mutex<Option<Arc<Repair>>>,
}

impl Default for RepairCache {
    fn default() -> Self {
        Self {
            repairs: ByteCache::new(REPAIR_CACHE_BYTES),
            finished: ByteCache::new(FINISHED_CACHE_BYTES),
            analyses: ByteCache::new(ANALYSIS_CACHE_BYTES),
            shown: Mutex::new(None),
        }
    }
}

impl RepairCache {
    /// Drop what belongs to any other scan.
    pub(crate) fn retain(&self, keep: impl Fn(u64) -> bool) {
        self.repairs.retain(|key| keep(key.scan()));
        self.finished.retain(|key| keep(key.scan()));
        self.analyses.retain(|key| keep(key.scan));
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        if shown.as_ref().is_some_and(|repair| !keep(repair.key().scan())) {
            *shown = None;
        }
    }

    /// The repair of a frame for pictures on screen, if it is known.
    pub(crate) fn known(&self, context: &FrameContext) -> Option<Arc<Repair>> {
        let key = key_of(context);
        // A repair too large for the cache is still available while it is the one shown last.
        self.kept(&key).or_else(|| self.stand_in(&key).filter(|last| last.key() == key))
    }

    /// A repair for pictures on screen that is in the cache.
    pub(crate) fn kept(&self, key: &RepairKey) -> Option<Arc<Repair>> {
        self.repairs.get(key)
    }

    /// Repair of a frame for pictures on screen, computed at the first call.
    pub(crate) fn for_screen(
        &self,
        context: &FrameContext,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<Arc<Repair>, EngineError> {
        let key = key_of(context);
        if let Some(ready) = self.kept(&key) {
            return Ok(ready);
        }
        let made = Arc::new(make(context, self, true, cancel, progress)?);
        let bytes = made.bytes();
        Ok(self.repairs.insert(key, made, bytes))
    }

    /// Repair of a frame for counts and exports, cached so that an export reuses those of a count. Its marks may be
    /// missing.
    pub(crate) fn for_export(
        &self,
        context: &FrameContext,
        cancel: &CancelToken,
    ) -> Result<Arc<Repair>, EngineError> {
        let key = key_of(context);
        if let Some(ready) = self.kept(&key).or_else(|| self.finished.get(&key)) {
            return Ok(ready);
        }
        let mut made = make(context, self, false, cancel, &|_| {})?;
        made.forget_marks();
        let bytes = made.bytes();
        Ok(self.finished.insert(key, Arc::new(made), bytes))
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
        let key = AnalysisKey { scan: open.id(), region };
        let analysis = match self.analyses.get(&key) {
            Some(ready) => ready,
            None => {
                let analysis = Analysis::of(source, region, open.colour_channels(), options, cancel)?;
                let bytes = 2 * analysis.bytes();
                let analysis = Arc::new(DustAnalysis { analysis, marks: Mutex::new(None) });
                if keep { self.analyses.insert(key, analysis, bytes) } else { analysis }
            }
        };
        let bits = options.sensitivity.to_bits();
        let last = || analysis.marks.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, marks)) = last().as_ref().filter(|(known, _)| *known == bits) {
            return Ok(marks.clone());
        }
        // Not locked while computing: a waiting pool thread may pick up another job that needs the lock.
        let marks = analysis.analysis.map(source, options.sensitivity, cancel)?;
        if keep {
            *last() = Some((bits, marks.clone()));
        }
        Ok(marks)
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use glassine_film::FilmKind;
    use glassine_raster::{CancelToken, TiltedBox};
    use glassine_session::{Edit, FoundStripEdit, NewFrame, ScanRef, Session};

    use super::RepairCache;
    use crate::frame::FrameContext;
    use crate::scans::ScanStore;
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
        let (scans, repairs, cancel) = (ScanStore::default(), RepairCache::default(), CancelToken::new());
        let context = FrameContext::new(&session, &session.frames[0], None, &scans).expect("opens");
        let counted = repairs.for_export(&context, &cancel).expect("made");
        let exported = repairs.for_export(&context, &cancel).expect("kept");
        assert!(Arc::ptr_eq(&counted, &exported));
        repairs.retain(|_| false);
        let again = repairs.for_export(&context, &cancel).expect("made");
        assert!(!Arc::ptr_eq(&counted, &again), "forgotten with the session");
    }
}
