//! Processes that the bench starts and ends: they save, autosave and contend through the engine, as the window does.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;
use glassine_engine::{EngineError, files};
use glassine_raster::CancelToken;
use glassine_scanfile::Overwrite;
use glassine_session::Session;
use glassine_tests::say;

use crate::mutate;

/// What a worker does.
#[derive(Debug, Subcommand)]
pub(crate) enum Task {
    /// Save one session again and again, telling each save that was acknowledged
    Save { session: PathBuf },
    /// Autosave one session again and again, telling each
    Autosave { session: PathBuf },
    /// Count up in one session so many times, among others who do the same
    Count { session: PathBuf, times: u32 },
    /// Write the inputs that mutations start from, for the fuzzers' corpora
    Corpus { kind: mutate::Kind, folder: PathBuf },
    /// Mutate inputs and feed them to a reader
    Mutate(mutate::MutateArgs),
}

/// Do it.
pub(crate) fn run(task: &Task) -> ExitCode {
    let result = match task {
        Task::Save { session } => save_again_and_again(session),
        Task::Autosave { session } => autosave_again_and_again(session),
        Task::Count { session, times } => count_up(session, *times),
        Task::Corpus { kind, folder } => return mutate::write_corpus(*kind, folder),
        Task::Mutate(args) => return mutate::work(args),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // The parent reads it; without a parent there is nobody to tell.
            drop(writeln!(std::io::stderr(), "{}", error.notice()));
            ExitCode::from(2)
        }
    }
}

/// A title that carries a number.
pub(crate) fn title_of(number: u32) -> String {
    format!("save {number}")
}

/// The number that a title carries.
pub(crate) fn number_in(title: &str) -> Option<u32> {
    title.strip_prefix("save ")?.parse().ok()
}

/// The session that a program finds at its next start.
pub(crate) fn open(path: &Path) -> Result<Session, EngineError> {
    Ok(files::open_session(path, &CancelToken::new())?.session)
}

/// The newest work that a program finds at its next start: saved, or left unsaved by a run that died.
pub(crate) fn recover(path: &Path) -> Result<Session, EngineError> {
    let saved = open(path)?;
    let autosave = files::autosave_path(path);
    if autosave.exists() { open(&autosave) } else { Ok(saved) }
}

fn save_again_and_again(path: &Path) -> Result<(), EngineError> {
    let mut session = open(path)?;
    let first = number_in(&session.title).unwrap_or(0);
    for number in first + 1.. {
        session.title = title_of(number);
        files::save_session(&session, path, Overwrite::Replace)?;
        say(&number.to_string());
    }
    Ok(())
}

fn autosave_again_and_again(path: &Path) -> Result<(), EngineError> {
    let mut session = open(path)?;
    let first = number_in(&session.title).unwrap_or(0);
    for number in first + 1.. {
        session.title = title_of(number);
        files::autosave_session(&session, path)?;
        say(&number.to_string());
    }
    Ok(())
}

/// Open, count up by one, save; whoever is told that the session is taken tries again. Prints how often it was told.
fn count_up(path: &Path, times: u32) -> Result<(), EngineError> {
    let mut told = 0_u32;
    for _ in 0..times {
        let mut session = open(path)?;
        session.title = title_of(number_in(&session.title).unwrap_or(0) + 1);
        while let Err(error) = files::save_session(&session, path, Overwrite::Replace) {
            told += 1;
            if told > 10_000 {
                return Err(error);
            }
            session = open(path)?;
            session.title = title_of(number_in(&session.title).unwrap_or(0) + 1);
        }
    }
    say(&told.to_string());
    Ok(())
}
