//! Everything the window can ask for, as values: views push commands, only the app carries them out.

use std::path::PathBuf;

use glassine_engine::{FrameScope, Notice, Overlay};
use glassine_film::{FilmKind, Param, ParamGroup};
use glassine_raster::TiltedBox;
use glassine_session::{Edit, FrameId, OutputSettings, ScanId, StripId};

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

/// One request of a view.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Command {
    /// Change the session. Boxes are held by the guard before the edit is applied.
    Edit(Edit),
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
    /// Move the selected boxes by scan pixels.
    Nudge {
        /// Right.
        dx_px: f64,
        /// Down.
        dy_px: f64,
    },
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
    /// Show the base pixels on the strip.
    ShowBasePixels(bool),
    /// Draw a box for the base with the pointer.
    DrawBaseBox(bool),
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
    /// Export settings changed.
    SetOutput(OutputSettings),
    /// Export.
    Export {
        /// Which frames.
        scope: FrameScope,
        /// Replace files that are there.
        replace: bool,
    },
    /// Stop the job under way.
    CancelJobs,
    /// Show a message.
    Tell(Notice),
    /// Take the message away.
    DismissNotice,
    /// Light or dark surround.
    SetDark(bool),
    /// Show or hide the table of keys.
    ShowKeys(bool),
}
