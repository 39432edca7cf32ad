//! Scans of the session under work: whether they are still there and the same, where they are found again, how they
//! are read. And whether another program still works on the session.

use std::path::PathBuf;
use std::sync::Arc;

use egui::Context;
use glassine_engine::files::Holder;
use glassine_engine::jobs::{Job, JobId};
use glassine_engine::{CheckDepth, ScanCheck, ScanState};
use glassine_session::{Edit, ScanId, ScanRef};

use super::files::is_hashed;
use crate::app::GlassineApp;
use crate::inputs::same_scan;
use crate::state::{JobKind, MeasuredBefore};

/// Wait between two looks at scans that are missing or changed, and at the lock of a session that is held elsewhere.
const LOOK_EVERY_S: f64 = 3.0;

/// What is known about checks of the scans.
#[derive(Debug, Default)]
pub(crate) struct ScanChecks {
    /// Clock time at which the next check is due.
    due_s: Option<f64>,
    /// The check under way.
    running: Option<RunningCheck>,
    /// The scans that the engine holds.
    held: Vec<Arc<ScanRef>>,
    /// Whether every byte was or is to be looked at: once for each session.
    full: FullCheck,
    /// Clock time at which the lock is looked at again.
    lock_due_s: f64,
}

/// A check under way.
#[derive(Debug)]
struct RunningCheck {
    id: JobId,
    depth: CheckDepth,
    /// The scans it looks at, as they were then.
    scans: Vec<Arc<ScanRef>>,
}

/// The look at every byte, which waits until there is nothing else to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum FullCheck {
    /// The samples come first.
    #[default]
    Later,
    Due,
    Done,
}

impl ScanChecks {
    /// A job ended: the check is not under way any more.
    pub(super) fn job_ended(&mut self, id: JobId) {
        self.running.take_if(|running| running.id == id);
    }
}

impl GlassineApp {
    /// Another session begins: its scans are checked at once.
    pub(super) fn begin_scan_checks(&mut self) {
        let held = self.history.current().scans.clone();
        let due_s = (!held.is_empty()).then_some(self.now);
        self.files.checks = ScanChecks { due_s, held, ..ScanChecks::default() };
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
        match self.files.checks.due_s {
            Some(due_s) if self.now < due_s => ctx.request_repaint_after_secs((due_s - self.now) as f32),
            Some(_) => {
                self.stop_full_check();
                if self.files.checks.running.is_none() {
                    self.begin_check(CheckDepth::Sampled);
                }
            }
            None => self.begin_full_check(),
        }
    }

    /// Look at every byte while nothing else goes on.
    fn begin_full_check(&mut self) {
        let checks = &self.files.checks;
        let rests = self.status.jobs.iter().all(|job| job.kind == JobKind::Silent);
        if checks.full == FullCheck::Due && checks.running.is_none() && rests {
            self.files.checks.full = FullCheck::Done;
            self.begin_check(CheckDepth::Full);
        }
    }

    /// Something more urgent comes: files that were looked at are known, the rest is looked at later.
    pub(crate) fn stop_full_check(&mut self) {
        let checks = &mut self.files.checks;
        if let Some(running) = checks.running.take_if(|running| running.depth == CheckDepth::Full) {
            checks.full = FullCheck::Due;
            self.jobs.cancel(running.id);
        }
    }

    fn begin_check(&mut self, depth: CheckDepth) {
        let scans = self.history.current().scans.clone();
        let id = self.submit(Job::CheckScans { depth });
        self.files.checks.due_s = None;
        self.files.checks.running = Some(RunningCheck { id, depth, scans });
    }

    /// Scans were compared with what the session knows of them. What was looked at before the session changed is passed
    /// over: another check is due then.
    pub(crate) fn scans_checked(&mut self, id: JobId, checks: Vec<ScanCheck>) {
        let running = self.files.checks.running.take_if(|running| running.id == id);
        let Some(RunningCheck { scans: looked_at, .. }) = running else { return };
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
        } else if self.files.checks.full == FullCheck::Later {
            let scans = &self.history.current().scans;
            // What has no hash of every byte yet is being hashed.
            let knows_any = scans.iter().any(|scan| is_hashed(scan));
            self.files.checks.full = if knows_any { FullCheck::Due } else { FullCheck::Done };
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
