//! Draws a strip from its description: `draw DESCRIPTION.json --to FOLDER [--ppi PPI] [--replace]`.
//!
//! The scan is written with the name from the description, and beside it what is true about its frames, as
//! `NAME.tif.txt`. Another resolution draws faster. `demo-sessions/README.md` explains the format of descriptions.

use std::path::PathBuf;

use glassine_filmsim::{StripDescription, render_strip};
use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_bytes_atomic, write_rgbi};

const USE: &str = "use: draw DESCRIPTION.json --to FOLDER [--ppi PPI] [--replace]";

fn main() -> std::process::ExitCode {
    match run() {
        Ok(()) => std::process::ExitCode::SUCCESS,
        Err(error) => {
            #[expect(clippy::print_stderr, reason = "the tool says what is wrong")]
            {
                eprintln!("{error}");
            }
            std::process::ExitCode::FAILURE
        }
    }
}

fn run() -> Result<(), Box<dyn std::error::Error>> {
    let (mut description, mut folder, mut ppi, mut overwrite) = (None, None, None, Overwrite::Never);
    let mut words = std::env::args_os().skip(1);
    while let Some(word) = words.next() {
        match word.to_str() {
            Some("--to") => folder = words.next().map(PathBuf::from),
            Some("--ppi") => ppi = Some(words.next().and_then(|ppi| ppi.to_str()?.parse().ok()).ok_or(USE)?),
            Some("--replace") => overwrite = Overwrite::Replace,
            _ => description = Some(PathBuf::from(word)),
        }
    }
    let (description, folder) = (description.ok_or(USE)?, folder.ok_or(USE)?);
    let mut strip = StripDescription::read(&description)?;
    if let Some(ppi) = ppi {
        strip = strip.at_ppi(ppi);
    }
    let drawn = render_strip(&strip.spec(), &|_| (), &CancelToken::new())?;
    std::fs::create_dir_all(&folder)?;
    let scan = folder.join(&strip.scan_file_name);
    write_rgbi(&scan, &drawn.samples, drawn.ppi, &strip.title, overwrite)?;
    let truth = (&drawn.truth.frames, drawn.truth.base_density, drawn.truth.rebate_pixels);
    let beside = folder.join(format!("{}.txt", strip.scan_file_name));
    write_bytes_atomic(&beside, format!("{truth:#?}\n").as_bytes(), overwrite, None)?;
    Ok(())
}
