//! Opening the real window.

use std::path::PathBuf;
use std::sync::Arc;

use egui::ViewportBuilder;
use glassine_engine::files::Run;
use glassine_engine::{Engine, JobHost};

use crate::app::{AppOptions, GlassineApp};
use crate::demo;
use crate::dialogs::SystemPicker;
use crate::end_signals::EndSignal;
use crate::start_watch::StartWatch;
use crate::theme;

/// Size the window begins with, points.
const SIZE: [f32; 2] = [1600.0, 1000.0];
/// Smallest size it can be given.
const LEAST: [f32; 2] = [1000.0, 640.0];

/// Why the window could not be opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WindowError {
    /// There is no display to open it on.
    #[error(
        "there is no display to open a window on (neither WAYLAND_DISPLAY nor DISPLAY is set); \
         `glassine demo --headless` makes the demo strips and exports them, \
         `glassine new`, `show` and `export` do the same for your own scans, all without a window"
    )]
    NoDisplay,
    /// The system refused.
    #[error(
        "the window could not be opened: {reason}; `glassine demo --headless` and `glassine new`, `show`, `export` \
         work without one"
    )]
    Refused {
        /// In the system's words.
        reason: String,
    },
}

/// Open the window on these files, or on the demo session, and stay until it is closed. With a watch it tells how long
/// that took and closes by itself.
pub fn open(
    files: Vec<PathBuf>,
    demo_folder: Option<PathBuf>,
    start_watch: Option<StartWatch>,
) -> Result<(), WindowError> {
    if !has_display() {
        return Err(WindowError::NoDisplay);
    }
    let begin_with_demo = files.is_empty();
    let mut options = AppOptions {
        inline_jobs: false,
        open: files,
        demo_folder: Some(demo_folder.unwrap_or_else(demo::default_folder)),
        begin_with_demo,
        light: false,
        start_watch,
        ..AppOptions::default()
    };
    let viewport = ViewportBuilder::default()
        .with_title("Glassine")
        .with_app_id("glassine")
        .with_inner_size(SIZE)
        .with_min_inner_size(LEAST)
        .with_drag_and_drop(true);
    let native = native_options(viewport);
    let create = move |creation: &eframe::CreationContext<'_>| {
        theme::apply(&creation.egui_ctx, true);
        let ctx = creation.egui_ctx.clone();
        options.end_signal = EndSignal::watch(move || ctx.request_repaint());
        let ctx = creation.egui_ctx.clone();
        let wake = Arc::new(move || ctx.request_repaint());
        let run = Run::begin(data_folder().as_deref());
        let engine = Engine::with_cache_folder(cache_folder()).in_run(Arc::new(run));
        let jobs = JobHost::threaded(Arc::new(engine), wake);
        let app = GlassineApp::new(jobs, Box::new(SystemPicker::default()), options);
        Ok(Box::new(app) as Box<dyn eframe::App>)
    };
    eframe::run_native("Glassine", native, Box::new(create))
        .map_err(|error| WindowError::Refused { reason: plain_reason(&error.to_string()) })
}

/// How the toolkit opens the window.
///
/// Pictures reach the screen as they were made, already dithered; a second dither by the toolkit would change them, and
/// cost a software renderer a good part of every frame.
pub fn native_options(viewport: ViewportBuilder) -> eframe::NativeOptions {
    eframe::NativeOptions { viewport, dithering: false, ..eframe::NativeOptions::default() }
}

/// The last part of the toolkit's message: what comes before names places in its source.
fn plain_reason(message: &str) -> String {
    message.rsplit(": ").next().unwrap_or(message).to_owned()
}

/// Where sessions without a file are autosaved; `None` when it can't be made, and then they are not.
fn data_folder() -> Option<PathBuf> {
    let folder = directories::ProjectDirs::from("", "", "glassine")?.data_local_dir().to_path_buf();
    std::fs::create_dir_all(&folder).ok().map(|()| folder)
}

/// Where overviews are kept while a session has no file; `None` when the system names no place.
fn cache_folder() -> Option<PathBuf> {
    Some(directories::ProjectDirs::from("", "", "glassine")?.cache_dir().join("overviews"))
}

/// Whether a display is named in the environment, where the system names it there.
fn has_display() -> bool {
    if !cfg!(all(unix, not(target_os = "macos"))) {
        return true;
    }
    ["WAYLAND_DISPLAY", "WAYLAND_SOCKET", "DISPLAY"]
        .iter()
        .any(|name| std::env::var_os(name).is_some_and(|value| !value.is_empty()))
}
