//! Closing the window: nothing unsaved is lost, and the user decides whether a running export finishes or stops.

use egui::{Context, ViewportCommand};
use glassine_engine::{ExportReport, Notice, Severity};

use super::program::GlassineApp;
use crate::commands::{Command, FileCommand};
use crate::model::questions::{Answer, PendingAction, Question};

/// How an export ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ExportEnd {
    /// Every picture is written.
    Finished,
    /// The export was stopped.
    Stopped,
    /// Something could not be written; the user should see it.
    Failed,
}

impl ExportEnd {
    pub(crate) fn of(report: &ExportReport) -> Self {
        if !report.failed.is_empty() {
            Self::Failed
        } else if report.cancelled {
            Self::Stopped
        } else {
            Self::Finished
        }
    }
}

impl GlassineApp {
    /// Closes the window, or asks about whatever prevents it.
    pub(super) fn quit(&mut self, ctx: &Context) {
        if !self.ask_before_closing() {
            self.leave_autosave();
            ctx.send_viewport_cmd(ViewportCommand::Close);
        }
    }

    /// Asks about whatever prevents closing; `false` if nothing does.
    pub(crate) fn ask_before_closing(&mut self) -> bool {
        if self.is_unsaved() && !self.is_given_up() {
            self.ask_about_unsaved(PendingAction::Close);
            return true;
        }
        if self.is_scanning() {
            self.ui_state.question = Some(Question::Scanning);
            return true;
        }
        let is_exporting = self.status.exporting().is_some();
        if is_exporting {
            self.ui_state.question = Some(Question::Exporting);
        }
        is_exporting
    }

    /// Applies the user's answer about the running export on a close request.
    pub(super) fn answer_about_export(&mut self, answer: Answer) {
        let export = self.status.exporting().map(|job| job.id);
        self.files.closes_once = match (answer, export) {
            (Answer::Cancel, _) => {
                if self.files.given_up.take().is_some() {
                    // Autosave changes again that the user meant to give up.
                    self.touched();
                }
                None
            }
            (_, None) => {
                self.commands.push(Command::File(FileCommand::Quit));
                None
            }
            (Answer::Yes, Some(_)) => {
                self.notify(Notice::new(
                    Severity::Info,
                    "the window closes when the export has finished",
                    "close it again to choose otherwise",
                ));
                Some(ExportEnd::Finished)
            }
            (Answer::No, Some(id)) => {
                self.jobs.cancel(id);
                Some(ExportEnd::Stopped)
            }
        };
    }

    /// Closes the window if it waited for this end of the export.
    ///
    /// A failure is shown instead, unless the user gave the export up.
    pub(crate) fn export_ended(&mut self, end: ExportEnd) {
        let mut closes_once = self.files.closes_once.take();
        if matches!(self.ui_state.question, Some(Question::Exporting)) {
            // The question no longer applies.
            self.ui_state.question = None;
            closes_once = closes_once.or(Some(ExportEnd::Finished));
        }
        if closes_once == Some(ExportEnd::Stopped) || closes_once == Some(end) {
            self.commands.push(Command::File(FileCommand::Quit));
        }
    }
}
