//! Autosaves with work that is in no session file.

use std::path::{Path, PathBuf};
use std::time::SystemTime;

use glassine_session::file::OpenedFile;

use super::lock::lock_holder;
use super::runs::Run;
use super::{AUTOSAVE_MARK, read_file, without_autosave};
use crate::error::{EngineError, Notice, Severity};

/// Work of an earlier run that was neither saved nor discarded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnsavedWork {
    /// The autosave; opening it continues from there.
    pub autosave: PathBuf,
    /// The session file it belongs to; `None` for a session that had none.
    pub session_path: Option<PathBuf>,
    pub title: String,
    /// Number of frames.
    pub frames: usize,
    /// Generation; of two autosaves, the higher one is the later state.
    pub generation: u64,
    /// When it was written: shown to the user, and orders autosaves of the same generation.
    pub changed: SystemTime,
    /// Whether its session file was saved after it, with other content.
    pub is_saved_later: bool,
    /// Name of the computer, if it was written on another one.
    pub other_host: Option<String>,
}

/// An autosave as unsaved work; `None` when it can't be read, or when its session file holds the same or more.
pub(super) fn read_unsaved(autosave: &Path) -> Option<UnsavedWork> {
    let (opened, _) = read_file(autosave).ok()?;
    let session_path = without_autosave(autosave);
    let saved = read_file(&session_path).ok().map(|(saved, _)| saved);
    if saved.as_ref().is_some_and(|saved| is_in(&opened, saved)) {
        return None;
    }
    let is_later = |saved: &OpenedFile| saved.stamp.generation > opened.stamp.generation;
    let is_saved_later = saved.as_ref().is_some_and(is_later);
    let own_host = Run::host();
    let host = opened.stamp.run.rsplitn(4, '-').nth(3).unwrap_or_default().to_owned();
    Some(UnsavedWork {
        autosave: autosave.to_owned(),
        session_path: Some(session_path),
        title: opened.session.title,
        frames: opened.session.frames.len(),
        generation: opened.stamp.generation,
        changed: std::fs::metadata(autosave)
            .and_then(|meta| meta.modified())
            .unwrap_or(SystemTime::UNIX_EPOCH),
        is_saved_later,
        other_host: Some(host).filter(|host| !host.is_empty() && *host != own_host),
    })
}

/// Whether a session file holds all of an autosave: the same content, or a later save of the same run.
fn is_in(autosave: &OpenedFile, saved: &OpenedFile) -> bool {
    let (ours, theirs) = (&autosave.stamp, &saved.stamp);
    let is_later = !ours.run.is_empty() && ours.run == theirs.run && theirs.generation > ours.generation;
    is_later || autosave.session.same_content(&saved.session)
}

/// Unsaved work beside a session file, the latest state first. Leaves out the work of the run that holds the session's
/// lock and, given a run, of all runs that are alive.
pub fn unsaved_beside(session_path: &Path, run: Option<&Run>) -> Vec<UnsavedWork> {
    let name = session_path.file_name().unwrap_or_default().as_encoded_bytes();
    let folder = session_path.parent().filter(|folder| !folder.as_os_str().is_empty());
    let Ok(entries) = std::fs::read_dir(folder.unwrap_or(Path::new("."))) else { return Vec::new() };
    let is_ours = |entry: &std::fs::DirEntry| {
        let entry = entry.file_name();
        entry
            .as_encoded_bytes()
            .strip_prefix(name)
            .is_some_and(|rest| rest.starts_with(AUTOSAVE_MARK.as_bytes()))
    };
    let holder = lock_holder(session_path);
    let lives = |path: &Path| {
        let writer = run_of(path).unwrap_or_default();
        run.is_some_and(|run| run.lives(writer)) || holder.as_ref().is_some_and(|holder| holder.run == writer)
    };
    let mut work: Vec<_> = entries
        .flatten()
        .filter(is_ours)
        .map(|entry| entry.path())
        .filter(|path| !lives(path))
        .filter_map(|path| read_unsaved(&path))
        .collect();
    work.sort_by_key(|item| std::cmp::Reverse((item.generation, item.changed)));
    work
}

/// The run that an autosave is named after.
fn run_of(autosave: &Path) -> Option<&str> {
    let (_, run) = autosave.file_name()?.to_str()?.rsplit_once(AUTOSAVE_MARK)?;
    run.strip_prefix('-')
}

/// Remove an autosave that is no longer wanted; fails if the path is not one of an autosave.
pub fn discard_autosave(autosave: &Path) -> Result<(), EngineError> {
    if without_autosave(autosave) == autosave {
        return Err(EngineError::internal("a file that is no autosave was to be discarded"));
    }
    match std::fs::remove_file(autosave) {
        Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(EngineError::Permanent(
            Notice::new(
                Severity::Warning,
                format!("an autosave that is no longer needed can't be removed: {error}"),
                "remove it by hand, or it will be offered again",
            )
            .about(autosave),
        )),
        _ => Ok(()),
    }
}
