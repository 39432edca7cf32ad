//! The engine: caches, and the work of each job.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use glassine_film::{BalanceMode, Histogram, base_mask};
use glassine_raster::{CancelToken, Plane, Point, RegionSource as _, Samples16};
use glassine_scanfile::protect::{ProtectedFile, protect};
use glassine_session::{Edit, Frame, ScanId, Session};

use crate::EngineError;
use crate::build::import::{Bench, Draft};
use crate::build::statistics;
use crate::cache::ByteCache;
use crate::dust::analysis::RepairDesk;
use crate::dust::{self, Repair};
use crate::frame::{Feed, FrameContext, rendering_of, space_of};
use crate::jobs::lane_pool::prepare_threads;
use crate::preview::density_cache::DensityDesk;
use crate::preview::overlay::{self, Mark};
use crate::preview::sample_cache::{SAMPLED_CACHE_BYTES, SampledKey};
use crate::preview::screen::{Screen, scan_rgba};
use crate::preview::{Source, SourceKey};
use crate::render::export;
use crate::scans::overview_cache::Shelf;
use crate::scans::{OpenScan, OverviewData, ScanStore, files_of, zeroed};
use crate::session_files::{Run, SavedState};
use crate::types::{
    FoundReading, MadeSession, NewSessionRequest, PreviewRequest, ScanPicture, SessionAt, SessionKey, ViewKey,
};

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
    /// Why frames were left out, one sentence each.
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
    /// Guards that protect the inputs of the session under work.
    held: Mutex<Vec<ProtectedFile>>,
    pub(crate) run: Arc<Run>,
    /// States of the session files written so far, each with the session that wrote it.
    pub(crate) written: Mutex<HashMap<PathBuf, (SessionKey, SavedState)>>,
}

impl Default for Engine {
    fn default() -> Self {
        prepare_threads();
        Self {
            scans: ScanStore::default(),
            sources: ByteCache::new(SOURCE_CACHE_BYTES),
            sampled: ByteCache::new(SAMPLED_CACHE_BYTES),
            densities: DensityDesk::default(),
            repairs: RepairDesk::default(),
            held: Mutex::default(),
            run: Arc::default(),
            written: Mutex::default(),
        }
    }
}

impl Engine {
    /// An engine with empty caches, which keeps overviews only beside sessions.
    pub fn new() -> Self {
        Self::default()
    }

    /// An engine with a folder for overviews of scans whose session has no file yet.
    pub fn with_cache_folder(folder: Option<PathBuf>) -> Self {
        let scans = ScanStore::on(Arc::new(Shelf::with_spare(folder)));
        Self { scans, ..Self::default() }
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
        self.sources.retain(|key| is_kept(key.scan));
        self.sampled.retain(|key| is_kept(key.scan()));
        self.densities.retain(is_kept);
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
        self.scans.shared.shelf.settle();
    }

    /// Make a session from scans: frames found, base measured, strips solved.
    pub fn new_session(
        &self,
        request: &NewSessionRequest,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32, &str) + Sync),
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
        progress: &(dyn Fn(f32, &str) + Sync),
    ) -> Result<MadeSession, EngineError> {
        let mut draft = Draft::new(session);
        self.bench(None, cancel, progress).add_scans(&mut draft, request)?;
        Ok(MadeSession { session: draft.session, notices: draft.notices, ..MadeSession::default() })
    }

    pub(crate) fn bench<'a>(
        &'a self,
        folder: Option<&'a Path>,
        cancel: &'a CancelToken,
        progress: &'a (dyn Fn(f32, &str) + Sync),
    ) -> Bench<'a> {
        Bench { scans: &self.scans, folder, cancel, progress }
    }

    pub(crate) fn repair_if_known(&self, context: &FrameContext) -> Option<Arc<Repair>> {
        let key = dust::key_of(context);
        let kept = self.repairs.repairs.get(&key);
        // A repair too large for the cache is still available while it is the one shown last.
        kept.or_else(|| self.repairs.stand_in(&key).filter(|last| last.key() == key))
    }

    /// Compute the dust repair that the picture of a frame lacks.
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
        let repair = self.repair(&self.context(&request.at, id)?, cancel, progress)?;
        self.repairs.show(&repair);
        Ok(())
    }

    /// Repair of a frame for pictures on screen, computed at the first call.
    fn repair(
        &self,
        context: &FrameContext,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<Arc<Repair>, EngineError> {
        let key = dust::key_of(context);
        if let Some(ready) = self.repairs.repairs.get(&key) {
            return Ok(ready);
        }
        let made = Arc::new(dust::make(context, &self.repairs, true, cancel, progress)?);
        let bytes = made.bytes();
        Ok(self.repairs.repairs.insert(key, made, bytes))
    }

    /// Repair of a frame for counts and exports, cached so that an export reuses those of a count. Its marks may be
    /// missing.
    pub(crate) fn finished_repair(
        &self,
        context: &FrameContext,
        cancel: &CancelToken,
    ) -> Result<Arc<Repair>, EngineError> {
        let key = dust::key_of(context);
        let RepairDesk { repairs, finished, .. } = &self.repairs;
        if let Some(ready) = repairs.get(&key).or_else(|| finished.get(&key)) {
            return Ok(ready);
        }
        let mut made = dust::make(context, &self.repairs, false, cancel, &|_| {})?;
        made.forget_marks();
        let bytes = made.bytes();
        Ok(finished.insert(key, Arc::new(made), bytes))
    }

    /// The overview of a scan, as scanned, for the strip view.
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
        Ok(shown_as_scanned(at.key, scan, &open, &overview, open.display_gain(cancel)?))
    }

    /// A coarse picture of a scan within about a second, from the cache or from a few of its rows, to show until
    /// [`Self::scan_picture`] has the overview; `None` if that is there already or is as quick to make.
    pub fn first_look(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
    ) -> Result<Option<ScanPicture>, EngineError> {
        let scan_ref = at.session.scan(scan).ok_or_else(no_scan)?;
        let open = self.scans.get(scan_ref, at.folder.as_deref())?;
        let seen = open.first_look(cancel)?;
        Ok(seen.map(|seen| shown_as_scanned(at.key, scan, &open, &seen, open.gain_of(&seen))))
    }

    /// The session with the balance of every strip set to locked or free, solved again.
    pub fn with_balance(
        &self,
        at: &SessionAt,
        balance: BalanceMode,
        cancel: &CancelToken,
    ) -> Result<Session, EngineError> {
        let mut draft = Draft::new(at.session.clone());
        let strips: Vec<_> =
            at.session.strips.iter().filter(|strip| strip.balance != balance).map(|strip| strip.id).collect();
        for strip in &strips {
            draft.session = Edit::SetBalance { strip: *strip, balance }.apply(&draft.session)?;
        }
        self.bench(at.folder.as_deref(), cancel, &|_, _| {}).solve_films(&mut draft, &strips)?;
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
        let sampling = statistics::statistics_sampling(frame, overview.factor);
        let samples = statistics::sample_overview(&sampling, &overview);
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

    pub(crate) fn count_every_pixel(
        &self,
        at: &SessionAt,
        context: &FrameContext,
        cancel: &CancelToken,
        share: &(dyn Fn(f32) + Sync),
    ) -> Result<Histogram, EngineError> {
        context.check_box()?;
        let repair =
            if dust::is_wanted(context) { Some(self.finished_repair(context, cancel)?) } else { None };
        let repair = repair.as_deref().filter(|repair| repair.found.is_some());
        export::count_exactly(context, &at.session.output, repair, cancel, share)
    }

    /// Dust maps of all frames of a scan in one plane of its size.
    pub fn dust_of_scan(
        &self,
        at: &SessionAt,
        scan: ScanId,
        cancel: &CancelToken,
    ) -> Result<DustOfScan, EngineError> {
        let scan_ref = at.session.scan(scan).ok_or_else(no_scan)?;
        // The size comes from the file, because the session may state any size.
        let open = self.scans.get(scan_ref, at.folder.as_deref())?;
        let (width, height) = (open.width(), open.height());
        let severity = zeroed(u64::from(width) * u64::from(height), "a dust map")?;
        let severity = Plane::from_vec(width, height, severity)
            .ok_or_else(|| EngineError::fault("a dust map was made in another size than asked"))?;
        let mut dust = DustOfScan { severity, marked_px: 0, objects: 0, refusals: Vec::new() };
        for frame in &at.session.frames {
            let context = FrameContext::new(&at.session, frame, at.folder.as_deref(), &self.scans)?;
            if context.scan_ref.id != scan {
                continue;
            }
            if let Err(error) = context.check_box() {
                dust.refusals.push(error.notice().headline);
                continue;
            }
            let repair = match self.repairs.repairs.get(&dust::key_of(&context)) {
                Some(ready) => ready,
                None => Arc::new(dust::make(&context, &self.repairs, false, cancel, &|_| {})?),
            };
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
    pub(crate) fn base_overlay(
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
        let mut rgba = zeroed::<u8>(u64::from(width_px) * u64::from(height_px) * 4, "a picture")?;
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
        let rgba = Arc::new(rgba);
        let reading = FoundReading::of(open.info());
        Ok((ScanPicture { session: at.key, scan, width_px, height_px, factor, rgba, reading }, pixels))
    }
}

fn shown_as_scanned(
    session: SessionKey,
    scan: ScanId,
    open: &OpenScan,
    overview: &OverviewData,
    gain: f32,
) -> ScanPicture {
    ScanPicture {
        session,
        scan,
        width_px: overview.samples.width(),
        height_px: overview.samples.height(),
        factor: overview.factor,
        rgba: Arc::new(scan_rgba(&overview.samples, open.colour_channels(), gain)),
        reading: FoundReading::of(open.info()),
    }
}

fn no_scan() -> EngineError {
    EngineError::told("the scan is not in this session", "open it again")
}
