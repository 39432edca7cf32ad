//! `glassine dust-map`: one 8-bit map for each scan, scan size: 0 clean, else severity 1 to 255.

use std::path::PathBuf;

use clap::Args;
use glassine_engine::EngineError;
use glassine_scanfile::{Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};
use serde_json::json;

use super::{Outcome, Printing, complain, engine_beside, open, print_json, say};

/// Write dust maps
#[derive(Debug, Args)]
pub struct DustArgs {
    /// Session file
    pub session: PathBuf,
    /// Target folder, made when missing
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    /// Write over files that are there
    #[arg(long)]
    pub replace: bool,
    #[command(flatten)]
    pub printing: Printing,
}

pub(super) fn run(args: &DustArgs) -> Result<Outcome, EngineError> {
    let cancel = super::signals::cancel();
    let (at, notices) = open(&args.session, &cancel)?;
    for notice in &notices {
        complain(notice);
    }
    std::fs::create_dir_all(&args.to).map_err(|error| {
        super::new::usage(&format!("{} can't be made: {error}", args.to.display()), "choose another folder")
    })?;
    let engine = engine_beside(&args.session);
    // No map may take the place of a scan, whatever may be replaced.
    engine.hold_session(&at.session, at.folder.as_deref());
    let mut maps = Vec::new();
    for scan in &at.session.scans {
        let dust = engine.dust_of_scan(&at, scan.id, &cancel)?;
        let stem = scan.path.file_stem().map(|stem| stem.to_string_lossy().into_owned()).unwrap_or_default();
        let path = args.to.join(format!("{stem} dust.png"));
        let spec = PictureSpec {
            width_px: dust.severity.width(),
            height_px: dust.severity.height(),
            channels: 1,
            bits: 8,
            ppi: scan.ppi,
            icc: None,
            metadata: Metadata::default(),
            format: PictureFormat::Png,
            overwrite: if args.replace { Overwrite::Replace } else { Overwrite::Never },
        };
        let mut writer = PictureWriter::begin(&path, &spec)?;
        writer.write_rows_u8(dust.severity.data())?;
        writer.finish()?;
        if args.printing.json {
            maps.push(json!({
                "scan": scan.id.0,
                "path": std::path::absolute(&path).unwrap_or_else(|_| path.clone()),
                "marked_px": dust.marked_px,
                "objects": dust.objects,
                "refusals": dust.refusals,
            }));
        } else {
            say(&format!("{}: {} marks, {} px", path.display(), dust.objects, dust.marked_px));
            for refusal in &dust.refusals {
                say(&format!("  {refusal}"));
            }
        }
    }
    if args.printing.json {
        print_json(&json!({ "maps": maps }));
    }
    Ok(Outcome::Done)
}
