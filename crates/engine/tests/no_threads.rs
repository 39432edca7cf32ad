//! A system that gives no thread: pictures are still made, on the only thread there is.
//!
//! The test restarts itself with stacks too large for any address space, so that every thread is refused.
#![cfg(unix)]

mod common;

use std::path::Path;
use std::process::{Command, ExitCode};

use common::*;
use glassine_engine::Engine;

/// Read by the standard library: bytes of a thread's stack.
const STACK_BYTES: &str = "RUST_MIN_STACK";
const FOLDER: &str = "GLASSINE_TEST_FOLDER";

fn main() -> ExitCode {
    match std::env::var_os(FOLDER) {
        Some(folder) => without_threads(Path::new(&folder)),
        None => start_again(),
    }
}

fn start_again() -> ExitCode {
    let folder = tempfile::tempdir().expect("a temporary folder");
    write_scan(&folder.path().join("scan.tif"), 1);
    let program = std::env::current_exe().expect("this program");
    let ended = Command::new(program)
        .env(STACK_BYTES, (1_u64 << 47).to_string())
        .env(FOLDER, folder.path())
        .status()
        .expect("starts again");
    assert!(ended.success(), "{ended}");
    assert_eq!(names_in(&folder.path().join("out")), ["frame 01.tif"]);
    ExitCode::SUCCESS
}

fn without_threads(folder: &Path) -> ExitCode {
    assert!(std::thread::Builder::new().spawn(|| ()).is_err(), "threads are refused");
    let session = session_of(vec![scan_ref(&folder.join("scan.tif"))]);
    let report = export(&Engine::new(), &request(&session, folder.join("out")));
    assert!(report.failed.is_empty(), "{:?}", report.failed);
    ExitCode::SUCCESS
}
