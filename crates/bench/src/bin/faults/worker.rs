//! Processes that the bench starts and ends: they save, autosave and compete through the engine, as the window does.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Subcommand;
use glassine_engine::session_files::{self, Access, Run, SaveMode, SaveOutcome};
use glassine_engine::{EngineError, MadeSession};
use glassine_raster::CancelToken;
use glassine_session::Session;
use glassine_tests::say;

use crate::mutate;

/// Task of a worker.
#[derive(Debug, Subcommand)]
pub(crate) enum Task {
    /// Save one session repeatedly and print each acknowledged save
    Save { session: PathBuf },
    /// Start as a program does after a crash: find the newest work, print its title, save it
    Start { session: PathBuf },
    /// Autosave one session repeatedly and print each autosave
    Autosave { session: PathBuf },
    /// Count up this many times in one session while other workers do the same
    Count { session: PathBuf, times: u32 },
    /// Write the starting inputs of mutations for the fuzzers' corpora
    Corpus { kind: mutate::Kind, folder: PathBuf },
    /// Mutate inputs and feed them to a reader
    Mutate(mutate::MutateArgs),
}

/// Performs the task.
pub(crate) fn run(task: &Task) -> ExitCode {
    let result = match task {
        Task::Save { session } => save_again_and_again(session),
        Task::Start { session } => start(session),
        Task::Autosave { session } => autosave_again_and_again(session),
        Task::Count { session, times } => count_up(session, *times),
        Task::Corpus { kind, folder } => return mutate::write_corpus(*kind, folder),
        Task::Mutate(args) => return mutate::work(args),
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // The parent reads it; without a parent the message is lost.
            drop(writeln!(std::io::stderr(), "{}", error.notice()));
            ExitCode::from(2)
        }
    }
}

/// A title that contains a number.
pub(crate) fn title_of(number: u32) -> String {
    format!("save {number}")
}

/// The number in a title.
pub(crate) fn number_in(title: &str) -> Option<u32> {
    title.strip_prefix("save ")?.parse().ok()
}

/// The session as last saved.
pub(crate) fn open(path: &Path) -> Result<Session, EngineError> {
    Ok(session_files::open_session(path, &CancelToken::new())?.session)
}

/// The newest work that the program finds at its next start: saved, or left unsaved by a crashed run.
pub(crate) fn recover(path: &Path) -> Result<Session, EngineError> {
    match session_files::unsaved_beside(path, None).first() {
        Some(unsaved) => open(&unsaved.autosave),
        None => open(path),
    }
}

fn start(path: &Path) -> Result<(), EngineError> {
    let run = Run::begin(None);
    let made = session_files::open_to_work(path, &run, &CancelToken::new())?;
    let autosaves: Vec<_> =
        session_files::unsaved_beside(path, Some(&run)).into_iter().map(|unsaved| unsaved.autosave).collect();
    let session = recover(path)?;
    session_files::save_session(&run, &session, path, mode_of(&made), &autosaves)?.into_saved()?;
    say(&session.title);
    Ok(())
}

fn mode_of(made: &MadeSession) -> SaveMode<'_> {
    made.saved.as_ref().map_or(SaveMode::Replace, SaveMode::Known)
}

fn save_again_and_again(path: &Path) -> Result<(), EngineError> {
    let run = Run::begin(None);
    let mut made = session_files::open_to_work(path, &run, &CancelToken::new())?;
    let first = number_in(&made.session.title).unwrap_or(0);
    for number in first + 1.. {
        made.session.title = title_of(number);
        let saved =
            session_files::save_session(&run, &made.session, path, mode_of(&made), &[])?.into_saved()?;
        made.saved = Some(saved.state);
        say(&number.to_string());
    }
    Ok(())
}

fn autosave_again_and_again(path: &Path) -> Result<(), EngineError> {
    let run = Run::begin(None);
    let mut made = session_files::open_to_work(path, &run, &CancelToken::new())?;
    let Some(autosave) = run.autosave_path(Some(path)) else { return Ok(()) };
    let first = number_in(&made.session.title).unwrap_or(0);
    for number in first + 1.. {
        made.session.title = title_of(number);
        session_files::autosave_session(&run, &made.session, &autosave)?;
        say(&number.to_string());
    }
    Ok(())
}

/// Opens, counts up by one and saves, until `times` saves succeeded.
///
/// Retries when another program holds the session or has changed it, and prints how often that happened.
fn count_up(path: &Path, times: u32) -> Result<(), EngineError> {
    let run = Run::begin(None);
    let (mut told, mut counted) = (0_u32, 0);
    while counted < times {
        let mut made = session_files::open_to_work(path, &run, &CancelToken::new())?;
        let held = matches!(made.access, Access::HeldBy(_));
        made.session.title = title_of(number_in(&made.session.title).unwrap_or(0) + 1);
        let saved = !held
            && matches!(
                session_files::save_session(&run, &made.session, path, mode_of(&made), &[])?,
                SaveOutcome::Saved(_)
            );
        counted += u32::from(saved);
        told += u32::from(!saved);
        if told > 20_000 {
            return Err(EngineError::Permanent(glassine_engine::Notice::new(
                glassine_engine::Severity::Error,
                "the session stayed taken",
                "look who holds it",
            )));
        }
        drop(made);
        std::thread::sleep(std::time::Duration::from_millis(u64::from(std::process::id() % 5) + 1));
    }
    say(&told.to_string());
    Ok(())
}
