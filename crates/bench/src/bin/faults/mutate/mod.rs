//! Feeds mutated inputs to the readers inside one process.
//!
//! No reader may panic, take longer than a second, or take more memory than the limit. A separate process does the work
//! under a limit of address space. Input N depends only on the seed and on N, so that a single input can be made again:
//! `faults worker mutate scans --seed S --from N --count 1 --keep FOLDER`.

mod bytes;
mod names;
mod profiles;
mod scans;
mod sessions;
mod tiff;

use glassine_testdata::random::SplitMix64;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use clap::{Args, ValueEnum};
use glassine_tests::say;
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

use crate::Bench;
use crate::kills::begun;
use crate::tally::{Tally, random_of};

/// Address space of the process: the limit for a reader, with room for threads and their stacks.
const MOST_MEMORY: u64 = 2 << 30;
/// An input that takes longer is a failure.
const SLOW: Duration = Duration::from_secs(1);
/// An input that takes longer than this will never end.
const ENDLESS: Duration = Duration::from_secs(30);

/// Kind of mutated input.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Kind {
    /// TIFF, PNG and JPEG files
    Scans,
    /// Session files
    Sessions,
    /// ICC profiles
    Profiles,
    /// File names
    Names,
}

/// Arguments of the worker.
#[derive(Debug, Args)]
pub(crate) struct MutateArgs {
    kind: Kind,
    #[arg(long)]
    seed: u64,
    /// Number of the first input
    #[arg(long, default_value_t = 0)]
    from: u64,
    #[arg(long)]
    count: u64,
    /// Folder for inputs that failed
    #[arg(long)]
    keep: PathBuf,
}

/// One kind of input: its seeds, its mutation and its reader.
trait Target: Sync {
    /// The files that mutations start from.
    fn seeds(&self) -> Vec<Vec<u8>>;
    /// Makes one input.
    fn input(&self, random: &mut SplitMix64) -> Vec<u8>;
    /// Reads the input; the error names a broken rule.
    fn read(&self, input: &[u8], place: &Path) -> Result<Verdict, String>;
}

/// How a sound reader handled an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Verdict {
    Taken,
    Refused,
}

/// Runs the worker and records its findings.
pub(crate) fn run(bench: &Bench, tally: &mut Tally, kind: Kind) {
    let (full, short, name) = match kind {
        Kind::Scans => (10_000_000, 100_000, "scans"),
        Kind::Sessions => (1_000_000, 5_000, "sessions"),
        Kind::Profiles => (1_000_000, 4_000, "profiles"),
        Kind::Names => (1_000_000, 100_000, "names"),
    };
    let count = bench.trials(full, short);
    let keep = std::env::temp_dir().join("glassine-faults-found");
    let Ok(me) = std::env::current_exe() else { return };
    let output = std::process::Command::new(me)
        .args(["worker", "mutate", name, "--seed", &tally.seed.to_string(), "--count", &count.to_string()])
        .arg("--keep")
        .arg(&keep)
        .env("XDG_CACHE_HOME", bench.program.home())
        .output();
    let Some(output) = begun(tally, output) else { return };
    let printed = String::from_utf8_lossy(&output.stdout);
    for line in printed.lines() {
        match line.split_once(' ') {
            Some(("TRIALS", number)) => tally.trials = number.parse().unwrap_or(0),
            Some(("FAILED", what)) => tally.failures.push(what.to_owned()),
            Some(("REMARK", what)) => tally.remark(what.to_owned()),
            _ => {}
        }
    }
    let ended = output.status.code().is_some_and(|code| code < 2);
    tally.require(ended, || {
        let said = String::from_utf8_lossy(&output.stderr);
        format!(
            "the reader took the process down ({}): {}",
            output.status,
            said.lines().last().unwrap_or_default()
        )
    });
    tally.require(tally.trials == count, || "the worker did not finish".to_owned());
}

fn target_of(kind: Kind) -> Box<dyn Target> {
    match kind {
        Kind::Scans => Box::new(scans::Scans::new()),
        Kind::Sessions => Box::new(sessions::Sessions::new()),
        Kind::Profiles => Box::new(profiles::Profiles::new()),
        Kind::Names => Box::new(names::Names::new()),
    }
}

/// Writes the seeds as files of a corpus.
pub(crate) fn write_corpus(kind: Kind, folder: &Path) -> ExitCode {
    let written = std::fs::create_dir_all(folder).and_then(|()| {
        target_of(kind)
            .seeds()
            .iter()
            .enumerate()
            .try_for_each(|(idx, seed)| std::fs::write(folder.join(format!("seed-{idx:02}")), seed))
    });
    match written {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            say(&format!("{}: {error}", folder.display()));
            ExitCode::FAILURE
        }
    }
}

/// Sums over all threads.
#[derive(Debug, Default)]
struct Sums {
    done: AtomicU64,
    taken: AtomicU64,
    failed: AtomicU64,
    slowest_micros: AtomicU64,
    over: AtomicBool,
}

/// The worker: mutates, reads, counts, prints.
pub(crate) fn work(args: &MutateArgs) -> ExitCode {
    let limit = Rlimit { current: Some(MOST_MEMORY), maximum: getrlimit(Resource::As).maximum };
    if setrlimit(Resource::As, limit).is_err() {
        say("REMARK the memory cap could not be set");
    }
    let target = target_of(args.kind);
    std::panic::set_hook(Box::new(|_| ()));
    let started = Instant::now();
    let threads = std::thread::available_parallelism().map_or(2, usize::from) as u64;
    let sums = Arc::new(Sums::default());
    let begun_at: Vec<AtomicU64> = (0..threads).map(|_| AtomicU64::new(0)).collect();
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads)
            .map(|thread| {
                let (target, sums, begun_at) = (&*target, &sums, &begun_at);
                scope.spawn(move || feed(args, target, sums, thread, threads, begun_at, started))
            })
            .collect();
        let (sums, begun_at) = (&sums, &begun_at);
        scope.spawn(move || watch(args, sums, begun_at, started));
        for worker in workers {
            // A thread always finishes, because panics are caught around each input.
            drop(worker.join());
        }
        sums.over.store(true, Ordering::SeqCst);
    });
    let get = |value: &AtomicU64| value.load(Ordering::SeqCst);
    let seconds = started.elapsed().as_secs_f64();
    say(&format!("TRIALS {}", get(&sums.done)));
    say(&format!(
        "REMARK {:.0} inputs a second, {:.1} % taken, slowest {:.0} ms, at most {} MiB of memory in use",
        get(&sums.done) as f64 / seconds,
        100.0 * get(&sums.taken) as f64 / get(&sums.done).max(1) as f64,
        get(&sums.slowest_micros) as f64 / 1e3,
        peak_mib()
    ));
    ExitCode::from(u8::from(get(&sums.failed) > 0))
}

/// One thread: every `threads`-th input.
fn feed(
    args: &MutateArgs,
    target: &dyn Target,
    sums: &Sums,
    thread: u64,
    threads: u64,
    begun_at: &[AtomicU64],
    clock: Instant,
) {
    let place = place_of(thread);
    let mark = |millis: u64| {
        if let Some(slot) = begun_at.get(thread as usize) {
            slot.store(millis, Ordering::Relaxed);
        }
    };
    for number in (args.from + thread..args.from + args.count).step_by(threads as usize) {
        let input = target.input(&mut random_of(args.seed, number));
        let began = clock.elapsed();
        mark(began.as_millis() as u64 + 1);
        let outcome = catch_unwind(AssertUnwindSafe(|| target.read(&input, &place)));
        let took = clock.elapsed().saturating_sub(began);
        mark(0);
        sums.done.fetch_add(1, Ordering::Relaxed);
        sums.slowest_micros.fetch_max(took.as_micros() as u64, Ordering::Relaxed);
        let wrong = match outcome {
            Err(panic) => Some(format!("panicked: {}", text_of(panic.as_ref()))),
            Ok(Err(wrong)) => Some(wrong),
            Ok(Ok(_)) if took > SLOW && still_slow(target, &input, &place) => {
                Some(format!("took {:.1} s", took.as_secs_f64()))
            }
            Ok(Ok(verdict)) => {
                sums.taken.fetch_add(u64::from(verdict == Verdict::Taken), Ordering::Relaxed);
                None
            }
        };
        if let Some(wrong) = wrong {
            let count = sums.failed.fetch_add(1, Ordering::Relaxed);
            if count < 50 {
                say(&format!("FAILED input {number}: {wrong}{}", kept(args, number, &input)));
            }
        }
    }
    drop(std::fs::remove_file(place));
}

/// Reads a slow input again: it fails only if slow twice, because the machine may have been busy for a moment.
fn still_slow(target: &dyn Target, input: &[u8], place: &Path) -> bool {
    let again = Instant::now();
    drop(target.read(input, place));
    again.elapsed() > SLOW
}

/// Ends the process when an input never ends, after keeping its file and printing the number of the thread.
fn watch(args: &MutateArgs, sums: &Sums, begun_at: &[AtomicU64], clock: Instant) {
    while !sums.over.load(Ordering::SeqCst) {
        std::thread::sleep(Duration::from_millis(100));
        let now = clock.elapsed().as_millis() as u64;
        for (thread, began) in begun_at.iter().enumerate() {
            let began = began.load(Ordering::Relaxed);
            if began > 0 && now.saturating_sub(began) > ENDLESS.as_millis() as u64 {
                let place = place_of(thread as u64);
                drop(std::fs::create_dir_all(&args.keep));
                drop(std::fs::copy(&place, args.keep.join("endless")));
                say(&format!("FAILED an input of thread {thread} never ends"));
                std::process::abort();
            }
        }
    }
}

/// Path for a thread's inputs that must be files.
fn place_of(thread: u64) -> PathBuf {
    let memory = Path::new("/dev/shm");
    let folder = if memory.is_dir() { memory.to_owned() } else { std::env::temp_dir() };
    folder.join(format!("glassine-faults-{}-{thread}", std::process::id()))
}

/// Keeps a failed input; returns its path for the message.
fn kept(args: &MutateArgs, number: u64, input: &[u8]) -> String {
    let path = args.keep.join(format!("{:?}-{}-{number}", args.kind, args.seed).to_lowercase());
    let written = std::fs::create_dir_all(&args.keep).and_then(|()| std::fs::write(&path, input));
    if written.is_ok() { format!(" ({})", path.display()) } else { String::new() }
}

fn text_of(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().map(String::as_str).or_else(|| panic.downcast_ref().copied());
    text.unwrap_or("without words").to_owned()
}

/// Peak memory use of this process.
fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|kib| kib.parse::<u64>().ok()).unwrap_or(0) / 1024
}
