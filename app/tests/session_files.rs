//! Conflicts between a session and its file: another version there, another program that works on it, unsaved work of
//! earlier runs.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::common::hands::{Window, click_label, rest};
use crate::common::{SharedPicker, app, session, window, write_scan, write_session};
use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{EditCommand, FileCommand};
use glassine_app::model::questions::PathPurpose;
use glassine_app::services::file_dialogs::PickOutcome;
use glassine_engine::session_files::{Run, lock_session, read_session};
use glassine_engine::{Engine, JobHost};
use glassine_session::{Edit, FrameMark, Session, file};

struct Place {
    folder: tempfile::TempDir,
    session: Session,
    path: PathBuf,
}

fn place() -> Place {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let session = session(&scan, None);
    let path = write_session(folder.path(), &session);
    Place { folder, session, path }
}

/// Saves the session with changes, as another program does meanwhile; gives the bytes written.
fn saved_elsewhere(place: &Place) -> Vec<u8> {
    let strip = place.session.strips[0].id;
    let edits = [
        Edit::SetTitle("their title".to_owned()),
        Edit::Renumber { first: 7 },
        Edit::SetMaskTolerance { strip, tolerance_d: 0.1 },
        Edit::SetMark { frames: vec![place.session.frames[0].id], mark: FrameMark::LeaveOut },
    ];
    let theirs = edits
        .iter()
        .fold(place.session.clone(), |session, edit| edit.apply(&session).expect("the edit fits"));
    let stamp = file::FileStamp { generation: 9, run: "another-1-1-1".to_owned() };
    let bytes = file::to_json(&theirs, Some(place.folder.path()), &stamp).expect("sane");
    std::fs::write(&place.path, &bytes).expect("writable");
    bytes
}

fn save(window: &mut Window) {
    window.key_press_modifiers(Modifiers::COMMAND, Key::S);
    window.run();
}

/// A window over the session, changed here and saved by another program meanwhile, after an attempt to save it.
fn conflicting_window(place: &Place, picker: SharedPicker) -> (Window, Vec<u8>) {
    let mut window = window(app(vec![place.path.clone()], picker));
    window.state_mut().push(EditCommand::QuarterTurn(1));
    window.run();
    let theirs = saved_elsewhere(place);
    save(&mut window);
    assert!(window.query_by_label("not saved: the file has changed").is_some());
    assert_eq!(std::fs::read(&place.path).expect("there"), theirs, "nothing is written");
    (window, theirs)
}

#[test]
fn a_save_over_another_version_is_asked_about_and_takes_over_with_theirs_kept_aside() {
    let place = place();
    let (mut window, theirs) = conflicting_window(&place, SharedPicker::default());
    let differences = window.state().status().conflict.clone().expect("a conflict").differences;
    assert!(differences.len() > 2, "{differences:?}");
    let last = format!("–  {}", differences.last().expect("some"));
    assert!(window.query_by_label(&last).is_none());
    click_label(&mut window, "compare");
    assert!(window.query_by_label(&last).is_some());
    click_label(&mut window, "take over");
    assert!(window.state().status().conflict.is_none());
    let ours = read_session(&place.path).expect("whole");
    assert_eq!(ours.title, "quay");
    assert_eq!(ours.frames[0].orientation.quarter_turns(), 1);
    let kept = place.folder.path().join("quay.session.json.theirs-1");
    assert_eq!(std::fs::read(kept).expect("kept"), theirs);
}

#[test]
fn a_conflicting_save_can_go_beside_under_a_free_name_or_be_left() {
    let place = place();
    let beside = place.folder.path().join("quay 2.session.json");
    let picker = SharedPicker::new(vec![PickOutcome::Chosen(vec![beside.clone()])]);
    let (mut window, theirs) = conflicting_window(&place, picker.clone());
    click_label(&mut window, "cancel");
    assert!(window.query_by_label("not saved: the file has changed").is_none());
    assert!(window.state().status().is_unsaved);
    save(&mut window);
    click_label(&mut window, "save beside…");
    let asked = picker.0.lock().expect("one thread").asked.clone();
    assert_eq!(asked.len(), 1);
    assert_eq!(
        (asked[0].purpose, asked[0].suggested_name.as_str()),
        (PathPurpose::SaveAs, "quay 2.session.json")
    );
    assert_eq!(read_session(&beside).expect("whole").title, "quay");
    assert_eq!(std::fs::read(&place.path).expect("there"), theirs);
    assert_eq!(window.state().status().path.as_ref(), Some(&beside));
}

#[test]
fn a_session_that_is_open_elsewhere_is_marked_and_can_be_worked_on_once_it_is_free() {
    let place = place();
    let before = std::fs::read(&place.path).expect("there");
    let other = Run::begin(None);
    let lock = lock_session(&place.path, &other);
    let picker = SharedPicker::new(vec![PickOutcome::Chosen(vec![place.path.clone()])]);
    let mut window = window(app(vec![place.path.clone()], picker.clone()));
    let mark = window.get_by_label_contains("view only: ").accesskit_node().value().unwrap_or_default();
    assert!(mark.contains(&format!("process {} works on this session", std::process::id())), "{mark}");
    assert!(window.query_by_label("work on it").is_none());
    // Even the name itself is refused: the dialog appears again, and is cancelled.
    save(&mut window);
    let asked = picker.0.lock().expect("one thread").asked.clone();
    assert_eq!(asked.len(), 2);
    assert_eq!(asked[0].suggested_name, "quay 2.session.json");
    assert_eq!(std::fs::read(&place.path).expect("there"), before);

    drop(lock);
    for _ in 0..4 {
        rest(&mut window);
    }
    click_label(&mut window, "work on it");
    rest(&mut window);
    assert!(window.state().status().held_by.is_none());
    assert!(window.query_by_label_contains("view only").is_none());
    window.state_mut().push(EditCommand::QuarterTurn(1));
    window.run();
    save(&mut window);
    assert_eq!(read_session(&place.path).expect("whole").frames[0].orientation.quarter_turns(), 1);
}

fn start_in(data: &Path, open: Vec<PathBuf>) -> Window {
    let engine = Engine::new().in_run(Arc::new(Run::begin(Some(data))));
    let options = AppOptions { inline_jobs: true, open, ..AppOptions::default() };
    window(GlassineApp::new(JobHost::inline(Arc::new(engine)), Box::new(SharedPicker::default()), options))
}

/// A run that changes a session and is killed before it saves.
fn killed_run(data: &Path, open: Vec<PathBuf>, session: Option<Session>) {
    let mut window = start_in(data, open);
    if let Some(session) = session {
        window.state_mut().set_session(session);
    }
    window.state_mut().push(EditCommand::QuarterTurn(1));
    rest(&mut window);
    assert!(window.state().status().is_unsaved);
}

#[test]
fn unsaved_work_of_earlier_runs_is_listed_until_it_is_opened_or_discarded() {
    let place = place();
    let data = tempfile::tempdir().expect("a temporary folder");
    killed_run(data.path(), Vec::new(), Some(Session { title: "first".to_owned(), ..place.session.clone() }));
    killed_run(
        data.path(),
        Vec::new(),
        Some(Session { title: "second".to_owned(), ..place.session.clone() }),
    );

    let mut window = start_in(data.path(), Vec::new());
    assert!(window.query_by_label("unsaved work of earlier runs").is_some());
    assert!(window.query_by_label("first").is_some() && window.query_by_label("second").is_some());
    assert_eq!(window.query_all_by_label_contains("3 frames").count(), 2);
    click_label(&mut window, "not now");
    assert_eq!(window.state().status().unsaved_work.len(), 2, "nothing is removed");
    click_label(&mut window, "unsaved work (2)");
    let first = window.get_all_by_label("discard").next().expect("two rows");
    first.click();
    window.run();
    assert_eq!(window.state().status().unsaved_work.len(), 2, "it is asked once");
    click_label(&mut window, "discard for good");
    assert_eq!(window.state().status().unsaved_work.len(), 1);
    let left = window.state().status().unsaved_work[0].clone();
    click_label(&mut window, "open");
    assert_eq!(window.state().session().title, left.title);
    assert_eq!(window.state().session().frames[0].orientation.quarter_turns(), 1);
    assert!(left.autosave.exists(), "it stays until it is saved");
    window.state_mut().push(FileCommand::SaveAs(data.path().join("kept.session.json")));
    window.run();
    drop(window);
    let window = start_in(data.path(), Vec::new());
    assert!(window.state().status().unsaved_work.is_empty());
    assert!(window.query_by_label("unsaved work of earlier runs").is_none());
}

#[test]
fn opening_a_session_offers_the_unsaved_work_on_it() {
    let place = place();
    let data = tempfile::tempdir().expect("a temporary folder");
    killed_run(data.path(), vec![place.path.clone()], None);
    let mut window = start_in(data.path(), vec![place.path.clone()]);
    assert_eq!(window.state().session().frames[0].orientation.quarter_turns(), 0);
    assert!(window.query_by_label("unsaved work of earlier runs").is_some());
    click_label(&mut window, "open");
    assert_eq!(window.state().session().frames[0].orientation.quarter_turns(), 1);
    assert_eq!(window.state().status().path.as_ref(), Some(&place.path));
}

#[test]
fn two_windows_keep_their_own_autosaves_and_not_now_keeps_them_all() {
    let place = place();
    let data = tempfile::tempdir().expect("a temporary folder");
    let named = |title: &str| Session { title: title.to_owned(), ..place.session.clone() };
    let mut windows = [start_in(data.path(), Vec::new()), start_in(data.path(), Vec::new())];
    for (window, title) in windows.iter_mut().zip(["left", "right"]) {
        window.state_mut().set_session(named(title));
    }
    // Each goes on after the other one has autosaved.
    for _ in 0..2 {
        for window in &mut windows {
            window.state_mut().push(EditCommand::QuarterTurn(1));
            rest(window);
        }
    }
    // The same session in both windows: the second one only looks, and still autosaves what it changes.
    let mut both =
        [start_in(data.path(), vec![place.path.clone()]), start_in(data.path(), vec![place.path.clone()])];
    for window in &mut both {
        window.state_mut().push(EditCommand::QuarterTurn(1));
        rest(window);
    }
    let titles = |window: &mut Window| {
        rest(window);
        let mut found: Vec<_> =
            window.state().status().unsaved_work.iter().map(|work| work.title.clone()).collect();
        found.sort();
        found
    };
    let mut while_open = start_in(data.path(), Vec::new());
    assert!(titles(&mut while_open).is_empty(), "the work of living windows is not offered");
    // All are killed.
    drop((windows, both, while_open));
    for _ in 0..2 {
        let mut window = start_in(data.path(), Vec::new());
        assert_eq!(titles(&mut window), ["left", "quay", "quay", "right"]);
        click_label(&mut window, "not now");
        drop(window);
    }
    let window = start_in(data.path(), Vec::new());
    let works = window.state().status().unsaved_work.clone();
    for work in works {
        let kept = read_session(&work.autosave).expect("whole");
        let turns = if work.session_path.is_some() { 1 } else { 2 };
        assert_eq!(kept.frames[0].orientation.quarter_turns(), turns, "{}", work.title);
    }
}

#[test]
fn unsaved_work_that_is_older_than_its_session_comes_last_and_says_so() {
    let place = place();
    let data = tempfile::tempdir().expect("a temporary folder");
    killed_run(data.path(), vec![place.path.clone()], None);
    saved_elsewhere(&place);
    killed_run(data.path(), Vec::new(), Some(Session { title: "newer".to_owned(), ..place.session.clone() }));
    let mut window = start_in(data.path(), Vec::new());
    rest(&mut window);
    let works = &window.state().status().unsaved_work;
    let facts: Vec<_> = works.iter().map(|work| (work.title.as_str(), work.is_saved_later)).collect();
    assert_eq!(facts, [("newer", false), ("quay", true)]);
    assert!(window.query_by_label_contains("the session was saved since").is_some());
}

#[test]
fn a_problem_of_an_opened_file_is_told_above_the_dialog_about_unsaved_work() {
    let place = place();
    let data = tempfile::tempdir().expect("a temporary folder");
    killed_run(data.path(), vec![place.path.clone()], None);
    std::fs::remove_file(place.folder.path().join("strip.tif")).expect("removed");
    let mut window = start_in(data.path(), vec![place.path.clone()]);
    rest(&mut window);
    assert!(window.query_by_label("unsaved work of earlier runs").is_some());
    let told = "there is no such file or folder";
    assert!(window.state().status().open_notice().is_some_and(|notice| notice.headline.contains(told)));
    let told =
        window.state().status().open_notice().map(|notice| notice.headline.clone()).unwrap_or_default();
    let told = told.as_str();
    assert_eq!(window.query_all_by_label(told).count(), 2, "in the status line and above the dialog");
    click_label(&mut window, "not now");
    rest(&mut window);
    assert_eq!(window.query_all_by_label(told).count(), 1);
}

#[test]
fn messages_about_a_session_go_with_it() {
    let place = place();
    let other = place.folder.path().join("other.session.json");
    std::fs::copy(&place.path, &other).expect("copied");
    let mut window = window(app(vec![place.path.clone()], SharedPicker::default()));
    window.state_mut().push(FileCommand::Open(vec![place.folder.path().join("nothing.session.json")]));
    rest(&mut window);
    assert!(
        window.state().status().open_notice().is_some_and(|notice| notice.headline.contains("can't be read"))
    );
    window.state_mut().push(FileCommand::Open(vec![other]));
    rest(&mut window);
    assert!(window.state().status().notices.is_empty(), "{:?}", window.state().status().notices);
    assert_eq!(window.state().status().open_notice(), None);
}

#[test]
fn what_was_said_of_a_recovered_or_refused_session_goes_once_it_is_saved() {
    let place = place();
    let data = tempfile::tempdir().expect("a temporary folder");
    killed_run(data.path(), vec![place.path.clone()], None);
    let mut window = start_in(data.path(), vec![place.path.clone()]);
    click_label(&mut window, "open");
    let says = |window: &Window, words: &str| {
        window.state().status().notices.iter().any(|notice| notice.headline.contains(words))
    };
    assert!(says(&window, "the autosave was opened"));
    let theirs = saved_elsewhere(&place);
    save(&mut window);
    assert!(says(&window, "changed by another program"), "{:?}", window.state().status().notices);
    assert!(says(&window, "the autosave was opened"), "it is still not in the file");
    window.state_mut().push(FileCommand::TakeOver);
    rest(&mut window);
    assert_ne!(std::fs::read(&place.path).expect("there"), theirs);
    assert!(!says(&window, "the autosave was opened") && !says(&window, "changed by another program"));
}
