//! A session of two thousand scans where a process may open 256 files.
#![cfg(target_os = "linux")]

mod common;

use std::sync::Arc;

use common::*;
use glassine_engine::{CheckDepth, Engine, FrameScope};
use glassine_raster::{CancelToken, TiltedBox};
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

const SCANS: usize = 2_000;
const MOST_FILES: u64 = 256;

#[test]
fn two_thousand_scans_are_shown_checked_and_exported_with_256_open_files() {
    let limit = Rlimit { current: Some(MOST_FILES), maximum: getrlimit(Resource::Nofile).maximum };
    setrlimit(Resource::Nofile, limit).expect("a lower limit is always allowed");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let first = folder.path().join("0.tif");
    write_scan_of(&first, 128, 96, 1);
    let known = glassine_session::ScanRef { width_px: 128, height_px: 96, ..scan_ref(&first) };
    let scans = (0..SCANS).map(|nth| {
        let path = folder.path().join(format!("{nth}.tif"));
        // Hard links to one file: each is opened separately.
        if nth > 0 {
            std::fs::hard_link(&first, &path).expect("links");
        }
        glassine_session::ScanRef { path, ..known.clone() }
    });
    let mut session = session_of(scans.collect());
    for frame in &mut session.frames {
        Arc::make_mut(frame).crop = TiltedBox::from_edges(8.0, 6.0, 120.0, 90.0);
    }
    let engine = Engine::new();
    engine.hold_session(&session, None);
    let cancel = CancelToken::new();
    let most_open = || std::fs::read_dir("/proc/self/fd").expect("Linux").count() as u64;
    for scan in &session.scans {
        engine.scan_picture(&at(&session), scan.id, &cancel, &|_| {}).expect("readable");
        assert!(most_open() < MOST_FILES / 2);
    }
    let checks = engine.check_scans(&at(&session), CheckDepth::Sampled, &cancel, &|_, _| {}).expect("runs");
    assert!(checks.iter().all(|check| check.notice().is_none()));
    let frames = session.frames.iter().step_by(100).map(|frame| frame.id).collect();
    let mut request = request(&session, folder.path().join("out"));
    request.scope = FrameScope::Only(frames);
    let report = export(&engine, &request);
    assert_eq!((report.written.len(), report.failed.len()), (SCANS / 100, 0));
}
