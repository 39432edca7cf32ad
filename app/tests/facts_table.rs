//! The table of what is written about the frames.

use crate::common::hands::{Window, undo};
use crate::common::{SharedPicker, frame_id, window_with};
use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::commands::EditCommand;
use glassine_app::services::file_dialogs::PickOutcome;
use glassine_session::{Edit, Facts, Roll};

/// A window whose strip is on a roll with a film, the table open.
fn table(answers: Vec<PickOutcome>) -> (Window, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut window = window_with(folder.path(), SharedPicker::new(answers));
    let strips = vec![window.state().session().strips[0].id];
    let facts = Facts { film: "slow".to_owned(), ..Facts::default() };
    let roll = Roll { title: "harbour".to_owned(), facts, ..Roll::default() };
    window.state_mut().push(EditCommand::Apply(Edit::AddRoll { roll, strips }));
    window.run();
    window.key_press_modifiers(Modifiers::COMMAND, Key::T);
    window.run();
    (window, folder)
}

fn facts(window: &Window, number: u32) -> Facts {
    let id = frame_id(window, number);
    let session = window.state().session();
    session.facts_of(session.frame(id).expect("there"))
}

fn has_focus(window: &Window, label: &str) -> bool {
    window.get_by_role_and_label(Role::TextInput, label).accesskit_node().is_focused()
}

fn type_into(window: &mut Window, label: &str, text: &str) {
    window.get_by_role_and_label(Role::TextInput, label).focus();
    window.run();
    window.get_by_role_and_label(Role::TextInput, label).type_text(text);
    window.run();
}

#[test]
fn a_frame_shows_what_it_has_from_its_roll_and_takes_what_is_typed_as_one_step() {
    let (mut window, _folder) = table(Vec::new());
    let cell = window.get_by_role_and_label(Role::TextInput, "film of frame 2");
    assert_eq!(cell.accesskit_node().placeholder(), Some("slow"));
    type_into(&mut window, "film of frame 2", "fast");
    assert_eq!(facts(&window, 2).film, "slow", "taken while it was typed");
    window.key_press(Key::Enter);
    window.run();
    assert_eq!((facts(&window, 2).film, facts(&window, 1).film), ("fast".to_owned(), "slow".to_owned()));
    assert!(has_focus(&window, "film of frame 3"), "Enter goes to the row below");
    window.key_press(Key::ArrowUp);
    window.run();
    window.run();
    assert!(has_focus(&window, "film of frame 2"), "an arrow goes to the row above");
    window.key_press(Key::Tab);
    window.run();
    assert!(has_focus(&window, "camera of frame 2"), "Tab goes to the next cell");
    window.get_by_role_and_label(Role::TextInput, "camera of frame 2").type_text("none");
    window.run();
    window.key_press(Key::Escape);
    window.run();
    assert_eq!(facts(&window, 2).camera, "", "Escape gives up what is typed, and leaves the table open");
    undo(&mut window);
    assert_eq!(facts(&window, 2).film, "slow");
    assert!(window.query_by_label("film of the roll harbour").is_some());
    type_into(&mut window, "place of the roll harbour", "the old pier");
    window.key_press(Key::Enter);
    window.run();
    assert_eq!(facts(&window, 3).place, "the old pier");
    window.key_press(Key::Escape);
    window.run();
    window.key_press(Key::Escape);
    window.run();
    assert!(window.state().ui_state().facts.is_none());
}

#[test]
fn a_table_of_another_program_is_taken_in_one_step_and_written_again() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let [from, to] = ["from.csv", "to.csv"].map(|name| folder.path().join(name));
    let chosen = |path: &std::path::Path| PickOutcome::Chosen(vec![path.to_owned()]);
    let (mut window, _folder) = table(vec![chosen(&from), chosen(&to), chosen(&from)]);
    std::fs::write(&from, "frame,place,file_name\n1,pier,boats\n2,quay,\n").expect("ours");
    window.get_by_label("from a table…").click();
    window.run();
    assert_eq!((facts(&window, 1).place, facts(&window, 2).place), ("pier".to_owned(), "quay".to_owned()));
    window.get_by_label("as a table…").click();
    window.run();
    let written = std::fs::read_to_string(&to).expect("written");
    assert!(written.contains("pier") && written.contains("boats"), "{written}");
    window.get_by_label("undo a change").click();
    window.run();
    assert_eq!((facts(&window, 1).place, facts(&window, 2).place), (String::new(), String::new()));
    std::fs::write(&from, "place\npier\n").expect("ours");
    window.get_by_label("from a table…").click();
    window.run();
    assert!(window.query_all_by_label_contains("it has no column").next().is_some());
}
