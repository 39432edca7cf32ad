//! A large scan from its coarse overview to its cached one, and reading ahead of a moving view.

use std::fs::File;
use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_engine::jobs::{Job, JobEvent, JobEventKind, SaveOver};
use glassine_engine::{
    Engine, JobHost, Overlay, PictureSide, PreviewRequest, SessionAt, UnitRect, ViewKey, session_files,
};
use glassine_raster::{CancelToken, PixelRect};
use glassine_session::{Edit, EncodingChoice, ScanId, ScanRef, Session};
use glassine_testdata::tiff::HollowTiff;

/// 525 MB of samples, most of them a hole in the file that takes no room on disk.
const WIDTH: u32 = 12_500;
const HEIGHT: u32 = 7_000;
const SCAN: HollowTiff = HollowTiff { width_px: WIDTH, height_px: HEIGHT, rows_per_strip: 40, ppi: None };

struct Desk {
    folder: tempfile::TempDir,
    scan: PathBuf,
    session: PathBuf,
}

impl Desk {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("temporary folder");
        let scan = folder.path().join("sheet.tif");
        write_scan(&scan).expect("room for a hollow file");
        let session = folder.path().join("sheet.session.json");
        Self { folder, scan, session }
    }

    fn at(&self, encoding: EncodingChoice) -> SessionAt {
        let scan = ScanRef {
            id: ScanId(1),
            path: self.scan.clone(),
            width_px: WIDTH,
            height_px: HEIGHT,
            encoding,
            ..ScanRef::default()
        };
        let session = Edit::AddScans(vec![scan]).apply(&Session::default()).expect("applies");
        SessionAt::new(session, None)
    }

    /// What a newly started program shows: the colour in the middle of a part that is not sampled for fingerprints.
    fn look(&self, encoding: EncodingChoice) -> Seen {
        let engine = Engine::new();
        engine.work_beside(Some(&self.session));
        self.look_with(&engine, encoding)
    }

    fn look_with(&self, engine: &Engine, encoding: EncodingChoice) -> Seen {
        let (at, cancel) = (self.at(encoding), CancelToken::new());
        let first = engine.coarse_overview(&at, ScanId(1), &cancel).expect("readable");
        let full = engine.scan_picture(&at, ScanId(1), &cancel, &|_| {}).expect("readable");
        assert!(
            engine.coarse_overview(&at, ScanId(1), &cancel).expect("readable").is_none(),
            "the overview is there"
        );
        engine.settle();
        Seen { first_factor: first.map(|first| first.factor), factor: full.factor, rgba: full.rgba }
    }

    fn kept(&self) -> Vec<PathBuf> {
        let folder = self.folder.path().join("sheet.session.cache");
        let mut kept: Vec<_> = std::fs::read_dir(folder)
            .map(|all| all.flatten().map(|entry| entry.path()).collect())
            .unwrap_or_default();
        kept.sort();
        kept
    }

    /// Change rows of the file in place; its time stays if `keep_time` is set.
    fn paint(&self, rows: std::ops::Range<u32>, code: u16, keep_time: bool) {
        let mut file = File::options().write(true).open(&self.scan).expect("ours");
        let time = file.metadata().and_then(|meta| meta.modified()).expect("has a time");
        let row: Vec<u8> = (0..WIDTH * 3).flat_map(|_| code.to_le_bytes()).collect();
        for y in rows {
            file.seek(SeekFrom::Start(SCAN.rows_at() + u64::from(y) * SCAN.row_bytes())).expect("ours");
            file.write_all(&row).expect("room");
        }
        let time = if keep_time { time } else { time + std::time::Duration::from_secs(5) };
        file.set_modified(time).expect("ours");
    }
}

#[derive(PartialEq)]
struct Seen {
    first_factor: Option<u32>,
    factor: u32,
    rgba: Arc<Vec<u8>>,
}

/// A scan of which a few rows are bright.
fn write_scan(path: &Path) -> std::io::Result<()> {
    let mut file = SCAN.create(path)?;
    file.seek(SeekFrom::Start(SCAN.rows_at() + 900 * SCAN.row_bytes()))?;
    file.write_all(&vec![0x80; 80 * SCAN.row_bytes() as usize])
}

#[test]
fn a_coarse_overview_comes_first_and_the_overview_follows_in_the_same_job() {
    let desk = Desk::new();
    let mut host = JobHost::inline(Arc::new(Engine::new()));
    let job = host.submit(desk.at(EncodingChoice::Auto), Job::Overview { scan: ScanId(1) });
    let mut pictures = Vec::new();
    while !host.is_idle() {
        let Some(JobEvent { id, kind, .. }) = host.poll() else { continue };
        match kind {
            JobEventKind::CoarseOverviewReady(picture) => pictures.push((id, false, picture)),
            JobEventKind::OverviewReady(picture) => pictures.push((id, true, picture)),
            JobEventKind::Failed(failure) => panic!("{}", failure.notice),
            _ => {}
        }
    }
    let [(first_id, false, first), (id, true, full)] = pictures.as_slice() else {
        panic!("two pictures in order")
    };
    assert!(*first_id == job && *id == job);
    assert_eq!((full.factor, full.width_px, full.height_px), (4, 3125, 1750));
    assert_eq!((first.factor, first.width_px, first.height_px), (13, 962, 539));
    assert!(desk.kept().is_empty(), "nothing is kept for a session without a place");
}

#[test]
fn reopening_shows_the_kept_overview_and_a_changed_file_is_read_again() {
    let desk = Desk::new();
    let made = desk.look(EncodingChoice::Auto);
    assert_eq!((made.first_factor, made.factor, desk.kept().len()), (Some(13), 4, 1));
    // A change that no fingerprint sees, in a place that is not sampled: the old picture shows that the cache was used.
    desk.paint(2000..2020, 10_000, true);
    let again = desk.look(EncodingChoice::Auto);
    assert_eq!(
        (again.first_factor, again.factor),
        (Some(16), 4),
        "the small level is a quarter of the kept one"
    );
    assert!(again.rgba == made.rgba);
    // The same change with a new time is detected, and replaces the cached overview.
    desk.paint(2000..2020, 10_000, false);
    let changed = desk.look(EncodingChoice::Auto);
    assert!(changed.rgba != made.rgba && changed.first_factor == Some(13));
    assert!(desk.look(EncodingChoice::Auto).rgba == changed.rgba);
    assert_eq!(desk.kept().len(), 1);
    // Read in another way, it is another picture.
    let other = desk.look(EncodingChoice::Gamma(2.2));
    assert!(other.rgba != changed.rgba && other.first_factor == Some(13));
    assert_eq!(desk.kept().len(), 2);
    assert!(desk.look(EncodingChoice::Auto).rgba == changed.rgba);
}

#[test]
fn a_damaged_kept_overview_is_made_again_without_a_word() {
    let desk = Desk::new();
    let made = desk.look(EncodingChoice::Auto);
    let path = desk.kept().remove(0);
    let good = std::fs::read(&path).expect("ours");
    let mut bad = good.clone();
    let at = bad.len() - 5_000_000;
    bad[at] ^= 1;
    for broken in [&bad[..], &good[..good.len() / 2], b"something else"] {
        std::fs::write(&path, broken).expect("ours");
        assert!(desk.look(EncodingChoice::Auto).rgba == made.rgba);
        assert_eq!(std::fs::read(&path).expect("ours"), good, "it was made again");
    }
}

#[test]
fn an_overview_of_an_unsaved_session_moves_beside_the_session_once_it_is_saved() {
    let desk = Desk::new();
    let spare = tempfile::tempdir().expect("temporary folder");
    let engine = Arc::new(Engine::with_cache_folder(Some(spare.path().join("overviews"))));
    let made = desk.look_with(&engine, EncodingChoice::Auto);
    let spares = || std::fs::read_dir(spare.path().join("overviews")).map_or(0, |all| all.count());
    assert_eq!((spares(), desk.kept().len()), (1, 0));
    let mut host = JobHost::inline(Arc::clone(&engine));
    let at = desk.at(EncodingChoice::Auto);
    let over = SaveOver::Chosen;
    host.submit(at, Job::Save { path: desk.session.clone(), over, autosaves: Vec::new() });
    while !host.is_idle() {
        if let Some(JobEventKind::Failed(failure)) = host.poll().map(|event| event.kind) {
            panic!("{}", failure.notice);
        }
    }
    engine.work_beside(Some(&desk.session));
    engine.settle();
    assert_eq!(desk.kept().len(), 1);
    assert!(session_files::read_session(&desk.session).is_ok());
    let again = desk.look(EncodingChoice::Auto);
    assert!(again.rgba == made.rgba && again.first_factor == Some(16));
}

#[test]
fn a_view_that_moves_finds_the_tiles_that_were_read_ahead() {
    let desk = Desk::new();
    let view = |x0: u32| PreviewRequest {
        key: ViewKey::ScanRegion(ScanId(1)),
        at: desk.at(EncodingChoice::Auto),
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::new(x0, 600, x0 + 700, 1100),
        max_width_px: 700,
        max_height_px: 500,
        side: PictureSide::Scan,
        overlay: Overlay::None,
        proof: None,
        revision: 1,
    };
    let shown = |host: &mut JobHost, request: PreviewRequest| {
        host.preview(request);
        let mut pictures = Vec::new();
        while !host.is_idle() {
            if let Some(JobEventKind::PreviewReady(preview)) = host.poll().map(|event| event.kind) {
                pictures.push(Arc::clone(&preview.rgba));
            }
        }
        pictures.pop()
    };
    let mut fresh = JobHost::inline(Arc::new(Engine::new()));
    let expected = shown(&mut fresh, view(3000)).expect("readable");
    let mut moving = JobHost::inline(Arc::new(Engine::new()));
    let mut resting = JobHost::inline(Arc::new(Engine::new()));
    assert!(shown(&mut moving, view(2000)).is_some() && shown(&mut resting, view(2000)).is_some());
    moving.look_ahead(view(2000), (1.0, 0.0));
    while !moving.is_idle() {
        moving.poll();
    }
    // Other pixels with the same length and time: only what was read before still shows the old ones.
    desk.paint(600..1100, 10_000, true);
    assert!(shown(&mut moving, view(3000)) == Some(expected.clone()));
    assert!(shown(&mut resting, view(3000)) != Some(expected));
}

#[test]
fn a_small_view_of_a_scan_is_the_mean_of_its_pixels_and_is_not_read_again() {
    let desk = Desk::new();
    // Half of the rows that make one row of the view, then whole ones at half the light, and enough light for the gain.
    for (rows, code) in [(1600..1608, 30_000), (3200..3232, 15_000), (4000..4400, 60_000)] {
        desk.paint(rows, code, false);
    }
    let view = |width: u32| PreviewRequest {
        key: ViewKey::ScanRegion(ScanId(1)),
        at: desk.at(EncodingChoice::Linear),
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::new(0, 0, 11_200, 6_400),
        max_width_px: width,
        max_height_px: width * 4 / 7,
        side: PictureSide::Scan,
        overlay: Overlay::None,
        proof: None,
        revision: 1,
    };
    let shown = |host: &mut JobHost, width| {
        host.preview(view(width));
        let mut pictures = Vec::new();
        while !host.is_idle() {
            if let Some(JobEventKind::PreviewReady(preview)) = host.poll().map(|event| event.kind) {
                pictures.push(Arc::clone(&preview));
            }
        }
        pictures.pop()
    };
    let mut host = JobHost::inline(Arc::new(Engine::new()));
    let picture = shown(&mut host, 700).expect("readable");
    assert_eq!((picture.width_px, picture.height_px), (700, 400));
    let red = |y: usize| picture.rgba[(y * 700 + 350) * 4];
    assert!(red(201) > 100 && red(201) < 250, "{}", red(201));
    assert!(red(100).abs_diff(red(201)) <= 1, "{} for {}", red(100), red(201));
    assert_eq!((red(98), red(102)), (0, 0));
    let mut fresh = JobHost::inline(Arc::new(Engine::new()));
    let expected = shown(&mut fresh, 350).expect("readable");
    // Other pixels, with the same length and time.
    desk.paint(0..6_400, 1_000, true);
    assert!(shown(&mut host, 350).expect("readable").rgba == expected.rgba, "the overview is enough");
}
