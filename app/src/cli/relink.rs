//! `glassine relink`: finds moved and renamed scans again by their content.

use std::path::PathBuf;

use clap::Args;
use glassine_engine::{
    CheckDepth, Engine, EngineError, FoundBy, Notice, Relinked, ScanCheck, ScanState, SessionAt, Severity,
};
use glassine_raster::CancelToken;
use glassine_session::{Edit, Relink, Session};
use serde_json::{Value, json};

use super::show::{state_key, state_reason};
use super::{
    Outcome, Printing, open_to_change, path_bytes_json, path_json, print_json, print_line, print_notice,
};

/// Find scans that were moved or renamed, by content, and save the session
#[derive(Debug, Args)]
pub struct RelinkArgs {
    /// Session file
    pub session: PathBuf,
    /// Folder to search, with its subfolders; may be given more than once
    #[arg(long, required = true, value_name = "DIR")]
    pub folder: Vec<PathBuf>,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &RelinkArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    for folder in &args.folder {
        if let Err(error) = std::fs::read_dir(folder) {
            let headline = format!("the folder can't be read: {error}");
            let notice = Notice::new(Severity::Error, headline, "name a folder with --folder");
            return Err(EngineError::Permanent(notice.about(folder)));
        }
    }
    let engine = Engine::new();
    let changing = open_to_change(&engine, &args.session, cancel)?;
    let before = &changing.at;
    let found = engine.relink(before, &args.folder, cancel)?;
    let session = if found.is_empty() {
        before.session.clone()
    } else {
        let places = found.iter().map(|found| Relink {
            scan: found.scan,
            from: found.from.clone(),
            path: Some(found.path.clone()),
            infrared_path: found.infrared_path.clone(),
        });
        Edit::RelinkScans(places.collect()).apply(&before.session)?
    };
    let now = SessionAt::new(session, before.folder.clone());
    engine.hold_session(&now.session, now.folder.as_deref());
    let mut left = engine.check_scans(&now, CheckDepth::Sampled, cancel, &|_, _| {})?;
    left.retain(|check| check.state != ScanState::Same);
    if !found.is_empty() {
        changing.save(&engine, &now.session)?;
    }
    if args.printing.json {
        print_json(&json!({
            "session": path_json(&changing.path),
            "saved": !found.is_empty(),
            "found": found.iter().map(|found| found_json(&before.session, found)).collect::<Vec<_>>(),
            "missing": left.iter().map(missing_json).collect::<Vec<_>>(),
        }));
    } else {
        print(&before.session, &found, &left);
    }
    Ok(if left.is_empty() { Outcome::Done } else { Outcome::SomeFailed })
}

fn print(before: &Session, found: &[Relinked], left: &[ScanCheck]) {
    for found in found {
        let how = match found.found_by {
            FoundBy::Content => "found by content",
            FoundBy::Name => "found by name and size only; check that it is the right file",
        };
        let old = before.scan(found.scan).map(|scan| scan.path.display().to_string()).unwrap_or_default();
        print_line(&format!("scan {}: {how}: {old} -> {}", found.scan, found.path.display()));
        if let Some(infrared) = &found.infrared_path {
            print_line(&format!("  its infrared file: {}", infrared.display()));
        }
    }
    for check in left {
        let reason = state_reason(&check.state).unwrap_or_default();
        let headline = format!("scan {} was not found in these folders: {reason}", check.scan);
        let what_to_do = "name the folder it is in with --folder";
        print_notice(&Notice::new(Severity::Warning, headline, what_to_do).about(&check.path));
    }
    print_line(&match (found.len(), left.len()) {
        (0, 0) => "every scan is where the session says; nothing was changed".to_owned(),
        (0, left) => format!("nothing was found, {left} still missing; the session was left as it is"),
        (found, left) => format!("{found} found, {left} still missing; the session is saved"),
    });
}

fn found_json(before: &Session, found: &Relinked) -> Value {
    json!({
        "scan": found.scan.0,
        "was": before.scan(found.scan).map(|scan| path_json(&scan.path)),
        "path": path_json(&found.path),
        "path_bytes": path_bytes_json(&found.path),
        "infrared_path": found.infrared_path.as_deref().map(path_json),
        "found_by": match found.found_by {
            FoundBy::Content => "content",
            FoundBy::Name => "name",
        },
    })
}

fn missing_json(check: &ScanCheck) -> Value {
    json!({
        "scan": check.scan.0,
        "path": path_json(&check.path),
        "scan_state": state_key(&check.state),
        "reason": state_reason(&check.state),
    })
}
