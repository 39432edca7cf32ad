//! The page before anything is open, the demo, and what is remembered from one run to the next.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::common::hands::{Window, click_label, rest};
use crate::common::{SharedPicker, app_in, end, session, window, write_scan, write_session};
use egui_kittest::kittest::Queryable as _;
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{EditCommand, ExportCommand, FileCommand, ViewCommand};
use glassine_app::model::questions::{Answer, PathPurpose, Question};
use glassine_app::services::file_dialogs::{PickOutcome, PreparedPicker};
use glassine_engine::{Engine, FrameScope, JobHost};
use glassine_session::{OutputSettings, Session};

/// A folder with the usual strip and its session.
fn roll(folder: &Path, name: &str) -> (Session, PathBuf) {
    let folder = folder.join(name);
    std::fs::create_dir_all(&folder).expect("writable");
    let session = session(&write_scan(&folder), Some(folder.join("finished")));
    let path = write_session(&folder, &session);
    let own = folder.join(format!("{name}.session.json"));
    std::fs::rename(path, &own).expect("renamed");
    (session, own.canonicalize().expect("there"))
}

fn start(kept: &Path, open: Vec<PathBuf>) -> Window {
    window(app_in(kept, open, SharedPicker::default()))
}

#[test]
fn a_plain_start_shows_the_page_and_makes_nothing() {
    let kept = tempfile::tempdir().expect("a temporary folder");
    let mut window = start(kept.path(), Vec::new());
    rest(&mut window);
    assert!(window.state().session().scans.is_empty());
    assert!(window.query_by_label("open scans or a session").is_some());
    assert!(window.query_by_label("look at the demo strips").is_some());
    assert!(window.query_by_label("recent sessions").is_none());
    assert!(window.state().status().notices.is_empty());
    assert!(!kept.path().join("demo").exists());
}

#[test]
fn the_demo_is_made_when_asked_for_and_can_be_cancelled() {
    let kept = tempfile::tempdir().expect("a temporary folder");
    let demo = kept.path().join("demo");
    let options = AppOptions { demo_folder: Some(demo.clone()), ..AppOptions::default() };
    let jobs = JobHost::threaded(Arc::new(Engine::new()), Arc::new(|| ()));
    let mut window = window(GlassineApp::new(jobs, Box::new(PreparedPicker::default()), options));
    window.get_by_label("look at the demo strips").click();
    let begun = Instant::now();
    while window.query_by_label("making the demo").is_none() {
        assert!(begun.elapsed() < Duration::from_secs(60), "the work is shown");
        window.step();
    }
    window.get_by_label("cancel").click();
    while !window.state().is_idle() || window.query_by_label("look at the demo strips").is_none() {
        assert!(begun.elapsed() < Duration::from_secs(120), "the work stops");
        window.step();
    }
    assert!(window.state().session().scans.is_empty());
    let left: Vec<_> =
        std::fs::read_dir(&demo).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    assert!(left.iter().all(|path| path.extension().is_none_or(|ending| ending != "json")), "{left:?}");
}

#[test]
fn recent_sessions_are_listed_newest_first_and_can_be_opened_and_taken_off() {
    let (kept, rolls) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let paths: Vec<PathBuf> = ["quay", "boats", "gulls"].map(|name| roll(rolls.path(), name).1).into();
    for path in &paths {
        let mut window = start(kept.path(), vec![path.clone()]);
        rest(&mut window);
        end(window);
        // The list is in whole seconds.
        std::thread::sleep(Duration::from_millis(1_100));
    }
    std::fs::remove_file(&paths[1]).expect("removed");
    let mut window = start(kept.path(), Vec::new());
    rest(&mut window);
    let recent = window.state().status().recent.clone();
    let names: Vec<_> = recent.iter().map(|shown| (shown.recent.path.clone(), shown.is_missing)).collect();
    let wanted = [(paths[2].clone(), false), (paths[1].clone(), true), (paths[0].clone(), false)];
    assert_eq!(names, wanted);
    assert!(recent.iter().all(|shown| shown.picture.is_some()), "each has its small picture");
    assert!(window.query_by_label("find boats, missing").is_some());
    click_label(&mut window, "take boats off the list");
    rest(&mut window);
    assert!(window.query_by_label_contains("boats").is_none());
    click_label(&mut window, "open quay");
    rest(&mut window);
    assert_eq!(window.state().status().path.as_ref(), Some(&paths[0]));
    end(window);
    assert!(paths[2].is_file());

    let mut window = start(kept.path(), Vec::new());
    rest(&mut window);
    let recent = &window.state().status().recent;
    let names: Vec<_> = recent.iter().map(|shown| shown.recent.path.clone()).collect();
    assert_eq!(names, [paths[0].clone(), paths[2].clone()]);
    let pictures = std::fs::read_dir(kept.path().join("thumbnails")).expect("there").count();
    assert_eq!(pictures, 2, "the picture of the one taken off is gone");
}

#[test]
fn surround_split_and_folders_are_the_same_in_the_next_run() {
    let (kept, rolls) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let (_, path) = roll(rolls.path(), "quay");
    let mut window = start(kept.path(), vec![path.clone()]);
    window.state_mut().push(ViewCommand::SetDark(false));
    window.state_mut().ui_state_mut().strip.share = 0.55;
    rest(&mut window);
    end(window);

    let picker = SharedPicker::default();
    let mut window = crate::common::window(app_in(kept.path(), Vec::new(), picker.clone()));
    assert!(window.state().ui_state().light);
    assert!((window.state().ui_state().strip.share - 0.55).abs() < 1e-3);
    window.state_mut().push(FileCommand::AskOpen);
    window.run();
    let asked = picker.0.lock().expect("one thread").asked.clone();
    assert_eq!(asked[0].purpose, PathPurpose::Open);
    assert_eq!(asked[0].folder.as_deref(), path.parent());
}

/// Exports the open session into a folder.
fn export(window: &mut Window, change: impl FnOnce(&mut OutputSettings)) {
    let mut output = window.state().session().output.clone();
    change(&mut output);
    window.state_mut().push(ExportCommand::SetOutput(output));
    window.state_mut().push(ExportCommand::Start { scope: FrameScope::All, replace: false });
    rest(window);
    assert!(window.state().status().export_report.is_some());
}

/// Opens scans and accepts the question about them.
fn open_scans(window: &mut Window, scan: PathBuf) {
    window.state_mut().push(FileCommand::Open(vec![scan]));
    window.run();
    window.state_mut().push(FileCommand::Answer(Answer::Yes));
    window.run();
    if matches!(window.state().ui_state().question, Some(Question::Unsaved(_))) {
        window.state_mut().push(FileCommand::Answer(Answer::No));
    }
    rest(window);
}

#[test]
fn new_sessions_begin_with_the_settings_of_the_last_export_but_not_with_its_names() {
    let (kept, rolls) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let (_, path) = roll(rolls.path(), "quay");
    let finished = rolls.path().join("finished");
    let mut window = start(kept.path(), vec![path]);
    export(&mut window, |output| {
        "display-p3".clone_into(&mut output.space);
        "A. Person".clone_into(&mut output.creator);
        output.folder = Some(finished.clone());
    });
    end(window);
    let other = rolls.path().join("other");
    std::fs::create_dir(&other).expect("writable");
    let scan = write_scan(&other);
    let picker = SharedPicker::default();
    let mut window = crate::common::window(app_in(kept.path(), Vec::new(), picker.clone()));
    open_scans(&mut window, scan);
    let output = window.state().session().output.clone();
    assert_eq!((output.space.as_str(), output.creator.as_str()), ("display-p3", "A. Person"));
    assert_eq!((output.base_name.as_str(), output.folder), ("frame", None));
    window.state_mut().push(ExportCommand::AskFolder);
    window.run();
    assert_eq!(picker.0.lock().expect("one thread").asked[0].folder, Some(finished));
}

#[test]
fn nothing_of_the_demo_reaches_the_next_session_or_run() {
    let (kept, rolls) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let (mut demo, path) = roll(kept.path(), "demo");
    "Sallow Quay".clone_into(&mut demo.title);
    "harbour".clone_into(&mut demo.output.base_name);
    "M. Orrin".clone_into(&mut demo.output.creator);
    write_session(path.parent().expect("a folder"), &demo);
    let path = path.with_file_name("quay.session.json");
    let scan = write_scan(rolls.path());

    let mut window = start(kept.path(), vec![path.clone()]);
    assert!(window.state().status().is_demo);
    export(&mut window, |output| "adobe-rgb-1998".clone_into(&mut output.space));
    window.state_mut().push(FileCommand::Open(vec![scan.clone()]));
    window.run();
    let question = &window.state().ui_state().question;
    assert!(matches!(question, Some(Question::NewSession { add: false, film: None, .. })), "{question:?}");
    assert!(window.query_by_label("add to the session that is open").is_none());
    window.state_mut().push(FileCommand::Answer(Answer::Cancel));
    window.run();
    open_scans(&mut window, scan);
    let made = window.state().session();
    assert_eq!((made.title.as_str(), made.scans.len()), ("strip", 1));
    assert_eq!((made.output.clone(), window.state().status().is_demo), (OutputSettings::default(), false));
    window.state_mut().push(EditCommand::QuarterTurn(1));
    end(window);

    let mut window = start(kept.path(), Vec::new());
    rest(&mut window);
    assert!(window.state().status().recent.is_empty());
    let remembered = window.state().remembered();
    assert_eq!((&remembered.export, &remembered.folders.sessions), (&None, &None));
    let text = std::fs::read_to_string(kept.path().join("config/state.json")).expect("written");
    assert!(!text.contains("Orrin") && !text.contains("harbour") && !text.contains("demo"), "{text}");
}

#[test]
fn a_recent_session_that_was_moved_is_found_and_takes_its_place_in_the_list() {
    let (kept, rolls) = (tempfile::tempdir().expect("a folder"), tempfile::tempdir().expect("a folder"));
    let (_, path) = roll(rolls.path(), "quay");
    end(start(kept.path(), vec![path.clone()]));
    let renamed = path.with_file_name("pier.session.json");
    std::fs::rename(&path, &renamed).expect("renamed");
    let picker = SharedPicker::new(vec![PickOutcome::Cancelled, PickOutcome::Chosen(vec![renamed.clone()])]);
    let mut window = window(app_in(kept.path(), Vec::new(), picker));
    rest(&mut window);
    let recent = |window: &Window| {
        let recent = window.state().remembered().recent_sessions.iter();
        recent.map(|recent| recent.path.clone()).collect::<Vec<_>>()
    };
    click_label(&mut window, "find quay, missing");
    assert_eq!(recent(&window), [path], "nothing was chosen");
    click_label(&mut window, "find quay, missing");
    rest(&mut window);
    assert_eq!(window.state().status().path.as_ref(), Some(&renamed));
    assert_eq!(recent(&window), [renamed]);
}
