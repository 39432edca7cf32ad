//! Jobs and their events as plain values, the lanes that jobs belong to, and what a host calls to have them done.

pub(crate) mod worker;

use std::path::PathBuf;
use std::sync::Arc;

use glassine_film::{FilmKind, Stock};
use glassine_raster::{CancelToken, PixelRect, Point, Scan, TiltedBox};
use glassine_scancheck::Report;
use glassine_session::{Edit, Fingerprint, FrameId, ScanId, ScanRef, Session, StripId};
use glassine_sharpness::{EdgeReport, SharpeningEffect};

use crate::build::adjust::{ChartPlace, StockReport, StockTarget};
use crate::error::{EngineError, Notice};
use crate::focus::{FocusReport, FocusRequest};
use crate::scans::checks::{CheckDepth, ScanCheck};
use crate::session_files::{Access, Conflict, Holder, MadeSession, Saved, SavedState, UnsavedWork};
use crate::types::{
    ExactCount, ExportReport, ExportRequest, NewSessionRequest, Preview, RescanRequest, ScanMarks,
    ScanPicture, SessionKey, UnitRect, ViewKey,
};

/// Identifies one submitted job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct JobId(pub u64);

impl JobId {
    /// Shared by all pictures on screen, which are made outside the lanes.
    pub const PICTURES: Self = Self(0);
}

/// Makes a session by its own steps, for example the demo.
#[derive(Clone)]
pub struct SessionMaker(pub Arc<MakeSession>);

/// What a [`SessionMaker`] calls: cancel token, progress.
pub type MakeSession =
    dyn Fn(&CancelToken, &(dyn Fn(f32, &str) + Sync)) -> Result<MadeSession, EngineError> + Send + Sync;

impl std::fmt::Debug for SessionMaker {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("SessionMaker")
    }
}

/// Work for one of the lanes, done for the session it is submitted with.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Job {
    /// Open a session file: answers with [`JobEventKind::SessionReady`].
    OpenSession {
        /// Session file.
        path: PathBuf,
    },
    /// Make a session without frames from scans: only their headers are read. [`Job::FindOnScans`] does the rest.
    OpenScans(NewSessionRequest),
    /// Make a session by other steps than opening scans.
    MakeSession {
        /// For the status line.
        label: String,
        maker: SessionMaker,
    },
    /// Add scans without frames: answers with edits.
    AddScans(NewSessionRequest),
    /// Make this the session under work, with its scans: see [`crate::Engine::hold_session`].
    HoldScans,
    /// Find frames on scans that have none yet, measure and solve: answers with the edits of one scan after another,
    /// each based on the session as submitted.
    FindOnScans {
        /// Which scans, in order.
        scans: Vec<ScanId>,
        /// What is known about them.
        request: NewSessionRequest,
    },
    /// Solve scans of one frame each together, as one film: answers with edits.
    SolveTogether {
        scans: Vec<ScanId>,
        /// Whether each file is one frame, all of one film; otherwise only strips that seem to be of one film share a
        /// solve.
        are_single_frames: bool,
    },
    /// Hash whole scan files: answers with a [`JobEventKind::Hashed`] for each of them.
    HashScans {
        /// Scans to hash.
        scans: Vec<ScanId>,
    },
    /// Compare the scans with what the session knows of them: answers with [`JobEventKind::ScansChecked`].
    CheckScans {
        /// How much of each file is read.
        depth: CheckDepth,
    },
    /// Measure what is wrong with a scan: answers with [`JobEventKind::ScanMeasured`].
    MeasureScan { scan: ScanId },
    /// Search folders for missing or changed scans: answers with edits.
    Relink {
        /// Folders to search, subfolders included.
        folders: Vec<PathBuf>,
    },
    /// Read a scan with these choices from now on: answers with edits.
    ReadScan {
        /// Label of the undo step.
        label: String,
        /// The scan with its choices; size, planes and fingerprints that are left out are taken from its file.
        scan: Box<ScanRef>,
    },
    /// Check whether another program holds the lock of a session: answers with [`JobEventKind::LockSeen`].
    LookAtLock {
        /// The session file.
        path: PathBuf,
    },
    /// The overview of a scan for the strip view.
    Overview {
        /// Scan to show.
        scan: ScanId,
    },
    /// Find the frames of a scan again, measure and solve: answers with edits.
    FindFrames {
        scan: ScanId,
        /// Kind of film; recognised if not given.
        film: Option<FilmKind>,
        /// Its format, if known.
        format_id: Option<String>,
    },
    /// Join overlapping scans to one, and find its frames: answers with edits. The first keeps its pixels and light.
    JoinScans { scans: Vec<ScanId> },
    /// Take frames over to a new scan of the same film in the same place: answers with edits.
    Rescan(RescanRequest),
    /// Measure the film base of a strip on its rebate or in a box: answers with edits.
    MeasureBase {
        strip: StripId,
        /// A box that the user drew.
        area: Option<TiltedBox>,
    },
    /// Solve exposure and balance of a strip: answers with edits.
    SolveStrip {
        /// Strip to solve.
        strip: StripId,
        /// Without those that share its solve.
        alone: bool,
    },
    /// Solve exposure and balance of some strips, those of one film together: answers with edits.
    SolveFilms { strips: Vec<StripId> },
    /// Make an area of a frame neutral: answers with edits.
    GreyPoint {
        frame: FrameId,
        /// Middle of the averaged square, scan pixels.
        center: Point<Scan>,
        /// Half its side, scan pixels.
        radius_px: f64,
        reach: GreyReach,
    },
    /// Bring frames to the exposure and balance of another one: answers with edits.
    MatchFrames {
        /// Frames to change.
        frames: Vec<FrameId>,
        /// The frame they follow.
        target: FrameId,
    },
    /// Measure blur and grain of frames and set the sharpening that suits them: answers with edits.
    SuggestSharpening {
        /// Frames to change.
        frames: Vec<FrameId>,
    },
    /// Measure the response at the slanted edge in a part of a scan: answers with [`JobEventKind::EdgeMeasured`].
    MeasureEdge { scan: ScanId, area: PixelRect },
    /// Measure what sharpening does to a part of a frame's upright picture: answers with
    /// [`JobEventKind::SharpeningMeasured`].
    MeasureSharpening { frame: FrameId, region: UnitRect },
    /// Compare scans of the same film, whatever the session: answers with [`JobEventKind::FocusCompared`].
    CompareFocus(FocusRequest),
    /// Fit a stock to a chart or wedge: answers with [`JobEventKind::StockMeasured`].
    MeasureStock {
        /// The frame that shows it.
        frame: FrameId,
        /// Corners of the chart.
        place: ChartPlace,
        target: StockTarget,
        /// Name of the new stock.
        name: String,
    },
    /// Keep a stock with the session and solve strips with it: answers with edits.
    ApplyStock {
        stock: Box<Stock>,
        /// Strips to solve; those of another kind of film are left alone.
        strips: Vec<StripId>,
    },
    /// Write a stock to a file, replacing an existing one.
    SaveStock {
        stock: Box<Stock>,
        /// Target file.
        path: PathBuf,
    },
    /// Read a stock file and keep the stock with the session: answers with edits.
    LoadStock {
        /// Stock file.
        path: PathBuf,
    },
    /// Marks over a scan, as a picture of the overview's size.
    MarkScan {
        /// Scan to mark.
        scan: ScanId,
        /// What is marked on it.
        marks: ScanMarks,
    },
    /// Write a scan, joined or not, as one TIFF of linear codes. Never replaces a file.
    WriteScan {
        /// Scan to write.
        scan: ScanId,
        /// Target file.
        path: PathBuf,
    },
    /// Write the session file: answers with [`JobEventKind::Saved`] or [`JobEventKind::SaveConflict`].
    Save {
        path: PathBuf,
        over: SaveOver,
        /// Autosaves that the file makes superfluous.
        autosaves: Vec<PathBuf>,
    },
    /// Write an autosave: answers with [`JobEventKind::Autosaved`].
    Autosave {
        /// Comes from [`crate::session_files::Run::autosave_path`].
        path: PathBuf,
    },
    /// Remove autosaves that are no longer wanted.
    DiscardAutosaves(Vec<PathBuf>),
    /// List autosaves that earlier runs left: answers with [`JobEventKind::UnsavedFound`].
    FindUnsaved,
    /// Write finished pictures.
    Export(Box<ExportRequest>),
    /// Count clipping on every pixel that the files of these frames would have: answers with a
    /// [`JobEventKind::Counted`] for each of them.
    Count {
        /// In this order.
        frames: Vec<FrameId>,
    },
}

/// What a save may overwrite.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SaveOver {
    /// The user chose the name, and confirmed it if it was taken.
    Chosen,
    /// The state that was opened, or that this session was last saved as.
    Opened(Option<SavedState>),
    /// Any file, after a conflict: its content is kept under a separate name.
    Theirs,
}

/// A queue with its own thread: jobs of one lane run in order of submission, lanes run in parallel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Lane {
    /// What the user waits for: opening, finding, measuring, solving.
    Work,
    /// Small files: a save never waits behind anything long.
    Files,
    /// Finished pictures.
    Export,
    /// Exact counts and hashes of whole files.
    Count,
}

impl Lane {
    pub const ALL: [Self; 4] = [Self::Work, Self::Files, Self::Export, Self::Count];
}

impl Job {
    pub fn lane(&self) -> Lane {
        match self {
            // `HoldScans` comes before any write, so that no scan is overwritten.
            Self::HoldScans
            | Self::Save { .. }
            | Self::Autosave { .. }
            | Self::DiscardAutosaves(_)
            | Self::FindUnsaved
            | Self::LookAtLock { .. }
            | Self::SaveStock { .. } => Lane::Files,
            Self::Export(_) | Self::WriteScan { .. } => Lane::Export,
            Self::Count { .. }
            | Self::HashScans { .. }
            | Self::CheckScans { .. }
            | Self::MeasureScan { .. }
            | Self::MeasureSharpening { .. } => Lane::Count,
            _ => Lane::Work,
        }
    }

    /// Whether its result is of use only to the session it was submitted with.
    pub fn ends_with_session(&self) -> bool {
        !matches!(
            self,
            Self::OpenSession { .. }
                | Self::OpenScans(_)
                | Self::MakeSession { .. }
                | Self::Save { .. }
                | Self::Autosave { .. }
                | Self::DiscardAutosaves(_)
                | Self::FindUnsaved
                | Self::SaveStock { .. }
                | Self::CompareFocus(_)
                | Self::Export(_)
        )
    }

    /// Text for the status line while it runs.
    pub fn label(&self) -> String {
        match self {
            Self::MakeSession { label, .. } => label,
            Self::OpenSession { .. } => "opening the session",
            Self::OpenScans(_) | Self::AddScans(_) => "opening scans",
            Self::HoldScans => "protecting the scans",
            Self::FindOnScans { .. } => "reading scans and finding frames",
            Self::SolveTogether { .. } => "solving the scans together",
            Self::HashScans { .. } => "hashing the scans",
            Self::CheckScans { .. } => "checking the scans",
            Self::MeasureScan { .. } => "looking for faults of the scan",
            Self::Relink { .. } => "searching for moved scans",
            Self::ReadScan { label, .. } => label,
            Self::LookAtLock { .. } => "checking who has the session open",
            Self::Overview { .. } => "reading the scan",
            Self::FindFrames { .. } => "finding frames",
            Self::JoinScans { .. } => "joining the scans",
            Self::Rescan(_) => "taking the frames over to their scan",
            Self::MeasureBase { .. } => "measuring the film base",
            Self::SolveStrip { .. } => "solving the strip",
            Self::SolveFilms { .. } => "solving the roll",
            Self::MarkScan { marks: ScanMarks::BasePixels, .. } => "marking base pixels",
            Self::MarkScan { marks: ScanMarks::PartDifferences, .. } => "comparing the parts",
            Self::WriteScan { .. } => "writing the scan",
            Self::GreyPoint { .. } => "setting the grey point",
            Self::MatchFrames { .. } => "matching frames",
            Self::SuggestSharpening { .. } => "measuring blur and grain",
            Self::MeasureEdge { .. } => "measuring the edge",
            Self::MeasureSharpening { .. } => "measuring what sharpening does",
            Self::CompareFocus(_) => "comparing scans",
            Self::MeasureStock { .. } => "measuring the stock",
            Self::ApplyStock { .. } => "solving with the measured stock",
            Self::SaveStock { .. } => "writing the stock",
            Self::LoadStock { .. } => "reading the stock",
            Self::Save { .. } => "saving",
            Self::Autosave { .. } => "autosaving",
            Self::DiscardAutosaves(_) => "removing autosaves",
            Self::FindUnsaved => "looking for unsaved work",
            Self::Export(_) => "exporting",
            Self::Count { .. } => "counting every pixel",
        }
        .to_owned()
    }
}

/// A report of a job, with the session it was done for.
#[derive(Debug, Clone)]
pub struct JobEvent {
    /// [`JobId::PICTURES`] for pictures on screen, which are told apart by view key and revision.
    pub id: JobId,
    /// The session the job was submitted with.
    pub key: SessionKey,
    pub kind: JobEventKind,
}

/// What a grey point changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum GreyReach {
    /// The frame it is on.
    Frame,
    /// The film: the frame's strip and those that share its solve.
    Film,
}

/// Changes that a job computed on the session it was submitted with, to be rebased onto the present one as one step.
#[derive(Debug, Clone)]
pub struct JobEdits {
    /// Label of the undo step.
    pub label: String,
    /// The session that the edits were computed on.
    pub base: Session,
    /// In order.
    pub edits: Vec<Edit>,
    /// What the user should know.
    pub notices: Vec<Notice>,
}

/// What jobs report. One closed list, so that handlers miss nothing. Every job ends with exactly one of [`Self::Done`],
/// [`Self::Failed`] and [`Self::Cancelled`].
#[derive(Debug, Clone)]
pub enum JobEventKind {
    /// The job began; holds the text for the status line.
    Started(String),
    Progress {
        /// 0 to 1.
        share: f32,
        /// The current step.
        detail: String,
    },
    /// A session to show.
    SessionReady(Box<MadeSession>),
    /// Changes of the session.
    Edits(Box<JobEdits>),
    /// A whole scan file was hashed, or could not be.
    Hashed {
        scan: ScanId,
        /// Its file at that moment.
        path: PathBuf,
        print: Result<Fingerprint, Notice>,
    },
    /// The scans were compared with what the session knows of them.
    ScansChecked {
        depth: CheckDepth,
        /// One for each scan.
        checks: Vec<ScanCheck>,
    },
    /// Faults of a scan, with their places.
    ScanMeasured {
        scan: ScanId,
        report: Box<Report>,
    },
    /// Who holds the lock of the session; `None` when it is free.
    LockSeen(Option<Holder>),
    /// A coarse picture of a scan, until [`Self::OverviewReady`] of the same job brings the overview.
    CoarseOverviewReady(Arc<ScanPicture>),
    OverviewReady(Arc<ScanPicture>),
    /// Marks over a scan, transparent where there are none.
    ScanMarked {
        /// What is marked.
        marks: ScanMarks,
        /// Picture of the overview's size.
        picture: Arc<ScanPicture>,
        /// Number of marked pixels.
        pixels: u64,
    },
    /// A scan was written as one TIFF.
    ScanWritten(PathBuf),
    /// An edge was measured, or refused with the reason.
    EdgeMeasured {
        scan: ScanId,
        area: PixelRect,
        report: Result<Box<EdgeReport>, Notice>,
    },
    /// What sharpening does; `None` without edges and flat areas there.
    SharpeningMeasured {
        frame: FrameId,
        effect: Option<SharpeningEffect>,
    },
    /// Scans were compared.
    FocusCompared(Box<FocusReport>),
    /// A stock was measured; it changes nothing yet.
    StockMeasured(Box<StockReport>),
    PreviewReady(Arc<Preview>),
    /// Progress of the dust detection that a picture's repair needs.
    LookingForDust {
        /// The picture, or one of several that wait for the repair.
        view: ViewKey,
        /// 0 to 1.
        share: f32,
    },
    /// A picture for the screen could not be made.
    PreviewFailed {
        view: ViewKey,
        /// From the request.
        revision: u64,
        failure: Failure,
    },
    /// The session file was written.
    Saved {
        /// The session as written.
        session: Box<Session>,
        /// The file and its state.
        saved: Box<Saved>,
        /// The lock of the file, if it changed.
        access: Option<Access>,
    },
    /// The session file was not written: it is not the one that was opened.
    SaveConflict(Box<Conflict>),
    /// The autosave was written.
    Autosaved {
        /// The session as written.
        session: Box<Session>,
    },
    /// Unsaved work of earlier runs, the latest first.
    UnsavedFound(Vec<UnsavedWork>),
    /// An export ended.
    Exported(Box<ExportReport>),
    /// One frame was counted, or could not be.
    Counted {
        frame: FrameId,
        count: Result<ExactCount, Notice>,
    },
    /// The job ended; its results were sent before.
    Done,
    Failed(Failure),
    /// The job was stopped on request.
    Cancelled,
}

impl JobEventKind {
    /// Whether this is the job's last event.
    pub fn is_end(&self) -> bool {
        matches!(self, Self::Done | Self::Failed(_) | Self::Cancelled)
    }
}

/// Why something could not be done.
#[derive(Debug, Clone)]
pub struct Failure {
    /// For the user.
    pub notice: Notice,
    /// The cause may pass by itself, such as a disk that is not connected: it is worth trying again.
    pub may_pass: bool,
}
