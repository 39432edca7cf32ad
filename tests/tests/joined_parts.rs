//! One wide picture in two scans of an independent simulator, if it is beside the checkout: registration, frame and film
//! base of the joined scan against their truth.

use glassine_engine::{Engine, SessionAt};
use glassine_film::FilmKind;
use glassine_layout::join::Affine;
use glassine_raster::{CancelToken, Point};
use glassine_tests::{new_session, say};
use serde_json::Value;

/// A map between pixel centres at whole numbers, as the truth states it, between pixel edges.
fn map_at_edges(value: &Value) -> Affine {
    let rows: [[f64; 3]; 2] =
        std::array::from_fn(|i| std::array::from_fn(|k| value[i][k].as_f64().unwrap_or(f64::NAN)));
    Affine(rows).after(&Affine::shift(-0.5, -0.5))
}

#[test]
fn two_scans_of_a_wide_picture_become_one_with_one_frame() {
    let Some(folder) = glassine_testdata::practice("practice_617_parts") else { return };
    let text = std::fs::read_to_string(folder.join("truth.json")).expect("truth is there");
    let truth: Value = serde_json::from_str(&text).expect("truth is JSON");
    let scans: Vec<_> = (0..2).map(|part| folder.join(format!("part_{part}_rgbi.tif"))).collect();
    let engine = Engine::new();
    let cancel = CancelToken::new();
    let parts = new_session(&engine, &scans, FilmKind::ColourNegative, "6x17").session;
    let at = SessionAt::new(parts, None);
    let ids: Vec<_> = at.session.scans.iter().map(|scan| scan.id).collect();
    let (made, id) = engine.join_scans(&at, &ids, (None, None), &cancel, &|_, _| {}).expect("they overlap");
    let session = made.session;
    assert_eq!(session.scans.len(), 1, "the parts leave the session");
    let join = session.scan(id).and_then(|scan| scan.join.clone()).expect("joined");

    let to_film: Vec<Affine> =
        (0..2).map(|part| map_at_edges(&truth["parts"][part]["px_to_film_mm"])).collect();
    let first_to_second = to_film[1].inverse().expect("regular").after(&to_film[0]);
    let (mut sum, mut most, mut count) = (0.0, 0.0_f64, 0.0);
    for y in (60..1500).step_by(40) {
        for x in (60..2500).step_by(40) {
            let p = Point::new(f64::from(x), f64::from(y));
            let q = first_to_second.apply(p);
            if (60.0..2490.0).contains(&q.x) && (60.0..1490.0).contains(&q.y) {
                let off = join.parts[0].to_joined.apply(p).distance(join.parts[1].to_joined.apply(q));
                (sum, most, count) = (sum + off, most.max(off), count + 1.0);
            }
        }
    }
    say(&format!("parts: {:.3} px off each other, at most {most:.3} px", sum / count));
    assert!(sum / count <= 0.3 && most <= 0.8, "{:.3} px, {most:.3} px", sum / count);

    assert_eq!(session.frames.len(), 1, "the picture is one frame");
    assert_eq!(session.strips[0].format_id.as_deref(), Some("6x17"));
    let area = session.frames[0].image_area.expect("measured");
    let from_joined = to_film[0].after(&join.parts[0].to_joined.inverse().expect("regular"));
    for corner in area.corners() {
        let found = from_joined.apply(corner);
        let nearest = truth["frames"][0]["film_quad_mm"].as_array().expect("corners").iter().map(|known| {
            let at = |i: usize| known[i].as_f64().unwrap_or(f64::NAN);
            Point::new(at(0), at(1)).distance(found)
        });
        let off_mm = nearest.fold(f64::INFINITY, f64::min);
        assert!(off_mm < 0.2, "a corner is {off_mm:.3} mm off");
    }
    let base = session.strips[0].base.as_ref().expect("measured");
    for (c, density_d) in base.density_d.iter().enumerate() {
        let known = truth["parts"][0]["base_density_full_scale"][c].as_f64().expect("a density");
        assert!((density_d - known).abs() <= 0.005, "channel {c}: {density_d:.4} against {known:.4}");
    }
}
