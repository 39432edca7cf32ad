//! `glassine join`: a strip in two scans becomes one, with each frame once.

use std::path::{Path, PathBuf};

use crate::program::{code, glassine, json, said, text};
use glassine_filmsim::{RenderedStrip, demo_spec, render_strip};
use glassine_raster::{CancelToken, RegionSource as _, ResolutionPpi, Samples16};
use glassine_scanfile::{OpenOptions, Overwrite, Scan, write_rgbi};
use serde_json::Value;

const PPI: f64 = 300.0;

fn rendered(name: &str) -> RenderedStrip {
    let spec = demo_spec(name, PPI).expect("the demo has this strip");
    render_strip(&spec, &|_| (), &CancelToken::new()).expect("renders")
}

/// Writes columns of a scan, with other light.
fn part(folder: &Path, name: &str, all: &Samples16, columns: std::ops::Range<u32>, gain: f64) -> PathBuf {
    let mut part = Samples16::zeroed(columns.len() as u32, all.height(), all.channels());
    let from = columns.start as usize * usize::from(all.channels());
    for y in 0..all.height() {
        let row = &all.row(y)[from..];
        part.row_mut(y).iter_mut().zip(row).for_each(|(out, code)| *out = (f64::from(*code) * gain) as u16);
    }
    let path = folder.join(name);
    write_rgbi(&path, &part, ResolutionPpi::new(PPI), "part", Overwrite::Never).expect("writes");
    path
}

fn show(session: &Path) -> Value {
    json(&glassine(&["show", text(session), "--json"]))
}

#[test]
fn a_frame_that_is_on_both_scans_of_a_strip_is_kept_once() {
    let folder = tempfile::tempdir().expect("a folder");
    let strip = rendered("headland");
    let all = &strip.samples;
    let width = all.width();
    // The fourth frame is cut in the first part, and the third is missing from the second.
    let left = part(folder.path(), "left.tif", all, 0..width * 60 / 100, 1.0);
    let right = part(folder.path(), "right.tif", all, width * 42 / 100..width, 0.96);
    let session = folder.path().join("strip.session.json");
    let made = glassine(&["new", text(&session), "--scan", text(&left), text(&right), "--format", "135"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    let before = show(&session)["frames"].as_array().expect("frames").len();
    assert!(before > 6, "{before} frames on the parts, one of them on both");

    let file = folder.path().join("joined.tif");
    let joined = glassine(&["join", text(&session), "--to", text(&file), "--json"]);
    assert_eq!(code(&joined), 0, "{}", said(&joined));
    let shown = show(&session);
    assert_eq!(shown["joins"][0]["parts"].as_array().expect("parts").len(), 2);
    let frames = shown["frames"].as_array().expect("frames");
    assert_eq!(frames.len(), 6, "each frame once");
    for (nth, (frame, truth)) in frames.iter().zip(&strip.truth.frames).enumerate() {
        assert_eq!((&frame["index"], &frame["join"]), (&(nth + 1).into(), &0.into()));
        let corners = frame["corners_px"].as_array().expect("corners");
        let middle = |axis: usize| {
            corners.iter().map(|corner| corner[axis].as_f64().expect("a number")).sum::<f64>() / 4.0
        };
        let off = (middle(0) - truth.area.center.x).hypot(middle(1) - truth.area.center.y);
        assert!(off < 4.0, "frame {} is {off:.1} px off", nth + 1);
    }
    let written = Scan::open(&file, &OpenOptions::default()).expect("opens");
    assert!(written.width().abs_diff(width) <= 2 && written.channels() == all.channels());
}

#[test]
fn scans_without_a_common_part_are_refused_and_stay_as_they_are() {
    let folder = tempfile::tempdir().expect("a folder");
    let strip = rendered("headland");
    let width = strip.samples.width();
    let left = part(folder.path(), "left.tif", &strip.samples, 0..width * 45 / 100, 1.0);
    let right = part(folder.path(), "right.tif", &strip.samples, width * 55 / 100..width, 1.0);
    let session = folder.path().join("strip.session.json");
    let made = glassine(&["new", text(&session), "--scan", text(&left), text(&right), "--format", "135"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    let before = std::fs::read(&session).expect("reads");
    let joined = glassine(&["join", text(&session)]);
    assert_eq!(code(&joined), 2, "{}", said(&joined));
    assert!(said(&joined).contains("does not fit the others"), "{}", said(&joined));
    assert_eq!(std::fs::read(&session).expect("reads"), before, "the session is as it was");
}
