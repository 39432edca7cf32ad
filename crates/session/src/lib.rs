//! The session: the user's decisions about every scan, strip and frame, how they change, and the file that keeps them.
//!
//! *Scope*: a plain value ([`Session`]), one pure function that changes it ([`Edit::apply`]), undo ([`History`]) and
//! the versioned file format ([`file`]).
//! *Out of scope*: pixels, threads, clocks, and writing to disk: [`file::to_json`] makes the bytes, the caller stores
//! them.

#![cfg_attr(
    not(test),
    warn(
        clippy::cast_possible_truncation,
        clippy::cast_possible_wrap,
        clippy::cast_precision_loss,
        clippy::cast_sign_loss
    )
)]

mod boxes;
pub mod crop_guard;
mod departure;
mod differences;
mod edit;
pub mod file;
mod history;
mod model;
mod naming;
mod rebase;
mod stroke;
mod unknown;

pub use boxes::{BoxProblem, box_problem, frame_problem};
pub use departure::{Departure, departure};
pub use differences::differences;
pub use edit::{Edit, EditError, FoundStripEdit, NewFrame, Relink, Rescanned, ScaleShift};
pub use history::History;
pub use model::{
    BaseSource, DensityEncoding, EncodingChoice, ExportRecipe, FILM_IS_GUESSED, Facts, FilmBase, FilmNumber,
    Fingerprint, FoundEncoding, FourthSampleChoice, Frame, FrameFlag, FrameId, FrameMark, FrameSolve, Join,
    JoinPart, OutputKind, OutputSettings, PrintIntent, PrintSettings, Printer, ReadCode, Roll, RollId,
    ScanId, ScanRef, Session, StrayLightChoice, Strip, StripCode, StripId, StripSolve, TiffCompression,
    WebFormat, is_same_number,
};
pub use naming::{
    NAME_PIECES, NameError, NameFacts, check_name, clash_key, file_stem, frame_path, is_template,
};
pub use rebase::{Rebased, rebase};
pub use stroke::{BrushStroke, StrokeKind};
