//! Facts about the program that views show but never change: running jobs, messages, the state of files.

use std::collections::{BTreeMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_engine::jobs::JobId;
use glassine_engine::session_files::{Conflict, Holder, UnsavedWork};
use glassine_engine::{ExportReport, Notice, ScanCheck, ScanReport, Severity};
use glassine_session::ScanId;

use crate::model::eta::ProgressEstimate;
use crate::model::exact_counts::ExactCounts;
use crate::model::export_names::ExportNames;
use crate::model::remembered::{NamedLook, RecentSession};
use crate::model::scanner_state::ScannerFacts;
use crate::model::screen_state::ScreenFacts;
use crate::model::sharpness_state::SharpnessFacts;

/// Messages kept in the list.
const MAX_NOTICES: usize = 50;

/// How visible a job is to the user.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum JobKind {
    /// The user started it: shown at once, and stopped with a click.
    Asked,
    /// An export, which the export pane shows too.
    Export,
    /// An exact count, shown beside the histogram, and in the status line if it takes long.
    Count,
    /// Something the views need, shown if it takes long; it cannot be stopped, because the views cannot do without it.
    Background,
    /// Never shown, for example an autosave.
    Silent,
}

/// A running or queued job, as the status line shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct JobStatus {
    pub id: JobId,
    /// What it does.
    pub label: String,
    /// 0 to 1.
    pub share: f32,
    /// Its current step.
    pub detail: String,
    /// How visible it is.
    pub kind: JobKind,
    /// How far it got and when.
    pub estimate: ProgressEstimate,
    /// Remaining time in words, once there is an estimate.
    pub remaining: Option<String>,
    /// It has been running for longer than a glance.
    pub is_long: bool,
    /// Its result serves only the current session: another session stops it.
    pub ends_with_session: bool,
    /// The user lets it rest.
    pub is_paused: bool,
}

impl JobStatus {
    /// A job that was just queued.
    pub fn new(id: JobId, label: String, kind: JobKind) -> Self {
        Self {
            id,
            label,
            share: 0.0,
            detail: String::new(),
            kind,
            estimate: ProgressEstimate::default(),
            remaining: None,
            is_long: false,
            ends_with_session: false,
            is_paused: false,
        }
    }

    /// Whether the status line shows it.
    pub fn is_shown(&self) -> bool {
        match self.kind {
            JobKind::Asked | JobKind::Export => true,
            JobKind::Count | JobKind::Background => self.is_long,
            JobKind::Silent => false,
        }
    }

    /// Whether a click may stop it.
    pub fn can_stop(&self) -> bool {
        matches!(self.kind, JobKind::Asked | JobKind::Export | JobKind::Count)
    }

    /// Its current step and its remaining time.
    pub fn detail_text(&self) -> String {
        if self.is_paused {
            return format!("{}, paused", self.detail);
        }
        let parts = [Some(self.detail.as_str()).filter(|text| !text.is_empty()), self.remaining.as_deref()];
        parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
    }
}

/// A message, and what it speaks of: it goes when that is gone.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ShownNotice {
    notice: Notice,
    about: NoticeAbout,
}

/// What a message speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum NoticeAbout {
    /// The program, or files written to disk: it stays when another session is opened.
    Program,
    /// The session.
    Session,
    /// The last change: it goes when a change is undone or redone.
    Change,
    /// The selection: it goes when the selection or the session changes.
    Selection,
}

impl std::ops::Deref for ShownNotice {
    type Target = Notice;

    fn deref(&self) -> &Notice {
        &self.notice
    }
}

/// A recent session on the welcome page.
#[derive(Debug, Clone, PartialEq)]
pub struct RecentShown {
    pub recent: RecentSession,
    /// Its file is not there.
    pub is_missing: bool,
    /// A small picture of it, and its size in pixels.
    pub picture: Option<(egui::TextureId, egui::Vec2)>,
}

/// Facts about the program's state that views show but never change.
#[derive(Debug, Clone, Default)]
pub struct AppStatus {
    /// The session's file, if it has one.
    pub path: Option<PathBuf>,
    /// What undo would take back.
    pub undo_label: Option<String>,
    /// What redo would repeat.
    pub redo_label: Option<String>,
    /// Whether there are changes that are not in the file.
    pub is_unsaved: bool,
    /// Jobs that have not ended, oldest first.
    pub jobs: Vec<JobStatus>,
    /// Messages, newest last.
    pub notices: Vec<ShownNotice>,
    /// Whether the newest message is shown in the status line.
    pub notice_open: bool,
    /// The last export of this session.
    pub export_report: Option<Arc<ExportReport>>,
    pub counts: ExactCounts,
    pub scanner: ScannerFacts,
    /// Set if the last save was refused, because the file is not the one that was opened.
    pub conflict: Option<Conflict>,
    /// Unsaved work of earlier runs that was neither opened nor discarded.
    pub unsaved_work: Vec<UnsavedWork>,
    /// The other program that works on the session; the user can view it and save it under another name.
    pub held_by: Option<Holder>,
    /// That program has since closed it.
    pub is_free_again: bool,
    /// Scans that are missing, or do not match the session's record of them.
    pub scan_problems: Vec<ScanCheck>,
    /// What the scan check found, for scans that were checked.
    pub scan_reports: BTreeMap<ScanId, ScanReport>,
    /// Recent sessions, newest first, once their files were looked at.
    pub recent: Vec<RecentShown>,
    /// What was measured of sharpness.
    pub sharpness: SharpnessFacts,
    /// Settings that the user named.
    pub looks: Vec<NamedLook>,
    /// The session is the demo, which accepts no other scans.
    pub is_demo: bool,
    /// The profile of the screen, and what is proofed.
    pub screen: ScreenFacts,
    /// The files that the export pane shows; none while it is closed.
    pub export_names: ExportNames,
    /// Existing files that an export with the present output settings would replace.
    pub existing_files: HashSet<PathBuf>,
}

impl AppStatus {
    /// Folder of the session file: relative paths start there.
    pub fn folder(&self) -> Option<Arc<Path>> {
        self.path.as_deref().and_then(Path::parent).map(Arc::from)
    }

    pub fn exporting(&self) -> Option<&JobStatus> {
        self.jobs.iter().find(|job| job.kind == JobKind::Export)
    }

    /// The job the status line shows, and how many more wait. Jobs the user started come first.
    pub fn shown_job(&self) -> Option<(&JobStatus, usize)> {
        let shown = || self.jobs.iter().filter(|job| job.is_shown());
        let asked = shown().find(|job| matches!(job.kind, JobKind::Asked | JobKind::Export));
        let first = asked.or_else(|| shown().next())?;
        Some((first, shown().count() - 1))
    }

    /// The message the status line shows.
    pub fn open_notice(&self) -> Option<&Notice> {
        self.notices.last().filter(|_| self.notice_open).map(|shown| &shown.notice)
    }

    pub(crate) fn add_notice(&mut self, notice: Notice, about: NoticeAbout) {
        // One that is said again moves to the end.
        self.notices.retain(|shown| shown.notice != notice);
        self.notices.push(ShownNotice { notice, about });
        if self.notices.len() > MAX_NOTICES {
            self.notices.remove(0);
        }
        self.notice_open = true;
    }

    /// Drops messages; if the one in the status line goes, no older one takes its place.
    fn drop_notices(&mut self, is_gone: impl Fn(&ShownNotice) -> bool) {
        let last_goes = self.notices.last().is_some_and(&is_gone);
        self.notices.retain(|shown| !is_gone(shown));
        self.notice_open &= !last_goes;
    }

    /// Drops the messages about a session that is left.
    pub(crate) fn session_left(&mut self) {
        self.drop_notices(|shown| shown.about != NoticeAbout::Program);
    }

    /// Drops the messages about a change that was undone, or about what it took away.
    pub(crate) fn change_undone(&mut self) {
        self.drop_notices(|shown| matches!(shown.about, NoticeAbout::Change | NoticeAbout::Selection));
    }

    /// Drops the messages about what was selected.
    pub(crate) fn selection_left(&mut self) {
        self.drop_notices(|shown| shown.about == NoticeAbout::Selection);
    }

    /// Drops everything said of a file.
    pub(crate) fn no_longer_about(&mut self, path: &Path) {
        self.drop_notices(|shown| shown.path.as_deref() == Some(path));
    }

    /// Drops the problems with a file, which is in order now.
    pub(crate) fn mended(&mut self, path: &Path) {
        let is_gone =
            |shown: &ShownNotice| shown.severity != Severity::Info && shown.path.as_deref() == Some(path);
        self.drop_notices(is_gone);
    }
}
