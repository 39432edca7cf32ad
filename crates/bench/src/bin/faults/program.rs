//! Runs the program under trace: its output, how it ended, and whether it opened a scan for writing.

use std::ffi::OsString;
use std::io::Read as _;
use std::os::unix::process::ExitStatusExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Calls that make, change or remove names, or open files.
const TRACED: &str =
    "open,openat,openat2,creat,truncate,rename,renameat,renameat2,unlink,unlinkat,link,linkat";
/// The first call that a Rust program makes itself, after the loader and the C library.
const BEGINNING: &str = "poll";
/// A run that takes longer than this counts as hung.
pub(crate) const PATIENCE: Duration = Duration::from_secs(120);

/// The program under test, and whether to trace it.
#[derive(Debug)]
pub(crate) struct Program {
    path: PathBuf,
    traced: bool,
    /// Home folder of the runs, which keeps caches and traces out of the user's folders.
    home: tempfile::TempDir,
    runs: AtomicU64,
}

/// Settings of one run.
#[derive(Debug, Default)]
pub(crate) struct How<'h> {
    /// `CALL:error=E:when=N` for `strace -e inject=`.
    pub(crate) inject: Option<&'h str>,
    /// Shell commands before the program, such as `ulimit -n 64`.
    pub(crate) limits: Option<&'h str>,
    /// Additional environment variables.
    pub(crate) environment: &'h [(&'h str, &'h str)],
    /// User to run as.
    pub(crate) user: Option<&'h str>,
}

/// A running program.
#[derive(Debug)]
pub(crate) struct Run {
    /// Process of the program itself, also under trace.
    pub(crate) child: Child,
    trace: Option<PathBuf>,
}

/// A finished run.
#[derive(Debug)]
pub(crate) struct Ended {
    pub(crate) status: ExitStatus,
    /// Standard output.
    pub(crate) printed: String,
    /// Standard error.
    pub(crate) said: String,
    /// Whether the bench had to stop it.
    pub(crate) hung: bool,
    /// Its system calls, if traced.
    pub(crate) trace: String,
}

impl Program {
    /// Uses the given program, or the one beside this bench.
    pub(crate) fn find(named: Option<&Path>, trace: bool) -> Result<Self, String> {
        let me = std::env::current_exe().map_err(|error| format!("the bench can't find itself: {error}"))?;
        let beside = me.parent().map(|folder| folder.join("glassine"));
        let path = named.map(Path::to_path_buf).or(beside).unwrap_or_default();
        let path = path.canonicalize().map_err(|error| {
            format!("{}: {error}; build it with `cargo build --release -p glassine`", path.display())
        })?;
        let traced = trace && Command::new("strace").arg("-V").stdout(Stdio::null()).status().is_ok();
        if trace && !traced {
            glassine_tests::say(
                "strace is not installed: runs are not traced, and calls can't be made to fail",
            );
        }
        let home = tempfile::Builder::new()
            .prefix("glassine-faults-")
            .tempdir()
            .map_err(|error| format!("no temporary folder: {error}"))?;
        Ok(Self { path, traced, home, runs: AtomicU64::new(0) })
    }

    pub(crate) fn is_traced(&self) -> bool {
        self.traced
    }

    /// Folder of traces and caches.
    pub(crate) fn home(&self) -> &Path {
        self.home.path()
    }

    /// Starts the program.
    pub(crate) fn start(&self, args: &[&Path], how: &How<'_>) -> std::io::Result<Run> {
        self.start_other(&self.path.clone(), args, how)
    }

    /// Starts a worker: this bench itself.
    pub(crate) fn start_worker(&self, args: &[&Path]) -> std::io::Result<Run> {
        let me = std::env::current_exe()?;
        let all: Vec<&Path> = [Path::new("worker")].into_iter().chain(args.iter().copied()).collect();
        self.start_other(&me, &all, &How::default())
    }

    fn start_other(&self, program: &Path, args: &[&Path], how: &How<'_>) -> std::io::Result<Run> {
        let number = self.runs.fetch_add(1, Ordering::Relaxed);
        let trace = self.traced.then(|| self.home().join(format!("trace-{number}")));
        let mut words: Vec<OsString> = Vec::new();
        if let Some(trace) = &trace {
            // The tracer runs detached (-D), so that the child of this bench is the program.
            words.extend(
                ["strace", "-D", "-f", "-q", "-y", "--seccomp-bpf", "-s", "4096", "-o"].map(OsString::from),
            );
            words.extend([trace.into(), "-e".into()]);
            match how.inject {
                Some(inject) => {
                    let call = inject.split(':').next().unwrap_or_default();
                    words.push(format!("trace={TRACED},{BEGINNING},{call}").into());
                    words.extend(["-e".into(), format!("inject={inject}").into()]);
                }
                None => words.push(format!("trace={TRACED}").into()),
            }
            words.push("--".into());
        }
        if let Some(limits) = how.limits {
            words.extend(["sh".into(), "-c".into(), format!("{limits}; exec \"$0\" \"$@\"").into()]);
        }
        if let Some(user) = how.user {
            words.extend(["setpriv", "--reuid", user, "--clear-groups"].map(OsString::from));
        }
        words.push(program.into());
        words.extend(args.iter().map(|arg| arg.as_os_str().to_owned()));
        let mut words = words.into_iter();
        let mut command = Command::new(words.next().unwrap_or_default());
        command
            .args(words)
            .current_dir(self.home())
            .envs(how.environment.iter().copied())
            .env("XDG_CACHE_HOME", self.home().join("cache"))
            .env("XDG_DATA_HOME", self.home().join("data"))
            .env("GLASSINE_CONFIG", self.home().join("config"))
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        let mut child = command.spawn()?;
        if let Some(trace) = &trace {
            await_tracer(&mut child, trace)?;
        }
        Ok(Run { child, trace })
    }

    /// Runs the program to its end.
    pub(crate) fn run(&self, args: &[&Path], how: &How<'_>) -> std::io::Result<Ended> {
        self.start(args, how)?.end(PATIENCE)
    }
}

impl Run {
    pub(crate) fn signal(&self, signal: rustix::process::Signal) {
        let pid = i32::try_from(self.child.id()).ok().and_then(rustix::process::Pid::from_raw);
        if let Some(pid) = pid {
            // The program may have ended already.
            rustix::process::kill_process(pid, signal).ok();
        }
    }

    pub(crate) fn kill(&mut self) {
        // The program may have ended already.
        drop(self.child.kill());
    }

    /// Waits for the end, at most `patience`.
    pub(crate) fn end(mut self, patience: Duration) -> std::io::Result<Ended> {
        let readers = [
            self.child.stdout.take().map(|mut pipe| std::thread::spawn(move || text_of(&mut pipe))),
            self.child.stderr.take().map(|mut pipe| std::thread::spawn(move || text_of(&mut pipe))),
        ];
        let started = Instant::now();
        let (status, hung) = loop {
            if let Some(status) = self.child.try_wait()? {
                break (status, false);
            }
            if started.elapsed() > patience {
                self.kill();
                break (self.child.wait()?, true);
            }
            std::thread::sleep(Duration::from_millis(1));
        };
        let [printed, said] =
            readers.map(|reader| reader.and_then(|thread| thread.join().ok()).unwrap_or_default());
        let trace =
            self.trace.as_deref().map(|path| finished_trace(path, self.child.id())).unwrap_or_default();
        Ok(Ended { status, printed, said, hung, trace })
    }
}

/// Waits until the tracer is attached: a tracer whose program dies before would stop for ever.
fn await_tracer(child: &mut Child, trace: &Path) -> std::io::Result<()> {
    let started = Instant::now();
    while std::fs::metadata(trace).map_or(0, |meta| meta.len()) == 0
        && child.try_wait()?.is_none()
        && started.elapsed() < Duration::from_secs(10)
    {
        std::thread::sleep(Duration::from_micros(300));
    }
    Ok(())
}

fn text_of(pipe: &mut impl std::io::Read) -> String {
    let mut bytes = Vec::new();
    // Keep what was read before an error.
    drop(pipe.read_to_end(&mut bytes));
    String::from_utf8_lossy(&bytes).into_owned()
}

/// Reads the trace once the tracer has recorded the program's end, and removes the file.
fn finished_trace(path: &Path, pid: u32) -> String {
    let started = Instant::now();
    loop {
        let mut text = String::new();
        if let Ok(mut file) = std::fs::File::open(path) {
            let mut bytes = Vec::new();
            drop(file.read_to_end(&mut bytes));
            text = String::from_utf8_lossy(&bytes).into_owned();
        }
        let over = text.lines().rev().take(50).any(|line| {
            line.split_whitespace().next() == Some(&pid.to_string())
                && (line.contains("+++ exited with") || line.contains("+++ killed by"))
        });
        if over || started.elapsed() > Duration::from_secs(3) {
            drop(std::fs::remove_file(path));
            return text;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
}

impl Ended {
    /// Whether the run reached the call that was to fail.
    pub(crate) fn was_injected(&self) -> bool {
        self.trace.contains("(INJECTED)")
    }

    /// Whether the call failed before `main`: in the system's loader, or where the standard library sets up the main
    /// thread's guard against stack overflow, which aborts without memory.
    pub(crate) fn failed_before_main(&self) -> bool {
        let lines = || self.trace.lines();
        let injected = lines().position(|line| line.contains("(INJECTED)"));
        let began = lines().position(|line| line.contains(&format!(" {BEGINNING}(")));
        let in_loader = injected.is_some_and(|injected| began.is_none_or(|began| injected < began));
        let in_guard =
            self.said.contains("thread 'main'") && self.said.contains("sys/pal/unix/stack_overflow.rs");
        in_loader || in_guard
    }

    /// Signal that ended the program.
    pub(crate) fn signal(&self) -> Option<i32> {
        self.status.signal()
    }

    /// Everything that is never allowed, whatever the fault: a hang, a panic, a death by signal (except those sent), a
    /// refusal without a message.
    pub(crate) fn wrongs(&self, sent: Option<i32>) -> Vec<String> {
        let mut wrong = Vec::new();
        let said = self.said.lines().last().unwrap_or_default();
        if self.hung {
            wrong.push("it hung".to_owned());
        } else if let Some(signal) = self.signal() {
            if Some(signal) != sent {
                wrong.push(format!("it died by signal {signal}: {said}"));
            }
        } else if self.status.code() == Some(101) || self.said.contains("panicked at") {
            wrong.push(format!("it panicked: {}", self.said.lines().next().unwrap_or_default()));
        } else if !self.status.success() && self.said.trim().is_empty() {
            wrong.push(format!("it ended with {} without a word", self.status));
        }
        wrong
    }

    /// Traced calls that opened one of these files for writing, or renamed, replaced or removed it.
    pub(crate) fn writes_to(&self, files: &[PathBuf]) -> Vec<String> {
        writes_to(&self.trace, files)
    }
}

/// Calls in a trace that opened one of these files for writing, or renamed, replaced or removed it.
pub(crate) fn writes_to(trace: &str, files: &[PathBuf]) -> Vec<String> {
    let mut found = Vec::new();
    for line in trace.lines() {
        let call = line.split_whitespace().nth(1).and_then(|word| word.split('(').next()).unwrap_or_default();
        let changes = match call {
            "open" | "openat" | "openat2" => ["O_WRONLY", "O_RDWR", "O_CREAT", "O_TRUNC", "O_APPEND"]
                .iter()
                .any(|flag| line.contains(flag)),
            "creat" | "truncate" | "rename" | "renameat" | "renameat2" | "unlink" | "unlinkat" | "link"
            | "linkat" => true,
            _ => false,
        };
        if !changes || line.contains(" = -1 ") {
            continue;
        }
        if paths_in(line).any(|path| files.iter().any(|file| same_file_name(&path, file))) {
            found.push(format!("a scan was touched: {line}"));
        }
    }
    found
}

/// Quoted texts, and the real path behind a returned handle (`= 3</path>`).
fn paths_in(line: &str) -> impl Iterator<Item = PathBuf> {
    let quoted = line.split('"').skip(1).step_by(2).map(PathBuf::from);
    let handle = line.rsplit_once("= ").and_then(|(_, end)| {
        let (_, path) = end.split_once('<')?;
        Some(PathBuf::from(path.trim_end_matches('>')))
    });
    quoted.chain(handle)
}

/// Whether a traced path is this file, by its folder with links resolved and its name.
fn same_file_name(traced: &Path, file: &Path) -> bool {
    if traced == file {
        return true;
    }
    traced.file_name() == file.file_name()
        && traced
            .parent()
            .and_then(|folder| folder.canonicalize().ok())
            .is_some_and(|folder| Some(folder.as_path()) == file.parent())
}
