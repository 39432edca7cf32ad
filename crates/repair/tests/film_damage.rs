//! Real damage: shapes annotated by hand on empty film, painted into the visible and infrared planes of a scan.
//!
//! Source of the shapes: D. Ivanova et al., "Simulating analogue film damage", Eurographics 2023 (MIT), in the folder
//! of open data. They have outlines but no opacity, so the test chooses it.
#![expect(clippy::print_stdout, reason = "the figures are shown")]

use glassine_raster::CancelToken;
use glassine_repair::{DustOptions, fill, find_dust};
use glassine_testdata::twin::{Model, positive, precision_recall, psnr, random, scene, ssim};

/// Every `"points": [[x, y], ...]` of the file.
fn polygons(text: &str) -> Vec<Vec<(f64, f64)>> {
    text.split("\"points\"")
        .skip(1)
        .map(|part| {
            let squeezed: String = part.chars().filter(|c| !c.is_whitespace()).collect();
            let list = squeezed.trim_start_matches(':');
            let end = list.find("]]").unwrap_or(0);
            let numbers: Vec<f64> = list[..end]
                .split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-' || c == 'e'))
                .filter_map(|n| n.parse().ok())
                .collect();
            numbers.chunks_exact(2).map(|p| (p[0], p[1])).collect()
        })
        .filter(|p: &Vec<_>| p.len() >= 3)
        .collect()
}

/// Coverage of a polygon, four by four points a pixel, times opacity; the darker of old and new value stays.
fn paint(out: &mut [f64], w: usize, h: usize, polygon: &[(f64, f64)], opacity: f64) {
    let fold = |pick: fn(&(f64, f64)) -> f64| {
        polygon.iter().map(pick).fold((f64::MAX, f64::MIN), |(l, u), v| (l.min(v), u.max(v)))
    };
    let ((x0, x1), (y0, y1)) = (fold(|p| p.0), fold(|p| p.1));
    if x1 < 0.0 || y1 < 0.0 {
        return;
    }
    for y in y0.max(0.0) as usize..(y1.ceil().max(0.0) as usize).min(h) {
        for x in x0.max(0.0) as usize..(x1.ceil().max(0.0) as usize).min(w) {
            let inside = (0..16)
                .filter(|k| {
                    let (px, py) = (
                        x as f64 + f64::from(k % 4) / 4.0 + 0.125,
                        y as f64 + f64::from(k / 4) / 4.0 + 0.125,
                    );
                    let mut odd = false;
                    for (a, b) in polygon.iter().zip(polygon.iter().cycle().skip(1)) {
                        if (a.1 > py) != (b.1 > py) && px < a.0 + (py - a.1) / (b.1 - a.1) * (b.0 - a.0) {
                            odd = !odd;
                        }
                    }
                    odd
                })
                .count();
            let value = opacity * inside as f64 / 16.0;
            out[y * w + x] = out[y * w + x].max(value);
        }
    }
}

#[test]
fn real_damage_shapes_are_found_and_filled() {
    let Some(folder) = glassine_testdata::folder("film-damage/frames") else { return };
    let (w, h) = (420, 320);
    for (file, scale, x0, y0) in [
        ("frame-01.json", 0.5, 900.0, 600.0),
        ("frame-05.json", 0.6, 1500.0, 900.0),
        ("frame-08.json", 0.5, 600.0, 500.0),
    ] {
        let text = std::fs::read_to_string(folder.join(file)).expect("a readable file of the data folder");
        let mut random = random(5);
        let mut opacity = vec![0.0; w * h];
        for polygon in polygons(&text) {
            let moved: Vec<(f64, f64)> =
                polygon.iter().map(|p| ((p.0 - x0) * scale, (p.1 - y0) * scale)).collect();
            paint(&mut opacity, w, h, &moved, 0.3 + 0.6 * random.unit());
        }
        let twin = Model { width: w, height: h, ..Model::default() }.scan(scene, &opacity);
        let map = find_dust(&twin.dusty, 3, &DustOptions::default(), &CancelToken::new()).expect("dye film");
        let (precision, recall) = precision_recall(&twin.loss, map.severity_plane().data(), w, h);
        let mut repaired = twin.dusty.clone();
        fill(&mut repaired, 3, &map, &CancelToken::new());
        let [clean, before, after] = [&twin.clean, &twin.dusty, &repaired].map(positive);
        let damaged = |i: usize| twin.loss[i] > 0.08;
        let (unrepaired, inside) = (psnr(&before, &clean, damaged), psnr(&after, &clean, damaged));
        let similar = ssim(&after, &clean, w, h, damaged);
        println!(
            "{file}: {} objects, precision {precision:.3}, recall {recall:.3}, {unrepaired:.1} -> {inside:.1} dB, SSIM {similar:.3}",
            map.objects
        );
        assert!(precision >= 0.97 && recall >= 0.92, "{file}");
        assert!(inside >= 30.0 && similar >= 0.95, "{file}");
    }
}
