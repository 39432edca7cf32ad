//! Autosaves: every change is on disk within a second, under a name of this run, until it is saved or given up.

use egui::Context;
use glassine_engine::jobs::{Job, JobId};

use super::program::GlassineApp;

/// Longest time from a change to the start of its autosave; with the time to write it, less than a second.
const AUTOSAVE_WITHIN_S: f64 = 0.5;
/// Wait before a failed autosave is tried again.
const AUTOSAVE_AGAIN_S: f64 = 5.0;

impl GlassineApp {
    /// Autosaves shortly after the first change that is not autosaved yet.
    ///
    /// Key presses that belong to one step do not wait for its end; a drag does.
    pub(crate) fn autosave_in_time(&mut self, ctx: &Context) {
        let Some(touched_at) = self.files.touched_at else { return };
        let wait = touched_at + AUTOSAVE_WITHIN_S - self.now;
        if wait > 0.0 {
            ctx.request_repaint_after_secs(wait as f32);
            return;
        }
        if self.history.in_gesture() && self.key_presses.is_none() {
            return;
        }
        self.autosave();
    }

    /// Autosaves what is neither saved nor given up, because the program ends.
    pub(crate) fn autosave_now(&mut self) {
        if self.is_unsaved() && !self.is_given_up() {
            self.autosave();
        }
    }

    /// Autosaves what is not autosaved yet.
    pub(crate) fn autosave(&mut self) {
        self.files.touched_at = None;
        let session = self.history.current();
        if !self.is_unsaved() {
            self.forget_autosave();
            return;
        }
        if self.files.autosaved.as_ref() == Some(session) {
            return;
        }
        let session = session.clone();
        let run = self.jobs.engine().saving_run();
        let (place, path) = (&mut self.files.autosave_place, self.status.path.as_deref());
        let Some(path) = place.take().or_else(|| run.autosave_path(path)) else { return };
        *place = Some(path.clone());
        self.files.autosaves.insert(path.clone());
        self.files.autosaved = Some(session);
        self.files.autosaving = Some(self.submit(Job::Autosave { path }));
    }

    /// Drops what was said of an earlier autosave that failed.
    pub(crate) fn autosaved(&mut self) {
        if let Some(path) = &self.files.autosave_place {
            self.status.mended(path);
        }
    }

    /// Schedules another attempt after a failed autosave.
    pub(crate) fn autosave_failed(&mut self, id: JobId) {
        if self.files.autosaving == Some(id) {
            self.files.autosaved = None;
            self.files.touched_at.get_or_insert(self.now + AUTOSAVE_AGAIN_S);
        }
    }

    /// Discards the autosaves of a session that equals its saved state (again) or was given up.
    pub(super) fn forget_autosave(&mut self) {
        self.files.autosaved = None;
        let autosaves = std::mem::take(&mut self.files.autosaves);
        if !autosaves.is_empty() {
            self.submit(Job::DiscardAutosaves(autosaves.into_iter().collect()));
        }
    }

    /// Discards the autosaves of the session the user leaves if it is saved or given up: they need not be offered
    /// again.
    pub(crate) fn leave_autosave(&mut self) {
        if self.is_given_up() || !self.is_unsaved() {
            self.forget_autosave();
        }
    }
}
