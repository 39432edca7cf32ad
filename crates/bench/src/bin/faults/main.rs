//! The fault bench checks what remains on disk after faults of every kind.
//!
//! It kills and signals the real program, makes system calls fail, cuts the power, runs several programs at once and
//! feeds them damaged files.
//!
//! `cargo run --release -p glassine-bench --bin faults -- [--short] [--only PART,…]`; build the program itself
//! before (`cargo build --release -p glassine`). A run replaces the rows of its parts in `tests/FAULTS.md`, unless it
//! was short.

mod calls;
mod damaged;
mod disk;
mod kills;
mod limits;
mod mutate;
mod power;
mod program;
mod report;
mod signals;
mod stage;
mod suite;
mod tally;
mod together;
mod window;
mod worker;

use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

use clap::{Parser, Subcommand, ValueEnum};
use glassine_tests::say;

use crate::program::Program;
use crate::stage::Stage;
use crate::tally::Tally;

/// A part of the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Part {
    /// SIGKILL while a session is saved
    SaveKills,
    /// SIGKILL while pictures are exported
    ExportKills,
    /// SIGKILL while edits are autosaved
    AutosaveKills,
    /// SIGINT, SIGTERM, SIGHUP
    Signals,
    /// Every system call on files fails once
    Calls,
    /// Memory and threads are refused once
    MemoryCalls,
    /// A full disk
    Disk,
    /// A power cut on ext4
    Power,
    /// Several programs, one session
    Together,
    /// Few file handles, little memory, no threads, short files
    Limits,
    /// Mutated scans, in process
    Scans,
    /// Mutated session files, in process
    Sessions,
    /// Mutated colour profiles, in process
    Profiles,
    /// Random file names, in process
    Names,
    /// Damaged pictures: does the program report the damage?
    Damaged,
    /// The real window under Xvfb
    Window,
    /// The whole test suite, checked for writes to the open data; only when requested
    Suite,
}

#[derive(Debug, Parser)]
#[command(about = "Put faults upon the program and check what is left on disk")]
struct Args {
    /// A few trials of each part, in about two minutes; writes no results page
    #[arg(long)]
    short: bool,
    /// Only these parts
    #[arg(long, value_delimiter = ',')]
    only: Vec<Part>,
    /// Seed of every random choice
    #[arg(long, default_value_t = 20_261_128)]
    seed: u64,
    /// Trials of each part instead of the usual number
    #[arg(long)]
    trials: Option<u64>,
    /// The program under test; by default the one beside this bench
    #[arg(long)]
    program: Option<PathBuf>,
    /// Do not trace system calls (faster; scans are then checked only by inode, time and content)
    #[arg(long)]
    untraced: bool,
    #[command(subcommand)]
    worker: Option<Job>,
}

#[derive(Debug, Subcommand)]
enum Job {
    /// A process that the bench starts and ends
    #[command(hide = true)]
    Worker {
        #[command(subcommand)]
        task: worker::Task,
    },
}

/// Shared input of the parts.
#[derive(Debug)]
pub(crate) struct Bench {
    /// The program and its tracing.
    pub(crate) program: Program,
    /// A small scan, its session and its pictures.
    pub(crate) stage: Stage,
    /// Whether to run only a sample.
    pub(crate) short: bool,
    trials: Option<u64>,
}

impl Bench {
    /// Number of trials: as requested, else the full or the short number.
    pub(crate) fn trials(&self, full: u64, short: u64) -> u64 {
        self.trials.unwrap_or(if self.short { short } else { full })
    }
}

fn main() -> ExitCode {
    let args = Args::parse();
    if let Some(Job::Worker { task }) = &args.worker {
        return worker::run(task);
    }
    let program = match Program::find(args.program.as_deref(), !args.untraced) {
        Ok(program) => program,
        Err(why) => {
            say(&why);
            return ExitCode::from(2);
        }
    };
    let stage = match Stage::build(&program) {
        Ok(stage) => stage,
        Err(why) => {
            say(&format!("the session to work on could not be made: {why}"));
            return ExitCode::from(2);
        }
    };
    let bench = Bench { program, stage, short: args.short, trials: args.trials };
    let asked = |part: &Part| {
        if args.only.is_empty() { *part != Part::Suite } else { args.only.contains(part) }
    };
    let parts: Vec<Part> = Part::value_variants().iter().copied().filter(asked).collect();
    let mut failures = 0;
    for part in parts {
        let started = Instant::now();
        let mut tally = Tally::new(part, args.seed);
        run_part(&bench, part, &mut tally);
        tally.seconds = started.elapsed().as_secs_f64();
        say(&tally.line());
        failures += tally.failures.len();
        for failure in tally.failures.iter().take(20) {
            say(&format!("    FAILED {failure}"));
        }
        if !args.short
            && let Err(error) = report::replace_row(&tally)
        {
            say(&format!("    the results page could not be written: {error}"));
        }
    }
    say(&format!("{failures} failures"));
    if failures == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

fn run_part(bench: &Bench, part: Part, tally: &mut Tally) {
    match part {
        Part::SaveKills => kills::saves(bench, tally),
        Part::ExportKills => kills::exports(bench, tally),
        Part::AutosaveKills => kills::autosaves(bench, tally),
        Part::Signals => signals::run(bench, tally),
        Part::Calls => calls::files(bench, tally),
        Part::MemoryCalls => calls::memory(bench, tally),
        Part::Disk => disk::run(bench, tally),
        Part::Power => power::run(bench, tally),
        Part::Together => together::run(bench, tally),
        Part::Limits => limits::run(bench, tally),
        Part::Scans => mutate::run(bench, tally, mutate::Kind::Scans),
        Part::Sessions => mutate::run(bench, tally, mutate::Kind::Sessions),
        Part::Profiles => mutate::run(bench, tally, mutate::Kind::Profiles),
        Part::Names => mutate::run(bench, tally, mutate::Kind::Names),
        Part::Damaged => damaged::run(bench, tally),
        Part::Window => window::run(bench, tally),
        Part::Suite => suite::run(bench, tally),
    }
}
