//! Takes over what jobs report, if it belongs to the current session.

use std::collections::BTreeSet;
use std::sync::Arc;

use glassine_engine::jobs::{Failure, Job, JobEdits, JobEvent, JobEventKind, JobId};
use glassine_engine::{NewSessionRequest, Notice, Severity};
use glassine_film::Look;
use glassine_session::{Frame, FrameId, FrameMark, ScanId, Session, StripId, rebase};

use super::closing::ExportEnd;
use super::program::GlassineApp;
use crate::model::app_status::{JobKind, JobStatus};

/// A result that must not arrive in the middle of a gesture.
#[derive(Debug)]
pub(crate) enum Waiting {
    /// Changes of the session.
    Edits {
        edits: Box<JobEdits>,
        /// What is known of the scans these changes add, if they add any.
        find: Option<NewSessionRequest>,
        /// These are the first frames of scans: frames the user has drawn there meanwhile stay.
        is_first_search: bool,
    },
    /// Frames that were scanned again are solved together.
    SolveFrames(Vec<FrameId>),
    /// A search of scans that may be of one film has ended: strips of one film are solved together.
    Solve {
        scans: Vec<ScanId>,
        /// Whether each is one frame of the same film.
        are_single_frames: bool,
    },
}

impl GlassineApp {
    /// Takes a job's report. Results for another session are dropped; what was written to disk for it is still
    /// reported.
    pub(crate) fn take_event(&mut self, event: JobEvent) {
        let JobEvent { id, key, kind } = event;
        match kind {
            JobEventKind::Started(label) => {
                let now_s = self.now;
                if let Some(job) = self.job_mut(id) {
                    job.label = label;
                    job.estimate.begin(now_s);
                }
            }
            JobEventKind::Progress { share, detail } => {
                let now_s = self.now;
                if let Some(job) = self.job_mut(id) {
                    job.share = share.clamp(0.0, 1.0);
                    job.detail = detail;
                    job.estimate.report(job.share, now_s);
                }
                self.status.counts.progress(id, share);
            }
            JobEventKind::SessionReady(made) => {
                self.end_job(id);
                self.session_ready(id, *made);
            }
            JobEventKind::Saved { session, saved, access } => {
                self.end_job(id);
                self.saved(id, key, *session, *saved, access);
            }
            JobEventKind::SaveConflict(conflict) => {
                self.notify(conflict.notice());
                if key == self.key {
                    self.ui_state.files.compares = false;
                    self.status.conflict = Some(*conflict);
                }
            }
            JobEventKind::Exported(report) => {
                self.end_job(id);
                self.exported(key, Arc::from(report));
            }
            // A comparison of files does not depend on the session.
            JobEventKind::FocusCompared(report) => self.focus_compared(id, *report),
            JobEventKind::UnsavedFound(work) => self.list_unsaved(work),
            JobEventKind::Done => self.job_done(id),
            JobEventKind::Failed(failure) => self.job_failed(id, Some(&failure)),
            JobEventKind::Cancelled => self.job_failed(id, None),
            result if key == self.key => self.take_result(id, result),
            JobEventKind::Edits(edits) => self.drop_edits(*edits),
            // Pictures, counts and hashes of another session are no longer of use.
            _of_another_session => {}
        }
    }

    /// Takes a result for the current session.
    fn take_result(&mut self, id: JobId, kind: JobEventKind) {
        match kind {
            JobEventKind::Edits(edits) => {
                let find = self.files.opening.remove(&id);
                let is_first_search = self.files.finding.contains_key(&id);
                self.waiting.push(Waiting::Edits { edits, find, is_first_search });
            }
            JobEventKind::Hashed { scan, path, print } => match print {
                Ok(print) => self.hashed(scan, &path, &print),
                Err(notice) => self.notify(notice),
            },
            JobEventKind::Autosaved { .. } => self.autosaved(),
            JobEventKind::ScansChecked { depth: _, checks } => self.scans_checked(id, checks),
            JobEventKind::ScanMeasured { scan, report } => {
                self.status.scan_reports.insert(scan, *report);
            }
            JobEventKind::EdgeMeasured { scan: _, area, report } => self.edge_measured(id, area, report),
            JobEventKind::SharpeningMeasured { frame: _, effect } => self.sharpening_measured(id, effect),
            JobEventKind::LockSeen(holder) => self.lock_seen(holder),
            JobEventKind::Counted { frame, count } => self.status.counts.counted_one(id, frame, count),
            JobEventKind::CoarseOverviewReady(picture) | JobEventKind::OverviewReady(picture) => {
                self.previews.accept_overview(&picture);
            }
            JobEventKind::ScanMarked { marks, picture, pixels } => {
                self.previews.accept_marks(marks, &picture, pixels);
            }
            JobEventKind::ScanWritten(path) => {
                let notice = Notice::new(Severity::Info, "the joined scan was written as one file", "");
                self.notify(notice.about(&path));
            }
            JobEventKind::StockMeasured(report) => {
                let (before, after) = report.mean;
                self.notify(Notice::new(
                    Severity::Info,
                    format!("stock measured: mean difference {before:.2} before, {after:.2} with it"),
                    "look at the patches, then use the stock for the strip or write it to a file",
                ));
                self.stock_measured(*report);
            }
            JobEventKind::PreviewReady(preview) => {
                if self.scheduler.picture_ready(&preview) {
                    self.note_print(&preview);
                    self.previews.accept(preview);
                }
            }
            JobEventKind::LookingForDust { view, share } => {
                self.previews.dust_progress(view, share, self.now);
            }
            JobEventKind::PreviewFailed { view, revision, failure } => {
                self.check_scans_soon();
                if self.scheduler.picture_failed(view, revision, &failure, self.now) {
                    self.previews.fail(view, failure.notice.to_string());
                }
            }
            // Already handled, whatever session they belong to.
            JobEventKind::Started(_)
            | JobEventKind::Progress { .. }
            | JobEventKind::SessionReady(_)
            | JobEventKind::Saved { .. }
            | JobEventKind::SaveConflict(_)
            | JobEventKind::Exported(_)
            | JobEventKind::FocusCompared(_)
            | JobEventKind::UnsavedFound(_)
            | JobEventKind::Done
            | JobEventKind::Failed(_)
            | JobEventKind::Cancelled => {}
        }
    }

    /// Drops the changes of a session that is no longer current, and tells the user.
    fn drop_edits(&mut self, edits: JobEdits) {
        edits.notices.into_iter().rev().for_each(|notice| self.notify(notice));
        if !edits.edits.is_empty() {
            let headline = format!("“{}” ended after another session was opened", edits.label);
            let what = "its result was dropped; open that session and ask for it again";
            self.notify(Notice::new(Severity::Info, headline, what));
        }
    }

    fn job_mut(&mut self, id: JobId) -> Option<&mut JobStatus> {
        self.status.jobs.iter_mut().find(|job| job.id == id)
    }

    /// Removes a job from the list and returns its kind.
    fn end_job(&mut self, id: JobId) -> Option<JobKind> {
        let at = self.status.jobs.iter().position(|job| job.id == id)?;
        Some(self.status.jobs.remove(at).kind)
    }

    fn job_done(&mut self, id: JobId) {
        self.end_job(id);
        self.status.counts.ended(id, false);
        self.scheduler.job_ended(id, None, self.now);
        self.files.job_ended(id);
        self.scanner_job_ended(id);
        self.solve_what_was_found(id);
    }

    /// Handles a job that failed or was stopped, without a result or with part of one.
    fn job_failed(&mut self, id: JobId, failure: Option<&Failure>) {
        if self.end_job(id) == Some(JobKind::Export) {
            self.export_ended(if failure.is_some() { ExportEnd::Failed } else { ExportEnd::Stopped });
        }
        self.status.counts.ended(id, failure.is_some());
        self.autosave_failed(id);
        self.sharpening_failed(id);
        self.files.job_ended(id);
        self.scanner_job_ended(id);
        let is_news = self.scheduler.job_ended(id, failure, self.now);
        if let Some(failure) = failure {
            self.solve_what_was_found(id);
            if is_news {
                self.notify(failure.notice.clone());
            }
        } else {
            self.files.finding.remove(&id);
        }
    }

    /// When the search of several scans has ended, queues the joint solve for those of one film.
    fn solve_what_was_found(&mut self, id: JobId) {
        if let Some((scans, are_single_frames)) = self.files.finding.remove(&id)
            && (are_single_frames || scans.len() > 1)
        {
            self.waiting.push(Waiting::Solve { scans, are_single_frames });
        }
    }

    /// Turns job results into undo steps, but never in the middle of a gesture.
    pub(crate) fn take_waiting(&mut self) {
        if self.history.in_gesture() {
            return;
        }
        for waiting in std::mem::take(&mut self.waiting) {
            match waiting {
                Waiting::Edits { edits, find, is_first_search } => {
                    self.take_edits(*edits, find, is_first_search);
                }
                Waiting::SolveFrames(frames) => {
                    let session = self.session();
                    let frames = frames.iter().filter_map(|id| session.frame(*id));
                    let strips: BTreeSet<StripId> = frames.map(|frame| frame.strip).collect();
                    self.submit(Job::SolveFilms { strips: strips.into_iter().collect() });
                }
                Waiting::Solve { scans, are_single_frames } => {
                    let session = self.session();
                    if session.strips.iter().any(|strip| scans.contains(&strip.scan)) {
                        self.submit(Job::SolveTogether { scans, are_single_frames });
                    }
                }
            }
        }
    }

    /// Applies what a job computed to the session as it is now. Parts that no longer fit are reported, the rest is
    /// kept.
    fn take_edits(&mut self, edits: JobEdits, find: Option<NewSessionRequest>, is_first_search: bool) {
        let JobEdits { label, base, edits, notices } = edits;
        for notice in notices.into_iter().rev() {
            // What is wrong with a scan or a file stays wrong, whatever is undone.
            if notice.severity == Severity::Info && notice.path.is_none() && !edits.is_empty() {
                self.notify_of_change(notice);
            } else {
                self.notify(notice);
            }
        }
        if edits.is_empty() {
            return;
        }
        if is_first_search && self.keeps_drawn_frames(&base, &edits) {
            return;
        }
        self.remember_measured(&edits);
        let frames: Vec<FrameId> = self.session().frames.iter().map(|frame| frame.id).collect();
        let scans: Vec<ScanId> = self.session().scans.iter().map(|scan| scan.id).collect();
        let rebased = rebase(&base, &edits, self.session());
        if let Some(first) = rebased.dropped.first() {
            let more = rebased.dropped.len() - 1;
            let others = if more > 0 { format!(" and {more} more") } else { String::new() };
            self.notify(Notice::new(
                Severity::Warning,
                format!("a part of “{label}” no longer fits: {first}{others}"),
                "the rest was kept; run it again if you need it for the current frames",
            ));
        }
        let lost = lost_settings(self.session(), &rebased.session);
        if !lost.is_empty() {
            self.notify(Notice::new(
                Severity::Warning,
                format!("no new box lies where these frames had settings: {}", lost.join(", ")),
                "undo brings the old boxes back with them, or add a frame there",
            ));
        }
        self.history.apply(label, rebased.session);
        self.touched();
        let added = self.session().frames.iter().map(|frame| frame.id).find(|id| !frames.contains(id));
        if added.is_some() && !(is_first_search && self.ui_state.primary.is_some()) {
            // Newly found frames are what the user wants to see.
            self.ui_state.selected = added.into_iter().collect();
            self.ui_state.primary = added;
        }
        if let Some(request) = find {
            let added = self.session().scans.iter().map(|scan| scan.id);
            let added = added.filter(|id| !scans.contains(id)).collect();
            self.find_on_scans(added, request);
        }
    }

    /// Whether the user drew frames on a scan whose first frames a job just found. Keeps these, and tells the user.
    fn keeps_drawn_frames(&mut self, base: &Session, edits: &[glassine_session::Edit]) -> bool {
        let searched = edits.iter().find_map(|edit| match edit {
            glassine_session::Edit::ReplaceStrips { scan, .. } => Some(*scan),
            _ => None,
        });
        let Some(scan) = searched else { return false };
        let has_strips = |session: &Session| session.strips.iter().any(|strip| strip.scan == scan);
        if has_strips(base) || !has_strips(self.session()) {
            return false;
        }
        let notice = Notice::new(
            Severity::Info,
            "frames were found on a scan where you had drawn some; yours were kept",
            "box the frames of this scan again to take those that are found",
        );
        let path = self.session().scan(scan).map(|scan| scan.path.clone());
        self.notify(match path {
            Some(path) => notice.about(path),
            None => notice,
        });
        true
    }
}

/// Numbers of the frames that were replaced and whose settings no new frame could take over.
fn lost_settings(before: &Session, after: &Session) -> Vec<String> {
    let has_settings = |frame: &Frame| {
        frame.look != Look::default()
            || !frame.strokes.is_empty()
            || frame.name.is_some()
            || frame.mark != FrameMark::Unmarked
    };
    let scan_of = |session: &Session, frame: &Frame| session.strip(frame.strip).map(|strip| strip.scan);
    let is_lost = |old: &&Arc<Frame>| {
        let covers = |new: &Arc<Frame>| {
            new.crop.contains(old.crop.center) && scan_of(after, new) == scan_of(before, old)
        };
        after.frame(old.id).is_none() && has_settings(old) && !after.frames.iter().any(covers)
    };
    before.frames.iter().filter(is_lost).map(|frame| before.number_text(frame)).collect()
}
