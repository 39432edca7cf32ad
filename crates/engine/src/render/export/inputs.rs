//! The scans of an export: compared with what the session knows of them while the first frames are made, and required
//! to keep one state until the last frame is written.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use glassine_raster::{CancelToken, RegionSource as _};
use glassine_session::{Fingerprint, Frame, OutputSettings, ScanId, ScanRef};

use crate::colour::PrinterInUse;
use crate::error::{EngineError, Notice, Severity};
use crate::frame::{FrameContext, space_of};
use crate::scans::{FilesState, Prints, ScanFiles, ScanStore, changed_while_read, files_of};
use crate::types::ExportRequest;

/// Result of checking one scan.
#[derive(Debug, Clone)]
enum Verdict {
    /// The file the session was made with, in this state.
    Sound(FilesState),
    Wrong(Notice),
    Stopped,
}

#[derive(Debug, Default)]
struct Verdicts {
    by_scan: BTreeMap<ScanId, Verdict>,
    /// No further verdicts will come.
    is_complete: bool,
}

/// The printers of an export, one place for each kind.
pub(super) type Printers = Vec<Option<Arc<PrinterInUse>>>;

/// Read the profiles of the printers that prints are made for.
pub(super) fn printers_of(request: &ExportRequest) -> Result<Printers, EngineError> {
    let printer = |output: &&OutputSettings| {
        let folder = request.at.folder.as_deref();
        let space = space_of(&output.space);
        output.printer().map(|printer| PrinterInUse::read(printer, space, folder).map(Arc::new)).transpose()
    };
    request.kinds().iter().map(printer).collect()
}

/// The scans that an export reads, and the printers that it is for.
pub(super) struct Inputs<'a> {
    pub(super) printers: Printers,
    store: &'a ScanStore,
    scans: Vec<(Arc<ScanRef>, ScanFiles)>,
    verdicts: Mutex<Verdicts>,
    news: Condvar,
}

impl<'a> Inputs<'a> {
    /// The scans of some frames, in the order in which they are needed; fails if the profile of a printer is missing.
    pub(super) fn of(
        store: &'a ScanStore,
        request: &ExportRequest,
        frames: &[Arc<Frame>],
    ) -> Result<Self, EngineError> {
        let (session, folder) = (&request.at.session, request.at.folder.as_deref());
        let mut seen = BTreeSet::new();
        let scans = frames
            .iter()
            .filter_map(|frame| session.context(frame))
            .filter(|(_, scan)| seen.insert(scan.id))
            .map(|(_, scan)| (Arc::clone(scan), files_of(scan, folder)))
            .collect();
        let printers = printers_of(request)?;
        Ok(Self { printers, store, scans, verdicts: Mutex::default(), news: Condvar::new() })
    }

    fn lock(&self) -> MutexGuard<'_, Verdicts> {
        self.verdicts.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Check every scan in full, unless this process already did and the file has not been written to since.
    pub(super) fn check(&self, cancel: &CancelToken) {
        // Runs on a panic too, so that no thread waits forever.
        let _complete = Complete(self);
        for (scan, files) in &self.scans {
            let verdict = match compare(&self.store.prints, scan, files, cancel) {
                Ok(state) => Verdict::Sound(state),
                Err(EngineError::Cancelled) => Verdict::Stopped,
                Err(error) => Verdict::Wrong(error.notice()),
            };
            self.lock().by_scan.insert(scan.id, verdict);
            self.news.notify_all();
        }
    }

    /// Before work on a frame: fails if its scan is known to differ from the session's.
    pub(super) fn begin(&self, context: &FrameContext) -> Result<(), EngineError> {
        let (scan, open) = (&context.scan_ref, &context.open);
        let (width, height) = (open.width(), open.height());
        if (scan.width_px, scan.height_px) != (width, height) {
            let what = format!(
                "the scan has {width} x {height} px, but the session was made for {} x {} px",
                scan.width_px, scan.height_px
            );
            return Err(not_the_same(&what, open.path()));
        }
        let known = self.lock().by_scan.get(&scan.id).cloned();
        known.map_or(Ok(()), |verdict| self.holds(&verdict, context))
    }

    /// Before a frame gets its name: waits for the check of its scan, and makes sure that the file has not been written
    /// to since the export began.
    pub(super) fn confirm(&self, context: &FrameContext) -> Result<(), EngineError> {
        let scan = context.scan_ref.id;
        let mut verdicts = self.lock();
        let verdict = loop {
            match verdicts.by_scan.get(&scan) {
                Some(verdict) => break verdict.clone(),
                None if verdicts.is_complete => {
                    return Err(EngineError::internal("the check of the scans ended early"));
                }
                None => verdicts = self.news.wait(verdicts).unwrap_or_else(PoisonError::into_inner),
            }
        };
        drop(verdicts);
        self.holds(&verdict, context)
    }

    fn holds(&self, verdict: &Verdict, context: &FrameContext) -> Result<(), EngineError> {
        let open = &context.open;
        match verdict {
            Verdict::Wrong(notice) => Err(EngineError::Permanent(notice.clone())),
            Verdict::Stopped => Err(EngineError::Cancelled),
            Verdict::Sound(state) => {
                let held = if state.is_same_writing(&open.state()) {
                    open.check_unchanged()
                } else {
                    Err(changed_while_read(open.path()))
                };
                held.inspect_err(|_changed| self.store.forget(open))
            }
        }
    }
}

/// On drop, tells waiting threads that no more verdicts will come.
struct Complete<'a>(&'a Inputs<'a>);

impl Drop for Complete<'_> {
    fn drop(&mut self) {
        self.0.lock().is_complete = true;
        self.0.news.notify_all();
    }
}

/// The state of a scan whose files are those the session was made with, as far as the session knows them.
fn compare(
    prints: &Prints,
    scan: &ScanRef,
    files: &ScanFiles,
    cancel: &CancelToken,
) -> Result<FilesState, EngineError> {
    let state = files.state()?;
    for (path, known) in files.paths().zip(scan.fingerprints()) {
        let Some(known) = known else { continue };
        let is_same = match known {
            Fingerprint { blake3: Some(whole), .. } => prints.whole(path, cancel, &|_| {})?.1 == *whole,
            Fingerprint { sampled_blake3: Some(sampled), .. } => prints.sampled(path)?.1 == *sampled,
            Fingerprint { bytes, .. } => *bytes == prints.sampled(path)?.0.bytes(),
        };
        if !is_same {
            return Err(not_the_same("the scan differs from the one that the session was made with", path));
        }
    }
    if files.state()?.is_same_writing(&state) { Ok(state) } else { Err(changed_while_read(&files.scan)) }
}

fn not_the_same(what: &str, path: &Path) -> EngineError {
    let what_to_do = "put the right file back or point the session to it, then export again";
    EngineError::Permanent(Notice::new(Severity::Error, what, what_to_do).about(path))
}
