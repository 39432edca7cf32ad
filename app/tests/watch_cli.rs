//! `glassine watch`: scans that appear in a folder become strips of a session and pictures on disk.

use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

use crate::program::{code, glassine, json, program, said, scan_named, text};

fn files_in(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries.map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

#[test]
fn what_is_there_is_taken_once_and_a_second_run_goes_on_where_the_first_ended() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scans = folder.path().join("scans");
    std::fs::create_dir(&scans).expect("a folder");
    scan_named(&scans, "1.tif", 150.0);
    std::fs::write(scans.join("broken.tif"), b"II*\0").expect("writes");
    std::fs::write(scans.join("notes.txt"), b"no scan").expect("writes");
    let (session, out) = (folder.path().join("roll.session.json"), folder.path().join("pictures"));
    let watch = || {
        glassine(&[
            "watch",
            text(&scans),
            "--session",
            text(&session),
            "--to",
            text(&out),
            "--once",
            "--json",
        ])
    };
    let first = watch();
    assert_eq!(code(&first), 1, "{}", said(&first));
    let report = json(&first);
    assert_eq!(report["added"].as_array().map(Vec::len), Some(1));
    assert_eq!(report["added"][0]["frames"].as_array().map(Vec::len), Some(4));
    assert_eq!(report["written"].as_array().map(Vec::len), Some(4));
    assert!(report["failed"][0]["file"].as_str().is_some_and(|file| file.ends_with("broken.tif")));
    let written = files_in(&out);
    assert_eq!(written.len(), 4);

    // Nothing is done twice; the next scan continues the numbers.
    std::fs::remove_file(scans.join("broken.tif")).expect("removes");
    let again = watch();
    assert_eq!(code(&again), 0, "{}", said(&again));
    assert_eq!(json(&again)["added"].as_array().map(Vec::len), Some(0));
    scan_named(&scans, "2.tif", 150.0);
    let next = watch();
    assert_eq!(code(&next), 0, "{}", said(&next));
    assert_eq!(json(&next)["written"].as_array().map(Vec::len), Some(4));
    let all = files_in(&out);
    assert_eq!(all.len(), 8);
    assert!(written.iter().all(|name| all.contains(name)));
    let shown = json(&glassine(&["show", text(&session), "--json"]));
    assert_eq!(shown["strips"].as_array().map(Vec::len), Some(2));
    assert_eq!(shown["frames"][7]["index"], 8);
}

#[test]
fn a_scan_that_appears_while_the_folder_is_watched_is_taken_and_a_signal_ends_the_watch() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scans = folder.path().join("scans");
    std::fs::create_dir(&scans).expect("a folder");
    let session = folder.path().join("roll.session.json");
    let mut watching = program()
        .args(["watch", text(&scans), "--session", text(&session)])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    std::thread::sleep(Duration::from_millis(500));
    scan_named(&scans, "1.tif", 150.0);
    let begun = Instant::now();
    while session.symlink_metadata().is_err() && begun.elapsed() < Duration::from_secs(90) {
        std::thread::sleep(Duration::from_millis(200));
    }
    assert!(session.exists(), "the session was not made");
    let id = rustix::process::Pid::from_child(&watching);
    rustix::process::kill_process(id, rustix::process::Signal::TERM).expect("the process is there");
    let status = watching.wait().expect("the program ends");
    assert_eq!(status.code(), Some(143));
    let shown = json(&glassine(&["show", text(&session), "--json"]));
    assert_eq!(shown["frames"].as_array().map(Vec::len), Some(4));
}

#[test]
fn pictures_are_not_written_into_the_watched_folder() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = scan_named(folder.path(), "1.tif", 150.0);
    let before = std::fs::read(&scan).expect("there");
    let session = folder.path().join("roll.session.json");
    let same = folder.path().join(".");
    let refused =
        glassine(&["watch", text(folder.path()), "--session", text(&session), "--to", text(&same), "--once"]);
    assert_eq!(code(&refused), 2, "{}", said(&refused));
    assert!(said(&refused).contains("another folder with --to"), "{}", said(&refused));
    assert_eq!(files_in(folder.path()), ["1.tif"]);
    assert_eq!(std::fs::read(&scan).expect("there"), before);
}
