//! Times the start of the window: the program's own start on the demo, in a process of its own, which reports each stage
//! once it is on screen, then closes.

use std::io::Write as _;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use egui::{Context, Ui, ViewportCommand};
use glassine_app::app::GlassineApp;
use glassine_app::platform::aborts;
use glassine_app::window;

use crate::Problem;

/// First argument of the process that is timed.
pub(crate) const START: &str = "--start";

/// Opens the window on the demo as the program does, and closes it when everything is on screen.
pub(crate) fn open(demo_folder: PathBuf) -> Result<(), Problem> {
    let watch = StartWatch::begin();
    aborts::end_in_words();
    glassine_engine::prepare_threads();
    Ok(window::open(Vec::new(), Some(demo_folder), |app| Box::new(Timed { app, watch }))?)
}

/// The program, with a watch beside it.
struct Timed {
    app: GlassineApp,
    watch: StartWatch,
}

impl eframe::App for Timed {
    fn logic(&mut self, ctx: &Context, frame: &mut eframe::Frame) {
        if self.watch.begins() {
            ctx.send_viewport_cmd(ViewportCommand::Close);
        }
        eframe::App::logic(&mut self.app, ctx, frame);
    }

    fn ui(&mut self, ui: &mut Ui, frame: &mut eframe::Frame) {
        eframe::App::ui(&mut self.app, ui, frame);
        let app = &mut self.app;
        let is_idle = app.jobs().is_idle();
        let (requests, previews) = (&app.ui_state().requests, app.previews());
        let has_pictures = !requests.pictures.is_empty()
            && requests.pictures.iter().all(|(key, _)| previews.picture(*key).is_some())
            && requests.overviews.iter().all(|scan| !previews.overview(*scan).is_empty());
        let has_session = !app.session().scans.is_empty();
        self.watch.drawn(has_session, has_pictures && is_idle && previews.is_uploaded());
        ui.ctx().request_repaint();
    }

    fn on_exit(&mut self, gl: Option<&eframe::glow::Context>) {
        eframe::App::on_exit(&mut self.app, gl);
    }

    fn clear_color(&self, visuals: &egui::Visuals) -> [f32; 4] {
        eframe::App::clear_color(&self.app, visuals)
    }

    fn persist_egui_memory(&self) -> bool {
        false
    }
}

/// When the stages of a start were on screen, since the program began.
#[derive(Debug, Clone)]
struct StartWatch {
    began: Instant,
    drawn: Stages,
    shown: Stages,
}

/// Stages, each with the time at which it was first reached.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Stages {
    /// Any frame.
    window: Option<Duration>,
    /// A frame with the boxes of a session.
    session: Option<Duration>,
    /// A frame with every picture that it has room for.
    pictures: Option<Duration>,
}

impl StartWatch {
    /// Starts the watch.
    fn begin() -> Self {
        Self { began: Instant::now(), drawn: Stages::default(), shown: Stages::default() }
    }

    /// Notes that a frame was drawn; it reaches the screen before the next one begins.
    fn drawn(&mut self, has_session: bool, has_pictures: bool) {
        let now = self.began.elapsed();
        self.drawn.window.get_or_insert(now);
        if has_session {
            self.drawn.session.get_or_insert(now);
        }
        if has_session && has_pictures {
            self.drawn.pictures.get_or_insert(now);
        }
    }

    /// Notes that a frame begins: the one before it is on screen. Returns whether every stage was reported.
    fn begins(&mut self) -> bool {
        let now = self.began.elapsed();
        let stages = [
            ("window", self.drawn.window, &mut self.shown.window),
            ("session", self.drawn.session, &mut self.shown.session),
            ("pictures", self.drawn.pictures, &mut self.shown.pictures),
        ];
        for (name, drawn, shown) in stages {
            if drawn.is_some() && shown.is_none() {
                *shown = Some(now);
                // A failed write is ignored: then there is no reader.
                drop(writeln!(std::io::stdout(), "{name} {:.1} ms", now.as_secs_f64() * 1e3));
            }
        }
        self.shown.pictures.is_some()
    }
}
