//! Cleaning in the window: the brush, what was found, comparison, and the strip.

use crate::common::hands::{Window, click_label, pull};
use crate::common::{SharedPicker, app, frame_id, session, sized_window, write_scan};
use egui::accesskit::Role;
use egui::{Key, Modifiers, Pos2, Vec2, vec2};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::model::brush_state::shown_overlay;
use glassine_app::model::ui_state::StripTool;
use glassine_engine::{Overlay, PictureSide, ViewKey};
use glassine_film::Param;
use glassine_session::{Frame, StrokeKind};

fn frame(window: &Window, number: u32) -> &Frame {
    let id = frame_id(window, number);
    window.state().session().frame(id).expect("the frame is there")
}

/// A tall window with only the clean section open.
fn clean_window() -> (Window, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session(&scan, None));
    let mut window = sized_window(app, [1600.0, 1800.0]);
    for title in ["exposure", "colour", "clean"] {
        click_label(&mut window, &format!("section {title}"));
    }
    (window, folder)
}

fn middle(window: &Window) -> Pos2 {
    window.get_by_label("frame 1 large").rect().center()
}

fn steps(window: &Window) -> usize {
    window.state().history().undo_steps()
}

#[test]
fn one_pull_of_the_brush_is_one_stroke_and_one_step() {
    let (mut window, _folder) = clean_window();
    let before = steps(&window);
    click_label(&mut window, "brush paint in");
    assert_eq!(window.state().ui_state().tool, StripTool::Brush(StrokeKind::PaintIn));
    assert_eq!(shown_overlay(window.state().ui_state()), Overlay::DustMap);
    let from = middle(&window);
    pull(&mut window, from, vec2(60.0, 20.0));
    assert!(window.state().ui_state().clean.stroke.is_some());
    assert!(frame(&window, 1).strokes.is_empty(), "nothing changes before the button is released");
    window.drop_at(from + vec2(60.0, 20.0));
    window.run();
    let strokes = &frame(&window, 1).strokes;
    assert_eq!((strokes.len(), strokes[0].kind()), (1, StrokeKind::PaintIn));
    assert!(strokes[0].points().len() > 2);
    assert_eq!(steps(&window), before + 1);
    let summary = window.state().previews().repair(frame_id(&window, 1)).expect("was repaired");
    assert!(summary.marked_px > 0 && summary.strokes == 1, "{summary:?}");
    assert!(window.query_by_label("1 stroke").is_some());

    click_label(&mut window, "clear strokes");
    assert!(frame(&window, 1).strokes.is_empty());
    for expected in [1, 0] {
        window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
        window.run();
        assert_eq!(frame(&window, 1).strokes.len(), expected);
    }
}

#[test]
fn escape_drops_a_stroke_and_then_puts_the_brush_away() {
    let (mut window, _folder) = clean_window();
    let before = steps(&window);
    window.key_press(Key::X);
    window.run();
    assert_eq!(window.state().ui_state().tool, StripTool::Brush(StrokeKind::PaintOut));
    let from = middle(&window);
    pull(&mut window, from, vec2(40.0, 0.0));
    window.key_press(Key::Escape);
    window.run();
    window.hover_at(from + vec2(60.0, 0.0));
    window.run();
    window.drop_at(from + vec2(60.0, 0.0));
    window.run();
    assert!(frame(&window, 1).strokes.is_empty());
    assert_eq!(steps(&window), before);
    window.key_press(Key::Escape);
    window.run();
    assert_eq!(window.state().ui_state().tool, StripTool::Boxes);
}

#[test]
fn a_spot_is_repaired_with_the_keyboard_alone() {
    let (mut window, _folder) = clean_window();
    let crop = frame(&window, 1).crop;
    window.key_press(Key::S);
    window.run();
    window.key_press(Key::ArrowRight);
    window.run();
    window.key_press(Key::Enter);
    window.run();
    let strokes = &frame(&window, 1).strokes;
    assert_eq!((strokes.len(), strokes[0].kind()), (1, StrokeKind::Spot));
    let at = strokes[0].points()[0];
    assert!(at.x > crop.center.x && (at.y - crop.center.y).abs() < 1.0, "{at:?}");
    assert_eq!(frame(&window, 1).crop, crop, "the arrow keys moved the brush, not the box");
}

#[test]
fn plus_sizes_the_brush_in_hand_and_the_picture_without_one() {
    let (mut window, _folder) = clean_window();
    let id = frame_id(&window, 1);
    let radius = |window: &Window| {
        let app = window.state();
        app.ui_state().clean.brush_radius_px(app.session(), Some(id))
    };
    window.key_press(Key::S);
    window.run();
    let before = radius(&window);
    window.key_press(Key::Plus);
    window.run();
    assert!(radius(&window) > before);
    assert!(!window.state().ui_state().frame.loupe);
    window.key_press(Key::Escape);
    window.run();
    window.key_press(Key::Plus);
    window.run();
    assert!(window.state().ui_state().frame.loupe);
}

#[test]
fn a_stroke_on_a_frame_whose_repair_is_off_switches_it_on_in_the_same_step() {
    let (mut window, _folder) = clean_window();
    click_label(&mut window, "dust repair off");
    assert_eq!(frame(&window, 1).look.get(Param::RepairStrength), 0.0);
    let before = steps(&window);
    window.key_press(Key::S);
    window.run();
    let at = middle(&window);
    pull(&mut window, at, Vec2::ZERO);
    window.drop_at(at);
    window.run();
    assert_eq!(frame(&window, 1).strokes.len(), 1);
    assert_eq!(frame(&window, 1).look.get(Param::RepairStrength), 1.0);
    assert_eq!(steps(&window), before + 1);
}

#[test]
fn cleaning_goes_to_the_whole_strip_as_one_step() {
    let (mut window, _folder) = clean_window();
    click_label(&mut window, "dust repair off");
    let before = steps(&window);
    click_label(&mut window, "same for the whole strip");
    for number in 1..=3 {
        assert_eq!(frame(&window, number).look.get(Param::RepairStrength), 0.0);
    }
    assert_eq!(steps(&window), before + 1);
    assert!(window.get_by_label("already the same for the strip").accesskit_node().is_disabled());
}

#[test]
fn a_scan_without_infrared_says_so_and_offers_to_look_for_spots() {
    let (mut window, _folder) = clean_window();
    assert!(window.query_by_label("this scan has no infrared plane to find dust with").is_some());
    assert_eq!(frame(&window, 1).look.get(Param::SpotFinder), 0.0, "off unless asked for");
    click_label(&mut window, "visible spots on");
    let summary = window.state().previews().repair(frame_id(&window, 1)).expect("was looked at");
    assert!(!summary.has_infrared && summary.refusal.is_some());
    let words = summary.refusal.clone().unwrap_or_default();
    assert!(window.query_by_label(&words).is_some(), "{words}");
}

#[test]
fn the_picture_without_repair_is_shown_on_request_and_the_difference_by_its_key() {
    let (mut window, _folder) = clean_window();
    let id = frame_id(&window, 1);
    window.get_by_role_and_label(Role::Button, "hold: without repair").click_accesskit();
    window.run();
    assert!(window.state().ui_state().clean.show_unrepaired);
    let compared = window.state().previews().picture(ViewKey::Compare(id));
    assert_eq!(compared.map(|(_, preview)| preview.side), Some(PictureSide::Unrepaired));
    window.get_by_role_and_label(Role::Button, "hold: without repair").click_accesskit();
    window.run();
    assert!(!window.state().ui_state().clean.show_unrepaired);
    window.key_press(Key::V);
    window.run();
    assert_eq!(window.state().ui_state().frame.overlay, Overlay::RepairDifference);
    assert!(window.state().is_idle());
}
