//! Questions that the user must answer before something can continue, and what then follows.

use std::path::PathBuf;

use glassine_engine::{MadeSession, NewSessionRequest, ScanReading};
use glassine_film::FilmKind;
use glassine_raster::TiltedBox;
use glassine_session::{ScanId, StripId};

/// A question the user must answer before something can continue.
#[derive(Debug, Clone)]
pub enum Question {
    /// There are unsaved changes; what to do once they are saved or discarded.
    Unsaved(PendingAction),
    /// The user tried to close the window during an export.
    Exporting,
    /// The user tried to close the window while film is scanned.
    Scanning,
    /// A box drawn to measure the film base lies in a picture.
    BaseInPicture { strip: StripId, area: TiltedBox, frame: String },
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
    /// Name of the file of a recipe.
    SaveRecipe,
    /// A recipe file to load.
    LoadRecipe,
    /// Folder to search for missing scans.
    ScanFolder,
    /// Folder that the scanner writes into.
    ScansInto,
    /// Folder whose new scans the session takes.
    WatchedFolder,
    /// Name of the file of a joined scan.
    WriteJoined(ScanId),
    /// The infrared file of a scan.
    Infrared(ScanId),
    /// The profile of the screen.
    ScreenProfile,
    /// The profile of a printer, for proofs.
    PrinterProfile,
    /// The profile of the printer of a recipe.
    RecipePrinter,
    /// A table of what is written about the frames.
    LoadTable,
    /// Name of the file of such a table.
    SaveTable,
    /// Scans of the same film to compare.
    FocusScans,
    /// Folder for a report of such a comparison.
    FocusFolder,
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
