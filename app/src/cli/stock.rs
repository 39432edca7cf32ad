//! `glassine measure-stock`: fits a stock to a chart or wedge on a frame, without a window.

use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};
use glassine_engine::{
    ChartPlace, Engine, EngineError, Notice, SessionAt, Severity, StockReport, StockTarget, read_stock,
};
use glassine_film::ChartEdition;
use glassine_raster::{CancelToken, Point};
use glassine_scanfile::{Overwrite, write_bytes_atomic};
use glassine_session::StripId;
use serde_json::Value;

use super::new::usage;
use super::{
    Outcome, Printing, edited, frame_named, open, open_to_change, path_json, print_json, print_line,
    print_notice,
};
use crate::model::colour_tools::parse_densities;

/// Measure a stock from a 24-patch chart or a neutral wedge on a frame
#[derive(Debug, Args)]
pub struct MeasureStockArgs {
    /// Session file
    pub session: PathBuf,
    /// Number of the frame that shows the chart, as it is shown, such as 5 or 12A
    #[arg(long)]
    pub frame: String,
    /// Scan pixels of the chart's outer corners: first patch, end of the first row, last patch, start of the last row
    #[arg(long, value_name = "\"X,Y X,Y X,Y X,Y\"")]
    pub corners: String,
    /// Which printing of the chart it is: the colours of ISO 17321-1, or those of charts made since November 2014
    #[arg(long, value_name = "EDITION", default_value = ChartEdition::default().key(), value_parser = edition, conflicts_with = "wedge")]
    pub chart: ChartEdition,
    /// A neutral wedge instead of the chart: density of each step, from the first corner to the second
    #[arg(long, value_name = "D,D,D")]
    pub wedge: Option<String>,
    /// Name of the stock
    #[arg(long)]
    pub name: String,
    /// Solve the strip of the frame, or all strips of its film, with the stock and save the session
    #[arg(long, value_enum)]
    pub apply: Option<Apply>,
    /// Write the stock to a separate file
    #[arg(long, value_name = "FILE.json")]
    pub save: Option<PathBuf>,
    /// Replace an existing stock file, and nothing else
    #[arg(long)]
    pub replace: bool,
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

pub(super) fn run(args: &MeasureStockArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let corners = parse_corners(&args.corners).ok_or_else(|| {
        usage(
            &format!("“{}” are no four corners", args.corners),
            "give --corners \"100,200 900,205 898,700 99,695\" in scan pixels",
        )
    })?;
    let target = match &args.wedge {
        None => StockTarget::Chart24(args.chart),
        Some(text) => {
            let spaced = if text.contains(' ') { text.clone() } else { text.replace(',', " ") };
            let densities_d = parse_densities(&spaced)
                .ok_or_else(|| usage(&format!("“{text}” are no densities"), "give --wedge 0.05,0.20,0.35"))?;
            StockTarget::Wedge { densities_d }
        }
    };
    if let Some(path) = &args.save {
        check_stock_file(path, args.replace)?;
    }
    let engine = Engine::new();
    // If the session will be saved, lock it before measuring the chart.
    let changing = args.apply.map(|_| open_to_change(&engine, &args.session, cancel)).transpose()?;
    let at = match &changing {
        Some(changing) => {
            changing.made.notices.iter().for_each(print_notice);
            changing.at.clone()
        }
        None => {
            let (at, notices) = open(&engine, &args.session, cancel)?;
            notices.iter().for_each(print_notice);
            at
        }
    };
    let frame = frame_named(&at.session, &args.frame).map(|place| &at.session.frames[place]);
    let frame = frame
        .ok_or_else(|| usage(&format!("there is no frame {}", args.frame), "give the number of a frame"))?
        .clone();
    let report =
        engine.measure_stock(&at, frame.id, &ChartPlace { corners }, &target, args.name.trim(), cancel)?;
    let strips = strips_for(&at, frame.strip, args.apply, &report);
    let edits = match &changing {
        Some(_) => engine.apply_stock(&at, &report.stock, &strips, cancel)?,
        None => Vec::new(),
    };
    cancel.check()?;
    if let Some(path) = &args.save {
        let overwrite = if args.replace { Overwrite::Replace } else { Overwrite::Never };
        write_bytes_atomic(path, report.stock.to_json().as_bytes(), overwrite, None)?;
    }
    if let Some(changing) = &changing {
        changing.save(&engine, &edited(&at.session, &edits)?)?;
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

/// Allows a free name or, with `replace`, another stock: never a scan, a session or a link.
fn check_stock_file(path: &Path, replace: bool) -> Result<(), EngineError> {
    let Ok(meta) = path.symlink_metadata() else { return Ok(()) };
    if meta.is_symlink() {
        return Err(glassine_scanfile::Error::IsLink { path: path.to_owned() }.into());
    }
    if !replace {
        return Err(glassine_scanfile::Error::AlreadyExists { path: path.to_owned() }.into());
    }
    read_stock(path).map(drop).map_err(|error| {
        let headline = format!("only a stock can be replaced; {}", error.notice().headline);
        EngineError::Permanent(Notice::new(Severity::Error, headline, "choose another name").about(path))
    })
}

fn print_text(report: &StockReport, strips: &[StripId], args: &MeasureStockArgs) {
    print_line(&format!("stock “{}” ({})", report.stock.name, report.stock.id));
    let (before, after) = report.mean;
    if report.patches.is_empty() {
        print_line(&format!("mean error {before:.4} before, {after:.4} with it, log10 exposure"));
    } else {
        for (name, before, after) in &report.patches {
            print_line(&format!("  {name:<16} {before:6.2} {after:6.2}"));
        }
        print_line(&format!("mean CIEDE2000 {before:.2} before, {after:.2} with it"));
    }
    if args.apply.is_some() {
        print_line(&format!("{} of the session's strips solved with it; the session is saved", strips.len()));
    }
    if let Some(path) = &args.save {
        print_line(&format!("written to {}", path.display()));
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
        "saved": args.save.as_deref().map(path_json),
    })
}

fn edition(text: &str) -> Result<ChartEdition, String> {
    let keys = ChartEdition::ALL.map(ChartEdition::key).join(" or ");
    ChartEdition::from_key(text).ok_or_else(|| format!("write {keys}"))
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
