//! Long work off the window thread: previews, where the latest wins, and lanes where jobs run in order.

use std::path::PathBuf;
use std::sync::Arc;

use glassine_film::{FilmKind, Stock};
use glassine_raster::{CancelToken, Point, Scan, TiltedBox};
use glassine_session::{Edit, FrameId, ScanId, Session, StripId};

use crate::adjust::{ChartPlace, StockReport, StockTarget};

use crate::types::{
    ExactCount, ExportReport, ExportRequest, MadeSession, NewSessionRequest, Preview, ScanPicture, SessionAt,
};
use crate::{Engine, EngineError, Notice};

/// Names one submitted job.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct JobId(pub u64);

/// Makes a session by steps of its own, for example the demo.
#[derive(Clone)]
pub struct SessionMaker(pub Arc<MakeSession>);

/// What a [`SessionMaker`] calls: engine, cancel token, progress.
pub type MakeSession = dyn Fn(&Engine, &CancelToken, &(dyn Fn(f32, &str) + Sync)) -> Result<MadeSession, EngineError>
    + Send
    + Sync;

impl std::fmt::Debug for SessionMaker {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("SessionMaker")
    }
}

/// Work for one of the lanes.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Job {
    /// Open a session file.
    OpenSession {
        /// The file.
        path: PathBuf,
    },
    /// Scans become a session: frames found, base measured, strips solved.
    NewSession(NewSessionRequest),
    /// Make a session by other steps than opening scans.
    MakeSession {
        /// For the status line.
        label: String,
        /// The steps.
        maker: SessionMaker,
    },
    /// Add scans to the session under work: answers with edits.
    AddScans {
        /// The session.
        at: SessionAt,
        /// What to add.
        request: NewSessionRequest,
    },
    /// The overview of a scan for the strip view.
    Overview {
        /// The session.
        at: SessionAt,
        /// Which scan.
        scan: ScanId,
    },
    /// Find the frames of a scan again, measure and solve: answers with edits.
    FindFrames {
        /// The session.
        at: SessionAt,
        /// Which scan.
        scan: ScanId,
        /// What film it is.
        film: FilmKind,
        /// Its format, if known.
        format_id: Option<String>,
    },
    /// Measure the film base of a strip on its rebate or in a box: answers with edits.
    MeasureBase {
        /// The session.
        at: SessionAt,
        /// Which strip.
        strip: StripId,
        /// A box drawn by the person.
        area: Option<TiltedBox>,
    },
    /// Solve exposure and balance of a strip: answers with edits.
    SolveStrip {
        /// The session.
        at: SessionAt,
        /// Which strip.
        strip: StripId,
    },
    /// Make an area of a frame neutral: answers with edits.
    GreyPoint {
        /// The session.
        at: SessionAt,
        /// Which frame.
        frame: FrameId,
        /// Middle of the averaged square, scan pixels.
        center: Point<Scan>,
        /// Half its side, scan pixels.
        radius_px: f64,
    },
    /// Bring frames to the exposure and balance of another one: answers with edits.
    MatchFrames {
        /// The session.
        at: SessionAt,
        /// Which frames change.
        frames: Vec<FrameId>,
        /// The frame they follow.
        target: FrameId,
    },
    /// Fit a stock to a chart or wedge: answers with [`JobEvent::StockMeasured`].
    MeasureStock {
        /// The session.
        at: SessionAt,
        /// The frame that shows it.
        frame: FrameId,
        /// Where it lies.
        place: ChartPlace,
        /// What it is.
        target: StockTarget,
        /// Name of the new stock.
        name: String,
    },
    /// Keep a stock with the session and solve strips with it: answers with edits.
    ApplyStock {
        /// The session.
        at: SessionAt,
        /// The stock.
        stock: Box<Stock>,
        /// Which strips; those of another kind of film are left alone.
        strips: Vec<StripId>,
    },
    /// Write a stock to a file of its own; a file of that name is replaced.
    SaveStock {
        /// The stock.
        stock: Box<Stock>,
        /// Target.
        path: PathBuf,
    },
    /// Read a stock file and keep the stock with the session: answers with edits.
    LoadStock {
        /// The session.
        at: SessionAt,
        /// The file.
        path: PathBuf,
    },
    /// Base pixels of a scan, as an overlay of the overview's size.
    BaseOverlay {
        /// The session.
        at: SessionAt,
        /// Which scan.
        scan: ScanId,
    },
    /// Write the session file.
    Save {
        /// The session.
        session: Box<Session>,
        /// Target.
        path: PathBuf,
        /// Only the autosave beside it.
        autosave: bool,
    },
    /// Write finished pictures.
    Export(ExportRequest),
    /// Count clipping on every pixel that the files of these frames would have: answers with a
    /// [`JobEvent::Counted`] for each of them.
    Count {
        /// The session.
        at: SessionAt,
        /// Which frames, in order.
        frames: Vec<FrameId>,
    },
}

/// A queue with a thread of its own: jobs of one lane run in the order submitted, lanes run side by side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Lane {
    /// What the person waits for: opening, finding, measuring, solving.
    Work,
    /// Small files: a save never waits behind anything long.
    Files,
    /// Finished pictures.
    Export,
    /// Exact counts.
    Count,
}

impl Lane {
    /// Every lane.
    pub const ALL: [Self; 4] = [Self::Work, Self::Files, Self::Export, Self::Count];
}

impl Job {
    /// Where it queues.
    pub fn lane(&self) -> Lane {
        match self {
            Self::Save { .. } | Self::SaveStock { .. } => Lane::Files,
            Self::Export(_) => Lane::Export,
            Self::Count { .. } => Lane::Count,
            _ => Lane::Work,
        }
    }

    /// What the status line says while it runs.
    pub fn label(&self) -> String {
        match self {
            Self::MakeSession { label, .. } => label,
            Self::OpenSession { .. } => "opening the session",
            Self::NewSession(_) | Self::AddScans { .. } => "reading scans and finding frames",
            Self::Overview { .. } => "reading the scan",
            Self::FindFrames { .. } => "finding frames",
            Self::MeasureBase { .. } => "measuring the film base",
            Self::SolveStrip { .. } => "solving the strip",
            Self::BaseOverlay { .. } => "marking base pixels",
            Self::GreyPoint { .. } => "setting the grey point",
            Self::MatchFrames { .. } => "matching frames",
            Self::MeasureStock { .. } => "measuring the stock",
            Self::ApplyStock { .. } => "solving with the measured stock",
            Self::SaveStock { .. } => "writing the stock",
            Self::LoadStock { .. } => "reading the stock",
            Self::Save { autosave: false, .. } => "saving",
            Self::Save { autosave: true, .. } => "autosaving",
            Self::Export(_) => "exporting",
            Self::Count { .. } => "counting every pixel",
        }
        .to_owned()
    }
}

/// What jobs report. One closed list, so that nothing is missed where it is handled.
#[derive(Debug, Clone)]
pub enum JobEvent {
    /// A job began.
    Started {
        /// Which.
        id: JobId,
        /// What it does, for the status line.
        label: String,
    },
    /// It got further.
    Progress {
        /// Which.
        id: JobId,
        /// 0 to 1.
        share: f32,
        /// What it is at.
        detail: String,
    },
    /// A session to show.
    SessionReady {
        /// Which job.
        id: JobId,
        /// The session.
        made: Box<MadeSession>,
    },
    /// Changes to the session under work, to be applied as one undo step.
    Edits {
        /// Which job.
        id: JobId,
        /// Label of the step.
        label: String,
        /// In order.
        edits: Vec<Edit>,
        /// What the person should know.
        notices: Vec<Notice>,
    },
    /// A coarse picture of a scan, until [`Self::OverviewReady`] of the same job brings the overview.
    FirstLookReady {
        /// Which job.
        id: JobId,
        /// The picture.
        picture: Arc<ScanPicture>,
    },
    /// Overview of a scan.
    OverviewReady {
        /// Which job.
        id: JobId,
        /// The picture.
        picture: Arc<ScanPicture>,
    },
    /// Base pixels of a scan: transparent except where a pixel counts as base.
    BaseOverlayReady {
        /// Which job.
        id: JobId,
        /// Picture of the overview's size.
        picture: Arc<ScanPicture>,
        /// Pixels counted.
        pixels: u64,
    },
    /// A stock was measured; nothing is changed by it yet.
    StockMeasured {
        /// Which job.
        id: JobId,
        /// What was found.
        report: Box<StockReport>,
    },
    /// A picture for the screen.
    PreviewReady(Arc<Preview>),
    /// The dust that a picture lacks the repair of is being looked for.
    LookingForDust {
        /// The picture, or one of several.
        key: crate::ViewKey,
        /// 0 to 1.
        share: f32,
    },
    /// A picture for the screen could not be made.
    PreviewFailed {
        /// Where it was wanted.
        key: crate::ViewKey,
        /// From the request.
        revision: u64,
        /// Why.
        notice: Notice,
    },
    /// The session file was written.
    Saved {
        /// Which job.
        id: JobId,
        /// What was written.
        session: Box<Session>,
        /// Where.
        path: PathBuf,
        /// Only the autosave.
        autosave: bool,
    },
    /// An export ended.
    Exported {
        /// Which job.
        id: JobId,
        /// What was done.
        report: Box<ExportReport>,
    },
    /// One frame was counted, or could not be.
    Counted {
        /// Which job.
        id: JobId,
        /// Which frame.
        frame: FrameId,
        /// What was counted.
        count: Result<ExactCount, Notice>,
    },
    /// Every frame of a count was counted.
    CountDone {
        /// Which job.
        id: JobId,
    },
    /// A job failed.
    Failed {
        /// Which.
        id: JobId,
        /// Why, and what to do.
        notice: Notice,
    },
    /// A job was stopped on request.
    Cancelled {
        /// Which.
        id: JobId,
    },
}
