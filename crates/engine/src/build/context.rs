//! What the steps from scan to session have in common: their inputs, and the edits they make.

use std::path::Path;

use glassine_raster::CancelToken;
use glassine_session::{Edit, Session};

use crate::error::{EngineError, Notice, Severity};
use crate::scans::ScanStore;

/// Progress of one step, 0 to 1, with what is being done.
pub(crate) type Progress<'a> = &'a (dyn Fn(f32, &str) + Sync);

/// What all steps need.
pub(crate) struct AnalysisContext<'a> {
    pub(crate) scans: &'a ScanStore,
    pub(crate) folder: Option<&'a Path>,
    pub(crate) cancel: &'a CancelToken,
    pub(crate) progress: Progress<'a>,
}

/// Edits made one after the other; each is applied before the next is computed.
pub(crate) struct EditBuilder {
    pub(crate) session: Session,
    pub(crate) edits: Vec<Edit>,
    pub(crate) notices: Vec<Notice>,
}

impl EditBuilder {
    pub(crate) fn new(session: Session) -> Self {
        Self { session, edits: Vec::new(), notices: Vec::new() }
    }

    pub(crate) fn push(&mut self, edit: Edit) -> Result<(), EngineError> {
        self.session = edit.apply(&self.session)?;
        self.edits.push(edit);
        Ok(())
    }

    pub(crate) fn warn(&mut self, headline: impl Into<String>, what_to_do: &str) {
        self.notices.push(Notice::new(Severity::Warning, headline, what_to_do));
    }
}
