//! Scans of the session under work: whether they are still there and the same, where they are found again, how they
//! are read. And whether another program still works on the session.

use std::path::PathBuf;
use std::sync::Arc;

use egui::Context;
use glassine_engine::files::Holder;
use glassine_engine::jobs::{Job, JobId};
use glassine_engine::{CheckDepth, ScanCheck, ScanState};
use glassine_session::{Edit, ScanId, ScanRef};

use crate::app::GlassineApp;
use crate::inputs::same_scan;
use crate::state::MeasuredBefore;

/// Wait between two looks at scans that are missing or changed, and at the lock of a session that is held elsewhere.
const LOOK_EVERY_S: f64 = 3.0;

/// What is known about checks of the scans.
#[derive(Debug, Default)]
pub(crate) struct ScanChecks {
    /// Clock time at which the next check is due.
    due_s: Option<f64>,
    /// The check under way, and the scans it looks at.
    running: Option<(JobId, Vec<Arc<ScanRef>>)>,
    /// The scans that the engine holds.
    held: Vec<Arc<ScanRef>>,
    /// Every byte is looked at once, after the samples.
    is_full_due: bool,
    /// Clock time at which the lock is looked at again.
    lock_due_s: f64,
}

impl ScanChecks {
    /// A job ended: the check is not under way any more.
    pub(super) fn job_ended(&mut self, id: JobId) {
        self.running.take_if(|(job, _)| *job == id);
    }
}

impl GlassineApp {
    /// Another session begins: its scans are checked at once.
    pub(super) fn begin_scan_checks(&mut self) {
        let held = self.history.current().scans.clone();
        let due_s = (!held.is_empty()).then_some(self.now);
        self.files.checks = ScanChecks { due_s, held, is_full_due: true, ..ScanChecks::default() };
    }

    /// Check the scans at the next opportunity.
    pub(crate) fn check_scans_soon(&mut self) {
        if !self.history.current().scans.is_empty() {
            self.files.checks.due_s = Some(self.now);
        }
    }

    /// Hold the scans that the session has now, and check them when that is due.
    pub(crate) fn check_scans_in_time(&mut self, ctx: &Context) {
        if self.history.in_gesture() {
            return;
        }
        let scans = &self.history.current().scans;
        let checks = &mut self.files.checks;
        let same = |(a, b): (&Arc<ScanRef>, &Arc<ScanRef>)| Arc::ptr_eq(a, b) || same_scan(a, b);
        if checks.held.len() != scans.len() || !checks.held.iter().zip(scans).all(same) {
            checks.held.clone_from(scans);
            self.submit(Job::HoldScans);
            self.check_scans_soon();
        }
        if !self.jobs.engine().take_changed_scans().is_empty() {
            self.check_scans_soon();
        }
        let Some(due_s) = self.files.checks.due_s else { return };
        if self.files.checks.running.is_some() {
            return;
        }
        if self.now < due_s {
            ctx.request_repaint_after_secs((due_s - self.now) as f32);
            return;
        }
        self.begin_check(CheckDepth::Sampled);
    }

    fn begin_check(&mut self, depth: CheckDepth) {
        let scans = self.history.current().scans.clone();
        let id = self.submit(Job::CheckScans { depth });
        self.files.checks.due_s = None;
        self.files.checks.running = Some((id, scans));
    }

    /// Scans were compared with what the session knows of them. What was looked at before the session changed is passed
    /// over: another check is due then.
    pub(crate) fn scans_checked(&mut self, id: JobId, depth: CheckDepth, checks: Vec<ScanCheck>) {
        let Some((_, looked_at)) = self.files.checks.running.take_if(|(job, _)| *job == id) else { return };
        let session = self.history.current();
        let is_present = |check: &ScanCheck| {
            let before = looked_at.iter().find(|scan| scan.id == check.scan);
            before.zip(session.scan(check.scan)).is_some_and(|(before, now)| same_scan(before, now))
        };
        let (checks, old): (Vec<_>, Vec<_>) = checks.into_iter().partition(is_present);
        let mut problems: Vec<ScanCheck> =
            checks.into_iter().filter(|check| check.state != ScanState::Same).collect();
        let is_kept = |problem: &&ScanCheck| old.iter().any(|check| check.scan == problem.scan);
        problems.extend(self.status.scan_problems.iter().filter(is_kept).cloned());
        let before = std::mem::replace(&mut self.status.scan_problems, problems);
        if before != self.status.scan_problems {
            // What could not be shown can perhaps be shown now.
            self.scheduler.retry_all(self.now);
        }
        if !self.status.scan_problems.is_empty() {
            self.files.checks.due_s = Some(self.now + LOOK_EVERY_S);
        } else if depth == CheckDepth::Sampled && std::mem::take(&mut self.files.checks.is_full_due) {
            let scans = &self.history.current().scans;
            let is_hashed =
                |scan: &Arc<ScanRef>| scan.fingerprint.as_ref().is_some_and(|print| print.blake3.is_some());
            if scans.iter().any(is_hashed) {
                self.begin_check(CheckDepth::Full);
            }
        }
    }

    /// Base and solve of a scan that is to be read in another way belong to the old reading.
    pub(crate) fn remember_measured(&mut self, edits: &[Edit]) {
        let session = self.history.current();
        let updated =
            |id: ScanId| edits.iter().any(|edit| matches!(edit, Edit::UpdateScan(scan) if scan.id == id));
        let is_known = |before: &MeasuredBefore| before.is_stale(session);
        self.ui_state.files.measured_before.retain(is_known);
        for strip in session.strips.iter().filter(|strip| updated(strip.scan)) {
            let known = &mut self.ui_state.files.measured_before;
            if let Some(scan) = session.scan(strip.scan)
                && known.iter().all(|before| before.strip.id != strip.id)
            {
                known.push(MeasuredBefore { strip: Arc::clone(strip), scan: Arc::clone(scan) });
            }
        }
    }

    /// The infrared file of a scan was chosen.
    pub(super) fn use_infrared(&mut self, id: ScanId, path: Option<PathBuf>) {
        let Some(scan) = self.history.current().scan(id) else { return };
        let scan = ScanRef { infrared_path: path, ..ScanRef::clone(scan) };
        let label = "choose the infrared file".to_owned();
        self.submit(Job::ReadScan { label, scan: Box::new(scan) });
    }

    /// While another program works on the session, look now and then whether it still does.
    pub(crate) fn look_at_lock_in_time(&mut self, ctx: &Context) {
        let (Some(_), Some(path)) = (&self.status.held_by, self.status.path.clone()) else { return };
        let wait_s = self.files.checks.lock_due_s - self.now;
        if wait_s > 0.0 {
            ctx.request_repaint_after_secs(wait_s as f32);
            return;
        }
        self.files.checks.lock_due_s = self.now + LOOK_EVERY_S;
        self.submit(Job::LookAtLock { path });
    }

    /// Who holds the lock of the session now.
    pub(crate) fn lock_seen(&mut self, holder: Option<Holder>) {
        if self.status.held_by.is_some() {
            self.status.is_free_again = holder.is_none();
            self.status.held_by = holder.or(self.status.held_by.take());
        }
    }
}
