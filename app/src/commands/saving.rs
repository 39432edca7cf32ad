//! Saving the session under its name or another one.

use std::path::PathBuf;

use egui::Context;
use glassine_engine::jobs::{Job, JobId, SaveOver};
use glassine_engine::session_files::{self, Access, Saved};
use glassine_engine::{Notice, SessionKey, Severity};
use glassine_session::Session;

use super::program::GlassineApp;
use crate::model::questions::PathPurpose;

/// File name extension of session files.
pub(super) const SESSION_ENDING: &str = "session.json";

/// A save that has not ended yet.
#[derive(Debug)]
pub(super) struct Saving {
    pub(super) id: JobId,
    pub(super) path: PathBuf,
    pub(super) session: Session,
}

impl GlassineApp {
    /// Saves under a chosen name. A name under which another program works is refused, and the user is asked again.
    pub(super) fn save_as(&mut self, ctx: &Context, path: PathBuf) -> Option<JobId> {
        let path = with_session_ending(path);
        let is_held = self.status.held_by.is_some()
            && self.status.path.as_ref().is_some_and(|held| session_files::real_path(&path) == *held);
        if is_held {
            return self.save_or_ask(ctx);
        }
        Some(self.save(path, SaveOver::Chosen))
    }

    /// An unused name beside the session file; `None` before the first save, or if the session may keep its name.
    pub(super) fn free_name(&self) -> Option<PathBuf> {
        let path = self.status.path.as_ref()?;
        if self.status.held_by.is_none() && self.status.conflict.is_none() {
            return None;
        }
        let name = path.file_name()?.to_string_lossy();
        let stem = name.strip_suffix(&format!(".{SESSION_ENDING}")).unwrap_or(&name);
        (2..1_000)
            .map(|count| path.with_file_name(format!("{stem} {count}.{SESSION_ENDING}")))
            .find(|path| path.symlink_metadata().is_err())
    }

    /// Saves under the session's name. Asks for a name if there is none, or if another program works under it.
    pub(super) fn save_or_ask(&mut self, ctx: &Context) -> Option<JobId> {
        if let Access::HeldBy(holder) = &self.files.access {
            let headline =
                format!("this session is open elsewhere ({holder}); it is not saved under its name");
            let notice = Notice::new(Severity::Warning, headline, "save it under another name");
            self.notify(match &self.status.path {
                Some(path) => notice.about(path),
                None => notice,
            });
            self.ask_path(ctx, PathPurpose::SaveAs);
            return None;
        }
        match self.save_target() {
            Some(path) => Some(self.save(path, SaveOver::Opened(self.files.opened.clone()))),
            None => {
                self.ask_path(ctx, PathPurpose::SaveAs);
                None
            }
        }
    }

    /// The file that a save goes to: the one being written, else that of the session.
    fn save_target(&self) -> Option<PathBuf> {
        self.files.saving.last().map(|saving| saving.path.clone()).or_else(|| self.status.path.clone())
    }

    pub(super) fn save(&mut self, path: PathBuf, over: SaveOver) -> JobId {
        self.status.conflict = None;
        // A chosen name is the session's own if the session is already saved there.
        let is_own = self.status.path.as_ref() == Some(&path);
        let over = match over {
            SaveOver::Chosen if is_own && self.files.opened.is_some() => {
                SaveOver::Opened(self.files.opened.clone())
            }
            over => over,
        };
        let autosaves = self.files.autosaves.iter().cloned().collect();
        let id = self.submit(Job::Save { path: path.clone(), over, autosaves });
        let session = self.history.current().clone();
        self.files.saving.push(Saving { id, path, session });
        id
    }

    /// Handles a written session file. Only the current session takes its name from it.
    pub(crate) fn saved(
        &mut self,
        id: JobId,
        key: SessionKey,
        session: Session,
        saved: Saved,
        access: Option<Access>,
    ) {
        let Saved { path, state, kept, notices } = saved;
        notices.into_iter().for_each(|notice| self.notify(notice));
        if let Some(kept) = kept {
            let notice = Notice::new(Severity::Info, "the version of the other program was kept", "");
            self.notify(notice.about(kept));
        }
        if key == self.key {
            self.history.mark_saved(session);
            if self.status.path.as_ref() != Some(&path) {
                // The next autosave goes beside the new file.
                self.files.autosave_place = None;
                self.set_access(access.unwrap_or_default());
                self.jobs.engine().work_beside(Some(&path));
            }
            self.files.opened = Some(state);
            // Under this name the session is saved, and what was wrong under the old one no longer matters.
            let old = self.status.path.replace(path.clone());
            old.iter().chain([&path]).for_each(|path| self.status.mended(path));
            self.files.autosaves.iter().for_each(|autosave| self.status.no_longer_about(autosave));
            self.remember_session();
            self.keep_thumbnail();
            // The save removed the autosaves: what has changed since, or was undone, is autosaved again.
            self.files.autosaved = None;
            self.touched();
        } else {
            let notice = Notice::new(Severity::Info, "the previous session is saved", "");
            self.notify_of_program(notice.about(path));
        }
        if let Some((_, action)) = self.files.after_save.take_if(|(job, _)| *job == id) {
            // Changes since the save began, and those of a session that became current meanwhile, are not in the file,
            // so ask again.
            if self.is_unsaved() {
                self.ask_about_unsaved(action);
            } else {
                self.resume(action);
            }
        }
    }
}

/// The path with the extension of session files.
fn with_session_ending(path: PathBuf) -> PathBuf {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    if name.to_lowercase().ends_with(".json") {
        return path;
    }
    path.with_file_name(format!("{name}.{SESSION_ENDING}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_session_name_gets_its_ending_once() {
        assert_eq!(with_session_ending("/a/harbour".into()), PathBuf::from("/a/harbour.session.json"));
        assert_eq!(with_session_ending("/a/b.session.json".into()), PathBuf::from("/a/b.session.json"));
    }
}
