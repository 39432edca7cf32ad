//! Tests the real window on a virtual display: calls fail while it opens, and it is killed shortly after an edit.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::Bench;
use crate::kills::{begun, copy_of};
use crate::program::{How, Run};
use crate::stage::Copy;
use crate::tally::{Tally, random_of};
use crate::worker;

/// An edit must be on disk after this long.
const DURABLE_AFTER: Duration = Duration::from_millis(1_200);
/// Time for the window to open and take the keyboard.
const OPENS_WITHIN: Duration = Duration::from_secs(30);
/// Time for a window whose calls fail to show itself.
const DRAWS_WITHIN: Duration = Duration::from_secs(12);
/// Time for the window to close on request.
const CLOSES_WITHIN: Duration = Duration::from_secs(5);

const CALLS: &[&str] = &[
    "openat:error=EACCES",
    "openat:error=EMFILE",
    "read:error=EIO",
    "pread64:error=EIO",
    "statx:error=EACCES",
    "write:error=ENOSPC",
    "mkdir:error=EACCES",
    "rename:error=EROFS",
    "clone3:error=EAGAIN",
    "mmap:error=ENOMEM",
];

/// A virtual display that ends when the value is dropped.
struct Screen {
    server: Child,
    name: String,
}

impl Drop for Screen {
    fn drop(&mut self) {
        drop(self.server.kill());
        drop(self.server.wait());
    }
}

impl Screen {
    fn start() -> Option<Self> {
        let number = (150..250).find(|n| !Path::new(&format!("/tmp/.X{n}-lock")).exists())?;
        let name = format!(":{number}");
        let server = Command::new("Xvfb")
            .args([&name, "-screen", "0", "1600x1000x24", "-nolisten", "tcp", "-noreset"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .ok()?;
        let screen = Self { server, name };
        let started = Instant::now();
        while screen.xdotool(&["getmouselocation"]).is_none() {
            if started.elapsed() > OPENS_WITHIN {
                return None;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        Some(screen)
    }

    fn xdotool(&self, args: &[&str]) -> Option<String> {
        let output = Command::new("xdotool").args(args).env("DISPLAY", &self.name).output().ok()?;
        output.status.success().then(|| String::from_utf8_lossy(&output.stdout).into_owned())
    }

    /// Gives the window the keyboard once the window exists, if that is soon enough.
    fn focus(&self, run: &mut Run, patience: Duration) -> bool {
        let started = Instant::now();
        while started.elapsed() < patience && matches!(run.child.try_wait(), Ok(None)) {
            let found = self.xdotool(&["search", "--onlyvisible", "--name", "Glassine"]).unwrap_or_default();
            if let Some(id) = found.lines().map(str::trim).rfind(|line| !line.is_empty())
                && self.xdotool(&["windowfocus", "--sync", id]).is_some()
            {
                return true;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        false
    }
}

/// Opens the window with failing calls, then kills it after edits.
pub(crate) fn run(bench: &Bench, tally: &mut Tally) {
    let Some(screen) = Screen::start() else {
        tally.skip("Xvfb and xdotool are not installed");
        return;
    };
    let Some(copy) = copy_of(bench, tally, "window", false) else { return };
    let environment =
        [("DISPLAY", screen.name.as_str()), ("WAYLAND_DISPLAY", ""), ("LIBGL_ALWAYS_SOFTWARE", "1")];
    if bench.program.is_traced() {
        failing_calls(bench, tally, &copy, &screen, &environment);
    }
    for trial in 0..bench.trials(20, 1) {
        tally.trials += 1;
        kill_after_edit(bench, tally, &copy, &screen, &environment, trial);
    }
}

fn failing_calls(
    bench: &Bench,
    tally: &mut Tally,
    copy: &Copy,
    screen: &Screen,
    environment: &[(&str, &str)],
) {
    let (mut opened, mut refused, mut stayed) = (0, 0, 0);
    for (idx, call) in CALLS.iter().enumerate() {
        for sample in 0..bench.trials(12, 1) {
            let mut random = random_of(tally.seed ^ idx as u64, sample);
            let inject = format!("{call}:when={}", 1 + random.below(120));
            let how = How { inject: Some(&inject), environment, ..How::default() };
            let Some(mut run) = begun(tally, bench.program.start(&[&copy.session], &how)) else { return };
            if screen.focus(&mut run, DRAWS_WITHIN) {
                // An open window has time for its pictures, then closes on request.
                std::thread::sleep(Duration::from_secs(2));
                run.signal(Signal::TERM);
            }
            let Some(mut ended) = begun(tally, run.end(CLOSES_WITHIN)) else { return };
            tally.trials += 1;
            // A window that can't hear the request stays open.
            if ended.hung {
                stayed += 1;
                ended.hung = false;
            } else {
                *(if ended.status.success() { &mut opened } else { &mut refused }) += 1;
                let wrongs = if ended.failed_before_main() {
                    Vec::new()
                } else {
                    ended.wrongs(Some(Signal::TERM.as_raw()))
                };
                for wrong in wrongs {
                    tally.require(false, || format!("{inject}: {wrong}"));
                }
            }
            copy.scans_untouched(tally, Some(&ended));
            let kept = worker::open(&copy.session).is_ok();
            tally.require(kept, || format!("{inject}: the session is lost"));
        }
    }
    tally.remark(format!("failing calls: opened {opened}, refused {refused}, stayed open {stayed}"));
}

/// Turns the first frame, waits as long as an edit may take to be durable, kills, and checks that the edit was kept.
fn kill_after_edit(
    bench: &Bench,
    tally: &mut Tally,
    copy: &Copy,
    screen: &Screen,
    environment: &[(&str, &str)],
    trial: u64,
) {
    let Ok(before) = worker::recover(&copy.session) else {
        tally.require(false, || "the session is lost".to_owned());
        return;
    };
    let saves = trial % 2 == 1;
    let how = How { environment, ..How::default() };
    let Some(mut run) = begun(tally, bench.program.start(&[&copy.session], &how)) else { return };
    if !screen.focus(&mut run, OPENS_WITHIN) {
        run.kill();
        tally.require(false, || "the window did not open".to_owned());
        return;
    }
    std::thread::sleep(Duration::from_millis(1_500));
    // Accept the offer to restore the previous run's work, then turn the frame.
    for key in ["Return", "o"] {
        drop(screen.xdotool(&["key", key]));
        std::thread::sleep(Duration::from_millis(400));
    }
    if saves {
        drop(screen.xdotool(&["key", "ctrl+s"]));
    }
    std::thread::sleep(DURABLE_AFTER);
    run.kill();
    let Some(ended) = begun(tally, run.end(Duration::from_secs(10))) else { return };
    copy.scans_untouched(tally, Some(&ended));
    match worker::recover(&copy.session) {
        Err(error) => tally.require(false, || format!("the session is lost: {}", error.notice())),
        Ok(after) => {
            let turns =
                |session: &glassine_session::Session| session.frames.first().map(|frame| frame.orientation);
            let kept = turns(&before) != turns(&after);
            tally.require(kept, || "the edit was not on disk after 1.2 s".to_owned());
        }
    }
    copy.no_parts_after_start(bench, tally);
    let left: Vec<PathBuf> = std::fs::read_dir(&copy.folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.to_string_lossy().contains("autosave"))
        .collect();
    left.iter().for_each(|path| drop(std::fs::remove_file(path)));
}
