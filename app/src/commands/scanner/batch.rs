//! A file for each frame: one scan after the other, and the frames taken over to their scans.

use egui::Context;
use glassine_acquire::Scanned;
use glassine_engine::RescanRequest;
use glassine_engine::jobs::{Job, JobId};

use super::ScannerCommand;
use crate::commands::job_events::Waiting;
use crate::commands::program::GlassineApp;
use crate::model::scanner_exposure::exposure_ratio;
use crate::model::scanner_state::{Batch, Doing, ItemState, items, items_left};

impl GlassineApp {
    pub(super) fn scan_frames(&mut self, ctx: &Context) {
        let facts = &self.status.scanner;
        let Some(overview) = facts.overview.clone().filter(|_| facts.doing.is_none()) else { return };
        let choices = facts.choices.clone();
        let items = items(self.history.current(), &overview, choices.unit, facts.state.whole_area);
        let items = items_left(items, &facts.taking);
        if items.is_empty() || self.folder_or_ask(ctx, ScannerCommand::ScanFrames).is_none() {
            return;
        }
        let ppi = choices.frames_ppi;
        let batch = Batch { items, overview, ppi, is_stopped: false };
        if self.has_room(batch.megapixels(|_| true)) {
            self.status.scanner.batch = Some(batch);
            self.scanner.key = self.key;
            self.begin_estimate();
            self.scan_next(ctx);
        }
    }

    pub(super) fn go_on(&mut self, ctx: &Context) {
        if self.status.scanner.doing.is_some() || self.scanner.key != self.key {
            return;
        }
        let left = self.status.scanner.batch.as_ref();
        let left = left.map_or(0.0, |batch| batch.megapixels(|state| *state != ItemState::Done));
        if !self.has_room(left) {
            return;
        }
        if let Some(batch) = &mut self.status.scanner.batch {
            batch.is_stopped = false;
            let failed = batch.items.iter_mut().filter(|item| item.state != ItemState::Done);
            failed.for_each(|item| item.state = ItemState::Waiting);
            self.begin_estimate();
            self.scan_next(ctx);
        }
    }

    /// Scans the next file of the batch; frames deleted meanwhile are left out.
    fn scan_next(&mut self, ctx: &Context) {
        let Some(folder) = self.scans_folder() else { return };
        let session = self.history.current().clone();
        let Some(batch) = &mut self.status.scanner.batch else { return };
        for item in &mut batch.items {
            item.frames.retain(|frame| session.frame(*frame).is_some());
        }
        batch.items.retain(|item| !item.frames.is_empty());
        let next = batch.items.iter().position(|item| item.state == ItemState::Waiting);
        let Some(nth) = next else {
            self.look_at_free_space();
            return self.solve_taken();
        };
        let item = &mut batch.items[nth];
        item.state = ItemState::Scanning;
        let (stem, area, ppi) = (item.stem.clone(), item.area, batch.ppi);
        let choices = self.status.scanner.choices.clone();
        match self.begin_scan(ctx, &choices, (ppi, Some(area)), (folder, &stem)) {
            Some(id) => self.scanner_does(Doing::Item { id, nth }),
            None => self.stop_batch(nth, ItemState::Waiting),
        }
    }

    pub(super) fn stop_batch(&mut self, nth: usize, state: ItemState) {
        if let Some(batch) = &mut self.status.scanner.batch {
            batch.is_stopped = true;
            if let Some(item) = batch.items.get_mut(nth) {
                item.state = state;
            }
        }
    }

    /// Solves frames that were taken over together, once none is scanned or on its way.
    pub(super) fn solve_taken(&mut self) {
        let is_scanning = matches!(self.status.scanner.doing, Some(Doing::Item { .. }));
        if !is_scanning && self.scanner.taking.is_empty() && !self.scanner.taken.is_empty() {
            let frames = std::mem::take(&mut self.scanner.taken);
            self.waiting.push(Waiting::SolveFrames(frames));
        }
    }

    /// Notes that a job ended: the frames of a scan are taken over, or could not be.
    pub(crate) fn scanner_job_ended(&mut self, id: JobId) {
        let before = self.scanner.taking.len();
        self.scanner.taking.retain(|(taking, _)| *taking != id);
        if self.scanner.taking.len() < before {
            self.show_taking();
            self.solve_taken();
        }
    }

    fn show_taking(&mut self) {
        let frames = self.scanner.taking.iter().flat_map(|(_, frames)| frames.iter().copied());
        self.status.scanner.taking = frames.collect();
    }

    /// Has the frames taken over to their scan, and scans on.
    pub(super) fn item_scanned(&mut self, ctx: &Context, nth: usize, scanned: &Scanned) {
        self.note_scan(scanned);
        let Some(batch) = &mut self.status.scanner.batch else { return };
        let overview = batch.overview.clone();
        let ppi = scanned.applied.ppi.unwrap_or(batch.ppi);
        let Some(item) = batch.items.get_mut(nth) else { return };
        item.state = ItemState::Done;
        let area = scanned.applied.area.unwrap_or(item.area);
        let is_stopped = batch.is_stopped;
        let mut frames = batch.items[nth].frames.clone();
        // Frames may have been deleted while they were scanned.
        frames.retain(|frame| self.history.current().frame(*frame).is_some());
        if !frames.is_empty() {
            let request = RescanRequest {
                file: scanned.scan.file.path.clone(),
                frames: frames.clone(),
                to_new: overview.to_scan(area, ppi),
                ppi: Some(ppi),
                exposure_ratio: exposure_ratio(&self.status.scanner.state, &overview.exposures),
            };
            let job = self.submit(Job::Rescan(request));
            self.scanner.taking.push((job, frames.clone()));
            self.scanner.taken.extend(frames);
            self.show_taking();
        }
        if is_stopped { self.solve_taken() } else { self.scan_next(ctx) }
    }
}
