//! Contact sheets, archive negatives and templates of names, made by the real program.

use std::path::{Path, PathBuf};

use crate::program::{code, glassine, json, said, scan_in, scan_named, text};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _, ResolutionPpi};
use glassine_scanfile::{OpenOptions, Overwrite, Scan, write_rgbi};

/// A session of one strip of four frames.
fn session_in(folder: &Path) -> (PathBuf, PathBuf) {
    let scan = scan_in(folder);
    let session = folder.join("roll.session.json");
    let made = glassine(&["new", text(&session), "--scan", text(&scan), "--format", "6x4.5"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    (session, scan)
}

#[test]
fn a_contact_sheet_is_written_once_in_each_form_and_never_over_another_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, _) = session_in(folder.path());
    for (name, start) in [("sheet.pdf", &b"%PDF-"[..]), ("sheet.png", b"\x89PNG"), ("sheet.jpg", b"\xff\xd8")]
    {
        let path = folder.path().join(name);
        let args =
            ["contact-sheet", text(&session), "--to", text(&path), "--negatives", "--paper", "a5", "--json"];
        let made = glassine(&args);
        assert_eq!(code(&made), 0, "{}", said(&made));
        assert_eq!((&json(&made)["frames"], &json(&made)["pages"]), (&4.into(), &1.into()));
        let first = std::fs::read(&path).expect("written");
        assert!(first.starts_with(start), "{name}");
        let again = glassine(&args);
        assert_eq!(code(&again), 2, "nothing is replaced unasked");
        assert_eq!(std::fs::read(&path).expect("there"), first);
    }
    let pdf = std::fs::read(folder.path().join("sheet.pdf")).expect("there");
    let count = |what: &[u8]| pdf.windows(what.len()).filter(|part| *part == what).count();
    assert_eq!(count(b"DCTDecode"), 8, "four frames, each as negative and print");
    let wrong = glassine(&["contact-sheet", text(&session), "--to", "sheet.txt"]);
    assert_eq!(code(&wrong), 2);
    assert!(said(&wrong).contains(".pdf"), "{}", said(&wrong));
}

#[test]
fn an_archive_negative_has_the_samples_of_the_scan_with_infrared_and_some_film_around_the_picture() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, scan) = session_in(folder.path());
    let out = folder.path().join("out");
    let kind = ["--kind", "archive-negative", "--name", "{count:3}", "--json"];
    let made = glassine(&[&["export", text(&session), "--to", text(&out)][..], &kind].concat());
    assert_eq!(code(&made), 0, "{}", said(&made));
    let scan = Scan::open(&scan, &OpenOptions::default()).expect("opens");
    let whole = PixelRect::of_size(scan.width(), scan.height());
    let film = scan.read_region(whole, &CancelToken::new()).expect("reads");
    let shown = json(&glassine(&["show", text(&session), "--json"]));
    let written = json(&made)["written"].as_array().expect("files").clone();
    assert_eq!(written.len(), 4);
    for (idx, file) in written.iter().enumerate() {
        let path = out.join(format!("{:03}.tif", idx + 1));
        let negative = Scan::open(&path, &OpenOptions::default()).expect("opens");
        assert_eq!((negative.channels(), negative.info().bits_per_sample), (4, 16));
        assert!(negative.info().icc.is_some(), "a profile of its own");
        assert_eq!(negative.linearisation().light(0, 32_768), 32_768.0 / 65_535.0, "a linear one");
        let corners = shown["frames"][idx]["corners_px"].as_array().expect("corners").clone();
        let along = |axis: usize| corners.iter().filter_map(|c| c[axis].as_f64()).fold(f64::MAX, f64::min);
        let (w, h) = (negative.width(), negative.height());
        let own = negative.read_region(PixelRect::of_size(w, h), &CancelToken::new()).expect("reads");
        // The place is found from the samples alone: the only one where the first row agrees.
        let near = |middle: f64| (middle as u32).saturating_sub(30)..=middle as u32;
        let place = near(along(1)).flat_map(|y| near(along(0)).map(move |x| (x, y))).find(|(x, y)| {
            (0..h.min(film.height() - y)).all(|row| {
                (0..w.min(film.width() - x))
                    .step_by(7)
                    .all(|px| film.pixel(x + px, y + row) == own.pixel(px, row))
            })
        });
        let (x, y) = place.expect("the samples are those of the scan");
        assert!(f64::from(x) + 5.0 < along(0) && f64::from(y) + 5.0 < along(1), "film around the picture");
        assert_eq!(file["width_px"], w);
    }
}

#[test]
fn templates_name_files_and_folders_and_what_leads_out_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, _) = session_in(folder.path());
    let out = folder.path().join("out");
    let export = |name: &str, kind: &str| {
        glassine(&["export", text(&session), "--to", text(&out), "--name", name, "--kind", kind, "--json"])
    };
    let made = export("{kind}/strip {strip}/{count:3}", "web");
    assert_eq!(code(&made), 0, "{}", said(&made));
    assert!(out.join("web/strip 1/004.jpg").is_file());
    assert_eq!(code(&export("same name/x", "tiff8")), 1, "three of four frames would have a name twice");
    for wrong in ["../{count}", "{nothing}", "/tmp/{count}", "nul/{count}"] {
        let refused = export(wrong, "web");
        assert_eq!(code(&refused), 1, "{wrong}");
        assert_eq!(json(&refused)["written"].as_array().map(Vec::len), Some(0));
    }
    #[cfg(unix)]
    {
        let elsewhere = folder.path().join("elsewhere");
        std::fs::create_dir(&elsewhere).expect("ours");
        std::os::unix::fs::symlink(&elsewhere, out.join("link")).expect("ours");
        let refused = export("link/{count}", "web");
        assert_eq!(code(&refused), 2, "{}", said(&refused));
        assert_eq!(std::fs::read_dir(&elsewhere).expect("ours").count(), 0);
    }
    let made = export("print {count}", "print");
    assert_eq!(code(&made), 0, "{}", said(&made));
    // 240 x 180 mm at 300 ppi: one side of the picture fills its side of the print.
    let size = |key: &str| json(&made)["written"][0][key].as_f64().expect("a side");
    let (long, short) = (size("width_px").max(size("height_px")), size("width_px").min(size("height_px")));
    assert!((long - 2835.0).abs() < 1.0 || (short - 2126.0).abs() < 1.0, "{long} x {short}");
}

/// What the Python package of the Library of Congress says of a bag; `None` where it is not installed.
fn validated(folder: &Path) -> Option<bool> {
    let python = |args: &[&str]| std::process::Command::new("python3").args(args).output().ok();
    if !python(&["-c", "import bagit"]).is_some_and(|output| output.status.success()) {
        glassine_testdata::skipped("a package read by the Python package bagit, which is not installed");
        return None;
    }
    let check = "import bagit, sys; sys.exit(0 if bagit.Bag(sys.argv[1]).is_valid() else 1)";
    python(&["-c", check, text(folder)]).map(|output| output.status.success())
}

#[test]
fn a_package_is_a_valid_bag_whose_session_opens_and_every_change_in_it_is_found() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, scan) = session_in(folder.path());
    let bag = folder.path().join("bag");
    let made = glassine(&["archive", text(&session), "--to", text(&bag), "--json"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    assert_eq!((&json(&made)["scans"], &json(&made)["negatives"]), (&1.into(), &4.into()));
    assert_ne!(validated(&bag), Some(false));
    let verify = |what: &Path| glassine(&["verify", text(what), "--json"]);
    let sound = verify(&bag);
    assert_eq!(code(&sound), 0, "{}", said(&sound));
    assert_eq!(code(&glassine(&["archive", text(&session), "--to", text(&bag)])), 2, "never over a package");

    // The package works without the files it was made from.
    let kept = bag.join("data/scans/strip.tif");
    assert_eq!(std::fs::read(&kept).expect("there"), std::fs::read(&scan).expect("there"));
    std::fs::remove_file(&scan).expect("ours");
    assert_eq!(code(&verify(&session)), 1, "the scan of the session itself is missing");
    let inner = bag.join("data/roll.session.json");
    assert_eq!(code(&verify(&inner)), 0, "the copy is found from the session in the package");
    let shown = json(&glassine(&["show", text(&inner), "--json"]));
    assert_eq!(shown["frames"].as_array().map(Vec::len), Some(4));

    let negative = bag.join("data/negatives/frame 002.tif");
    let mut bytes = std::fs::read(&negative).expect("there");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&negative, bytes).expect("ours");
    std::fs::remove_file(bag.join("data/how-the-pictures-were-made.txt")).expect("ours");
    std::fs::write(bag.join("data/stray.txt"), "new").expect("ours");
    let found = verify(&bag);
    assert_eq!(code(&found), 1);
    let report = json(&found);
    assert_eq!(report["changed"], serde_json::json!(["data/negatives/frame 002.tif"]));
    assert_eq!(report["missing"], serde_json::json!(["data/how-the-pictures-were-made.txt"]));
    assert_eq!(report["extra"], serde_json::json!(["data/stray.txt"]));
    assert_ne!(validated(&bag), Some(true));
}

/// The strip of a scan in two overlapping files.
fn parts_of(scan: &Path, folder: &Path) -> [PathBuf; 2] {
    let scan = Scan::open(scan, &OpenOptions::default()).expect("opens");
    let (width, height) = (scan.width(), scan.height());
    [("left", 0, width * 3 / 5), ("right", width * 2 / 5, width)].map(|(name, x0, x1)| {
        let part = scan.read_region(PixelRect { x0, y0: 0, x1, y1: height }, &CancelToken::new());
        let path = folder.join(format!("{name}.tif"));
        write_rgbi(&path, &part.expect("reads"), ResolutionPpi::new(300.0), name, Overwrite::Never)
            .expect("writes");
        path
    })
}

#[test]
fn a_package_keeps_the_file_of_every_part_of_a_joined_scan() {
    let folder = tempfile::tempdir().expect("a folder");
    let whole = scan_named(folder.path(), "whole.tif", 300.0);
    let parts = parts_of(&whole, folder.path());
    let (session, bag) = (folder.path().join("roll.session.json"), folder.path().join("bag"));
    let (left, right) = (text(&parts[0]), text(&parts[1]));
    for args in [
        vec!["new", text(&session), "--scan", left, "--scan", right],
        vec!["join", text(&session)],
        vec!["archive", text(&session), "--to", text(&bag), "--json"],
    ] {
        let made = glassine(&args);
        assert_eq!(code(&made), 0, "{args:?}: {}", said(&made));
        if args[0] == "archive" {
            assert_eq!(json(&made)["scans"], 2);
        }
    }
    for part in &parts {
        let kept = bag.join("data/scans").join(part.file_name().expect("a name"));
        assert_eq!(std::fs::read(kept).expect("kept"), std::fs::read(part).expect("there"));
        std::fs::remove_file(part).expect("ours");
    }
    let inner = bag.join("data/roll.session.json");
    assert_eq!(code(&glassine(&["verify", text(&inner), "--json"])), 0, "the package stands alone");
    let notes = std::fs::read_to_string(bag.join("data/how-the-pictures-were-made.txt")).expect("notes");
    assert!(notes.contains("joined from left.tif") && notes.contains("joined from right.tif"), "{notes}");
}
