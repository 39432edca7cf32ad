//! `glassine focus`: which of several scans of the same film is the sharpest, and where.

use std::path::PathBuf;

use clap::Args;
use glassine_engine::{Engine, EngineError, FocusReport, FocusRequest, counted};
use glassine_raster::CancelToken;
use glassine_session::EncodingChoice;

use super::dust::check_target;
use super::new::usage;
use super::reading::parse_encoding;
use super::{Outcome, Printing, print_json, print_line, print_notice, progress};
use crate::platform::user_folders;
use crate::services::focus_report::{report_json, text_lines, write_report};
use crate::services::state_file::{KeptState, StateKeeper};

/// Compare scans of the same film at different holder heights
#[derive(Debug, Args)]
pub struct FocusArgs {
    /// Scans of the same film, such as one for each holder height
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// Holder heights of the files in their order, such as -0.5,0,0.5: tells the best height, tilt and bow
    #[arg(long, value_name = "MM,...", value_delimiter = ',', allow_hyphen_values = true)]
    pub heights_mm: Vec<f64>,
    /// How codes of all files relate to light: linear, srgb, or gamma with its exponent such as gamma2.2; auto reads it
    /// from the files
    #[arg(long, value_name = "linear|srgb|gammaN.N|auto", value_parser = parse_encoding)]
    pub encoding: Option<EncodingChoice>,
    /// Write focus.png and focus.json into this folder
    #[arg(long, value_name = "DIR")]
    pub report: Option<PathBuf>,
    /// Replace an existing report
    #[arg(long)]
    pub replace: bool,
    /// Remember the best height and the measured resolution, for the scan planner
    #[arg(long)]
    pub remember: bool,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &FocusArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    if args.files.len() < 2 {
        return Err(usage(
            "two scans or more are needed to compare them",
            "give scans of the same film, such as one for each holder height",
        ));
    }
    let heights = &args.heights_mm;
    if !heights.is_empty() && heights.len() != args.files.len() {
        return Err(usage(
            &format!("{} given for {}", counted(heights.len(), "height"), counted(args.files.len(), "file")),
            "give one height for each file, in the same order",
        ));
    }
    if heights.iter().any(|height| !height.is_finite()) {
        return Err(usage("a height is not a number", "give heights in millimetres, such as -0.5,0,0.5"));
    }
    let files = args.report.as_ref().map(|folder| (folder.join("focus.png"), folder.join("focus.json")));
    if let Some((picture, document)) = &files {
        check_target(picture, args.replace)?;
        check_target(document, args.replace)?;
    }
    let request = FocusRequest {
        files: args.files.clone(),
        heights_mm: heights.clone(),
        encoding: args.encoding.unwrap_or_default(),
    };
    let report = Engine::new().compare_focus(&request, cancel, &progress)?;
    for (_, notice) in &report.failed {
        print_notice(notice);
    }
    let document = report_json(&report);
    if let Some((picture, text)) = files.as_ref().filter(|_| report.series.is_some()) {
        write_report(&report, &document, (picture, text), args.replace)?;
    }
    if args.remember && report.series.is_some() {
        remember(&report)?;
    }
    if args.printing.json {
        print_json(&document);
    } else {
        text_lines(&report).iter().for_each(|line| print_line(line));
    }
    Ok(if report.failed.is_empty() { Outcome::Done } else { Outcome::SomeFailed })
}

/// Keeps what was measured for the planner, where the window keeps it too.
fn remember(report: &FocusReport) -> Result<(), EngineError> {
    let (Some(folder), Some(thumbnails)) = (user_folders::config(), user_folders::thumbnails()) else {
        return Err(usage("the system names no folder for settings", "set HOME, then try again"));
    };
    let kept = KeptState::read(&folder, thumbnails);
    if let Some(notice) = &kept.notice {
        print_notice(notice);
    }
    let mut keeper = StateKeeper::begin(&kept);
    let mut now = kept.remembered.clone();
    now.scanner = now.scanner.with_focus(report);
    keeper.keep(&now);
    match keeper.finish() {
        Some(trouble) => Err(EngineError::Permanent(trouble)),
        None => Ok(()),
    }
}
