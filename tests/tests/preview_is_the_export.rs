//! A preview equals a region of the export, whatever the tiling or the number of threads.

use std::sync::Arc;

use glassine_engine::jobs::JobEventKind;
use glassine_engine::{
    Engine, JobHost, Overlay, PictureSide, Preview, PreviewRequest, SessionAt, UnitRect, ViewKey,
};
use glassine_film::{FilmKind, Param};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_session::{Edit, Session};
use glassine_tests::{export_request, new_session, strip_on_disk};

fn last_preview(host: &mut JobHost, request: PreviewRequest) -> Arc<Preview> {
    host.preview(request);
    let mut last = None;
    while !host.is_idle() {
        match host.poll().map(|event| event.kind) {
            Some(JobEventKind::PreviewReady(preview)) => last = Some(preview),
            Some(JobEventKind::PreviewFailed { failure, .. }) => panic!("{}", failure.notice),
            _ => {}
        }
    }
    let last = last.expect("a preview is made");
    assert!(!last.is_coarse);
    last
}

fn request(session: &Session, key: ViewKey, side_px: u32) -> PreviewRequest {
    PreviewRequest {
        key,
        at: SessionAt::new(session.clone(), None),
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::default(),
        max_width_px: side_px,
        max_height_px: side_px,
        side: PictureSide::Positive,
        overlay: Overlay::None,
        proof: None,
        revision: 1,
    }
}

#[test]
fn a_full_size_preview_shows_the_exported_pixels() {
    let disk = strip_on_disk("harbour", 200.0);
    let engine = Arc::new(Engine::new());
    let mut session =
        new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "6x4.5").session;
    for (param, value) in [(Param::WarmthCc, 8.0), (Param::SharpenAmount, 0.8), (Param::RepairStrength, 0.0)]
    {
        let frames = session.frames.iter().map(|frame| frame.id).collect();
        session = Edit::SetParam { frames, param, value }.apply(&session).expect("applies");
    }
    let report = engine
        .export(
            &export_request(session.clone(), disk.folder.path().join("out"), |_| ()),
            &CancelToken::new(),
            &|_, _| (),
        )
        .expect("exports");
    let file = &report.written[0];
    let scan = Scan::open(&file.path, &OpenOptions::default()).expect("opens");
    let exported =
        scan.read(PixelRect::of_size(file.width_px, file.height_px), &CancelToken::new()).expect("reads");
    let mut host = JobHost::inline(engine);
    let preview = last_preview(&mut host, request(&session, ViewKey::Frame(session.frames[0].id), 4000));
    assert_eq!((preview.width_px, preview.height_px), (file.width_px, file.height_px));
    let mut worst = 0.0_f64;
    for (px, codes) in preview.rgba.chunks_exact(4).zip(exported.data().chunks_exact(3)) {
        for (shown, code) in px.iter().zip(codes) {
            worst = worst.max((f64::from(*shown) - f64::from(*code) / 257.0).abs());
        }
    }
    // The preview is dithered to 8 bits, so it may differ by up to one code in either direction.
    assert!(worst <= 1.01, "preview and export differ by {worst} codes of 255");
}

#[test]
fn a_loupe_region_is_a_crop_of_the_whole() {
    let disk = strip_on_disk("harbour", 200.0);
    let engine = Arc::new(Engine::new());
    let session =
        new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "6x4.5").session;
    let mut host = JobHost::inline(engine);
    let key = ViewKey::Frame(session.frames[1].id);
    let mut whole_request = request(&session, key, 4000);
    whole_request.overlay = Overlay::Clipping;
    let whole = last_preview(&mut host, whole_request);
    // A region of whole pixels in the middle of the picture.
    let (w, h) = (f64::from(whole.width_px), f64::from(whole.height_px));
    let (x0, y0, side) = (40.0, 60.0, 100.0);
    let crop = &session.frames[1].crop;
    let mut part_request = request(&session, key, 100);
    part_request.overlay = Overlay::Clipping;
    part_request.region = UnitRect { x0: x0 / w, y0: y0 / h, x1: (x0 + side) / w, y1: (y0 + side) / h };
    let part = last_preview(&mut host, part_request);
    // Sides of a box are rarely whole pixels, so the region may be scaled very slightly.
    let stretch = (crop.width_px / w - 1.0).abs().max((crop.height_px / h - 1.0).abs());
    let mut differences = 0_u64;
    let mut count = 0_u64;
    for y in 0..part.height_px.min(100) {
        for x in 0..part.width_px.min(100) {
            let at = (y * part.width_px + x) as usize * 4;
            let of = ((y + y0 as u32) * whole.width_px + x + x0 as u32) as usize * 4;
            for c in 0..3 {
                differences += u64::from(part.rgba[at + c].abs_diff(whole.rgba[of + c]));
                count += 1;
            }
        }
    }
    let mean = differences as f64 / count as f64;
    assert!(mean < 1.0 + 200.0 * stretch, "mean difference {mean} codes at a stretch of {stretch}");
}

#[test]
fn exports_are_the_same_bytes_on_one_thread_and_on_many() {
    let disk = strip_on_disk("headland", 150.0);
    let engine = Engine::new();
    let session =
        new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "135").session;
    let bytes = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        let folder = disk.folder.path().join(format!("threads {threads}"));
        let mut wanted = export_request(session.clone(), folder, |_| ());
        wanted.repair = None;
        let report =
            pool.install(|| engine.export(&wanted, &CancelToken::new(), &|_, _| ())).expect("exports");
        report.written.iter().map(|file| std::fs::read(&file.path).expect("reads")).collect::<Vec<_>>()
    };
    assert_eq!(bytes(1), bytes(3));
}
