//! `glassine read-as`: changes how scans of a session are read; boxes and settings stay.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;
use glassine_engine::{Engine, EngineError, Notice, Severity, counted};
use glassine_raster::CancelToken;
use glassine_session::{ScanRef, Session};
use serde_json::json;

use super::new::usage;
use super::reading::{ReadingArgs, fourth_text};
use super::{
    Outcome, Printing, edited, open_to_change, path_json, print_json, print_line, print_notice, progress,
};

/// Change how scans of a session are read, measure the film base and solve again, save the session
#[derive(Debug, Args)]
pub struct ReadAsArgs {
    /// Session file
    pub session: PathBuf,
    /// Scans, by number as `glassine show` prints it or by file name; all if omitted
    #[arg(long, num_args = 1.., value_name = "N|FILE")]
    pub scan: Vec<OsString>,
    #[command(flatten)]
    pub reading: ReadingArgs,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &ReadAsArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let reading = &args.reading;
    if reading.encoding.is_none()
        && reading.fourth.is_none()
        && reading.page.is_none()
        && reading.infrared.is_none()
        && reading.stray_light.is_none()
    {
        return Err(usage(
            "no change was given",
            "give --encoding, --stray-light, --fourth, --page or --infrared",
        ));
    }
    let engine = Engine::new();
    let changing = open_to_change(&engine, &args.session, cancel)?;
    changing.made.notices.iter().for_each(print_notice);
    let at = &changing.at;
    let chosen = chosen_scans(&at.session, &args.scan)?;
    if reading.infrared_path().flatten().is_some() && chosen.len() > 1 {
        return Err(usage("an infrared file belongs to one scan", "name the scan with --scan"));
    }
    let wanted: Vec<ScanRef> = chosen.iter().map(|scan| changed(scan, reading)).collect();
    let made = engine.reread(at, &wanted, cancel, &progress)?;
    made.notices.iter().for_each(print_notice);
    let session = edited(&at.session, &made.edits)?;
    engine.hold_session(&session, at.folder.as_deref());
    changing.save(&engine, &session)?;
    let read: Vec<&Arc<ScanRef>> = wanted.iter().filter_map(|scan| session.scan(scan.id)).collect();
    if args.printing.json {
        print_json(&json!({
            "session": path_json(&changing.path),
            "scans": read.iter().map(|scan| super::show::scan_json(scan, None)).collect::<Vec<_>>(),
            "strips_solved_again": made.strips.iter().map(|id| id.0).collect::<Vec<_>>(),
        }));
        return Ok(Outcome::Done);
    }
    for scan in read {
        print_line(&format!(
            "scan {}: encoding {}, fourth sample {}, page {}, infrared file {}, planes {}",
            scan.id,
            super::show::encoding_line(scan),
            fourth_text(scan.fourth_sample),
            scan.page.map_or_else(|| "auto".to_owned(), |page| page.to_string()),
            scan.infrared_path
                .as_deref()
                .map_or_else(|| "none".to_owned(), |path| path.display().to_string()),
            scan.planes.join(" "),
        ));
    }
    print_line(&format!(
        "film base and solve of {} made again; boxes and settings are kept; the session is saved",
        counted(made.strips.len(), "strip")
    ));
    Ok(Outcome::Done)
}

fn changed(scan: &ScanRef, reading: &ReadingArgs) -> ScanRef {
    ScanRef {
        encoding: reading.encoding.unwrap_or(scan.encoding),
        fourth_sample: reading.fourth.unwrap_or(scan.fourth_sample),
        stray_light: reading.stray_light.unwrap_or(scan.stray_light),
        page: reading.page.map_or(scan.page, |page| page.0),
        infrared_path: reading.infrared_path().unwrap_or_else(|| scan.infrared_path.clone()),
        ..scan.clone()
    }
}

/// The scans named by number or file; all if none is named.
pub(super) fn chosen_scans(session: &Session, names: &[OsString]) -> Result<Vec<Arc<ScanRef>>, EngineError> {
    if names.is_empty() {
        return Ok(session.scans.clone());
    }
    let mut chosen: Vec<Arc<ScanRef>> = Vec::new();
    for name in names {
        let by_number = session.scans.iter().filter(|scan| name.to_str() == Some(&scan.id.to_string()));
        let mut found: Vec<_> = by_number.collect();
        if found.is_empty() {
            let path = std::path::absolute(name).unwrap_or_else(|_| PathBuf::from(name));
            found = session.scans.iter().filter(|scan| scan.path == path).collect();
        }
        if found.is_empty() {
            let same_name = |scan: &&Arc<ScanRef>| scan.path.file_name() == Path::new(name).file_name();
            found = session.scans.iter().filter(same_name).collect();
        }
        let shown = name.to_string_lossy();
        match found.as_slice() {
            [scan] if chosen.iter().any(|other| other.id == scan.id) => {}
            [scan] => chosen.push(Arc::clone(scan)),
            [] => {
                let headline = format!("the session has no scan “{shown}”");
                return Err(usage(&headline, "glassine show lists the scans of a session"));
            }
            _ => {
                let headline = format!("several scans are called “{shown}”");
                let what_to_do = "give the number of the scan, as glassine show prints it";
                return Err(EngineError::Permanent(Notice::new(Severity::Error, headline, what_to_do)));
            }
        }
    }
    Ok(chosen)
}
