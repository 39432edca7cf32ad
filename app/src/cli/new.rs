//! `glassine new`: makes a session from scans.

use std::path::{Path, PathBuf};

use clap::Args;
use glassine_engine::session_files::{Access, SaveMode, SavedState};
use glassine_engine::{
    Engine, EngineError, MadeSession, NewSessionRequest, Notice, SessionAt, Severity, counted, read_stock,
    session_files,
};
use glassine_film::{FilmKind, Stock, shipped_stocks};
use glassine_raster::CancelToken;

use super::reading::ReadingArgs;
use super::{
    Outcome, Printing, edited, parse_film, path_bytes_json, path_json, print_json, print_line, print_notice,
    progress, refuse_held,
};

/// Find frames, measure the base, solve the strip, save the session
#[derive(Debug, Args)]
pub struct NewArgs {
    /// Session file to write; `.session.json` is added if missing
    pub session: PathBuf,
    /// Scan files: TIFF, PNG or JPEG
    #[arg(long, required = true, num_args = 1.., value_name = "FILE")]
    pub scan: Vec<PathBuf>,
    #[command(flatten)]
    pub reading: ReadingArgs,
    /// colour-negative, black-and-white or slide; recognised if omitted
    #[arg(long, value_parser = parse_film)]
    pub film: Option<FilmKind>,
    /// Frame format, such as 135 or 6x4.5; recognised if omitted
    #[arg(long)]
    pub format: Option<String>,
    /// Resolution, if the files do not state it
    #[arg(long)]
    pub ppi: Option<f64>,
    /// Every file holds one frame, such as camera copies
    #[arg(long)]
    pub one_frame_per_file: bool,
    /// Solve the strips of its film with this stock, from a file that `measure-stock --save` or the window wrote
    #[arg(long, value_name = "FILE.json")]
    pub stock: Option<PathBuf>,
    /// Name of the roll
    #[arg(long, default_value = "")]
    pub title: String,
    /// Replace an existing session, and nothing else; the previous version is kept beside it
    #[arg(long)]
    pub replace: bool,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &NewArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let path = session_path(&args.session);
    if args.ppi.is_some_and(|ppi| !(ppi.is_finite() && ppi > 0.0)) {
        return Err(usage("a resolution must be positive", "give --ppi a number such as 2400"));
    }
    let engine = Engine::new();
    // Check the name before minutes of work, and lock it until the session is saved.
    let target = Target::of(&engine, &path, args.replace, cancel)?;
    let request = NewSessionRequest {
        scans: args.scan.clone(),
        infrared: args.reading.infrared_path().flatten(),
        reading: args.reading.choices(),
        film: args.film,
        format_id: args.format.clone(),
        ppi: args.ppi,
        one_frame_per_file: args.one_frame_per_file,
        title: args.title.clone(),
        roll: None,
    };
    let stock = args.stock.as_deref().map(read_stock).transpose()?;
    let mut made = engine.new_session(&request, cancel, &progress)?;
    if let Some(stock) = stock {
        use_stock(&engine, &mut made, stock, cancel)?;
    }
    cancel.check()?;
    engine.hold_session(&made.session, None);
    let mode = target.saved.as_ref().map_or(SaveMode::New, SaveMode::Known);
    session_files::save_session(engine.saving_run(), &made.session, &path, mode, &[])?.into_saved()?;
    drop(target);
    engine.work_beside(Some(&path));
    for notice in &made.notices {
        print_notice(notice);
    }
    let session = &made.session;
    if args.printing.json {
        print_json(&serde_json::json!({
            "session": path_json(&path),
            "session_bytes": path_bytes_json(&path),
            "scans": session.scans.len(),
            "strips": session.strips.len(),
            "frames": session.frames.len(),
            "notices": super::notices_json(&made.notices),
        }));
    } else {
        print_line(&format!(
            "{}: {} on {} of {}",
            path.display(),
            counted(session.frames.len(), "frame"),
            counted(session.strips.len(), "strip"),
            counted(session.scans.len(), "scan")
        ));
    }
    Ok(Outcome::Done)
}

/// The reserved name of a new session.
struct Target {
    /// The session that has the name now and may be replaced.
    saved: Option<SavedState>,
    /// Keeps other programs from working on it.
    _access: Access,
}

impl Target {
    /// Locks a free name or, with `replace`, the existing session of that name; refuses anything else there.
    fn of(engine: &Engine, path: &Path, replace: bool, cancel: &CancelToken) -> Result<Self, EngineError> {
        let run = engine.saving_run();
        let (access, saved) = if path.symlink_metadata().is_err() {
            (session_files::lock_session(path, run), None)
        } else if replace {
            let there =
                session_files::open_to_work(path, run, cancel).map_err(|error| not_replaced(path, &error))?;
            (there.access, there.saved)
        } else {
            return Err(glassine_scanfile::Error::AlreadyExists { path: path.to_owned() }.into());
        };
        refuse_held(&access, path)?;
        Ok(Self { saved, _access: access })
    }
}

fn not_replaced(path: &Path, error: &EngineError) -> EngineError {
    let headline = format!("only a session can be replaced; {}", error.notice().headline);
    EngineError::Permanent(Notice::new(Severity::Error, headline, "choose another name").about(path))
}

/// Solves every strip of the stock's film with it.
fn use_stock(
    engine: &Engine,
    made: &mut MadeSession,
    mut stock: Stock,
    cancel: &CancelToken,
) -> Result<(), EngineError> {
    let kind = stock.kind;
    if shipped_stocks().iter().any(|shipped| shipped.id == stock.id) {
        stock.id.push_str("-own");
    }
    let fitting = made.session.strips.iter().filter(|strip| strip.film == kind);
    let strips: Vec<_> = fitting.map(|strip| strip.id).collect();
    if strips.is_empty() {
        return Err(usage(
            &format!("no strip is {}, which the stock is for", kind.label().to_lowercase()),
            "leave --stock out, or say what film it is with --film",
        ));
    }
    let at = SessionAt::new(made.session.clone(), None);
    made.session = edited(&made.session, &engine.apply_stock(&at, &stock, &strips, cancel)?)?;
    Ok(())
}

/// The session file a name means.
pub(super) fn session_path(name: &Path) -> PathBuf {
    if name.extension().is_some_and(|ending| ending == "json") {
        return name.to_owned();
    }
    let mut text = name.as_os_str().to_owned();
    text.push(session_files::SESSION_ENDING);
    PathBuf::from(text)
}

/// Error for a command line that makes no sense.
pub(super) fn usage(headline: &str, what_to_do: &str) -> EngineError {
    EngineError::Permanent(glassine_engine::Notice::new(
        glassine_engine::Severity::Error,
        headline,
        what_to_do,
    ))
}
