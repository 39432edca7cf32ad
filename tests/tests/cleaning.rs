//! Dust repair as the window uses it: strokes, refusals, comparison, and messages to the user.

use std::sync::Arc;

use glassine_engine::jobs::JobEventKind;
use glassine_engine::{
    Engine, JobHost, Overlay, PictureSide, Preview, PreviewRequest, RepairSummary, SessionAt, UnitRect,
    ViewKey,
};
use glassine_film::{FilmKind, Param};
use glassine_filmsim::{Dirt, demo_spec, render_strip};
use glassine_raster::{CancelToken, PixelRect, Point, Scan};
use glassine_scanfile::{OpenOptions, Overwrite, write_rgbi};
use glassine_session::{BrushStroke, Edit, Session, StrokeKind};
use glassine_tests::{export_request, new_session, strip_on_disk};

struct Bench {
    host: JobHost,
    engine: Arc<Engine>,
    session: Session,
    _disk: glassine_tests::StripOnDisk,
}

fn bench(id: &str, film: FilmKind, format: &str) -> Bench {
    let disk = strip_on_disk(id, 200.0);
    let engine = Arc::new(Engine::new());
    let session = new_session(&engine, std::slice::from_ref(&disk.scan), film, format).session;
    Bench { host: JobHost::inline(Arc::clone(&engine)), engine, session, _disk: disk }
}

impl Bench {
    fn edit(&mut self, edit: Edit) {
        self.session = edit.apply(&self.session).expect("applies");
    }

    fn set(&mut self, param: Param, value: f64) {
        let frames = self.session.frames.iter().map(|frame| frame.id).collect();
        self.edit(Edit::SetParam { frames, param, value });
    }

    /// The first frame at scan resolution.
    fn preview(&mut self, side: PictureSide, overlay: Overlay) -> Arc<Preview> {
        self.host.preview(PreviewRequest {
            key: ViewKey::Frame(self.session.frames[0].id),
            at: SessionAt::new(self.session.clone(), None),
            region: UnitRect::WHOLE,
            scan_rect: PixelRect::default(),
            max_width_px: 2000,
            max_height_px: 2000,
            side,
            overlay,
            proof: None,
            revision: 1,
        });
        let mut last = None;
        while !self.host.is_idle() {
            match self.host.poll().map(|event| event.kind) {
                Some(JobEventKind::PreviewReady(preview)) => last = Some(preview),
                Some(JobEventKind::PreviewFailed { failure, .. }) => panic!("{}", failure.notice),
                _ => {}
            }
        }
        last.expect("a preview is made")
    }

    fn summary(&mut self) -> RepairSummary {
        let preview = self.preview(PictureSide::Positive, Overlay::DustMap);
        (**preview.repair.as_ref().expect("marks were looked for")).clone()
    }

    fn stroke(&mut self, kind: StrokeKind, center: Point<Scan>, radius_px: f64) {
        let frame = self.session.frames[0].id;
        let stroke = BrushStroke::new(kind, &[center], radius_px).expect("is sane");
        self.edit(Edit::AddStroke { frame, stroke });
    }

    fn middle(&self) -> Point<Scan> {
        self.session.frames[0].crop.center
    }
}

fn differing(a: &Preview, b: &Preview) -> usize {
    a.rgba.chunks_exact(4).zip(b.rgba.chunks_exact(4)).filter(|(a, b)| a != b).count()
}

#[test]
fn marks_are_counted_and_a_higher_sensitivity_finds_no_fewer_pixels() {
    let mut bench = bench("harbour", FilmKind::ColourNegative, "6x4.5");
    bench.set(Param::RepairSensitivity, 0.2);
    let careful = bench.summary();
    bench.set(Param::RepairSensitivity, 0.8);
    let eager = bench.summary();
    assert_eq!(careful.refusal, None);
    assert!(careful.marks() > 0 && careful.area_fraction > 0.0, "{careful:?}");
    assert!(eager.marked_px >= careful.marked_px, "{careful:?} then {eager:?}");
    assert!(careful.shift_px.is_some() && careful.leakage_strength.is_some() && !careful.leaks_strongly);
}

#[test]
fn a_kept_analysis_gives_the_pixels_of_a_fresh_one() {
    let mut bench = bench("harbour", FilmKind::ColourNegative, "6x4.5");
    bench.set(Param::RepairSensitivity, 0.7);
    let first = bench.preview(PictureSide::Positive, Overlay::None);
    bench.set(Param::RepairSensitivity, 0.3);
    bench.preview(PictureSide::Positive, Overlay::None);
    bench.engine.forget();
    bench.set(Param::RepairSensitivity, 0.7);
    let again = bench.preview(PictureSide::Positive, Overlay::None);
    assert_eq!(first.rgba, again.rgba);
}

#[test]
fn what_is_painted_in_is_filled_and_what_is_painted_out_is_left_as_scanned() {
    let mut bench = bench("harbour", FilmKind::ColourNegative, "6x4.5");
    let before = bench.preview(PictureSide::Positive, Overlay::None);
    let marked = bench.summary().marked_px;
    let middle = bench.middle();
    bench.stroke(StrokeKind::PaintIn, middle, 6.0);
    let painted = bench.preview(PictureSide::Positive, Overlay::None);
    let summary = bench.summary();
    assert!(summary.marked_px > marked && summary.strokes == 1, "{summary:?}");
    // A disc of 6 px and the two pixels that the interpolation of a turned box reaches beyond it: 64 pi.
    assert!((1..=201).contains(&differing(&before, &painted)), "{} pixels", differing(&before, &painted));

    bench.stroke(StrokeKind::PaintOut, middle, 5000.0);
    let bare = bench.preview(PictureSide::Positive, Overlay::None);
    assert_eq!(bench.summary().marked_px, 0);
    let unrepaired = bench.preview(PictureSide::Unrepaired, Overlay::None);
    assert_eq!(bare.rgba, unrepaired.rgba);
    assert!(differing(&before, &unrepaired) > 0);
}

#[test]
fn the_difference_is_black_wherever_nothing_was_repaired() {
    let mut bench = bench("harbour", FilmKind::ColourNegative, "6x4.5");
    let share = bench.preview(PictureSide::Positive, Overlay::RepairDifference);
    let lit = share.rgba.chunks_exact(4).filter(|px| px[..3] != [0, 0, 0]).count();
    let pixels = (share.width_px * share.height_px) as usize;
    assert!(lit > 0 && lit < pixels / 10, "{lit} of {pixels}");
    assert!(share.overlay_share > 0.0);
    let middle = bench.middle();
    bench.stroke(StrokeKind::PaintOut, middle, 5000.0);
    let nothing = bench.preview(PictureSide::Positive, Overlay::RepairDifference);
    assert!(nothing.rgba.chunks_exact(4).all(|px| px == [0, 0, 0, 255]));
}

#[test]
fn silver_film_is_refused_with_its_reason_and_still_repaired_by_hand() {
    let mut bench = bench("breakwater", FilmKind::BlackAndWhite, "6x6");
    let refused = bench.summary();
    assert!(refused.refusal.as_ref().is_some_and(|why| why.contains("silver")), "{refused:?}");
    assert_eq!((refused.marked_px, refused.has_infrared), (0, true));
    let before = bench.preview(PictureSide::Positive, Overlay::None);
    let middle = bench.middle();
    bench.stroke(StrokeKind::Spot, middle, 6.0);
    let summary = bench.summary();
    assert!(summary.refusal.is_some() && summary.marked_px > 0, "{summary:?}");
    let after = bench.preview(PictureSide::Positive, Overlay::None);
    assert!(differing(&before, &after) > 0);
}

#[test]
fn a_stroke_refills_to_what_a_repair_from_scratch_gives() {
    let mut bench = bench("harbour", FilmKind::ColourNegative, "6x4.5");
    bench.preview(PictureSide::Positive, Overlay::None);
    let middle = bench.middle();
    let beside = Point::new(middle.x + 9.0, middle.y - 4.0);
    for (kind, at, radius_px) in [
        (StrokeKind::PaintIn, middle, 6.0),
        (StrokeKind::PaintOut, middle, 120.0),
        (StrokeKind::PaintIn, beside, 9.0),
        (StrokeKind::Spot, middle, 5.0),
    ] {
        bench.stroke(kind, at, radius_px);
        let refilled = bench.preview(PictureSide::Positive, Overlay::None);
        bench.engine.forget();
        let anew = bench.preview(PictureSide::Positive, Overlay::None);
        assert!(refilled.rgba == anew.rgba, "after {kind:?}");
    }
}

#[test]
fn marks_that_were_painted_out_keep_an_outline_in_the_overlay() {
    /// Colour of the outline; see the engine's overlay.
    const OUTLINE: [u8; 3] = [120, 235, 255];
    let mut bench = bench("harbour", FilmKind::ColourNegative, "6x4.5");
    let lines = |preview: &Preview| preview.rgba.chunks_exact(4).filter(|px| px[..3] == OUTLINE).count();
    let before = bench.preview(PictureSide::Positive, Overlay::DustMap);
    let middle = bench.middle();
    bench.stroke(StrokeKind::PaintOut, middle, 5000.0);
    let after = bench.preview(PictureSide::Positive, Overlay::DustMap);
    assert_eq!(lines(&before), 0);
    assert!(lines(&after) > 20, "{} pixels", lines(&after));
}

/// Solved offsets of every frame of a demo strip with the given dirt.
fn solved(id: &str, film: FilmKind, format: &str, dirt: Dirt) -> Vec<[f64; 3]> {
    let mut spec = demo_spec(id, 300.0).expect("a strip of the demo");
    spec.dirt = dirt;
    let strip = render_strip(&spec, &|_| (), &CancelToken::new()).expect("renders");
    let folder = tempfile::tempdir().expect("a folder");
    let scan = folder.path().join("strip.tif");
    write_rgbi(&scan, &strip.samples, strip.ppi, "strip", Overwrite::Never).expect("is written");
    let session = new_session(&Engine::new(), &[scan], film, format).session;
    session.frames.iter().map(|f| f.solve.as_ref().expect("is solved").log_offset).collect()
}

/// Largest difference between the solutions of a clean and a dusty strip, in stops.
fn moved_by_dust_stops(id: &str, film: FilmKind, format: &str) -> f64 {
    let clean = solved(id, film, format, Dirt::NONE);
    let dirt = Dirt { specks: 900, hairs: 25, base_scratches: 0, emulsion_scratches: 0, emulsion_lines: 0 };
    let dusty = solved(id, film, format, dirt);
    assert_eq!(clean.len(), dusty.len());
    let pairs = clean.iter().flatten().zip(dusty.iter().flatten());
    pairs.map(|(a, b)| (a - b).abs() / 2.0_f64.log10()).fold(0.0, f64::max)
}

#[test]
fn exposure_and_balance_do_not_depend_on_dust() {
    // With the dust left in, the difference would exceed one stop.
    let stops = moved_by_dust_stops("harbour", FilmKind::ColourNegative, "6x4.5");
    assert!(stops < 0.01, "{stops} stops");
}

#[test]
fn exposure_of_silver_film_does_not_depend_on_dust_that_no_infrared_shows() {
    let stops = moved_by_dust_stops("breakwater", FilmKind::BlackAndWhite, "6x6");
    assert!(stops < 0.1, "{stops} stops");
}

#[test]
fn strokes_reach_the_exported_file_and_off_means_off() {
    let mut bench = bench("harbour", FilmKind::ColourNegative, "6x4.5");
    let middle = bench.middle();
    let folder = bench._disk.folder.path().to_owned();
    let pixels = |bench: &Bench, name: &str, repair: Option<bool>| {
        let mut request = export_request(bench.session.clone(), folder.join(name), |_| ());
        request.repair = repair;
        request.scope = glassine_engine::FrameScope::Only(vec![bench.session.frames[0].id]);
        let report = bench.engine.export(&request, &CancelToken::new(), &|_, _| ()).expect("exports");
        // The samples alone: the file also names the settings.
        let path = &report.written[0].path;
        let scan = glassine_scanfile::Scan::open(path, &OpenOptions::default()).expect("opens");
        let whole = PixelRect::of_size(scan.info().width_px, scan.info().height_px);
        scan.read_region(whole, &CancelToken::new()).expect("reads").data().to_vec()
    };
    let plain = pixels(&bench, "plain", None);
    let off = pixels(&bench, "off", Some(false));
    bench.stroke(StrokeKind::PaintIn, middle, 8.0);
    assert!(pixels(&bench, "painted", None) != plain);
    assert!(pixels(&bench, "still off", Some(false)) == off);
    bench.set(Param::RepairStrength, 0.0);
    assert!(pixels(&bench, "switched off", None) == off);
}

#[test]
fn no_picture_waits_for_the_dust_of_another_frame() {
    let mut bench = bench("harbour", FilmKind::ColourNegative, "6x4.5");
    let ids: Vec<_> = bench.session.frames.iter().map(|frame| frame.id).collect();
    let request = |bench: &Bench, frame: usize, revision: u64| PreviewRequest {
        key: ViewKey::Frame(ids[frame]),
        at: SessionAt::new(bench.session.clone(), None),
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::default(),
        max_width_px: 2000,
        max_height_px: 2000,
        side: PictureSide::Positive,
        overlay: Overlay::None,
        proof: None,
        revision,
    };
    for (frame, revision) in [(0, 1), (1, 2)] {
        let request = request(&bench, frame, revision);
        bench.host.preview(request);
    }
    // Change a value of the first frame while its dust detection runs.
    let mut shown = Vec::new();
    let mut looks: Vec<(ViewKey, f32)> = Vec::new();
    while !bench.host.is_idle() {
        let preview = match bench.host.poll().map(|event| event.kind) {
            Some(JobEventKind::PreviewReady(preview)) => preview,
            Some(JobEventKind::LookingForDust { view, share }) => {
                looks.push((view, share));
                continue;
            }
            Some(event) => panic!("{event:?}"),
            None => continue,
        };
        if shown.is_empty() {
            bench.set(Param::ExposureStops, 0.3);
            let request = request(&bench, 0, 3);
            bench.host.preview(request);
        }
        shown.push((preview.revision, preview.lacks_repair, preview.is_coarse));
    }
    for frame in [0, 1] {
        let of_frame = looks.iter().filter(|(key, _)| *key == ViewKey::Frame(ids[frame]));
        let shares: Vec<f32> = of_frame.map(|(_, share)| *share).collect();
        assert!(shares.is_sorted() && shares.len() > 5, "{shares:?}");
        assert!(shares.last().is_some_and(|last| (0.5..1.0).contains(last)), "{shares:?}");
    }
    let first_repaired = shown.iter().position(|(_, lacks_repair, _)| !lacks_repair).expect("dust was found");
    for revision in 1..=3 {
        let at = shown.iter().position(|(shown, ..)| *shown == revision).expect("every picture was made");
        assert!(at < first_repaired, "picture {revision} waited for a repair: {shown:?}");
    }
    for (revision, count) in [(1, 0), (2, 1), (3, 1)] {
        let finals = shown.iter().filter(|shown| **shown == (revision, false, false)).count();
        assert_eq!(finals, count, "repaired pictures of request {revision}: {shown:?}");
    }
}
