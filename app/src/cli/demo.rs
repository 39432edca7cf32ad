//! `glassine demo`: the main job on invented film; with `--headless` all of it without a window.

use std::path::{Path, PathBuf};

use clap::Args;
use glassine_engine::{
    Engine, EngineError, ExportRequest, Notice, SessionAt, Severity, counted, planned_paths, session_files,
};
use glassine_raster::CancelToken;
use glassine_session::Session;

use super::{Outcome, Printing, print_json, print_line, print_notice, progress};

/// Make and open the demo
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Folder for the demo's scans and session; the user's cache folder if omitted
    #[arg(long, value_name = "DIR")]
    pub folder: Option<PathBuf>,
    /// Do the whole job without a window: make the scans, find the frames, export the strips
    #[arg(long)]
    pub headless: bool,
    /// Target folder of the headless export
    #[arg(long, value_name = "DIR", default_value = "glassine-demo-pictures")]
    pub to: PathBuf,
    /// Replace existing pictures
    #[arg(long)]
    pub replace: bool,
    #[command(flatten)]
    pub printing: Printing,
}

impl DemoArgs {
    pub(super) fn folder(&self) -> PathBuf {
        self.folder.clone().unwrap_or_else(crate::services::demo_session::default_folder)
    }
}

pub(super) fn run(args: &DemoArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let engine = Engine::new();
    let made = crate::services::demo_session::open_or_make(&engine, &args.folder(), cancel, &progress)?;
    for notice in &made.notices {
        print_notice(notice);
    }
    if !args.replace {
        refuse_earlier_pictures(&made.session, &args.to)?;
    }
    let folder = made.path.as_deref().and_then(session_files::folder_of);
    let output = made.session.output.clone();
    let request = ExportRequest {
        output,
        replace: args.replace,
        written_at: crate::platform::clock::now_text(),
        ..ExportRequest::new(SessionAt::new(made.session, folder), args.to.clone())
    };
    let report = engine.export(&request, cancel, &progress)?;
    if args.printing.json {
        print_json(&super::export::report_json(&report));
    } else {
        for file in &report.written {
            print_line(&format!("frame {}: {} ({:.2} s)", file.number, file.path.display(), file.seconds));
        }
        for failed in &report.failed {
            print_notice(&failed.notice);
        }
        let session = made.path.unwrap_or_default();
        print_line(&format!("{} in {}", counted(report.written.len(), "picture"), args.to.display()));
        print_line(&format!("the session is {}", session.display()));
    }
    Ok(super::export::outcome_of(&report))
}

/// Refuses to replace pictures of an earlier run: nothing is written, and the message says how to continue.
fn refuse_earlier_pictures(session: &Session, to: &Path) -> Result<(), EngineError> {
    let planned = planned_paths(session, &session.frames, to, &session.output, "");
    let Some(earlier) = planned.into_iter().find_map(|(_, path)| path.ok().filter(|path| path.exists()))
    else {
        return Ok(());
    };
    Err(EngineError::Permanent(
        Notice::new(
            Severity::Error,
            "the folder already holds pictures of the demo; nothing was written",
            "add --replace to write over them, or choose another folder with --to",
        )
        .about(earlier),
    ))
}
