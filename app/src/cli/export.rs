//! `glassine export`: the finished pictures of a session.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use glassine_engine::{
    Engine, EngineError, ExportReport, ExportRequest, FailedFrame, FrameScope, SessionAt, SharpenChoice,
};
use glassine_film::{BalanceMode, OutputSpace, Rendering};
use glassine_raster::CancelToken;
use glassine_session::{FrameId, OutputKind, TiffCompression, is_template};
use serde_json::{Value, json};

use super::{
    Outcome, Printing, frame_named, open, path_bytes_json, path_json, print_json, print_line, print_notice,
    progress,
};

/// On or off, regardless of the frames' own switch
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Switch {
    /// For every frame
    On,
    /// For no frame
    Off,
}

/// Capture sharpening, regardless of the frames' own settings
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Sharpen {
    /// As each frame is set
    On,
    /// For no frame
    Off,
    /// From the measured blur and grain of each frame
    Suggested,
}

/// Write finished pictures
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// Session file
    pub session: PathBuf,
    /// Target folder, created if missing
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    /// Frame numbers as they are shown, such as 1,3-5 or 12A; all that are not skipped if omitted
    #[arg(long)]
    pub frames: Option<String>,
    /// master, tiff8, jpeg, web, print or archive-negative
    #[arg(long, value_parser = |s: &str| named(s, OutputKind::from_key(s), &OutputKind::ALL.map(OutputKind::key)))]
    pub kind: Option<OutputKind>,
    /// srgb, display-p3, adobe-rgb-1998, romm-rgb or linear-srgb
    #[arg(long, value_parser = |s: &str| named(s, OutputSpace::from_key(s), &OutputSpace::ALL.map(OutputSpace::key)))]
    pub space: Option<OutputSpace>,
    /// straight or print
    #[arg(long, value_parser = parse_rendering)]
    pub render: Option<Rendering>,
    /// Dust repair
    #[arg(long)]
    pub repair: Option<Switch>,
    /// Sharpening
    #[arg(long)]
    pub sharpen: Option<Sharpen>,
    /// Sharpening after scaling down for the web; as the session says if omitted
    #[arg(long)]
    pub output_sharpen: Option<Switch>,
    /// strip, group or frame: solve again with the balance locked, by light, or free
    #[arg(long, value_parser = |s: &str| named(s, BalanceMode::from_key(s), &BalanceMode::ALL.map(BalanceMode::key)))]
    pub balance: Option<BalanceMode>,
    /// none, deflate or lzw
    #[arg(long, value_parser = |s: &str| named(s, TiffCompression::from_key(s), &TiffCompression::ALL.map(TiffCompression::key)))]
    pub compression: Option<TiffCompression>,
    /// Base name of the files, or a template such as "{roll}/{number:2} {title}": pieces roll, strip, number, count,
    /// title, kind and date in braces, / for subfolders
    #[arg(long)]
    pub name: Option<String>,
    /// Replace existing files
    #[arg(long)]
    pub replace: bool,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn named<T>(text: &str, found: Option<T>, known: &[&str]) -> Result<T, String> {
    found.ok_or_else(|| format!("“{text}” is unknown; choose one of {}", known.join(", ")))
}

fn parse_rendering(text: &str) -> Result<Rendering, String> {
    let found = Rendering::ALL.into_iter().find(|rendering| rendering.key() == text);
    named(text, found, &Rendering::ALL.map(Rendering::key))
}

pub(super) fn run(args: &ExportArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let engine = Engine::new();
    let (mut at, notices) = open(&engine, &args.session, cancel)?;
    for notice in &notices {
        print_notice(notice);
    }
    if let Some(balance) = args.balance {
        at.session = engine.with_balance(&at, balance, cancel)?;
    }
    let scope = match &args.frames {
        None => FrameScope::All,
        Some(list) => FrameScope::Only(frames_of(&at, list)?),
    };
    let mut output = at.session.output.clone();
    output.kind = args.kind.unwrap_or(output.kind);
    output.compression = args.compression.unwrap_or(output.compression);
    if let Some(space) = args.space {
        space.key().clone_into(&mut output.space);
    }
    if let Some(rendering) = args.render {
        rendering.key().clone_into(&mut output.rendering);
    }
    if let Some(name) = &args.name {
        if is_template(name) {
            output.name_template = Some(name.clone());
        } else {
            (output.base_name, output.name_template) = (name.clone(), None);
        }
    }
    let on = |switch: Option<Switch>| switch.map(|switch| switch == Switch::On);
    output.sharpen_output = on(args.output_sharpen).unwrap_or(output.sharpen_output);
    let request = ExportRequest {
        at,
        folder: args.to.clone(),
        scope,
        output,
        repair: on(args.repair),
        sharpen: args.sharpen.map(|sharpen| match sharpen {
            Sharpen::On => SharpenChoice::On,
            Sharpen::Off => SharpenChoice::Off,
            Sharpen::Suggested => SharpenChoice::Suggested,
        }),
        replace: args.replace,
        written_at: crate::platform::clock::now_text(),
    };
    let report = engine.export(&request, cancel, &progress)?;
    print(args, &report);
    Ok(outcome_of(&report))
}

/// Exit outcome of an export.
pub(super) fn outcome_of(report: &ExportReport) -> Outcome {
    match report {
        ExportReport { cancelled: true, .. } => Outcome::Stopped,
        ExportReport { failed, .. } if failed.is_empty() => Outcome::Done,
        _ => Outcome::SomeFailed,
    }
}

/// Frame ids of a list of numbers such as `1,3-5` or `12-12A`.
fn frames_of(at: &SessionAt, list: &str) -> Result<Vec<FrameId>, EngineError> {
    let wrong = |part: &str| {
        super::new::usage(
            &format!("“{part}” names no frame or range of frames"),
            "give --frames a list such as 1,3-5, in the order that glassine show lists",
        )
    };
    let mut ids = Vec::new();
    for part in list.split(',').map(str::trim).filter(|part| !part.is_empty()) {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let place = |text: &str| frame_named(&at.session, text).ok_or_else(|| wrong(part));
        let (first, last) = (place(first)?, place(last)?);
        if first > last {
            return Err(wrong(part));
        }
        let found = at.session.frames[first..=last].iter().map(|frame| frame.id);
        ids.extend(found);
    }
    Ok(ids)
}

fn print(args: &ExportArgs, report: &ExportReport) {
    if args.printing.json {
        print_json(&report_json(report));
        return;
    }
    for file in &report.written {
        print_line(&format!(
            "frame {}: {} ({} x {} px, {:.1} MB, {:.2} s)",
            file.number,
            file.path.display(),
            file.width_px,
            file.height_px,
            file.bytes as f64 / 1e6,
            file.seconds
        ));
        for note in &file.notes {
            print_line(&format!("  {note}"));
        }
    }
    for failed in &report.failed {
        print_notice(&failed.notice);
    }
    print_line(&format!(
        "{} written, {} skipped, {} failed",
        report.written.len(),
        report.skipped.len(),
        report.failed.len()
    ));
}

pub(super) fn report_json(report: &ExportReport) -> Value {
    let written: Vec<Value> = report
        .written
        .iter()
        .map(|file| {
            let path = std::path::absolute(&file.path).unwrap_or_else(|_| file.path.clone());
            json!({
                "frame": file.frame.0,
                "number": file.number,
                "path": path_json(&path),
                "path_bytes": path_bytes_json(&path),
                "width_px": file.width_px,
                "height_px": file.height_px,
                "clip_low": file.clip_low,
                "clip_high": file.clip_high,
                "bytes": file.bytes,
                "seconds": file.seconds,
                "notes": file.notes,
            })
        })
        .collect();
    json!({
        "written": written,
        "skipped": report.skipped.iter().map(|id| id.0).collect::<Vec<_>>(),
        "failed": failed_json(&report.failed),
        "stopped": report.cancelled,
    })
}

pub(super) fn failed_json(failed: &[FailedFrame]) -> Value {
    failed
        .iter()
        .map(|failed| {
            json!({
                "frame": failed.frame.0,
                "number": failed.number,
                "reason": failed.notice.headline,
                "hint": failed.notice.what_to_do,
                "path": failed.notice.path.as_deref().map(path_json),
            })
        })
        .collect()
}
