//! Commands from the keyboard: found by name, and reached by Tab from the section that a key opens.

use crate::common::hands::{Window, click_label, look, rest};
use crate::common::{SharedPicker, app, frame_id, session, window, write_scan};
use egui::{Event, Key, Modifiers};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::commands::command_list;
use glassine_app::commands::{Command, JobCommand, SelectCommand, SelectHow, SharpnessCommand};
use glassine_app::services::file_dialogs::PickOutcome;
use glassine_film::Param;
use glassine_raster::TiltedBox;
use glassine_session::{Edit, FoundStripEdit, NewFrame};

fn open_window() -> (Window, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session(&scan, None));
    let mut window = window(app);
    let second = frame_id(&window, 2);
    window.state_mut().push(SelectCommand::Frame(second, SelectHow::Only));
    window.run();
    (window, folder)
}

fn press(window: &mut Window, modifiers: Modifiers, key: Key) {
    window.key_press_modifiers(modifiers, key);
    window.run();
}

/// Opens the list, types, and carries out the command that is chosen after `down` presses of the arrow.
fn command(window: &mut Window, text: &str, down: usize) {
    press(window, Modifiers::COMMAND, Key::F);
    window.event(Event::Text(text.to_owned()));
    window.run();
    for _ in 0..down {
        press(window, Modifiers::NONE, Key::ArrowDown);
    }
    press(window, Modifiers::NONE, Key::Enter);
}

#[test]
fn a_command_without_a_key_is_found_by_its_words_and_carried_out() {
    let (mut window, _folder) = open_window();
    let strip = window.state().session().strips[0].clone();
    command(&mut window, "strip mirror", 0);
    let now = &window.state().session().strips[0];
    assert_ne!(now.is_mirrored, strip.is_mirrored);
    assert!(window.query_by_label("search the commands").is_none(), "the list has closed");
}

#[test]
fn the_arrows_choose_among_the_commands_found() {
    let (mut window, _folder) = open_window();
    let before = look(&window, 2, Param::ExposureStops);
    let found = command_list::found(window.state().session(), window.state().ui_state(), "er");
    let at = found.iter().position(|command| command.text == "darker").expect("darker is among them");
    assert!(at > 0);
    command(&mut window, "er", at);
    assert!(look(&window, 2, Param::ExposureStops) < before);
}

#[test]
fn escape_closes_the_list_and_changes_nothing() {
    let (mut window, _folder) = open_window();
    let before = format!("{:?}", window.state().session());
    press(&mut window, Modifiers::COMMAND, Key::F);
    window.get_by_label("search the commands");
    press(&mut window, Modifiers::NONE, Key::Escape);
    assert!(window.query_by_label("search the commands").is_none());
    assert_eq!(format!("{:?}", window.state().session()), before);
}

#[test]
fn commands_that_have_nothing_to_act_on_are_not_offered() {
    let window = window(app(Vec::new(), SharedPicker::default()));
    let found = command_list::found(window.state().session(), window.state().ui_state(), "");
    let texts: Vec<&str> = found.iter().map(|command| command.text).collect();
    assert!(texts.contains(&"open the demo"), "{texts:?}");
    assert!(
        !texts.contains(&"solve this strip") && !texts.contains(&"box the frames of this scan"),
        "{texts:?}"
    );
}

#[test]
fn scans_are_joined_and_compared_from_the_list() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let one = session(&scan, None);
    let two = Edit::AddScans(vec![(*one.scans[0]).clone()]).apply(&one).expect("applies");
    let frame = NewFrame::in_box(TiltedBox::from_edges(30.0, 30.0, 200.0, 140.0));
    let found = FoundStripEdit { frames: vec![frame], ..Default::default() };
    let strips = Edit::ReplaceStrips {
        scan: two.scans[1].id,
        film: two.strips[0].film,
        stock_id: two.strips[0].stock_id.clone(),
        strips: vec![found],
        keep: Vec::new(),
    };
    let two = strips.apply(&two).expect("applies");
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(two);
    let mut window = window(app);
    window.run();
    let found = |window: &Window, search: &str| {
        let state = window.state();
        command_list::found(state.session(), state.ui_state(), search)
            .into_iter()
            .map(|command| command.command)
            .next()
    };
    assert!(found(&window, "join").is_none(), "frames of one scan are selected");
    press(&mut window, Modifiers::COMMAND, Key::A);
    let scans: Vec<_> = window.state().session().scans.iter().map(|scan| scan.id).collect();
    match found(&window, "join selected scans") {
        Some(Command::Job(JobCommand::JoinScans(joined))) => assert_eq!(joined, scans),
        other => panic!("{other:?}"),
    }
    let compare = found(&window, "compare focus");
    assert!(matches!(compare, Some(Command::Sharpness(SharpnessCommand::AskFocusScans))), "{compare:?}");
}

#[test]
fn a_section_opened_by_its_key_takes_the_keyboard_and_tab_goes_on_from_there() {
    let (mut window, _folder) = open_window();
    press(&mut window, Modifiers::NONE, Key::F4);
    let title = window.ctx.memory(|memory| memory.focused());
    assert!(title.is_some(), "the title has the keyboard");
    press(&mut window, Modifiers::NONE, Key::Tab);
    let focused = window.get_by(|node| node.is_focused());
    let label = focused.accesskit_node().label().unwrap_or_default();
    assert!(label.contains("colour"), "the switch of the section comes next, not {label:?}");
}

/// The commands of a person who opens six scans and exports the roll, each counted as one: a click, a key, or a choice in a
/// dialog of the system. Choosing several files and confirming the dialog are two.
#[test]
fn a_roll_of_six_scans_is_exported_in_at_most_eight_acts() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let scans: Vec<_> = (1..=6).map(|strip| folder.path().join(format!("strip {strip}.tif"))).collect();
    for copy in &scans {
        std::fs::copy(&scan, copy).expect("the folder is writable");
    }
    let to = folder.path().join("finished");
    std::fs::create_dir(&to).expect("the folder is writable");
    let picker = SharedPicker::new(vec![PickOutcome::Chosen(scans), PickOutcome::Chosen(vec![to.clone()])]);
    let mut window = window(app(Vec::new(), picker));
    let mut commands = 0;
    press(&mut window, Modifiers::COMMAND, Key::O);
    // The key, the choice of the files, the end of the dialog.
    commands += 3;
    press(&mut window, Modifiers::NONE, Key::Enter);
    commands += 1;
    rest(&mut window);
    assert_eq!(window.state().session().frames.len(), 18);
    press(&mut window, Modifiers::COMMAND, Key::E);
    commands += 1;
    click_label(&mut window, "choose…");
    // The folder of the last export is offered, so the dialog needs its end alone.
    commands += 2;
    click_label(&mut window, "export 18 pictures");
    commands += 1;
    rest(&mut window);
    assert_eq!(std::fs::read_dir(&to).expect("lists").count(), 18);
    assert!(commands <= 8, "{commands}");
}
