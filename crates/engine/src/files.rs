//! Session files on disk: opened with a check of their scans, saved atomically with the previous version kept.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_bytes_atomic};
use glassine_session::{Session, file};

use crate::scans::shown;
use crate::{EngineError, MadeSession, Notice, Severity};

/// Ending of session files.
pub const SESSION_ENDING: &str = ".session.json";

/// Where the autosave of a session lies: beside it.
pub fn autosave_path(session_path: &Path) -> PathBuf {
    with_suffix(session_path, ".autosave")
}

/// The session file that an autosave belongs to; any other path is its own.
pub fn without_autosave(path: &Path) -> PathBuf {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    name.strip_suffix(".autosave").map_or_else(|| path.to_owned(), |name| path.with_file_name(name))
}

/// Where the version before the last save lies: beside it.
pub fn previous_path(session_path: &Path) -> PathBuf {
    with_suffix(session_path, ".previous")
}

fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// The folder a session's relative paths start at.
pub fn folder_of(session_path: &Path) -> Option<Arc<Path>> {
    let absolute = std::path::absolute(session_path).unwrap_or_else(|_| session_path.to_owned());
    absolute.parent().map(Arc::from)
}

/// Read a session file.
pub fn read_session(path: &Path) -> Result<Session, EngineError> {
    let told = |headline: String, what: &str| {
        EngineError::Told(Notice::new(Severity::Error, headline, what).about(path))
    };
    let io = |error: std::io::Error| {
        told(format!("the session can't be read: {error}"), "check that the file is there and readable")
    };
    let size = std::fs::metadata(path).map_err(io)?.len();
    if size > file::MAX_BYTES {
        return Err(told(
            format!("the file has {size} bytes, more than any session has"),
            "choose a file that ends in .session.json",
        ));
    }
    let bytes = std::fs::read(path).map_err(io)?;
    file::from_json(&bytes).map_err(|error| {
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
        EngineError::Told(Notice::new(Severity::Error, error.to_string(), what).about(path))
    })
}

/// Open a session and look whether its scans are still what they were. A missing scan is told, never fatal.
pub fn open_session(path: &Path, cancel: &CancelToken) -> Result<MadeSession, EngineError> {
    let mut session = read_session(path)?;
    let folder = folder_of(path);
    // In memory paths are absolute, so that saving to another folder stores the right ones.
    for scan in &mut session.scans {
        let scan = Arc::make_mut(scan);
        scan.path = tidy(&file::resolve_path(&scan.path, folder.as_deref()));
        scan.infrared_path =
            scan.infrared_path.take().map(|path| tidy(&file::resolve_path(&path, folder.as_deref())));
    }
    let mut notices = Vec::new();
    for scan in &session.scans {
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
                            "a scan is not the file it was when the session was made",
                            "check that the right scan lies under this name; boxes and base may not fit",
                        )
                        .about(place),
                    );
                }
            }
        }
    }
    let autosave = autosave_path(path);
    if is_newer(&autosave, path) {
        notices.push(
            Notice::new(
                Severity::Warning,
                "an autosave newer than this session was found: the program may have been stopped without saving",
                "open the autosave to go on from there, or save this session to keep it as it is",
            )
            .about(autosave),
        );
    }
    Ok(MadeSession { session, path: Some(path.to_owned()), notices })
}

/// The path without `.` and `name/..`, by its text alone.
fn tidy(path: &Path) -> PathBuf {
    use std::path::Component;
    let mut out = PathBuf::new();
    for part in path.components() {
        match part {
            Component::CurDir => {}
            Component::ParentDir if matches!(out.components().next_back(), Some(Component::Normal(_))) => {
                out.pop();
            }
            other => out.push(other),
        }
    }
    out
}

fn is_newer(one: &Path, other: &Path) -> bool {
    let modified = |path: &Path| std::fs::metadata(path).and_then(|meta| meta.modified()).ok();
    match (modified(one), modified(other)) {
        (Some(one), Some(other)) => one > other,
        _ => false,
    }
}

/// Save a session: temporary file, sync, rename, sync of the folder; the previous version is kept beside it.
pub fn save_session(session: &Session, path: &Path, overwrite: Overwrite) -> Result<(), EngineError> {
    let bytes = session_bytes(session, path)?;
    write_bytes_atomic(path, &bytes, overwrite, Some(&previous_path(path)))?;
    // What was autosaved before is older than this file now.
    let autosave = autosave_path(path);
    if autosave.exists()
        && let Err(error) = std::fs::remove_file(&autosave)
    {
        let headline = format!("the session was saved, but its autosave could not be removed: {error}");
        return Err(EngineError::told(headline, format!("remove {} by hand", shown(&autosave))));
    }
    Ok(())
}

/// Save beside the session, for recovery after a crash.
pub fn autosave_session(session: &Session, path: &Path) -> Result<(), EngineError> {
    let bytes = session_bytes(session, path)?;
    Ok(write_bytes_atomic(&autosave_path(path), &bytes, Overwrite::Replace, None)?)
}

fn session_bytes(session: &Session, path: &Path) -> Result<Vec<u8>, EngineError> {
    let folder = folder_of(path);
    file::to_json(session, folder.as_deref()).map_err(|error| {
        EngineError::told(error.to_string(), "this is a mistake in the program, please report it")
    })
}
