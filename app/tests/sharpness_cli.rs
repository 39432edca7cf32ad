//! `glassine sfr` and `glassine export --sharpen suggested`, as a user runs them.

use std::path::Path;

use crate::program::{code, glassine, json, said, text};
use glassine_filmsim::{demo_spec, render_strip};
use glassine_raster::{CancelToken, ResolutionPpi, Samples16};
use glassine_scanfile::{Overwrite, write_rgbi};

/// A slanted edge between levels 0.1 and 0.7, red moved by half a pixel to the right; an exact ramp over one pixel.
fn write_edge(path: &Path, slope: f64) {
    let (width, height) = (160_u32, 200_u32);
    let mut codes = Vec::new();
    for y in 0..height {
        for x in 0..width {
            for shift in [0.5, 0.0, 0.0, 0.0] {
                let edge = 80.0 + (f64::from(y) - 100.0) * slope + shift;
                let covered = (f64::from(x) + 1.0 - edge).clamp(0.0, 1.0);
                codes.push((65_535.0 * (0.1 + 0.6 * covered)) as u16);
            }
        }
    }
    let samples = Samples16::from_vec(width, height, 4, codes).expect("length fits");
    write_rgbi(path, &samples, ResolutionPpi::new(2400.0), "edge", Overwrite::Never).expect("writes");
}

#[test]
fn an_edge_is_measured_per_channel_drawn_and_an_upright_one_is_refused() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    write_edge(&path("edge.tif"), 0.0875);
    let (edge, plot) = (path("edge.tif"), path("curve.png"));
    let measured = glassine(&["sfr", text(&edge), "--json", "--plot", text(&plot)]);
    assert_eq!(code(&measured), 0, "{}", said(&measured));
    let report = json(&measured);
    let channels = report["channels"].as_array().expect("a list");
    assert!(channels.len() >= 3);
    // Square pixels alone: half response at 0.6034 cycles per pixel (check value CV-5.1, sigma 0).
    for channel in channels.iter().take(3) {
        let mtf50 = channel["mtf50_cy_px"].as_f64().expect("a number");
        assert!((mtf50 / 0.6034 - 1.0).abs() < 0.03, "{mtf50}");
    }
    let shift = channels[0]["shift_px"].as_f64().expect("a number");
    assert!((shift - 0.5).abs() < 0.02, "{shift}");
    assert_eq!(std::fs::read(&plot).expect("written").get(..4), Some(&b"\x89PNG"[..]));
    let again = glassine(&["sfr", text(&edge), "--plot", text(&plot)]);
    assert_eq!(code(&again), 2, "a plot is not replaced unless asked: {}", said(&again));

    write_edge(&path("upright.tif"), 0.0);
    let refused = glassine(&["sfr", text(&path("upright.tif"))]);
    assert_eq!(code(&refused), 2);
    assert!(said(&refused).contains("degrees off the pixel grid"), "{}", said(&refused));
    assert!(said(&refused).contains("--box X,Y,W,H"), "{}", said(&refused));
}

#[test]
fn suggested_sharpening_tells_its_reason_and_changes_the_pictures() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = |name: &str| folder.path().join(name);
    let spec = demo_spec("harbour", 200.0).expect("the demo has this strip");
    let strip = render_strip(&spec, &|_| (), &CancelToken::new()).expect("renders");
    write_rgbi(&path("strip.tif"), &strip.samples, strip.ppi, "strip", Overwrite::Never).expect("writes");
    let (session, scan) = (path("s.session.json"), path("strip.tif"));
    let made = glassine(&["new", text(&session), "--scan", text(&scan)]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    let export = |to: &str, more: &[&str]| {
        let to = path(to);
        let mut words = vec!["export", text(&session), "--to", text(&to), "--frames", "1", "--json"];
        words.extend(more);
        let done = glassine(&words);
        assert_eq!(code(&done), 0, "{}", said(&done));
        let report = json(&done);
        let file = report["written"][0]["path"].as_str().expect("a path").to_owned();
        (std::fs::read(file).expect("written"), report["written"][0]["notes"].to_string())
    };
    let (plain, _) = export("plain", &["--sharpen", "off"]);
    let (sharp, notes) = export("sharp", &["--sharpen", "suggested"]);
    assert!(notes.contains("suggested sharpening: amount"), "{notes}");
    assert!(plain != sharp);
    let (web, _) = export("web", &["--kind", "web", "--output-sharpen", "off"]);
    assert!(!web.is_empty());
}
