//! Everything the window can request, as values: views push commands, only the app carries them out.

mod answers;
mod autosave;
pub(crate) mod boxes;
mod clean;
pub(crate) mod closing;
mod colour;
mod edit;
mod export;
pub(crate) mod files;
pub mod key_table;
pub(crate) mod scans;
mod select;

use std::path::PathBuf;

use glassine_engine::{FrameScope, MadeSession, NewSessionRequest, Notice, Overlay, ScanReading};
use glassine_film::{FilmKind, Param, ParamGroup};
use glassine_raster::{Point, Scan, TiltedBox};
use glassine_session::{Edit, FrameId, OutputSettings, ScanId, ScanRef, StripId};

use crate::model::brush_state::CleanCommand;
use crate::model::colour_tools::ColourCommand;
use crate::model::ui_state::StripTool;

/// A step of a gesture, so that a drag becomes one undo step.
#[derive(Debug, Clone, PartialEq)]
pub enum GesturePhase {
    /// The pointer went down; the label names the undo step.
    Begin(String),
    /// The pointer was released.
    Commit,
    /// Escape was pressed.
    Cancel,
}

/// How a click changes the selection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SelectHow {
    /// Only this frame.
    Only,
    /// Add this frame or remove it.
    Toggle,
    /// Everything up to this frame.
    Range,
}

/// Proportion that boxes keep while the user sizes them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum AspectLock {
    #[default]
    Free,
    /// The proportion of the strip's format.
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

/// A question the user must answer before something can continue.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Question {
    /// There are unsaved changes; what to do once they are saved or discarded.
    Unsaved(PendingAction),
    /// The user tried to close the window during an export.
    Exporting,
    /// No file dialog on this system: the user types a path.
    TypePath {
        purpose: PathPurpose,
        /// The text so far.
        text: String,
    },
    /// Which film new scans hold.
    NewSession {
        scans: Vec<PathBuf>,
        /// Kind of film; recognised when not given.
        film: Option<FilmKind>,
        /// Format, if known.
        format_id: Option<String>,
        /// How to read the files.
        reading: ScanReading,
        /// Each file holds one frame.
        one_frame_per_file: bool,
        /// Add to the current session instead of starting a new one.
        add: bool,
    },
}

/// What follows once the question about unsaved changes is answered.
#[derive(Debug, Clone)]
pub enum PendingAction {
    /// Close the window.
    Close,
    /// Open these files.
    Open(Vec<PathBuf>),
    /// Make a session from scans.
    NewSession(Box<NewSessionRequest>),
    /// Open the demo session.
    OpenDemo,
    /// Show a session that was opened while the current one changed.
    Show(Box<Arrived>),
}

/// A session that was opened or made and is not shown yet.
#[derive(Debug, Clone)]
pub struct Arrived {
    pub made: MadeSession,
    /// What is known about its scans, if they have no frames yet.
    pub find: Option<NewSessionRequest>,
}

/// What the user is asked a path for.
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
    /// Folder to search for missing scans.
    ScanFolder,
    /// The infrared file of a scan.
    Infrared(ScanId),
}

#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// Save first, then continue; use the typed path; make the session.
    Yes,
    /// Continue without saving.
    No,
    /// Do nothing.
    Cancel,
}

/// One request of a view.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub enum Command {
    /// Change the session. The guard limits boxes before the edit is applied.
    Edit(Edit),
    /// Make several changes of the session as one step (inside a gesture they are previewed).
    EditAll {
        /// Label of the step.
        label: String,
        edits: Vec<Edit>,
    },
    /// Request of the cleaning panes.
    Clean(CleanCommand),
    /// Request of the colour panes.
    Colour(ColourCommand),
    /// Begin, finish or drop a gesture.
    Gesture(GesturePhase),
    /// Set one value of every selected frame (inside a gesture it is previewed).
    SetParam(Param, f64),
    /// Reset a value of the selected frames to its default.
    ResetParam(Param),
    Undo,
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
        /// Change in width.
        dw_px: f64,
        /// Change in height.
        dh_px: f64,
    },
    /// Place one box, limited by the guard.
    PlaceBox(FrameId, TiltedBox),
    /// Proportion that boxes keep while they are sized; the selected boxes take it at once.
    SetAspect(AspectLock),
    /// Give every box of the strip the size of the selected one.
    ResizeAlike,
    /// Space the boxes of the strip evenly between the first and the last.
    Distribute,
    /// Turn the selected boxes so that this line on the scan becomes level.
    Straighten {
        from: Point<Scan>,
        to: Point<Scan>,
    },
    /// Choose what the pointer does on the strip.
    SetTool(StripTool),
    /// Flip every picture of the current strip: film scanned from its other side.
    FlipStrip,
    /// Whether the guard keeps the selected boxes inside the image area.
    SetHeld(bool),
    /// Whether the export leaves out the selected frames.
    SetSkipped(bool),
    /// Number all frames, starting here.
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
    /// Add a box to the current strip.
    AddFrame,
    /// Copy the selected box to the next position along the strip.
    DuplicateFrame,
    /// Delete the selected frames.
    DeleteFrames,
    /// Copy the look of the selected frame.
    CopyLook,
    /// Give the copied look to the selected frames.
    PasteLook(Vec<ParamGroup>),
    /// Ask for files to open.
    AskOpen,
    /// Open session files or scans.
    Open(Vec<PathBuf>),
    /// Open the demo session.
    OpenDemo,
    /// Save, asking for a name if the session has none.
    Save,
    /// Save under another name.
    AskSaveAs,
    /// Save under this name.
    SaveAs(PathBuf),
    /// After a conflict, save over the other program's version, which is kept under its own name.
    TakeOver,
    /// Leave a save conflict unresolved: nothing is written.
    LeaveConflict,
    /// Open the session again, now that the program that held it has closed it.
    WorkOnIt,
    /// Remove an autosave that an earlier run left.
    DiscardAutosave(PathBuf),
    /// Show or hide the list of unsaved work of earlier runs.
    ShowUnsavedWork(bool),
    /// Ask for a folder to search for missing scans.
    AskScanFolder,
    /// Check at once whether the scans still match the session's record of them.
    CheckScans,
    /// Read a scan with these choices from now on, from the present content of its file.
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
        scan: ScanId,
        /// Kind of film.
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
        frame: FrameId,
        /// Centre of the averaged square.
        center: Point<Scan>,
        /// Half its side, scan pixels.
        radius_px: f64,
    },
    /// Match exposure and balance of the other selected frames to the one shown large.
    MatchFrames,
    /// Show the base pixels on the strip.
    ShowBasePixels(bool),
    /// Overlay of the large view.
    SetOverlay(Overlay),
    /// Show the frame before its settings, while a key or button is held.
    ShowBefore(bool),
    /// Fit the frame in its view, or show scan pixels one to one.
    SetLoupe(bool),
    /// Open the export pane.
    ShowExport(bool),
    /// Ask for the target folder.
    AskExportFolder,
    /// Show the whole current strip.
    FitStrip,
    /// Show every strip of the session.
    FitAll,
    /// Show the strip larger (above 1) or smaller.
    ZoomStrip(f64),
    /// Show whole scans instead of one piece for each strip.
    ShowWholeScans(bool),
    /// Show or hide the list of messages.
    ShowNotices(bool),
    /// Ask this in the window.
    Ask(Question),
    /// Answer the open question.
    Answer(Answer),
    /// Close the window, asking if there are unsaved changes.
    Quit,
    /// Change the export settings.
    SetOutput(OutputSettings),
    Export {
        scope: FrameScope,
        /// Replace existing files.
        replace: bool,
    },
    /// Stop the running jobs.
    CancelJobs,
    /// Count every pixel of what is shown, or stop doing so.
    CountExactly(bool),
    /// Show a message.
    Tell(Notice),
    /// Hide the message.
    DismissNotice,
    /// Light or dark surround.
    SetDark(bool),
    /// Show or hide the table of keys.
    ShowKeys(bool),
}
