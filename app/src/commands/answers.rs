//! Handles answers to questions: carries out what waited for them, or drops it.

use std::path::PathBuf;

use egui::Context;
use glassine_engine::NewSessionRequest;
use glassine_engine::jobs::Job;

use super::program::GlassineApp;
use crate::model::questions::{Answer, PendingAction, Question};
use crate::model::ui_state::StripTool;
use crate::services::demo_session;
use crate::services::file_dialogs::typed_paths;

impl GlassineApp {
    pub(super) fn answer(&mut self, ctx: &Context, answer: Answer) {
        let Some(question) = self.ui_state.question.take() else { return };
        match (question, answer) {
            (Question::Unsaved(action), Answer::Yes) => match self.save_or_ask(ctx) {
                Some(id) => self.files.after_save = Some((id, action)),
                None => self.files.after_naming = Some(action),
            },
            (Question::Unsaved(action), Answer::No) => {
                self.files.given_up = Some(self.history.current().clone());
                self.resume(action);
            }
            (Question::Exporting, answer) => self.answer_about_export(answer),
            (Question::Scanning, Answer::Yes) => {
                self.give_scan_up();
                self.commands.push(super::FileCommand::Quit.into());
            }
            (Question::TypePath { purpose, text }, Answer::Yes) => {
                let home = directories::UserDirs::new().map(|dirs| dirs.home_dir().to_path_buf());
                let paths = typed_paths(&text, home.as_deref());
                if !paths.is_empty() {
                    self.use_paths(ctx, purpose, paths);
                }
            }
            (
                Question::NewSession { scans, film, format_id, reading, one_frame_per_file, add },
                Answer::Yes,
            ) => {
                if let Some(scan) = scans.first().filter(|scan| !demo_session::is_scan(scan)) {
                    self.remembered.folders.opened_scan(scan);
                }
                let request = NewSessionRequest {
                    title: title_of(&scans),
                    scans,
                    film,
                    format_id,
                    reading,
                    one_frame_per_file,
                    ..NewSessionRequest::default()
                };
                if add && !self.status.is_demo {
                    let id = self.submit(Job::AddScans(request.clone()));
                    self.files.opening.insert(id, request);
                } else if self.is_unsaved() {
                    self.ask_about_unsaved(PendingAction::NewSession(Box::new(request)));
                } else {
                    self.open_scans(request);
                }
            }
            (Question::BaseInPicture { strip, area, .. }, Answer::Yes) => {
                self.submit(Job::MeasureBase { strip, area: Some(area) });
            }
            (Question::BaseInPicture { .. }, _) => self.ui_state.tool = StripTool::BaseBox,
            (Question::TypePath { .. }, _) => self.files.after_naming = None,
            // The user keeps the current session.
            (Question::Unsaved(_) | Question::NewSession { .. } | Question::Scanning, _) => {}
        }
    }

    /// Asks the question the user must answer before leaving the session.
    pub(crate) fn ask_about_unsaved(&mut self, action: PendingAction) {
        self.ui_state.question = Some(Question::Unsaved(action));
    }
}

/// Name of a roll from its scans: the folder of several files, else the file's own name.
fn title_of(scans: &[PathBuf]) -> String {
    let name = |part: Option<&std::ffi::OsStr>| part.map(|name| name.to_string_lossy().into_owned());
    let first = scans.first();
    let folder = first.and_then(|path| path.parent()).and_then(|folder| name(folder.file_name()));
    let stem = first.and_then(|path| name(path.file_stem()));
    (if scans.len() > 1 { folder.or(stem) } else { stem }).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_roll_is_named_after_its_file_or_folder() {
        assert_eq!(title_of(&["/x/harbour.tif".into()]), "harbour");
        assert_eq!(title_of(&["/x/roll 3/1.tif".into(), "/x/roll 3/2.tif".into()]), "roll 3");
    }
}
