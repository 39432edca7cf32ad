//! Scans of the current session: whether they are present and unchanged, how missing ones are found again, how they are
//! read. Also whether another program still works on the session.

use std::path::PathBuf;
use std::sync::Arc;

use egui::Context;
use glassine_engine::jobs::{Job, JobEvent, JobEventKind, JobId};
use glassine_engine::session_files::Holder;
use glassine_engine::{CheckDepth, ScanCheck, ScanState};
use glassine_session::{Edit, ScanId, ScanRef, Session, StrayLightChoice};

use super::files::is_hashed;
use super::program::GlassineApp;
use crate::model::app_status::JobKind;
use crate::model::picture_inputs::same_scan;
use crate::model::questions::PathPurpose;
use crate::model::ui_state::MeasuredBefore;

/// Wait between two checks of missing or changed scans, and of the lock of a session that is held elsewhere.
const LOOK_EVERY_S: f64 = 3.0;

/// How scans are checked, found and read.
#[derive(Debug, Clone)]
pub enum ScanCommand {
    /// Ask for a folder to search for missing scans.
    AskFolder,
    /// Check at once whether the scans still match the session's record of them.
    Check,
    /// Read a scan with these choices from now on, from the present content of its file.
    Read {
        /// Label of the undo step.
        label: String,
        /// The scan with its choices.
        scan: Box<ScanRef>,
    },
    /// Ask for the infrared file of a scan.
    AskInfrared(ScanId),
    /// Ask where a joined scan is written as one file.
    AskWriteJoined(ScanId),
}

/// State of the scan checks.
#[derive(Debug, Default)]
pub(crate) struct ScanChecks {
    /// Clock time at which the next check is due.
    due_s: Option<f64>,
    running: Option<RunningCheck>,
    /// The scans that the engine holds.
    held: Vec<Arc<ScanRef>>,
    /// State of the check of every byte, which runs once for each session.
    full: FullCheck,
    /// Clock time of the next check of the lock.
    lock_due_s: f64,
    faults: FaultChecks,
}

#[derive(Debug)]
struct RunningCheck {
    id: JobId,
    depth: CheckDepth,
    /// The scans it checks, as they were when it began.
    scans: Vec<Arc<ScanRef>>,
}

/// The check of every byte, which waits until the program is idle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum FullCheck {
    /// The check of samples comes first.
    #[default]
    Later,
    Due,
    Done,
}

/// Checks for faults of scans, the finished ones too, so that none is repeated without a reason.
#[derive(Debug, Default)]
struct FaultChecks(Vec<FaultCheck>);

#[derive(Debug)]
struct FaultCheck {
    id: JobId,
    /// The scan as it was when the check began.
    scan: Arc<ScanRef>,
    /// Whether the user asked for it: then no count stops it, and a failure is told.
    is_asked: bool,
    state: FaultState,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum FaultState {
    Queued,
    Done,
    /// It is repeated once the scan is mended.
    Failed,
}

impl FaultChecks {
    /// The next scan to check: one with frames that can be read and was not checked as it is now.
    fn next<'s>(&self, session: &'s Session, problems: &[ScanCheck]) -> Option<&'s Arc<ScanRef>> {
        session.scans.iter().find(|scan| {
            session.strips.iter().any(|strip| strip.scan == scan.id)
                && !problems.iter().any(|problem| problem.scan == scan.id)
                && !self.0.iter().any(|check| check.scan.id == scan.id && has_same_faults(&check.scan, scan))
        })
    }

    fn begin(&mut self, id: JobId, scan: Arc<ScanRef>, is_asked: bool) {
        self.0.retain(|check| check.scan.id != scan.id || check.state == FaultState::Queued);
        self.0.push(FaultCheck { id, scan, is_asked, state: FaultState::Queued });
    }

    /// Notes how a job ended, if it is one of these checks; whether it is one that failed and that nobody asked for.
    fn ended(&mut self, id: JobId, kind: &JobEventKind) -> bool {
        let Some(at) = self.0.iter().position(|check| check.id == id) else { return false };
        match kind {
            JobEventKind::Done => self.0[at].state = FaultState::Done,
            JobEventKind::Failed(_) => {
                self.0[at].state = FaultState::Failed;
                return !self.0[at].is_asked;
            }
            JobEventKind::Cancelled => drop(self.0.remove(at)),
            _ => {}
        }
        false
    }

    /// Unfinished checks that nobody asked for.
    fn unasked(&self) -> impl Iterator<Item = JobId> {
        self.0
            .iter()
            .filter(|check| !check.is_asked && check.state == FaultState::Queued)
            .map(|check| check.id)
    }

    /// Forgets failed checks of a scan that is mended, so that it is checked again.
    fn mended(&mut self, scan: ScanId) {
        self.0.retain(|check| check.scan.id != scan || check.state != FaultState::Failed);
    }
}

/// Whether the same faults would be found on both: the check leaves stray light in, whatever is chosen.
fn has_same_faults(a: &ScanRef, b: &ScanRef) -> bool {
    let as_checked = |scan: &ScanRef| ScanRef { stray_light: StrayLightChoice::Off, ..scan.clone() };
    same_scan(a, b) || same_scan(&as_checked(a), &as_checked(b))
}

impl ScanChecks {
    /// Notes that a job ended, so that its check no longer runs.
    pub(super) fn job_ended(&mut self, id: JobId) {
        self.running.take_if(|running| running.id == id);
    }
}

impl GlassineApp {
    /// Checks scans, or reads them in another way.
    pub(super) fn apply_scan(&mut self, ctx: &Context, command: ScanCommand) {
        match command {
            ScanCommand::AskFolder => self.ask_path(ctx, PathPurpose::ScanFolder),
            ScanCommand::Check => self.check_scans_soon(),
            ScanCommand::Read { label, scan } => {
                self.submit(Job::ReadScan { label, scan });
            }
            ScanCommand::AskInfrared(scan) => self.ask_path(ctx, PathPurpose::Infrared(scan)),
            ScanCommand::AskWriteJoined(scan) => self.ask_path(ctx, PathPurpose::WriteJoined(scan)),
        }
    }

    /// Resets the checks for another session: its scans are checked at once.
    pub(super) fn begin_scan_checks(&mut self) {
        let held = self.history.current().scans.clone();
        let due_s = (!held.is_empty()).then_some(self.now);
        self.files.checks = ScanChecks { due_s, held, ..ScanChecks::default() };
    }

    /// Checks the scans at the next opportunity.
    pub(crate) fn check_scans_soon(&mut self) {
        if !self.history.current().scans.is_empty() {
            self.files.checks.due_s = Some(self.now);
        }
    }

    /// Lets the engine hold the session's present scans, and checks them when that is due.
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
            Some(due_s) if self.now < due_s => {
                ctx.request_repaint_after_secs((due_s - self.now) as f32);
                self.look_for_faults();
            }
            Some(_) => {
                self.stop_full_check();
                if self.files.checks.running.is_none() {
                    self.begin_check(CheckDepth::Sampled);
                }
            }
            None => {
                self.look_for_faults();
                self.begin_full_check();
            }
        }
    }

    /// Looks for faults of the scans, one after another, once their frames are found and there is nothing else to do.
    fn look_for_faults(&mut self) {
        let rests = self.status.jobs.is_empty() && self.jobs.previews_are_idle();
        if !rests || self.options.inline_jobs {
            return;
        }
        let next = self.files.checks.faults.next(self.history.current(), &self.status.scan_problems);
        let Some(scan) = next.cloned() else { return };
        self.status.scan_reports.remove(&scan.id);
        let id = self.submit(Job::MeasureScan { scan: scan.id });
        self.files.checks.faults.begin(id, scan, false);
    }

    /// Looks for faults of a scan because the user asked for it.
    pub(super) fn measure_scan(&mut self, scan: ScanId) {
        self.stop_looking_for_faults();
        let id = self.submit(Job::MeasureScan { scan });
        let session = self.history.current();
        // Without frames the check knows less: it is repeated once they are found.
        let has_frames = session.strips.iter().any(|strip| strip.scan == scan);
        if let Some(scan) = session.scan(scan).filter(|_| has_frames).cloned() {
            self.files.checks.faults.begin(id, scan, true);
        }
    }

    /// Stops a search for faults that nobody asked for, for more urgent work: it is repeated later.
    pub(crate) fn stop_looking_for_faults(&self) {
        self.files.checks.faults.unasked().for_each(|id| self.jobs.cancel(id));
    }

    /// Notes how a search for faults ended. The failure of one that nobody asked for is no news: it becomes a stop, and
    /// the check of the scan's file tells what is wrong with it.
    pub(crate) fn note_fault_check(&mut self, event: JobEvent) -> JobEvent {
        if !self.files.checks.faults.ended(event.id, &event.kind) {
            return event;
        }
        self.check_scans_soon();
        JobEvent { kind: JobEventKind::Cancelled, ..event }
    }

    /// Checks every byte while the program is otherwise idle.
    fn begin_full_check(&mut self) {
        let checks = &self.files.checks;
        let rests = self.status.jobs.iter().all(|job| job.kind == JobKind::Silent);
        if checks.full == FullCheck::Due && checks.running.is_none() && rests {
            self.files.checks.full = FullCheck::Done;
            self.begin_check(CheckDepth::Full);
        }
    }

    /// Stops the check of every byte for more urgent work: files already checked stay known, the rest is checked later.
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

    /// Takes the result of a check of the scans.
    ///
    /// Results for scans that have changed in the session meanwhile are ignored: another check is then due.
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
            self.drop_mended_scans(&before);
            let problems = &self.status.scan_problems;
            for check in before.iter().filter(|check| problems.iter().all(|now| now.scan != check.scan)) {
                self.files.checks.faults.mended(check.scan);
            }
            // Pictures that failed before may work now.
            self.scheduler.retry_all(self.now);
        }
        if !self.status.scan_problems.is_empty() {
            self.files.checks.due_s = Some(self.now + LOOK_EVERY_S);
        } else if self.files.checks.full == FullCheck::Later {
            let scans = &self.history.current().scans;
            // Files without a whole-file hash are already being hashed.
            let knows_any = scans.iter().any(|scan| is_hashed(scan));
            self.files.checks.full = if knows_any { FullCheck::Due } else { FullCheck::Done };
        }
    }

    /// Remembers strips whose base and solve belong to the old reading of a scan that will be read in another way.
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

    /// Sets the infrared file of a scan.
    pub(super) fn use_infrared(&mut self, id: ScanId, path: Option<PathBuf>) {
        let Some(scan) = self.history.current().scan(id) else { return };
        let scan = ScanRef { infrared_path: path, ..ScanRef::clone(scan) };
        let label = "choose the infrared file".to_owned();
        self.submit(Job::ReadScan { label, scan: Box::new(scan) });
    }

    /// While another program works on the session, checks at intervals whether it still does.
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

    /// Records who holds the session's lock now.
    pub(crate) fn lock_seen(&mut self, holder: Option<Holder>) {
        if self.status.held_by.is_some() {
            self.status.is_free_again = holder.is_none();
            self.status.held_by = holder.or(self.status.held_by.take());
        }
    }
}
