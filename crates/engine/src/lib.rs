//! From settings to pictures: previews, exact counts, exports, the caches behind them and the threads they run on.
//!
//! **Invariant:** a preview is a region of the same pipeline as the export, never a second implementation.
//! **Invariant:** scans are only ever opened for reading.

mod engine;
mod error;
mod host;
pub mod jobs;
mod types;

pub use engine::Engine;
pub use error::{EngineError, Notice, Severity};
pub use host::JobHost;
pub use types::{
    ExportReport, ExportRequest, ExportedFile, FailedFrame, FrameScope, MadeSession, NewSessionRequest,
    Overlay, PictureSide, Preview, PreviewRequest, ScanPicture, SessionAt, UnitRect, ViewKey,
};
