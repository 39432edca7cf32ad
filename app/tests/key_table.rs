//! Every row of the key table, pressed once in the window: each must do something.

use crate::common::hands::Window;
use crate::common::{SharedPicker, app, frame_id, session, window, write_scan};
use egui::{Key, Modifiers, ViewportId};
use glassine_app::commands::key_table::{KeyGroup, KeyRow, TABLE};
use glassine_app::commands::{EditCommand, SelectCommand, SelectHow, ViewCommand};
use glassine_app::model::look_text;
use glassine_app::model::preview_requests::PreviewRequests;
use glassine_app::model::ui_state::UiState;
use glassine_film::{Look, Param};

/// A window in which every key has something to do: steps to undo and redo, copied settings, two selected frames that
/// differ and are neither the first nor the last, a strip that is zoomed.
fn busy_window() -> (Window, SharedPicker, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let picker = SharedPicker::default();
    let mut app = app(Vec::new(), picker.clone());
    app.set_session(session(&scan, Some(folder.path().join("finished"))));
    app.push(EditCommand::SetParam(Param::ExposureStops, 0.5));
    app.push(EditCommand::CopyLook);
    app.push(ViewCommand::ZoomStrip(2.0));
    app.push(ViewCommand::SetLoupe(true));
    app.push(ViewCommand::ZoomPicture(2.0));
    let mut window = window(app);
    let [second, third] = [2, 3].map(|number| frame_id(&window, number));
    let app = window.state_mut();
    app.push(SelectCommand::Frame(third, SelectHow::Only));
    app.push(SelectCommand::Frame(second, SelectHow::Toggle));
    app.push(EditCommand::SetParam(Param::Contrast, 1.2));
    app.push(EditCommand::SetParam(Param::Contrast, 1.4));
    app.push(EditCommand::Undo);
    app.push(ViewCommand::DismissNotice);
    window.run();
    (window, picker, folder)
}

/// Everything that a key can change, as text.
fn state_of(window: &Window, picker: &SharedPicker) -> String {
    let app = window.state();
    // Without what the views request: that may also change by itself.
    let ui_state = UiState { requests: PreviewRequests::default(), ..app.ui_state().clone() };
    let status = app.status();
    let asked = picker.0.lock().expect("one thread").asked.len();
    let viewport = window.output().viewport_output.get(&ViewportId::ROOT);
    let closes = viewport.is_some_and(|root| root.commands.contains(&egui::ViewportCommand::Close));
    format!(
        "{:?}\n{ui_state:?}\n{:?} {:?} {:?}\n{asked} asked, closes {closes}",
        app.session(),
        (&status.undo_label, &status.redo_label, &status.path),
        (&status.notices, status.notice_open),
        status.export_report,
    )
}

fn press(window: &mut Window, row: &KeyRow) {
    // The toolkit turns the system's keys for copy and paste into events of their own.
    match (row.modifiers, row.key) {
        (Modifiers::COMMAND, Key::C) => window.event(egui::Event::Copy),
        (Modifiers::COMMAND, Key::V) => {
            let look = Look::default().with(Param::Saturation, 1.3);
            window.event(egui::Event::Paste(look_text::to_text(&look)));
        }
        (modifiers, key) => window.key_down_modifiers(modifiers, key),
    }
    window.run();
}

fn is_dead(row: &KeyRow) -> bool {
    let (mut window, picker, _folder) = busy_window();
    let before = state_of(&window, &picker);
    press(&mut window, row);
    state_of(&window, &picker) == before
}

fn every_key_of(group: KeyGroup) {
    let rows = TABLE.iter().filter(|row| row.group == group);
    let dead: Vec<_> =
        rows.filter(|row| is_dead(row)).map(|row| (row.modifiers, row.key, row.text)).collect();
    assert!(dead.is_empty(), "without effect: {dead:?}");
}

#[test]
fn a_key_that_is_not_in_the_table_does_nothing() {
    let (mut window, picker, _folder) = busy_window();
    let before = state_of(&window, &picker);
    window.key_down_modifiers(Modifiers::NONE, Key::F12);
    window.run();
    assert_eq!(state_of(&window, &picker), before);
}

#[test]
fn every_key_for_the_session_does_something() {
    every_key_of(KeyGroup::Session);
}

#[test]
fn every_key_for_frames_does_something() {
    every_key_of(KeyGroup::Frames);
}

#[test]
fn every_key_for_boxes_does_something() {
    every_key_of(KeyGroup::Boxes);
}

#[test]
fn every_key_for_sections_does_something() {
    every_key_of(KeyGroup::Sections);
}

#[test]
fn every_key_for_values_does_something() {
    every_key_of(KeyGroup::Values);
}

#[test]
fn every_key_for_dust_does_something() {
    every_key_of(KeyGroup::Dust);
}

#[test]
fn every_key_for_the_view_does_something() {
    every_key_of(KeyGroup::View);
}
