//! Writes what is made for the guide: pages from the program's own tables, and pictures of its window.

use std::path::Path;
use std::process::Command;

use anyhow::{Context as _, bail};

/// Colours of a picture in the guide: enough for the window, and a third of the size.
const COLOURS: &str = "256";

/// `guide [SESSION]`: the pages; with the demo session, also the pictures. Needs `ImageMagick` for those.
pub(crate) fn make(root: &Path) -> anyhow::Result<()> {
    let program = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let status = Command::new(&program)
        .args(["test", "--quiet", "-p", "glassine", "--test", "all", "pages_made_from_the_program"])
        .env("GLASSINE_BLESS", "1")
        .current_dir(root)
        .status()
        .context("cargo could not be started")?;
    if !status.success() {
        bail!("the pages could not be written");
    }
    let Some(session) = std::env::args().nth(2) else { return Ok(()) };
    let drawn = super::target().join("guide-pictures");
    let folder = drawn.to_string_lossy().into_owned();
    super::cargo(&["run", "-p", "glassine", "--example", "guide_pictures", "--", &session, &folder])?;
    for entry in std::fs::read_dir(&drawn).with_context(|| drawn.display().to_string())? {
        let path = entry?.path();
        let to = root.join("assets/guide/pictures").join(path.file_name().unwrap_or_default());
        let status = Command::new("convert")
            .arg(&path)
            .args([
                "-strip",
                "-dither",
                "FloydSteinberg",
                "-colors",
                COLOURS,
                "-define",
                "png:compression-level=9",
            ])
            .arg(format!("PNG8:{}", to.display()))
            .status()
            .context("convert could not be started; DEVELOPERS.md lists the packages")?;
        if !status.success() {
            bail!("{} could not be made small", path.display());
        }
        println!("{}", to.display());
    }
    Ok(())
}
