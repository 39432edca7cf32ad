//! Exports: what can be requested, what would be written, and what was.

use std::path::PathBuf;

use glassine_session::{FrameId, OutputSettings};

use super::{ContactSheetReport, ContactSheetRequest, FrameScope, SessionAt, SharpenChoice};
use crate::error::Notice;

/// An export of many frames at once, in one kind or in several.
#[derive(Debug, Clone)]
pub struct ExportRequest {
    pub at: SessionAt,
    /// Target folder; created if missing.
    pub folder: PathBuf,
    pub scope: FrameScope,
    /// Output settings, usually the session's own.
    pub output: OutputSettings,
    /// Further kinds, made from the same reading and repair of each frame.
    pub more: Vec<OutputSettings>,
    /// A contact sheet of the session, from the pictures of this run where it makes them.
    pub sheet: Option<Box<ContactSheetRequest>>,
    /// Overrides the frames' own switch for dust repair.
    pub repair: Option<bool>,
    /// Overrides the frames' own sharpening.
    pub sharpen: Option<SharpenChoice>,
    /// Whether to replace existing files.
    pub replace: bool,
    /// Whether files of an earlier run stay if nothing they depend on has changed, and are replaced if it has. The folder
    /// then gets a manifest. Only a file that the manifest lists for the same frame of the same scan, and that is as it
    /// was written, is replaced without `replace`.
    pub update: bool,
    /// Time of the export, `YYYY:MM:DD HH:MM:SS` in universal time, for the metadata; the engine reads no clock for it.
    pub written_at: String,
}

impl ExportRequest {
    /// Every frame that is not left out, by the settings of the session, into a folder.
    pub fn new(at: SessionAt, folder: PathBuf) -> Self {
        Self {
            output: at.session.output.clone(),
            at,
            folder,
            scope: FrameScope::All,
            more: Vec::new(),
            sheet: None,
            repair: None,
            sharpen: None,
            replace: false,
            update: false,
            written_at: String::new(),
        }
    }

    /// The same in several kinds; without any, in the one that it has.
    #[must_use]
    pub fn in_kinds(mut self, kinds: Vec<OutputSettings>) -> Self {
        let mut kinds = kinds.into_iter();
        if let Some(first) = kinds.next() {
            self.output = first;
            self.more = kinds.collect();
        }
        self
    }

    /// Every kind.
    pub fn kinds(&self) -> Vec<&OutputSettings> {
        std::iter::once(&self.output).chain(&self.more).collect()
    }
}

/// What an export will do with one file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlannedState {
    /// It is written for the first time.
    New,
    /// It is there and would be the same again.
    Unchanged,
    /// It is there from an earlier run with other settings, and is replaced.
    Changed,
    /// Another file has its name, and is replaced.
    Replaced,
    /// It can't be written.
    Refused,
}

impl PlannedState {
    /// Name in `--json` output.
    pub fn key(self) -> &'static str {
        match self {
            Self::New => "new",
            Self::Unchanged => "unchanged",
            Self::Changed => "changed",
            Self::Replaced => "replaced",
            Self::Refused => "refused",
        }
    }
}

/// One file of an export that has not begun.
#[derive(Debug, Clone)]
pub struct PlannedFile {
    pub frame: FrameId,
    /// Its number as shown.
    pub number: String,
    /// Name of the recipe, or kind.
    pub recipe: String,
    /// `None` if it has no possible name.
    pub path: Option<PathBuf>,
    pub state: PlannedState,
    /// Why it is refused.
    pub notice: Option<Notice>,
}

/// A frame that was written.
#[derive(Debug, Clone)]
pub struct ExportedFile {
    pub frame: FrameId,
    /// Its number as shown at that time.
    pub number: String,
    /// Name of the recipe, or kind.
    pub recipe: String,
    pub path: PathBuf,
    pub width_px: u32,
    pub height_px: u32,
    /// Share of pixels at the black end, per channel.
    pub clip_low: [f64; 3],
    /// Share of pixels at the white end, per channel.
    pub clip_high: [f64; 3],
    /// Pixels those shares were counted on: all of the frame, before it is scaled down.
    pub counted_pixels: u64,
    /// Whether an exact count of the frame by the session's own settings says the same: it is a picture in their colour
    /// space, with their rendering, sampled as they ask.
    pub counts_for_session: bool,
    /// Bytes written.
    pub bytes: u64,
    /// Wall time, seconds.
    pub seconds: f64,
    /// Messages about this frame, for example that repair was refused.
    pub notes: Vec<String>,
}

/// A frame that could not be written.
#[derive(Debug, Clone)]
pub struct FailedFrame {
    pub frame: FrameId,
    /// Its number as shown at that time.
    pub number: String,
    /// What happened and what to do.
    pub notice: Notice,
}

/// Result of an export.
#[derive(Debug, Clone, Default)]
pub struct ExportReport {
    /// Finished files.
    pub written: Vec<ExportedFile>,
    /// Files of an earlier run that would have been the same again.
    pub unchanged: Vec<PathBuf>,
    /// Frames left out because they are marked as skipped.
    pub skipped: Vec<FrameId>,
    /// Frames that failed, each with its reason.
    pub failed: Vec<FailedFrame>,
    /// The contact sheet, if one was asked for.
    pub sheet: Option<ContactSheetReport>,
    /// What went wrong besides frames: the contact sheet, the manifest.
    pub notices: Vec<Notice>,
    /// Whether the user stopped it; finished files stay.
    pub cancelled: bool,
}
