//! `glassine table`: what is written about the frames of a roll, as a table for any program, and back.

use std::path::{Path, PathBuf};

use clap::Args;
use glassine_engine::{Engine, EngineError, Notice, Severity, counted};
use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_bytes_atomic};
use serde_json::json;

use super::{Outcome, Printing, edited, open, open_to_change, print_json, print_line, print_notice};
use crate::services::facts_csv::{edits_of, table_of};

/// Write what is known about the frames as a table (CSV), or take it from one
#[derive(Debug, Args)]
pub struct TableArgs {
    /// Session file
    pub session: PathBuf,
    /// Write the table to this file
    #[arg(long, value_name = "FILE", required_unless_present = "from")]
    pub out: Option<PathBuf>,
    /// Take the table from this file and save the session; a row names its frame by the number shown, in the column
    /// “frame”, and columns that are missing stay as they are
    #[arg(long = "in", value_name = "FILE", conflicts_with = "out")]
    pub from: Option<PathBuf>,
    /// Replace an existing table
    #[arg(long)]
    pub replace: bool,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &TableArgs, cancel: &CancelToken) -> Result<Outcome, EngineError> {
    let engine = Engine::new();
    let rows = match (&args.from, &args.out) {
        (Some(from), _) => {
            let changing = open_to_change(&engine, &args.session, cancel)?;
            let session = &changing.at.session;
            let bytes =
                std::fs::read(from).map_err(|error| wrong(from, &format!("it can't be read: {error}")))?;
            let edits = edits_of(session, &bytes).map_err(|why| wrong(from, &why))?;
            let changed = edited(session, &edits)?;
            if changed != *session {
                changing.save(&engine, &changed)?;
            }
            changed.frames.len()
        }
        (None, Some(out)) => {
            let (at, notices) = open(&engine, &args.session, cancel)?;
            notices.iter().for_each(print_notice);
            let table = table_of(&at.session);
            let overwrite = if args.replace { Overwrite::Replace } else { Overwrite::Never };
            write_bytes_atomic(out, table.as_bytes(), overwrite, None)?;
            at.session.frames.len()
        }
        (None, None) => return Ok(Outcome::CannotStart),
    };
    if args.printing.json {
        print_json(&json!({ "frames": rows }));
    } else {
        print_line(&counted(rows, "frame"));
    }
    Ok(Outcome::Done)
}

fn wrong(path: &Path, why: &str) -> EngineError {
    let what_to_do = "nothing was changed; correct the table, or write a new one with --out";
    EngineError::Permanent(Notice::new(Severity::Error, format!("the table: {why}"), what_to_do).about(path))
}
