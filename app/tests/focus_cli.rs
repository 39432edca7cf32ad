//! `glassine focus`: scans of one strip at several holder heights.

mod program;

use std::path::Path;

use glassine_filmsim::{demo_spec, render_strip};
use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_rgbi};
use program::{code, glassine, json, said, text};

/// The demo's first strip, softened by the lens like this.
fn scan(folder: &Path, name: &str, blur_px: f64, seed: u32) {
    let mut spec = demo_spec("harbour", 200.0).expect("the demo has this strip");
    spec.scanner.blur_px = [blur_px; 4];
    spec.seed = seed;
    let strip = render_strip(&spec, &|_| (), &CancelToken::new()).expect("renders");
    write_rgbi(&folder.join(name), &strip.samples, 200.0, "strip", Overwrite::Never).expect("writes");
}

#[test]
fn scans_of_a_strip_are_ranked_by_sharpness_and_a_bad_file_is_named() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    for (name, blur_px, seed) in [("minus.tif", 1.2, 1), ("zero.tif", 0.6, 2), ("plus.tif", 0.9, 3)] {
        scan(folder.path(), name, blur_px, seed);
    }
    let files = ["minus.tif", "zero.tif", "plus.tif"].map(path);
    let [minus, zero, plus] = files.each_ref().map(|file| text(file));
    let ranked = glassine(&["focus", minus, zero, plus, "--json"]);
    assert_eq!(code(&ranked), 0, "{}", said(&ranked));
    let report = json(&ranked);
    let ranking = report["ranking"].as_array().expect("a list");
    let order: Vec<&str> = ranking.iter().filter_map(|rank| rank["file"].as_str()).collect();
    assert_eq!(order, [zero, plus, minus]);
    assert_eq!(ranking[0]["relative"], 1.0);
    let verdict = report["verdict"].as_str().expect("words");
    assert!(verdict.contains("zero.tif is sharpest"), "{verdict}");

    std::fs::write(path("broken.tif"), b"II*\0").expect("writes");
    let broken = path("broken.tif");
    let partly = glassine(&["focus", zero, text(&broken), "--json"]);
    assert_eq!(code(&partly), 1, "{}", said(&partly));
    assert_eq!(json(&partly)["failed"].as_array().map(Vec::len), Some(1));
    assert!(said(&partly).contains("broken.tif"), "{}", said(&partly));
}
