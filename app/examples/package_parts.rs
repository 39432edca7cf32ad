//! Writes the parts of a package that are made from the definitions of the commands: manual pages and shell
//! completions. `cargo xtask package` runs it.
//!
//! `cargo run -p glassine --example package_parts -- FOLDER`
#![expect(clippy::print_stdout, reason = "a chore names what it wrote")]

use std::path::{Path, PathBuf};

use clap::{CommandFactory as _, Parser};
use clap_complete::{Shell, generate_to};
use glassine_app::cli::Cli;

/// Write manual pages and shell completions
#[derive(Debug, Parser)]
struct Args {
    /// Folder to write into; made if missing
    to: PathBuf,
}

fn main() -> std::io::Result<()> {
    let Args { to } = Args::parse();
    let man = to.join("man");
    std::fs::create_dir_all(&man)?;
    clap_mangen::generate_to(Cli::command().disable_help_subcommand(true), &man)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        let written = generate_to(shell, &mut Cli::command(), "glassine", &to)?;
        println!("{}", written.display());
    }
    println!("{} manual pages in {}", count(&man)?, man.display());
    Ok(())
}

fn count(folder: &Path) -> std::io::Result<usize> {
    Ok(std::fs::read_dir(folder)?.count())
}
