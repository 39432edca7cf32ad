//! The session: what the person decided about every scan, strip and frame, how it changes, and the file that keeps it.
//!
//! *Scope*: a plain value ([`Session`]), one pure function that changes it ([`Edit::apply`]), undo ([`History`]) and the
//! versioned file format ([`file`]).
//! *Out of scope*: pixels, threads, clocks, and writing to disk: [`file::to_json`] makes the bytes, someone else stores them.

mod edit;
pub mod file;
mod history;
mod model;
mod naming;
mod rebase;
mod stroke;

pub use edit::{Edit, EditError, FoundStripEdit, NewFrame};
pub use history::History;
pub use model::{
    BalanceChoice, BaseSource, EncodingChoice, FilmBase, Fingerprint, FourthSampleChoice, Frame, FrameFlag,
    FrameId, FrameSolve, OutputKind, OutputSettings, ScanId, ScanRef, Session, Strip, StripId, StripSolve,
    TiffCompression,
};
pub use naming::{NameError, file_stem};
pub use stroke::{BrushStroke, StrokeKind};
pub use rebase::{Rebased, rebase};
