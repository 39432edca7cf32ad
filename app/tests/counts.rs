//! Exact counts in the window: when they are made, when they become outdated, and how the export pane shows them.

use crate::common::hands::{Window, rest};
use crate::common::{frame_id, open_window};
use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::commands::EditCommand;
use glassine_app::model::exact_counts::CountState;
use glassine_engine::{ExactCount, SessionAt};
use glassine_film::Param;
use glassine_raster::CancelToken;
use glassine_session::{Edit, FrameMark};

fn exact(window: &Window, number: u32) -> Option<ExactCount> {
    match window.state().status().counts.state(frame_id(window, number)) {
        CountState::Exact(count) => Some(*count),
        _ => None,
    }
}

/// The engine's direct count.
fn counted(window: &Window, number: u32) -> ExactCount {
    let session = window.state().session().clone();
    let at = SessionAt::new(session, None);
    let frame = at.session.frame(frame_id(window, number)).expect("the frame is there");
    let engine = glassine_engine::Engine::new();
    ExactCount::from(&engine.count(&at, frame, true, &CancelToken::new()).expect("the scan can be read"))
}

fn brighten(window: &mut Window, stops: f64) {
    let frames = window.state().session().frames.iter().map(|frame| frame.id).collect();
    let edit = Edit::SetParam { frames, param: Param::ExposureStops, value: stops };
    window.state_mut().push(EditCommand::Apply(edit));
    window.run();
}

#[test]
fn the_frame_shown_is_counted_when_things_have_settled_and_again_after_a_change() {
    let (mut window, _folder) = open_window();
    assert_eq!(exact(&window, 1), None, "counting began before anything settled");
    rest(&mut window);
    assert_eq!(exact(&window, 1), Some(counted(&window, 1)));
    assert_eq!(exact(&window, 2), None, "a frame nobody looks at was counted");
    let words = |window: &Window| {
        let plot = window.get_by_role_and_label(Role::Button, "histogram");
        plot.accesskit_node().value().unwrap_or_default()
    };
    assert!(words(&window).contains("on every pixel red clips low"), "{}", words(&window));
    brighten(&mut window, 3.0);
    assert_eq!(exact(&window, 1), None, "figures of another state are still shown");
    assert!(words(&window).contains("exact: counted in a moment"), "{}", words(&window));
    rest(&mut window);
    let after = exact(&window, 1).expect("it was counted again");
    assert_eq!(after, counted(&window, 1));
    assert!(after.clip_high[1] > 0.01, "{after:?}");
}

#[test]
fn undo_finds_nothing_counted_twice_in_the_same_state() {
    let (mut window, _folder) = open_window();
    rest(&mut window);
    let first = exact(&window, 1).expect("it was counted");
    brighten(&mut window, 3.0);
    window.state_mut().push(EditCommand::Undo);
    window.run();
    assert_eq!(exact(&window, 1), Some(first), "the count of this very state was thrown away");
}

#[test]
fn the_export_pane_counts_every_frame_it_would_write() {
    let (mut window, _folder) = open_window();
    brighten(&mut window, 3.0);
    let left_out = frame_id(&window, 2);
    window
        .state_mut()
        .push(EditCommand::Apply(Edit::SetMark { frames: vec![left_out], mark: FrameMark::LeaveOut }));
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    assert!(window.query_by_label_contains("counting clipping on every pixel: 0 of 2 files").is_some());
    rest(&mut window);
    assert_eq!(exact(&window, 1), Some(counted(&window, 1)));
    assert_eq!(exact(&window, 2), None, "a frame that is left out was counted");
    assert_eq!(exact(&window, 3), Some(counted(&window, 3)));
    assert!(window.query_by_label_contains("counted on every pixel of every file").is_some());
}

#[test]
fn counting_is_stopped_by_the_person_and_taken_up_again_when_they_ask() {
    let (mut window, _folder) = open_window();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    window.get_by_label("stop counting").click();
    window.run();
    rest(&mut window);
    assert_eq!(exact(&window, 1), None, "a stopped count went on");
    window.get_by_label("count every pixel").click();
    window.run();
    rest(&mut window);
    assert_eq!(exact(&window, 3), Some(counted(&window, 3)));
}

#[test]
fn an_export_leaves_exact_counts_and_the_window_can_be_used_while_it_runs() {
    let (mut window, _folder) = open_window();
    brighten(&mut window, 3.0);
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    window.get_by_label("export 3 pictures").click();
    window.run();
    let report = window.state().status().export_report.clone().expect("the export ended");
    for number in 1..=3 {
        let file =
            report.written.iter().find(|file| file.number == number.to_string()).expect("it was written");
        let count = exact(&window, number).expect("the export counted it");
        assert_eq!((count.clip_low, count.clip_high), (file.clip_low, file.clip_high));
        assert_eq!(count, counted(&window, number), "an export and a count disagree");
    }
}
