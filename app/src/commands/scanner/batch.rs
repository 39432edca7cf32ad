//! A file for each frame: one scan after the other, and the frames taken over to their scans.

use egui::Context;
use glassine_acquire::Scanned;
use glassine_engine::RescanRequest;
use glassine_engine::jobs::{Job, JobId};

use super::{ScannerCommand, free_path};
use crate::app::GlassineApp;
use crate::model::scanner_state::{Batch, Doing, ItemState, items, items_left};
use crate::services::job_events::Waiting;

impl GlassineApp {
    pub(super) fn scan_frames(&mut self, ctx: &Context) {
        let facts = &self.status.scanner;
        let Some(overview) = facts.overview.clone().filter(|_| facts.doing.is_none()) else { return };
        let choices = facts.choices.clone();
        let items = items(self.history.current(), &overview, choices.unit, facts.state.whole_area);
        let items = items_left(items, facts.batch.as_ref());
        if items.is_empty() || self.folder_or_ask(ctx, ScannerCommand::ScanFrames).is_none() {
            return;
        }
        let batch = Batch { items, overview, ppi: choices.frames_ppi, is_stopped: false };
        if self.has_room(batch.megapixels(|_| true)) {
            self.status.scanner.batch = Some(batch);
            self.scanner.key = self.key;
            self.scan_next(ctx);
        }
    }

    pub(super) fn go_on(&mut self, ctx: &Context) {
        if self.status.scanner.doing.is_some() || self.scanner.key != self.key {
            return;
        }
        if let Some(batch) = &mut self.status.scanner.batch {
            batch.is_stopped = false;
            let failed = batch.items.iter_mut().filter(|item| item.state != ItemState::Done);
            failed.for_each(|item| item.state = ItemState::Waiting);
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
        let Some(nth) = next else { return self.end_batch() };
        let item = &mut batch.items[nth];
        item.state = ItemState::Scanning;
        let (stem, area, ppi) = (item.stem.clone(), item.area, batch.ppi);
        let path = free_path(&folder, &format!("{}-{stem}", self.scan_name()));
        let choices = self.status.scanner.choices.clone();
        match self.begin_scan(ctx, &choices, (ppi, Some(area)), path) {
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

    /// Solves the frames of a batch together, once all are taken over.
    pub(super) fn end_batch(&mut self) {
        self.look_at_free_space();
        let is_done = self.status.scanner.batch.as_ref().is_some_and(|batch| batch.left() == 0);
        if is_done && self.scanner.taking.is_empty() && !self.scanner.taken.is_empty() {
            let frames = std::mem::take(&mut self.scanner.taken);
            self.waiting.push(Waiting::SolveFrames(frames));
        }
    }

    /// Notes that a job ended: the frames of a scan are taken over, or could not be.
    pub(crate) fn scanner_job_ended(&mut self, id: JobId) {
        let before = self.scanner.taking.len();
        self.scanner.taking.retain(|taking| *taking != id);
        if self.scanner.taking.len() < before && self.status.scanner.doing.is_none() {
            self.end_batch();
        }
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
        let frames = item.frames.clone();
        let request = RescanRequest {
            file: scanned.scan.file.path.clone(),
            frames: frames.clone(),
            to_new: overview.to_scan(area, ppi),
            ppi: Some(ppi),
        };
        let job = self.submit(Job::Rescan(request));
        self.scanner.taking.push(job);
        self.scanner.taken.extend(frames);
        self.scan_next(ctx);
    }
}
