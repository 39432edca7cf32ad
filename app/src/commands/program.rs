//! The state of the program: one session with its history, the jobs that work for it, and what the window shows of both.

use std::path::PathBuf;
use std::sync::Arc;

use glassine_acquire::DriverProcess;
use glassine_engine::jobs::{Job, JobId};
use glassine_engine::{JobHost, Preview, SessionKey};
use glassine_session::{History, Session};

use super::boxes::KeyPresses;
use super::files::Files;
use super::job_events::Waiting;
use super::scanner::ScannerThread;
use super::sharpness::SharpnessAsked;
use super::{Command, FileCommand};
use crate::model::app_status::{AppStatus, JobKind, JobStatus};
use crate::model::preview_requests::PreviewRequests;
use crate::model::remembered::Remembered;
use crate::model::ui_state::UiState;
use crate::platform::end_signals::EndSignal;
use crate::platform::screen_profile::ScreenLookup;
use crate::services::file_dialogs::FilePicker;
use crate::services::preview_scheduler::Scheduler;
use crate::services::preview_store::PreviewStore;
use crate::services::recent_sessions::Recents;
use crate::services::screen_colours::ScreenColours;
use crate::services::state_file::{KeptState, StateKeeper};

/// Clock time of the first look at the size and place of the window, seconds.
const FIRST_PLACE_S: f64 = 2.0;

/// Options the program starts with.
#[derive(Debug, Clone, Default)]
pub struct AppOptions {
    /// Jobs run inside `logic` instead of on their own threads: for tests and for pictures of the window.
    pub inline_jobs: bool,
    /// Session file or scans to open.
    pub open: Vec<PathBuf>,
    /// Folder of the demo session.
    pub demo_folder: Option<PathBuf>,
    /// Open the demo session if no file is given.
    pub begin_with_demo: bool,
    /// What the last run left, and where this one keeps it.
    pub state: KeptState,
    /// Light surround.
    pub light: bool,
    /// Whether the system asked the program to end.
    pub end_signal: EndSignal,
    /// Where to look for the profile of the screen.
    pub screen: ScreenLookup,
    /// How the process of scanner drivers is started, if not as this program.
    pub drivers: Option<DriverProcess>,
}

pub struct GlassineApp {
    pub(crate) history: History,
    pub(crate) jobs: JobHost,
    pub(crate) picker: Box<dyn FilePicker>,
    pub(crate) options: AppOptions,
    pub(crate) ui_state: UiState,
    pub(crate) status: AppStatus,
    pub(crate) previews: PreviewStore,
    pub(crate) commands: Vec<Command>,
    pub(crate) files: Files,
    pub(crate) scheduler: Scheduler,
    pub(crate) screen: ScreenColours,
    /// The session when the current gesture began; boxes are sized from there.
    pub(crate) gesture_start: Option<Session>,
    /// Key presses that become one undo step.
    pub(crate) key_presses: Option<KeyPresses>,
    /// Identifies the current session: results for another one are dropped.
    pub(crate) key: SessionKey,
    /// Job results that wait for the end of a gesture.
    pub(crate) waiting: Vec<Waiting>,
    /// The window's clock, seconds.
    pub(crate) now: f64,
    /// What the next run will know.
    pub(crate) remembered: Remembered,
    pub(crate) keeper: StateKeeper,
    /// What was asked about sharpness.
    pub(crate) sharpness: SharpnessAsked,
    pub(crate) scanner: ScannerThread,
    pub(crate) recents: Recents,
    /// The print of the session's first frame, for the list of recent sessions.
    pub(crate) first_print: Option<Arc<Preview>>,
    /// Clock time of the next look at the size and place of the window.
    pub(crate) place_due_s: f64,
}

impl std::fmt::Debug for GlassineApp {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("GlassineApp").field("jobs", &self.jobs).finish_non_exhaustive()
    }
}

impl GlassineApp {
    /// Makes the program over this job host. With `options.inline_jobs` the host must be an inline one.
    pub fn new(jobs: JobHost, picker: Box<dyn FilePicker>, options: AppOptions) -> Self {
        let mut app = Self {
            history: History::new(Session::default()),
            jobs,
            picker,
            ui_state: UiState { light: options.light, ..UiState::default() },
            status: AppStatus::default(),
            previews: PreviewStore::default(),
            commands: Vec::new(),
            files: Files::default(),
            scheduler: Scheduler::default(),
            screen: ScreenColours::new(options.screen.clone()),
            gesture_start: None,
            key_presses: None,
            key: SessionKey::fresh(),
            waiting: Vec::new(),
            now: 0.0,
            remembered: Remembered::default(),
            keeper: StateKeeper::begin(&options.state),
            sharpness: SharpnessAsked::default(),
            scanner: ScannerThread::default(),
            recents: Recents::default(),
            first_print: None,
            // Until then the system may still move it.
            place_due_s: FIRST_PLACE_S,
            options,
        };
        app.begin_with_remembered();
        if let Some(trouble) = app.jobs.take_trouble() {
            app.notify_of_program(trouble);
        }
        if !app.options.open.is_empty() {
            app.commands.push(Command::File(FileCommand::Open(app.options.open.clone())));
        } else if app.options.begin_with_demo {
            app.commands.push(Command::File(FileCommand::OpenDemo));
        }
        app.submit(Job::FindUnsaved);
        app
    }

    /// The session, previewed changes included.
    pub fn session(&self) -> &Session {
        self.history.current()
    }

    pub fn history(&self) -> &History {
        &self.history
    }

    /// Facts that the views show.
    pub fn status(&self) -> &AppStatus {
        &self.status
    }

    /// What the window remembers besides the session.
    pub fn ui_state(&self) -> &UiState {
        &self.ui_state
    }

    /// What the window remembers, for tests and pictures of the window.
    pub fn ui_state_mut(&mut self) -> &mut UiState {
        &mut self.ui_state
    }

    /// What the next run will know.
    pub fn remembered(&self) -> &Remembered {
        &self.remembered
    }

    pub fn previews(&self) -> &PreviewStore {
        &self.previews
    }

    /// Identifies the current session.
    pub fn session_key(&self) -> SessionKey {
        self.key
    }

    pub fn jobs(&mut self) -> &mut JobHost {
        &mut self.jobs
    }

    /// Requests these pictures, as the views do while they are drawn.
    pub fn show(&mut self, requests: PreviewRequests) {
        self.ui_state.requests = requests;
    }

    /// Whether nothing is queued or running.
    pub fn is_idle(&self) -> bool {
        self.commands.is_empty() && self.jobs.is_idle()
    }

    /// Makes a session current that is not in a file yet.
    pub fn set_session(&mut self, session: Session) {
        self.begin_session(session, None, false);
    }

    pub fn push(&mut self, command: impl Into<Command>) {
        self.commands.push(command.into());
    }

    /// Queues a job for the current session and shows it in the status line.
    pub(crate) fn submit(&mut self, job: Job) -> JobId {
        let label = job.label();
        let kind = match job {
            Job::Export(_) => JobKind::Export,
            Job::Autosave { .. }
            | Job::DiscardAutosaves(_)
            | Job::FindUnsaved
            | Job::HoldScans
            | Job::LookAtLock { .. }
            | Job::CheckScans { .. }
            | Job::MeasureScan { .. } => JobKind::Silent,
            Job::HashScans { .. } => JobKind::Background,
            _ => JobKind::Asked,
        };
        let ends_with_session = job.ends_with_session();
        let id = self.jobs.submit(self.session_at(), job);
        self.status.jobs.push(JobStatus { ends_with_session, ..JobStatus::new(id, label, kind) });
        id
    }

    /// Stops the exact counts at the user's request.
    pub(super) fn stop_counting(&mut self) {
        if let Some(id) = self.status.counts.stop() {
            self.jobs.cancel(id);
        }
    }
}
