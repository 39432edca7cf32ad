//! `glassine export`: the finished pictures of a session.

use std::path::PathBuf;

use clap::{Args, ValueEnum};
use glassine_engine::{
    Engine, EngineError, ExportReport, ExportRequest, FailedFrame, FrameScope, PlannedState, SessionAt,
    SharpenChoice,
};
use glassine_film::{BalanceMode, OutputSpace, Rendering};
use glassine_raster::CancelToken;
use glassine_session::{ExportRecipe, FrameId, OutputKind, StripId, TiffCompression, is_template};
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
    /// Only the frames of these strips, as glassine show numbers them, such as 1,3
    #[arg(long, conflicts_with = "frames")]
    pub strips: Option<String>,
    /// Only the frames of the roll of this title
    #[arg(long, conflicts_with_all = ["frames", "strips"])]
    pub roll: Option<String>,
    /// master, tiff8, jpeg, web, print, archive-negative or density
    #[arg(long, value_parser = |s: &str| named(s, OutputKind::from_key(s), &OutputKind::ALL.map(OutputKind::key)))]
    pub kind: Option<OutputKind>,
    /// A recipe file (.json), a recipe of the session, or a kind. Each is written into its folder; several are written
    /// in one run, with one repair of each frame. --space, --render, --compression, --output-sharpen and --name
    /// override the same settings of every recipe
    #[arg(long, value_name = "RECIPE", conflicts_with = "kind")]
    pub recipe: Vec<String>,
    /// Write a contact sheet of the session in the same run: .pdf, .jpg or .png
    #[arg(long, value_name = "FILE")]
    pub contact_sheet: Option<PathBuf>,
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
    /// title, name, kind, recipe, date, shot and scanned in braces, / for subfolders; {count:3:100} counts from 100
    #[arg(long)]
    pub name: Option<String>,
    /// Replace existing files
    #[arg(long)]
    pub replace: bool,
    /// Continue or repeat an earlier run: write what is missing and what has changed, and keep a manifest
    #[arg(long)]
    pub update: bool,
    /// List what would be written, and write nothing
    #[arg(long)]
    pub dry_run: bool,
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
    let request = request_of(args, at)?;
    if args.dry_run {
        return plan(args, &engine, &request);
    }
    let report = engine.export(&request, cancel, &progress)?;
    print(args, &report);
    Ok(outcome_of(&report))
}

fn request_of(args: &ExportArgs, at: SessionAt) -> Result<ExportRequest, EngineError> {
    let scope = scope_of(args, &at)?;
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
    // What the command says comes before what a recipe says.
    let told = |recipe: ExportRecipe| ExportRecipe {
        space: args.space.map(|space| space.key().to_owned()).or(recipe.space),
        rendering: args.render.map(|rendering| rendering.key().to_owned()).or(recipe.rendering),
        compression: args.compression.or(recipe.compression),
        sharpen_output: on(args.output_sharpen).or(recipe.sharpen_output),
        name_template: if args.name.is_some() { output.name_template.clone() } else { recipe.name_template },
        ..recipe
    };
    let recipes = args.recipe.iter().map(|recipe| recipe_of(&at, recipe).map(told));
    let recipes = recipes.collect::<Result<Vec<_>, _>>()?;
    let sheet = args
        .contact_sheet
        .as_deref()
        .map(|to| Box::new(super::contact_sheet::usual(at.clone(), &args.session, to, args.replace)));
    let kinds = ExportRecipe::settings_of(&recipes, &output);
    let request = ExportRequest {
        scope,
        output,
        sheet,
        repair: on(args.repair),
        sharpen: args.sharpen.map(|sharpen| match sharpen {
            Sharpen::On => SharpenChoice::On,
            Sharpen::Off => SharpenChoice::Off,
            Sharpen::Suggested => SharpenChoice::Suggested,
        }),
        replace: args.replace,
        update: args.update,
        written_at: crate::platform::clock::now_text(),
        ..ExportRequest::new(at, args.to.clone())
    };
    Ok(request.in_kinds(kinds))
}

/// The recipe that a text names: one of the session, a file, or a kind.
fn recipe_of(at: &SessionAt, text: &str) -> Result<ExportRecipe, EngineError> {
    if let Some(recipe) = at.session.output.recipes.iter().find(|recipe| recipe.name == text) {
        return Ok(recipe.clone());
    }
    if let Some(kind) = OutputKind::from_key(text) {
        return Ok(ExportRecipe::of_kind(kind));
    }
    if std::path::Path::new(text).extension().is_some_and(|ending| ending.eq_ignore_ascii_case("json")) {
        let wrong = |why: String| super::new::usage(&format!("{text}: {why}"), "name a recipe file");
        let bytes = std::fs::read(text).map_err(|error| wrong(error.to_string()))?;
        let folder = std::path::absolute(text).ok();
        let folder = folder.as_deref().and_then(std::path::Path::parent);
        return glassine_session::file::recipe_from_json(&bytes, folder)
            .map_err(|error| wrong(error.to_string()));
    }
    let mut known = OutputKind::ALL.map(OutputKind::key).to_vec();
    known.extend(at.session.output.recipes.iter().map(|recipe| recipe.name.as_str()));
    let what_to_do = format!("choose one of {}, or a recipe file (.json)", known.join(", "));
    Err(super::new::usage(&format!("the recipe “{text}” is unknown"), &what_to_do))
}

/// The frames that the options choose.
fn scope_of(args: &ExportArgs, at: &SessionAt) -> Result<FrameScope, EngineError> {
    if let Some(list) = &args.frames {
        return Ok(FrameScope::Only(frames_of(at, list)?));
    }
    let session = &at.session;
    let strips: Vec<StripId> = match (&args.strips, &args.roll) {
        (Some(list), _) => {
            let strip = |text: &str| {
                let found = session.strips.iter().find(|strip| strip.id.to_string() == text.trim());
                found.map(|strip| strip.id).ok_or_else(|| {
                    super::new::usage(
                        &format!("there is no strip “{text}”"),
                        "give --strips the ids that glassine show lists",
                    )
                })
            };
            list.split(',').map(strip).collect::<Result<_, _>>()?
        }
        (None, Some(title)) => {
            let roll =
                session.rolls.iter().find(|roll| roll.title.trim() == title.trim()).ok_or_else(|| {
                    let titles: Vec<_> = session.rolls.iter().map(|roll| roll.title.as_str()).collect();
                    let known = format!("the session has {}", titles.join(", "));
                    super::new::usage(&format!("no roll is called “{title}”"), &known)
                })?;
            let of_roll = session.strips.iter().filter(|strip| strip.roll == Some(roll.id));
            of_roll.map(|strip| strip.id).collect()
        }
        (None, None) => return Ok(FrameScope::All),
    };
    let frames = session.frames.iter().filter(|frame| strips.contains(&frame.strip) && !frame.is_left_out());
    Ok(FrameScope::Only(frames.map(|frame| frame.id).collect()))
}

/// List what an export would do.
fn plan(args: &ExportArgs, engine: &Engine, request: &ExportRequest) -> Result<Outcome, EngineError> {
    let planned = engine.plan_export(request)?;
    let is_refused = planned.iter().any(|file| file.state == PlannedState::Refused);
    if args.printing.json {
        let files: Vec<Value> = planned
            .iter()
            .map(|file| {
                json!({
                    "frame": file.frame.0,
                    "number": file.number,
                    "recipe": file.recipe,
                    "path": file.path.as_deref().map(path_json),
                    "state": file.state.key(),
                    "reason": file.notice.as_ref().map(|notice| notice.headline.clone()),
                })
            })
            .collect();
        print_json(&json!({ "planned": files }));
    } else {
        for file in &planned {
            let what = match (&file.path, &file.notice) {
                (Some(path), None) => path.display().to_string(),
                (_, Some(notice)) => notice.to_string(),
                (None, None) => String::new(),
            };
            print_line(&format!("{}: {what}", file.state.key()));
        }
        let count = |state| planned.iter().filter(|file| file.state == state).count();
        print_line(&format!(
            "{} new, {} changed, {} replaced, {} unchanged, {} refused; nothing was written",
            count(PlannedState::New),
            count(PlannedState::Changed),
            count(PlannedState::Replaced),
            count(PlannedState::Unchanged),
            count(PlannedState::Refused)
        ));
    }
    Ok(if is_refused { Outcome::SomeFailed } else { Outcome::Done })
}

/// Exit outcome of an export.
pub(super) fn outcome_of(report: &ExportReport) -> Outcome {
    match report {
        ExportReport { cancelled: true, .. } => Outcome::Stopped,
        ExportReport { failed, notices, .. } if failed.is_empty() && notices.is_empty() => Outcome::Done,
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
    report.notices.iter().for_each(print_notice);
    for path in report.sheet.iter().flat_map(|sheet| &sheet.written) {
        print_line(&format!("contact sheet: {}", path.display()));
    }
    let unchanged = match report.unchanged.len() {
        0 => String::new(),
        count => format!(", {count} unchanged"),
    };
    print_line(&format!(
        "{} written{unchanged}, {} skipped, {} failed",
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
                "recipe": file.recipe,
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
        "unchanged": report.unchanged.iter().map(|path| path_json(path)).collect::<Vec<_>>(),
        "contact_sheet": report.sheet.iter().flat_map(|sheet| &sheet.written).map(|path| path_json(path)).collect::<Vec<_>>(),
        "skipped": report.skipped.iter().map(|id| id.0).collect::<Vec<_>>(),
        "failed": failed_json(&report.failed),
        "notices": super::notices_json(&report.notices),
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

#[cfg(test)]
mod tests {
    use clap::Parser;
    use glassine_session::Session;

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        args: ExportArgs,
    }

    #[test]
    fn options_hold_for_recipes_in_place_of_what_these_say() {
        let mut session = Session::default();
        session.output.recipes = vec![ExportRecipe {
            space: Some("display-p3".to_owned()),
            rendering: Some("straight".to_owned()),
            compression: Some(TiffCompression::Lzw),
            sharpen_output: Some(true),
            folder: Some("lab".to_owned()),
            name_template: Some("{roll} {count}".to_owned()),
            ..ExportRecipe::of_kind(OutputKind::Print)
        }];
        let output = |more: &[&str]| {
            let line = ["export", "a.session.json", "--to", "out", "--recipe", "print"];
            let args = Line::parse_from(line.iter().chain(more)).args;
            request_of(&args, SessionAt::new(session.clone(), None)).expect("is sound").output
        };
        let own = output(&[]);
        assert_eq!((own.space.as_str(), own.rendering.as_str()), ("display-p3", "straight"));
        assert_eq!(own.name_template.as_deref(), Some("lab/{roll} {count}"));
        let options = ["--space=srgb", "--render=print", "--compression=none", "--output-sharpen=off"];
        let told = output(&options);
        assert_eq!((told.space.as_str(), told.rendering.as_str()), ("srgb", "print"));
        assert_eq!((told.compression, told.sharpen_output), (TiffCompression::None, false));
        assert_eq!(told.name_template, own.name_template);
        let named = output(&["--name=pier"]);
        assert_eq!((named.base_name.as_str(), named.name_template.as_deref()), ("pier", Some("lab/{name}")));
        assert_eq!(output(&["--name={title}"]).name_template.as_deref(), Some("lab/{title}"));
    }
}
