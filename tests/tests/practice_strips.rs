//! The strips of an independent simulator, if they are beside the checkout: frames, edges and base against their truth.

use glassine_engine::Engine;
use glassine_film::FilmKind;
use glassine_raster::Point;
use glassine_tests::{new_session, say};
use serde_json::Value;

fn numbers<const N: usize>(value: &Value) -> [f64; N] {
    std::array::from_fn(|i| value[i].as_f64().unwrap_or(f64::NAN))
}

fn check(name: &str, film: FilmKind, format: &str) {
    let Some(folder) = glassine_testdata::practice(name) else { return };
    let scan = folder.join("scan_rgbi.tif");
    let text = std::fs::read_to_string(folder.join("truth.json")).expect("truth is there");
    let truth: Value = serde_json::from_str(&text).expect("truth is JSON");
    let engine = Engine::new();
    let session = new_session(&engine, &[scan], film, format).session;
    let frames = truth["frames"].as_array().expect("frames");
    assert_eq!(session.frames.len(), frames.len());
    for (frame, known) in session.frames.iter().zip(frames) {
        // The truth has pixel centres at whole numbers; here pixel edges are.
        let corners: [[f64; 2]; 4] =
            std::array::from_fn(|i| numbers::<2>(&known["quad"][i]).map(|v| v + 0.5));
        let area = frame.image_area.expect("measured");
        let nearest = |p: [f64; 2]| {
            area.corners().iter().map(|c| c.distance(Point::new(p[0], p[1]))).fold(f64::INFINITY, f64::min)
        };
        let worst = corners.into_iter().map(nearest).fold(0.0, f64::max);
        say(&format!("{name} frame {}: corners within {worst:.2} px", frame.number));
        assert!(worst < 4.0, "{name} frame {}: a corner is {worst} px off", frame.number);
    }
    let base = session.strips[0].base.as_ref().expect("measured");
    let known: [f64; 3] = numbers(&truth["strips"][0]["base_density_full_scale"]);
    for (c, density_d) in base.density_d.iter().enumerate() {
        assert!(
            (density_d - known[c]).abs() <= 0.003,
            "{name} channel {c}: {density_d} against {}",
            known[c]
        );
    }
}

#[test]
fn the_masked_colour_negative_is_laid_out_and_its_base_measured() {
    check("practice_645", FilmKind::ColourNegative, "6x4.5");
}

#[test]
fn the_silver_negative_is_laid_out_and_its_base_measured() {
    check("practice_silver_135", FilmKind::BlackAndWhite, "135");
}
