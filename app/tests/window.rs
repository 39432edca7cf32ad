//! The window, driven as a user drives it: through accessible names, pointer and keyboard.

use crate::common::hands::{Window, drag, look, rest, show_only, undo};
use crate::common::{
    IMAGES, MARGIN_PX, SharedPicker, app, crop, frame_id, open_window, session, sized_window, window,
    write_scan, write_session,
};
use egui::accesskit::Role;
use egui::{Key, Modifiers, vec2};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::commands::{
    BoxCommand, EditCommand, ExportCommand, FileCommand, SelectCommand, SelectHow, ViewCommand,
};
use glassine_film::{FilmKind, Param, default_stock};
use glassine_session::Edit;

fn value_of(window: &Window, role: Role, label: &str) -> String {
    window.get_by_role_and_label(role, label).accesskit_node().value().unwrap_or_default()
}

fn clip_high(window: &Window, number: u32) -> [f64; 3] {
    let histogram = window.state().previews().histogram(frame_id(window, number));
    histogram.expect("the frame is shown").clip_high_fraction()
}

#[test]
fn a_session_opens_with_a_box_and_a_print_for_every_frame() {
    let (window, _folder) = open_window();
    for number in 1..=3 {
        let label = format!("frame {number} box");
        let node = window.get_by_label(&label);
        assert!(node.accesskit_node().value().is_some_and(|value| value.contains("px")), "{label}");
        assert!(window.query_by_label(&format!("print {number}")).is_some());
    }
    assert!(window.state().previews().histogram(frame_id(&window, 1)).is_some());
    assert!(window.state().is_idle());
}

#[test]
fn a_box_dragged_far_out_stops_at_the_image_edge_and_one_undo_brings_it_back() {
    let (mut window, _folder) = open_window();
    let before = crop(&window, 1);
    let steps = window.state().history().undo_steps();
    let rect = window.get_by_label("frame 1 box").rect();
    drag(&mut window, rect.center(), vec2(-400.0, -300.0));
    let after = crop(&window, 1);
    let (x0, y0, ..) = IMAGES[0];
    let corner = after.corners()[0];
    assert!((corner.x - (x0 + MARGIN_PX)).abs() < 0.01, "left edge at {}", corner.x);
    assert!((corner.y - (y0 + MARGIN_PX)).abs() < 0.01, "upper edge at {}", corner.y);
    assert!((after.width_px - before.width_px).abs() < 1e-6);
    assert_eq!(window.state().history().undo_steps(), steps + 1);
    window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    window.run();
    assert_eq!(crop(&window, 1), before);
    window.key_press_modifiers(Modifiers::COMMAND | Modifiers::SHIFT, Key::Z);
    window.run();
    assert_eq!(crop(&window, 1), after);
}

#[test]
fn more_exposure_makes_the_histogram_warn_and_undo_takes_the_warning_away() {
    let (mut window, _folder) = open_window();
    let calm = clip_high(&window, 1);
    window.get_by_role_and_label(Role::Slider, "exposure").set_value_accesskit(3.0);
    window.run();
    assert_eq!(look(&window, 1, Param::ExposureStops), 3.0);
    let bright = clip_high(&window, 1);
    assert!(bright[0] > calm[0] + 0.01 && bright[0] > 0.01, "{calm:?} became {bright:?}");
    let words = value_of(&window, Role::Button, "histogram");
    let figure = glassine_app::widgets::histogram_plot::percent_text(bright[0]);
    assert!(words.contains(&format!("red clips high {figure} %")), "{words}");
    window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    window.run();
    assert_eq!(look(&window, 1, Param::ExposureStops), 0.0);
    assert_eq!(clip_high(&window, 1), calm);
}

#[test]
fn one_pull_of_a_fader_is_one_step_and_escape_takes_a_pull_back() {
    let (mut window, _folder) = open_window();
    let steps = window.state().history().undo_steps();
    let rect = window.get_by_role_and_label(Role::Slider, "exposure").rect();
    drag(&mut window, rect.center(), vec2(20.0, 0.0));
    let pulled = look(&window, 1, Param::ExposureStops);
    assert!(pulled > 0.5, "exposure {pulled}");
    assert_eq!(window.state().history().undo_steps(), steps + 1);

    let from = rect.center() + vec2(20.0, 0.0);
    window.drag_at(from);
    window.run();
    window.hover_at(from - vec2(30.0, 0.0));
    window.run();
    assert!(look(&window, 1, Param::ExposureStops) < pulled);
    window.key_press(Key::Escape);
    window.run();
    window.hover_at(from - vec2(34.0, 0.0));
    window.run();
    window.drop_at(from - vec2(34.0, 0.0));
    window.run();
    assert_eq!(look(&window, 1, Param::ExposureStops), pulled);
    assert_eq!(window.state().history().undo_steps(), steps + 1);
}

#[test]
fn a_value_outside_the_fader_is_kept_by_being_shown_and_reset_by_its_button() {
    let (mut window, _folder) = open_window();
    window.state_mut().push(EditCommand::SetParam(Param::ExposureStops, 6.5));
    window.run();
    assert_eq!(look(&window, 1, Param::ExposureStops), 6.5);
    window.get_by_label("reset exposure").click();
    window.run();
    assert_eq!(look(&window, 1, Param::ExposureStops), 0.0);
    assert!(window.query_by_label("reset exposure").is_none());
}

#[test]
fn settings_go_to_every_selected_frame() {
    let (mut window, _folder) = open_window();
    window.key_press_modifiers(Modifiers::COMMAND, Key::A);
    window.run();
    window.get_by_role_and_label(Role::Slider, "contrast").set_value_accesskit(1.4);
    window.run();
    for number in 1..=3 {
        assert_eq!(look(&window, number, Param::Contrast), 1.4);
    }
}

#[test]
fn the_strip_is_exported_from_the_pane_and_files_in_the_way_are_not_overwritten() {
    let (mut window, folder) = open_window();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    for number in 1..=3 {
        assert!(window.query_by_label(&format!("quay 0{number}.tif")).is_some());
    }
    window.get_by_label("export 3 pictures").click();
    window.run();
    let report = window.state().status().export_report.clone().expect("an export ended");
    assert_eq!((report.written.len(), report.failed.len()), (3, 0), "{report:?}");
    for number in 1..=3 {
        assert!(folder.path().join(format!("finished/quay 0{number}.tif")).is_file());
    }
    let written = std::fs::metadata(folder.path().join("finished/quay 01.tif")).expect("the file is there");
    window.get_by_label("close").click();
    window.run();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    assert_eq!(window.state().status().existing_files.len(), 3);
    let button = window.get_by_label("export 3 pictures");
    assert!(button.accesskit_node().is_disabled(), "files would be overwritten");
    let again = std::fs::metadata(folder.path().join("finished/quay 01.tif")).expect("the file is there");
    assert_eq!(written.modified().ok(), again.modified().ok());
}

#[test]
fn a_file_that_is_no_scan_is_told_with_what_to_do_and_the_session_stays() {
    let (mut window, folder) = open_window();
    let bad = folder.path().join("bad.session.json");
    std::fs::write(&bad, "{ this is no session").expect("the folder is writable");
    let before = window.state().session().clone();
    window.state_mut().push(FileCommand::Open(vec![bad]));
    window.run();
    if window.query_by_label("leave without saving").is_some() {
        window.get_by_label("leave without saving").click();
        window.run();
    }
    let notice = window.state().status().notices.last().cloned().expect("something was told");
    assert!(!notice.headline.is_empty() && !notice.what_to_do.is_empty(), "{notice:?}");
    assert_eq!(window.state().session(), &before);
}

#[test]
fn an_idle_window_asks_for_no_repaint() {
    let (mut window, _folder) = open_window();
    rest(&mut window);
    for _ in 0..8 {
        window.step();
        let root = window.output().viewport_output.get(&egui::ViewportId::ROOT).expect("the root viewport");
        assert!(root.repaint_delay > std::time::Duration::from_secs(3), "{:?}", root.repaint_delay);
    }
}

#[test]
fn the_keyboard_alone_selects_nudges_turns_and_undoes() {
    let (mut window, _folder) = open_window();
    window.key_press(Key::PageDown);
    window.run();
    assert_eq!(window.state().ui_state().primary, Some(frame_id(&window, 2)));
    let before = crop(&window, 2);
    window.key_press(Key::ArrowRight);
    window.run();
    assert!((crop(&window, 2).center.x - before.center.x - 1.0).abs() < 1e-9);
    window.key_press_modifiers(Modifiers::ALT, Key::ArrowRight);
    window.run();
    assert!((crop(&window, 2).center.x - before.center.x - 1.1).abs() < 1e-9);
    for _ in 0..20 {
        window.key_press_modifiers(Modifiers::SHIFT, Key::ArrowRight);
        window.run();
    }
    let right = crop(&window, 2).corners()[1].x;
    assert!((right - (IMAGES[1].2 - MARGIN_PX)).abs() < 0.01, "the right edge stands at {right}");
    let upright = window.state().session().frames[1].orientation;
    window.key_press(Key::O);
    window.run();
    assert_eq!(window.state().session().frames[1].orientation, upright.turned_clockwise());
    for _ in 0..30 {
        window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
        window.run();
    }
    assert_eq!(crop(&window, 2), before);
}

#[test]
fn arrow_keys_change_a_fader_that_has_the_keyboard_and_move_no_box() {
    let (mut window, _folder) = open_window();
    let before = crop(&window, 1);
    window.get_by_role_and_label(Role::Slider, "exposure").focus();
    window.run();
    window.key_press(Key::ArrowRight);
    window.run();
    assert!((look(&window, 1, Param::ExposureStops) - 0.1).abs() < 1e-9);
    window.key_press_modifiers(Modifiers::SHIFT, Key::ArrowLeft);
    window.run();
    assert!((look(&window, 1, Param::ExposureStops) + 0.9).abs() < 1e-9);
    assert_eq!(crop(&window, 1), before);
}

#[test]
fn the_table_of_keys_opens_and_closes() {
    let (mut window, _folder) = open_window();
    window.key_press(Key::Questionmark);
    window.run();
    assert!(window.query_by_label("Ctrl + S, save the session").is_some());
    window.key_press(Key::Escape);
    window.run();
    assert!(window.query_by_label("Ctrl + S, save the session").is_none());
}

#[test]
fn keys_change_nothing_under_a_pane_that_lies_over_the_window() {
    let (mut window, _folder) = open_window();
    let before = window.state().session().clone();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    for key in [Key::N, Key::Delete, Key::ArrowRight, Key::O] {
        window.key_press(key);
        window.run();
    }
    assert_eq!(window.state().session(), &before);
    window.key_press(Key::Escape);
    window.run();
    assert!(!window.state().ui_state().show_export);
}

#[test]
fn a_number_typed_with_a_comma_and_a_unit_is_one_step() {
    let (mut window, _folder) = open_window();
    let steps = window.state().history().undo_steps();
    window.get_by_role_and_label(Role::SpinButton, "exposure number").click();
    window.run();
    window.event(egui::Event::Text("-0,75 stops".to_owned()));
    window.run();
    window.key_press(Key::Enter);
    window.run();
    assert_eq!(look(&window, 1, Param::ExposureStops), -0.75);
    assert_eq!(window.state().history().undo_steps(), steps + 1);
}

#[test]
fn the_base_name_is_typed_in_one_step_and_a_name_that_leaves_the_folder_is_refused() {
    let (mut window, _folder) = open_window();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    let steps = window.state().history().undo_steps();
    window.get_by_role_and_label(Role::TextInput, "base name").click();
    window.run();
    for text in ["/", "u", "p"] {
        window.event(egui::Event::Text(text.to_owned()));
        window.run();
    }
    assert!(window.state().session().output.base_name.contains('/'));
    assert!(window.get_by_label("export 3 pictures").accesskit_node().is_disabled());
    window.get_by_label("close").click();
    window.run();
    assert_eq!(window.state().history().undo_steps(), steps + 1);
    assert!(window.state().history().is_unsaved());
    undo(&mut window);
    assert_eq!(window.state().session().output.base_name, "quay");
}

#[test]
fn only_the_selected_frames_are_exported_when_asked() {
    let (mut window, folder) = open_window();
    window.key_press(Key::PageDown);
    window.run();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    window.get_by_label("only the selected frames (1)").click();
    window.run();
    window.get_by_label("export 1 picture").click();
    window.run();
    let names: Vec<_> = std::fs::read_dir(folder.path().join("finished"))
        .expect("the folder was made")
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .collect();
    assert_eq!(names, ["quay 02.tif"]);
}

#[test]
fn a_folder_that_cannot_be_made_fails_frame_by_frame_with_what_to_do() {
    let (mut window, folder) = open_window();
    let blocked = folder.path().join("a file");
    std::fs::write(&blocked, "in the way").expect("the folder is writable");
    let mut output = window.state().session().output.clone();
    output.folder = Some(blocked.join("finished"));
    window.state_mut().push(ExportCommand::SetOutput(output));
    window.run();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    window.get_by_label("export 3 pictures").click();
    window.run();
    let notice = window.state().status().notices.last().cloned().expect("something was told");
    assert!(!notice.headline.is_empty() && !notice.what_to_do.is_empty(), "{notice:?}");
    assert!(window.state().status().exporting().is_none());
}

#[test]
fn every_control_of_the_settings_has_a_name_in_both_surrounds() {
    let (mut window, _folder) = open_window();
    for section in ["film", "exposure", "colour", "clean", "sharpen", "output"] {
        show_only(&mut window, section);
        window.check_accessibility();
    }
    window.state_mut().push(ViewCommand::SetDark(false));
    window.run();
    window.check_accessibility();
    assert!(window.state().ui_state().light);
}

#[test]
fn the_film_base_is_shown_and_can_be_typed_in() {
    let (mut window, _folder) = open_window();
    show_only(&mut window, "film");
    let node = window.get_by_role_and_label(Role::SpinButton, "film base density red");
    assert!((node.accesskit_node().numeric_value().unwrap_or_default() - 0.30).abs() < 1e-9);
    node.set_value_accesskit(0.35);
    window.run();
    let base = window.state().session().strips[0].base.clone().expect("a base");
    assert_eq!(base.density_d, [0.35, 0.60, 0.85]);
    assert_eq!(base.source, glassine_session::BaseSource::Typed);
    window.key_press_modifiers(Modifiers::COMMAND, Key::Z);
    window.run();
    let base = window.state().session().strips[0].base.clone().expect("a base");
    assert_eq!(base.source, glassine_session::BaseSource::Rebate);
}

#[test]
fn the_mask_tolerance_goes_back_to_what_is_recommended() {
    let (mut window, _folder) = open_window();
    show_only(&mut window, "film");
    window.get_by_role_and_label(Role::Slider, "mask tolerance").set_value_accesskit(0.1);
    window.run();
    assert_eq!(window.state().session().strips[0].mask_tolerance_d, 0.1);
    window.get_by_label("reset mask tolerance").click();
    window.run();
    assert_eq!(window.state().session().strips[0].mask_tolerance_d, 0.02);
}

#[test]
fn one_section_is_open_beside_the_rail_or_none() {
    let (mut window, _folder) = open_window();
    assert!(window.query_by_role_and_label(Role::Slider, "exposure").is_some());
    window.get_by_label("section exposure").click();
    window.run();
    assert!(window.query_by_role_and_label(Role::Slider, "exposure").is_none());
    let wide = window.get_by_label("frame 1 large").rect().width();
    window.key_press(Key::F4);
    window.run();
    assert!(window.query_by_role_and_label(Role::Slider, "saturation").is_some());
    assert!(window.get_by_label("frame 1 large").rect().width() < wide - 300.0);
    window.key_press(Key::F3);
    window.run();
    assert!(window.query_by_role_and_label(Role::Slider, "saturation").is_none());
    assert!(window.query_by_role_and_label(Role::Slider, "exposure").is_some());
}

#[test]
fn a_saved_session_opens_from_its_file_and_is_saved_again_in_place() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let path = write_session(folder.path(), &session(&scan, None));
    let mut window = window(app(vec![path.clone()], SharedPicker::default()));
    assert_eq!(window.state().session().frames.len(), 3);
    assert!(!window.state().history().is_unsaved());
    window.get_by_role_and_label(Role::Slider, "exposure").set_value_accesskit(0.5);
    window.run();
    assert!(window.state().history().is_unsaved());
    window.key_press_modifiers(Modifiers::COMMAND, Key::S);
    window.run();
    assert!(!window.state().history().is_unsaved());
    let text = std::fs::read_to_string(&path).expect("the file is there");
    assert!(text.contains("\"exposure_stops\": 0.5"), "the change is in the file");
}

#[test]
fn the_smallest_window_still_shows_strip_print_frame_and_settings() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session(&scan, None));
    let window = crate::common::sized_window(app, [1280.0, 720.0]);
    let screen = egui::Rect::from_min_size(egui::Pos2::ZERO, vec2(1280.0, 720.0));
    for (role, label) in [
        (Role::ListBoxOption, "frame 1 box"),
        (Role::ListBoxOption, "print 1"),
        (Role::Image, "frame 1 large"),
        (Role::Button, "histogram"),
        (Role::Tab, "section film"),
    ] {
        let rect = window.get_by_role_and_label(role, label).rect();
        assert!(screen.intersects(rect) && rect.width() > 10.0, "{label} at {rect:?}");
    }
}

#[test]
fn selecting_a_print_shows_its_frame_large() {
    let (mut window, _folder) = open_window();
    window.get_by_label("print 3").click();
    window.run();
    assert_eq!(window.state().ui_state().primary, Some(frame_id(&window, 3)));
    assert!(window.query_by_label("frame 3 large").is_some());
    let id = frame_id(&window, 2);
    window.state_mut().push(SelectCommand::Frame(id, SelectHow::Only));
    window.run();
    assert!(window.query_by_label("frame 2 large").is_some());
}

/// Presses Tab until the control with this label has the keyboard focus.
fn tab_to(window: &mut Window, label: &str) {
    for _ in 0..120 {
        window.key_press(Key::Tab);
        window.run();
        if window.query_by_label(label).is_some_and(|node| node.accesskit_node().is_focused()) {
            return;
        }
    }
    panic!("Tab never reaches {label}");
}

#[test]
fn the_whole_job_can_be_done_with_the_keyboard() {
    let (mut window, folder) = open_window();
    window.key_press(Key::Period);
    window.run();
    tab_to(&mut window, "exposure number");
    // The keyboard focus passed boxes and prints on its way; the current frame stayed the same.
    let under_work = frame_id(&window, 2);
    assert_eq!(window.state().ui_state().primary, Some(under_work));
    window.event(egui::Event::Text("0.5".to_owned()));
    window.run();
    window.key_press(Key::Enter);
    window.run();
    let frame = window.state().session().frame(under_work).cloned().expect("it is in the session");
    assert_eq!(frame.look.get(Param::ExposureStops), 0.5);
    window.key_press(Key::Escape);
    window.run();
    window.key_press_modifiers(Modifiers::COMMAND, Key::E);
    window.run();
    tab_to(&mut window, "export 3 pictures");
    window.key_press(Key::Enter);
    window.run();
    assert!(folder.path().join("finished/quay 02.tif").is_file());
    window.key_press(Key::Escape);
    window.run();
    assert!(!window.state().ui_state().show_export);
}

#[test]
fn tab_passes_over_boxes_and_the_one_it_rests_on_is_taken_by_a_key() {
    let (mut window, _folder) = open_window();
    let selected = |window: &Window| window.state().ui_state().selected.clone();
    assert_eq!(selected(&window), [frame_id(&window, 1)].into());
    tab_to(&mut window, "frame 3 box");
    assert_eq!(selected(&window), [frame_id(&window, 1)].into());
    window.key_press(Key::Enter);
    window.run();
    assert_eq!(selected(&window), [frame_id(&window, 3)].into());
    tab_to(&mut window, "print 2");
    assert_eq!(selected(&window), [frame_id(&window, 3)].into());
    let (before, other) = (crop(&window, 2), crop(&window, 3));
    window.key_press(Key::ArrowRight);
    window.run();
    assert_eq!(selected(&window), [frame_id(&window, 2)].into());
    assert!((crop(&window, 2).center.x - before.center.x - 1.0).abs() < 1e-9);
    assert_eq!(crop(&window, 3), other);
}

#[test]
fn settings_say_why_something_is_not_possible() {
    let (mut window, _folder) = open_window();
    show_only(&mut window, "clean");
    assert!(window.query_by_label_contains("no infrared plane").is_some());
    assert!(window.get_by_role_and_label(Role::Slider, "sensitivity").accesskit_node().is_disabled());
    let strip = window.state().session().strips[0].id;
    let film = FilmKind::Slide;
    let stock_id = default_stock(film).id.clone();
    window.state_mut().push(EditCommand::Apply(Edit::SetFilm { strip, film, stock_id }));
    window.run();
    show_only(&mut window, "film");
    assert!(window.query_by_label_contains("slides have no film base").is_some());
    assert!(window.query_by_role_and_label(Role::Slider, "mask tolerance").is_none());
    let film = FilmKind::BlackAndWhite;
    let stock_id = default_stock(film).id.clone();
    window.state_mut().push(EditCommand::Apply(Edit::SetFilm { strip, film, stock_id }));
    window.run();
    show_only(&mut window, "colour");
    assert!(window.query_by_label_contains("no colour to balance").is_some());
}

#[test]
fn a_box_let_go_onto_the_rebate_is_warned_about_and_can_be_held_again() {
    let (mut window, _folder) = open_window();
    window.state_mut().push(BoxCommand::SetHeld(false));
    window.run();
    for _ in 0..4 {
        window.key_press_modifiers(Modifiers::SHIFT, Key::ArrowLeft);
        window.run();
    }
    assert!(window.query_all_by_label_contains("spoils exposure and colour").count() > 0);
    window.get_by_label("hold the box in the image area").click();
    window.run();
    let left = crop(&window, 1).corners()[0].x;
    assert!((left - (IMAGES[0].0 + MARGIN_PX)).abs() < 0.01, "the left edge stands at {left}");
    assert_eq!(window.query_all_by_label_contains("spoils exposure and colour").count(), 0);
}

#[test]
fn a_frame_size_of_ones_own_can_be_typed_where_no_format_of_the_table_fits() {
    let (mut window, _folder) = open_window();
    let strip = window.state().session().strips[0].id;
    window.state_mut().push(EditCommand::Apply(Edit::SetFormat { strip, format_id: None }));
    window.run();
    show_only(&mut window, "film");
    let field = window.get_by_role_and_label(Role::TextInput, "own frame size");
    field.focus();
    window.run();
    window.get_by_role_and_label(Role::TextInput, "own frame size").type_text("40x65mm");
    window.run();
    window.key_press(Key::Enter);
    window.run();
    assert_eq!(window.state().session().strips[0].format_id.as_deref(), Some("40x65mm"));
}

#[test]
fn the_overshoot_limit_is_shown_and_set_in_per_cent() {
    let (mut window, _folder) = open_window();
    show_only(&mut window, "sharpen");
    assert!(value_of(&window, Role::Slider, "overshoot limit").starts_with("5 %"));
    window.get_by_role_and_label(Role::Slider, "overshoot limit").set_value_accesskit(8.0);
    window.run();
    assert!((look(&window, 1, Param::OvershootLimit) - 0.08).abs() < 1e-9);
}

#[test]
fn every_row_of_the_settings_ends_with_their_column() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session(&write_scan(folder.path()), None));
    // The column is too low for its rows, so it scrolls.
    let mut window = sized_window(app, [1596.0, 700.0]);
    let rows = [
        ("film", ["film kind", "balance each frame", "fourth sample ignore"]),
        ("clean", ["dust repair on", "show difference", "hold: without repair"]),
    ];
    for (section, rows) in rows {
        show_only(&mut window, section);
        let column = 1596.0 - 10.0;
        for row in rows {
            let right = window.query_all_by_label(row).map(|node| node.rect().right()).fold(0.0, f32::max);
            assert!(right > column - 12.0 && right < column + 0.5, "{section}, {row}: {right}, {column}");
        }
    }
}
