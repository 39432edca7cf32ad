//! Runs the real program as a script does.
#![allow(dead_code, reason = "each test file uses its part of this module")]

use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use glassine_filmsim::{demo_spec, render_strip};
use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_rgbi};
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
    write_rgbi(&path, &strip.samples, ppi, "strip", Overwrite::Never).expect("writes");
    path
}

/// A small scan of the demo's first strip.
pub(crate) fn scan_in(folder: &Path) -> PathBuf {
    scan_named(folder, "strip.tif", 150.0)
}
