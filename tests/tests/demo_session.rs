//! The session in `demo-sessions/` belongs to the strips described beside it.

use std::path::{Path, PathBuf};

use glassine_engine::{Engine, session_files};
use glassine_film::FilmKind;
use glassine_filmsim::{StripDescription, demo_strips, render_strip};
use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_rgbi};
use glassine_session::{Frame, Session, StripId};
use glassine_tests::{fit, new_session};

const NAME: &str = "sallow-quay.session.json";

fn checked_in() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo-sessions").join(NAME)
}

fn frames_of(session: &Session, strip: StripId) -> Vec<&Frame> {
    session.frames.iter().map(AsRef::as_ref).filter(|frame| frame.strip == strip).collect()
}

#[test]
fn every_scan_and_frame_of_the_session_is_described() {
    let opened = session_files::open_session(&checked_in(), &CancelToken::new()).expect("it opens");
    let session = opened.session;
    assert_eq!((session.scans.len(), session.strips.len()), (demo_strips().len(), demo_strips().len()));
    let folder = checked_in().parent().and_then(|folder| folder.canonicalize().ok()).expect("a folder");
    for ((scan, strip), described) in session.scans.iter().zip(&session.strips).zip(demo_strips()) {
        let spec = described.spec();
        assert_eq!(scan.path, folder.join("cache").join(&described.scan_file_name));
        assert_eq!((scan.width_px, scan.height_px), spec.size_px(), "{}", described.id);
        assert_eq!(strip.scan, scan.id);
        assert_eq!(strip.film.key(), described.process.film_kind_key());
        assert_eq!(strip.format_id.as_deref(), Some(&*described.format_id));
        let frames = frames_of(&session, strip.id);
        assert_eq!(frames.len(), spec.frames.len(), "{}", described.id);
        for (frame, truth) in frames.into_iter().zip(&spec.frames) {
            let (covered, outside_px) = fit(&frame.crop, &spec.frame_area(truth));
            assert!(covered > 0.97 && outside_px < 1.0, "{}: {covered} {outside_px}", frame.number);
        }
    }
}

#[test]
fn the_session_opens_over_the_strip_that_is_drawn() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::create_dir(folder.path().join("cache")).expect("a folder");
    std::fs::copy(checked_in(), folder.path().join(NAME)).expect("copied");
    // The smallest of the four.
    let described = demo_strips().iter().min_by_key(|strip| bytes(strip)).expect("there are strips");
    let drawn = render_strip(&described.spec(), &|_| (), &CancelToken::new()).expect("it renders");
    let path = folder.path().join("cache").join(&described.scan_file_name);
    write_rgbi(&path, &drawn.samples, drawn.ppi, &described.title, Overwrite::Never).expect("written");

    let opened =
        session_files::open_session(&folder.path().join(NAME), &CancelToken::new()).expect("it opens");
    let path = path.canonicalize().expect("the scan is there");
    assert!(opened.notices.iter().all(|notice| notice.path.as_ref() != Some(&path)), "{:?}", opened.notices);
    let session = opened.session;
    let scan = session.scans.iter().find(|scan| scan.path == path).expect("the session has this scan");
    let strip =
        session.strips.iter().find(|strip| strip.scan == scan.id).expect("the session has this strip");

    let film = FilmKind::from_key(described.process.film_kind_key()).expect("a known kind");
    let made = new_session(&Engine::new(), &[path], film, &described.format_id).session;
    assert_eq!(made.scans[0].fingerprint, scan.fingerprint);
    let boxes = |frames: Vec<&Frame>| frames.iter().map(|f| (f.crop, f.image_area)).collect::<Vec<_>>();
    assert_eq!(boxes(frames_of(&made, made.strips[0].id)), boxes(frames_of(&session, strip.id)));
}

fn bytes(strip: &StripDescription) -> u64 {
    let (w, h) = strip.spec().size_px();
    u64::from(w) * u64::from(h)
}
