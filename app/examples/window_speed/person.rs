//! Plays a user at the window: changes a value, waits for the picture, changes it again; also during an export.
//!
//! The window runs in a separate process, a copy of this example, so that its display can be named. This code hands a
//! change to the program where a view would, between the begin of a frame and its drawing. A change counts as painted
//! when the frame after the one with the new pixels begins, because only then is that one surely on screen.

use std::io::{BufRead as _, BufReader};
use std::path::Path;
use std::process::{Command as Process, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use egui::{Context, Ui, ViewportCommand};
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{
    Command, EditCommand, ExportCommand, GesturePhase, JobCommand, SelectCommand, ViewCommand,
};
use glassine_app::model::exact_counts::CountState;
use glassine_app::services::file_dialogs::PreparedPicker;
use glassine_engine::{Engine, FrameScope, JobHost, SessionAt, ViewKey, session_files};
use glassine_film::Param;
use glassine_raster::CancelToken;
use glassine_session::Edit;

use crate::figures::{Row, quantile, spread};
use crate::{Problem, STEPS};

/// Time between a picture and the next change.
const PAUSE: Duration = Duration::from_millis(20);
/// Quiet time before a stage begins: by then the exact count is done.
const CALM: Duration = Duration::from_millis(1500);
/// Time for which an idle window is watched.
const IDLE: Duration = Duration::from_secs(3);
/// Longest time for one stage.
const PATIENCE: Duration = Duration::from_secs(60);
/// Changes that all prints share.
const ROUNDS: u32 = 10;
/// Frames of an export: it lasts about as long as the changes beside it, and starts again if it ends sooner.
const EXPORTED: usize = 12;

/// First argument of the process with the window.
pub(crate) const PLAY: &str = "--play";

/// Runs the process with the window on this roll; returns its rows.
pub(crate) fn work(mut at: SessionAt, folder: &Path, display: &str) -> Result<Vec<Row>, Problem> {
    let path = folder.join("roll.session.json");
    at.session.output.folder = Some(folder.join("finished"));
    session_files::save_session(
        &session_files::Run::default(),
        &at.session,
        &path,
        session_files::SaveMode::New,
        &[],
    )?
    .into_saved()?;
    let mut child = Process::new(std::env::current_exe()?)
        .arg(PLAY)
        .arg(&path)
        .env("DISPLAY", display)
        .env_remove("WAYLAND_DISPLAY")
        .env("LIBGL_ALWAYS_SOFTWARE", "1")
        .stdout(Stdio::piped())
        .spawn()?;
    let mut rows = Vec::new();
    for line in BufReader::new(child.stdout.take().ok_or("no output")?).lines() {
        let line = line?;
        println!("{line}");
        if let Some((what, found)) = line.split_once('\t') {
            rows.push(Row::new(what.to_owned(), found.to_owned(), goal_of(what)));
        }
    }
    if !child.wait()?.success() || rows.is_empty() {
        return Err("the window ended early".into());
    }
    Ok(rows)
}

fn goal_of(what: &str) -> &'static str {
    if what.starts_with("event to painted") {
        "≤ 60 ms (aim 50)"
    } else if what.starts_with("window thread, longest") {
        "≤ 16 ms (aim 8)"
    } else if what.starts_with("window thread, own") {
        "≤ 4 ms"
    } else if what.starts_with("idle") {
        "0"
    } else if what.contains("prints on screen") {
        "≤ 500 ms"
    } else {
        ""
    }
}

/// A stage of [`PLAN`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    Settle,
    Repaint,
    Slide,
    Prints,
    /// Opens the contact print, or closes it.
    ShowContact(bool),
    /// Selects one frame after another there.
    Contact,
    Idle,
    ExportAlone,
    SlideBesideExport,
    End,
}

const PLAN: [Stage; 17] = [
    Stage::Settle,
    Stage::Repaint,
    Stage::Settle,
    Stage::Slide,
    Stage::Settle,
    Stage::Prints,
    Stage::Settle,
    Stage::ShowContact(true),
    Stage::Settle,
    Stage::Contact,
    Stage::ShowContact(false),
    Stage::Settle,
    Stage::Idle,
    Stage::ExportAlone,
    Stage::Settle,
    Stage::SlideBesideExport,
    Stage::End,
];

/// A change on its way to the screen.
#[derive(Debug, Clone, Copy)]
struct Sent {
    at: Instant,
    revision: u64,
    is_drawn: bool,
}

struct Person {
    app: GlassineApp,
    stage: usize,
    stage_began: Instant,
    step: u32,
    sent: Option<Sent>,
    pushes: Vec<Command>,
    next_at: Instant,
    millis: Vec<f64>,
    /// Wall and processor time of the program's part of each frame, ms.
    own: Vec<(f64, f64)>,
    frame: (f64, f64),
    frames: Arc<AtomicU64>,
    idle: Option<JoinHandle<(u64, u64)>>,
    export_began: Option<Instant>,
    export_s: f64,
    beside_s: Vec<f64>,
}

/// Opens the window on a session and plays.
pub(crate) fn play(path: &Path) -> Result<(), Problem> {
    let made = session_files::open_session(path, &CancelToken::new())?;
    let viewport = egui::ViewportBuilder::default().with_inner_size([1600.0, 1000.0]);
    let native = glassine_app::window::native_options(viewport);
    let create = move |creation: &eframe::CreationContext<'_>| {
        glassine_app::widgets::theme::apply(&creation.egui_ctx, true);
        let ctx = creation.egui_ctx.clone();
        let jobs = JobHost::threaded(Arc::new(Engine::new()), Arc::new(move || ctx.request_repaint()));
        let picker = Box::new(PreparedPicker::default());
        let mut app = GlassineApp::new(jobs, picker, AppOptions::default());
        app.set_session(made.session);
        Ok(Box::new(Person::new(app)) as Box<dyn eframe::App>)
    };
    Ok(eframe::run_native("Glassine", native, Box::new(create)).map_err(|error| error.to_string())?)
}

impl Person {
    fn new(app: GlassineApp) -> Self {
        Self {
            app,
            stage: 0,
            stage_began: Instant::now(),
            step: 0,
            sent: None,
            pushes: Vec::new(),
            next_at: Instant::now() + CALM,
            millis: Vec::new(),
            own: Vec::new(),
            frame: (0.0, 0.0),
            frames: Arc::default(),
            idle: None,
            export_began: None,
            export_s: 0.0,
            beside_s: Vec::new(),
        }
    }

    fn row(&self, what: &str, found: String) {
        println!("{what}\t{found}");
    }

    /// Begins the next stage; `ctx` wakes the window, which may be asleep.
    fn next_stage(&mut self, ctx: &Context) {
        ctx.request_repaint();
        self.stage += 1;
        self.stage_began = Instant::now();
        self.step = 0;
        self.millis.clear();
        self.own.clear();
        self.next_at = Instant::now() + CALM;
    }

    /// The newest revision on screen of the picture (or the oldest of the prints) that this stage waits for.
    fn revision(&self) -> u64 {
        let of = |key| self.app.previews().picture(key).map_or(0, |(_, preview)| preview.revision);
        match (PLAN[self.stage], self.app.ui_state().primary) {
            (Stage::Prints, _) => {
                let requests = self.app.ui_state().requests.pictures.iter();
                requests
                    .filter(|(key, _)| matches!(key, ViewKey::Print(_)))
                    .map(|(key, _)| of(*key))
                    .min()
                    .unwrap_or(0)
            }
            (_, Some(frame)) => of(ViewKey::Frame(frame)),
            (_, None) => 0,
        }
    }

    /// The newest revision of any picture: a print is new if it is newer than that.
    fn newest(&self) -> u64 {
        let requests = self.app.ui_state().requests.pictures.iter();
        requests
            .filter_map(|(key, _)| self.app.previews().picture(*key))
            .map(|(_, preview)| preview.revision)
            .max()
            .unwrap_or(0)
    }

    fn is_settled(&self) -> bool {
        let state = self.app.ui_state();
        let counted = state
            .primary
            .is_none_or(|frame| matches!(self.app.status().counts.state(frame), CountState::Exact(_)));
        self.app.is_idle()
            && counted
            && self.app.previews().is_uploaded()
            && state.requests.pictures.iter().all(|(key, _)| self.app.previews().picture(*key).is_some())
    }

    fn advance(&mut self, ctx: &Context, now: Instant) {
        if now.saturating_duration_since(self.stage_began) > PATIENCE {
            self.row("gave up", format!("{:?}, step {}", PLAN[self.stage], self.step));
            ctx.send_viewport_cmd(ViewportCommand::Close);
        }
        if PLAN[self.stage] != Stage::Idle {
            // Detects a missing picture even if nothing else wakes the window.
            ctx.request_repaint_after(PATIENCE);
        }
        match PLAN[self.stage] {
            Stage::Settle => {
                if now >= self.next_at && self.is_settled() {
                    self.next_stage(ctx);
                }
                ctx.request_repaint_after(Duration::from_millis(100));
            }
            Stage::Slide | Stage::SlideBesideExport | Stage::Prints => self.change(ctx, now),
            Stage::ShowContact(shown) => {
                self.pushes.push(Command::View(ViewCommand::ShowContact(shown)));
                self.next_stage(ctx);
            }
            Stage::Repaint | Stage::Contact => self.repaint(ctx, now),
            Stage::Idle => self.idle(ctx),
            Stage::ExportAlone => self.export_alone(ctx, now),
            Stage::End => ctx.send_viewport_cmd(ViewportCommand::Close),
        }
    }

    /// Redraws the window again and again: unchanged, or with another frame selected each time.
    fn repaint(&mut self, ctx: &Context, now: Instant) {
        ctx.request_repaint();
        if self.step > 0 {
            self.millis.push((now - self.next_at).as_secs_f64() * 1e3);
        }
        self.next_at = now;
        self.step += 1;
        if self.step > STEPS {
            let millis = std::mem::take(&mut self.millis);
            let what = if PLAN[self.stage] == Stage::Contact {
                "event to painted frame, contact print of 60 frames"
            } else {
                "window drawn again, unchanged"
            };
            self.row(what, spread(&millis));
            self.next_stage(ctx);
            return;
        }
        if PLAN[self.stage] == Stage::Contact {
            self.pushes.push(Command::Select(SelectCommand::Step(1)));
        }
    }

    /// Measures processor time from another thread, in the middle of a time without any event.
    fn idle(&mut self, ctx: &Context) {
        let watched = self.idle.get_or_insert_with(|| {
            let frames = Arc::clone(&self.frames);
            std::thread::spawn(move || {
                std::thread::sleep(CALM);
                let (ticks_before, frames_before) = (ticks(), frames.load(Ordering::Relaxed));
                std::thread::sleep(IDLE);
                (ticks() - ticks_before, frames.load(Ordering::Relaxed) - frames_before)
            })
        });
        if !watched.is_finished() {
            ctx.request_repaint_after(CALM + IDLE + Duration::from_millis(300));
            return;
        }
        if let Some((ticks, frames)) = self.idle.take().and_then(|watched| watched.join().ok()) {
            let found = format!("{ticks} ticks, {frames} frames");
            self.row("idle for 3 s: processor ticks of 10 ms, frames drawn", found);
        }
        self.next_stage(ctx);
    }

    fn begin_export(&mut self, now: Instant) {
        let frames = self.app.session().frames.iter().map(|frame| frame.id);
        let scope = FrameScope::Only(frames.take(EXPORTED).collect());
        self.pushes.push(Command::Export(ExportCommand::Start { scope, replace: true }));
        self.export_began = Some(now);
    }

    /// Whether the export has ended.
    fn export_ended(&self) -> bool {
        self.export_began.is_some_and(|began| {
            began.elapsed() > Duration::from_millis(100) && self.app.status().exporting().is_none()
        })
    }

    fn export_alone(&mut self, ctx: &Context, now: Instant) {
        ctx.request_repaint_after(Duration::from_millis(100));
        if self.export_began.is_none() {
            self.begin_export(now);
        } else if self.export_ended() {
            self.export_s = self.export_began.take().map_or(0.0, |began| began.elapsed().as_secs_f64());
            self.next_stage(ctx);
        }
    }

    /// Makes the next change once the last one is on screen and it is time.
    fn change(&mut self, ctx: &Context, now: Instant) {
        let stage = PLAN[self.stage];
        if stage == Stage::SlideBesideExport && (self.export_began.is_none() || self.export_ended()) {
            if let Some(began) = self.export_began.take() {
                self.beside_s.push(began.elapsed().as_secs_f64());
            }
            self.begin_export(now);
            ctx.request_repaint_after(Duration::from_millis(120));
            return;
        }
        if self.sent.is_some() {
            return;
        }
        if self.step == 0 || now < self.next_at {
            self.next_at = if self.step == 0 { now + PAUSE } else { self.next_at };
            self.step = self.step.max(1);
            ctx.request_repaint_after(self.next_at.saturating_duration_since(now));
            return;
        }
        let steps = if stage == Stage::Prints { ROUNDS } else { STEPS };
        if self.step > steps {
            self.end_changes(stage, ctx);
            return;
        }
        let share = f64::from(self.step) / f64::from(steps);
        if stage == Stage::Prints {
            let strips = self.app.session().strips.iter().map(|strip| strip.id);
            let edits = strips.map(|strip| Edit::SetUnmixStrength { strip, strength: 0.5 + 0.4 * share });
            self.pushes.push(Command::Edit(EditCommand::ApplyAll {
                label: "share".to_owned(),
                edits: edits.collect(),
            }));
        } else {
            if self.step == 1 {
                self.pushes
                    .push(Command::Edit(EditCommand::Gesture(GesturePhase::Begin("slide".to_owned()))));
            }
            self.pushes.push(Command::Edit(EditCommand::SetParam(Param::ExposureStops, share - 0.5)));
        }
        let revision = if stage == Stage::Prints { self.newest() } else { self.revision() };
        self.sent = Some(Sent { at: now, revision, is_drawn: false });
        self.step += 1;
    }

    fn end_changes(&mut self, stage: Stage, ctx: &Context) {
        self.pushes.push(Command::Edit(EditCommand::Gesture(GesturePhase::Commit)));
        let millis = std::mem::take(&mut self.millis);
        let (wall, cpu): (Vec<f64>, Vec<f64>) = self.own.iter().copied().unzip();
        let prints = self
            .app
            .ui_state()
            .requests
            .pictures
            .iter()
            .filter(|(key, _)| matches!(key, ViewKey::Print(_)))
            .count();
        let beside = match stage {
            Stage::Prints => {
                self.row(&format!("{prints} prints on screen after a shared change"), spread(&millis));
                self.next_stage(ctx);
                return;
            }
            Stage::SlideBesideExport => ", exporting",
            _ => "",
        };
        self.row(&format!("event to painted frame{beside}"), spread(&millis));
        self.row(&format!("window thread, own processor time a frame, 60 frames open{beside}"), spread(&cpu));
        let longest =
            format!("{:.1} ms ({:.1} ms of processor time)", quantile(&wall, 1.0), quantile(&cpu, 1.0));
        self.row(&format!("window thread, longest block{beside}"), longest);
        if stage == Stage::SlideBesideExport {
            self.pushes.push(Command::Job(JobCommand::Cancel));
            let beside = match (&self.beside_s[..], self.export_began) {
                ([], Some(began)) => format!("more than {:.2} s", began.elapsed().as_secs_f64()),
                (all, _) => format!("{:.2} s", quantile(all, 0.5)),
            };
            let found = format!("{:.2} s alone, {beside} beside the changes", self.export_s);
            self.row(&format!("export of {EXPORTED} frames"), found);
        }
        self.next_stage(ctx);
    }
}

impl eframe::App for Person {
    fn clear_color(&self, visuals: &egui::Visuals) -> [f32; 4] {
        eframe::App::clear_color(&self.app, visuals)
    }

    fn logic(&mut self, ctx: &Context, _: &mut eframe::Frame) {
        let now = Instant::now();
        if let Some(sent) = self.sent.take_if(|sent| sent.is_drawn) {
            self.millis.push((now - sent.at).as_secs_f64() * 1e3);
            self.next_at = now + PAUSE;
        }
        self.advance(ctx, now);
        let (began, cpu) = (Instant::now(), cpu_ms());
        self.app.logic(ctx);
        self.frame = (began.elapsed().as_secs_f64() * 1e3, cpu_ms() - cpu);
    }

    fn ui(&mut self, ui: &mut Ui, _: &mut eframe::Frame) {
        for command in self.pushes.drain(..) {
            self.app.push(command);
        }
        let ctx = ui.ctx().clone();
        let (began, cpu) = (Instant::now(), cpu_ms());
        self.app.ui(ui);
        let (wall, logic_cpu) = self.frame;
        self.own.push((wall + began.elapsed().as_secs_f64() * 1e3, logic_cpu + cpu_ms() - cpu));
        self.frames.fetch_add(1, Ordering::Relaxed);
        let revision = self.revision();
        if let Some(sent) = self.sent.as_mut().filter(|sent| revision > sent.revision) {
            sent.is_drawn = true;
            ctx.request_repaint();
        }
    }
}

/// Processor time of this thread, ms.
fn cpu_ms() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    time.tv_sec as f64 * 1e3 + time.tv_nsec as f64 / 1e6
}

/// Processor time of this process, ticks of 10 ms. Source: `man 5 proc_pid_stat`, fields 14 and 15.
fn ticks() -> u64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = text.rsplit(") ").next().unwrap_or_default();
    after_name.split(' ').skip(11).take(2).filter_map(|field| field.parse::<u64>().ok()).sum()
}
