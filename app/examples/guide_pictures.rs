//! Draws the pictures of the guide: the window with the demo session, drawn by the processor. `cargo xtask guide` runs it
//! and makes the files small.
//!
//! `cargo run -p glassine --example guide_pictures -- SESSION FOLDER`
#![expect(clippy::print_stdout, reason = "a chore names what it wrote")]

#[path = "../tests/offscreen/mod.rs"]
mod offscreen;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Parser;
use egui::vec2;
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{
    ColourCommand, EditCommand, ExportCommand, SelectCommand, SelectHow, ViewCommand,
};
use glassine_app::model::colour_tools::VariationKind;
use glassine_app::model::panels::Section;
use glassine_app::services::file_dialogs::PreparedPicker;
use glassine_engine::{Engine, JobHost, Overlay};
use glassine_film::Param;
use glassine_session::{FrameId, OutputSettings};
use offscreen::{HeadlessWindow, WindowPicture, save_png};

type Problem = Box<dyn std::error::Error>;

/// Size of the window in points, and pixels for one.
const SIZE: (f32, f32) = (1280.0, 800.0);
/// Frames after which a window that is still busy is drawn as it is.
const FRAME_LIMIT: usize = 2_000;

/// Draw the pictures of the guide
#[derive(Debug, Parser)]
struct Args {
    /// The demo session
    session: PathBuf,
    /// Folder to write into
    to: PathBuf,
}

/// A picture: its name, the frame selected, the section open, what is done to the window, and the part of it that is
/// kept (left, top, right, bottom as shares).
struct Shot {
    name: &'static str,
    frame: u32,
    section: Option<Section>,
    commands: fn(&mut GlassineApp),
    part: [f32; 4],
}

const WHOLE: [f32; 4] = [0.0, 0.0, 1.0, 1.0];
/// A pane in the middle of the window.
const MIDDLE: [f32; 4] = [0.12, 0.0525, 0.88, 0.96];

const SHOTS: [Shot; 10] = [
    Shot { name: "window", frame: 7, section: Some(Section::Exposure), commands: |_| (), part: WHOLE },
    Shot {
        name: "base-pixels",
        frame: 7,
        section: Some(Section::Film),
        commands: |app| app.push(ViewCommand::ShowBasePixels(true)),
        part: [0.0, 0.0525, 1.0, 0.27],
    },
    Shot {
        name: "tolerances",
        frame: 10,
        section: Some(Section::Film),
        commands: |app| variations(app, VariationKind::MaskTolerance),
        part: MIDDLE,
    },
    Shot {
        name: "test-strip",
        frame: 8,
        section: Some(Section::Exposure),
        commands: |app| variations(app, VariationKind::Exposure),
        part: MIDDLE,
    },
    Shot {
        name: "ring-around",
        frame: 9,
        section: Some(Section::Colour),
        commands: |app| variations(app, VariationKind::RingAround),
        part: MIDDLE,
    },
    Shot {
        name: "tones",
        frame: 14,
        section: None,
        commands: |app| {
            app.push(EditCommand::SetParam(Param::ExposureStops, 2.0));
            app.push(ViewCommand::SetOverlay(Overlay::Clipping));
        },
        part: [0.0, 0.44, 1.0, 0.97],
    },
    Shot {
        name: "dust",
        frame: 8,
        section: Some(Section::Clean),
        commands: |app| app.push(ViewCommand::SetOverlay(Overlay::DustMap)),
        part: [0.0, 0.4, 1.0, 0.97],
    },
    Shot {
        name: "stock",
        frame: 4,
        section: Some(Section::Film),
        commands: |app| app.push(ColourCommand::ShowChart(true)),
        part: [0.0, 0.3, 1.0, 0.97],
    },
    Shot {
        name: "contact",
        frame: 7,
        section: None,
        commands: |app| app.push(ViewCommand::ShowContact(true)),
        part: WHOLE,
    },
    Shot {
        name: "export",
        frame: 7,
        section: Some(Section::Output),
        commands: |app| {
            let output = app.session().output.clone();
            let folder = Some(PathBuf::from("/pictures/sallow quay"));
            app.push(ExportCommand::SetOutput(OutputSettings { folder, ..output }));
            app.push(ViewCommand::ShowExport(true));
        },
        part: MIDDLE,
    },
];

fn variations(app: &mut GlassineApp, kind: VariationKind) {
    app.push(ColourCommand::ShowVariations(Some(kind)));
}

fn main() -> Result<(), Problem> {
    let args = Args::parse();
    std::fs::create_dir_all(&args.to)?;
    for shot in SHOTS {
        let picture = draw(&args.session, &shot)?;
        let path = args.to.join(format!("{}.png", shot.name));
        save_png(&picture, &path, true).map_err(|error| error.headline())?;
        println!("{}: {} x {} px", path.display(), picture.width_px, picture.height_px);
    }
    Ok(())
}

/// A folder with the session and links to its scans, so that each picture begins with the session as it is in its file,
/// and nothing is saved beside that.
fn desk(session: &Path) -> std::io::Result<(tempfile::TempDir, PathBuf)> {
    let desk = tempfile::tempdir()?;
    let folder = session.parent().unwrap_or(Path::new(".")).canonicalize()?;
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        if path.extension().is_some_and(|ending| ending == "tif") {
            std::os::unix::fs::symlink(&path, desk.path().join(path.file_name().unwrap_or_default()))?;
        }
    }
    let copy = desk.path().join(session.file_name().unwrap_or_default());
    std::fs::copy(session, &copy)?;
    Ok((desk, copy))
}

fn draw(session: &Path, shot: &Shot) -> Result<WindowPicture, Problem> {
    let (_desk, session) = desk(session)?;
    let options = AppOptions { inline_jobs: true, open: vec![session], ..AppOptions::default() };
    let jobs = JobHost::inline(Arc::new(Engine::new()));
    let mut app = GlassineApp::new(jobs, Box::new(PreparedPicker::default()), options);
    let mut window = HeadlessWindow::new(vec2(SIZE.0, SIZE.1), 1.0);
    window.settle(&mut app, FRAME_LIMIT);
    let is_it = |number: u32| number == shot.frame;
    let found = app.session().frames.iter().find(|frame| is_it(frame.number)).map(|frame| frame.id);
    let frame: FrameId = found.ok_or_else(|| format!("the session has no frame {}", shot.frame))?;
    app.push(SelectCommand::Frame(frame, SelectHow::Only));
    app.ui_state_mut().panels.open = shot.section;
    (shot.commands)(&mut app);
    window.settle(&mut app, FRAME_LIMIT);
    let picture = window.picture(false).ok_or("no frame was drawn")?;
    Ok(part_of(&picture, shot.part))
}

/// The part of a picture between these shares of its sides.
fn part_of(picture: &WindowPicture, [left, top, right, bottom]: [f32; 4]) -> WindowPicture {
    let at = |share: f32, side: u32| ((share * side as f32).round() as u32).min(side);
    let (x0, x1) = (at(left, picture.width_px), at(right, picture.width_px));
    let (y0, y1) = (at(top, picture.height_px), at(bottom, picture.height_px));
    let row = |y: u32| {
        let begin = 4 * (y * picture.width_px + x0) as usize;
        picture.rgba[begin..begin + 4 * (x1 - x0) as usize].iter().copied()
    };
    WindowPicture { width_px: x1 - x0, height_px: y1 - y0, rgba: (y0..y1).flat_map(row).collect() }
}
