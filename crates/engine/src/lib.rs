//! From settings to pictures: previews, exact counts, exports, the caches behind them and the threads they run on.
//!
//! **Invariant:** a preview is a region of the same pipeline as the export, never a second implementation.
//! **Invariant:** scans are only ever opened for reading.

mod adjust;
mod adjustments;
mod cache;
mod checks;
mod crew;
mod engine;
mod error;
mod export;
pub mod files;
mod films;
pub mod guard;
mod host;
pub mod jobs;
mod lanes;
mod layers;
mod look;
mod measured;
mod overlay;
mod prepare;
mod preview;
mod queue;
mod reading;
mod recipe;
mod relink;
mod render;
mod repair;
mod sampled;
mod scans;
mod screen;
mod shelf;
mod shrink;
mod steps;
mod strokes;
mod study;
mod tiles;
mod types;
mod watched;
mod worker;

pub use adjust::{BalanceHints, ChartPlace, StockReport, StockTarget};
pub use adjustments::read_stock;
pub use checks::{CheckDepth, ScanCheck, ScanState};
pub use crew::prepare_threads;
pub use engine::{DustOfScan, Engine};
pub use error::{EngineError, Notice, Severity};
pub use export::{ExportProgress, planned_paths};
pub use host::JobHost;
pub use reading::Reread;
pub use recipe::stock_of;
pub use relink::{FoundBy, Relinked};
pub use repair::RepairKey;
pub use steps::Step;
pub use types::{
    DIFFERENCE_GAIN, ExactCount, ExportReport, ExportRequest, ExportedFile, FailedFrame, FoundReading,
    FrameScope, MadeSession, NewSessionRequest, Overlay, PictureSide, Preview, PreviewRequest, RepairSummary,
    ScanPicture, ScanReading, SessionAt, SessionKey, UnitRect, ViewKey,
};
pub use worker::{SendEvent, Worker};
