//! Scans that are new: overviews, and files that appear in the watched folder.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::Context;
use glassine_engine::jobs::Job;
use glassine_engine::{NewSessionRequest, Notice, Severity};

use crate::commands::program::GlassineApp;
use crate::model::questions::PendingAction;
use crate::model::scanner_state::scan_of;
use crate::services::arrivals::{Arrived, FolderWatch, NewScan, late_infrared_notice};

impl GlassineApp {
    /// Opens a scan as the next one of the session, with film, format and roll of the last strip, or as a new session.
    pub(super) fn open_like_the_last(&mut self, path: PathBuf, infrared: Option<PathBuf>, ppi: Option<f64>) {
        let session = self.history.current();
        let is_own = !self.status.is_demo;
        let last = session.strips_in_order().last().filter(|_| is_own).map(|strip| Arc::clone(strip));
        let request = NewSessionRequest {
            scans: vec![path.clone()],
            infrared,
            film: last.as_ref().filter(|strip| !strip.film_is_guessed()).map(|strip| strip.film),
            format_id: last.as_ref().and_then(|strip| strip.format_id.clone()),
            roll: last.and_then(|strip| strip.roll),
            ppi,
            ..NewSessionRequest::default()
        };
        if !session.scans.is_empty() && is_own {
            let id = self.submit(Job::AddScans(request.clone()));
            self.files.opening.insert(id, request);
        } else if self.is_unsaved() {
            self.scanner.opens = Some(path);
            self.ask_about_unsaved(PendingAction::NewSession(Box::new(request)));
        } else {
            self.scanner.opens = Some(path);
            self.open_scans(request);
        }
    }

    pub(in crate::commands) fn watch_folder(&mut self, ctx: &Context, folder: &Path) {
        let ctx = ctx.clone();
        match FolderWatch::begin(folder, move || ctx.request_repaint()) {
            Ok(watch) => {
                self.status.scanner.watched = Some(watch.folder.clone());
                self.scanner.watch = Some(watch);
            }
            Err(error) => {
                let headline = format!("this folder cannot be watched: {error}");
                let what_to_do = "choose a folder that exists and that you may read";
                self.notify(Notice::new(Severity::Error, headline, what_to_do).about(folder));
            }
        }
    }

    /// Opens the next scan of the watched folder, once the one before is open.
    pub(super) fn take_arrived(&mut self) {
        let Some(watch) = &self.scanner.watch else { return };
        for arrived in watch.take() {
            match arrived {
                Arrived::Scan { real_path, .. } if self.scanner.written.contains(&real_path) => {}
                Arrived::Scan { scan, .. } => self.scanner.arrived.push_back(scan),
                Arrived::LateInfrared { scan } if scan_of(self.session(), &scan).is_none() => {}
                Arrived::LateInfrared { scan } => {
                    let what_to_do = "choose it in the section film, under infrared";
                    self.notify(late_infrared_notice(&scan, what_to_do));
                }
            }
        }
        let is_free = self.files.opening.is_empty() && self.ui_state.question.is_none();
        if !is_free || self.history.in_gesture() {
            return;
        }
        if let Some(NewScan { path, infrared }) = self.scanner.arrived.pop_front()
            && scan_of(self.session(), &path).is_none()
        {
            self.open_like_the_last(path, infrared, None);
        }
    }
}
