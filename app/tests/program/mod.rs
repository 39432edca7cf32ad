//! Runs the real program as a script does.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use glassine_filmsim::{demo_spec, render_strip};
use glassine_raster::{CancelToken, PixelRect};
use glassine_scanfile::{OpenOptions, Overwrite, Scan, write_rgbi};
use serde_json::Value;

/// The program without a display.
pub(crate) fn program() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_glassine"));
    command.env_remove("DISPLAY").env_remove("WAYLAND_DISPLAY").env_remove("WAYLAND_SOCKET");
    command
}

pub(crate) fn glassine<S: AsRef<OsStr>>(args: &[S]) -> Output {
    program().args(args).output().expect("the program starts")
}

pub(crate) fn code(output: &Output) -> i32 {
    output.status.code().expect("the program ends by itself")
}

pub(crate) fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

pub(crate) fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).expect("one JSON document is printed")
}

pub(crate) fn text(path: &Path) -> &str {
    path.to_str().expect("a plain path")
}

/// A scan of the demo's first strip with this resolution and name.
pub(crate) fn scan_named(folder: &Path, name: impl AsRef<Path>, ppi: f64) -> PathBuf {
    let spec = demo_spec("harbour", ppi).expect("the demo has this strip");
    let strip = render_strip(&spec, &|_| (), &CancelToken::new()).expect("renders");
    let path = folder.join(name);
    write_rgbi(&path, &strip.samples, strip.ppi, "strip", Overwrite::Never).expect("writes");
    path
}

/// A small scan of the demo's first strip.
pub(crate) fn scan_in(folder: &Path) -> PathBuf {
    scan_named(folder, "strip.tif", 150.0)
}

/// The samples of a scan or a picture as the file has them.
pub(crate) fn samples(path: &Path) -> (u32, u32, Vec<u16>) {
    let options = OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() };
    let scan = Scan::open(path, &options).expect("a readable scan");
    let (width, height) = (scan.info().width_px, scan.info().height_px);
    let region = PixelRect::of_size(width, height);
    (width, height, scan.read_region(region, &CancelToken::new()).expect("reads").data().to_vec())
}

/// Checks that two scans of four frames at 150 ppi give the same pictures, to one code.
pub(crate) fn give_the_same_pictures(folder: &Path, scans: [&Path; 2]) {
    let pictures = |(scan, name): (&Path, &str)| {
        let session = folder.join(format!("{name}.session.json"));
        // A scanner without the option says no resolution.
        let made = glassine(&["new", text(&session), "--scan", text(scan), "--ppi", "150"]);
        assert_eq!(code(&made), 0, "{}", said(&made));
        let to = folder.join(name);
        let exported = glassine(&["export", text(&session), "--to", text(&to)]);
        assert_eq!(code(&exported), 0, "{}", said(&exported));
        let mut files: Vec<PathBuf> =
            std::fs::read_dir(&to).expect("lists").flatten().map(|entry| entry.path()).collect();
        files.sort();
        files.iter().map(|file| samples(file)).collect::<Vec<_>>()
    };
    let (first, second) = (pictures((scans[0], "first")), pictures((scans[1], "second")));
    assert_eq!((first.len(), second.len()), (4, 4));
    for (a, b) in first.iter().zip(&second) {
        assert_eq!((a.0, a.1), (b.0, b.1));
        let worst = a.2.iter().zip(&b.2).map(|(a, b)| a.abs_diff(*b)).max();
        assert!(worst <= Some(1), "{worst:?}");
    }
}
