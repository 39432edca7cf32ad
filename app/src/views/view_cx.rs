//! What a view gets to draw with.

use std::sync::Arc;

use glassine_session::{Frame, ScanId, Session, Strip};

use crate::commands::Command;
use crate::model::app_status::AppStatus;
use crate::model::ui_state::UiState;
use crate::services::preview_store::PreviewStore;

/// What a view gets: everything to read, its own state to change, and a list for its commands.
#[derive(Debug)]
pub struct ViewCx<'a> {
    /// The session, previewed changes included.
    pub session: &'a Session,
    /// Facts about the program.
    pub status: &'a AppStatus,
    /// Selection, zoom, panes.
    pub ui_state: &'a mut UiState,
    /// Finished pictures.
    pub previews: &'a PreviewStore,
    /// Commands of the view.
    pub out: &'a mut Vec<Command>,
}

impl<'a> ViewCx<'a> {
    /// The current frame.
    pub fn primary(&self) -> Option<&'a Arc<Frame>> {
        self.ui_state.primary.and_then(|id| self.session.frame(id))
    }

    /// Selected frames in the order shown.
    pub fn selected(&self) -> Vec<&'a Arc<Frame>> {
        self.session.frames.iter().filter(|frame| self.ui_state.selected.contains(&frame.id)).collect()
    }

    /// The current strip (`UiState::strip`).
    pub fn strip(&self) -> Option<&'a Arc<Strip>> {
        self.ui_state.strip(self.session)
    }

    /// The current scan.
    pub fn scan(&self) -> Option<ScanId> {
        self.strip().map(|strip| strip.scan).or_else(|| self.session.scans.first().map(|scan| scan.id))
    }

    pub fn push(&mut self, command: impl Into<Command>) {
        self.out.push(command.into());
    }
}
