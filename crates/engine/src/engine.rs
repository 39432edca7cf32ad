//! The engine: caches, and the work of each job.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_film::{Histogram, base_mask};
use glassine_raster::{CancelToken, Plane, Point, Samples16};
use glassine_session::{BalanceChoice, Edit, Frame, FrameId, ScanId, Session};

use crate::cache::ByteCache;
use crate::files::{Run, SaveMode};
use crate::jobs::{Job, JobEvent, JobId};
use crate::layers::DensityDesk;
use crate::overlay::{self, Mark};
use crate::prepare::{Bench, Draft, Search};
use crate::preview::{Source, SourceKey};
use crate::recipe::{Feed, FrameContext, rendering_of, space_of};
use crate::repair::{self, Repair};
use crate::sampled::{SAMPLED_CACHE_BYTES, SampledKey};
use crate::scans::{OpenScan, OverviewData, ScanStore};
use crate::screen::{Screen, scan_rgba};
use crate::shelf::Shelf;
use crate::study::RepairDesk;
use crate::types::{
    ExactCount, MadeSession, NewSessionRequest, PreviewRequest, ScanPicture, SessionAt, ViewKey,
};
use crate::{EngineError, export, files, measured};

/// Bytes of reduced scan parts kept for previews.
const SOURCE_CACHE_BYTES: usize = 256 << 20;

/// The dust of one scan, frame by frame.
#[derive(Debug)]
pub struct DustOfScan {
    /// Scan size: 0 clean, else severity 1 to 255.
    pub severity: Plane<u8>,
    /// Pixels marked.
    pub marked_px: u64,
    /// Connected marks.
    pub objects: u32,
    /// Why a frame was left out, a sentence each.
    pub refusals: Vec<String>,
}

/// Turns sessions into pictures.
#[derive(Debug)]
pub struct Engine {
    pub(crate) scans: ScanStore,
    pub(crate) sources: ByteCache<SourceKey, Source>,
    pub(crate) sampled: ByteCache<SampledKey, Samples16>,
    pub(crate) densities: DensityDesk,
    pub(crate) repairs: RepairDesk,
    pub(crate) run: Arc<Run>,
}

impl Default for Engine {
    fn default() -> Self {
        Self {
            scans: ScanStore::default(),
            sources: ByteCache::new(SOURCE_CACHE_BYTES),
            sampled: ByteCache::new(SAMPLED_CACHE_BYTES),
            densities: DensityDesk::default(),
            repairs: RepairDesk::default(),
            run: Arc::default(),
        }
    }
}

impl Engine {
    /// An engine with empty caches, which keeps overviews only beside sessions.
    pub fn new() -> Self {
        Self::default()
    }

    /// The same, with a folder for overviews of scans whose session has no file yet.
    pub fn with_cache_folder(folder: Option<PathBuf>) -> Self {
        let scans = ScanStore::on(Arc::new(Shelf::with_spare(folder)));
        Self { scans, ..Self::default() }
    }

    /// The same, saving and autosaving as this run of the program.
    #[must_use]
    pub fn in_run(self, run: Arc<Run>) -> Self {
        Self { run, ..self }
    }

    /// The run that this engine saves as.
    pub fn saving_run(&self) -> &Arc<Run> {
        &self.run
    }

    /// The session under work lies here from now on, or has no file: overviews of its scans are kept in
    /// `NAME.session.cache` beside `NAME.session.json`. Jobs that open and save sessions say so themselves.
    pub fn work_beside(&self, session_path: Option<&Path>) {
        self.scans.move_to(session_path);
    }

    /// Wait until overviews that are being kept are on disk. Dropping the engine waits too.
    pub fn settle(&self) {
        self.scans.shelf.settle();
    }

    /// Scans become a session: frames found, base measured, strips solved.
    pub fn new_session(
        &self,
        request: &NewSessionRequest,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32, &str) + Sync),
    ) -> Result<MadeSession, EngineError> {
        let session = Session { title: request.title.clone(), ..Session::default() };
        self.extend_session(session, request, cancel, progress)
    }

    /// The same for a session that has scans already.
    pub fn extend_session(
        &self,
        session: Session,
        request: &NewSessionRequest,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32, &str) + Sync),
    ) -> Result<MadeSession, EngineError> {
        let mut draft = Draft::new(session);
        self.bench(None, cancel, progress).add_scans(&mut draft, request)?;
        Ok(MadeSession { session: draft.session, notices: draft.notices, ..MadeSession::default() })
    }

    fn bench<'a>(
        &'a self,
        folder: Option<&'a Path>,
        cancel: &'a CancelToken,
        progress: &'a (dyn Fn(f32, &str) + Sync),
    ) -> Bench<'a> {
        Bench { scans: &self.scans, folder, cancel, progress }
    }

    pub(crate) fn repair_if_known(&self, context: &FrameContext) -> Option<Arc<Repair>> {
        let key = repair::key_of(context);
        let kept = self.repairs.repairs.get(&key);
        // One too large to be kept is there as long as it is the last one.
        kept.or_else(|| self.repairs.stand_in(&key).filter(|last| last.key() == key))
    }

    /// Make the repair that the picture of a frame lacks.
    pub(crate) fn look_for_dust(
        &self,
        request: &PreviewRequest,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<(), EngineError> {
        let (ViewKey::Print(id) | ViewKey::Frame(id) | ViewKey::Compare(id) | ViewKey::Proof(id, _)) =
            request.key
        else {
            return Ok(());
        };
        let repair = self.repair(&self.context(&request.at, id)?, true, cancel, progress)?;
        self.repairs.show(&repair);
        Ok(())
    }

    /// Repair of a frame, found and filled at the first call.
    pub(crate) fn repair(
        &self,
        context: &FrameContext,
        keep_studies: bool,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<Arc<Repair>, EngineError> {
        let key = repair::key_of(context);
        if let Some(ready) = self.repairs.repairs.get(&key) {
            return Ok(ready);
        }
        let made = Arc::new(repair::make(context, &self.repairs, keep_studies, cancel, progress)?);
        // An export goes from frame to frame and comes back to none.
        if !keep_studies {
            return Ok(made);
        }
        let bytes = made.bytes();
        Ok(self.repairs.repairs.insert(key, made, bytes))
    }

    pub(crate) fn run(
        &self,
        id: JobId,
        job: Job,
        cancel: &CancelToken,
        send: &(dyn Fn(JobEvent) + Sync),
    ) -> Result<JobEvent, EngineError> {
        let progress = |share: f32, what: &str| {
            send(JobEvent::Progress { id, share, detail: what.to_owned() });
        };
        let session_ready = |made: MadeSession| JobEvent::SessionReady { id, made: Box::new(made) };
        match job {
            Job::OpenSession { path } => {
                let made = files::open_to_work(&path, &self.run, cancel)?;
                let session_path = files::without_autosave(&path);
                self.work_beside(Some(session_path.as_path()).filter(|path| path.exists()));
                Ok(session_ready(made))
            }
            Job::NewSession(request) => {
                self.forget();
                self.work_beside(None);
                Ok(session_ready(self.new_session(&request, cancel, &progress)?))
            }
            Job::MakeSession { label: _, maker } => {
                self.forget();
                self.work_beside(None);
                let made = (maker.0)(self, cancel, &progress)?;
                self.work_beside(made.path.as_deref());
                Ok(session_ready(made))
            }
            Job::AddScans { at, request } => {
                self.edits(id, "add scans", at, cancel, &progress, |bench, draft| {
                    bench.add_scans(draft, &request)
                })
            }
            Job::FindFrames { at, scan, film, format_id } => {
                self.edits(id, "find frames", at, cancel, &progress, |bench, draft| {
                    let one_frame_per_file = false;
                    bench.search(draft, scan, &Search { film: Some(film), format_id, one_frame_per_file })
                })
            }
            Job::MeasureBase { at, strip, area } => {
                self.edits(id, "measure film base", at, cancel, &progress, |bench, draft| {
                    bench.measure(draft, strip, area)?;
                    bench.solve(draft, &[strip])
                })
            }
            Job::SolveStrip { at, strip } => {
                self.edits(id, "solve strip", at, cancel, &progress, |bench, draft| {
                    bench.solve(draft, &[strip])
                })
            }
            Job::GreyPoint { .. }
            | Job::MatchFrames { .. }
            | Job::MeasureStock { .. }
            | Job::ApplyStock { .. }
            | Job::SaveStock { .. }
            | Job::LoadStock { .. } => self.run_adjustment(id, job, cancel),
            Job::Overview { at, scan } => {
                if let Some(picture) = self.first_look(&at, scan, cancel)? {
                    send(JobEvent::FirstLookReady { id, picture: Arc::new(picture) });
                }
                let picture =
                    self.scan_picture(&at, scan, cancel, &|share| progress(share, "reading the scan"))?;
                Ok(JobEvent::OverviewReady { id, picture: Arc::new(picture) })
            }
            Job::BaseOverlay { at, scan } => {
                let (picture, pixels) = self.base_overlay(&at, scan, cancel)?;
                Ok(JobEvent::BaseOverlayReady { id, picture: Arc::new(picture), pixels })
            }
            Job::Save { session, path, autosave } => {
                let beside = files::old_autosave_path(&path);
                if autosave {
                    files::autosave_session(&self.run, &session, &beside)?;
                } else {
                    files::save_session(&self.run, &session, &path, SaveMode::Replace, &[beside])?;
                    self.work_beside(Some(&path));
                }
                Ok(JobEvent::Saved { id, session, path, autosave })
            }
            Job::Count { at, frames } => {
                self.count_frames(id, &at, &frames, cancel, send)?;
                Ok(JobEvent::CountDone { id })
            }
            Job::Export(request) => {
                let report = self.export(&request, cancel, &progress)?;
                Ok(JobEvent::Exported { id, report: Box::new(report) })
            }
        }
    }

    /// Close every scan and drop what was made from them.
    pub fn forget(&self) {
        self.scans.clear();
        self.sources.clear();
        self.sampled.clear();
        self.densities.clear();
        self.repairs.clear();
    }

    fn edits(
        &self,
        id: JobId,
        label: &str,
        at: SessionAt,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32, &str) + Sync),
        work: impl FnOnce(&Bench<'_>, &mut Draft) -> Result<(), EngineError>,
    ) -> Result<JobEvent, EngineError> {
        let SessionAt { session, folder } = at;
        let mut draft = Draft::new(session);
        work(&self.bench(folder.as_deref(), cancel, progress), &mut draft)?;
        Ok(JobEvent::Edits { id, label: label.to_owned(), edits: draft.edits, notices: draft.notices })
    }

    /// The overview of a scan as it is, for the strip view.
    pub fn scan_picture(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<ScanPicture, EngineError> {
        let scan_ref = at.session.scan(scan).ok_or_else(no_scan)?;
        let open = self.scans.get(scan_ref, at.folder.as_deref())?;
        let overview = open.overview(cancel, progress)?;
        Ok(shown_as_scanned(scan, &open, &overview, open.display_gain(&overview)))
    }

    /// A coarse picture of a scan within a second or so, kept or from a few of its rows, to be shown until
    /// [`Self::scan_picture`] has the overview; `None` when that is there already or is as quick to make.
    pub fn first_look(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
    ) -> Result<Option<ScanPicture>, EngineError> {
        let scan_ref = at.session.scan(scan).ok_or_else(no_scan)?;
        let open = self.scans.get(scan_ref, at.folder.as_deref())?;
        let seen = open.first_look(cancel)?;
        Ok(seen.map(|seen| shown_as_scanned(scan, &open, &seen, open.gain_of(&seen))))
    }

    /// The session with the balance of every strip locked or free, solved again.
    pub fn with_balance(
        &self,
        at: &SessionAt,
        balance: BalanceChoice,
        cancel: &CancelToken,
    ) -> Result<Session, EngineError> {
        let mut draft = Draft::new(at.session.clone());
        let strips: Vec<_> =
            at.session.strips.iter().filter(|strip| strip.balance != balance).map(|strip| strip.id).collect();
        for strip in strips {
            draft.session = Edit::SetBalance { strip, balance }.apply(&draft.session)?;
            self.bench(at.folder.as_deref(), cancel, &|_, _| {}).solve(&mut draft, &[strip])?;
        }
        Ok(draft.session)
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
        if exact {
            return self.count_every_pixel(at, &context, cancel, &|_| {});
        }
        let overview = context.open.overview(cancel, &|_| {})?;
        let sampling = measured::statistics_sampling(frame, overview.factor);
        let samples = measured::sample_overview(&sampling, &overview);
        let output = &at.session.output;
        let pipeline =
            context.pipeline(None, space_of(&output.space), rendering_of(&output.rendering), Feed::Linear);
        let screen = Screen {
            pipeline: &pipeline,
            samples: &samples,
            colour_channels: context.open.colour_channels(),
            shift: context.shift(&sampling, 0),
            densities: None,
            cancel,
        };
        Ok(screen.count())
    }

    fn count_every_pixel(
        &self,
        at: &SessionAt,
        context: &FrameContext,
        cancel: &CancelToken,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<Histogram, EngineError> {
        let repair = if repair::is_wanted(context) {
            Some(self.repair(context, false, cancel, &|_| {})?)
        } else {
            None
        };
        let repair = repair.as_deref().filter(|repair| repair.found.is_some());
        export::count_exactly(context, &at.session.output, repair, cancel, share)
    }

    /// Count frames one after another; one that can't be counted is told and the others go on.
    fn count_frames(
        &self,
        id: JobId,
        at: &SessionAt,
        frames: &[FrameId],
        cancel: &CancelToken,
        send: &(dyn Fn(JobEvent) + Sync),
    ) -> Result<(), EngineError> {
        let count = frames.len().max(1);
        for (idx, frame) in frames.iter().enumerate() {
            cancel.check()?;
            let detail = if count > 1 { format!("frame {} of {count}", idx + 1) } else { String::new() };
            let share = |part: f32| {
                let share = (idx as f32 + part) / count as f32;
                send(JobEvent::Progress { id, share, detail: detail.clone() });
            };
            let counted = at.session.frame(*frame).ok_or(EngineError::NoFrame(*frame)).and_then(|frame| {
                let context = FrameContext::new(&at.session, frame, at.folder.as_deref(), &self.scans)?;
                self.count_every_pixel(at, &context, cancel, &share)
            });
            let counted = match counted {
                Ok(histogram) => Ok(ExactCount::from(&histogram)),
                Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                Err(error) => Err(error.notice()),
            };
            send(JobEvent::Counted { id, frame: *frame, count: counted });
        }
        Ok(())
    }

    /// Dust maps of all frames of a scan in one plane of its size.
    pub fn dust_of_scan(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
    ) -> Result<DustOfScan, EngineError> {
        let scan_ref = at.session.scan(scan).ok_or_else(no_scan)?;
        let mut dust = DustOfScan {
            severity: Plane::filled(scan_ref.width_px, scan_ref.height_px, 0),
            marked_px: 0,
            objects: 0,
            refusals: Vec::new(),
        };
        for frame in &at.session.frames {
            let context = FrameContext::new(&at.session, frame, at.folder.as_deref(), &self.scans)?;
            if context.scan_ref.id != scan {
                continue;
            }
            let repair = self.repair(&context, false, cancel, &|_| {})?;
            if let Some(refusal) = repair.refusal {
                dust.refusals.push(format!("frame {}: {refusal}", frame.number));
            }
            let Some(found) = &repair.found else { continue };
            dust.objects += found.counts.iter().sum::<u32>();
            let area = frame.image_area.unwrap_or(frame.crop);
            for y in 0..found.map.height() {
                for (x0, x1) in found.map.marked_runs(y, 0, found.map.width()) {
                    for x in x0..x1 {
                        let (px, py) = (found.region.x0 + x, found.region.y0 + y);
                        let center = Point::new(f64::from(px) + 0.5, f64::from(py) + 0.5);
                        let severity = found.map.severity(x, y);
                        if dust.severity.at(px, py) < severity && area.contains(center) {
                            dust.marked_px += u64::from(dust.severity.at(px, py) == 0);
                            dust.severity.set(px, py, severity);
                        }
                    }
                }
            }
        }
        Ok(dust)
    }

    /// Base pixels of every strip on a scan: tinted where they count, clear elsewhere.
    fn base_overlay(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
    ) -> Result<(ScanPicture, u64), EngineError> {
        let scan_ref = at.session.scan(scan).ok_or_else(no_scan)?;
        let open = self.scans.get(scan_ref, at.folder.as_deref())?;
        let overview = open.overview(cancel, &|_| {})?;
        let (width_px, height_px, factor) =
            (overview.samples.width(), overview.samples.height(), overview.factor);
        let mut rgba = vec![0_u8; width_px as usize * height_px as usize * 4];
        let mut pixels = 0;
        for strip in at.session.strips.iter().filter(|strip| strip.scan == scan) {
            let (Some(base), Some(film)) = (&strip.base, &strip.film_area) else { continue };
            let mask = base_mask(&overview.samples, base.density_d, strip.mask_tolerance_d);
            for y in 0..height_px {
                cancel.check()?;
                for x in 0..width_px {
                    let center = |v: u32| (f64::from(v) + 0.5) * f64::from(factor);
                    if mask.at(x, y) != 0 && film.contains(Point::new(center(x), center(y))) {
                        let at = (y as usize * width_px as usize + x as usize) * 4;
                        overlay::paint(&mut rgba[at..at + 4], Mark::Base, x, y);
                        rgba[at + 3] = 200;
                        pixels += 1;
                    }
                }
            }
        }
        Ok((ScanPicture { scan, width_px, height_px, factor, rgba: Arc::new(rgba) }, pixels))
    }
}

fn shown_as_scanned(scan: ScanId, open: &OpenScan, overview: &OverviewData, gain: f32) -> ScanPicture {
    ScanPicture {
        scan,
        width_px: overview.samples.width(),
        height_px: overview.samples.height(),
        factor: overview.factor,
        rgba: Arc::new(scan_rgba(&overview.samples, open.colour_channels(), gain)),
    }
}

fn no_scan() -> EngineError {
    EngineError::told("the scan is not in this session", "open it again")
}
