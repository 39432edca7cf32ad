//! A frozen session gives the pixels that it gave with this version of the rendering.
//!
//! When pixels change on purpose: raise `glassine_film::RENDERING_VERSION`, say what changed in `RENDERING_CHANGES`, and run
//! `GLASSINE_BLESS=1 cargo test -p glassine-engine --test all golden_session::`.

use std::path::PathBuf;

use crate::common::{export, scan_ref, session_of, write_scan};
use glassine_engine::{Engine, ExportRequest, SessionAt};
use glassine_film::{FilmKind, Param, RENDERING_VERSION, default_stock};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_session::{Edit, ExportRecipe, FilmBase, OutputKind, Session, file};

fn golden(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/golden").join(name)
}

/// A frame of each kind of film, with settings that use most steps.
fn session(paths: &[PathBuf]) -> Session {
    let mut session = session_of(paths.iter().map(|path| scan_ref(path)).collect());
    let strips: Vec<_> = session.strips.iter().map(|strip| strip.id).collect();
    let films = [FilmKind::ColourNegative, FilmKind::BlackAndWhite, FilmKind::Slide];
    for (strip, film) in strips.into_iter().zip(films) {
        let base = FilmBase {
            density_d: [0.2, 0.25, 0.3],
            pixels: 0,
            spread_d: [0.0; 3],
            recommended_tolerance_d: 0.05,
            confidence: 1.0,
            source: glassine_session::BaseSource::Typed,
            field: None,
        };
        let stock_id = default_stock(film).id.clone();
        for edit in [Edit::SetFilm { strip, film, stock_id }, Edit::SetBase { strip, base: Some(base) }] {
            session = edit.apply(&session).expect("applies");
        }
    }
    let frames: Vec<_> = session.frames.iter().map(|frame| frame.id).collect();
    for (param, value) in [
        (Param::ExposureStops, 0.7),
        (Param::WarmthCc, 5.0),
        (Param::ShadowTintCc, -3.0),
        (Param::Contrast, 1.1),
        (Param::Saturation, 1.2),
        (Param::WeakColourBoost, 0.3),
        (Param::SharpenAmount, 1.0),
    ] {
        session = Edit::SetParam { frames: frames.clone(), param, value }.apply(&session).expect("applies");
    }
    session
}

/// Digest of the samples of a picture.
fn digest(path: &std::path::Path) -> String {
    let options = OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() };
    let scan = Scan::open(path, &options).expect("opens");
    let whole = PixelRect::of_size(scan.width(), scan.height());
    let samples = scan.read_region(whole, &CancelToken::new()).expect("reads");
    let bytes: Vec<u8> = samples.data().iter().flat_map(|code| code.to_le_bytes()).collect();
    blake3::hash(&bytes).to_hex().to_string()
}

#[test]
fn a_frozen_session_gives_the_pixels_of_its_version() {
    let folder = tempfile::tempdir().expect("a folder");
    let paths = [1, 2, 3].map(|seed| folder.path().join(format!("scan {seed}.tif")));
    paths.iter().zip(1..).for_each(|(path, seed)| write_scan(path, seed));
    let frozen = golden(&format!("rendering-{RENDERING_VERSION}.session.json"));
    let sums = golden(&format!("rendering-{RENDERING_VERSION}.txt"));
    let blesses = std::env::var_os("GLASSINE_BLESS").is_some();
    if blesses {
        let session = session(&paths);
        let bytes = file::to_json(&session, Some(folder.path()), &file::FileStamp::default()).expect("saves");
        std::fs::create_dir_all(golden("")).expect("a folder");
        std::fs::write(&frozen, bytes).expect("writes");
    }
    let bytes = std::fs::read(&frozen).expect("a frozen session for each version of the rendering");
    let session = file::from_json(&bytes).expect("opens").session;
    let at = SessionAt::new(session.clone(), Some(folder.path().into()));
    let kinds = [OutputKind::Master, OutputKind::Web, OutputKind::Density].map(ExportRecipe::of_kind);
    let request = ExportRequest::new(at, folder.path().join("out"))
        .in_kinds(ExportRecipe::settings_of(&kinds, &session.output));
    let report = export(&Engine::new(), &request);
    assert!(report.failed.is_empty(), "{:?}", report.failed);
    let mut found = String::new();
    for file in report.written.iter().filter(|file| file.recipe != "web") {
        found.push_str(&format!("{} frame {} {}\n", file.recipe, file.number, digest(&file.path)));
    }
    if blesses {
        std::fs::write(&sums, &found).expect("writes");
    }
    let known = std::fs::read_to_string(&sums).expect("sums for each version of the rendering");
    assert_eq!(known, found, "other pixels than in version {RENDERING_VERSION}: see the head of this file");
}
