//! `glassine window-picture`: the window as a PNG, without a display. For documentation, and to view a session on a
//! machine without a screen.

use std::path::PathBuf;
use std::sync::Arc;

use clap::{Args, ValueEnum};
use egui::vec2;
use glassine_engine::{Engine, EngineError, JobHost, Notice, Severity};

use super::new::usage;
use super::{Outcome, print_line};
use crate::app::{AppOptions, GlassineApp};
use crate::commands::{ColourCommand, Command, FileCommand, SelectCommand, SelectHow, ViewCommand};
use crate::headless::{HeadlessWindow, save_png};
use crate::model::colour_tools::VariationKind;
use crate::model::panels::Section;
use crate::model::questions::Answer;
use crate::services::file_dialogs::PreparedPicker;

/// Frames after which a window that is still busy is drawn as it is.
const FRAME_LIMIT: usize = 2_000;

/// Draw the window without a display
#[derive(Debug, Args)]
pub struct WindowPictureArgs {
    /// PNG to write
    pub out: PathBuf,
    /// Session file or scans to open; the window is empty if omitted
    #[arg(long = "open", value_name = "FILE")]
    pub open: Vec<PathBuf>,
    /// Size of the window in points
    #[arg(long, value_name = "WxH", default_value = "1600x1000")]
    pub size: String,
    /// Pixels for one point
    #[arg(long, default_value_t = 1.0)]
    pub scale: f32,
    /// Light surround
    #[arg(long)]
    pub light: bool,
    /// Number of the frame to select
    #[arg(long)]
    pub frame: Option<u32>,
    /// Pane over the window
    #[arg(long, value_enum)]
    pub pane: Option<Pane>,
    /// Section of the settings to open; the others are folded
    #[arg(long, value_name = "NAME")]
    pub section: Option<String>,
    /// Show scan pixels one to one instead of the whole frame
    #[arg(long)]
    pub loupe: bool,
    /// Replace an existing file
    #[arg(long)]
    pub replace: bool,
}

/// A pane over the window.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Pane {
    /// The export pane.
    Export,
    /// The table of keys.
    Keys,
    /// The frame in stepped exposures.
    TestStrip,
    /// The frame with colour steps around its balance.
    RingAround,
    /// The frame in stepped mask tolerances.
    Tolerances,
    /// Measuring a stock on the frame.
    Stock,
}

pub(super) fn run(args: &WindowPictureArgs) -> Result<Outcome, EngineError> {
    let size = parse_size(&args.size)
        .ok_or_else(|| usage(&format!("“{}” is no window size", args.size), "give --size 1600x1000"))?;
    if !(0.5..=4.0).contains(&args.scale) {
        return Err(usage("the scale is out of range", "give --scale between 0.5 and 4"));
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
    prepare(&mut app, args)?;
    window.settle(&mut app, FRAME_LIMIT);
    let picture = window.picture(args.light).ok_or(EngineError::Cancelled)?;
    save_png(&picture, &args.out, args.replace).map_err(|error| {
        let hint = "choose another name or folder, or give --replace";
        EngineError::Told(Notice::new(Severity::Error, error.headline(), hint).about(&args.out))
    })?;
    print_line(&format!("{}: {} x {} px", args.out.display(), picture.width_px, picture.height_px));
    Ok(Outcome::Done)
}

fn prepare(app: &mut GlassineApp, args: &WindowPictureArgs) -> Result<(), EngineError> {
    if let Some(number) = args.frame {
        let found = app.session().frames.iter().find(|frame| frame.number == number).map(|frame| frame.id);
        let id = found
            .ok_or_else(|| usage(&format!("there is no frame {number}"), "give the number of a frame"))?;
        app.push(SelectCommand::Frame(id, SelectHow::Only));
    }
    app.push(ViewCommand::SetLoupe(args.loupe));
    if let Some(name) = &args.section {
        let section = Section::ALL.into_iter().find(|section| section.title() == name);
        let section = section.ok_or_else(|| {
            usage(
                &format!("there is no section “{name}”"),
                "give film, exposure, colour, clean, sharpen or output",
            )
        })?;
        app.ui_state.panels.folded = Section::ALL.into_iter().filter(|other| *other != section).collect();
    }
    match args.pane {
        Some(Pane::Export) => app.push(ViewCommand::ShowExport(true)),
        Some(Pane::Keys) => app.push(ViewCommand::ShowKeys(true)),
        Some(Pane::TestStrip) => app.push(proofs(VariationKind::Exposure)),
        Some(Pane::RingAround) => app.push(proofs(VariationKind::RingAround)),
        Some(Pane::Tolerances) => app.push(proofs(VariationKind::MaskTolerance)),
        Some(Pane::Stock) => app.push(ColourCommand::ShowChart(true)),
        None => {}
    }
    Ok(())
}

fn proofs(kind: VariationKind) -> Command {
    Command::Colour(ColourCommand::ShowVariations(Some(kind)))
}

fn parse_size(text: &str) -> Option<(f32, f32)> {
    let (width, height) = text.split_once(['x', 'X', '×'])?;
    let side = |text: &str| text.trim().parse().ok().filter(|side: &f32| (200.0..=8000.0).contains(side));
    side(width).zip(side(height))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn window_sizes_are_two_sane_numbers() {
        assert_eq!(parse_size("1600x1000"), Some((1600.0, 1000.0)));
        assert_eq!(parse_size("1280 × 720"), Some((1280.0, 720.0)));
        for bad in ["", "1600", "0x0", "1600xNaN", "99999x1000", "axb"] {
            assert_eq!(parse_size(bad), None, "{bad}");
        }
    }
}
