//! The engine: scans, caches, and the public way to everything that is done with them.

mod adjustments;
mod carry_out;
mod joining;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use glassine_film::{BalanceMode, Histogram, Stock};
use glassine_raster::{CancelToken, PixelRect};
use glassine_scancheck::Report;
use glassine_scanfile::protect::{ProtectedFile, protect};
use glassine_session::{
    Edit, EncodingChoice, Fingerprint, Frame, FrameId, ScanId, ScanRef, Session, StripId,
};
use glassine_sharpness::{EdgeReport, SharpeningEffect};

use crate::build::adjust::{BalanceHints, ChartPlace, StockReport, StockTarget};
use crate::build::context::{AnalysisContext, EditBuilder, Progress};
use crate::build::reread::Reread;
use crate::build::statistics;
use crate::contact_sheet::{PlannedSheet, pages_there};
use crate::dust::repair_cache::RepairCache;
use crate::dust::{DustOfScan, dust_of_scan};
use crate::error::{EngineError, Notice};
use crate::focus::{FocusReport, FocusRequest};
use crate::frame::{FrameContext, InputCodes, rendering_of, sfr_of, space_of};
use crate::preview::Previews;
use crate::preview::renderer::PreviewRenderer;
use crate::preview::scan_pictures::shown_as_scanned;
use crate::render;
use crate::render::export::{
    ExportProgress, Exporter, SmallPictures, add_sheet, is_own_sheet, make_folder_of, measured,
};
use crate::scans::checks::{CheckDepth, ScanCheck};
use crate::scans::overview_cache::OverviewCache;
use crate::scans::relink::Relinked;
use crate::scans::{ScanStore, files_of};
use crate::session_files::{MadeSession, Run, SavedState};
use crate::threads::prepare_threads;
use crate::types::{
    ArchiveReport, ArchiveRequest, ContactSheetReport, ContactSheetRequest, ExportReport, ExportRequest,
    FolderCheck, NewSessionRequest, PlannedFile, ScanPicture, ScanReading, SessionAt, SessionKey,
    SharpenSuggestion, UnitRect,
};

/// Turns sessions into pictures.
#[derive(Debug)]
pub struct Engine {
    scans: Arc<ScanStore>,
    repairs: Arc<RepairCache>,
    previews: Previews,
    /// Guards that protect the inputs of the session under work.
    held: Mutex<Vec<ProtectedFile>>,
    run: Arc<Run>,
    /// States of the session files written so far, each with the session that wrote it.
    written: Mutex<HashMap<PathBuf, (SessionKey, SavedState)>>,
}

impl Default for Engine {
    fn default() -> Self {
        Self::on(ScanStore::default())
    }
}

impl Engine {
    /// An engine with empty caches, which keeps overviews only beside sessions.
    pub fn new() -> Self {
        Self::default()
    }

    /// An engine with a folder for overviews of scans whose session has no file yet.
    pub fn with_cache_folder(folder: Option<PathBuf>) -> Self {
        Self::on(ScanStore::on(Arc::new(OverviewCache::with_fallback(folder))))
    }

    fn on(scans: ScanStore) -> Self {
        prepare_threads();
        let (scans, repairs) = (Arc::new(scans), Arc::<RepairCache>::default());
        let previews = Previews::new(Arc::clone(&scans), Arc::clone(&repairs));
        Self {
            scans,
            repairs,
            previews,
            held: Mutex::default(),
            run: Arc::default(),
            written: Mutex::default(),
        }
    }

    /// The same engine, saving and autosaving as this run of the program.
    #[must_use]
    pub fn in_run(self, run: Arc<Run>) -> Self {
        Self { run, ..self }
    }

    /// The run under whose name this engine saves.
    pub fn saving_run(&self) -> &Arc<Run> {
        &self.run
    }

    /// Set the file of the session under work, if it has one: overviews of its scans are kept in `NAME.session.cache`
    /// beside `NAME.session.json`. Jobs that open and save sessions call this themselves.
    pub fn work_beside(&self, session_path: Option<&Path>) {
        self.scans.move_to(session_path);
    }

    /// Make this the session under work: protects its scans and infrared files, open or not, closes the scans of any
    /// other session and drops everything made from them. A scan that is in both stays open if its file is unchanged.
    ///
    /// Call it again when scans are added or moved.
    pub fn hold_session(&self, session: &Session, folder: Option<&Path>) {
        let files = session.scans.iter().map(|scan| files_of(scan, folder));
        let held = files.flat_map(|files| files.paths().map(protect).collect::<Vec<_>>()).collect();
        // The new session is protected before the guards of the previous one are dropped.
        *self.held.lock().unwrap_or_else(PoisonError::into_inner) = held;
        let kept = self.scans.keep_only(&session.scans, folder);
        let is_kept = |scan| kept.contains(&scan);
        self.previews.retain(is_kept);
        self.repairs.retain(is_kept);
    }

    /// Close every scan and drop what was made from them.
    pub fn forget(&self) {
        self.hold_session(&Session::default(), None);
    }

    /// Scans whose files changed while pictures were made from them, since the last call.
    pub fn take_changed_scans(&self) -> Vec<PathBuf> {
        self.scans.take_changed()
    }

    /// Wait until pending overviews are on disk. Dropping the engine waits too.
    pub fn settle(&self) {
        self.scans.shared.cache.settle();
    }

    fn analysis<'a>(
        &'a self,
        folder: Option<&'a Path>,
        cancel: &'a CancelToken,
        progress: Progress<'a>,
    ) -> AnalysisContext<'a> {
        AnalysisContext { scans: &self.scans, folder, cancel, progress }
    }

    fn quiet_analysis<'a>(&'a self, at: &'a SessionAt, cancel: &'a CancelToken) -> AnalysisContext<'a> {
        self.analysis(at.folder.as_deref(), cancel, &|_, _| {})
    }

    fn exporter(&self) -> Exporter<'_> {
        Exporter { scans: &self.scans, repairs: &self.repairs }
    }

    /// Make a session from scans: frames found, base measured, strips solved.
    pub fn new_session(
        &self,
        request: &NewSessionRequest,
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<MadeSession, EngineError> {
        let session = Session { title: request.title.clone(), ..Session::default() };
        self.extend_session(session, request, cancel, progress)
    }

    /// Like [`Self::new_session`], for a session that already has scans.
    pub fn extend_session(
        &self,
        session: Session,
        request: &NewSessionRequest,
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<MadeSession, EngineError> {
        let mut builder = EditBuilder::new(session);
        self.analysis(None, cancel, progress).add_scans(&mut builder, request)?;
        Ok(MadeSession { session: builder.session, notices: builder.notices, ..MadeSession::default() })
    }

    /// The overview of a scan, as scanned, for the strip view.
    pub fn scan_picture(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<ScanPicture, EngineError> {
        let scan_ref = at.session.scan(scan).ok_or_else(EngineError::no_scan)?;
        let open = self.scans.get(scan_ref, at.folder.as_deref())?;
        let overview = open.overview(cancel, progress)?;
        Ok(shown_as_scanned(at.key, scan, &open, &overview, open.display_gain(cancel)?))
    }

    /// A coarse picture of a scan within about a second, from the cache or from a few of its rows, to show until
    /// [`Self::scan_picture`] has the overview; `None` if that is there already or is as quick to make.
    pub fn coarse_overview(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
    ) -> Result<Option<ScanPicture>, EngineError> {
        let scan_ref = at.session.scan(scan).ok_or_else(EngineError::no_scan)?;
        let open = self.scans.get(scan_ref, at.folder.as_deref())?;
        let seen = open.coarse_overview(cancel)?;
        Ok(seen.map(|seen| shown_as_scanned(at.key, scan, &open, &seen, open.gain_of(&seen))))
    }

    /// The session with the balance of every strip set to locked or free, solved again.
    pub fn with_balance(
        &self,
        at: &SessionAt,
        balance: BalanceMode,
        cancel: &CancelToken,
    ) -> Result<Session, EngineError> {
        self.quiet_analysis(at, cancel).with_balance(&at.session, balance)
    }

    /// Edits that solve some strips again, those of one film together, using what the user says about their frames. If
    /// `balance` is given, that mode is set first.
    pub fn solve_strips(
        &self,
        at: &SessionAt,
        strips: &[StripId],
        balance: Option<BalanceMode>,
        hints: &BalanceHints,
        cancel: &CancelToken,
    ) -> Result<Vec<Edit>, EngineError> {
        self.quiet_analysis(at, cancel).solve_strips(&at.session, strips, balance, hints)
    }

    /// Fit a stock to a chart or wedge on a frame.
    pub fn measure_stock(
        &self,
        at: &SessionAt,
        frame: FrameId,
        place: &ChartPlace,
        target: &StockTarget,
        name: &str,
        cancel: &CancelToken,
    ) -> Result<StockReport, EngineError> {
        self.quiet_analysis(at, cancel).measure_stock(&at.session, frame, place, target, name)
    }

    /// Edits that keep a stock with the session, assign it to strips of its kind, and solve them again.
    pub fn apply_stock(
        &self,
        at: &SessionAt,
        stock: &Stock,
        strips: &[StripId],
        cancel: &CancelToken,
    ) -> Result<Vec<Edit>, EngineError> {
        self.quiet_analysis(at, cancel).apply_stock(&at.session, stock, strips)
    }

    /// Read scans of a session as these entries say, and redo film bases and solves.
    ///
    /// Typed film bases stay, and drawn ones are measured in their boxes. Strips that were solved together are solved
    /// together again. Fails if a picture has another size than the one the boxes were drawn for.
    pub fn reread(
        &self,
        at: &SessionAt,
        scans: &[ScanRef],
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<Reread, EngineError> {
        self.analysis(at.folder.as_deref(), cancel, progress).reread(&at.session, scans)
    }

    /// Compare the scans of a session with what it knows of them: size in pixels, planes, length and hashes. Unknown
    /// fingerprints are computed and returned, so that the caller can record them.
    ///
    /// Fails only when cancelled; an unreadable scan is one of the results.
    pub fn check_scans(
        &self,
        at: &SessionAt,
        depth: CheckDepth,
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<Vec<ScanCheck>, EngineError> {
        self.scans.check_scans(at, depth, cancel, progress)
    }

    /// Length and both hashes of a file; the hashes are cached until the file changes.
    pub fn fingerprint(
        &self,
        path: &Path,
        cancel: &CancelToken,
        progress: &dyn Fn(u64),
    ) -> Result<Fingerprint, EngineError> {
        self.scans.print(path, CheckDepth::Full, cancel, progress)
    }

    /// Find missing or changed scans of a session in some folders and their subfolders.
    ///
    /// A scan is recognised by its content: length, then a hash of samples, then the hash of every byte, as far as the
    /// session knows them. Without any hash its name, size in pixels and planes must agree. Of several copies, the one
    /// with the same name is taken, then the first by path.
    pub fn relink(
        &self,
        at: &SessionAt,
        folders: &[PathBuf],
        cancel: &CancelToken,
    ) -> Result<Vec<Relinked>, EngineError> {
        self.scans.relink(at, folders, cancel)
    }

    /// Clip counts and histogram of one frame in the session's output coding.
    ///
    /// `exact` counts every pixel of the export; otherwise the overview is counted, which takes milliseconds.
    pub fn count(
        &self,
        at: &SessionAt,
        frame: &Arc<Frame>,
        exact: bool,
        cancel: &CancelToken,
    ) -> Result<Histogram, EngineError> {
        let context = FrameContext::new(&at.session, frame, at.folder.as_deref(), &self.scans)?;
        let output = &at.session.output;
        if exact {
            return self.exporter().count_every_pixel(output, &context, cancel, &|_| {});
        }
        let overview = context.open.overview(cancel, &|_| {})?;
        let sampling = statistics::statistics_sampling(frame, overview.factor);
        let samples = statistics::sample_overview(&sampling, &overview);
        let (space, rendering) = (space_of(&output.space), rendering_of(&output.rendering));
        let pipeline = context.pipeline(None, space, rendering, InputCodes::Linear);
        Ok(PreviewRenderer::new(&pipeline, &samples, &context, &sampling, cancel).count())
    }

    /// A session of scans alone: only their headers are read.
    pub fn only_scans(
        &self,
        files: &[PathBuf],
        encoding: EncodingChoice,
        cancel: &CancelToken,
    ) -> Result<(SessionAt, Vec<Notice>), EngineError> {
        let reading = ScanReading { encoding, ..ScanReading::default() };
        let request = NewSessionRequest { scans: files.to_vec(), reading, ..NewSessionRequest::default() };
        let mut builder = EditBuilder::new(Session::default());
        self.quiet_analysis(&SessionAt::new(Session::default(), None), cancel)
            .open_scans(&mut builder, &request)?;
        Ok((SessionAt::new(builder.session, None), builder.notices))
    }

    /// Response of every channel of a scan at the slanted edge in a part of it.
    pub fn sfr(
        &self,
        at: &SessionAt,
        scan: ScanId,
        area: Option<PixelRect>,
        cancel: &CancelToken,
    ) -> Result<EdgeReport, EngineError> {
        sfr_of(at, scan, area, &self.scans, cancel)
    }

    /// Compare scans of the same film at several holder heights. Those that can't be compared are named in the report.
    pub fn compare_focus(
        &self,
        request: &FocusRequest,
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<FocusReport, EngineError> {
        self.analysis(None, cancel, progress).compare_focus(request)
    }

    /// What is wrong with a scan file, measured; nothing is kept. Film kind, format and reading come from the request.
    pub fn check_file(
        &self,
        path: &Path,
        request: &NewSessionRequest,
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<Report, EngineError> {
        self.analysis(None, cancel, progress).check_file(path, request)
    }

    /// What is wrong with a scan of a session, measured with its film and frames as they are.
    pub fn check_scan(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<Report, EngineError> {
        let scan = at.session.scan(scan).ok_or_else(EngineError::no_scan)?;
        self.analysis(at.folder.as_deref(), cancel, progress).check_of_session(&at.session, scan)
    }

    /// Sharpening that suits the blur and the grain of a frame, in the session's output coding.
    pub fn suggest_sharpening(
        &self,
        at: &SessionAt,
        frame: FrameId,
        cancel: &CancelToken,
    ) -> Result<SharpenSuggestion, EngineError> {
        let frame = at.session.frame(frame).ok_or(EngineError::NoFrame(frame))?;
        let context = FrameContext::new(&at.session, frame, at.folder.as_deref(), &self.scans)?;
        let found = measured::blur_and_grain(&at.session.output, &context, None, cancel)?;
        Ok(SharpenSuggestion::of(&found))
    }

    /// What the sharpening of a frame does to a part of its upright picture at full size: halo, noise and sharpness,
    /// measured. `None` if it is not sharpened, or the part shows neither edges nor flat areas.
    pub fn sharpening_effect(
        &self,
        at: &SessionAt,
        frame: FrameId,
        region: UnitRect,
        cancel: &CancelToken,
    ) -> Result<Option<SharpeningEffect>, EngineError> {
        let frame = at.session.frame(frame).ok_or(EngineError::NoFrame(frame))?;
        let Some(sharpening) = render::sharpening(&frame.look, 1.0) else { return Ok(None) };
        let context = FrameContext::new(&at.session, frame, at.folder.as_deref(), &self.scans)?;
        measured::effect(&at.session.output, &context, sharpening, region, cancel)
    }

    /// Dust maps of all frames of a scan in one plane of its size.
    pub fn dust_of_scan(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
    ) -> Result<DustOfScan, EngineError> {
        dust_of_scan((&self.scans, &self.repairs), at, scan, cancel)
    }

    /// Export many frames, in one kind or several, and a contact sheet of them if one is asked for. A frame that fails is
    /// named in the report, and the export continues with the others.
    pub fn export(
        &self,
        request: &ExportRequest,
        cancel: &CancelToken,
        progress: ExportProgress<'_>,
    ) -> Result<ExportReport, EngineError> {
        /// Part of the work after the frames.
        const SHEET_SHARE: f32 = 0.02;
        let wanted = request.sheet.as_deref().map(|sheet| ContactSheetRequest {
            replace: sheet.replace
                || (request.update && is_own_sheet(&request.folder, &pages_there(&sheet.path))),
            ..sheet.clone()
        });
        if let Some(sheet) = wanted.as_ref().filter(|sheet| sheet.path.starts_with(&request.folder)) {
            make_folder_of(&sheet.path)?;
        }
        let sheet = wanted.as_ref().map(PlannedSheet::new).transpose()?;
        if let Some(sheet) = &sheet {
            self.exporter().refuse_names(request, &sheet.paths())?;
        }
        let small = SmallPictures::wanted(sheet.as_ref().map(PlannedSheet::sides_px).unwrap_or_default());
        let of_frames = if sheet.is_some() { 1.0 - SHEET_SHARE } else { 1.0 };
        let share = |done: f32, what: &str| progress(of_frames * done, what);
        let mut report = self.exporter().export(request, &small, cancel, &share)?;
        if let (Some(sheet), false) = (sheet, report.cancelled) {
            let share = |done: f32, what: &str| progress(of_frames + SHEET_SHARE * done, what);
            match sheet.write(&self.previews, &small, cancel, &share) {
                Ok(sheet) => {
                    for path in sheet.written.iter().filter(|_| request.update) {
                        let added = add_sheet(&request.folder, path);
                        report.notices.extend(added.err().map(|error| error.notice()));
                    }
                    report.sheet = Some(sheet);
                }
                Err(EngineError::Cancelled) => report.cancelled = true,
                // The frames are written.
                Err(error) => report.notices.push(error.notice()),
            }
        }
        progress(1.0, "done");
        Ok(report)
    }

    /// What an export would do with each of its files; nothing is written.
    pub fn plan_export(&self, request: &ExportRequest) -> Result<Vec<PlannedFile>, EngineError> {
        self.exporter().plan(request)
    }

    /// Write a package of a session for safekeeping.
    pub fn archive(
        &self,
        request: &ArchiveRequest,
        cancel: &CancelToken,
        progress: ExportProgress<'_>,
    ) -> Result<ArchiveReport, EngineError> {
        crate::archive::write(&self.exporter(), request, cancel, progress)
    }

    /// Compare a package with its checksums; every file is read.
    pub fn check_archive(&self, folder: &Path, cancel: &CancelToken) -> Result<FolderCheck, EngineError> {
        crate::archive::check(folder, cancel)
    }

    /// Write the contact sheet of a session.
    pub fn contact_sheet(
        &self,
        request: &ContactSheetRequest,
        cancel: &CancelToken,
        progress: Progress<'_>,
    ) -> Result<ContactSheetReport, EngineError> {
        PlannedSheet::new(request)?.write(&self.previews, &SmallPictures::default(), cancel, progress)
    }
}
