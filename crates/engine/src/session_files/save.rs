//! Saving: writes whole files, and overwrites an unseen state only if the user chose to.

use std::path::{Path, PathBuf};

use glassine_scanfile::{Overwrite, write_bytes_atomic};
use glassine_session::file::{self, FileStamp};
use glassine_session::{Session, differences};

use super::runs::Run;
use super::unsaved::discard_autosave;
use super::{folder_of, previous_path, read_bytes, read_file, real_path, with_suffix};
use crate::error::{EngineError, Notice, Severity};

/// The state of a session file when it was opened or saved; a save goes ahead while the file still has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SavedState {
    /// Generation and run.
    pub stamp: FileStamp,
    /// BLAKE3 of the file's bytes.
    pub blake3: [u8; 32],
}

impl SavedState {
    pub(super) fn new(stamp: FileStamp, bytes: &[u8]) -> Self {
        Self { stamp, blake3: blake3::hash(bytes).into() }
    }
}

/// What a save may overwrite.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SaveMode<'a> {
    /// Nothing: the name must be free.
    New,
    /// Any file: the user confirmed it. Its content is kept as the previous version.
    Replace,
    /// The state that was opened or last saved, and no other.
    Known(&'a SavedState),
    /// Any file, after a conflict: its content is also kept under a separate name.
    TakeOver,
}

/// Result of a save.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SaveOutcome {
    /// The file was written.
    Saved(Saved),
    /// Nothing was written: the file is not the one that was opened.
    Conflict(Conflict),
}

/// A session file that was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Saved {
    /// The file, with links resolved.
    pub path: PathBuf,
    /// Its state, for the next save.
    pub state: SavedState,
    /// Where another program's version was kept.
    pub kept: Option<PathBuf>,
    /// What the save left undone, such as an autosave that could not be removed.
    pub notices: Vec<Notice>,
}

/// A session file that another program changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Conflict {
    pub path: PathBuf,
    /// What happened to it.
    pub headline: String,
    /// How the session in the file differs from the one to be saved.
    pub differences: Vec<String>,
}

impl SaveOutcome {
    /// The saved file; a conflict becomes an error, for callers that can't ask the user.
    pub fn into_saved(self) -> Result<Saved, EngineError> {
        match self {
            Self::Saved(saved) => Ok(saved),
            Self::Conflict(conflict) => Err(EngineError::Permanent(conflict.notice())),
        }
    }
}

impl Conflict {
    /// The message for the user.
    pub fn notice(&self) -> Notice {
        let mut headline = self.headline.clone();
        if !self.differences.is_empty() {
            headline = format!("{headline} ({})", self.differences.join("; "));
        }
        let what_to_do = "nothing was written; save under another name, or open the session again";
        Notice::new(Severity::Error, headline, what_to_do).about(&self.path)
    }
}

/// Save a session: temporary file, sync, rename, sync of the folder; the previous version is kept beside it.
///
/// `autosaves` are the files that the session was autosaved to or recovered from. They are removed after the save,
/// unless they hold a later state.
pub fn save_session(
    run: &Run,
    session: &Session,
    path: &Path,
    mode: SaveMode<'_>,
    autosaves: &[PathBuf],
) -> Result<SaveOutcome, EngineError> {
    let path = real_path(path);
    let there = match read_bytes(&path) {
        Ok(bytes) => Some(bytes),
        Err(_) if path.symlink_metadata().is_err() => None,
        Err(error) if matches!(mode, SaveMode::Known(_)) => return Err(error),
        // If something is in the way, the writer reports it.
        Err(_) => None,
    };
    let known = match mode {
        SaveMode::Known(state) => Some(state),
        _ => None,
    };
    let is_known =
        |bytes: &Vec<u8>| known.is_some_and(|known| known.blake3 == *blake3::hash(bytes).as_bytes());
    if let Some(bytes) = there.as_ref().filter(|bytes| !is_known(bytes)) {
        let found = file::from_json(bytes);
        if let Ok(found) = &found {
            run.saw(found.stamp.generation);
        }
        if known.is_some() {
            return Ok(SaveOutcome::Conflict(changed(path, session, found.ok().map(|found| found.session))));
        }
    }
    if let Some(known) = known {
        run.saw(known.stamp.generation);
        if there.is_none() {
            let headline = "the session file was removed or renamed since it was opened".to_owned();
            return Ok(SaveOutcome::Conflict(Conflict { path, headline, differences: Vec::new() }));
        }
    }
    let kept = match (mode, &there) {
        (SaveMode::TakeOver, Some(bytes)) => Some(keep_theirs(&path, bytes)?),
        _ => None,
    };
    let overwrite = if mode == SaveMode::New { Overwrite::Never } else { Overwrite::Replace };
    let (bytes, stamp) = session_bytes(run, session, &path)?;
    write_bytes_atomic(&path, &bytes, overwrite, Some(&previous_path(&path)))?;
    let mut notices = Vec::new();
    for autosave in autosaves {
        let is_later = read_file(autosave).is_ok_and(|(later, _)| later.stamp.generation > stamp.generation);
        if !is_later && let Err(error) = discard_autosave(autosave) {
            notices.push(error.notice());
        }
    }
    let state = SavedState::new(stamp, &bytes);
    Ok(SaveOutcome::Saved(Saved { path, state, kept, notices }))
}

/// Differences between a session to be saved and the file at this path; empty if they hold the same.
pub fn differences_on_disk(session: &Session, path: &Path) -> Result<Vec<String>, EngineError> {
    let (mut there, _) = read_file(path)?;
    super::resolve_paths(&mut there.session, path);
    Ok(differences(session, &there.session))
}

fn changed(path: PathBuf, session: &Session, there: Option<Session>) -> Conflict {
    let Some(mut there) = there else {
        let headline = "the file is no longer the session that was opened".to_owned();
        return Conflict { path, headline, differences: Vec::new() };
    };
    super::resolve_paths(&mut there, &path);
    let differences = differences(session, &there);
    let headline = if differences.is_empty() {
        "the session was saved by another program since it was opened, with the same content"
    } else {
        "the session was changed by another program since it was opened"
    };
    Conflict { path, headline: headline.to_owned(), differences }
}

/// Keep another program's version beside the session under the first free name.
fn keep_theirs(path: &Path, bytes: &[u8]) -> Result<PathBuf, EngineError> {
    for count in 1..10_000 {
        let name = with_suffix(path, &format!(".theirs-{count}"));
        match write_bytes_atomic(&name, bytes, Overwrite::Never, None) {
            Err(glassine_scanfile::Error::AlreadyExists { .. }) => {}
            other => return other.map(|()| name).map_err(EngineError::from),
        }
    }
    Err(EngineError::user_error(
        "there is no free name for the other version",
        "remove old versions beside the session",
    ))
}

/// Write the autosave of a session, for recovery after a crash. `autosave` comes from [`Run::autosave_path`].
pub fn autosave_session(run: &Run, session: &Session, autosave: &Path) -> Result<FileStamp, EngineError> {
    let (bytes, stamp) = session_bytes(run, session, autosave)?;
    run.list(autosave).map_err(|error| {
        let headline = format!("the list of autosaves can't be written: {error}");
        EngineError::user_error(headline, "save the session under a name")
    })?;
    write_bytes_atomic(autosave, &bytes, Overwrite::Replace, None)?;
    Ok(stamp)
}

fn session_bytes(run: &Run, session: &Session, path: &Path) -> Result<(Vec<u8>, FileStamp), EngineError> {
    let stamp = FileStamp { generation: run.next_generation(), run: run.id().to_owned() };
    let bytes = file::to_json(session, folder_of(path).as_deref(), &stamp).map_err(|error| {
        EngineError::user_error(
            error.to_string(),
            "undo the last change and save again; please report this bug",
        )
    })?;
    Ok((bytes, stamp))
}
