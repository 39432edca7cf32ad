//! The scanner panel with a scanner that plays a file back: overview, boxes, a file for each frame.

use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::common::hands::{Window, click_label, undo};
use crate::common::{SharedPicker, window};
use crate::program::{give_the_same_pictures, samples, scan_named, text};
use egui_kittest::kittest::Queryable as _;
use glassine_acquire::DriverProcess;
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{EditCommand, FileCommand, ScannerCommand};
use glassine_app::model::questions::Question;
use glassine_app::model::scanner_state::{ItemState, ScanUnit};
use glassine_app::services::file_dialogs::PickOutcome;
use glassine_engine::{Engine, JobHost};
use glassine_session::{BaseSource, Edit, FilmBase, Roll};

/// Resolution of the file that is played back.
const PPI: f64 = 300.0;
/// Names of the file that is played back, and of one that makes a scan fail.
const PLAYED: &str = "played.tif";
const FAULT: &str = "fault";

/// A program whose drivers are the stand-in scanner with this scan; it fails once if there is a file at `fault`.
fn app_at_scanner(scan: &Path, fault: &Path) -> Option<GlassineApp> {
    let beside = Path::new(env!("CARGO_BIN_EXE_glassine")).parent().expect("a folder");
    let library = beside.join("examples").join("libstandin_scanner.so");
    if !library.exists() {
        glassine_testdata::skipped("the stand-in scanner is not built: cargo build -p glassine --examples");
        return None;
    }
    let set = |name: &str, value: &str| format!("{name}={value}").into();
    let drivers = DriverProcess {
        program: "env".into(),
        args: vec![
            set("GLASSINE_SANE", text(&library)),
            set("STANDIN_SCAN", text(scan)),
            set("STANDIN_FAULT", text(fault)),
            env!("CARGO_BIN_EXE_glassine").into(),
            "scanner-driver".into(),
        ],
        patience: Duration::from_secs(20),
    };
    let jobs = JobHost::inline(Arc::new(Engine::new()));
    let options = AppOptions { inline_jobs: true, drivers: Some(drivers), ..AppOptions::default() };
    Some(GlassineApp::new(jobs, Box::new(SharedPicker::default()), options))
}

/// Runs the window until something holds.
fn until(window: &mut Window, what: &str, holds: impl Fn(&GlassineApp) -> bool) {
    let since = Instant::now();
    while !holds(window.state()) {
        assert!(since.elapsed() < Duration::from_secs(60), "{what}: {:?}", window.state().status().scanner);
        std::thread::sleep(Duration::from_millis(5));
        window.run();
    }
}

fn push(window: &mut Window, command: ScannerCommand) {
    window.state_mut().push(command);
    window.run();
}

/// A folder with a file that is played back, and a window whose scanner does so, with the panel open.
fn begin(ppi: f64, overview_ppi: f64) -> Option<(Window, tempfile::TempDir)> {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let strip = scan_named(folder.path(), PLAYED, ppi);
    let mut window = window(app_at_scanner(&strip, &folder.path().join(FAULT))?);
    at_device(&mut window, folder.path(), overview_ppi);
    Some((window, folder))
}

/// Opens the panel, waits for the device, sets folder and overview resolution.
fn at_device(window: &mut Window, folder: &Path, overview_ppi: f64) {
    window.state_mut().remember_scans_folder(folder.join("scans"));
    push(window, ScannerCommand::Show(true));
    let is_open =
        |app: &GlassineApp| app.status().scanner.device.is_some() && app.status().scanner.doing.is_none();
    until(window, "the device is open", is_open);
    push(window, ScannerCommand::SetOverviewPpi(overview_ppi));
    push(window, ScannerCommand::SetFramesPpi(PPI));
}

fn scan_overview(window: &mut Window) {
    let before = window.state().session().strips.len();
    click_label(window, if before == 0 { "scan the overview" } else { "next strip: overview" });
    until(window, "the overview is boxed", |app| {
        app.session().strips.len() > before
            && app.status().scanner.doing.is_none()
            && app.status().jobs.is_empty()
    });
}

#[test]
fn frames_boxed_on_an_overview_are_scanned_one_by_one_and_keep_what_was_decided() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let strip = scan_named(folder.path(), PLAYED, PPI);
    let Some(app) = app_at_scanner(&strip, &folder.path().join(FAULT)) else { return };
    let mut window = window(app);
    click_label(&mut window, "scan with a scanner");
    at_device(&mut window, folder.path(), PPI / 2.0);
    assert!(window.query_by_label("first an overview, and its boxes").is_some());
    scan_overview(&mut window);
    let before = window.state().session().clone();
    let overview = before.scans[0].path.clone();
    assert_eq!(overview.file_name().expect("a name"), "roll-overview.tif");
    assert_eq!((before.scans.len(), before.frames.len(), before.scans[0].ppi), (1, 4, Some(PPI / 2.0)));

    click_label(&mut window, "scan 4 files");
    until(&mut window, "every frame is scanned and solved", |app| {
        let is_done = app.status().scanner.batch.as_ref().is_some_and(|batch| batch.left() == 0);
        is_done && app.status().scanner.doing.is_none() && app.status().jobs.is_empty()
    });
    let after = window.state().session().clone();
    assert_eq!(after.scans.len(), 4, "the overview has left the session");
    assert!(overview.exists(), "its file stays");
    let ids = |session: &glassine_session::Session| {
        session.frames.iter().map(|frame| (frame.id, frame.number)).collect::<Vec<_>>()
    };
    assert_eq!(ids(&after), ids(&before));
    let glass = samples(&strip);
    for (nth, frame) in after.frames.iter().enumerate() {
        let (strip, scan) = after.context(frame).expect("a strip and a scan");
        assert!(strip.base.is_some() && strip.solve.is_some() && frame.solve.is_some());
        assert!(scan.has_infrared() && scan.ppi == Some(PPI));
        let name = format!("roll-frame-{}.tif", nth + 1);
        assert_eq!(scan.path.file_name().expect("a name"), name.as_str());
        // Twice the resolution, so boxes twice as large; what was found there decides the last pixels.
        let (old, new) = (&before.frames[nth].crop, &frame.crop);
        assert!((new.width_px / old.width_px - 2.0).abs() < 0.02, "{old:?} {new:?}");
        assert!(frame.image_area.is_some_and(|area| area.contains(new.center)));
        // The file holds exactly that part of what lies on the glass.
        let (width, height, of_frame) = samples(&scan.path);
        let line = &of_frame[..width as usize * 4];
        let is_at = |place: usize| glass.2[place..].starts_with(line);
        let place = (0..glass.2.len() / 4).map(|px| px * 4).find(|place| is_at(*place)).expect("is there");
        let last = place + (height as usize - 1) * glass.0 as usize * 4;
        assert!(glass.2[last..].starts_with(&of_frame[of_frame.len() - line.len()..]));
    }
}

#[test]
fn pictures_of_a_scan_of_everything_equal_those_of_the_file_that_was_played_back() {
    let Some((mut window, folder)) = begin(150.0, 150.0) else { return };
    scan_overview(&mut window);
    let scanned = window.state().session().scans[0].path.clone();
    give_the_same_pictures(folder.path(), [&scanned, &folder.path().join(PLAYED)]);
}

#[test]
fn scans_that_appear_in_a_watched_folder_become_strips_of_the_session() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let watched = folder.path().join("watched");
    std::fs::create_dir(&watched).expect("a folder");
    let picker = SharedPicker::new(vec![PickOutcome::Chosen(vec![watched.clone()])]);
    let mut window = window(crate::common::app(Vec::new(), picker));
    click_label(&mut window, "watch a folder…");
    until(&mut window, "the folder is watched", |app| app.status().scanner.watched.is_some());
    window.run();
    window.get_by_label_contains("opens by itself");
    let strip = scan_named(folder.path(), "strip.tif", 150.0);
    for name in ["1.tif", "2.tif", "3.tif"] {
        std::fs::copy(&strip, watched.join(name)).expect("copies");
    }
    until(&mut window, "three strips", |app| {
        app.session().frames.len() == 12 && app.status().jobs.is_empty()
    });
    let session = window.state().session();
    assert_eq!(session.strips[0].format_id, session.strips[1].format_id);
    push(&mut window, ScannerCommand::EndWatch);
    assert!(window.state().status().scanner.watched.is_none());
}

#[test]
fn a_failed_scan_is_told_and_the_rest_goes_on_from_it() {
    let Some((mut window, folder)) = begin(PPI, PPI / 2.0) else { return };
    scan_overview(&mut window);
    std::fs::write(folder.path().join(FAULT), b"").expect("writes");
    click_label(&mut window, "scan 4 files");
    until(&mut window, "the first scan failed", |app| {
        app.status().scanner.batch.as_ref().is_some_and(|batch| batch.is_stopped)
    });
    window.run();
    let batch = window.state().status().scanner.batch.clone().expect("a batch");
    assert!(
        matches!(&batch.items[0].state, ItemState::Failed(notice) if notice.headline.contains("connection"))
    );
    let left: Vec<_> = std::fs::read_dir(folder.path().join("scans")).expect("lists").flatten().collect();
    assert_eq!(left.len(), 1, "only the overview: {left:?}");
    until(&mut window, "the device is free", |app| app.status().scanner.doing.is_none());
    click_label(&mut window, "go on with 4 files");
    until(&mut window, "every frame is scanned", |app| {
        let is_done = app.status().scanner.batch.as_ref().is_some_and(|batch| batch.left() == 0);
        is_done && app.status().jobs.is_empty() && app.status().scanner.doing.is_none()
    });
    assert_eq!(window.state().session().scans.len(), 4);
}

#[test]
fn a_stopped_batch_leaves_the_panel_free_and_frames_deleted_meanwhile_are_left_out() {
    let Some((mut window, _folder)) = begin(PPI, PPI / 2.0) else { return };
    push(&mut window, ScannerCommand::SetUnit(ScanUnit::Strip));
    scan_overview(&mut window);
    click_label(&mut window, "scan 1 file");
    let is_free = |app: &GlassineApp| app.status().scanner.doing.is_none();
    push(&mut window, ScannerCommand::Stop);
    until(&mut window, "the scan has stopped", is_free);
    // A device that was let go is opened again for the next request, and the panel is free afterwards.
    let value = "150".to_owned();
    push(&mut window, ScannerCommand::SetOption { name: "exposure-blue".to_owned(), value });
    until(&mut window, "the option is set", is_free);
    let kept = &window.state().status().scanner.choices.options;
    assert_eq!(kept.get("exposure-blue").map(String::as_str), Some("150"));
    push(
        &mut window,
        ScannerCommand::SetOption { name: "exposure-red".to_owned(), value: "9999".to_owned() },
    );
    until(&mut window, "the option is refused", is_free);
    assert!(window.state().status().scanner.trouble.is_some());
    assert!(!window.state().status().scanner.choices.options.contains_key("exposure-red"));

    // A base that the user typed stays, but for the longer exposure of blue.
    let strip = window.state().session().strips[0].clone();
    let base = FilmBase {
        density_d: [0.2, 0.5, 0.8],
        source: BaseSource::Typed,
        ..strip.base.clone().expect("measured")
    };
    window.state_mut().push(EditCommand::Apply(Edit::SetBase { strip: strip.id, base: Some(base) }));
    window.run();
    push(&mut window, ScannerCommand::GoOn);
    let last = window.state().session().frames[3].id;
    window.state_mut().push(EditCommand::Apply(Edit::DeleteFrames(vec![last])));
    window.run();
    until(&mut window, "the rest is taken over", |app| {
        app.session()
            .frames
            .iter()
            .all(|frame| app.session().context(frame).is_some_and(|(_, scan)| scan.ppi == Some(PPI)))
            && app.status().jobs.is_empty()
    });
    assert_eq!(window.state().session().frames.len(), 3);
    let frame = window.state().session().frames[0].clone();
    let (strip, _) = window.state().session().context(&frame).expect("a strip");
    let typed_d = strip.base.as_ref().expect("kept").density_d;
    let expected_d = [0.2, 0.5, 0.8 - 1.5_f64.log10()];
    assert!(typed_d.iter().zip(expected_d).all(|(a, b)| (a - b).abs() < 1e-12), "{typed_d:?}");
    assert!(window.query_by_label("every frame has its scan; put the next strip in").is_some());
    // What is taken back can be scanned again.
    undo(&mut window);
    undo(&mut window);
    assert!(window.query_by_label("scan 1 file").is_some());
}

#[test]
fn closing_the_window_in_the_middle_of_a_scan_asks_first() {
    let Some((mut window, _folder)) = begin(PPI, PPI / 2.0) else { return };
    click_label(&mut window, "scan the overview");
    window.state_mut().push(FileCommand::Quit);
    window.run();
    assert!(matches!(window.state().ui_state().question, Some(Question::Scanning)));
    click_label(&mut window, "stay");
    until(&mut window, "the overview is there", |app| app.session().frames.len() == 4);
}

#[test]
fn the_next_strip_goes_on_with_format_numbers_and_roll() {
    let Some((mut window, _folder)) = begin(PPI, PPI / 2.0) else { return };
    push(&mut window, ScannerCommand::SetUnit(ScanUnit::Strip));
    scan_overview(&mut window);
    let strips = vec![window.state().session().strips[0].id];
    let roll = Roll { title: "quay".to_owned(), ..Roll::default() };
    window.state_mut().push(EditCommand::Apply(Edit::AddRoll { roll, strips }));
    window.run();
    scan_overview(&mut window);
    let session = window.state().session();
    assert_eq!(session.scans.len(), 2);
    let numbers: Vec<u32> = session.frames.iter().map(|frame| frame.number).collect();
    assert_eq!(numbers, (1..=8).collect::<Vec<_>>());
    assert_eq!(session.strips[0].format_id, session.strips[1].format_id);
    assert!(session.strips[0].roll.is_some() && session.strips[0].roll == session.strips[1].roll);
    let names: Vec<_> = session.scans.iter().filter_map(|scan| scan.path.file_name()).collect();
    assert_eq!(names, ["roll-overview.tif", "roll-overview-2.tif"]);
    click_label(&mut window, "scan 1 file");
    until(&mut window, "the second strip is scanned", |app| {
        let is_done = app.status().scanner.batch.as_ref().is_some_and(|batch| batch.left() == 0);
        is_done && app.status().jobs.is_empty() && app.status().scanner.doing.is_none()
    });
    let session = window.state().session();
    let of_second: Vec<_> = session.frames[4..].iter().filter_map(|frame| session.context(frame)).collect();
    assert!(of_second.iter().all(|(_, scan)| scan.ppi == Some(PPI)));
    assert!(session.context(&session.frames[0]).is_some_and(|(_, scan)| scan.ppi == Some(PPI / 2.0)));
}
