//! An export never overwrites what it reads, and writes no picture of a scan that is not the session's.

use std::fs::File;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use crate::common::*;
use glassine_engine::Engine;
use glassine_raster::{CancelToken, TiltedBox};

/// An export that must be refused, with nothing written.
fn refused(session: &glassine_session::Session, out: &Path, inputs: &[&Path]) -> String {
    let before: Vec<_> = inputs.iter().map(|path| std::fs::read(path).expect("ours")).collect();
    let names = names_in(out);
    let mut told = String::new();
    for replace in [true, false] {
        let request = glassine_engine::ExportRequest { replace, ..request(session, out.to_owned()) };
        let error = Engine::new().export(&request, &CancelToken::new(), &|_, _| ()).expect_err("refused");
        told = error.to_string();
        for (path, before) in inputs.iter().zip(&before) {
            assert!(std::fs::read(path).expect("ours") == *before, "{} was written", path.display());
        }
        assert_eq!(names_in(out), names);
    }
    told
}

#[test]
fn a_frame_with_the_name_of_its_scan_is_refused_before_anything_is_written() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = folder.path().join("frame 01.tif");
    write_scan(&scan, 1);
    let told = refused(&session_of(vec![scan_ref(&scan)]), folder.path(), &[&scan]);
    assert!(told.contains("would be written over a scan") && told.contains("nothing was written"), "{told}");
}

#[test]
fn a_frame_with_the_name_of_another_scan_stops_the_frames_before_it_too() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (one, two) = (folder.path().join("one.tif"), folder.path().join("frame 02.tif"));
    write_scan(&one, 1);
    write_scan(&two, 2);
    refused(&session_of(vec![scan_ref(&one), scan_ref(&two)]), folder.path(), &[&one, &two]);
}

#[cfg(unix)]
#[test]
fn a_link_of_any_kind_to_a_scan_in_the_target_folder_is_refused() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (scan, out) = (folder.path().join("scan.tif"), folder.path().join("out"));
    write_scan(&scan, 1);
    std::fs::create_dir(&out).expect("room");
    let session = session_of(vec![scan_ref(&scan)]);
    let name = out.join("frame 01.tif");
    std::os::unix::fs::symlink("../scan.tif", &name).expect("links");
    refused(&session, &out, &[&scan]);
    std::fs::remove_file(&name).expect("ours");
    std::fs::hard_link(&scan, &name).expect("links");
    refused(&session, &out, &[&scan, &name]);
    // A link to another file, and one to nothing.
    std::fs::remove_file(&name).expect("ours");
    let other = folder.path().join("other.txt");
    std::fs::write(&other, "keep me").expect("room");
    std::os::unix::fs::symlink(&other, &name).expect("links");
    let told = refused(&session, &out, &[&scan, &other]);
    assert!(told.contains("link"), "{told}");
    std::fs::remove_file(&other).expect("ours");
    refused(&session, &out, &[&scan]);
}

#[test]
fn the_infrared_file_of_a_scan_is_refused_as_a_target() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (scan, infrared) = (folder.path().join("scan.tif"), folder.path().join("frame 01.tif"));
    write_scan(&scan, 1);
    write_scan(&infrared, 2);
    let scan = glassine_session::ScanRef { infrared_path: Some(infrared.clone()), ..scan_ref(&scan) };
    refused(&session_of(vec![scan]), folder.path(), &[&infrared]);
}

#[test]
fn a_scan_of_equal_length_that_is_not_the_sessions_fails_its_frames_and_no_others() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (one, two) = (folder.path().join("one.tif"), folder.path().join("two.tif"));
    write_scan(&one, 1);
    write_scan(&two, 2);
    let session = session_of(vec![scan_ref(&one), scan_ref(&two)]);
    let out = folder.path().join("out");
    let engine = Engine::new();
    assert_eq!(export(&engine, &request(&session, out.clone())).written.len(), 2);
    let time = std::fs::metadata(&one).and_then(|meta| meta.modified()).expect("has a time");
    for keep_time in [false, true] {
        std::thread::sleep(std::time::Duration::from_millis(20));
        scan_again(&one, if keep_time { 4 } else { 3 });
        if keep_time {
            File::options().append(true).open(&one).and_then(|f| f.set_modified(time)).expect("ours");
        }
        // The same program, and one just started.
        for engine in [&engine, &Engine::new()] {
            let report = export(engine, &request(&session, out.clone()));
            assert_eq!((report.written.len(), report.failed.len()), (1, 1));
            assert_eq!(report.written[0].number, "2");
            let notice = &report.failed[0].notice;
            assert!(notice.headline.contains("differs from the one"), "{notice}");
        }
    }
    scan_again(&one, 1);
    assert_eq!(export(&engine, &request(&session, out)).written.len(), 2);
}

#[test]
fn a_scan_of_another_size_fails_its_frames_also_when_the_session_knows_no_hash() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("scan.tif");
    write_scan(&path, 1);
    let scan = glassine_session::ScanRef { fingerprint: None, ..scan_ref(&path) };
    let session = session_of(vec![scan]);
    write_scan_of(&path, HEIGHT, WIDTH, 1);
    let report = export(&Engine::new(), &request(&session, folder.path().join("out")));
    assert_eq!((report.written.len(), report.failed.len()), (0, 1));
    assert!(report.failed[0].notice.headline.contains("400 x 600 px"), "{}", report.failed[0].notice);
}

#[test]
fn a_scan_written_to_while_its_frame_is_made_fails_that_frame_and_leaves_no_file() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("scan.tif");
    for has_hash in [true, false] {
        write_scan(&path, 1);
        let mut scan = scan_ref(&path);
        scan.fingerprint = scan.fingerprint.filter(|_| has_hash);
        let session = session_of(vec![scan]);
        let request = request(&session, folder.path().join("out"));
        let is_changed = AtomicBool::new(false);
        let change = |share: f32, _: &str| {
            if share > 0.0 && !is_changed.swap(true, Ordering::SeqCst) {
                std::thread::sleep(std::time::Duration::from_millis(20));
                scan_again(&path, 2);
            }
        };
        let engine = Engine::new();
        let report = engine.export(&request, &CancelToken::new(), &change).expect("runs");
        assert!(is_changed.load(Ordering::SeqCst));
        assert_eq!((report.written.len(), report.failed.len()), (0, 1));
        let headline = &report.failed[0].notice.headline;
        let is_told =
            headline.contains("changed while it was read") || headline.contains("differs from the one");
        assert!(is_told, "{headline}");
        assert!(names_in(&request.folder).is_empty());
    }
}

#[test]
fn a_box_beside_its_scan_or_far_too_large_fails_its_frame_by_name_and_the_others_go_on() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("scan.tif");
    write_scan(&path, 1);
    let session = session_of([(); 4].map(|()| scan_ref(&path)).to_vec());
    let boxes = [
        (1, TiltedBox::from_edges(49_000.0, 49_000.0, 51_000.0, 51_000.0)),
        (2, TiltedBox::from_edges(0.0, 0.0, 70_000.0, 70_000.0)),
        (3, TiltedBox::from_edges(-5e8, -10.0, 5e8, 400.0)),
    ];
    let mut session = session;
    for (nth, crop) in boxes {
        std::sync::Arc::make_mut(&mut session.frames[nth]).crop = crop;
    }
    let request = request(&session, folder.path().join("out"));
    let engine = Engine::new();
    let report = export(&engine, &request);
    assert_eq!((report.written.len(), report.failed.len()), (1, 3));
    for failed in &report.failed {
        assert!(failed.notice.headline.contains(&format!("frame {}", failed.number)), "{}", failed.notice);
    }
    for (nth, _) in boxes {
        let frame = &session.frames[nth];
        assert!(engine.count(&request.at, frame, true, &CancelToken::new()).is_err());
    }
}

#[test]
fn a_jpeg_too_large_for_its_format_is_told_with_what_to_do() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("scan.tif");
    write_scan_of(&path, 70_000, 20, 1);
    let scan = glassine_session::ScanRef { width_px: 70_000, height_px: 20, ..scan_ref(&path) };
    let mut session = session_of(vec![scan]);
    std::sync::Arc::make_mut(&mut session.frames[0]).crop = TiltedBox::from_edges(0.0, 0.0, 70_000.0, 20.0);
    let mut request = request(&session, folder.path().join("out"));
    request.output.kind = glassine_session::OutputKind::Jpeg;
    let notice = export(&Engine::new(), &request).failed.remove(0).notice;
    assert!(notice.headline.contains("70000 x 20 px"), "{notice}");
    assert!(!notice.what_to_do.contains("mistake in the program"), "{notice}");
}
