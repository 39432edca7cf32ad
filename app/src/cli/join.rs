//! `glassine join`: makes one scan from overlapping scans of a session.

use std::ffi::OsString;
use std::path::PathBuf;

use clap::Args;
use glassine_engine::{Engine, EngineError, SessionAt, counted};
use glassine_film::FilmKind;
use glassine_raster::CancelToken;
use glassine_scanfile::Overwrite;
use glassine_session::{ScanId, ScanRef, Session};
use serde_json::{Value, json};

use super::new::usage;
use super::read_as::chosen_scans;
use super::{
    Outcome, Printing, open_to_change, parse_film, path_json, print_json, print_line, print_notice, progress,
};

/// Join overlapping scans of one wide picture or long strip, find its frames again, save the session
#[derive(Debug, Args)]
pub struct JoinArgs {
    /// Session file
    pub session: PathBuf,
    /// Scans that overlap, by number as `glassine show` prints it or by file name; all if omitted. The first keeps its
    /// pixels and its light
    #[arg(long, value_delimiter = ',', num_args = 1.., value_name = "N|FILE")]
    pub scans: Vec<OsString>,
    /// colour-negative, black-and-white or slide; as found on the parts if omitted
    #[arg(long, value_parser = parse_film)]
    pub film: Option<FilmKind>,
    /// Frame format, such as 6x17; recognised if omitted
    #[arg(long)]
    pub format: Option<String>,
    /// Also write the joined scan as a TIFF of linear codes, with its infrared; the session does not need it
    #[arg(long, value_name = "FILE.tif")]
    pub to: Option<PathBuf>,
    /// Replace an existing TIFF
    #[arg(long)]
    pub replace: bool,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &JoinArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let engine = Engine::new();
    let changing = open_to_change(&engine, &args.session, cancel)?;
    changing.made.notices.iter().for_each(print_notice);
    let at = &changing.at;
    let ids: Vec<ScanId> = chosen_scans(&at.session, &args.scans)?.iter().map(|scan| scan.id).collect();
    if ids.len() < 2 {
        return Err(usage("one scan can't be joined", "name at least two with --scans A,B"));
    }
    if let Some(path) = args.to.as_ref().filter(|path| !args.replace && path.symlink_metadata().is_ok()) {
        return Err(glassine_scanfile::Error::AlreadyExists { path: path.clone() }.into());
    }
    let choices = (args.film, args.format.clone());
    let (made, id) = engine.join_scans(at, &ids, choices, cancel, &progress)?;
    made.notices.iter().for_each(print_notice);
    let now = SessionAt::new(made.session, at.folder.clone());
    engine.hold_session(&now.session, now.folder.as_deref());
    cancel.check()?;
    // The session is changed last: a file that can't be written leaves it as it was.
    if let Some(path) = &args.to {
        let overwrite = if args.replace { Overwrite::Replace } else { Overwrite::Never };
        engine.write_scan(&now, id, path, overwrite, cancel)?;
    }
    changing.save(&engine, &now.session)?;
    let session = &now.session;
    let Some(scan) = session.scan(id) else { return Err(usage("the joined scan is gone", "try again")) };
    let on_it = session
        .frames
        .iter()
        .filter(|frame| session.strip(frame.strip).is_some_and(|strip| strip.scan == id));
    let frames: Vec<u32> = on_it.map(|frame| frame.id.0).collect();
    if args.printing.json {
        print_json(&json!({
            "session": path_json(&changing.path),
            "scan": id.0,
            "width_px": scan.width_px,
            "height_px": scan.height_px,
            "joins": joins_json(session),
            "frames": frames,
            "written": args.to.as_deref().map(path_json),
        }));
        return Ok(Outcome::Done);
    }
    print_line(&format!(
        "scan {id}: {} x {} px from {}, {}; the session is saved",
        scan.width_px,
        scan.height_px,
        counted(ids.len(), "scan"),
        counted(frames.len(), "frame")
    ));
    if let Some(path) = &args.to {
        print_line(&format!("the joined scan is in {}", path.display()));
    }
    Ok(Outcome::Done)
}

fn joined(session: &Session) -> impl Iterator<Item = &ScanRef> {
    session.scans.iter().map(|scan| &**scan).filter(|scan| scan.join.is_some())
}

/// Place of a scan in the list of joins.
pub(super) fn join_index(session: &Session, scan: ScanId) -> Option<usize> {
    joined(session).position(|joined| joined.id == scan)
}

/// Every joined scan with the places of its parts: rows of the map from part pixels to joined pixels, at pixel edges.
pub(super) fn joins_json(session: &Session) -> Value {
    let part = |part: &glassine_session::JoinPart| {
        json!({
            "scan": path_json(&part.scan.path),
            "scan_id": part.scan.id.0,
            "width_px": part.scan.width_px,
            "height_px": part.scan.height_px,
            "to_joined": part.to_joined.0,
            "gain_offset": part.light,
        })
    };
    joined(session)
        .map(|scan| {
            let parts = scan.join.iter().flat_map(|join| &join.parts).map(part);
            json!({ "scan": scan.id.0, "parts": parts.collect::<Vec<_>>() })
        })
        .collect()
}
