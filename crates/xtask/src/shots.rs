//! Takes pictures of the real window: runs the program on a virtual display, presses keys and saves the screen.
//!
//! Needs Xvfb, xdotool and `ImageMagick`, as listed in DEVELOPERS.md.

use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use anyhow::{Context as _, bail};

/// Size of the virtual screen; the window fills it.
const SCREEN: &str = "1600x1000x24";
/// Longest time to make, open and draw the demo.
const PATIENCE: Duration = Duration::from_secs(300);

/// Keys to press before each picture, and its file name.
const PICTURES: &[(&[&str], &str)] =
    &[(&[], "window.png"), (&["ctrl+e"], "export.png"), (&["Escape", "a"], "roll.png")];

pub(crate) fn draw(root: &Path) -> anyhow::Result<()> {
    let to = std::env::args().nth(2).map_or_else(|| root.join("assets/pictures"), PathBuf::from);
    std::fs::create_dir_all(&to).with_context(|| to.display().to_string())?;
    let profile = if cfg!(debug_assertions) { "debug" } else { "release" };
    // The tests also build the program, with other features, so another build would compile most of it twice.
    if std::env::args().nth(4).as_deref() != Some("--built") {
        super::cargo(if profile == "debug" {
            &["build", "-p", "glassine"]
        } else {
            &["build", "--release", "-p", "glassine"]
        })?;
    }
    let program = super::target().join(profile).join("glassine");
    let display = free_display();
    let screen = Running::start(
        Command::new("Xvfb").args([&display, "-screen", "0", SCREEN, "-nolisten", "tcp", "-noreset"]),
        "Xvfb",
    )?;
    wait(Duration::from_secs(20), "the virtual display", || {
        on(&display, "xdotool", &["getmouselocation"]).is_ok()
    })?;
    // The pictures show the window as on its first day, whatever the user's own looks like.
    let config = super::target().join("shots-config");
    if config.exists() {
        std::fs::remove_dir_all(&config).with_context(|| config.display().to_string())?;
    }
    let mut demo = Command::new(&program);
    demo.arg("demo").env("DISPLAY", &display).env_remove("WAYLAND_DISPLAY").env("LIBGL_ALWAYS_SOFTWARE", "1");
    demo.env("GLASSINE_CONFIG", &config).env("XDG_DATA_HOME", &config);
    if let Some(folder) = std::env::args().nth(3) {
        demo.args(["--folder", &folder]);
    }
    let mut window = Running::start(&mut demo, "glassine")?;
    focus(&display)?;
    for (keys, name) in PICTURES {
        for key in *keys {
            on(&display, "xdotool", &["key", key])?;
            sleep(Duration::from_millis(300));
        }
        let path = to.join(name);
        save_when_still(&display, &path)?;
        println!("{}", path.display());
        if let Some(status) = window.0.try_wait()? {
            bail!("the program ended by itself: {status}");
        }
    }
    drop(window);
    drop(screen);
    Ok(())
}

/// Gives the window the whole screen and the keyboard.
///
/// A new window may not be viewable yet, and the display refuses to focus it until then, so this retries.
fn focus(display: &str) -> anyhow::Result<()> {
    let mut last = None;
    let outcome = wait(PATIENCE, "a window that takes the keyboard", || {
        let done = visible_window(display).and_then(|id| {
            on(display, "xdotool", &["windowsize", &id, "1600", "1000"])?;
            on(display, "xdotool", &["windowfocus", &id])?;
            let focused = on(display, "xdotool", &["getwindowfocus", "-f"])?;
            if focused.trim() == id {
                Ok(())
            } else {
                bail!("the keyboard is with window {}", focused.trim())
            }
        });
        last = done.err();
        last.is_none()
    });
    outcome.map_err(|error| match last {
        Some(why) => why.context(error),
        None => error,
    })
}

/// The program's window, once it is viewable.
fn visible_window(display: &str) -> anyhow::Result<String> {
    let found = on(display, "xdotool", &["search", "--onlyvisible", "--name", "Glassine"])?;
    let id = found.lines().map(str::trim).rfind(|line| !line.is_empty());
    Ok(id.context("no window is visible yet")?.to_owned())
}

/// A child that is stopped when dropped.
struct Running(Child);

impl Running {
    fn start(command: &mut Command, what: &str) -> anyhow::Result<Self> {
        let child = command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .with_context(|| format!("{what} could not be started; DEVELOPERS.md lists the packages"))?;
        Ok(Self(child))
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // The child may have ended already.
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

fn free_display() -> String {
    let number = (90..200).find(|n| !Path::new(&format!("/tmp/.X{n}-lock")).exists()).unwrap_or(99);
    format!(":{number}")
}

fn on(display: &str, program: &str, args: &[&str]) -> anyhow::Result<String> {
    let output = Command::new(program)
        .args(args)
        .env("DISPLAY", display)
        .output()
        .with_context(|| format!("{program} could not be started; DEVELOPERS.md lists the packages"))?;
    if !output.status.success() {
        bail!("{program} {}: {}", args.join(" "), String::from_utf8_lossy(&output.stderr));
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

fn wait(longest: Duration, what: &str, mut ready: impl FnMut() -> bool) -> anyhow::Result<()> {
    let started = Instant::now();
    while !ready() {
        if started.elapsed() > longest {
            bail!("{what} did not appear within {} s", longest.as_secs());
        }
        sleep(Duration::from_millis(200));
    }
    Ok(())
}

/// Saves the screen once it has not changed for a while, when everything is drawn.
fn save_when_still(display: &str, path: &Path) -> anyhow::Result<()> {
    let started = Instant::now();
    let name = path.to_string_lossy().into_owned();
    let mut last = Vec::new();
    let mut same_since = Instant::now();
    loop {
        on(display, "import", &["-window", "root", "-depth", "8", &name])?;
        let now = std::fs::read(path).with_context(|| name.clone())?;
        if now != last {
            last = now;
            same_since = Instant::now();
        }
        // An empty window compresses to almost nothing; pictures do not.
        if same_since.elapsed() > Duration::from_secs(3) && last.len() > 60_000 {
            return Ok(());
        }
        if started.elapsed() > PATIENCE {
            bail!("{name}: the window never came to rest with a picture in it");
        }
        sleep(Duration::from_millis(500));
    }
}
