//! Chores of the workspace: `cargo xtask check` is what CI runs, `cargo xtask help` lists the rest.
#![expect(clippy::print_stdout, reason = "a command for people that prints its findings")]

mod guide;
mod layers;
mod licences;
mod package;
mod rooms;
mod shots;
mod tidy;
mod tokens;

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::{Command, ExitCode};

use anyhow::{Context as _, bail};

const HELP: &str = "\
cargo xtask check     everything CI checks: formatting, lints, arrows, tidiness, tests
cargo xtask layers    which crate may use which, and which room of a crate which other
cargo xtask tidy      file headers, lengths, and crates that must do no input or output
cargo xtask shots     draw the window's pictures for the README into assets/pictures; in full
                      shots [FOLDER [DEMO_FOLDER [--built]]], --built to run the program that is there
cargo xtask guide     write the pages of the guide that are made from the program; in full guide [SESSION],
                      with the demo session also the pictures
cargo xtask package   make the Debian package and the tarball in target/packages; in full
                      package [FOLDER] [--debug] [--built], --built to pack the program that is there
cargo xtask check-package [FOLDER]
                      as root: validate the packages, install the Debian package, run it, remove it
cargo xtask demo      open the demo session in the window";

fn main() -> ExitCode {
    let task = std::env::args().nth(1).unwrap_or_default();
    let result = match task.as_str() {
        "check" => check(),
        "layers" => layers::check(),
        "tidy" => tidy::check(&root()),
        "shots" => shots::draw(&root()),
        "guide" => guide::make(&root()),
        "check-package" => package::check(&root()),
        "package" => package::make(&root()),
        "demo" => cargo(&["run", "--release", "--", "demo"]),
        _ => {
            println!("{HELP}");
            return if task.is_empty() || task == "help" { ExitCode::SUCCESS } else { ExitCode::from(2) };
        }
    };
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            println!("xtask {task}: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn check() -> anyhow::Result<()> {
    cargo(&["fmt", "--all", "--check"])?;
    layers::check()?;
    tidy::check(&root())?;
    cargo(&["clippy", "--workspace", "--all-targets", "--", "-D", "warnings"])?;
    let skipped = target().join("skipped-tests.txt");
    if skipped.exists() {
        std::fs::remove_file(&skipped).with_context(|| skipped.display().to_string())?;
    }
    cargo(&["test", "--workspace"])?;
    list_skipped(&std::fs::read_to_string(&skipped).unwrap_or_default());
    Ok(())
}

/// Prints the tests that could not run here, which neither passed nor failed.
fn list_skipped(list: &str) {
    let names: BTreeSet<_> = list.lines().collect();
    println!("{} tests were skipped", names.len());
    for name in names {
        println!("  {name}");
    }
}

/// Cargo's build folder.
fn target() -> PathBuf {
    std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| root().join("target"), PathBuf::from)
}

/// Root folder of the workspace.
fn root() -> PathBuf {
    let here = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    here.ancestors().nth(2).map_or(here.clone(), std::path::Path::to_path_buf)
}

/// Runs cargo in the workspace; its output goes straight to the terminal.
fn cargo(args: &[&str]) -> anyhow::Result<()> {
    println!("cargo {}", args.join(" "));
    let program = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let status = Command::new(program)
        .args(args)
        .current_dir(root())
        .status()
        .with_context(|| format!("cargo {} could not be started", args.join(" ")))?;
    if !status.success() {
        bail!("cargo {} failed", args.join(" "));
    }
    Ok(())
}
