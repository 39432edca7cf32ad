//! `glassine archive` and `glassine verify`: a package for safekeeping, and the check that nothing in it has changed.

use std::path::{Path, PathBuf};

use clap::Args;
use glassine_engine::{
    ArchiveRequest, CheckDepth, Engine, EngineError, FolderCheck, FolderFault, FolderFinding, ScanState,
    counted,
};
use glassine_raster::CancelToken;
use serde_json::json;

use super::{Outcome, Printing, open, path_json, print_json, print_line, print_notice, progress};

/// Write a package for safekeeping
#[derive(Debug, Args)]
pub struct ArchiveArgs {
    /// Session file
    pub session: PathBuf,
    /// Folder of the package; it must not exist, or be empty
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    #[command(flatten)]
    pub printing: Printing,
}

/// Check that nothing has changed
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Folder of a package, or a session whose scans are compared with what it knows of them
    pub what: PathBuf,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &ArchiveArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let engine = Engine::new();
    let (at, notices) = open(&engine, &args.session, cancel)?;
    notices.iter().for_each(print_notice);
    let now = crate::platform::clock::now_text();
    let made_on = now.split(' ').next().unwrap_or_default().replace(':', "-");
    let request = ArchiveRequest { at, folder: args.to.clone(), made_on };
    let report = engine.archive(&request, cancel, &progress)?;
    if args.printing.json {
        print_json(&json!({
            "folder": path_json(&std::path::absolute(&args.to).unwrap_or_else(|_| args.to.clone())),
            "files": report.files,
            "scans": report.scans,
            "negatives": report.negatives,
        }));
    } else {
        print_line(&format!(
            "{} with {} and {} in {}",
            counted(report.files, "file"),
            counted(report.scans, "scan"),
            counted(report.negatives, "negative"),
            args.to.display()
        ));
    }
    Ok(Outcome::Done)
}

pub(super) fn verify(args: &VerifyArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let engine = Engine::new();
    let check = if args.what.is_dir() {
        engine.check_archive(&args.what, cancel)?
    } else {
        check_session(&engine, &args.what, cancel)?
    };
    let of = |fault: FolderFault| check.findings.iter().filter(move |finding| finding.fault == fault);
    if args.printing.json {
        let list = |fault| of(fault).map(|finding| path_json(&finding.path)).collect::<Vec<_>>();
        print_json(&json!({
            "files": check.files,
            "missing": list(FolderFault::Missing),
            "changed": list(FolderFault::Changed),
            "extra": list(FolderFault::Extra),
        }));
    } else {
        for finding in &check.findings {
            print_line(&format!("{}: {}", finding.fault.key(), finding.path.display()));
        }
        let count = |fault| of(fault).count();
        print_line(&format!(
            "{} checked: {} missing, {} changed, {} extra",
            counted(check.files, "file"),
            count(FolderFault::Missing),
            count(FolderFault::Changed),
            count(FolderFault::Extra)
        ));
    }
    Ok(if check.findings.is_empty() { Outcome::Done } else { Outcome::SomeFailed })
}

/// The scans of a session, each read in full.
fn check_session(engine: &Engine, path: &Path, cancel: &CancelToken) -> Result<FolderCheck, EngineError> {
    let (at, _scans_are_told_below) = open(engine, path, cancel)?;
    let checks = engine.check_scans(&at, CheckDepth::Full, cancel, &progress)?;
    let findings = checks.iter().filter_map(|check| {
        let fault = match check.state {
            ScanState::Same => return None,
            ScanState::Missing { .. } => FolderFault::Missing,
            ScanState::Changed { .. } | ScanState::SizeDiffers { .. } => FolderFault::Changed,
        };
        Some(FolderFinding { path: check.path.clone(), fault })
    });
    Ok(FolderCheck { files: checks.len(), findings: findings.collect() })
}
