//! Closing the window during an export: it asks first, and nothing is lost or left half written.

use crate::common::{SharedPicker, app, session, window, write_scan, write_session};
use egui::{ViewportCommand, ViewportId};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable as _;
use glassine_app::app::GlassineApp;
use glassine_app::commands::{Command, EditCommand, ExportCommand, FileCommand, ViewCommand};
use glassine_app::model::questions::{Answer, Question};
use glassine_engine::FrameScope;
use glassine_film::Param;

type Window = Harness<'static, GlassineApp>;

/// A window over a saved session. It exports into `finished` in the folder, or below a file, where no folder can be
/// made.
fn saved_window(is_blocked: bool) -> (Window, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let target = if is_blocked { scan.join("finished") } else { folder.path().join("finished") };
    let path = write_session(folder.path(), &session(&scan, Some(target)));
    (window(app(vec![path], SharedPicker::default())), folder)
}

/// Starts an export and closes the window before the export runs, with an answer to the question that follows.
fn close_while_exporting(window: &mut Window, answer: Option<Answer>) -> bool {
    let commands = [
        Command::Export(ExportCommand::Start { scope: FrameScope::All, replace: false }),
        Command::File(FileCommand::Quit),
    ];
    for command in commands.into_iter().chain(answer.map(|answer| Command::File(FileCommand::Answer(answer))))
    {
        window.state_mut().push(command);
    }
    window.step();
    asks_to_close(window)
}

fn asks_to_close(window: &Window) -> bool {
    let output = &window.output().viewport_output[&ViewportId::ROOT];
    output.commands.contains(&ViewportCommand::Close)
}

/// Whether the window closes before it settles.
fn closes(window: &mut Window) -> bool {
    (0..40).any(|_| {
        window.step();
        asks_to_close(window)
    })
}

fn finished(folder: &tempfile::TempDir) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(folder.path().join("finished")) else { return Vec::new() };
    let names = entries.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    let mut names: Vec<_> = names.collect();
    names.sort();
    names
}

const ALL: [&str; 3] = ["quay 01.tif", "quay 02.tif", "quay 03.tif"];

#[test]
fn the_question_tells_what_is_under_way_and_offers_three_ways_on() {
    let (mut window, _folder) = saved_window(false);
    assert!(!close_while_exporting(&mut window, None));
    assert!(matches!(window.state().ui_state().question, Some(Question::Exporting)));
    assert!(window.state().status().exporting().is_some());
    // An export inside a frame ends before a pane is drawn, so the test shows the same question without an export.
    let (mut window, _folder) = saved_window(false);
    let ask = |window: &mut Window| {
        window.state_mut().push(ViewCommand::Ask(Question::Exporting));
        window.run();
    };
    ask(&mut window);
    for label in ["let the export finish first?", "finish, then close", "stop it and close", "stay"] {
        assert!(window.query_by_label(label).is_some(), "{label} is not shown");
    }
    window.get_by_label("stay").click();
    assert!(!closes(&mut window) && window.state().ui_state().question.is_none());
    ask(&mut window);
    window.get_by_label("finish, then close").click();
    assert!(closes(&mut window));
}

#[test]
fn without_an_answer_the_window_closes_when_the_export_has_ended_by_itself() {
    let (mut window, folder) = saved_window(false);
    close_while_exporting(&mut window, None);
    assert!(closes(&mut window));
    assert_eq!(finished(&folder), ALL);
    assert!(window.state().ui_state().question.is_none());
}

#[test]
fn the_window_waits_for_the_export_when_asked_to() {
    let (mut window, folder) = saved_window(false);
    assert!(!close_while_exporting(&mut window, Some(Answer::Yes)));
    assert!(finished(&folder).is_empty());
    assert!(closes(&mut window));
    assert_eq!(finished(&folder), ALL);
}

#[test]
fn a_stopped_export_leaves_no_part_of_a_file_and_the_window_closes() {
    let (mut window, folder) = saved_window(false);
    assert!(!close_while_exporting(&mut window, Some(Answer::No)));
    assert!(closes(&mut window));
    assert_eq!(finished(&folder), Vec::<String>::new());
}

#[test]
fn who_stays_keeps_window_and_export() {
    let (mut window, folder) = saved_window(false);
    close_while_exporting(&mut window, Some(Answer::Cancel));
    assert!(!closes(&mut window));
    assert_eq!(finished(&folder), ALL);
}

#[test]
fn an_export_that_fails_keeps_the_window_open_to_be_seen() {
    let (mut window, _folder) = saved_window(true);
    close_while_exporting(&mut window, Some(Answer::Yes));
    assert!(!closes(&mut window));
    assert!(window.state().status().open_notice().is_some());
}

#[test]
fn changes_made_after_others_were_given_up_are_asked_for_again() {
    let (mut window, _folder) = saved_window(false);
    let change = |window: &mut Window, value| {
        window.state_mut().push(EditCommand::SetParam(Param::Contrast, value));
        window.state_mut().push(FileCommand::Quit);
    };
    change(&mut window, 1.2);
    window.step();
    assert!(matches!(window.state().ui_state().question, Some(Question::Unsaved(_))));
    window.state_mut().push(FileCommand::Answer(Answer::No));
    // The window was about to close, but the user changes something more.
    window.state_mut().push(EditCommand::SetParam(Param::Contrast, 1.3));
    assert!(!closes(&mut window));
    assert!(matches!(window.state().ui_state().question, Some(Question::Unsaved(_))));
}
