//! Several kinds of files in one run: the same files as one by one, plans, and runs that continue.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::common::{at, export, scan_ref, session_of, write_scan};
use glassine_engine::{ContactSheetRequest, Engine, ExportRequest, FolderFault, PlannedState, SheetLayout};
use glassine_film::Param;
use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_session::{
    DensityEncoding, ExportRecipe, FilmBase, Frame, OutputKind, OutputSettings, Session, Strip,
};

/// Two frames on two scans.
fn session(folder: &Path) -> Session {
    let paths = [folder.join("a.tif"), folder.join("b.tif")];
    paths.iter().zip([1, 2]).for_each(|(path, seed)| write_scan(path, seed));
    session_of(paths.iter().map(|path| scan_ref(path)).collect())
}

fn recipes() -> Vec<ExportRecipe> {
    let mut recipes: Vec<_> = OutputKind::ALL.map(ExportRecipe::of_kind).to_vec();
    recipes.push(ExportRecipe {
        density: Some(DensityEncoding::Linear),
        ..ExportRecipe::of_kind(OutputKind::Density).named("light")
    });
    recipes.push(ExportRecipe {
        space: Some("display-p3".to_owned()),
        web_long_side_px: Some(200),
        web_format: Some(glassine_session::WebFormat::Png),
        ..ExportRecipe::of_kind(OutputKind::Web).named("small")
    });
    recipes
}

fn request(session: &Session, folder: PathBuf, recipes: &[ExportRecipe]) -> ExportRequest {
    let kinds = ExportRecipe::settings_of(recipes, &session.output);
    ExportRequest::new(at(session), folder).in_kinds(kinds)
}

/// Every file below a folder with its bytes.
fn content(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut files = BTreeMap::new();
    for entry in std::fs::read_dir(folder).expect("a folder").map(|entry| entry.expect("an entry").path()) {
        if entry.is_dir() {
            files.extend(content(&entry));
        } else {
            files.insert(entry.clone(), std::fs::read(&entry).expect("ours"));
        }
    }
    files
}

#[test]
fn kinds_of_one_run_have_the_bytes_of_single_runs() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path());
    let (one, many) = (folder.path().join("one"), folder.path().join("many"));
    let report = export(&Engine::new(), &request(&session, many.clone(), &recipes()));
    assert!(report.failed.is_empty(), "{:?}", report.failed);
    assert_eq!(report.written.len(), 2 * recipes().len());
    for recipe in recipes() {
        let report = export(&Engine::new(), &request(&session, one.clone(), &[recipe]));
        assert!(report.failed.is_empty(), "{:?}", report.failed);
    }
    let relative = |folder: &Path| {
        let files = content(folder).into_iter();
        files
            .map(|(path, bytes)| (path.strip_prefix(folder).expect("below").to_owned(), bytes))
            .collect::<BTreeMap<_, _>>()
    };
    let (one, many) = (relative(&one), relative(&many));
    assert_eq!(one.keys().collect::<Vec<_>>(), many.keys().collect::<Vec<_>>());
    for (path, bytes) in &one {
        assert!(many[path] == *bytes, "{} differs", path.display());
    }
}

fn plan(engine: &Engine, request: &ExportRequest) -> Vec<PlannedState> {
    engine.plan_export(request).expect("plans").iter().map(|file| file.state).collect()
}

#[test]
fn a_second_run_writes_what_is_missing_or_changed_and_nothing_else() {
    use PlannedState::{Changed, New, Refused, Replaced, Unchanged};
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path());
    let out = folder.path().join("out");
    let kinds = [ExportRecipe::of_kind(OutputKind::Tiff8), ExportRecipe::of_kind(OutputKind::Web)];
    let mut run = request(&session, out.clone(), &kinds);
    run.update = true;
    let engine = Engine::new();
    assert_eq!(plan(&engine, &run), [New; 4]);
    assert!(!out.exists(), "a plan writes nothing");
    assert_eq!(export(&engine, &run).written.len(), 4);
    assert_eq!(plan(&engine, &run), [Unchanged; 4]);
    let again = export(&engine, &run);
    assert_eq!((again.written.len(), again.unchanged.len()), (0, 4));

    // One frame changes, one file is lost, one is written to by another program.
    let mut changed = run.clone();
    let id = changed.at.session.frames[0].id;
    let turned = changed.at.session.frames[0].orientation.turned_clockwise();
    changed.at.session = glassine_session::Edit::SetOrientations(vec![(id, turned)])
        .apply(&changed.at.session)
        .expect("turns");
    std::fs::remove_file(out.join("tiff8/frame 02.tif")).expect("ours");
    std::fs::write(out.join("web/frame 02.jpg"), b"mine").expect("ours");
    assert_eq!(plan(&engine, &changed), [Changed, New, Changed, Refused]);
    let report = export(&engine, &changed);
    assert_eq!((report.written.len(), report.failed.len()), (3, 1));
    assert_eq!(std::fs::read(out.join("web/frame 02.jpg")).expect("there"), b"mine");
    changed.replace = true;
    assert_eq!(plan(&engine, &changed), [Unchanged, Unchanged, Unchanged, Replaced]);

    // Without its manifest, a folder is known by what the files say of themselves.
    std::fs::remove_file(out.join("export-manifest.json")).expect("ours");
    assert_eq!(plan(&engine, &changed), [Unchanged, Unchanged, Unchanged, Replaced]);
    assert!(engine.check_archive(&out, &CancelToken::new()).is_err(), "no manifest to compare with");
    export(&engine, &changed);
    let check = |fault| {
        let check = engine.check_archive(&out, &CancelToken::new()).expect("a manifest");
        check.findings.iter().filter(|finding| finding.fault == fault).count()
    };
    assert_eq!(check(FolderFault::Changed) + check(FolderFault::Missing), 0);
    std::fs::write(out.join("web/frame 02.jpg"), b"mine").expect("ours");
    assert_eq!(check(FolderFault::Changed), 1);
}

#[test]
fn a_stopped_run_continues_with_what_is_missing() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path());
    let out = folder.path().join("out");
    let mut run = request(&session, out.clone(), &[ExportRecipe::of_kind(OutputKind::Tiff8)]);
    run.update = true;
    let (engine, cancel) = (Engine::new(), CancelToken::new());
    let stop = |share: f32, _: &str| {
        if share > 0.5 {
            cancel.cancel();
        }
    };
    let first = engine.export(&run, &cancel, &stop).expect("runs");
    assert!(first.cancelled && first.written.len() == 1, "{first:?}");
    let rest = export(&engine, &run);
    assert_eq!((rest.written.len(), rest.unchanged.len(), rest.cancelled), (1, 1, false));
    assert_eq!(content(&out).len(), 3, "two pictures and the manifest, and no part of a file");
}

#[test]
fn the_progress_tells_how_fast_the_last_frame_was_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path());
    let run = request(&session, folder.path().join("out"), &[]);
    let told = std::sync::Mutex::new(BTreeSet::new());
    let tell = |_: f32, what: &str| {
        told.lock().expect("no panic").insert(what.to_owned());
    };
    Engine::new().export(&run, &CancelToken::new(), &tell).expect("runs");
    let told = told.into_inner().expect("no panic");
    assert!(told.contains("frame 1 of 2"), "{told:?}");
    let second = told.iter().find(|what| what.starts_with("frame 2 of 2")).expect("two frames");
    let rate =
        second.strip_prefix("frame 2 of 2, ").and_then(|rest| rest.strip_suffix(" megapixels per second"));
    assert!(rate.and_then(|rate| rate.parse::<f64>().ok()).is_some_and(|rate| rate > 0.0), "{second}");
}

#[test]
fn a_paused_run_rests_and_goes_on() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path());
    let run = request(&session, folder.path().join("out"), &[]);
    let cancel = CancelToken::new();
    cancel.pause(true);
    let waking = cancel.clone();
    let waker = std::thread::spawn(move || {
        std::thread::sleep(std::time::Duration::from_millis(200));
        waking.pause(false);
    });
    let started = std::time::Instant::now();
    let report = Engine::new().export(&run, &cancel, &|_, _| ()).expect("runs");
    waker.join().expect("wakes");
    assert_eq!(report.written.len(), 2);
    assert!(started.elapsed().as_millis() >= 150);
}

fn base(density_d: [f64; 3]) -> FilmBase {
    FilmBase {
        density_d,
        pixels: 0,
        spread_d: [0.0; 3],
        recommended_tolerance_d: 0.05,
        confidence: 1.0,
        source: glassine_session::BaseSource::Typed,
        field: None,
    }
}

/// The samples of a picture.
fn samples(path: &Path) -> (usize, Vec<u16>) {
    let options = OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() };
    let scan = Scan::open(path, &options).expect("opens");
    let whole = PixelRect::of_size(scan.width(), scan.height());
    let read = scan.read_region(whole, &CancelToken::new()).expect("reads");
    (usize::from(scan.channels()), read.data().to_vec())
}

#[test]
fn film_density_has_the_published_codes_of_the_densities_of_the_scan() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut session = session(folder.path());
    let base_d = [0.2, 0.3, 0.1];
    for strip in &mut session.strips {
        let strip = std::sync::Arc::make_mut(strip);
        strip.film = glassine_film::FilmKind::ColourNegative;
        strip.stock_id = glassine_film::default_stock(strip.film).id.clone();
        strip.base = Some(base(base_d));
    }
    let out = folder.path().join("out");
    let kinds: Vec<_> = recipes().into_iter().filter(|recipe| recipe.kind == OutputKind::Density).collect();
    let report = export(&Engine::new(), &request(&session, out.clone(), &kinds));
    assert!(report.failed.is_empty(), "{:?}", report.failed);
    let scan = Scan::open(&folder.path().join("a.tif"), &OpenOptions::default()).expect("opens");
    let film = scan.read_region(PixelRect::new(40, 30, 560, 370), &CancelToken::new()).expect("reads");
    let (_, log) = samples(&out.join("density/frame 01.tif"));
    let (_, light) = samples(&out.join("light/frame 01.tif"));
    assert_eq!(log.len(), film.data().len());
    for (idx, code) in film.data().iter().enumerate() {
        let density_d = -(f64::from(*code) / 65_535.0).log10() - base_d[idx % 3];
        // SMPTE ST 2065-3 in 16 bits.
        let wanted = (8000.0 * density_d + 1520.0).round();
        assert!((f64::from(log[idx]) - wanted).abs() <= 1.0, "{idx}: {} for {wanted}", log[idx]);
        let wanted = (65_535.0 * 10.0_f64.powf(-density_d)).round().min(65_535.0);
        assert!((f64::from(light[idx]) - wanted).abs() <= 1.0, "{idx}: {} for {wanted}", light[idx]);
    }
}

#[test]
fn a_web_picture_keeps_within_its_limit_or_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path());
    let web = |most_kb: u32| ExportRecipe {
        web_megapixels: Some(0.08),
        most_kb: Some(most_kb),
        ..ExportRecipe::of_kind(OutputKind::Web).named(&format!("web {most_kb}"))
    };
    let export = |most_kb| {
        export(&Engine::new(), &request(&session, folder.path().join(format!("{most_kb}")), &[web(most_kb)]))
    };
    let free = export(0);
    let (width, height) = (free.written[0].width_px, free.written[0].height_px);
    assert!((f64::from(width * height) / 80_000.0 - 1.0).abs() < 0.01, "{width} x {height}");
    let limit_kb = (free.written[0].bytes * 6 / 10 / 1000) as u32;
    for file in export(limit_kb).written {
        assert!(
            file.bytes <= u64::from(limit_kb) * 1000 && file.bytes > u64::from(limit_kb) * 700,
            "{file:?}"
        );
    }
    let refused = export(2);
    assert_eq!((refused.written.len(), refused.failed.len()), (0, 2));
    assert!(refused.failed[0].notice.headline.contains("2 kB"), "{:?}", refused.failed[0].notice);
}

#[test]
fn a_digest_ignores_places_and_names_and_follows_every_setting() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path());
    let (engine, out) = (Engine::new(), folder.path().join("out"));
    let mut run = request(&session, out, &[]);
    run.update = true;
    export(&engine, &run);
    let mut same = run.clone();
    same.written_at = "2026:01:01 00:00:00".to_owned();
    same.output.jpeg_quality = 3;
    same.at.session.notes = "words".to_owned();
    std::sync::Arc::make_mut(&mut same.at.session.frames[0]).mark = glassine_session::FrameMark::Keep;
    assert_eq!(plan(&engine, &same), [PlannedState::Unchanged; 2]);
    let changes: [fn(&mut ExportRequest); 5] = [
        |request| request.output.space = "display-p3".to_owned(),
        |request| request.repair = Some(false),
        |request| request.output.compression = glassine_session::TiffCompression::Lzw,
        |request| request.at.session.output.creator = "someone".to_owned(),
        |request| {
            request.at.session.frames.iter_mut().for_each(|frame| {
                std::sync::Arc::make_mut(frame).facts = std::sync::Arc::new(glassine_session::Facts {
                    place: "pier".to_owned(),
                    ..Default::default()
                });
            });
        },
    ];
    for (idx, change) in changes.into_iter().enumerate() {
        let mut changed = run.clone();
        change(&mut changed);
        changed.output =
            OutputSettings { creator: changed.at.session.output.creator.clone(), ..changed.output.clone() };
        assert_eq!(plan(&engine, &changed), [PlannedState::Changed; 2], "change {idx}");
    }
}

#[test]
fn files_of_the_film_are_written_again_only_for_what_they_show() {
    use PlannedState::{Changed, Unchanged};
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path());
    let kinds = [OutputKind::ArchiveNegative, OutputKind::Density].map(ExportRecipe::of_kind);
    let mut run = request(&session, folder.path().join("out"), &kinds);
    run.update = true;
    let engine = Engine::new();
    export(&engine, &run);
    // For each change, what becomes of the archive negatives and of the files of density.
    let changes: [(Change, [PlannedState; 2]); 7] = [
        (|session| all_looks(session, Param::ExposureStops, 1.0), [Unchanged, Unchanged]),
        (|session| all_looks(session, Param::SharpenAmount, 1.0), [Unchanged, Unchanged]),
        (|session| all_strips(session, |strip| strip.unmix_strength = 0.3), [Unchanged, Unchanged]),
        (|session| all_looks(session, Param::SpotFinder, 1.0), [Unchanged, Changed]),
        (|session| all_strips(session, |strip| strip.base = Some(base([0.1; 3]))), [Unchanged, Changed]),
        (|session| all_frames(session, |frame| frame.crop.width_px -= 8.0), [Changed, Changed]),
        (
            |session| all_frames(session, |frame| frame.orientation = frame.orientation.turned_clockwise()),
            [Changed, Changed],
        ),
    ];
    for (idx, (change, [negative, density])) in changes.into_iter().enumerate() {
        let mut changed = run.clone();
        change(&mut changed.at.session);
        assert_eq!(plan(&engine, &changed), [negative, negative, density, density], "change {idx}");
    }
    let mut unrepaired = run.clone();
    unrepaired.repair = Some(false);
    unrepaired.sharpen = Some(glassine_engine::SharpenChoice::Off);
    assert_eq!(plan(&engine, &unrepaired), [Unchanged, Unchanged, Changed, Changed]);
}

type Change = fn(&mut Session);

fn all_frames(session: &mut Session, change: impl Fn(&mut Frame)) {
    session.frames.iter_mut().for_each(|frame| change(Arc::make_mut(frame)));
}

fn all_looks(session: &mut Session, param: Param, value: f64) {
    all_frames(session, |frame| frame.look.set(param, value));
}

fn all_strips(session: &mut Session, change: impl Fn(&mut Strip)) {
    session.strips.iter_mut().for_each(|strip| change(Arc::make_mut(strip)));
}

#[test]
fn only_files_like_those_of_the_session_count_for_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session(folder.path());
    let report = export(&Engine::new(), &request(&session, folder.path().join("out"), &recipes()));
    let found = report.written.iter().filter(|file| file.counts_for_session);
    let found: BTreeSet<_> = found.map(|file| file.recipe.as_str()).collect();
    // A print is sampled at its own size, “small” has another colour space.
    assert_eq!(found, ["jpeg", "master", "tiff8", "web"].into());
    let mut unrepaired = request(&session, folder.path().join("unrepaired"), &[]);
    unrepaired.repair = Some(false);
    assert!(export(&Engine::new(), &unrepaired).written.iter().all(|file| !file.counts_for_session));
}

#[test]
fn an_update_replaces_only_what_it_wrote_of_the_same_frame() {
    use PlannedState::{Changed, Refused, Unchanged};
    let folder = tempfile::tempdir().expect("a folder");
    let (session, out) = (session(folder.path()), folder.path().join("out"));
    let engine = Engine::new();
    let mut first = request(&session, out.clone(), &[]);
    first.update = true;
    export(&engine, &first);

    // Another roll with the same names.
    let other = folder.path().join("other");
    std::fs::create_dir(&other).expect("a folder");
    let paths = [other.join("a.tif"), other.join("b.tif")];
    paths.iter().zip([3, 4]).for_each(|(path, seed)| write_scan(path, seed));
    let roll = session_of(paths.iter().map(|path| scan_ref(path)).collect());
    let mut second = request(&roll, out.clone(), &[]);
    second.update = true;
    assert_eq!(plan(&engine, &second), [Refused; 2]);

    // A plain run in between, with other settings: the files and the manifest tell of it.
    let mut between = first.clone();
    (between.update, between.replace) = (false, true);
    between.output.space = "display-p3".to_owned();
    export(&engine, &between);
    assert_eq!(plan(&engine, &first), [Changed; 2]);
    assert_eq!(export(&engine, &first).written.len(), 2);

    // An editor that keeps the length and the metadata of a file.
    let path = out.join("frame 01.tif");
    let mut bytes = std::fs::read(&path).expect("ours");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(&path, &bytes).expect("ours");
    assert_eq!(plan(&engine, &first), [Unchanged; 2]);
    first.output.space = "display-p3".to_owned();
    assert_eq!(plan(&engine, &first), [Refused, Changed]);

    // Without the manifest nothing says who wrote a file of other settings.
    std::fs::remove_file(out.join("export-manifest.json")).expect("ours");
    assert_eq!(plan(&engine, &first), [Refused; 2]);
    std::fs::write(out.join("export-manifest.json"), b"{").expect("ours");
    assert!(engine.plan_export(&first).is_err(), "a damaged manifest is told before any work");
}

#[test]
fn a_contact_sheet_replaces_neither_another_file_nor_a_frame() {
    let folder = tempfile::tempdir().expect("a folder");
    let (session, out) = (session(folder.path()), folder.path().join("out"));
    let engine = Engine::new();
    let mut run = request(&session, out.clone(), &[]);
    run.update = true;
    let sheet = |name: &str| ContactSheetRequest {
        at: run.at.clone(),
        output: run.output.clone(),
        path: out.join(name),
        layout: SheetLayout::default(),
        replace: false,
        name: String::new(),
        made_on: "2026-11-29".to_owned(),
    };
    let with = |name: &str| ExportRequest { sheet: Some(Box::new(sheet(name))), ..run.clone() };
    std::fs::create_dir(&out).expect("a folder");
    std::fs::write(out.join("mine.pdf"), b"mine").expect("writes");
    let run_it = |request: &ExportRequest| engine.export(request, &CancelToken::new(), &|_, _| ());
    assert!(run_it(&with("mine.pdf")).is_err());
    assert_eq!(std::fs::read(out.join("mine.pdf")).expect("there"), b"mine");

    // Its own sheet is made again; the second time from no picture of the run.
    assert!(run_it(&with("sheet.pdf")).expect("runs").notices.is_empty());
    let again = run_it(&with("sheet.pdf")).expect("runs");
    assert_eq!((again.written.len(), again.unchanged.len()), (0, 2));
    assert_eq!(again.sheet.expect("a sheet").written, [out.join("sheet.pdf")]);

    let mut png = with("frame 01.png");
    png.output = OutputSettings {
        kind: OutputKind::Web,
        web_format: glassine_session::WebFormat::Png,
        ..png.output.clone()
    };
    let refused = run_it(&png).expect_err("a frame has this name");
    assert!(refused.notice().headline.contains("contact sheet"), "{:?}", refused.notice());
}
