//! Pointer and keyboard of the tests, and the values they check.

use egui::{Key, Modifiers, Pos2, Vec2};
use egui_kittest::Harness;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::app::GlassineApp;
use glassine_film::Param;

pub(crate) type Window = Harness<'static, GlassineApp>;

/// Presses and moves in steps, as a hand does; the button stays down.
pub(crate) fn pull(window: &mut Window, from: Pos2, by: Vec2) {
    window.hover_at(from);
    window.run();
    window.drag_at(from);
    window.run();
    for step in 1..=8_u8 {
        window.hover_at(from + by * (f32::from(step) / 8.0));
        window.run();
    }
}

/// Presses, moves in steps and releases; `before_release` inspects the window while the button is down.
pub(crate) fn drag_and_look(
    window: &mut Window,
    from: Pos2,
    by: Vec2,
    before_release: impl FnOnce(&mut Window),
) {
    pull(window, from, by);
    before_release(window);
    window.drop_at(from + by);
    window.run();
}

/// Presses, moves in steps and releases.
pub(crate) fn drag(window: &mut Window, from: Pos2, by: Vec2) {
    drag_and_look(window, from, by, |_| ());
}

/// Sets the grey point of `reach` at a place of the large picture, counted from its middle.
pub(crate) fn click_grey(window: &mut Window, reach: &str, from_middle: Vec2) {
    window.key_press(Key::G);
    window.run();
    click_label(window, &format!("grey point for {reach}"));
    let at = window.get_by_label("frame 1 large").rect().center() + from_middle;
    click_at(window, at);
}

/// Clicks at a place, as a pointer does.
pub(crate) fn click_at(window: &mut Window, at: Pos2) {
    window.hover_at(at);
    window.run();
    window.drag_at(at);
    window.run();
    window.drop_at(at);
    window.run();
}

/// Clicks the control with this name.
pub(crate) fn click_label(window: &mut Window, label: &str) {
    window.get_by_label(label).click();
    window.run();
}

/// Opens a section of the settings and folds the others, so that its rows are on screen.
pub(crate) fn show_only(window: &mut Window, section: &str) {
    for title in ["film", "exposure", "colour", "clean", "sharpen", "output"] {
        let label = format!("section {title}");
        let is_open = window.get_by_label(&label).accesskit_node().value().as_deref() == Some("open");
        if is_open != (title == section) {
            click_label(window, &label);
        }
    }
}

/// Undoes the last step.
pub(crate) fn undo(window: &mut Window) {
    window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    window.run();
}

/// A value of the frame with this number.
pub(crate) fn look(window: &Window, number: u32, param: Param) -> f64 {
    let frames = &window.state().session().frames;
    frames.iter().find(|frame| frame.number == number).expect("the frame is there").look.get(param)
}

/// Lets a little more than a second pass, so that everything that waits for things to settle has happened.
pub(crate) fn rest(window: &mut Window) {
    for _ in 0..70 {
        window.step();
    }
    window.run();
}
