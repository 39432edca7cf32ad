//! The program: a window over a session, or one headless command.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::thread::JoinHandle;

use clap::{CommandFactory as _, FromArgMatches as _};
use glassine_app::cli::{self, Cli, CliCommand, Outcome};
use glassine_app::platform::aborts;
use glassine_app::platform::end_signals::EndSignal;
use glassine_app::window;
use glassine_raster::CancelToken;

/// Version and commit.
const VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), " (", env!("GLASSINE_COMMIT"), ")");

/// What remains once the command line is read and its command carried out.
enum Begun {
    Ended(ExitCode),
    Window { files: Vec<PathBuf>, demo_folder: Option<PathBuf> },
}

fn main() -> ExitCode {
    aborts::end_in_words();
    survive_size_limits();
    glassine_engine::prepare_threads();
    let begun = match command_thread() {
        Some(command) => command.join().unwrap_or_else(|panicked| std::panic::resume_unwind(panicked)),
        None => begin(),
    };
    let (files, demo_folder) = match begun {
        Begun::Ended(code) => return code,
        Begun::Window { files, demo_folder } => (files, demo_folder),
    };
    match window::open(files, demo_folder, |app| Box::new(app)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // If nothing can be written, the exit code still reports the failure.
            drop(writeln!(std::io::stderr(), "glassine: {error}"));
            ExitCode::from(2)
        }
    }
}

/// Starts a thread that runs [`begin`].
///
/// The first thread's stack grows with use, and if there is no memory for that, the system ends the program without a
/// message. The stack of another thread exists from its start. Only the window needs the first thread.
///
/// `None` if the system gives no thread; the first one then also computes, and must not wait for another.
fn command_thread() -> Option<JoinHandle<Begun>> {
    let first_computes = rayon::current_thread_index().is_some();
    let spawned =
        (!first_computes).then(|| std::thread::Builder::new().name("glassine-begin".to_owned()).spawn(begin));
    spawned?.ok()
}

/// Reads the command line, and carries out a command that needs no window.
fn begin() -> Begun {
    let matches = Cli::command().version(VERSION).get_matches();
    let asked = Cli::from_arg_matches(&matches).unwrap_or_else(|error| error.exit());
    let demo_folder = match &asked.command {
        Some(command) => match cli::demo_folder(command) {
            Some(folder) => Some(folder),
            None => return Begun::Ended(run_command(command)),
        },
        None => match cli::missing_file(&asked.files) {
            Some(trouble) => {
                // If nothing can be written, the exit code still reports the failure.
                drop(writeln!(std::io::stderr(), "glassine: {trouble}"));
                return Begun::Ended(ExitCode::from(2));
            }
            None => None,
        },
    };
    Begun::Window { files: asked.files, demo_folder }
}

/// Runs a command. A signal that ends programs stops it at its next check, so that it leaves nothing unfinished.
fn run_command(command: &CliCommand) -> ExitCode {
    let cancel = CancelToken::new();
    let signal = EndSignal::watch({
        let cancel = cancel.clone();
        move || cancel.cancel()
    });
    match (cli::run(command, &cancel), signal.number()) {
        // The code that a shell reports for a program ended by a signal.
        (Outcome::Stopped, Some(number)) => ExitCode::from(128 + number),
        (outcome, _) => outcome.into(),
    }
}

/// Makes a write past a file-size limit fail like any other, with a message, instead of ending the program.
#[cfg(unix)]
fn survive_size_limits() {
    let noticed = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    // If the handler cannot be set, the limit ends the program, as it would without it.
    drop(signal_hook::flag::register(signal_hook::consts::SIGXFSZ, noticed));
}

#[cfg(not(unix))]
fn survive_size_limits() {}
