//! `glassine contact-sheet`: every frame of a session, small, on paper.

use std::path::{Path, PathBuf};

use clap::Args;
use glassine_engine::{
    ContactSheetRequest, Engine, EngineError, PAPERS_MM, SessionAt, SheetArrangement, SheetLayout, counted,
};
use glassine_raster::CancelToken;
use serde_json::json;

use super::export::{failed_json, named};
use super::{Outcome, Printing, open, path_json, print_json, print_line, print_notice, progress};

/// Write a contact sheet
#[derive(Debug, Args)]
pub struct ContactSheetArgs {
    /// Session file
    pub session: PathBuf,
    /// File to write: .pdf, .jpg or .png; pictures of further pages get the page behind their names
    #[arg(long, value_name = "FILE")]
    pub to: PathBuf,
    /// a5, a4, a3, letter, legal, tabloid, 8x10 (inches), or a size in mm such as 240x300
    #[arg(long, default_value = "a4", value_parser = parse_paper)]
    pub paper: Paper,
    /// Turn the paper to its wide side
    #[arg(long)]
    pub landscape: bool,
    /// auto, strips (every strip begins a row) or grid
    #[arg(long, default_value = "auto", value_parser = |s: &str| named(s, SheetArrangement::from_key(s), &SheetArrangement::ALL.map(SheetArrangement::key)))]
    pub arrange: SheetArrangement,
    /// Show the film as scanned above each print
    #[arg(long)]
    pub negatives: bool,
    /// Replace an existing file
    #[arg(long)]
    pub replace: bool,
    #[command(flatten)]
    pub printing: Printing,
}

/// Width and height of a sheet of paper.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Paper([f64; 2]);

/// Sides of paper that can hold a sheet, mm: room for margins and a few frames, and no larger than rolls of paper.
const SIDES_MM: std::ops::RangeInclusive<f64> = 90.0..=1200.0;

fn parse_paper(text: &str) -> Result<Paper, String> {
    let lower = text.to_ascii_lowercase();
    if let Some((_, size_mm)) = PAPERS_MM.iter().find(|(key, _)| *key == lower) {
        return Ok(Paper(*size_mm));
    }
    let sides = lower.split_once('x').and_then(|(w, h)| Some([w.parse().ok()?, h.parse().ok()?]));
    sides.filter(|sides| sides.iter().all(|side| SIDES_MM.contains(side))).map(Paper).ok_or_else(|| {
        let keys: Vec<_> = PAPERS_MM.iter().map(|(key, _)| *key).collect();
        format!(
            "choose one of {}, or a size in mm from {} to {} such as 240x300",
            keys.join(", "),
            SIDES_MM.start(),
            SIDES_MM.end()
        )
    })
}

pub(super) fn run(args: &ContactSheetArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let engine = Engine::new();
    let (at, notices) = open(&engine, &args.session, cancel)?;
    notices.iter().for_each(print_notice);
    let Paper([short, long]) = args.paper;
    let layout = SheetLayout {
        paper_mm: if args.landscape { [long.max(short), long.min(short)] } else { [short, long] },
        arrangement: args.arrange,
        negatives: args.negatives,
    };
    let request = ContactSheetRequest { layout, ..usual(at, &args.session, &args.to, args.replace) };
    let report = engine.contact_sheet(&request, cancel, &progress)?;
    report.failed.iter().for_each(|failed| print_notice(&failed.notice));
    if args.printing.json {
        print_json(&json!({
            "written": report.written.iter().map(|path| path_json(path)).collect::<Vec<_>>(),
            "pages": report.pages,
            "frames": report.frames,
            "failed": failed_json(&report.failed),
        }));
    } else {
        for path in &report.written {
            print_line(&path.display().to_string());
        }
        print_line(&format!("{} on {}", counted(report.frames, "frame"), counted(report.pages, "page")));
    }
    Ok(if report.failed.is_empty() { Outcome::Done } else { Outcome::SomeFailed })
}

/// A sheet on A4.
pub(super) fn usual(at: SessionAt, session: &Path, to: &Path, replace: bool) -> ContactSheetRequest {
    let now = crate::platform::clock::now_text();
    ContactSheetRequest {
        output: at.session.output.clone(),
        at,
        path: to.to_owned(),
        layout: SheetLayout::default(),
        replace,
        name: name_of(session),
        made_on: now.split(' ').next().unwrap_or_default().replace(':', "-"),
    }
}

fn name_of(session: &Path) -> String {
    session.file_name().unwrap_or_default().to_string_lossy().into_owned()
}
