//! Draws the window into a PNG without a display: for documentation, and to see a session on a machine without a
//! screen.
//!
//! `cargo run --release -p glassine --example window_picture -- OUT.png --open FILE`
#![expect(clippy::print_stdout, reason = "a chore names what it wrote")]

#[path = "../tests/offscreen/mod.rs"]
mod offscreen;

use std::path::PathBuf;
use std::sync::Arc;

use clap::{Parser, ValueEnum};
use egui::vec2;
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{
    ColourCommand, FileCommand, JobCommand, SelectCommand, SelectHow, SharpnessCommand, ViewCommand,
};
use glassine_app::model::colour_tools::VariationKind;
use glassine_app::model::guide;
use glassine_app::model::panels::Section;
use glassine_app::model::questions::Answer;
use glassine_app::model::sharpness_state::FocusPane;
use glassine_app::services::file_dialogs::PreparedPicker;
use glassine_engine::{Engine, JobHost, Overlay};
use glassine_raster::PixelRect;
use offscreen::{HeadlessWindow, save_png};

type Problem = Box<dyn std::error::Error>;

/// Frames after which a window that is still busy is drawn as it is.
const FRAME_LIMIT: usize = 2_000;

/// Draw the window without a display
#[derive(Debug, Parser)]
struct WindowPictureArgs {
    /// PNG to write
    out: PathBuf,
    /// Session file or scans to open; the window is empty if omitted
    #[arg(long = "open", value_name = "FILE")]
    open: Vec<PathBuf>,
    /// Size of the window in points
    #[arg(long, value_name = "WxH", default_value = "1600x1000")]
    size: String,
    /// Pixels for one point
    #[arg(long, default_value_t = 1.0)]
    scale: f32,
    /// Light surround
    #[arg(long)]
    light: bool,
    /// Number of the frame to select
    #[arg(long)]
    frame: Option<u32>,
    /// Pane over the window
    #[arg(long, value_enum)]
    pane: Option<Pane>,
    /// Page of the guide to show, by the name of its file
    #[arg(long, value_name = "NAME")]
    guide: Option<String>,
    /// Words to search the guide for
    #[arg(long, value_name = "WORDS", requires = "guide")]
    search: Option<String>,
    /// Section of the settings to open; without one none is open in the contact print
    #[arg(long, value_name = "NAME")]
    section: Option<String>,
    /// Show every strip as a contact print
    #[arg(long)]
    contact: bool,
    /// Show scan pixels one to one instead of the whole frame
    #[arg(long)]
    loupe: bool,
    /// Measure the slanted edge in this part of the first scan: X,Y,W,H
    #[arg(long, value_name = "X,Y,W,H")]
    edge: Option<String>,
    /// Take the sharpening that the frame's blur and grain suggest
    #[arg(long)]
    suggest: bool,
    /// Mark where the overshoot limit acts
    #[arg(long)]
    limit: bool,
    /// Compare these scans of one film
    #[arg(long, value_name = "FILE")]
    compare: Vec<PathBuf>,
    /// Their holder heights, such as -0.5,0,0.5
    #[arg(long, value_name = "MM,...", value_delimiter = ',', allow_hyphen_values = true)]
    heights: Vec<String>,
    /// Replace an existing file
    #[arg(long)]
    replace: bool,
}

/// A pane over the window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Pane {
    /// The export pane.
    Export,
    /// The frame in stepped exposures.
    TestStrip,
    /// The frame with colour steps around its balance.
    RingAround,
    /// The frame in stepped mask tolerances.
    Tolerances,
    /// Measuring a stock on the frame.
    Stock,
}

fn main() -> Result<(), Problem> {
    let args = WindowPictureArgs::parse();
    let size = parse_size(&args.size).ok_or("give --size 1600x1000")?;
    if !(0.5..=4.0).contains(&args.scale) {
        return Err("give --scale between 0.5 and 4".into());
    }
    let options =
        AppOptions { inline_jobs: true, open: args.open.clone(), light: args.light, ..AppOptions::default() };
    let jobs = JobHost::inline(Arc::new(Engine::new()));
    let mut app = GlassineApp::new(jobs, Box::new(PreparedPicker::default()), options);
    let mut window = HeadlessWindow::new(vec2(size.0, size.1), args.scale);
    window.settle(&mut app, FRAME_LIMIT);
    if app.ui_state().question.is_some() {
        // Accept the question's defaults: film and format are recognised.
        app.push(FileCommand::Answer(Answer::Yes));
        window.settle(&mut app, FRAME_LIMIT);
    }
    prepare(&mut app, &args)?;
    window.settle(&mut app, FRAME_LIMIT);
    let picture = window.picture(args.light).ok_or("no frame was drawn")?;
    save_png(&picture, &args.out, args.replace).map_err(|error| error.headline())?;
    println!("{}: {} x {} px", args.out.display(), picture.width_px, picture.height_px);
    Ok(())
}

fn prepare(app: &mut GlassineApp, args: &WindowPictureArgs) -> Result<(), Problem> {
    if let Some(number) = args.frame {
        let found = app.session().frames.iter().find(|frame| frame.number == number).map(|frame| frame.id);
        let id = found.ok_or_else(|| format!("there is no frame {number}"))?;
        app.push(SelectCommand::Frame(id, SelectHow::Only));
    }
    app.push(ViewCommand::SetLoupe(args.loupe));
    if args.suggest {
        app.push(JobCommand::SuggestSharpening);
    }
    if args.limit {
        app.push(ViewCommand::SetOverlay(Overlay::OvershootLimit));
    }
    if let Some(text) = &args.edge {
        let numbers: Vec<u32> = text.split(',').filter_map(|part| part.trim().parse().ok()).collect();
        let [x, y, width, height] = numbers[..] else { return Err("give --edge X,Y,W,H".into()) };
        let scan = app.session().scans.first().map(|scan| scan.id).ok_or("there is no scan")?;
        app.push(SharpnessCommand::MeasureEdge(scan, PixelRect::new(x, y, x + width, y + height)));
    }
    if !args.compare.is_empty() {
        let mut pane = FocusPane::new(args.compare.clone());
        for ((_, height), given) in pane.scans.iter_mut().zip(&args.heights) {
            height.clone_from(given);
        }
        app.ui_state_mut().focus = Some(pane);
        app.push(SharpnessCommand::CompareFocus);
    }
    if args.contact {
        app.push(ViewCommand::ShowContact(true));
        app.ui_state_mut().panels.open = None;
    }
    if let Some(name) = &args.section {
        let section = Section::ALL.into_iter().find(|section| section.title() == name);
        let section = section.ok_or("give film, exposure, colour, clean, sharpen or output")?;
        app.ui_state_mut().panels.open = Some(section);
    }
    if let Some(name) = &args.guide {
        let page = guide::page(name).ok_or("the guide has no such page")?;
        app.push(ViewCommand::ShowGuide(Some(page.name)));
        app.ui_state_mut().guide.search = args.search.clone().unwrap_or_default();
        app.ui_state_mut().guide.scrolls_to_hit = true;
    }
    let variations = |kind| ColourCommand::ShowVariations(Some(kind));
    match args.pane {
        Some(Pane::Export) => app.push(ViewCommand::ShowExport(true)),
        Some(Pane::TestStrip) => app.push(variations(VariationKind::Exposure)),
        Some(Pane::RingAround) => app.push(variations(VariationKind::RingAround)),
        Some(Pane::Tolerances) => app.push(variations(VariationKind::MaskTolerance)),
        Some(Pane::Stock) => app.push(ColourCommand::ShowChart(true)),
        None => {}
    }
    Ok(())
}

fn parse_size(text: &str) -> Option<(f32, f32)> {
    let (width, height) = text.split_once(['x', 'X', '×'])?;
    let side = |text: &str| text.trim().parse().ok().filter(|side: &f32| (200.0..=8000.0).contains(side));
    side(width).zip(side(height))
}
