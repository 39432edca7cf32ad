//! Finds frames on real scans from other sources, if the open data is beside the checkout.

use glassine_engine::Engine;
use glassine_film::FilmKind;
use glassine_tests::say;

fn session_of(path: std::path::PathBuf, film: Option<FilmKind>) -> glassine_session::Session {
    let request = glassine_engine::NewSessionRequest {
        scans: vec![path],
        film,
        ..glassine_engine::NewSessionRequest::default()
    };
    Engine::new()
        .new_session(&request, &glassine_raster::CancelToken::new(), &|_, _| ())
        .expect("a session is made")
        .session
}

/// Three exposures, one below the other, on one glass plate; source: the folder's README.
#[test]
fn each_three_exposure_plate_gives_three_frames_from_top_to_bottom() {
    let Some(plates) = glassine_testdata::folder("three-plate-negatives") else { return };
    for name in ["00125v.jpg", "00351v.jpg"] {
        let session = session_of(plates.join(name), Some(FilmKind::Slide));
        assert_eq!(session.frames.len(), 3, "{name}");
        let middles: Vec<f64> = session.frames.iter().map(|frame| frame.crop.center.y).collect();
        assert!(middles.windows(2).all(|pair| pair[1] > pair[0] + 200.0), "{name}: {middles:?}");
        say(&format!("{name}: frames at {middles:.0?}"));
    }
}

/// Films of a dosimetry laboratory on a flatbed: even pieces without pictures, which must be flagged as blank.
#[test]
fn tilted_even_films_on_a_flatbed_are_found_with_their_turn_and_marked_as_blank() {
    let Some(films) = glassine_testdata::folder("flatbed-film-strips") else { return };
    let session = session_of(films.join("dose-steps-scan1.tif"), None);
    assert_eq!(session.strips.len(), 6);
    for strip in &session.strips {
        assert!(strip.angle_deg().abs() < 2.0, "{}", strip.angle_deg());
    }
    for frame in &session.frames {
        let keys: Vec<_> = frame.flags.iter().map(|flag| flag.key()).collect();
        assert!(frame.confidence < 0.5 && keys.contains(&"blank"), "{keys:?} {}", frame.confidence);
    }
}
