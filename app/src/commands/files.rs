//! Opening sessions and scans, and what waits for files.

use std::collections::{BTreeSet, HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crossbeam_channel::Receiver;
use egui::Context;
use glassine_engine::jobs::{Job, JobId, SaveOver};
use glassine_engine::session_files::{self, Access, SavedState, UnsavedWork};
use glassine_engine::{MadeSession, NewSessionRequest, Notice, ScanReading, SessionAt, SessionKey, Severity};
use glassine_session::{Fingerprint, ScanId, ScanRef, Session};

use super::Command;
use super::closing::ExportEnd;
use super::program::GlassineApp;
use super::saving::Saving;
use super::scans::ScanChecks;
use crate::model::questions::{Answer, Arrived, PathPurpose, PendingAction, Question};
use crate::services::demo_session;

/// Opening and saving, closing the window.
#[derive(Debug, Clone)]
pub enum FileCommand {
    /// Ask for files to open.
    AskOpen,
    /// Ask where a recent session is now that its file is gone; the one opened takes its place in the list.
    FindRecent(PathBuf),
    /// Open session files or scans.
    Open(Vec<PathBuf>),
    /// Open the demo session.
    OpenDemo,
    /// Save, asking for a name if the session has none.
    Save,
    /// Save under another name.
    AskSaveAs,
    /// Save under this name.
    SaveAs(PathBuf),
    /// After a conflict, save over the other program's version, which is kept under its own name.
    TakeOver,
    /// Leave a save conflict unresolved: nothing is written.
    LeaveConflict,
    /// Open the session again, now that the program that held it has closed it.
    WorkOnIt,
    /// Remove an autosave that an earlier run left.
    DiscardAutosave(PathBuf),
    /// Take a session out of the list of recent ones; its file stays.
    ForgetRecent(PathBuf),
    /// Answer the open question.
    Answer(Answer),
    /// Close the window, asking if there are unsaved changes.
    Quit,
}

/// State of the session's files and of everything that waits for them.
#[derive(Debug, Default)]
pub(crate) struct Files {
    /// A recent session whose file is gone, while the user looks for it.
    pub(super) sought: Option<PathBuf>,
    /// Clock time of the first change that is not autosaved.
    pub touched_at: Option<f64>,
    /// The session as last autosaved.
    pub(super) autosaved: Option<Session>,
    /// The autosave being written.
    pub(super) autosaving: Option<JobId>,
    /// Where this run autosaves the session.
    pub(super) autosave_place: Option<PathBuf>,
    /// Every autosave that a save of the session makes useless.
    pub(super) autosaves: BTreeSet<PathBuf>,
    /// State of the session file when it was opened or saved.
    pub(super) opened: Option<SavedState>,
    /// Whether the session may be saved under its name; it holds the lock.
    pub access: Access,
    /// The session as it was when the user gave its changes up: the window may then close without asking about them
    /// again.
    pub given_up: Option<Session>,
    /// The window closes once the running export ends this way.
    pub closes_once: Option<ExportEnd>,
    /// What to do once the session has a name.
    pub after_naming: Option<PendingAction>,
    /// A save, and what to do once it has ended.
    pub after_save: Option<(JobId, PendingAction)>,
    /// The exported session, as it was when the export began.
    pub exporting: Option<SessionAt>,
    /// Saves that have not ended yet, in the order requested: the next one goes to the file of the last.
    pub(super) saving: Vec<Saving>,
    /// Jobs that open scans, and what is known about these.
    pub opening: HashMap<JobId, NewSessionRequest>,
    /// Jobs that search scans for their first frames, and whether all of these are one film.
    pub finding: HashMap<JobId, (Vec<ScanId>, bool)>,
    /// Checks of the scans.
    pub checks: ScanChecks,
    /// Existing files that an export would replace, looked up on another thread.
    pub lookup: Option<Receiver<HashSet<PathBuf>>>,
    /// Trouble of the system while it shows a folder.
    pub folder_trouble: Option<Receiver<Notice>>,
    /// Whether the names that the export pane shows were looked up.
    pub looked_up: bool,
}

impl Files {
    /// Resets for another session. Keeps what is being opened or waits for a save.
    pub(crate) fn begin_session(&mut self) {
        let Self { opening, after_save, .. } = std::mem::take(self);
        *self = Self { opening, after_save, ..Self::default() };
    }

    /// Drops everything that waited for this job.
    pub(crate) fn job_ended(&mut self, id: JobId) {
        self.after_save.take_if(|(job, _)| *job == id);
        self.autosaving.take_if(|job| *job == id);
        self.saving.retain(|saving| saving.id != id);
        self.opening.remove(&id);
        self.checks.job_ended(id);
    }
}

impl GlassineApp {
    /// The session with the folder its relative paths start at.
    pub(crate) fn session_at(&self) -> SessionAt {
        SessionAt { session: self.history.current().clone(), folder: self.status.folder(), key: self.key }
    }

    /// Opens or saves, or closes the window.
    pub(super) fn apply_file(&mut self, ctx: &Context, command: FileCommand) {
        match command {
            FileCommand::AskOpen => {
                self.files.sought = None;
                self.ask_path(ctx, PathPurpose::Open);
            }
            FileCommand::FindRecent(path) => {
                self.files.sought = Some(path);
                self.ask_path(ctx, PathPurpose::Open);
            }
            FileCommand::Open(paths) => self.open(paths),
            FileCommand::OpenDemo => self.open_demo(),
            FileCommand::Save => {
                self.save_or_ask(ctx);
            }
            FileCommand::AskSaveAs => self.ask_path(ctx, PathPurpose::SaveAs),
            FileCommand::SaveAs(path) => {
                self.save_as(ctx, path);
            }
            FileCommand::TakeOver => {
                if let Some(conflict) = self.status.conflict.take() {
                    self.save(conflict.path, SaveOver::Theirs);
                }
            }
            FileCommand::LeaveConflict => self.status.conflict = None,
            FileCommand::WorkOnIt => {
                if let Some(path) = self.status.path.clone() {
                    self.open(vec![path]);
                }
            }
            FileCommand::DiscardAutosave(path) => {
                self.status.unsaved_work.retain(|work| work.autosave != path);
                self.submit(Job::DiscardAutosaves(vec![path]));
            }
            FileCommand::ForgetRecent(path) => {
                self.remembered.forget_session(&path);
                self.status.recent.retain(|shown| shown.recent.path != path);
            }
            FileCommand::Answer(answer) => self.answer(ctx, answer),
            FileCommand::Quit => self.quit(ctx),
        }
    }

    /// Opens a session file, an autosave, or scans.
    pub(super) fn open(&mut self, paths: Vec<PathBuf>) {
        let Some(first) = paths.first().cloned() else { return };
        let is_session =
            |path: &PathBuf| ends_with(path, ".json") || session_files::without_autosave(path) != *path;
        if let Some(path) = paths.iter().find(|path| is_session(path)).cloned() {
            if self.is_unsaved() {
                self.ask_about_unsaved(PendingAction::Open(vec![path]));
                return;
            }
            self.open_session(path);
            return;
        }
        let session = self.history.current();
        let can_add = !session.scans.is_empty() && !self.status.is_demo;
        self.ui_state.question = Some(Question::NewSession {
            one_frame_per_file: paths.len() > 8,
            add: can_add && session.scans.iter().all(|scan| scan.path != first),
            scans: paths,
            film: None,
            format_id: None,
            reading: ScanReading::default(),
        });
    }

    /// Starts a session with these scans.
    pub(super) fn open_scans(&mut self, request: NewSessionRequest) {
        let id = self.submit(Job::OpenScans(request.clone()));
        self.files.opening.insert(id, request);
    }

    pub(super) fn open_session(&mut self, path: PathBuf) {
        self.submit(Job::OpenSession { path });
    }

    fn open_demo(&mut self) {
        if self.is_unsaved() {
            self.ask_about_unsaved(PendingAction::OpenDemo);
            return;
        }
        match self.options.demo_folder.clone() {
            Some(folder) => {
                self.submit(demo_session::job(Arc::clone(self.jobs.engine()), folder));
            }
            None => self.notify(Notice::new(
                Severity::Error,
                "no folder for the demo session could be found",
                "start the program with `glassine demo --folder FOLDER`",
            )),
        }
    }

    /// Shows a session that was made or opened; first asks about changes the user made to the current one meanwhile.
    pub(crate) fn session_ready(&mut self, id: JobId, made: MadeSession) {
        let arrived = Arrived { made, find: self.files.opening.remove(&id) };
        if self.is_unsaved() && !self.is_given_up() {
            self.ask_about_unsaved(PendingAction::Show(Box::new(arrived)));
        } else {
            self.show_session(arrived);
        }
    }

    /// Whether the session differs from its file, or will once the running saves have ended.
    pub(crate) fn is_unsaved(&self) -> bool {
        let is_another = |saving: &Saving| !saving.session.same_content(self.history.current());
        self.history.is_unsaved() || self.files.saving.iter().any(is_another)
    }

    /// Whether the user agreed to leave the session unsaved in its present state.
    pub(super) fn is_given_up(&self) -> bool {
        self.files.given_up.as_ref() == Some(self.history.current())
    }

    fn show_session(&mut self, arrived: Arrived) {
        let Arrived { made, find } = arrived;
        let MadeSession { session, path, notices, saved, recovered, access, unsaved } = made;
        let session = if find.is_some() { self.with_habits(session) } else { session };
        let is_saved = recovered.is_none() && path.is_some();
        self.begin_session(session, path.clone(), is_saved);
        self.files.opened = saved;
        self.set_access(access);
        self.remember_session();
        self.files.autosaves.extend(recovered.clone());
        match find {
            Some(request) => {
                let scans = self.session().scans.iter().map(|scan| scan.id).collect();
                self.find_on_scans(scans, request);
            }
            None => self.hash_scans(),
        }
        let is_asked =
            |notice: &Notice| unsaved.iter().any(|work| notice.path.as_ref() == Some(&work.autosave));
        notices.into_iter().rev().filter(|notice| !is_asked(notice)).for_each(|notice| self.notify(notice));
        if let Some(autosave) = &recovered {
            let headline = "the autosave was opened; its changes are not in the session file yet";
            self.notify(Notice::new(Severity::Info, headline, "save to keep them").about(autosave));
        }
        self.status.unsaved_work.retain(|work| Some(&work.autosave) != recovered.as_ref());
        self.ui_state.files.shows_unsaved |= !unsaved.is_empty();
        // Unsaved work of this session comes first.
        self.status.unsaved_work.retain(|known| unsaved.iter().all(|work| work.autosave != known.autosave));
        self.status.unsaved_work.splice(0..0, unsaved);
    }

    /// Lists the unsaved work of earlier runs. What is open here or listed already stays as it is.
    pub(crate) fn list_unsaved(&mut self, found: Vec<UnsavedWork>) {
        for work in found {
            let is_known = self.status.unsaved_work.iter().any(|known| known.autosave == work.autosave);
            if !is_known && !self.files.autosaves.contains(&work.autosave) {
                self.status.unsaved_work.push(work);
            }
        }
        // The page before anything is open offers it.
        let is_offered = self.history.current().scans.is_empty() && !self.status.unsaved_work.is_empty();
        self.ui_state.files.shows_unsaved |= is_offered;
    }

    /// Starts with another session.
    pub(crate) fn begin_session(
        &mut self,
        session: Session,
        path: Option<std::path::PathBuf>,
        is_saved: bool,
    ) {
        self.leave_autosave();
        self.keep_thumbnail();
        self.first_print = None;
        self.status.session_left();
        self.key = SessionKey::fresh();
        for job in self.status.jobs.iter().filter(|job| job.ends_with_session) {
            self.jobs.cancel(job.id);
        }
        self.previews.clear();
        self.scheduler.clear();
        self.jobs.forget_previews();
        let dropped = self.status.counts.clear();
        dropped.into_iter().for_each(|id| self.jobs.cancel(id));
        self.history = glassine_session::History::new(session);
        if !is_saved {
            self.history.mark_saved(Session::default());
        }
        self.gesture_start = None;
        self.key_presses = None;
        self.waiting.clear();
        self.jobs.engine().work_beside(path.as_deref());
        self.status.path = path;
        self.status.export_report = None;
        self.status.existing_files.clear();
        self.status.conflict = None;
        self.status.held_by = None;
        self.status.is_free_again = false;
        self.status.scan_problems.clear();
        self.status.scan_reports.clear();
        (self.status.sharpness.edge, self.status.sharpness.effect) = (None, None);
        self.status.is_demo = self.is_demo();
        self.ui_state.files.shows_unsaved = false;
        self.scanner_changes_session();
        self.ui_state.begin_session(self.history.current());
        self.files.begin_session();
        if !is_saved {
            self.touched();
        }
        self.submit(Job::HoldScans);
        self.begin_scan_checks();
    }

    /// Sets whether the session may be saved under its name, and what the window shows of that.
    pub(super) fn set_access(&mut self, access: Access) {
        self.status.held_by = match &access {
            Access::HeldBy(holder) => Some(holder.clone()),
            Access::Unlocked | Access::Locked(_) => None,
        };
        self.status.is_free_again = false;
        self.files.access = access;
    }

    /// Whether any scan is one of the demo's.
    pub(super) fn is_demo(&self) -> bool {
        let folder = self.options.demo_folder.as_deref().map(session_files::real_path);
        let is_in = |path: &Path| folder.as_ref().is_some_and(|folder| path.starts_with(folder));
        self.history.current().scans.iter().any(|scan| is_in(&scan.path) || demo_session::is_scan(&scan.path))
    }

    /// Searches newly opened scans for their first frames, and hashes their files meanwhile.
    pub(crate) fn find_on_scans(&mut self, scans: Vec<ScanId>, request: NewSessionRequest) {
        if !scans.is_empty() {
            self.submit(Job::HoldScans);
            let is_one_film = request.one_frame_per_file;
            let id = self.submit(Job::FindOnScans { scans: scans.clone(), request });
            self.files.finding.insert(id, (scans, is_one_film));
        }
        self.hash_scans();
    }

    /// Hashes scan files that have no whole-file hash yet.
    fn hash_scans(&mut self) {
        let scans = self.history.current().scans.iter().filter(|scan| !is_hashed(scan));
        let scans: Vec<ScanId> = scans.map(|scan| scan.id).collect();
        if !scans.is_empty() {
            self.submit(Job::HashScans { scans });
        }
    }

    /// Stores the hash of a scan's whole file in every state of the session, without an undo step.
    pub(crate) fn hashed(&mut self, id: ScanId, path: &Path, print: &Fingerprint) {
        let known = self.history.current().scan(id).and_then(|scan| scan.fingerprint.as_ref());
        let differs = |a: &Option<String>, b: &Option<String>| matches!((a, b), (Some(a), Some(b)) if a != b);
        if known.is_some_and(|known| differs(&known.sampled_blake3, &print.sampled_blake3)) {
            // A different file from the one the session was made with: the check of the scans reports it.
            self.check_scans_soon();
            return;
        }
        if known.is_some_and(|known| known.bytes != print.bytes) {
            let notice = Notice::new(
                Severity::Warning,
                "a scan changed while it was read",
                "wait until the other program has finished writing it, then open it again",
            );
            self.notify(notice.about(path));
            return;
        }
        self.history.amend(|session| {
            let scan = session.scans.iter_mut().find(|scan| scan.id == id && scan.path == path);
            if let Some(scan) = scan.filter(|scan| !is_hashed(scan)) {
                Arc::make_mut(scan).fingerprint = Some(print.clone());
            }
        });
    }

    /// Carries out what waited for the question about unsaved changes.
    pub(super) fn resume(&mut self, action: PendingAction) {
        match action {
            PendingAction::Close => {
                self.commands.push(Command::File(FileCommand::Quit));
            }
            PendingAction::Show(arrived) => self.show_session(*arrived),
            PendingAction::Open(paths) => {
                if let Some(path) = paths.into_iter().next() {
                    self.open_session(path);
                }
            }
            PendingAction::NewSession(request) => self.open_scans(*request),
            PendingAction::OpenDemo => {
                if let Some(folder) = self.options.demo_folder.clone() {
                    self.submit(demo_session::job(Arc::clone(self.jobs.engine()), folder));
                }
            }
        }
    }
}

/// Whether the whole file was hashed once.
pub(super) fn is_hashed(scan: &ScanRef) -> bool {
    scan.fingerprint.as_ref().is_some_and(|print| print.blake3.is_some())
}

pub(super) fn ends_with(path: &Path, ending: &str) -> bool {
    path.file_name().is_some_and(|name| name.to_string_lossy().to_lowercase().ends_with(ending))
}
