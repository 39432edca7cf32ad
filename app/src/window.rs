//! Opens the real window.

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind, set_hook, take_hook};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use egui::{IconData, ViewportBuilder, ViewportCommand, pos2, vec2};
use glassine_engine::session_files::Run;
use glassine_engine::{Engine, JobHost};
use glassine_scanfile::decode_own_png;

use crate::app::{AppOptions, GlassineApp};
use crate::model::remembered::WindowPlace;
use crate::platform::display::{self, Display, Named, NoDisplay};
use crate::platform::end_signals::EndSignal;
use crate::platform::screen_profile::ScreenLookup;
use crate::platform::screens::{Fitted, Screen, fitted, wanted_size};
use crate::platform::user_folders;
use crate::services::demo_session;
use crate::services::file_dialogs::SystemPicker;
use crate::services::state_file::KeptState;
use crate::widgets::theme;

/// Smallest size of the window, points.
const LEAST: [f32; 2] = [1000.0, 640.0];

/// The program's sign, for systems that ask the window for it.
fn icon() -> IconData {
    let decoded = decode_own_png(include_bytes!("../../assets/icon/glassine-128.png"));
    decoded.map_or_else(IconData::default, |(width, height, rgba)| IconData { rgba, width, height })
}

/// Why the window could not be opened.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WindowError {
    /// There is no display for it.
    #[error(
        "there is no display to open a window on ({reason}); \
         `glassine demo --headless` makes the demo strips and exports them, \
         `glassine new`, `show` and `export` do the same for your own scans, all without a window"
    )]
    NoDisplay {
        /// Which variable is missing or invalid.
        reason: String,
    },
    /// The system refused.
    #[error(
        "the window could not be opened: {reason}; {advice}; `glassine demo --headless` and `glassine new`, `show`, \
         `export` work without one"
    )]
    Refused {
        /// In the system's words.
        reason: String,
        /// What the user can do about it.
        advice: String,
    },
}

/// Opens the window on these files, on the demo session if its folder is given, or on the welcome page, and returns once it
/// is closed.
///
/// The toolkit runs what `wrap` makes of the program: the program itself, or something that watches it.
pub fn open(
    files: Vec<PathBuf>,
    demo_folder: Option<PathBuf>,
    wrap: impl FnOnce(GlassineApp) -> Box<dyn eframe::App>,
) -> Result<(), WindowError> {
    let named = Named::of_process();
    let display = named.choose().map_err(no_display)?;
    let begin_with_demo = files.is_empty() && demo_folder.is_some();
    let mut options = AppOptions {
        inline_jobs: false,
        open: files,
        demo_folder: Some(demo_folder.unwrap_or_else(demo_session::default_folder)),
        begin_with_demo,
        light: false,
        state: kept_state(),
        screen: if named.is_wayland(display) { ScreenLookup::Compositor } else { ScreenLookup::X11(None) },
        ..AppOptions::default()
    };
    let place = options.state.remembered.window.clone();
    let viewport = ViewportBuilder::default()
        .with_title("Glassine")
        .with_app_id("glassine")
        .with_inner_size(wanted_size(&place).map(|side| side as f32))
        .with_min_inner_size(LEAST)
        .with_maximized(place.maximized)
        .with_icon(icon())
        .with_drag_and_drop(true);
    let native = eframe::NativeOptions { event_loop_builder: on(display), ..native_options(viewport) };
    let start = Arc::new(Start::default());
    let stage = Arc::clone(&start);
    let create = move |creation: &eframe::CreationContext<'_>| {
        stage.is_over.store(true, Ordering::SeqCst);
        theme::apply(&creation.egui_ctx, !options.state.remembered.light);
        put_in_place(creation, &place);
        let ctx = creation.egui_ctx.clone();
        options.end_signal = EndSignal::watch(move || ctx.request_repaint());
        let ctx = creation.egui_ctx.clone();
        let wake = Arc::new(move || ctx.request_repaint());
        let run = Run::begin(user_folders::data().as_deref());
        let engine = Engine::with_cache_folder(user_folders::overviews()).in_run(Arc::new(run));
        let jobs = JobHost::threaded(Arc::new(engine), wake);
        let app = GlassineApp::new(jobs, Box::new(SystemPicker::default()), options);
        Ok(wrap(app))
    };
    let refused = |reason: &str| WindowError::Refused {
        reason: plain_reason(reason),
        advice: advice(reason, &named.missing_libraries(display)),
    };
    start.keep_panics_quiet();
    match catch_unwind(AssertUnwindSafe(|| eframe::run_native("Glassine", native, Box::new(create)))) {
        Ok(ended) => ended.map_err(|error| refused(&error.to_string())),
        Err(panic) if start.is_over.load(Ordering::SeqCst) => resume_unwind(panic),
        Err(panic) => Err(refused(&panic_text(panic.as_ref()))),
    }
}

/// What the last run left, if this system has a folder for it.
fn kept_state() -> KeptState {
    match (user_folders::config(), user_folders::thumbnails()) {
        (Some(folder), Some(thumbnails)) => KeptState::read(&folder, thumbnails),
        _ => KeptState::default(),
    }
}

/// Makes the window fit its screen, and puts it where it was left. It is shown only after its first frame.
fn put_in_place(creation: &eframe::CreationContext<'_>, place: &WindowPlace) {
    let Some(window) = creation.winit_window() else { return };
    if place.maximized {
        return;
    }
    let mut screens: Vec<Screen> = window
        .available_monitors()
        .map(|monitor| Screen {
            name: monitor.name(),
            corner_px: [monitor.position().x, monitor.position().y],
            size_px: [monitor.size().width, monitor.size().height],
            scale: monitor.scale_factor(),
        })
        .filter(|screen| screen.size_px.iter().all(|side| *side > 0))
        .collect();
    let main = window.primary_monitor().and_then(|monitor| monitor.name());
    screens.sort_by_key(|screen| screen.name != main);
    let Fitted { size_points, corner_px } = fitted(place, &screens);
    let [width, height] = size_points.map(|side| side as f32);
    let ctx = &creation.egui_ctx;
    if width < LEAST[0] || height < LEAST[1] {
        let least = vec2(width.min(LEAST[0]), height.min(LEAST[1]));
        ctx.send_viewport_cmd(ViewportCommand::MinInnerSize(least));
    }
    if size_points != wanted_size(place) {
        ctx.send_viewport_cmd(ViewportCommand::InnerSize(vec2(width, height)));
    }
    // Where the system alone places windows, it does not say where they are.
    if let Some([x, y]) = corner_px.filter(|_| window.outer_position().is_ok()) {
        let scale = window.scale_factor() as f32;
        ctx.send_viewport_cmd(ViewportCommand::OuterPosition(pos2(x as f32 / scale, y as f32 / scale)));
    }
}

/// State of the window's start. Until it is over, a panic comes from a library the toolkit could not load, and becomes
/// a message.
#[derive(Debug, Default)]
struct Start {
    is_over: AtomicBool,
}

impl Start {
    fn keep_panics_quiet(self: &Arc<Self>) {
        let (start, usual) = (Arc::clone(self), take_hook());
        let starting = std::thread::current().id();
        set_hook(Box::new(move |panic| {
            if start.is_over.load(Ordering::SeqCst) || std::thread::current().id() != starting {
                usual(panic);
            }
        }));
    }
}

fn panic_text(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().map(String::as_str).or_else(|| panic.downcast_ref().copied());
    text.unwrap_or("the window toolkit stopped").trim_end_matches('.').to_owned()
}

fn no_display(why: NoDisplay) -> WindowError {
    let reason = match why {
        NoDisplay::Unnamed => "neither WAYLAND_DISPLAY nor DISPLAY is set".to_owned(),
        NoDisplay::Stale(why) => format!("{why}, and DISPLAY is not set"),
    };
    WindowError::NoDisplay { reason }
}

/// Advice for this reason and these missing libraries.
fn advice(reason: &str, missing: &[&str]) -> String {
    if !cfg!(target_os = "linux") {
        return "check that the graphics driver is installed".to_owned();
    }
    let lacking = match missing {
        [] if reason.contains("X server") => {
            return "check that DISPLAY names a display that runs".to_owned();
        }
        [] => "on a small system, libraries may be missing".to_owned(),
        names => format!("this system has no {}", names.join(", ")),
    };
    format!("{lacking}: `{}` installs what the window needs (Debian, Ubuntu)", display::INSTALL)
}

/// Tells the toolkit which display to use if it would choose another.
#[cfg(all(unix, not(target_os = "macos")))]
fn on(display: Display) -> Option<eframe::EventLoopBuilderHook> {
    use winit::platform::x11::EventLoopBuilderExtX11 as _;
    (display == Display::X11InsteadOfWayland).then(|| {
        Box::new(|builder: &mut eframe::EventLoopBuilder<eframe::UserEvent>| {
            builder.with_x11();
        }) as eframe::EventLoopBuilderHook
    })
}

#[cfg(not(all(unix, not(target_os = "macos"))))]
fn on(_display: Display) -> Option<eframe::EventLoopBuilderHook> {
    None
}

/// How the toolkit opens the window.
///
/// Pictures reach the screen as they were made, already dithered; a second dither by the toolkit would change them, and
/// cost a software renderer a good part of every frame.
pub fn native_options(viewport: ViewportBuilder) -> eframe::NativeOptions {
    eframe::NativeOptions { viewport, dithering: false, ..eframe::NativeOptions::default() }
}

/// The last part of the toolkit's message, because the text before it names places in its source.
///
/// If there is no driver, that part only says which of its searches failed.
fn plain_reason(message: &str) -> String {
    let last = message.rsplit(": ").next().unwrap_or(message);
    let is_about_drawing =
        last == "not found" || ["GLX", "EGL", "config"].iter().any(|word| last.contains(word));
    if is_about_drawing { format!("no OpenGL driver was found ({last})") } else { last.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refusal_names_the_missing_library_and_the_line_that_installs_it() {
        let advice = advice("Library libxkbcommon-x11.so could not be loaded", &["libxkbcommon-x11.so.0"]);
        assert!(advice.contains("libxkbcommon-x11.so.0") && advice.contains(display::INSTALL), "{advice}");
        assert_eq!(plain_reason("glutin error: not found"), "no OpenGL driver was found (not found)");
        assert_eq!(plain_reason("winit: Failed to open connection"), "Failed to open connection");
    }

    #[test]
    fn a_panic_of_the_toolkit_is_told_in_its_words() {
        let panic = catch_unwind(|| panic!("Library libxkbcommon-x11.so could not be loaded."));
        let text = panic_text(panic.expect_err("it panicked").as_ref());
        assert_eq!(text, "Library libxkbcommon-x11.so could not be loaded");
    }
}
