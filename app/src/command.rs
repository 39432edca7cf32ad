//! Everything the window can ask for, as values: views push commands, only the app carries them out.

use std::path::PathBuf;

use glassine_engine::{FrameScope, MadeSession, NewSessionRequest, Notice, Overlay, ScanReading};
use glassine_film::{FilmKind, Param, ParamGroup};
use glassine_raster::{Point, Scan, TiltedBox};
use glassine_session::{Edit, FrameId, OutputSettings, ScanId, ScanRef, StripId};

use crate::clean::CleanCommand;
use crate::colour::ColourCommand;
use crate::state::StripTool;

/// A step of a gesture, so that a drag becomes one undo step.
#[derive(Debug, Clone, PartialEq)]
pub enum GesturePhase {
    /// The pointer went down; the label names the undo step.
    Begin(String),
    /// It was released.
    Commit,
    /// Escape was pressed.
    Cancel,
}

/// How the selection changes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SelectHow {
    /// Only this frame.
    Only,
    /// Added or taken out.
    Toggle,
    /// Everything up to this frame.
    Range,
}

/// Proportion that boxes keep while they are sized.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum AspectLock {
    /// Any.
    #[default]
    Free,
    /// That of the strip's format.
    Format,
    /// A paper or screen proportion, long to short; it follows the box's own longer side.
    Print(u16, u16),
}

impl AspectLock {
    /// Every choice, in the order shown.
    pub const ALL: [Self; 8] = [
        Self::Free,
        Self::Format,
        Self::Print(1, 1),
        Self::Print(5, 4),
        Self::Print(4, 3),
        Self::Print(7, 5),
        Self::Print(3, 2),
        Self::Print(16, 9),
    ];

    /// Name shown.
    pub fn label(self) -> String {
        match self {
            Self::Free => "any shape".to_owned(),
            Self::Format => "film format".to_owned(),
            Self::Print(long, short) => format!("{long} : {short}"),
        }
    }
}

/// What has to be answered before something goes on.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Question {
    /// There are unsaved changes; what to do after they are saved or dropped.
    Unsaved(Leaving),
    /// The window was to be closed while an export is under way.
    Exporting,
    /// No file dialog on this system: a path is typed.
    TypePath {
        /// What it is for.
        purpose: PathPurpose,
        /// The text so far.
        text: String,
    },
    /// What film new scans hold.
    NewSession {
        /// The scan files.
        scans: Vec<PathBuf>,
        /// What film it is; recognised when not given.
        film: Option<FilmKind>,
        /// Format, if known.
        format_id: Option<String>,
        /// How the files are read.
        reading: ScanReading,
        /// Each file holds one frame.
        one_frame_per_file: bool,
        /// Add to the session under work instead of starting a new one.
        add: bool,
    },
}

/// What waits behind the question about unsaved changes.
#[derive(Debug, Clone)]
pub enum Leaving {
    /// Close the window.
    Close,
    /// Open this session file.
    Open(Vec<PathBuf>),
    /// Make a session of scans.
    NewSession(Box<NewSessionRequest>),
    /// Open the demo session.
    OpenDemo,
    /// Show a session that was opened while the one under work changed.
    Show(Box<Arrived>),
}

/// A session that was opened or made and is not shown yet.
#[derive(Debug, Clone)]
pub struct Arrived {
    /// The session.
    pub made: MadeSession,
    /// Its scans have no frames yet: what is known about them.
    pub find: Option<NewSessionRequest>,
}

/// What a path is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PathPurpose {
    /// Session files or scans to open.
    Open,
    /// Name of the session file.
    SaveAs,
    /// Folder of an export.
    ExportFolder,
    /// Name of a stock file.
    SaveStock,
    /// A stock file to load.
    LoadStock,
    /// Folder in which missing scans are looked for.
    ScanFolder,
    /// The infrared file of a scan.
    Infrared(ScanId),
}

/// An answer to a [`Question`].
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// Save first, then go on; use the typed path; make the session.
    Yes,
    /// Go on without saving.
    No,
    /// Stay.
    Cancel,
}

/// One request of a view.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Command {
    /// Change the session. Boxes are held by the guard before the edit is applied.
    Edit(Edit),
    /// Several changes of the session as one (inside a gesture they are previewed).
    EditAll {
        /// Label of the step.
        label: String,
        /// In order.
        edits: Vec<Edit>,
    },
    /// Something the cleaning panes ask for.
    Clean(CleanCommand),
    /// Something the colour panes ask for.
    Colour(ColourCommand),
    /// Begin, finish or drop a gesture.
    Gesture(GesturePhase),
    /// Set one value of every selected frame (inside a gesture it is previewed).
    SetParam(Param, f64),
    /// Put a value of the selected frames back to its default.
    ResetParam(Param),
    /// Take back a step.
    Undo,
    /// Do it again.
    Redo,
    /// Select a frame.
    Select(FrameId, SelectHow),
    /// Select all frames.
    SelectAll,
    /// Go to the next (1) or previous (-1) frame.
    Step(i32),
    /// Move the selected boxes by scan pixels, right and down as the strip view shows them.
    Nudge {
        /// Right.
        dx_px: f64,
        /// Down.
        dy_px: f64,
    },
    /// Move the right and the lower edge of the selected boxes, as the strip view shows them.
    Grow {
        /// Wider.
        dw_px: f64,
        /// Higher.
        dh_px: f64,
    },
    /// Put one box in a place, held by the guard.
    PlaceBox(FrameId, TiltedBox),
    /// Proportion that boxes keep while they are sized; the selected boxes take it at once.
    SetAspect(AspectLock),
    /// Give every box of the strip the size of the selected one.
    ResizeAlike,
    /// Space the boxes of the strip evenly between the first and the last.
    Distribute,
    /// Turn the selected boxes so that this line on the scan becomes level.
    Straighten {
        /// One end.
        from: Point<Scan>,
        /// The other.
        to: Point<Scan>,
    },
    /// Choose what the pointer does on the strip.
    SetTool(StripTool),
    /// Flip every picture of the strip under work: film scanned from its other side.
    FlipStrip,
    /// Hold the selected boxes inside the image area, or not.
    SetHeld(bool),
    /// Leave the selected frames out of the export, or not.
    SetSkipped(bool),
    /// Number all frames from here.
    Renumber(u32),
    /// Turn the selected boxes about their centres.
    TurnBoxes {
        /// Clockwise, degrees.
        degrees: f64,
    },
    /// Quarter turns of the selected pictures, clockwise.
    QuarterTurn(i8),
    /// Flip the selected pictures left to right.
    FlipHorizontally,
    /// Flip the selected pictures top to bottom.
    FlipVertically,
    /// A new box on the strip under work.
    AddFrame,
    /// A copy of the selected box on the next position along the strip.
    DuplicateFrame,
    /// Take the selected frames out.
    DeleteFrames,
    /// Remember the look of the selected frame.
    CopyLook,
    /// Give the remembered look to the selected frames.
    PasteLook(Vec<ParamGroup>),
    /// Ask for files to open.
    AskOpen,
    /// Open session files or scans.
    Open(Vec<PathBuf>),
    /// Open the demo session.
    OpenDemo,
    /// Save, asking for a name when there is none.
    Save,
    /// Save under another name.
    AskSaveAs,
    /// Save under this name.
    SaveAs(PathBuf),
    /// Save over the version of another program after a conflict; that one is kept under a name of its own.
    TakeOver,
    /// Leave a save conflict as it is: nothing is written.
    LeaveConflict,
    /// Open the session again, now that the program that held it has closed it.
    WorkOnIt,
    /// Remove an autosave that an earlier run left.
    DiscardAutosave(PathBuf),
    /// Show or hide the list of unsaved work of earlier runs.
    ShowUnsavedWork(bool),
    /// Ask for a folder in which missing scans are looked for.
    AskScanFolder,
    /// Look at once whether the scans are what the session knows of them.
    CheckScans,
    /// Read a scan with these choices from now on, as its file is now.
    ReadScan {
        /// Label of the undo step.
        label: String,
        /// The scan with its choices.
        scan: Box<ScanRef>,
    },
    /// Ask for the infrared file of a scan.
    AskInfrared(ScanId),
    /// Find the frames of a scan.
    FindFrames {
        /// Which scan.
        scan: ScanId,
        /// What film it is.
        film: FilmKind,
        /// Format, if known.
        format_id: Option<String>,
    },
    /// Measure the base of a strip, in a box or on its rebate.
    MeasureBase(StripId, Option<TiltedBox>),
    /// Solve exposure and balance of a strip.
    SolveStrip(StripId),
    /// Make the area around a scan point of a frame neutral.
    GreyPoint {
        /// Which frame.
        frame: FrameId,
        /// Middle of the averaged square.
        center: Point<Scan>,
        /// Half its side, scan pixels.
        radius_px: f64,
    },
    /// Bring the other selected frames to the exposure and balance of the one shown large.
    MatchFrames,
    /// Show the base pixels on the strip.
    ShowBasePixels(bool),
    /// Overlay of the large view.
    SetOverlay(Overlay),
    /// Hold to see the frame before its settings.
    ShowBefore(bool),
    /// Fit the frame in its view, or show scan pixels one to one.
    SetLoupe(bool),
    /// Open the export pane.
    ShowExport(bool),
    /// Ask for the target folder.
    AskExportFolder,
    /// Show the whole strip under work.
    FitStrip,
    /// Show every strip of the session.
    FitAll,
    /// Show the strip larger (above 1) or smaller.
    ZoomStrip(f64),
    /// One piece for each strip, or whole scans.
    ShowWholeScans(bool),
    /// Show or hide the list of messages.
    ShowNotices(bool),
    /// Ask this in the window.
    Ask(Question),
    /// Answer the question that waits.
    Answer(Answer),
    /// Close the window, asking when there are unsaved changes.
    Quit,
    /// Export settings changed.
    SetOutput(OutputSettings),
    /// Export.
    Export {
        /// Which frames.
        scope: FrameScope,
        /// Replace files that are there.
        replace: bool,
    },
    /// Stop the jobs under way.
    CancelJobs,
    /// Count every pixel of what is shown, or stop doing so.
    CountExactly(bool),
    /// Show a message.
    Tell(Notice),
    /// Take the message away.
    DismissNotice,
    /// Light or dark surround.
    SetDark(bool),
    /// Show or hide the table of keys.
    ShowKeys(bool),
}
