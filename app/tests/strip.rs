//! The strip and the large view under the pointer: sides, corners, the ring, drawing, zoom, panning.

use crate::common::hands::{Window, click_at, click_label, drag, drag_and_look};
use crate::common::{IMAGES, MARGIN_PX, crop, frame_id, open_window};
use egui::accesskit::Role;
use egui::{Key, Modifiers, Pos2, Vec2, vec2};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::model::ui_state::StripTool;
use glassine_engine::ViewKey;
use glassine_session::BaseSource;

/// Screen rectangle of a box, without the reach around a selected one.
fn box_rect(window: &Window, number: u32) -> egui::Rect {
    let is_selected = window.state().ui_state().is_selected(frame_id(window, number));
    let rect = window.get_by_label(&format!("frame {number} box")).rect();
    if is_selected { rect.shrink(10.0) } else { rect }
}

/// Screen points for one scan pixel on the strip.
fn points_per_px(window: &Window) -> f64 {
    f64::from(box_rect(window, 1).width()) / crop(window, 1).width_px
}

fn wheel(window: &mut Window, at: Pos2, lines: f32) {
    window.hover_at(at);
    window.run();
    window.event(egui::Event::MouseWheel {
        source: egui::MouseWheelSource::Wheel,
        unit: egui::MouseWheelUnit::Point,
        delta: vec2(0.0, lines * 50.0),
        phase: egui::TouchPhase::Move,
        modifiers: Modifiers::NONE,
    });
    window.run();
}

#[test]
fn a_corner_dragged_outwards_stops_at_the_image_and_leaves_the_opposite_corner() {
    let (mut window, _folder) = open_window();
    let before = crop(&window, 1);
    let corner = box_rect(&window, 1).right_bottom();
    drag(&mut window, corner, vec2(300.0, 300.0));
    let after = crop(&window, 1);
    let (_, _, x1, y1) = IMAGES[0];
    assert!(after.corners()[0].distance(before.corners()[0]) < 1e-6);
    assert!((after.corners()[2].x - (x1 - MARGIN_PX)).abs() < 0.01);
    assert!((after.corners()[2].y - (y1 - MARGIN_PX)).abs() < 0.01);
}

#[test]
fn a_side_follows_the_pointer_and_only_that_side() {
    let (mut window, _folder) = open_window();
    let before = crop(&window, 1);
    let scale = points_per_px(&window);
    let side = box_rect(&window, 1).left_center();
    drag(&mut window, side, vec2(30.0, 12.0));
    let after = crop(&window, 1);
    assert!((after.width_px - (before.width_px - 30.0 / scale)).abs() < 0.3, "{}", after.width_px);
    assert!((after.height_px - before.height_px).abs() < 1e-6);
    assert!(after.corners()[1].distance(before.corners()[1]) < 1e-6);
}

#[test]
fn escape_while_a_side_is_dragged_puts_the_box_back_and_nothing_more_happens() {
    let (mut window, _folder) = open_window();
    let before = crop(&window, 1);
    let side = box_rect(&window, 1).left_center();
    drag_and_look(&mut window, side, vec2(40.0, 0.0), |window| {
        assert_ne!(crop(window, 1), before);
        window.key_press(Key::Escape);
        window.run();
        assert_eq!(crop(window, 1), before);
    });
    assert_eq!(crop(&window, 1), before);
    assert_eq!(window.state().history().undo_steps(), 0);
}

#[test]
fn the_magnifier_asks_for_the_scan_around_a_dragged_corner() {
    let (mut window, _folder) = open_window();
    let corner = box_rect(&window, 1).right_bottom();
    let scan = window.state().session().scans[0].id;
    drag_and_look(&mut window, corner, vec2(-8.0, -8.0), |window| {
        let (_, preview) = window.state().previews().picture(ViewKey::ScanRegion(scan)).expect("asked for");
        let rect = preview.scan_rect;
        let corner = crop(window, 1).corners()[2];
        assert!((f64::from(rect.x0)..f64::from(rect.x1)).contains(&corner.x));
        assert!((f64::from(rect.y0)..f64::from(rect.y1)).contains(&corner.y));
    });
}

#[test]
fn the_ring_turns_a_box_about_its_centre_as_far_as_the_image_allows() {
    let (mut window, _folder) = open_window();
    let before = crop(&window, 1);
    let rect = box_rect(&window, 1);
    // The ring is inside the box, below the middle of its upper side.
    drag(&mut window, rect.center_top() + vec2(0.0, 20.0), vec2(14.0, 0.0));
    let after = crop(&window, 1);
    assert!(after.angle_rad > 0.02, "{}", after.angle_rad);
    let frame = &window.state().session().frames[0];
    assert!(!frame.reaches_rebate());
    assert!((after.width_px - before.width_px).abs() < 1.0 || after.width_px < before.width_px);
}

#[test]
fn a_line_drawn_along_something_level_turns_the_box() {
    let (mut window, _folder) = open_window();
    window.key_press(Key::L);
    window.run();
    assert_eq!(window.state().ui_state().tool, StripTool::Level);
    let from = box_rect(&window, 1).center() - vec2(60.0, 0.0);
    drag(&mut window, from, vec2(120.0, 6.0));
    assert!((crop(&window, 1).angle_rad - 0.05).abs() < 0.005, "{}", crop(&window, 1).angle_rad);
    assert_eq!(window.state().ui_state().tool, StripTool::Boxes);
    assert_eq!(window.state().history().undo_steps(), 1);
}

#[test]
fn a_box_drawn_on_clear_film_measures_the_base() {
    let (mut window, _folder) = open_window();
    window.key_press(Key::M);
    window.run();
    // Above the first image there is clear film only.
    let rect = box_rect(&window, 1);
    let scale = points_per_px(&window) as f32;
    let above = rect.left_top() - vec2(10.0 * scale, 32.0 * scale);
    drag(&mut window, above, vec2(140.0 * scale, 14.0 * scale));
    let base = window.state().session().strips[0].base.clone().expect("measured");
    assert!(matches!(base.source, BaseSource::Box(_)), "{:?}", window.state().status().open_notice());
    for (measured, made) in base.density_d.iter().zip([0.30, 0.60, 0.85]) {
        assert!((measured - made).abs() < 0.003, "{:?}", base.density_d);
    }
}

#[test]
fn the_wheel_zooms_to_the_pointer_also_over_a_box_and_zero_fits_again() {
    let (mut window, _folder) = open_window();
    let fitted = points_per_px(&window);
    let at = box_rect(&window, 2).center();
    wheel(&mut window, at, 3.0);
    let zoomed = points_per_px(&window);
    assert!(zoomed > 1.3 * fitted, "{fitted} {zoomed}");
    let still = box_rect(&window, 2).center();
    assert!((still.x - at.x).abs() < 1.5, "{at:?} {still:?}");
    window.key_press(Key::Num0);
    window.run();
    assert!((points_per_px(&window) - fitted).abs() < 1e-3);
}

#[test]
fn a_double_click_goes_to_one_to_one_at_that_place_and_back() {
    let (mut window, _folder) = open_window();
    let large = window.get_by_label("frame 1 large").rect();
    for expected in [true, false] {
        window.hover_at(large.center());
        window.run();
        for pressed in [true, false, true, false] {
            window.event(egui::Event::PointerButton {
                pos: large.center(),
                button: egui::PointerButton::Primary,
                pressed,
                modifiers: Modifiers::NONE,
            });
        }
        window.run();
        assert_eq!(window.state().ui_state().frame.loupe, expected);
        // A pause, so that the next double click is not a fourth click.
        (0..60).for_each(|_| window.step());
    }
}

#[test]
fn before_shows_the_frame_without_its_settings_while_it_is_held() {
    let (mut window, _folder) = open_window();
    let button = window.get_by_label("before").rect().center();
    let key = ViewKey::Compare(frame_id(&window, 1));
    drag_and_look(&mut window, button, Vec2::ZERO, |window| {
        assert!(window.state().ui_state().frame.show_before);
        assert!(window.state().previews().picture(key).is_some());
    });
    assert!(!window.state().ui_state().frame.show_before);
}

#[test]
fn control_click_adds_to_the_selection_and_both_boxes_move_together() {
    let (mut window, _folder) = open_window();
    let (first, second) = (crop(&window, 1), crop(&window, 2));
    let at = box_rect(&window, 2).center();
    window.hover_at(at);
    window.run();
    window.get_by_label("frame 2 box").click_modifiers(Modifiers::COMMAND);
    window.run();
    assert_eq!(window.state().ui_state().selected.len(), 2);
    let scale = points_per_px(&window);
    drag(&mut window, at, vec2((9.0 * scale) as f32, 0.0));
    for (before, number) in [(first, 1), (second, 2)] {
        let moved = crop(&window, number).center.x - before.center.x;
        assert!((moved - 9.0).abs() < 0.3, "frame {number} moved by {moved}");
    }
    assert_eq!(window.state().history().undo_steps(), 1);
}

#[test]
fn the_line_under_the_prints_shares_the_window_anew() {
    let (mut window, _folder) = open_window();
    let splitter = window.get_by_role_and_label(Role::Splitter, "height of the strip").rect().center();
    let before = window.get_by_label("frame 1 large").rect();
    drag(&mut window, splitter, vec2(0.0, 60.0));
    let after = window.get_by_label("frame 1 large").rect();
    assert!((after.top() - before.top() - 60.0).abs() < 4.0, "{before} {after}");
    assert!(after.height() < before.height() - 30.0, "{before} {after}");
}

#[test]
fn a_box_tells_its_place_and_size() {
    let (window, _folder) = open_window();
    let node = window.get_by_label("frame 2 box");
    let (x0, y0, x1, y1) = IMAGES[1];
    let value = node.accesskit_node().value().unwrap_or_default();
    let (x, y, w, h) = (x0 + 12.0, y0 + 12.0, x1 - x0 - 24.0, y1 - y0 - 24.0);
    assert_eq!(value, format!("x {x:.1} y {y:.1} w {w:.1} h {h:.1} px, 0.00°"));
}

#[test]
fn a_click_on_something_grey_makes_this_frame_neutral_in_one_step() {
    let (mut window, _folder) = open_window();
    window.key_press(Key::G);
    window.run();
    click_label(&mut window, "grey point for this frame");
    assert_eq!(window.state().ui_state().tool, StripTool::GreyPoint);
    let before = window.state().session().frames[0].look.clone();
    // The sky is a little blue.
    let large = window.get_by_label("frame 1 large").rect();
    let at = large.center() - vec2(0.0, 0.3 * large.height());
    click_at(&mut window, at);
    assert_eq!(window.state().ui_state().tool, StripTool::Boxes);
    let frame = &window.state().session().frames[0];
    assert_ne!(frame.look, before, "{:?}", window.state().status().open_notice());
    assert_eq!(window.state().history().undo_steps(), 1);
}
