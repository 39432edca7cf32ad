//! The program: a window over a session, or one headless command.

use std::io::Write as _;
use std::process::ExitCode;

use clap::Parser as _;
use glassine_app::cli::{self, Cli, CliCommand, Outcome};
use glassine_app::end_signals::EndSignal;
use glassine_app::start_watch::StartWatch;
use glassine_app::window;
use glassine_raster::CancelToken;

fn main() -> ExitCode {
    let watch = StartWatch::begin();
    survive_size_limits();
    glassine_engine::prepare_threads();
    let asked = Cli::parse();
    let demo_folder = match &asked.command {
        Some(command) => match cli::demo_folder(command) {
            Some(folder) => Some(folder),
            None => return run_command(command),
        },
        None => None,
    };
    match window::open(asked.files, demo_folder, asked.time_start.then_some(watch)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Without a place to write to, the exit code still tells.
            drop(writeln!(std::io::stderr(), "glassine: {error}"));
            ExitCode::from(2)
        }
    }
}

/// Runs a command; a signal that ends programs stops it at its next check, so that it leaves nothing unfinished.
fn run_command(command: &CliCommand) -> ExitCode {
    let cancel = CancelToken::new();
    let signal = EndSignal::watch({
        let cancel = cancel.clone();
        move || cancel.cancel()
    });
    match (cli::run(command, &cancel), signal.number()) {
        // As a shell reports a program that a signal ended.
        (Outcome::Stopped, Some(number)) => ExitCode::from(128 + number),
        (outcome, _) => outcome.into(),
    }
}

/// Lets a write past a file-size limit fail like any other, with a message, instead of ending the program.
#[cfg(unix)]
fn survive_size_limits() {
    let noticed = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    // If the handler can't be set, the limit ends the program as it would without it.
    drop(signal_hook::flag::register(signal_hook::consts::SIGXFSZ, noticed));
}

#[cfg(not(unix))]
fn survive_size_limits() {}
