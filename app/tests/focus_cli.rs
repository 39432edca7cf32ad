//! `glassine focus`: scans of one strip at several holder heights.

use std::path::Path;

use crate::program::{code, glassine, json, program, said, text};
use glassine_filmsim::{demo_spec, render_strip};
use glassine_raster::{CancelToken, Plane, ResolutionPpi, Samples16};
use glassine_scanfile::{Overwrite, write_rgbi};
use glassine_testdata::scenes::{Scene, with_scanner_noise};

/// The demo's first strip, softened by the lens like this.
fn scan(folder: &Path, name: &str, blur_px: f64, seed: u32) {
    let mut spec = demo_spec("harbour", 200.0).expect("the demo has this strip");
    spec.scanner.blur_px = [blur_px; 4];
    spec.seed = seed;
    let strip = render_strip(&spec, &|_| (), &CancelToken::new()).expect("renders");
    write_rgbi(&folder.join(name), &strip.samples, strip.ppi, "strip", Overwrite::Never).expect("writes");
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
    assert!(verdict.contains("zero.tif is sharper than plus.tif by"), "{verdict}");

    std::fs::write(path("broken.tif"), b"II*\0").expect("writes");
    let broken = path("broken.tif");
    let partly = glassine(&["focus", zero, text(&broken), "--json"]);
    assert_eq!(code(&partly), 1, "{}", said(&partly));
    assert_eq!(json(&partly)["failed"].as_array().map(Vec::len), Some(1));
    assert!(said(&partly).contains("broken.tif"), "{}", said(&partly));
    assert_eq!(json(&partly)["verdict"], "only zero.tif could be compared, not broken.tif");

    let alone = glassine(&["focus", zero]);
    assert_eq!(code(&alone), 2, "{}", said(&alone));
    assert!(said(&alone).contains("two scans or more are needed"), "{}", said(&alone));
}

/// A grey scan as a linear file of red, green, blue and infrared.
fn write_grey(path: &Path, light: &Plane<f32>) {
    let code = |value: &f32| (value.clamp(0.0, 1.0) * 65_535.0) as u16;
    let codes = light.data().iter().flat_map(|value| [code(value), code(value), code(value), 60_000]);
    let samples =
        Samples16::from_vec(light.width(), light.height(), 4, codes.collect()).expect("length fits");
    write_rgbi(path, &samples, ResolutionPpi::new(2400.0), "film", Overwrite::Never).expect("writes");
}

#[test]
fn three_heights_of_a_grainy_dusty_film_give_the_best_one_a_report_and_a_plan() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    let film = Scene::random(31, (1060, 700)).with_film_grain(0.02, 32).with_dust(60, 33);
    // Sharpest at +0.2 mm, with a blur of 0.8 px there; each scan is moved and has dust, noise and exposure of its own.
    let blur = |height: f64| 0.8 + 1.2 * (height - 0.2).powi(2);
    let heights = [("minus", -0.5), ("zero", 0.0), ("plus", 0.5)];
    for (nth, (name, height)) in (0_u32..).zip(heights) {
        let own = film.clone().with_dust(10, u64::from(40 + nth));
        let seen = own.seen(|_, _| blur(height), (7 * nth, 4 * nth));
        let mut seen = with_scanner_noise(&seen, 0.004, u64::from(50 + nth));
        seen.data_mut().iter_mut().for_each(|value| *value *= 1.0 - 0.08 * nth as f32);
        write_grey(&path(&format!("{name}.tif")), &seen);
    }
    let files = ["minus.tif", "zero.tif", "plus.tif"].map(path);
    let [minus, zero, plus] = files.each_ref().map(|file| text(file));
    let (report, settings) = (path("report"), path("settings"));
    let run = |args: &[&str]| {
        program().args(args).env("GLASSINE_CONFIG", &settings).output().expect("the program starts")
    };
    let heights_mm = "--heights-mm=-0.5,0,0.5";
    let asked = ["focus", minus, zero, plus, heights_mm, "--report", text(&report), "--remember", "--json"];
    let ranked = run(&asked);
    assert_eq!(code(&ranked), 0, "{}", said(&ranked));
    let figures = json(&ranked);
    let ranking = figures["ranking"].as_array().expect("a list");
    let order: Vec<&str> = ranking.iter().filter_map(|rank| rank["file"].as_str()).collect();
    assert_eq!(order, [zero, plus, minus]);
    // sinc(f) exp(-2 (pi s f)^2) = 1/2 for blurs of 0.848, 0.908 and 1.388 px.
    for (rank, truth) in ranking.iter().zip([0.2090, 0.1966, 0.1322]) {
        let mtf50 = rank["mtf50_cy_px"].as_f64().expect("edges");
        assert!((mtf50 / truth - 1.0).abs() < 0.025, "{mtf50} of {truth}");
    }
    let best = figures["best_height"]["height_mm"].as_f64().expect("a peak");
    assert!((best - 0.2).abs() < 0.05, "{best}");
    assert_eq!(std::fs::read(report.join("focus.png")).expect("written").get(..4), Some(&b"\x89PNG"[..]));
    let kept: serde_json::Value =
        serde_json::from_slice(&std::fs::read(report.join("focus.json")).expect("written")).expect("JSON");
    assert_eq!(kept["verdict"], figures["verdict"]);

    let again = run(&asked);
    assert_eq!(code(&again), 2, "a report is not replaced unless asked: {}", said(&again));

    let planned = json(&run(&["plan", "--format", "135", "--ppi", "9600", "--json"]));
    let measured = planned["above_measured_ppi"].as_f64().expect("remembered");
    assert!((1500.0..2400.0).contains(&measured), "{measured}");
}

#[test]
fn scans_of_unlike_films_are_refused_with_their_names() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    for (name, seed) in [("one.tif", 1), ("other.tif", 2)] {
        write_grey(&path(name), &Scene::random(seed, (500, 400)).seen(|_, _| 1.0, (0, 0)));
    }
    let files = ["one.tif", "other.tif"].map(path);
    let compared = glassine(&["focus", text(&files[0]), text(&files[1])]);
    assert_eq!(code(&compared), 1, "{}", said(&compared));
    let why = said(&compared);
    assert!(
        why.contains("does not show the same film as the first one") && why.contains("other.tif"),
        "{why}"
    );
}
