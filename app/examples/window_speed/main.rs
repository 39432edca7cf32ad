//! Measures the real window on a virtual display, and writes the results into a page.
//!
//! `cargo run --release -p glassine --example window_speed -- DEMO_FOLDER [--into tests/SPEED.md] [--only
//! slider|prints|start|window]`
//!
//! Needs Xvfb (package `xvfb`). The demo is made in the folder if it is missing. The figures measure the program
//! itself: this example only plays the user, one change after another, and takes the time.
#![expect(clippy::print_stdout, reason = "a bench prints its figures")]

mod figures;
mod person;
mod roll;
mod start;

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

use glassine_app::services::demo_session;
use glassine_engine::jobs::JobEventKind;
use glassine_engine::{Engine, JobHost, Overlay, PictureSide, PreviewRequest, SessionAt, UnitRect, ViewKey};
use glassine_film::Param;
use glassine_raster::{CancelToken, PixelRect};
use glassine_session::{Edit, FrameId};

use figures::{Figures, Row, spread, write_section};

type Problem = Box<dyn std::error::Error>;

/// Changes of a value in one row of the table.
const STEPS: u32 = 60;
/// Starts of the program in one row of the table.
const STARTS: usize = 7;
/// Longest wait for one picture.
const PATIENCE: Duration = Duration::from_secs(60);

fn main() -> Result<(), Problem> {
    let mut folder = None;
    let mut into = None;
    let mut only = None;
    let mut args = std::env::args_os().skip(1).map(PathBuf::from);
    if std::env::args_os().nth(1).is_some_and(|arg| arg == person::PLAY) {
        return person::play(&args.nth(1).ok_or("name the session")?);
    }
    if std::env::args_os().nth(1).is_some_and(|arg| arg == start::START) {
        return start::open(args.nth(1).ok_or("name the demo's folder")?);
    }
    while let Some(arg) = args.next() {
        if arg.as_os_str() == "--into" {
            into = Some(args.next().ok_or("--into wants a file")?);
        } else if arg.as_os_str() == "--only" {
            only = Some(args.next().ok_or("--only wants a part")?);
        } else {
            folder = Some(arg);
        }
    }
    let folder = folder.ok_or("name a folder for the demo")?;
    let cancel = CancelToken::new();
    let made = demo_session::open_or_make(&Engine::new(), &folder, &cancel, &|_, _| ())?;
    let at = SessionAt::new(made.session, Some(Arc::from(folder.as_path())));

    let is_wanted = |part: &str| only.as_ref().is_none_or(|only| only.as_os_str() == part);
    let mut rows = Vec::new();
    if is_wanted("slider") {
        rows.push(slider(&at)?);
    }
    if is_wanted("prints") {
        rows.push(thumbnails(&at)?);
    }
    rows.iter().for_each(|row| println!("{row}"));
    if is_wanted("start") {
        rows.extend(starts(&folder, &Display::open()?)?);
    }
    if is_wanted("window") {
        let exported = tempfile::tempdir()?;
        let display = Display::open()?;
        rows.extend(person::work(roll::of_sixty(&at)?, exported.path(), &display.name)?);
    }
    let figures = Figures::of_this_machine(rows);
    println!("{figures}");
    if let Some(page) = into {
        write_section(&page, &figures)?;
        println!("written into {}", page.display());
    }
    Ok(())
}

/// A picture of a frame, as the window requests it.
fn request(at: &SessionAt, key: ViewKey, side_px: u32, revision: u64) -> PreviewRequest {
    PreviewRequest {
        key,
        at: at.clone(),
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::default(),
        max_width_px: side_px,
        max_height_px: side_px,
        side: PictureSide::Positive,
        overlay: Overlay::None,
        proof: None,
        revision,
    }
}

/// Waits for the sharp picture of this revision; returns its longer side.
fn wait_for(host: &mut JobHost, revision: u64) -> Result<u32, Problem> {
    let began = Instant::now();
    while began.elapsed() < PATIENCE {
        match host.poll().map(|event| event.kind) {
            Some(JobEventKind::PreviewReady(picture))
                if picture.revision == revision && !picture.is_coarse =>
            {
                return Ok(picture.width_px.max(picture.height_px));
            }
            Some(JobEventKind::PreviewFailed { failure, .. }) => {
                return Err(failure.notice.to_string().into());
            }
            Some(_) => {}
            None => std::thread::sleep(Duration::from_micros(200)),
        }
    }
    Err("a picture never came".into())
}

/// Processor time of this process, ms.
fn cpu_ms() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ProcessCPUTime);
    time.tv_sec as f64 * 1e3 + time.tv_nsec as f64 / 1e6
}

/// Wall times, and the mean processor time of each step.
fn with_cpu(millis: &[f64], cpu_ms: f64) -> String {
    format!("{}, {:.1} ms of processor time each", spread(millis), cpu_ms / millis.len().max(1) as f64)
}

/// Time from a changed value to the pixels of a sharpened frame, 1600 pixels on its longer side.
fn slider(at: &SessionAt) -> Result<Row, Problem> {
    let frame = at.session.frames.first().ok_or("the demo has no frame")?.id;
    let mut at = at.clone();
    at.session = roll::sharpened(&at.session, &[frame])?;
    let mut host = JobHost::threaded(Arc::new(Engine::new()), Arc::new(|| ()));
    let mut millis = Vec::new();
    let mut side_px = 0;
    let mut cpu = 0.0;
    for step in 0..=STEPS {
        if step == 1 {
            cpu = cpu_ms();
        }
        at.session = exposed(&at, frame, step)?;
        let began = Instant::now();
        host.preview(request(&at, ViewKey::Frame(frame), 1600, u64::from(step)));
        side_px = wait_for(&mut host, u64::from(step))?;
        if step > 0 {
            // The first one reads the scan.
            millis.push(began.elapsed().as_secs_f64() * 1e3);
        }
    }
    Ok(Row::new(
        format!("slider to new pixels, {side_px} px, sharpened"),
        with_cpu(&millis, cpu_ms() - cpu),
        "≤ 33 ms (aim 16.7)",
    ))
}

fn exposed(at: &SessionAt, frame: FrameId, step: u32) -> Result<glassine_session::Session, Problem> {
    let value = f64::from(step) / f64::from(STEPS) - 0.5;
    let edit = Edit::SetParam { frames: vec![frame], param: Param::ExposureStops, value };
    Ok(edit.apply(&at.session)?)
}

/// 36 prints of 240 pixels, all requested at once after a change that they share.
fn thumbnails(at: &SessionAt) -> Result<Row, Problem> {
    let mut at = at.clone();
    at.session = roll::repeated(&at.session, 36)?;
    let mut host = JobHost::threaded(Arc::new(Engine::new()), Arc::new(|| ()));
    let mut millis = Vec::new();
    let count = at.session.frames.len() as u64;
    let mut cpu = 0.0;
    for round in 0..8_u32 {
        if round == 1 {
            cpu = cpu_ms();
        }
        let strips: Vec<_> = at.session.strips.iter().map(|strip| strip.id).collect();
        for strip in strips {
            let strength = f64::from(round) / 10.0;
            at.session = Edit::SetUnmixStrength { strip, strength }.apply(&at.session)?;
        }
        let began = Instant::now();
        for (idx, frame) in (0..).zip(&at.session.frames) {
            host.preview(request(&at, ViewKey::Print(frame.id), 240, u64::from(round) * count + idx));
        }
        let mut ready = 0;
        while ready < count && began.elapsed() < PATIENCE {
            match host.poll().map(|event| event.kind) {
                Some(JobEventKind::PreviewReady(picture)) if !picture.is_coarse => ready += 1,
                Some(_) => {}
                None => std::thread::sleep(Duration::from_micros(200)),
            }
        }
        if round > 0 {
            millis.push(began.elapsed().as_secs_f64() * 1e3);
        }
    }
    Ok(Row::new(
        format!("{count} prints of 240 px after a shared change"),
        with_cpu(&millis, cpu_ms() - cpu),
        "≤ 500 ms",
    ))
}

/// A virtual display, ended when dropped.
struct Display {
    server: Child,
    name: String,
}

impl Display {
    fn open() -> Result<Self, Problem> {
        let number = (120..190).find(|n| !Path::new(&format!("/tmp/.X{n}-lock")).exists());
        let name = format!(":{}", number.ok_or("no free display")?);
        let server = Command::new("Xvfb")
            .args([&name, "-screen", "0", "1600x1000x24", "-nolisten", "tcp", "-noreset"])
            .stdin(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|error| format!("Xvfb could not be started: {error}"))?;
        let display = Self { server, name };
        let socket = PathBuf::from(format!("/tmp/.X11-unix/X{}", &display.name[1..]));
        let began = Instant::now();
        while !socket.exists() {
            if began.elapsed() > Duration::from_secs(20) {
                return Err("the virtual display never came up".into());
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        Ok(display)
    }
}

impl Drop for Display {
    fn drop(&mut self) {
        // It may already have ended; either way it is gone afterwards.
        drop(self.server.kill());
        drop(self.server.wait());
    }
}

/// Starts the window on the demo in another process, timed from before that is executed to each stage on screen.
fn starts(folder: &Path, display: &Display) -> Result<Vec<Row>, Problem> {
    let mut stages: Vec<(String, Vec<f64>)> = Vec::new();
    for _ in 0..STARTS {
        let began = Instant::now();
        let mut child = Command::new(std::env::current_exe()?)
            .arg(start::START)
            .arg(folder)
            .env("DISPLAY", &display.name)
            .env_remove("WAYLAND_DISPLAY")
            .env("LIBGL_ALWAYS_SOFTWARE", "1")
            .env("GLASSINE_CONFIG", folder.join("config"))
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()?;
        let lines = BufReader::new(child.stdout.take().ok_or("no output")?).lines();
        for line in lines {
            let line = line?;
            let name = line.split(' ').next().unwrap_or_default().to_owned();
            let millis = began.elapsed().as_secs_f64() * 1e3;
            match stages.iter_mut().find(|(stage, _)| *stage == name) {
                Some((_, all)) => all.push(millis),
                None => stages.push((name, vec![millis])),
            }
        }
        child.wait()?;
    }
    let row = |(name, millis): (String, Vec<f64>)| {
        let (what, goal) = match name.as_str() {
            "window" => ("start to the first frame", ""),
            "session" => ("start to the first frame of the demo session", "≤ 1000 ms (aim 500)"),
            _ => ("start to all its pictures, sharp", ""),
        };
        Row::new(what.to_owned(), spread(&millis), goal)
    };
    Ok(stages.into_iter().map(row).collect())
}
