//! A worker without pixels or files: sessions are in memory, and every result says which session it was made from.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use glassine_engine::jobs::{Job, JobEdits, JobEventKind, SaveOver};
use glassine_engine::session_files::{Conflict, Saved, SavedState};
use glassine_engine::{
    EngineError, ExactCount, FoundReading, MadeSession, Notice, Preview, PreviewRequest, RepairKey,
    ScanPicture, SendEvent, SessionAt, SessionKey, Severity, ViewKey, Worker,
};
use glassine_film::{FilmKind, Param, default_stock};
use glassine_raster::{CancelToken, TiltedBox};
use glassine_session::file::FileStamp;
use glassine_session::{
    Edit, Fingerprint, FoundStripEdit, NewFrame, ScanId, ScanRef, Session, StripId, StripSolve,
};
use glassine_testdata::random::SplitMix64;

/// The session a name belongs to: `2` of `/files/2-7.session.json` and of `/scans/2-1.tif`.
pub(crate) fn family(path: &Path) -> String {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    name.split('-').next().unwrap_or_default().to_owned()
}

/// Content of the simulated disk, and a record of what the worker did.
#[derive(Debug)]
pub(crate) struct Disk {
    pub(crate) dice: SplitMix64,
    pub(crate) files: BTreeMap<PathBuf, Session>,
    /// The save that wrote each file, and the session it came from.
    states: BTreeMap<PathBuf, (SessionKey, SavedState)>,
    pub(crate) autosaves: BTreeMap<PathBuf, Session>,
    /// Ancestors of each mark. Every opening of a session gets its own mark, kept in the notes.
    pub(crate) ancestors: BTreeMap<String, BTreeSet<String>>,
    /// Whether nothing fails any more.
    pub(crate) is_calm: bool,
    /// Whether nothing that the views show can be read.
    pub(crate) breaks_down: bool,
    /// Number of writes of session files.
    pub(crate) saves: u32,
    marks: u32,
}

impl Disk {
    fn new_mark(&mut self, from: &str) -> String {
        self.marks += 1;
        let mark = format!("m{}", self.marks);
        let mut ancestors = self.ancestors.get(from).cloned().unwrap_or_default();
        ancestors.insert(mark.clone());
        self.ancestors.insert(mark.clone(), ancestors);
        mark
    }

    /// Fails at random.
    fn fails(&mut self, what: &str) -> Result<(), EngineError> {
        if self.breaks_down {
            let notice = Notice::new(Severity::Error, "the disk is not connected", "connect it");
            return Err(EngineError::Transient(notice));
        }
        if self.is_calm || !self.dice.one_in(8) {
            return Ok(());
        }
        let notice = Notice::new(Severity::Error, format!("{what} failed"), "try again");
        Err(if self.dice.one_in(3) { EngineError::Permanent(notice) } else { EngineError::Transient(notice) })
    }
}

/// Does every job at once, with invented results.
#[derive(Debug)]
pub(crate) struct World(Mutex<Disk>);

impl World {
    pub(crate) fn new(seed: u64) -> Self {
        Self(Mutex::new(Disk {
            dice: SplitMix64::new(seed),
            files: BTreeMap::new(),
            states: BTreeMap::new(),
            autosaves: BTreeMap::new(),
            ancestors: BTreeMap::new(),
            is_calm: false,
            breaks_down: false,
            saves: 0,
            marks: 0,
        }))
    }

    pub(crate) fn disk(&self) -> MutexGuard<'_, Disk> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A session of a family with frames on its scans.
    pub(crate) fn made(&self, name: &str) -> Session {
        let mut disk = self.disk();
        let notes = disk.new_mark("");
        let session = Session { title: name.to_owned(), notes, ..Session::default() };
        let scans =
            (0..2).map(|number| scan_ref(Path::new(&format!("/scans/{name}-{number}.tif")))).collect();
        let mut session = applied(session, &Edit::AddScans(scans));
        for scan in session.scans.iter().map(|scan| scan.id).collect::<Vec<_>>() {
            for edit in found(&session, scan, 2, "made") {
                session = applied(session, &edit);
            }
        }
        session
    }
}

fn applied(session: Session, edit: &Edit) -> Session {
    edit.apply(&session).expect("the edit fits the session it is made of")
}

fn scan_ref(path: &Path) -> ScanRef {
    ScanRef {
        path: path.to_owned(),
        width_px: 4000,
        height_px: 600,
        planes: vec!["red".to_owned(), "green".to_owned(), "blue".to_owned()],
        ..ScanRef::default()
    }
}

fn solve(mark: &str) -> StripSolve {
    StripSolve {
        gamma_ratio: [1.0; 3],
        toe_ratio: [1.0; 3],
        colour_strength: 1.0,
        neutral_log: [0.0; 3],
        confidence: 1.0,
        provenance: mark.to_owned(),
    }
}

/// Edits that put frames on a scan and solve them, as the search does: later ones name ids that earlier ones give.
fn found(session: &Session, scan: ScanId, frames: usize, mark: &str) -> Vec<Edit> {
    let frame = |idx: usize| {
        let left = 100.0 + 700.0 * idx as f64;
        let crop = TiltedBox::from_edges(left, 100.0, left + 600.0, 500.0);
        NewFrame { image_area: Some(crop), reason: "four clear edges".to_owned(), ..NewFrame::in_box(crop) }
    };
    let film = FilmKind::ColourNegative;
    let strip = FoundStripEdit {
        film_area: Some(TiltedBox::from_edges(0.0, 0.0, 4000.0, 600.0)),
        frames: (0..frames).map(frame).collect(),
        ..FoundStripEdit::default()
    };
    let replace = Edit::ReplaceStrips {
        scan,
        film,
        stock_id: default_stock(film).id.clone(),
        strips: vec![strip],
        keep: Vec::new(),
    };
    let after = applied(session.clone(), &replace);
    let strip = after.strips.iter().find(|strip| strip.scan == scan).expect("it was just put there").id;
    vec![replace, solved(strip, mark)]
}

fn solved(strip: StripId, mark: &str) -> Edit {
    Edit::ApplySolve { strip, solve: solve(mark), frames: Vec::new() }
}

fn opened(disk: &mut Disk, path: PathBuf) -> Result<MadeSession, EngineError> {
    let Some(mut session) = disk.files.get(&path).cloned() else {
        return Err(EngineError::Permanent(Notice::new(Severity::Error, "no such file", "choose another")));
    };
    session.notes = disk.new_mark(&session.notes);
    let saved = disk.states.get(&path).map(|(_, state)| state.clone());
    Ok(MadeSession { session, path: Some(path), saved, ..MadeSession::default() })
}

impl Worker for World {
    fn run(
        &self,
        at: &SessionAt,
        job: Job,
        cancel: &CancelToken,
        send: SendEvent<'_>,
    ) -> Result<(), EngineError> {
        cancel.check()?;
        let mut disk = self.disk();
        let mark = format!("{} {}", at.session.notes, disk.dice.next_u64());
        disk.fails("the job")?;
        let edits = |label: &str, edits: Vec<Edit>| {
            let (label, base) = (label.to_owned(), at.session.clone());
            send(JobEventKind::Edits(Box::new(JobEdits { label, base, edits, notices: Vec::new() })));
        };
        match job {
            Job::OpenSession { path } => send(JobEventKind::SessionReady(Box::new(opened(&mut disk, path)?))),
            Job::OpenScans(request) => {
                let notes = disk.new_mark("");
                let title = request.scans.first().map(|path| family(path)).unwrap_or_default();
                let session = Session { title, notes, ..Session::default() };
                let scans = request.scans.iter().map(|path| scan_ref(path)).collect();
                let session = applied(session, &Edit::AddScans(scans));
                let made = MadeSession { session, ..MadeSession::default() };
                send(JobEventKind::SessionReady(Box::new(made)));
            }
            Job::AddScans(request) => {
                edits(
                    "add scans",
                    vec![Edit::AddScans(request.scans.iter().map(|path| scan_ref(path)).collect())],
                );
            }
            Job::FindOnScans { scans, request: _ } => {
                for scan in scans.into_iter().filter(|scan| at.session.scan(*scan).is_some()) {
                    let frames = disk.dice.below(4);
                    edits("find", found(&at.session, scan, frames, &mark));
                }
            }
            Job::FindFrames { scan, .. } => {
                let frames = disk.dice.below(4);
                edits("find again", found(&at.session, scan, frames, &mark));
            }
            Job::SolveStrip { strip, .. } | Job::MeasureBase { strip, .. } => {
                edits("solve", vec![solved(strip, &mark)]);
            }
            Job::SolveFilms { strips } => {
                edits("solve roll", strips.into_iter().map(|strip| solved(strip, &mark)).collect());
            }
            Job::SolveTogether { scans, .. } => {
                let strips = at.session.strips.iter().filter(|strip| scans.contains(&strip.scan));
                edits("solve together", strips.map(|strip| solved(strip.id, &mark)).collect());
            }
            Job::HashScans { scans } => {
                for scan in scans.iter().filter_map(|id| at.session.scan(*id)) {
                    let print =
                        Fingerprint { bytes: 1, blake3: Some("00".to_owned()), ..Fingerprint::default() };
                    send(JobEventKind::Hashed { scan: scan.id, path: scan.path.clone(), print: Ok(print) });
                }
            }
            Job::Overview { scan } => {
                send(JobEventKind::CoarseOverviewReady(overview(at, scan)));
                disk.fails("the overview")?;
                send(JobEventKind::OverviewReady(overview(at, scan)));
            }
            Job::MarkScan { scan, marks } => {
                send(JobEventKind::ScanMarked { marks, picture: overview(at, scan), pixels: 1 });
            }
            Job::Save { path, over, autosaves } => save(&mut disk, at, path, &over, &autosaves, send),
            Job::Autosave { path } => {
                disk.autosaves.insert(path, at.session.clone());
                send(JobEventKind::Autosaved { session: Box::new(at.session.clone()) });
            }
            Job::DiscardAutosaves(paths) => paths.iter().for_each(|path| drop(disk.autosaves.remove(path))),
            Job::Export(_) => send(JobEventKind::Exported(Box::default())),
            Job::Count { frames } => {
                for frame in frames {
                    let count = ExactCount { clip_low: [0.0; 3], clip_high: [0.0; 3], pixels: 1 };
                    send(JobEventKind::Counted { frame, count: Ok(count) });
                }
            }
            _ => {}
        }
        Ok(())
    }

    fn preview(
        &self,
        request: &PreviewRequest,
        cancel: &CancelToken,
        ready: &dyn Fn(Preview),
    ) -> Result<Option<RepairKey>, EngineError> {
        let mut disk = self.disk();
        // The maker of a cancelled picture may already have finished it when it checks.
        if disk.dice.one_in(2) {
            cancel.check()?;
        }
        disk.fails("the picture")?;
        let lacks_repair = disk.dice.one_in(4);
        if disk.dice.one_in(4) {
            ready(Preview { is_coarse: true, ..picture(request) });
        }
        ready(Preview { lacks_repair, ..picture(request) });
        Ok(lacks_repair.then(|| RepairKey::numbered(disk.dice.next_u64() % 3)))
    }

    fn look_for_dust(
        &self,
        _: &PreviewRequest,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<(), EngineError> {
        progress(0.5);
        let mut disk = self.disk();
        if disk.dice.one_in(2) {
            cancel.check()?;
        }
        disk.fails("the look for dust")
    }

    fn look_ahead(&self, _: &PreviewRequest, _: (f64, f64), _: &CancelToken) -> Result<(), EngineError> {
        Ok(())
    }
}

fn save(
    disk: &mut Disk,
    at: &SessionAt,
    path: PathBuf,
    over: &SaveOver,
    autosaves: &[PathBuf],
    send: SendEvent<'_>,
) {
    let there = disk.states.get(&path);
    let is_own = there.is_some_and(|(key, _)| *key == at.key);
    let is_known = match over {
        SaveOver::Opened(opened) => is_own || there.map(|(_, state)| state) == opened.as_ref(),
        SaveOver::Chosen | SaveOver::Theirs => true,
    };
    if !is_known {
        let conflict = Conflict { path, headline: "changed".to_owned(), differences: Vec::new() };
        return send(JobEventKind::SaveConflict(Box::new(conflict)));
    }
    disk.saves += 1;
    let stamp = FileStamp { generation: u64::from(disk.saves), run: "run".to_owned() };
    let state = SavedState { stamp, blake3: [0; 32] };
    disk.files.insert(path.clone(), at.session.clone());
    disk.states.insert(path.clone(), (at.key, state.clone()));
    autosaves.iter().for_each(|path| drop(disk.autosaves.remove(path)));
    let saved = Box::new(Saved { path, state, kept: None, notices: Vec::new() });
    send(JobEventKind::Saved { session: Box::new(at.session.clone()), saved, access: None });
}

fn overview(at: &SessionAt, scan: ScanId) -> Arc<ScanPicture> {
    let rgba = Arc::new(vec![0; 4]);
    Arc::new(ScanPicture {
        session: at.key,
        scan,
        width_px: 1,
        height_px: 1,
        factor: 1,
        rgba,
        reading: FoundReading::default(),
    })
}

/// A picture whose share of overlaid pixels tells its exposure.
fn picture(request: &PreviewRequest) -> Preview {
    let exposure = match request.key {
        ViewKey::Print(id) | ViewKey::Frame(id) | ViewKey::Compare(id) | ViewKey::Proof(id, _) => {
            request.at.session.frame(id).map_or(0.0, |frame| frame.look.get(Param::ExposureStops))
        }
        ViewKey::ScanRegion(_) => 0.0,
    };
    Preview {
        session: request.at.key,
        key: request.key,
        region: request.region,
        scan_rect: request.scan_rect,
        side: request.side,
        revision: request.revision,
        width_px: 1,
        height_px: 1,
        rgba: Arc::new(vec![0; 4]),
        histogram: None,
        overlay_share: exposure,
        is_proof: false,
        out_of_gamut_share: None,
        repair: None,
        is_coarse: false,
        lacks_repair: false,
        millis: 0.0,
    }
}
