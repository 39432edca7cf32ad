//! The command line as a user or a script sees it: exit codes, one JSON document, clear messages, nothing lost.

use std::path::Path;

use crate::program::{code, glassine, json, said, scan_in, text};

#[test]
fn a_strip_goes_from_scan_to_pictures_by_three_commands() {
    let folder = tempfile::tempdir().expect("a folder");
    let scan = scan_in(folder.path());
    let session = folder.path().join("roll.session.json");
    let made = glassine(&["new", text(&session), "--scan", text(&scan), "--format", "6x4.5", "--json"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    assert_eq!(json(&made)["frames"], 4);

    let shown = glassine(&["show", text(&session), "--json"]);
    assert_eq!(code(&shown), 0, "{}", said(&shown));
    let document = json(&shown);
    let planes: Vec<_> = document["scans"][0]["planes"].as_array().expect("planes").clone();
    assert_eq!(planes, ["red", "green", "blue", "infrared"]);
    let strip = &document["strips"][0];
    assert_eq!(strip["base_density"].as_array().map(Vec::len), Some(3));
    assert!(strip["base_pixels"].as_u64().is_some_and(|pixels| pixels > 100));
    assert!(strip["base_spread_d"].is_array() && strip["mask_tolerance_d"].is_number());
    for frame in document["frames"].as_array().expect("frames") {
        let corners = frame["corners_px"].as_array().expect("corners");
        let at = |corner: usize, axis: usize| corners[corner][axis].as_f64().expect("a number");
        assert_eq!(corners.len(), 4);
        // Top left, top right, bottom right, bottom left of a picture that is upright on the scan.
        assert!(at(0, 0) < at(1, 0) && at(1, 1) < at(2, 1) && at(3, 0) < at(2, 0));
        assert!(frame["clip_low"].as_array().map(Vec::len) == Some(3) && frame["confidence"].is_number());
        assert!(frame["exposure_stops"].is_number() && frame["balance_cc"]["warmth"].is_number());
    }

    let pictures = folder.path().join("pictures");
    let export = |more: &[&str]| {
        let mut args = vec!["export", text(&session), "--to", text(&pictures), "--json"];
        args.extend(more);
        glassine(&args)
    };
    let first = export(&["--frames", "1,3-4", "--render", "straight", "--space", "srgb"]);
    assert_eq!(code(&first), 0, "{}", said(&first));
    let written = json(&first)["written"].as_array().expect("written").clone();
    assert_eq!(written.len(), 3);
    for file in &written {
        assert!(Path::new(file["path"].as_str().expect("a path")).is_file());
        assert!(file["width_px"].as_u64().is_some_and(|width| width > 100));
    }
    let again = export(&[]);
    assert_eq!(code(&again), 1);
    let report = json(&again);
    assert_eq!(report["failed"].as_array().map(Vec::len), Some(3));
    assert_eq!(report["written"].as_array().map(Vec::len), Some(1));
    let failed = &report["failed"][0];
    assert!(failed["reason"].as_str().is_some_and(|reason| reason.contains("already")));
    assert!(failed["hint"].as_str().is_some_and(|hint| !hint.is_empty()));
}

#[test]
fn what_can_t_start_ends_with_two_and_says_what_to_do() {
    let folder = tempfile::tempdir().expect("a folder");
    let scan = scan_in(folder.path());
    let at = |name: &str| folder.path().join(name);
    std::fs::write(at("cut.tif"), &std::fs::read(&scan).expect("reads")[..20_000]).expect("writes");
    std::fs::write(at("newer.session.json"), r#"{ "format": "glassine-session", "version": 99 }"#)
        .expect("writes");
    std::fs::write(at("damaged.session.json"), r#"{ "format": "glassine-se"#).expect("writes");
    std::fs::write(at("other.json"), "{}").expect("writes");
    let (cut, missing, out) = (at("cut.tif"), at("missing.tif"), at("out"));
    let (newer, damaged) = (at("newer.session.json"), at("damaged.session.json"));
    let (other, nothing) = (at("other.json"), at("nothing.session.json"));
    let cases: [(&[&str], &str); 8] = [
        (&["new", text(&out), "--scan", text(&cut)], "ends after"),
        (&["new", text(&out), "--scan", text(&missing)], "missing.tif"),
        (&["new", text(&out), "--scan", text(&scan), "--format", "7x9"], "6x4.5"),
        (&["show", text(&newer)], "version 99"),
        (&["show", text(&damaged)], "damaged"),
        (&["export", text(&other), "--to", text(&out)], "not a session"),
        (&["export", text(&nothing), "--to", text(&out)], "can't be read"),
        (&["plan", "--format", "6x4.5"], "--ppi"),
    ];
    for (args, expected) in cases {
        let output = glassine(args);
        assert_eq!(code(&output), 2, "{args:?}: {}", said(&output));
        assert!(said(&output).contains(expected), "{args:?}: {}", said(&output));
        assert!(!said(&output).contains("panicked"), "{args:?}: {}", said(&output));
    }
    assert!(!out.exists() && !at("out.session.json").exists(), "something was written");
}

#[test]
fn a_session_is_not_written_over_without_being_asked() {
    let folder = tempfile::tempdir().expect("a folder");
    let scan = scan_in(folder.path());
    let session = folder.path().join("roll.session.json");
    let new = |more: &[&str]| {
        let mut args = vec!["new", text(&session), "--scan", text(&scan)];
        args.extend(more);
        glassine(&args)
    };
    assert_eq!(code(&new(&[])), 0);
    let before = std::fs::read(&session).expect("reads");
    let refused = new(&[]);
    assert_eq!(code(&refused), 2);
    assert!(said(&refused).contains("already there"), "{}", said(&refused));
    assert_eq!(std::fs::read(&session).expect("reads"), before);
    assert_eq!(code(&new(&["--replace"])), 0);
}

#[test]
fn a_missing_scan_fails_its_frames_and_keeps_the_session() {
    let folder = tempfile::tempdir().expect("a folder");
    let scan = scan_in(folder.path());
    let session = folder.path().join("roll.session.json");
    assert_eq!(code(&glassine(&["new", text(&session), "--scan", text(&scan)])), 0);
    let before = std::fs::read(&session).expect("reads");
    std::fs::rename(&scan, folder.path().join("moved away.tif")).expect("moves");
    let out = folder.path().join("pictures");
    let output = glassine(&["export", text(&session), "--to", text(&out), "--json"]);
    assert_eq!(code(&output), 1);
    let report = json(&output);
    assert_eq!(report["written"].as_array().map(Vec::len), Some(0));
    assert!(report["failed"].as_array().is_some_and(|failed| failed.len() == 4));
    assert_eq!(std::fs::read(&session).expect("reads"), before);
}

#[test]
fn without_a_display_the_window_names_the_headless_form() {
    let folder = tempfile::tempdir().expect("a folder");
    for args in [Vec::new(), vec!["demo", "--folder", text(folder.path())]] {
        let output = glassine(&args);
        assert_eq!(code(&output), 2);
        let said = said(&output);
        assert!(said.contains("display") && said.contains("--headless"), "{said}");
    }
}

#[test]
fn plans_agree_with_the_worked_sizes() {
    // Arithmetic: 56 x 41.5 mm at 2400 ppi is 5291 x 3921 px, 118.7 MiB of 16-bit RGB.
    let document = json(&glassine(&["plan", "--format", "6x4.5", "--ppi", "2400", "--json"]));
    let sides = [document["width_px"].as_u64(), document["height_px"].as_u64()];
    assert_eq!(sides, [Some(3921), Some(5291)]);
    let mib = document["bytes_rgb16"].as_f64().expect("bytes") / f64::from(1 << 20);
    assert!((mib - 118.7).abs() < 0.05, "{mib}");
    // 300 mm from 36 mm at 300 ppi needs 2500 ppi.
    let document = json(&glassine(&["plan", "--format", "135", "--print-mm", "300x200", "--json"]));
    let scan_ppi = document["needs"][0]["scan_ppi"].as_f64().expect("a resolution");
    assert!((scan_ppi - 2500.0).abs() < 0.5, "{scan_ppi}");
}

#[test]
fn a_mistyped_command_and_a_missing_file_are_told_instead_of_opening_the_window() {
    for (typed, told) in [("exprot", "did you mean `export`?"), ("no such roll.tif", "there is no file")] {
        let ended = glassine(&[typed]);
        assert_eq!(code(&ended), 2, "{}", said(&ended));
        assert!(said(&ended).contains(told) && said(&ended).contains(typed), "{}", said(&ended));
    }
}
