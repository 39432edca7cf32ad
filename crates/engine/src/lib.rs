//! From settings to pictures: previews, exact counts, exports, the caches behind them and the threads they run on.
//!
//! **Invariant:** a preview is a region of the same pipeline as the export, never a second implementation.
//! **Invariant:** scans are only ever opened for reading.

mod archive;
mod build;
mod cache;
mod check;
mod checksum;
pub mod colour;
mod contact_sheet;
mod dust;
mod engine;
mod error;
mod focus;
mod frame;
mod host;
pub mod jobs;
mod preview;
mod render;
mod scans;
pub mod session_files;
mod threads;
mod types;

pub use build::adjust::{BalanceHints, ChartPlace, StockReport, StockTarget};
pub use build::infrared_file::scans_with_infrared;
pub use build::reread::Reread;
pub use build::stock_files::read_stock;
pub use dust::{DustOfScan, RepairKey};
pub use engine::Engine;
pub use error::{EngineError, Notice, Severity, counted};
pub use focus::{FocusPlace, FocusReport, FocusRequest, FocusScan};
pub use frame::stock_of;
pub use glassine_scancheck::{
    Finding as ScanFinding, Measure as ScanMeasure, Report as ScanReport, What as ScanFault,
};
pub use host::JobHost;
pub use host::steps::Step;
pub use jobs::worker::{SendEvent, Worker};
pub use render::export::{ExportProgress, planned_files, planned_paths};
pub use scans::checks::{CheckDepth, ScanCheck, ScanState};
pub use scans::relink::{FoundBy, Relinked};
pub use session_files::MadeSession;
pub use threads::prepare_threads;
pub use types::{
    ArchiveReport, ArchiveRequest, ContactSheetReport, ContactSheetRequest, DIFFERENCE_GAIN, ExactCount,
    ExportReport, ExportRequest, ExportedFile, FailedFrame, FolderCheck, FolderFault, FolderFinding,
    FoundReading, FrameScope, NewSessionRequest, Overlay, PAPERS_MM, PictureSide, PlannedFile, PlannedState,
    Preview, PreviewRequest, RepairSummary, RescanRequest, ScanMarks, ScanPicture, ScanReading, SessionAt,
    SessionKey, SharpenChoice, SharpenSuggestion, SheetArrangement, SheetLayout, UnitRect, ViewKey,
};
