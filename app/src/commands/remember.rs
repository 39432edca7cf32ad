//! What is remembered between runs: noted as it changes, and written a moment later by another thread.
//!
//! Nothing of the demo is noted: its names and folders are not the user's.

use std::sync::Arc;

use egui::Context;
use glassine_engine::{Preview, ViewKey};
use glassine_session::{OutputSettings, Session};

use super::program::GlassineApp;
use crate::model::remembered::{ExportHabits, NamedLook};
use crate::platform::clock;

impl GlassineApp {
    /// Takes over what the last run left.
    pub(crate) fn begin_with_remembered(&mut self) {
        let remembered = &self.options.state.remembered;
        self.ui_state.light |= remembered.light;
        if let Some(share) = remembered.strip_share.filter(|share| (0.1..=0.9).contains(share)) {
            self.ui_state.strip.share = share as f32;
        }
        self.ui_state.screen = remembered.screen.clone();
        self.ui_state.proof.printer_file.clone_from(&remembered.printer_profile);
        self.remembered = remembered.clone();
        self.status.looks.clone_from(&self.remembered.looks);
        self.status.sharpness.scanner = self.remembered.scanner.clone();
        if let Some(notice) = self.options.state.notice.take() {
            self.notify_of_program(notice);
        }
    }

    /// Notes what has changed in the window, and has it written once that has gathered for a second.
    pub(crate) fn remember_in_time(&mut self, ctx: &Context) {
        self.note_window();
        if let Some(wait_s) = self.keeper.keep_in_time(&self.remembered, self.now) {
            ctx.request_repaint_after_secs(wait_s as f32);
        }
        if let Some(trouble) = self.keeper.trouble() {
            self.notify_of_program(trouble);
        }
        self.look_at_recent(ctx);
    }

    /// Lists the recent sessions while the page that shows them is open.
    fn look_at_recent(&mut self, ctx: &Context) {
        let recent = &self.remembered.recent_sessions;
        if recent.is_empty() || !self.history.current().scans.is_empty() {
            self.status.recent.clear();
            self.recents.rest();
            return;
        }
        let thumbnails = self.options.state.thumbnails.as_deref();
        let here = self.options.inline_jobs;
        if let Some(mut shown) = self.recents.poll(ctx, recent, thumbnails, self.now, here) {
            // One may have been taken off while its file was looked at.
            shown.retain(|shown| recent.contains(&shown.recent));
            self.status.recent = shown;
        }
    }

    /// Has everything written at once, because the program ends.
    pub(crate) fn remember_now(&mut self) {
        self.note_window();
        self.keep_thumbnail();
        self.keeper.keep(&self.remembered);
    }

    fn note_window(&mut self) {
        self.remembered.light = self.ui_state.light;
        let share = (f64::from(self.ui_state.strip.share) * 1e3).round() / 1e3;
        self.remembered.strip_share = Some(share);
        self.remembered.screen.clone_from(&self.ui_state.screen);
        self.remembered.printer_profile.clone_from(&self.ui_state.proof.printer_file);
    }

    /// Keeps the settings of the frame shown large under a name.
    pub(super) fn keep_look(&mut self, name: &str) {
        let session = self.history.current();
        if let Some(frame) = self.ui_state.primary.and_then(|id| session.frame(id)) {
            self.remembered.keep_look(NamedLook::of(name, &frame.look));
            self.status.looks.clone_from(&self.remembered.looks);
        }
    }

    /// Gives up settings that were kept under a name.
    pub(super) fn forget_look(&mut self, name: &str) {
        self.remembered.looks.retain(|look| look.name != name);
        self.status.looks.clone_from(&self.remembered.looks);
    }

    /// Notes that the current session was opened or saved.
    pub(crate) fn remember_session(&mut self) {
        if let Some(path) = self.status.path.as_deref().filter(|_| !self.status.is_demo) {
            self.remembered.used_session(path, clock::now_unix_s());
        }
    }

    /// Notes the settings and the folder of an export of the current session.
    pub(crate) fn remember_export(&mut self, output: &OutputSettings) {
        if self.status.is_demo {
            return;
        }
        self.remembered.export = Some(ExportHabits::of(output));
        if let Some(folder) = &output.folder {
            self.remembered.folders.exported_to(folder);
        }
    }

    /// A new session with the export settings used last.
    pub(super) fn with_habits(&self, session: Session) -> Session {
        match &self.remembered.export {
            Some(habits) => Session { output: habits.applied_to(&session.output), ..session },
            None => session,
        }
    }

    /// Keeps the print of the first frame for the list of recent sessions.
    pub(crate) fn note_print(&mut self, preview: &Arc<Preview>) {
        let first = self.history.current().frames.first().map(|frame| ViewKey::Print(frame.id));
        if Some(preview.key) != first || preview.is_coarse {
            return;
        }
        let is_first_one = self.first_print.replace(Arc::clone(preview)).is_none();
        if is_first_one {
            self.keep_thumbnail();
        }
    }

    /// Has the small picture of the current session written.
    pub(crate) fn keep_thumbnail(&self) {
        if let (Some(path), Some(print), false) = (&self.status.path, &self.first_print, self.status.is_demo)
        {
            self.keeper.keep_thumbnail(path.clone(), Arc::clone(print));
        }
    }
}
