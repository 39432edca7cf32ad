//! The program: a window over a session, or one headless command.

use std::io::Write as _;
use std::process::ExitCode;

use clap::Parser as _;
use glassine_app::cli::{self, Cli};
use glassine_app::window;

fn main() -> ExitCode {
    let asked = Cli::parse();
    let demo_folder = match &asked.command {
        Some(command) => match cli::demo_folder(command) {
            Some(folder) => Some(folder),
            None => return cli::run(command).into(),
        },
        None => None,
    };
    match window::open(asked.files, demo_folder) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Without a place to write to, the exit code still tells.
            drop(writeln!(std::io::stderr(), "glassine: {error}"));
            ExitCode::from(2)
        }
    }
}
