//! Messages to the user: shown when something happens, and gone when what they speak of is.

use glassine_engine::{Notice, ScanCheck, ScanState};

use super::program::GlassineApp;
use crate::model::app_status::NoticeAbout;

impl GlassineApp {
    /// Shows a message about the current session.
    pub(crate) fn notify(&mut self, notice: Notice) {
        self.status.add_notice(notice, NoticeAbout::Session);
    }

    /// Shows a message about the program, or about files that stay when the session is left.
    pub(crate) fn notify_of_program(&mut self, notice: Notice) {
        self.status.add_notice(notice, NoticeAbout::Program);
    }

    /// Shows a message about a change that the user can undo.
    pub(crate) fn notify_of_change(&mut self, notice: Notice) {
        self.status.add_notice(notice, NoticeAbout::Change);
    }

    /// Shows a message about what is selected.
    pub(crate) fn notify_of_selection(&mut self, notice: Notice) {
        self.status.add_notice(notice, NoticeAbout::Selection);
    }

    /// Drops messages about scans that were missing or changed and are in order now.
    pub(super) fn drop_mended_scans(&mut self, before: &[ScanCheck]) {
        let is_mended = |check: &&ScanCheck| {
            let now = self.status.scan_problems.iter().find(|now| now.scan == check.scan);
            now.is_none_or(|now| now.state == ScanState::Same)
        };
        let mended: Vec<_> = before.iter().filter(is_mended).map(|check| check.path.clone()).collect();
        mended.iter().for_each(|path| self.status.mended(path));
    }
}
