//! `glassine dust-map`: one 8-bit map for each scan, scan size: 0 clean, else severity 1 to 255.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use clap::Args;
use glassine_engine::{DustOfScan, Engine, EngineError, Notice, SessionAt, Severity, counted};
use glassine_raster::CancelToken;
use glassine_scanfile::protect::protected_at;
use glassine_scanfile::{Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};
use glassine_session::{ScanRef, Session, clash_key};
use serde_json::json;

use super::{Outcome, Printing, open, path_bytes_json, path_json, print_json, print_line, print_notice};

/// Write dust maps
#[derive(Debug, Args)]
pub struct DustArgs {
    /// Session file
    pub session: PathBuf,
    /// Target folder, created if missing
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    /// Replace existing files
    #[arg(long)]
    pub replace: bool,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &DustArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let engine = Engine::new();
    let (at, notices) = open(&engine, &args.session, cancel)?;
    for notice in &notices {
        print_notice(notice);
    }
    let targets = targets(&at.session, &args.to);
    for (_, path) in &targets {
        check_target(path, args.replace)?;
    }
    std::fs::create_dir_all(&args.to).map_err(|error| {
        let headline = format!("the folder can't be made or used: {error}");
        EngineError::Permanent(
            Notice::new(Severity::Error, headline, "choose another folder").about(&args.to),
        )
    })?;
    let (mut maps, mut failed) = (Vec::new(), Vec::new());
    let mut outcome = Outcome::Done;
    for (scan, path) in &targets {
        let dust = match write(&engine, &at, scan, path, args.replace, cancel) {
            Ok(dust) => dust,
            Err(EngineError::Cancelled) => {
                outcome = Outcome::Stopped;
                break;
            }
            Err(error) => {
                // Continue with the maps of the other scans.
                let notice = error.notice();
                print_notice(&notice);
                failed
                    .push(json!({ "scan": scan.id.0, "reason": notice.headline, "hint": notice.what_to_do }));
                outcome = Outcome::SomeFailed;
                continue;
            }
        };
        let path = std::path::absolute(path).unwrap_or_else(|_| path.clone());
        if args.printing.json {
            maps.push(json!({
                "scan": scan.id.0,
                "path": path_json(&path),
                "path_bytes": path_bytes_json(&path),
                "marked_px": dust.marked_px,
                "objects": dust.objects,
                "refusals": dust.refusals,
            }));
        } else {
            print_line(&format!(
                "scan {}: {}, {} px ({})",
                scan.id,
                counted(dust.objects as usize, "mark"),
                dust.marked_px,
                path.display()
            ));
            for refusal in &dust.refusals {
                print_line(&format!("  {refusal}"));
            }
        }
    }
    if args.printing.json {
        print_json(&json!({ "maps": maps, "failed": failed, "stopped": outcome == Outcome::Stopped }));
    }
    Ok(outcome)
}

/// The map of each scan: named like the scan, with its number where two scans have the same name.
fn targets(session: &Session, folder: &Path) -> Vec<(Arc<ScanRef>, PathBuf)> {
    let stem = |scan: &ScanRef| scan.path.file_stem().unwrap_or_default().to_owned();
    let key = |scan: &ScanRef| clash_key(&stem(scan).to_string_lossy());
    let target = |scan: &Arc<ScanRef>| {
        let is_shared = session.scans.iter().any(|other| other.id != scan.id && key(other) == key(scan));
        let mut name = stem(scan);
        name.push(if is_shared { format!(" {} dust.png", scan.id) } else { " dust.png".to_owned() });
        (Arc::clone(scan), folder.join(name))
    };
    session.scans.iter().map(target).collect()
}

/// Checks that a file can be written, before long work starts.
pub(super) fn check_target(path: &Path, replace: bool) -> Result<(), EngineError> {
    let path = path.to_owned();
    if let Some(input) = protected_at(&path) {
        return Err(glassine_scanfile::Error::ProtectedInput { path, input }.into());
    }
    match path.symlink_metadata() {
        Ok(meta) if meta.is_symlink() => Err(glassine_scanfile::Error::IsLink { path }.into()),
        Ok(_) if !replace => Err(glassine_scanfile::Error::AlreadyExists { path }.into()),
        Ok(_) | Err(_) => Ok(()),
    }
}

fn write(
    engine: &Engine,
    at: &SessionAt,
    scan: &ScanRef,
    path: &Path,
    replace: bool,
    cancel: &CancelToken,
) -> Result<DustOfScan, EngineError> {
    let dust = engine.dust_of_scan(at, scan.id, cancel)?;
    let spec = PictureSpec {
        width_px: dust.severity.width(),
        height_px: dust.severity.height(),
        channels: 1,
        bits: 8,
        ppi: scan.resolution(),
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Png,
        overwrite: if replace { Overwrite::Replace } else { Overwrite::Never },
    };
    let mut writer = PictureWriter::begin(path, &spec)?;
    writer.write_rows_u8(dust.severity.data())?;
    cancel.check()?;
    writer.finish()?;
    Ok(dust)
}
