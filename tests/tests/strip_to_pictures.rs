//! The main job end to end: a scanned strip becomes finished pictures.

use std::path::Path;

use glassine_engine::{Engine, FrameScope};
use glassine_film::{FilmKind, Param};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_session::{Edit, OutputKind};
use glassine_tests::{export_request, fit, new_session, say, strip_on_disk};

/// Small enough to render quickly, large enough to measure edges.
const PPI: f64 = 300.0;

fn check_strip(id: &str, film: FilmKind, format: &str) {
    let disk = strip_on_disk(id, PPI);
    let engine = Engine::new();
    let made = new_session(&engine, std::slice::from_ref(&disk.scan), film, format);
    let truth = &disk.strip.truth;
    assert_eq!(made.session.frames.len(), truth.frames.len(), "{id}: frames");
    for (frame, true_frame) in made.session.frames.iter().zip(&truth.frames) {
        let (coverage, reach_px) = fit(&frame.crop, &true_frame.area);
        say(&format!("{id} {}: covers {coverage:.3}, reaches out {reach_px:.2} px", frame.number));
        assert!(coverage > 0.95, "{id} frame {}: covers {coverage}", frame.number);
        assert!(reach_px <= 1.0, "{id} frame {}: reaches out {reach_px} px", frame.number);
    }
    let strip = &made.session.strips[0];
    assert!((strip.angle_deg() - truth.angle_deg).abs() < 0.1, "{id}: angle {}", strip.angle_deg());
    match (&strip.base, film) {
        (base, FilmKind::Slide) => assert!(base.is_none(), "a slide has no base"),
        (Some(base), _) => {
            assert!(base.pixels > 500, "{id}: {} base pixels", base.pixels);
            for c in 0..3 {
                let error = base.density_d[c] - truth.base_density[c];
                say(&format!("{id} base channel {c}: error {error:.4} D"));
                assert!(error.abs() <= 0.005, "{id} base channel {c}: {error}");
            }
        }
        (None, _) => panic!("{id}: no base"),
    }
    let pictures = disk.folder.path().join("pictures");
    let request = export_request(made.session.clone(), pictures, |output| {
        "straight".clone_into(&mut output.rendering);
        "harbour".clone_into(&mut output.base_name);
    });
    let report = engine.export(&request, &CancelToken::new(), &|_, _| ()).expect("exports");
    assert!(report.failed.is_empty(), "{:?}", report.failed);
    assert_eq!(report.written.len(), truth.frames.len());
    for file in &report.written {
        for (low, high) in file.clip_low.iter().zip(file.clip_high) {
            assert!(*low <= 0.001 && high <= 0.001, "{id} {}: clips {low} {high}", file.number);
        }
        check_file(&file.path, file.width_px, file.height_px);
    }
    assert_eq!(report.written[0].path.file_name().and_then(|n| n.to_str()), Some("harbour 01.tif"));
}

/// Checks that a written file reads as a 16-bit picture with resolution and profile.
fn check_file(path: &Path, width_px: u32, height_px: u32) {
    let scan = Scan::open(path, &OpenOptions::default()).expect("opens");
    let info = scan.info();
    assert_eq!((info.width_px, info.height_px, info.bits_per_sample), (width_px, height_px, 16));
    let ppi = info.ppi.expect("a resolution is written");
    assert!((ppi[0].ppi() - PPI).abs() < 0.5, "{ppi:?}");
    assert!(info.icc.as_ref().is_some_and(|icc| icc.len() > 300), "a profile is embedded");
}

#[test]
fn a_colour_strip_of_four_medium_format_frames_becomes_pictures() {
    check_strip("harbour", FilmKind::ColourNegative, "6x4.5");
}

#[test]
fn a_colour_strip_of_six_small_format_frames_becomes_pictures() {
    check_strip("headland", FilmKind::ColourNegative, "135");
}

#[test]
fn a_silver_strip_of_three_square_frames_becomes_pictures() {
    check_strip("breakwater", FilmKind::BlackAndWhite, "6x6");
}

#[test]
fn a_slide_strip_becomes_pictures() {
    check_strip("islands", FilmKind::Slide, "135");
}

#[test]
fn exposure_turns_and_kinds_of_output_reach_the_files() {
    let disk = strip_on_disk("harbour", 200.0);
    let engine = Engine::new();
    let made = new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "6x4.5");
    let first = made.session.frames[0].clone();
    let mean = |session: &glassine_session::Session, name: &str, kind: OutputKind| {
        let folder = disk.folder.path().join(name);
        let mut request = export_request(session.clone(), folder, |output| output.kind = kind);
        request.scope = FrameScope::Only(vec![first.id]);
        let report = engine.export(&request, &CancelToken::new(), &|_, _| ()).expect("exports");
        let file = &report.written[0];
        let scan = Scan::open(&file.path, &OpenOptions::default()).expect("opens");
        let rect = PixelRect::of_size(scan.width(), scan.height());
        let samples = scan.read(rect, &CancelToken::new()).expect("reads");
        let sum: u64 = samples.data().iter().map(|code| u64::from(*code)).sum();
        (sum as f64 / samples.data().len() as f64, file.width_px, file.height_px)
    };
    let (plain, width, height) = mean(&made.session, "plain", OutputKind::Master);
    let edit = Edit::SetParam { frames: vec![first.id], param: Param::ExposureStops, value: -1.0 };
    let darker = edit.apply(&made.session).expect("applies");
    assert!(mean(&darker, "darker", OutputKind::Master).0 < 0.85 * plain);
    let turn = Edit::SetOrientations(vec![(first.id, first.orientation.turned_clockwise())]);
    let turned = turn.apply(&made.session).expect("applies");
    let (turned_mean, turned_width, turned_height) = mean(&turned, "turned", OutputKind::Master);
    assert_eq!((turned_width, turned_height), (height, width));
    assert!((turned_mean - plain).abs() < 0.01 * plain);
    let mut small = made.session.clone();
    small.output.web_long_side_px = 160;
    let (web_mean, web_width, web_height) = mean(&small, "web", OutputKind::Web);
    assert_eq!(web_width.max(web_height), 160);
    assert!((web_mean - plain).abs() < 0.05 * plain, "{web_mean} {plain}");
}

#[test]
fn nothing_is_written_over_and_every_refusal_is_named() {
    let disk = strip_on_disk("harbour", 150.0);
    let engine = Engine::new();
    let made = new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "6x4.5");
    let folder = disk.folder.path().join("pictures");
    let request = export_request(made.session.clone(), folder.clone(), |_| ());
    let cancel = CancelToken::new();
    let first = engine.export(&request, &cancel, &|_, _| ()).expect("exports");
    let before = std::fs::read(&first.written[1].path).expect("reads");
    let second = engine.export(&request, &cancel, &|_, _| ()).expect("runs");
    assert_eq!((second.written.len(), second.failed.len()), (0, 4));
    assert!(second.failed[0].notice.headline.contains("already"), "{:?}", second.failed[0].notice);
    assert_eq!(std::fs::read(&first.written[1].path).expect("reads"), before);
    let replaced = engine
        .export(&glassine_engine::ExportRequest { replace: true, ..request }, &cancel, &|_, _| ())
        .expect("runs");
    assert_eq!(replaced.written.len(), 4);
    // The same settings always give the same file.
    assert_eq!(std::fs::read(&first.written[1].path).expect("reads"), before);
    let left: Vec<_> = std::fs::read_dir(&folder).expect("lists").collect();
    assert_eq!(left.len(), 4, "temporary files were left: {left:?}");
}

#[test]
fn a_cancelled_export_leaves_no_half_file() {
    let disk = strip_on_disk("harbour", 150.0);
    let engine = Engine::new();
    let made = new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "6x4.5");
    let folder = disk.folder.path().join("pictures");
    let request = export_request(made.session, folder.clone(), |_| ());
    let cancel = CancelToken::new();
    let stop_at = |share: f32, _: &str| {
        if share > 0.3 {
            cancel.cancel();
        }
    };
    let report = engine.export(&request, &cancel, &stop_at).expect("runs");
    assert!(report.cancelled && report.written.len() < 4);
    assert_eq!(std::fs::read_dir(&folder).expect("lists").count(), report.written.len());
}

#[test]
fn the_scan_is_never_changed() {
    let disk = strip_on_disk("headland", 150.0);
    let before = std::fs::read(&disk.scan).expect("reads");
    let modified = std::fs::metadata(&disk.scan).and_then(|meta| meta.modified()).expect("has a time");
    let engine = Engine::new();
    let made = new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "135");
    let request = export_request(made.session, disk.folder.path().join("pictures"), |_| ());
    engine.export(&request, &CancelToken::new(), &|_, _| ()).expect("exports");
    assert_eq!(std::fs::read(&disk.scan).expect("reads"), before);
    assert_eq!(std::fs::metadata(&disk.scan).and_then(|meta| meta.modified()).expect("has a time"), modified);
}
