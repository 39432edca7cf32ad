//! The command line over the same engine as the window: text for people, or one JSON document with `--json`.
//!
//! Exit codes: 0 done, 1 some frames or scans failed (each named) or have serious faults, 2 cannot start, 128 plus the number of the signal
//! that stopped it: 130 for Ctrl+C.

mod acquire;
mod archive;
mod check;
mod contact_sheet;
mod demo;
mod dust;
mod export;
mod focus;
pub mod guide_page;
mod join;
mod new;
mod plan;
mod read_as;
mod reading;
mod relink;
mod sfr;
mod show;
mod solve;
mod stock;
mod table;
mod watch;

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, CommandFactory as _, Parser, Subcommand};
use glassine_engine::{Engine, EngineError, MadeSession, Notice, SessionAt, Severity, session_files};
use glassine_film::FilmKind;
use glassine_raster::CancelToken;
use glassine_session::{Edit, Frame, Session, is_same_number};
use serde_json::Value;

use crate::platform::drivers::DRIVER_COMMAND;
use crate::services::json::{failed_json, path_bytes_json, path_json};

/// Exit code of a command that stopped without a known signal: that of Ctrl+C.
const STOPPED_CODE: u8 = 130;

/// How a command ended; gives the exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Everything was done.
    Done,
    /// Some frames or scans failed, each was named; or a scan check found something serious.
    SomeFailed,
    /// Nothing could be started.
    CannotStart,
    /// Stopped on request before it was done; finished files stay.
    Stopped,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Done => Self::SUCCESS,
            Outcome::SomeFailed => Self::from(1),
            Outcome::CannotStart => Self::from(2),
            Outcome::Stopped => Self::from(STOPPED_CODE),
        }
    }
}

/// Digitise your own film: find the frames of a scanned strip, invert them, export the whole strip at once.
#[derive(Debug, Parser)]
#[command(name = "glassine", version, about, long_about = None)]
pub struct Cli {
    /// What to do; the window opens if omitted
    #[command(subcommand)]
    pub command: Option<CliCommand>,
    /// Session files or scans to open in the window
    #[arg(value_name = "FILE")]
    pub files: Vec<PathBuf>,
}

#[derive(Debug, Subcommand)]
pub enum CliCommand {
    /// Make the demo strips on first use and open them in the window
    Demo(demo::DemoArgs),
    /// Find the frames of scans, measure the film base, solve the strips and save a session
    New(new::NewArgs),
    /// Print a session
    Show(show::ShowArgs),
    /// Write the finished pictures of a session
    Export(export::ExportArgs),
    /// Write a contact sheet of a session: PDF, JPEG or PNG
    ContactSheet(contact_sheet::ContactSheetArgs),
    /// Write a package for safekeeping: scans, settings, negatives, notes and checksums
    Archive(archive::ArchiveArgs),
    /// Check that a package, or the scans of a session, are as they were
    Verify(archive::VerifyArgs),
    /// Write what is known about the frames as a table, or take it from one
    Table(table::TableArgs),
    /// Change how scans of a session are read: encoding, fourth sample, page, infrared file
    ReadAs(read_as::ReadAsArgs),
    /// Point a session to where its moved or renamed scans are now, by content
    Relink(relink::RelinkArgs),
    /// Join overlapping scans of one wide picture or long strip
    Join(join::JoinArgs),
    /// Write one map of dust and scratches for each scan
    DustMap(dust::DustArgs),
    /// Solve the balance of strips again, with grey points, daylight frames or a stock
    Solve(solve::SolveArgs),
    /// Measure a stock from a colour chart or grey wedge on a frame
    MeasureStock(stock::MeasureStockArgs),
    /// Measure what is wrong with scans before working on them
    Check(check::CheckArgs),
    /// Measure the resolution of a scan at a slanted edge
    Sfr(sfr::SfrArgs),
    /// Rank scans of the same film by sharpness, such as one for each holder height
    Focus(focus::FocusArgs),
    /// List scanners, or the options of one
    Scanners(acquire::ScannersArgs),
    /// Scan into a file
    Acquire(acquire::AcquireArgs),
    /// Runs the drivers of scanners in a process of their own
    #[command(name = DRIVER_COMMAND, hide = true)]
    ScannerDriver,
    /// Take scans as they appear in a folder: find frames, solve, save the session, export
    Watch(watch::WatchArgs),
    /// Pixels, file sizes and largest prints of a format, or the resolution a print needs
    Plan(plan::PlanArgs),
}

/// Options of every command that prints.
#[derive(Debug, Clone, Copy, Args)]
pub struct Printing {
    /// Print one JSON document
    #[arg(long)]
    pub json: bool,
}

/// Runs a command without a window until it is done or cancelled. `Demo` without `--headless` needs the window instead.
pub fn run(command: &CliCommand, cancel: &CancelToken) -> Outcome {
    let result = match command {
        CliCommand::Demo(args) => demo::run(args, cancel),
        CliCommand::New(args) => new::run(args, cancel),
        CliCommand::Show(args) => show::run(args, cancel),
        CliCommand::Export(args) => export::run(args, cancel),
        CliCommand::ContactSheet(args) => contact_sheet::run(args, cancel),
        CliCommand::Archive(args) => archive::run(args, cancel),
        CliCommand::Verify(args) => archive::verify(args, cancel),
        CliCommand::Table(args) => table::run(args, cancel),
        CliCommand::DustMap(args) => dust::run(args, cancel),
        CliCommand::Join(args) => join::run(args, cancel),
        CliCommand::Solve(args) => solve::run(args, cancel),
        CliCommand::MeasureStock(args) => stock::run(args, cancel),
        CliCommand::ReadAs(args) => read_as::run(args, cancel),
        CliCommand::Relink(args) => relink::run(args, cancel),
        CliCommand::Check(args) => check::run(args, cancel),
        CliCommand::Sfr(args) => sfr::run(args, cancel),
        CliCommand::Focus(args) => focus::run(args, cancel),
        CliCommand::Watch(args) => watch::run(args, cancel),
        CliCommand::Scanners(args) => acquire::list(args, cancel),
        CliCommand::Acquire(args) => acquire::run(args, cancel),
        CliCommand::ScannerDriver => Ok(acquire::run_driver()),
        CliCommand::Plan(args) => plan::run(args),
    };
    let outcome = result.unwrap_or_else(|error| match error {
        EngineError::Cancelled => Outcome::Stopped,
        error => {
            print_notice(&error.notice());
            Outcome::CannotStart
        }
    });
    if outcome == Outcome::Stopped {
        print_notice(&Notice::new(
            Severity::Warning,
            "stopped on request",
            "finished files are kept, and nothing unfinished is left",
        ));
    }
    outcome
}

/// The demo command's folder if it needs the window; `None` for every headless command.
pub fn demo_folder(command: &CliCommand) -> Option<PathBuf> {
    match command {
        CliCommand::Demo(args) if !args.headless => Some(args.folder()),
        _ => None,
    }
}

/// What is wrong with the files to open in the window: one that does not exist, which may be a mistyped command.
pub fn missing_file(files: &[PathBuf]) -> Option<String> {
    let missing = files.iter().find(|file| matches!(file.try_exists(), Ok(false)))?;
    let named = missing.display();
    let nearest = missing.to_str().and_then(nearest_command).filter(|_| files.first() == Some(missing));
    Some(match nearest {
        Some(command) => format!("there is no file or command “{named}”; did you mean `{command}`?"),
        None => {
            format!("there is no file “{named}”; check its name, or see `glassine help` for the commands")
        }
    })
}

/// The command whose name is most like a text, if it differs from it by no more than a slip of the hand.
fn nearest_command(text: &str) -> Option<String> {
    /// Letters that may be wrong, missing or too many. Source: ours; two letters that changed places are two.
    const MOST_WRONG: usize = 2;
    let cli = Cli::command();
    let names = cli.get_subcommands().filter(|command| !command.is_hide_set()).map(clap::Command::get_name);
    let by_distance = names.map(|name| (strsim::levenshtein(text, name), name.to_owned()));
    by_distance.filter(|(wrong, name)| *wrong <= MOST_WRONG.min(name.len() / 2)).min().map(|(_, name)| name)
}

fn parse_film(text: &str) -> Result<FilmKind, String> {
    FilmKind::from_key(text).ok_or_else(|| {
        let known: Vec<_> = FilmKind::ALL.iter().map(|kind| kind.key()).collect();
        format!("choose one of {}", known.join(", "))
    })
}

/// Prints a line for the user.
fn print_line(line: &str) {
    // A closed pipe is the reader's choice, so the error is ignored.
    drop(writeln!(std::io::stdout().lock(), "{line}"));
}

/// Prints a message to the error stream, so that `--json` stays one document.
fn print_notice(notice: &Notice) {
    let severity = match notice.severity {
        Severity::Info => "note",
        Severity::Warning => "warning",
        Severity::Error => "error",
    };
    drop(writeln!(std::io::stderr().lock(), "{severity}: {notice}"));
}

fn print_json(value: &Value) {
    print_line(&serde_json::to_string_pretty(value).unwrap_or_else(|_| value.to_string()));
}

/// A progress line that replaces itself, only on a terminal and never in the JSON document.
fn progress(share: f32, what: &str) {
    use std::io::IsTerminal as _;
    let mut err = std::io::stderr().lock();
    if err.is_terminal() {
        drop(write!(err, "\r\x1b[K{:3.0} % {what}", share * 100.0));
        if share >= 1.0 {
            drop(write!(err, "\r\x1b[K"));
        }
        drop(err.flush());
    }
}

/// Opens a session file for reading. Problems with its scans become notices and do not stop the command.
///
/// Its scans are protected as long as the engine lives.
fn open(engine: &Engine, path: &Path, cancel: &CancelToken) -> Result<(SessionAt, Vec<Notice>), EngineError> {
    let MadeSession { session, notices, .. } = session_files::open_session(path, cancel)?;
    engine.work_beside(Some(path));
    let at = SessionAt::new(session, session_files::folder_of(path));
    engine.hold_session(&at.session, at.folder.as_deref());
    Ok((at, notices))
}

/// A session that a command changes; other programs cannot work on it until this is dropped.
struct Changing {
    at: SessionAt,
    path: PathBuf,
    made: MadeSession,
}

/// Opens a session file to change and save it; refuses if another program works on it.
fn open_to_change(engine: &Engine, path: &Path, cancel: &CancelToken) -> Result<Changing, EngineError> {
    let mut made = session_files::open_to_work(path, engine.saving_run(), cancel)?;
    let path = made.path.clone().unwrap_or_else(|| session_files::real_path(path));
    refuse_held(&made.access, &path)?;
    engine.work_beside(Some(&path));
    let at = SessionAt::new(std::mem::take(&mut made.session), session_files::folder_of(&path));
    engine.hold_session(&at.session, at.folder.as_deref());
    Ok(Changing { at, path, made })
}

fn refuse_held(access: &session_files::Access, path: &Path) -> Result<(), EngineError> {
    let session_files::Access::HeldBy(holder) = access else { return Ok(()) };
    let headline = format!("the session is open elsewhere ({holder}); nothing was changed");
    let what_to_do = "close it there, then try again";
    Err(EngineError::Permanent(Notice::new(Severity::Error, headline, what_to_do).about(path)))
}

impl Changing {
    /// Saves the changed session, but only over the state that was opened.
    fn save(&self, engine: &Engine, session: &Session) -> Result<(), EngineError> {
        let mode =
            self.made.saved.as_ref().map_or(session_files::SaveMode::New, session_files::SaveMode::Known);
        let autosaves = Vec::from_iter(self.made.recovered.clone());
        let outcome =
            session_files::save_session(engine.saving_run(), session, &self.path, mode, &autosaves)?;
        outcome.into_saved()?.notices.iter().for_each(print_notice);
        Ok(())
    }
}

/// Place of the frame with this number, as shown: `12`, or `12A` for the second half of a number.
///
/// The film's own numbers count too while running ones are shown, unless a running one is the same.
fn frame_named(session: &Session, text: &str) -> Option<usize> {
    let by_shown = session.frames_named(text).next().and_then(|frame| session.frame_idx(frame.id));
    by_shown.or_else(|| {
        let number = |frame: &Frame| frame.film_number.map(|number| number.text(1));
        session
            .frames
            .iter()
            .position(|frame| number(frame).is_some_and(|shown| is_same_number(&shown, text)))
    })
}

fn notices_json(notices: &[Notice]) -> Value {
    notices
        .iter()
        .map(|notice| {
            serde_json::json!({
                "severity": format!("{:?}", notice.severity).to_lowercase(),
                "headline": notice.headline,
                "what_to_do": notice.what_to_do,
                "path": notice.path.as_deref().map(path_json),
            })
        })
        .collect()
}

/// The session after some edits.
fn edited(session: &Session, edits: &[Edit]) -> Result<Session, EngineError> {
    let mut session = session.clone();
    for edit in edits {
        session = edit.apply(&session)?;
    }
    Ok(session)
}

#[cfg(test)]
mod tests {
    use glassine_film::FilmKind;
    use glassine_raster::TiltedBox;
    use glassine_session::{FilmNumber, FoundStripEdit, NewFrame, ScanRef};

    use super::*;

    #[test]
    fn the_nearest_command_is_named_and_other_words_have_none() {
        for (typed, command) in [
            ("exprot", Some("export")),
            ("chek", Some("check")),
            ("contactsheet", Some("contact-sheet")),
            ("scannres", Some("scanners")),
            ("holiday", None),
            ("roll.tif", None),
            ("", None),
        ] {
            assert_eq!(nearest_command(typed).as_deref(), command, "{typed}");
        }
    }

    #[test]
    fn frames_are_named_as_they_are_shown() {
        let session = |half_numbers: bool| {
            let scan = ScanRef { width_px: 100, height_px: 100, ..ScanRef::default() };
            let session = edited(&Session::default(), &[Edit::AddScans(vec![scan])]).expect("adds");
            let place = TiltedBox::from_edges(10.0, 10.0, 90.0, 90.0);
            let frames = vec![NewFrame::in_box(place); 3];
            let strips = vec![FoundStripEdit { frames, ..FoundStripEdit::default() }];
            let (scan, film, stock_id) = (session.scans[0].id, FilmKind::default(), "masked".to_owned());
            let found = Edit::ReplaceStrips { scan, film, stock_id, strips, keep: Vec::new() };
            let mut session = edited(&session, &[found, Edit::Renumber { first: 24 }]).expect("replaces");
            std::sync::Arc::make_mut(&mut session.frames[1]).film_number = FilmNumber::from_text("7A");
            session.output.half_numbers = half_numbers;
            session
        };
        for (half, text, place) in [
            (false, "25", Some(1)),
            (false, "025", Some(1)),
            (false, "25A", None),
            (false, "7a", Some(1)),
            (true, "12", Some(0)),
            (true, " 12A", Some(1)),
            (true, "12a", Some(1)),
            (true, "A", None),
        ] {
            assert_eq!(frame_named(&session(half), text), place, "{text}");
        }
    }
}
