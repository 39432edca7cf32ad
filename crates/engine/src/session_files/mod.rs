//! Session files on disk: opened with a check of their scans, saved whole, locked, autosaved and recovered.

mod lock;
mod runs;
mod save;
#[cfg(test)]
mod tests;
mod unsaved;

use std::fs::File;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_raster::CancelToken;
use glassine_session::Session;
use glassine_session::file::{self, OpenedFile};

use crate::error::{EngineError, Notice, Severity};

pub use self::lock::{Access, Holder, SessionLock, lock_holder, lock_path, lock_session};
pub use self::runs::Run;
pub use self::save::{
    Conflict, SaveMode, SaveOutcome, Saved, SavedState, autosave_session, differences_on_disk, save_session,
};
pub use self::unsaved::{UnsavedWork, discard_autosave, unsaved_beside};

/// A session that was made or opened, with what the user should know about it.
#[derive(Debug, Clone, Default)]
pub struct MadeSession {
    pub session: Session,
    /// Its file, if there is one.
    pub path: Option<PathBuf>,
    /// Messages, most important first.
    pub notices: Vec<Notice>,
    /// State of its file, for the check before saving.
    pub saved: Option<SavedState>,
    /// The autosave it was read from.
    pub recovered: Option<PathBuf>,
    /// Whether it may be saved under its name. Keep it as long as the session is open: it holds the lock.
    pub access: Access,
    /// Autosaves of earlier runs beside its file.
    pub unsaved: Vec<UnsavedWork>,
}

pub const SESSION_ENDING: &str = ".session.json";

/// Stands between the session's file name and the run in the name of an autosave.
const AUTOSAVE_MARK: &str = ".autosave";

/// The session file that an autosave belongs to; any other path is returned as it is.
pub fn without_autosave(path: &Path) -> PathBuf {
    let name = path.file_name().unwrap_or_default().as_encoded_bytes();
    let mark = AUTOSAVE_MARK.as_bytes();
    let at = name.windows(mark.len()).rposition(|part| part == mark);
    let session = at.and_then(|at| {
        let (session, rest) = (name.get(..at)?, name.get(at + mark.len()..)?);
        (rest.is_empty() || rest.starts_with(b"-")).then(|| file::path_from_bytes(session.to_vec()))
    });
    session.map_or_else(|| path.to_owned(), |name| path.with_file_name(name))
}

/// Where earlier versions autosaved a session: beside it, under the same name for every run.
pub fn old_autosave_path(session_path: &Path) -> PathBuf {
    with_suffix(session_path, AUTOSAVE_MARK)
}

/// Path of the version before the last save: beside the session.
pub fn previous_path(session_path: &Path) -> PathBuf {
    with_suffix(session_path, ".previous")
}

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// The path of a file with links resolved, even if the file itself does not exist yet.
pub fn real_path(path: &Path) -> PathBuf {
    if let Ok(real) = std::fs::canonicalize(path) {
        return real;
    }
    let absolute = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    with_real_folder(&absolute)
}

/// The path with the links of its folder resolved by the file system; the file itself may be a link or missing.
fn with_real_folder(path: &Path) -> PathBuf {
    match (path.parent().map(std::fs::canonicalize), path.file_name()) {
        (Some(Ok(folder)), Some(name)) => folder.join(name),
        _ => path.to_owned(),
    }
}

/// The folder a session's relative paths start at.
pub fn folder_of(session_path: &Path) -> Option<Arc<Path>> {
    real_path(session_path).parent().map(Arc::from)
}

/// Read a session file.
pub fn read_session(path: &Path) -> Result<Session, EngineError> {
    read_file(path).map(|(opened, _)| opened.session)
}

/// Read a session file and its state.
fn read_file(path: &Path) -> Result<(OpenedFile, SavedState), EngineError> {
    let bytes = read_bytes(path)?;
    let opened = file::from_json(&bytes).map_err(|error| {
        let what = match &error {
            file::FileError::Newer { .. } => {
                "open it with the newer program; the file was left as it is".to_owned()
            }
            file::FileError::NotASession => {
                "choose a file that ends in .session.json, or open a scan".to_owned()
            }
            _ if previous_path(path).exists() => {
                format!("the version before the last save is {}", previous_path(path).display())
            }
            _ => "the file was left as it is; restore it from a copy".to_owned(),
        };
        error_about(path, error.to_string(), what)
    })?;
    let state = SavedState::new(opened.stamp.clone(), &bytes);
    Ok((opened, state))
}

fn error_about(path: &Path, headline: impl Into<String>, what: impl Into<String>) -> EngineError {
    EngineError::Permanent(Notice::new(Severity::Error, headline, what).about(path))
}

/// The bytes of a file of sensible size; a folder, a pipe or a device is refused before it is opened.
fn read_bytes(path: &Path) -> Result<Vec<u8>, EngineError> {
    let io = |error: std::io::Error| {
        error_about(
            path,
            format!("the session can't be read: {error}"),
            "check that the file is there and readable",
        )
    };
    let choose = "choose a file that ends in .session.json";
    let meta = std::fs::metadata(path).map_err(io)?;
    if meta.is_dir() {
        return Err(error_about(path, "this is a folder, not a session", choose));
    }
    if !meta.is_file() {
        return Err(error_about(path, "this is a pipe or a device, not a session", choose));
    }
    let too_large = |bytes: u64| {
        error_about(path, format!("the file has {bytes} bytes, more than any session has"), choose)
    };
    if meta.len() > file::MAX_BYTES {
        return Err(too_large(meta.len()));
    }
    let mut bytes = Vec::new();
    // Also bounds a file that grows while it is read.
    File::open(path).and_then(|file| file.take(file::MAX_BYTES + 1).read_to_end(&mut bytes)).map_err(io)?;
    if bytes.len() as u64 > file::MAX_BYTES {
        return Err(too_large(bytes.len() as u64));
    }
    Ok(bytes)
}

/// Make paths of scans and printer profiles absolute, so that saving to another folder stores the right ones.
fn resolve_paths(session: &mut Session, session_path: &Path) {
    let folder = folder_of(session_path);
    let resolve = |path: &Path| with_real_folder(&file::resolve_path(path, folder.as_deref()));
    for scan in &mut session.scans {
        let scan = Arc::make_mut(scan);
        scan.change_parts(|part| {
            part.path = resolve(&part.path);
            part.infrared_path = part.infrared_path.as_deref().map(resolve);
        });
    }
    session.output.change_profiles(resolve);
}

/// Open a session or an autosave and check that its scans exist and still have their length. A missing scan is
/// reported, never fatal. Nothing is written.
pub fn open_session(path: &Path, cancel: &CancelToken) -> Result<MadeSession, EngineError> {
    open(path, None, cancel)
}

/// Open a session or an autosave to work on it: takes its lock, and removes the part files of killed writers.
pub fn open_to_work(path: &Path, run: &Run, cancel: &CancelToken) -> Result<MadeSession, EngineError> {
    open(path, Some(run), cancel)
}

fn open(path: &Path, run: Option<&Run>, cancel: &CancelToken) -> Result<MadeSession, EngineError> {
    let path = real_path(path);
    let session_path = without_autosave(&path);
    let is_autosave = session_path != path;
    let has_file = !(is_autosave && run.is_some_and(|run| run.keeps_unnamed(&path)));
    // The lock comes first, so that what is read is what is locked.
    let access = run.filter(|_| has_file).map_or(Access::Unlocked, |run| lock_session(&session_path, run));
    let (opened, state) = read_file(&path)?;
    let mut session = opened.session;
    resolve_paths(&mut session, &path);
    let mut notices: Vec<_> = opened
        .notes
        .into_iter()
        .map(|note| {
            Notice::new(Severity::Warning, note, "open it with the program that wrote it to see all of it")
                .about(&path)
        })
        .collect();
    notices.extend(box_notices(&session));
    notices.extend(scan_notices(&session, cancel)?);
    if let Access::HeldBy(holder) = &access {
        let headline = format!("this session is open elsewhere ({holder}); it was opened for viewing only");
        let what = "close it there and open it again, or save it under another name";
        notices.insert(0, Notice::new(Severity::Warning, headline, what).about(&path));
    }
    if let Some(run) = run {
        run.saw(state.stamp.generation);
        path.parent().map(glassine_scanfile::remove_abandoned_parts);
    }
    let mut made = MadeSession {
        session,
        path: has_file.then(|| session_path.clone()),
        notices,
        access,
        ..Default::default()
    };
    if is_autosave {
        // Saving overwrites what is there now. If another run saved that after the autosave, the user is warned here.
        if let Ok((saved, saved_state)) = read_file(&session_path) {
            if saved.stamp.generation > state.stamp.generation {
                made.notices.push(later_save(&made.session, &session_path));
            }
            if let Some(run) = run {
                run.saw(saved_state.stamp.generation);
            }
            made.saved = Some(saved_state);
        }
        made.recovered = Some(path);
    } else {
        made.saved = Some(state);
        made.unsaved = unsaved_beside(&session_path, run);
        if let Some(work) = made.unsaved.first() {
            let headline =
                "unsaved work on this session was found: the program may have been stopped without saving";
            let what = "open the autosave to continue from it, or discard it";
            made.notices.push(Notice::new(Severity::Warning, headline, what).about(&work.autosave));
        }
    }
    Ok(made)
}

fn later_save(session: &Session, session_path: &Path) -> Notice {
    let differences = differences_on_disk(session, session_path).unwrap_or_default();
    let headline = format!(
        "the session was saved by another program after this autosave ({})",
        if differences.is_empty() { "same content".to_owned() } else { differences.join("; ") }
    );
    Notice::new(Severity::Warning, headline, "save under another name to keep both").about(session_path)
}

/// One message for all frames whose boxes have a problem; names at most five.
fn box_notices(session: &Session) -> Option<Notice> {
    let problem = |frame: &Arc<glassine_session::Frame>| {
        let problem = glassine_session::frame_problem(session, frame)?;
        Some(format!("frame {}: {problem}", session.number_text(frame)))
    };
    let mut problems: Vec<_> = session.frames.iter().filter_map(problem).collect();
    let more = problems.len().saturating_sub(5);
    problems.truncate(5);
    if more > 0 {
        problems.push(format!("and {more} more"));
    }
    (!problems.is_empty()).then(|| {
        let what = "check that these are the right scans, then draw the boxes again or find the frames again";
        Notice::new(Severity::Warning, problems.join("; "), what)
    })
}

fn scan_notices(session: &Session, cancel: &CancelToken) -> Result<Vec<Notice>, EngineError> {
    let mut notices = Vec::new();
    for scan in session.scans.iter().flat_map(|scan| scan.parts()) {
        cancel.check()?;
        let place = scan.path.clone();
        match std::fs::metadata(&place) {
            Err(error) => notices.push(
                Notice::new(
                    Severity::Warning,
                    format!("a scan of this session can't be read: {error}"),
                    "put the file back, or choose it again; its frames and settings are kept",
                )
                .about(place),
            ),
            Ok(found) => {
                if scan.fingerprint.as_ref().is_some_and(|print| print.bytes != found.len()) {
                    notices.push(
                        Notice::new(
                            Severity::Warning,
                            "a scan has changed since the session was made",
                            "check that this file is the right scan; boxes and film base may not fit",
                        )
                        .about(place),
                    );
                }
            }
        }
    }
    Ok(notices)
}
