//! The demo session: its scans are made on first use, and its frames are found like those of any scan.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_engine::jobs::{Job, SessionMaker};
use glassine_engine::session_files::SaveMode;
use glassine_engine::{Engine, EngineError, MadeSession, NewSessionRequest, Notice, Severity, session_files};
use glassine_film::FilmKind;
use glassine_raster::CancelToken;
use glassine_session::{Edit, Session};

/// Name of the demo's session file.
const SESSION_NAME: &str = "sallow quay.session.json";

/// Folder of the demo unless one is given: in the user's cache folder.
pub fn default_folder() -> PathBuf {
    directories::ProjectDirs::from("", "", "glassine")
        .map_or_else(|| PathBuf::from("demo-sessions/cache"), |dirs| dirs.cache_dir().join("demo"))
}

/// Whether a file has the name of one of the demo's scans, wherever it is.
pub(crate) fn is_scan(path: &Path) -> bool {
    let name = path.file_name().and_then(|name| name.to_str());
    name.is_some_and(|name| glassine_filmsim::demo_strips().iter().any(|strip| strip.scan_file_name == name))
}

/// Opens the demo session of a folder, or makes it if it does not exist.
///
/// The session file is beside its scans; the user's changes stay in it until the user removes the file.
pub fn open_or_make(
    engine: &Engine,
    folder: &Path,
    cancel: &CancelToken,
    progress: &(dyn Fn(f32, &str) + Sync),
) -> Result<MadeSession, EngineError> {
    let scans = glassine_filmsim::make_demo(folder, &|share, what| progress(0.7 * share, what), cancel)
        .map_err(|error| demo_error(&error, folder))?;
    let path = folder.join(SESSION_NAME);
    if path.exists() {
        return session_files::open_session(&path, cancel);
    }
    let mut session = Session { title: "Sallow Quay".to_owned(), ..Session::default() };
    let mut notices = Vec::new();
    let count = scans.len() as f32;
    for (idx, scan) in scans.iter().enumerate() {
        let request = NewSessionRequest {
            scans: vec![scan.path.clone()],
            film: FilmKind::from_key(scan.strip.process.film_kind_key()),
            format_id: Some(scan.strip.format_id.clone()),
            ..NewSessionRequest::default()
        };
        let made = engine.extend_session(session, &request, cancel, &|share, what| {
            progress(0.7 + 0.3 * (idx as f32 + share) / count, what);
        })?;
        session = made.session;
        notices.extend(made.notices);
    }
    let mut output = session.output.clone();
    "harbour".clone_into(&mut output.base_name);
    "M. Orrin".clone_into(&mut output.creator);
    session = Edit::SetOutput(output).apply(&session)?;
    let saved = session_files::save_session(engine.saving_run(), &session, &path, SaveMode::New, &[])?
        .into_saved()?;
    Ok(MadeSession {
        session,
        path: Some(saved.path),
        saved: Some(saved.state),
        notices,
        ..MadeSession::default()
    })
}

/// [`open_or_make`] as a job of the window.
pub fn job(engine: Arc<Engine>, folder: PathBuf) -> Job {
    let maker =
        SessionMaker(Arc::new(move |cancel, progress| open_or_make(&engine, &folder, cancel, progress)));
    Job::MakeSession { label: "making the demo".to_owned(), maker }
}

fn demo_error(error: &glassine_filmsim::Error, folder: &Path) -> EngineError {
    if matches!(error, glassine_filmsim::Error::Cancelled) {
        return EngineError::Cancelled;
    }
    let (why, place) = match error {
        glassine_filmsim::Error::Write { path, source } => (source.to_string(), path.as_path()),
        other => (other.to_string(), folder),
    };
    EngineError::Permanent(
        Notice::new(
            Severity::Error,
            format!("the demo scans could not be made: {why}"),
            "choose another folder with --folder, with about 300 MB of room",
        )
        .about(place),
    )
}
