//! `glassine measure-stock`: fit a stock to a chart or wedge on a frame, without a window.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use glassine_engine::{
    ChartPlace, Engine, EngineError, Notice, SessionAt, Severity, StockReport, StockTarget, files,
};
use glassine_raster::{CancelToken, Point};
use glassine_scanfile::{Overwrite, write_bytes_atomic};
use glassine_session::StripId;
use serde_json::Value;

use super::new::usage;
use super::{Outcome, Printing, complain, engine_beside, frame_number, open, print_json, say};
use crate::colour::parse_densities;

/// Measure a stock from a 24-patch chart or a neutral wedge on a frame
#[derive(Debug, Args)]
pub struct MeasureStockArgs {
    /// Session file
    pub session: PathBuf,
    /// Number of the frame that shows the chart, as it is shown, such as 5 or 12A
    #[arg(long)]
    pub frame: String,
    /// Scan pixels of the chart's outer corners: first patch, end of the first row, last patch, begin of the last row
    #[arg(long, value_name = "\"X,Y X,Y X,Y X,Y\"")]
    pub corners: String,
    /// A neutral wedge instead of the chart: density of each step, from the first corner to the second
    #[arg(long, value_name = "D,D,D")]
    pub wedge: Option<String>,
    /// Name of the stock
    #[arg(long)]
    pub name: String,
    /// Solve the strip of the frame, or all strips of its film, with the stock and save the session
    #[arg(long, value_enum)]
    pub apply: Option<Apply>,
    /// Write the stock to a file of its own
    #[arg(long, value_name = "FILE.json")]
    pub save: Option<PathBuf>,
    /// Replace a stock file that is there
    #[arg(long)]
    pub replace: bool,
    /// How it is printed.
    #[command(flatten)]
    pub printing: Printing,
}

/// Which strips use the stock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Apply {
    /// The strip the frame is on.
    Strip,
    /// Every strip of that kind of film.
    All,
}

pub(super) fn run(args: &MeasureStockArgs) -> Result<Outcome, EngineError> {
    let corners = parse_corners(&args.corners).ok_or_else(|| {
        usage(
            &format!("“{}” are no four corners", args.corners),
            "give --corners \"100,200 900,205 898,700 99,695\" in scan pixels",
        )
    })?;
    let target = match &args.wedge {
        None => StockTarget::Chart24,
        Some(text) => {
            let spaced = if text.contains(' ') { text.clone() } else { text.replace(',', " ") };
            let densities_d = parse_densities(&spaced)
                .ok_or_else(|| usage(&format!("“{text}” are no densities"), "give --wedge 0.05,0.20,0.35"))?;
            StockTarget::Wedge { densities_d }
        }
    };
    let cancel = CancelToken::new();
    let engine = engine_beside(&args.session);
    let (at, notices) = open(&args.session, &cancel)?;
    notices.iter().for_each(complain);
    let number = frame_number(&at.session, &args.frame);
    let frame = at.session.frames.iter().find(|frame| Some(frame.number) == number);
    let frame = frame
        .ok_or_else(|| usage(&format!("there is no frame {}", args.frame), "give the number of a frame"))?
        .clone();
    let report =
        engine.measure_stock(&at, frame.id, &ChartPlace { corners }, &target, args.name.trim(), &cancel)?;
    let strips = strips_for(&at, frame.strip, args.apply, &report);
    if let Some(path) = &args.save {
        let overwrite = if args.replace { Overwrite::Replace } else { Overwrite::Never };
        write_bytes_atomic(path, report.stock.to_json().as_bytes(), overwrite, None).map_err(|error| {
            let hint = "choose another name or folder, or give --replace";
            EngineError::Told(Notice::new(Severity::Error, error.to_string(), hint).about(path))
        })?;
    }
    if args.apply.is_some() {
        apply(&engine, &at, &report, &strips, args, &cancel)?;
    }
    if args.printing.json {
        print_json(&document(&report, &strips, args));
    } else {
        print_text(&report, &strips, args);
    }
    Ok(Outcome::Done)
}

fn strips_for(at: &SessionAt, own: StripId, apply: Option<Apply>, report: &StockReport) -> Vec<StripId> {
    let fitting = at.session.strips.iter().filter(|strip| strip.film == report.stock.kind);
    let chosen = fitting.filter(|strip| match apply {
        None => false,
        Some(Apply::Strip) => strip.id == own,
        Some(Apply::All) => true,
    });
    chosen.map(|strip| strip.id).collect()
}

/// Solve with the stock and save the session.
fn apply(
    engine: &Engine,
    at: &SessionAt,
    report: &StockReport,
    strips: &[StripId],
    args: &MeasureStockArgs,
    cancel: &CancelToken,
) -> Result<(), EngineError> {
    let edits = engine.apply_stock(at, &report.stock, strips, cancel)?;
    // Measuring takes a while: the edits go to the session as it is now, and only while nobody else works on it.
    let run = engine.saving_run();
    let now = files::open_to_work(&args.session, run, cancel)?;
    if let files::Access::HeldBy(holder) = &now.access {
        let headline = format!("the session is open elsewhere ({holder}); the stock was not applied");
        return Err(usage(&headline, "close it there, then try again"));
    }
    let rebased = glassine_session::rebase(&at.session, &edits, &now.session);
    for sentence in rebased.dropped {
        complain(&Notice::new(Severity::Warning, sentence, ""));
    }
    let mode = now.saved.as_ref().map_or(files::SaveMode::New, files::SaveMode::Known);
    files::save_session(run, &rebased.session, &args.session, mode, &[])?.into_saved().map(|_| ())
}

fn print_text(report: &StockReport, strips: &[StripId], args: &MeasureStockArgs) {
    say(&format!("stock “{}” ({})", report.stock.name, report.stock.id));
    let (before, after) = report.mean;
    if report.patches.is_empty() {
        say(&format!("mean error {before:.4} before, {after:.4} with it, log10 exposure"));
    } else {
        for (name, before, after) in &report.patches {
            say(&format!("  {name:<16} {before:6.2} {after:6.2}"));
        }
        say(&format!("mean CIEDE2000 {before:.2} before, {after:.2} with it"));
    }
    if args.apply.is_some() {
        say(&format!("{} of the session's strips solved with it; the session is saved", strips.len()));
    }
    if let Some(path) = &args.save {
        say(&format!("written to {}", path.display()));
    }
}

fn document(report: &StockReport, strips: &[StripId], args: &MeasureStockArgs) -> Value {
    let wedge = report.patches.is_empty();
    let (before, after) = report.mean;
    let patches: Vec<_> = report
        .patches
        .iter()
        .map(|(name, before, after)| {
            serde_json::json!({ "name": name, "delta_e_2000_before": before, "delta_e_2000_after": after })
        })
        .collect();
    let unit = if wedge { "log10_exposure" } else { "delta_e_2000" };
    serde_json::json!({
        "stock": { "id": report.stock.id, "name": report.stock.name, "kind": report.stock.kind.key() },
        "unit": unit,
        "mean_before": before,
        "mean_after": after,
        "patches": patches,
        "strips": strips.iter().map(|id| id.0).collect::<Vec<_>>(),
        "saved": args.save.as_ref().map(|path| path.display().to_string()),
    })
}

/// Four points of two numbers each.
fn parse_corners(text: &str) -> Option<[Point<glassine_raster::Scan>; 4]> {
    let points: Option<Vec<_>> = text
        .split([' ', ';'])
        .filter(|part| !part.is_empty())
        .map(|part| {
            let (x, y) = part.split_once(',')?;
            let number =
                |text: &str| text.trim().parse().ok().filter(|v: &f64| v.is_finite() && v.abs() < 1e7);
            Some(Point::new(number(x)?, number(y)?))
        })
        .collect();
    points?.try_into().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn corners_are_four_points_of_two_numbers() {
        let corners = parse_corners("1,2 30.5,2  30,20;1,20").expect("four corners");
        assert_eq!((corners[1].x, corners[1].y), (30.5, 2.0));
        for bad in ["", "1,2 3,4 5,6", "1,2 3,4 5,6 7", "1,2 3,4 5,6 nan,8", "1,2 3,4 5,6 7,8 9,10"] {
            assert!(parse_corners(bad).is_none(), "{bad}");
        }
    }
}
