//! `glassine watch`: scans that appear in a folder become strips of a session and pictures on disk.

use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};

use glassine_raster::ResolutionPpi;
use glassine_scanfile::{Compression, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};

use crate::program::{code, glassine, json, program, said, samples, scan_named, text};

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

/// Writes some planes of a scan with infrared as a file of their own.
fn write_planes(scan: &Path, path: &Path, planes: std::ops::Range<usize>) {
    let (width_px, height_px, codes) = samples(scan);
    let spec = PictureSpec {
        width_px,
        height_px,
        channels: planes.len() as u8,
        bits: 16,
        ppi: ResolutionPpi::new(150.0),
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Tiff { compression: Compression::None },
        overwrite: Overwrite::Never,
    };
    let chosen: Vec<u16> = codes.chunks_exact(4).flat_map(|px| px[planes.clone()].to_vec()).collect();
    let mut writer = PictureWriter::begin(path, &spec).expect("the folder is writable");
    writer.write_rows_u16(&chosen).expect("the rows have the right length");
    writer.finish().expect("the picture is complete");
}

#[test]
fn an_infrared_file_beside_a_scan_is_its_infrared_and_one_that_comes_late_is_told() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scans = folder.path().join("scans");
    std::fs::create_dir(&scans).expect("a folder");
    let whole = scan_named(folder.path(), "whole.tif", 150.0);
    write_planes(&whole, &scans.join("1.tif"), 0..3);
    write_planes(&whole, &scans.join("1_ir.tif"), 3..4);
    write_planes(&whole, &scans.join("2.tif"), 0..3);
    let session = folder.path().join("roll.session.json");
    let watch = || glassine(&["watch", text(&scans), "--session", text(&session), "--once", "--json"]);
    let first = watch();
    assert_eq!(code(&first), 0, "{}", said(&first));
    let added = json(&first)["added"].clone();
    let pairs = [0, 1].map(|nth| (added[nth]["file"].clone(), added[nth]["infrared_file"].clone()));
    assert_eq!(pairs[0], (text(&scans.join("1.tif")).into(), text(&scans.join("1_ir.tif")).into()));
    assert_eq!(pairs[1], (text(&scans.join("2.tif")).into(), serde_json::Value::Null));
    let planes = |nth: usize| {
        let shown = json(&glassine(&["show", text(&session), "--json"]));
        shown["scans"][nth]["planes"].as_array().map(Vec::len)
    };
    assert_eq!([planes(0), planes(1)], [Some(4), Some(3)]);

    // Scans that are opened together are paired too.
    let files = ["1.tif", "1_ir.tif", "2.tif"].map(|name| scans.join(name));
    let [one, infrared, two] = &files;
    let other = folder.path().join("other.session.json");
    let made = glassine(&["new", text(&other), "--scan", text(one), text(infrared), text(two)]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    assert!(said(&made).contains("1_ir.tif was taken as the infrared"), "{}", said(&made));
    let shown = json(&glassine(&["show", text(&other), "--json"]));
    let paths = |nth: usize| shown["scans"][nth]["infrared_path"].clone();
    assert_eq!(shown["scans"].as_array().map(Vec::len), Some(2));
    assert_eq!([paths(0), paths(1)], [text(infrared).into(), serde_json::Value::Null]);

    let late = scans.join("2-infrared.tif");
    write_planes(&whole, &late, 3..4);
    let told = watch();
    assert_eq!(code(&told), 0, "{}", said(&told));
    assert_eq!(json(&told)["added"].as_array().map(Vec::len), Some(0));
    assert!(said(&told).contains("came after the scan was taken"), "{}", said(&told));
    let advised = glassine(&[
        "read-as",
        text(&session),
        "--scan",
        text(&scans.join("2.tif")),
        "--infrared",
        text(&late),
    ]);
    assert_eq!(code(&advised), 0, "{}", said(&advised));
    assert_eq!(planes(1), Some(4));
    let silent = watch();
    assert!(!said(&silent).contains("came after"), "{}", said(&silent));
}
