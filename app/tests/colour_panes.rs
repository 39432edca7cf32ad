//! The colour panes: wheel and curves, grids of variations, grey point, matching, cast, and measuring a stock.

use crate::common::hands::{Window, click_grey, click_label, drag, look, undo};
use crate::common::{
    IMAGES, SharedPicker, app, chart_pixels, frame_id, open_window, session, sized_window, write_pixels,
    write_scan,
};
use egui::accesskit::{Role, Toggled};
use egui::{Key, Modifiers, vec2};
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::commands::{EditCommand, JobCommand, SelectCommand, SelectHow};
use glassine_app::services::file_dialogs::PickOutcome;
use glassine_film::{Param, Stock, band_curves};
use glassine_session::{Edit, FrameSolve, StripSolve};

/// A tall window over the small strip, with only the colour section open.
fn colour_window() -> (Window, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session(&scan, None));
    let mut window = sized_window(app, [1600.0, 1800.0]);
    click_label(&mut window, "section colour");
    (window, folder)
}

#[test]
fn the_wheel_is_pulled_in_one_step_and_the_curves_follow() {
    let (mut window, _folder) = colour_window();
    click_label(&mut window, "balance the shadows");
    let steps = window.state().history().undo_steps();
    let center = window.get_by_label("balance wheel of the shadows").rect().center();
    drag(&mut window, center, vec2(20.0, -10.0));
    let (warm, tint) = (look(&window, 1, Param::ShadowWarmthCc), look(&window, 1, Param::ShadowTintCc));
    assert!(warm > 4.0 && tint > 2.0 && warm > tint, "{warm} {tint}");
    assert_eq!(window.state().history().undo_steps(), steps + 1);
    let value = window.get_by_label("red in the shadows").accesskit_node().value().unwrap_or_default();
    let red = 100.0 * (warm / 200.0 + tint / 300.0);
    assert_eq!(value, format!("+{red:.1} CC"));
    undo(&mut window);
    assert_eq!(look(&window, 1, Param::ShadowWarmthCc), 0.0);
}

#[test]
fn a_point_of_a_curve_is_pulled_in_one_step_and_the_wheel_follows() {
    let (mut window, _folder) = colour_window();
    let steps = window.state().history().undo_steps();
    let point = window.get_by_label("blue in the highlights").rect().center();
    drag(&mut window, point, vec2(0.0, -24.0));
    let frame = window.state().session().frames[0].clone();
    let lifted = band_curves(&frame.look).map(|curve| curve.offsets_log()[2]);
    assert!(lifted[2] > 0.02, "{lifted:?}");
    assert!((lifted[0] - lifted[1]).abs() < 2e-3, "the two others give way alike: {lifted:?}");
    assert!(frame.look.get(Param::HighlightWarmthCc) < 0.0, "more blue is cooler");
    assert_eq!(window.state().history().undo_steps(), steps + 1);
    assert!(window.query_by_label("balance wheel of the highlights").is_some(), "its band is chosen");
}

#[test]
fn the_wheel_and_the_points_follow_the_arrow_keys() {
    let (mut window, _folder) = colour_window();
    window.get_by_label("balance wheel of all tones").focus();
    window.run();
    window.key_press(Key::ArrowRight);
    window.run();
    window.key_press_modifiers(Modifiers::SHIFT, Key::ArrowUp);
    window.run();
    assert_eq!((look(&window, 1, Param::WarmthCc), look(&window, 1, Param::TintCc)), (1.0, 10.0));
    window.key_press(Key::Backspace);
    window.run();
    assert_eq!((look(&window, 1, Param::WarmthCc), look(&window, 1, Param::TintCc)), (0.0, 0.0));
    click_label(&mut window, "balance the middle tones");
    window.get_by_label("green in the middle tones").focus();
    window.run();
    window.key_press(Key::ArrowDown);
    window.run();
    assert!(look(&window, 1, Param::MidTintCc) > 0.5, "less green is more magenta");
}

#[test]
fn a_test_strip_takes_the_exposure_that_is_clicked_as_one_step() {
    let (mut window, _folder) = colour_window();
    window.key_press(Key::T);
    window.run();
    let steps = window.state().history().undo_steps();
    click_label(&mut window, "test strip +0.50 stops");
    assert_eq!(look(&window, 1, Param::ExposureStops), 0.5);
    assert_eq!(window.state().history().undo_steps(), steps + 1);
    // The grid is rebuilt around the new state and stays open.
    click_label(&mut window, "test strip +0.50 stops");
    assert_eq!(look(&window, 1, Param::ExposureStops), 1.0);
    window.key_press(Key::Escape);
    window.run();
    assert!(window.query_by_label("test strip +0.50 stops").is_none());
}

#[test]
fn a_ring_around_is_worked_with_the_keyboard_alone() {
    let (mut window, _folder) = colour_window();
    window.key_press(Key::R);
    window.run();
    click_label(&mut window, "step 20 CC");
    assert!(window.query_by_label("ring-around 20 CC yellow").is_some());
    window.get_by_label("ring-around 20 CC red").focus();
    window.run();
    let steps = window.state().history().undo_steps();
    window.key_press(Key::Enter);
    window.run();
    assert_eq!((look(&window, 1, Param::WarmthCc), look(&window, 1, Param::TintCc)), (20.0, 10.0));
    assert_eq!(window.state().history().undo_steps(), steps + 1);
}

#[test]
fn the_pictures_of_a_grid_come_from_the_pipeline_and_differ() {
    let (mut window, _folder) = colour_window();
    window.key_press(Key::T);
    window.run();
    let id = frame_id(&window, 1);
    let mean = |window: &Window, number: u16| {
        let key = glassine_engine::ViewKey::Proof(id, number);
        let (_, preview) = window.state().previews().picture(key).expect("a picture is shown");
        let histogram = preview.histogram.as_ref().expect("it was counted");
        histogram.clip_low_fraction()[0] - histogram.clip_high_fraction()[0]
    };
    let values: Vec<f64> = (0..9).map(|number| mean(&window, number)).collect();
    assert!(values[0] >= values[4] && values[4] >= values[8] && values[0] > values[8], "{values:?}");
    window.key_press(Key::Escape);
    window.run();
    assert!(window.state().previews().picture(glassine_engine::ViewKey::Proof(id, 0)).is_none());
}

#[test]
fn a_mask_tolerance_is_taken_from_its_grid_for_the_strip() {
    let (mut window, _folder) = colour_window();
    click_label(&mut window, "section film");
    click_label(&mut window, "compare tolerances…");
    click_label(&mut window, "mask tolerance 0.030 D");
    assert!((window.state().session().strips[0].mask_tolerance_d - 0.03).abs() < 1e-9);
    let crop = window.state().session().frames[0].crop;
    assert_eq!(crop.width_px, IMAGES[0].2 - IMAGES[0].0 - 24.0, "only the picture showed more");
}

#[test]
fn a_grey_point_is_set_by_pointer_and_the_area_becomes_neutral() {
    let (mut window, _folder) = colour_window();
    let by = vec2(0.0, 10.0);
    click_grey(&mut window, "this frame", by);
    let warm = look(&window, 1, Param::WarmthCc);
    assert!(warm != 0.0, "the ground is no grey");
    assert_eq!(window.state().history().undo_label(), Some("set grey point"));
    // The same again after a band moved: the tool makes the whole balance neutral and compensates for the band's
    // setting.
    let id = frame_id(&window, 1);
    let edit = Edit::SetParam { frames: vec![id], param: Param::MidWarmthCc, value: 10.0 };
    window.state_mut().push(EditCommand::Apply(edit));
    window.run();
    window.hover_at(window.get_by_label("frame 1 large").rect().center() + by + vec2(1.0, 0.0));
    window.run();
    click_grey(&mut window, "this frame", by);
    assert!(look(&window, 1, Param::WarmthCc) < warm - 3.0, "{}", look(&window, 1, Param::WarmthCc));
}

#[test]
fn a_grey_point_decides_the_whole_film_in_one_step_and_says_so() {
    let (mut window, _folder) = colour_window();
    let strip = window.state().session().strips[0].id;
    window.state_mut().push(JobCommand::SolveStrip(strip));
    window.run();
    let at = vec2(0.0, 10.0);
    let offsets = |window: &Window| {
        let frames = &window.state().session().frames;
        frames.iter().map(|frame| frame.solve.as_ref().expect("is solved").log_offset).collect::<Vec<_>>()
    };
    let (before, steps) = (offsets(&window), window.state().history().undo_steps());
    // One balance is locked over the strip, so the film is chosen to begin with.
    window.key_press(Key::G);
    window.run();
    let is_on = |label: &str| window.get_by_label(label).accesskit_node().toggled() == Some(Toggled::True);
    assert!(is_on("grey point for the film") && !is_on("grey point for this frame"));
    window.key_press(Key::G);
    window.run();
    click_grey(&mut window, "the film", at);
    let after = offsets(&window);
    assert!(before.iter().zip(&after).all(|(old, new)| old != new), "every frame follows: {after:?}");
    assert_eq!(window.state().history().undo_steps(), steps + 1);
    let notice = window.state().status().open_notice().expect("a message").headline.clone();
    assert!(notice.contains("frame 1") && notice.contains("3 frames on 1 strip,"), "{notice}");
    assert_eq!(look(&window, 1, Param::WarmthCc), 0.0, "the frame needs no balance of its own");
    // The place is neutral now: a grey point for the frame alone has hardly anything left to do.
    click_grey(&mut window, "this frame", at);
    let left = [Param::WarmthCc, Param::TintCc].map(|param| look(&window, 1, param));
    assert!(left.iter().all(|cc| cc.abs() < 1.0), "{left:?}");
    undo(&mut window);
    assert!(window.state().status().open_notice().is_none(), "what was undone is not told any longer");
    undo(&mut window);
    assert_eq!(offsets(&window), before);
}

#[test]
fn a_grey_point_is_set_by_keyboard_and_escape_leaves_it() {
    let (mut window, _folder) = colour_window();
    let before = window.state().session().clone();
    window.key_press(Key::G);
    window.run();
    window.key_press(Key::Escape);
    window.run();
    assert_eq!(window.state().session(), &before);
    // The tool takes the keyboard focus from whatever has it.
    window.get_by_role_and_label(Role::Slider, "saturation").focus();
    window.run();
    window.key_press(Key::G);
    window.run();
    for key in [Key::ArrowLeft, Key::ArrowLeft, Key::ArrowUp, Key::ArrowDown, Key::ArrowDown] {
        window.key_press(key);
        window.run();
    }
    assert_eq!(window.state().session(), &before, "arrows move the square, not the box");
    window.key_press(Key::Enter);
    window.run();
    assert_eq!(window.state().history().undo_label(), Some("set grey point"));
}

#[test]
fn the_selected_frames_are_matched_to_the_one_clicked_last() {
    let (mut window, _folder) = colour_window();
    let second = frame_id(&window, 2);
    let edit = Edit::SetParam { frames: vec![second], param: Param::ExposureStops, value: 1.0 };
    window.state_mut().push(EditCommand::Apply(edit));
    window.state_mut().push(SelectCommand::Frame(second, SelectHow::Toggle));
    window.run();
    assert_eq!(window.state().ui_state().primary, Some(second));
    let steps = window.state().history().undo_steps();
    window.key_press_modifiers(Modifiers::COMMAND, Key::M);
    window.run();
    let matched = look(&window, 1, Param::ExposureStops);
    assert!((matched - 1.0).abs() < 0.5, "{matched}");
    assert_eq!(window.state().history().undo_steps(), steps + 1);
}

#[test]
fn a_cast_is_offered_with_two_pictures_and_taken_only_when_asked() {
    let (mut window, _folder) = colour_window();
    let id = frame_id(&window, 1);
    let solve = FrameSolve {
        log_offset: [0.0; 3],
        exposure_stops: 0.0,
        balance_cc: [0.0; 2],
        cast_suggestion_cc: [-12.0, 5.0],
        confidence: 0.2,
        notes: Vec::new(),
    };
    let strip = window.state().session().strips[0].id;
    let of_strip = StripSolve {
        gamma_ratio: [1.0; 3],
        neutral_log: [0.0; 3],
        confidence: 0.4,
        provenance: "typed in".to_owned(),
        toe_ratio: [1.0; 3],
        colour_strength: 1.0,
    };
    let edit = Edit::ApplySolve { strip, solve: of_strip, frames: vec![(id, solve)] };
    window.state_mut().push(EditCommand::Apply(edit));
    window.run();
    assert_eq!(look(&window, 1, Param::CastStrength), 0.0, "nothing is taken silently");
    let print = window.get_by_label("print 1").accesskit_node().value().unwrap_or_default();
    assert!(print.contains("few grey tones"), "{print}");
    let steps = window.state().history().undo_steps();
    click_label(&mut window, "cast with the correction");
    assert_eq!(look(&window, 1, Param::CastStrength), 1.0);
    assert_eq!(window.state().history().undo_steps(), steps + 1);
    window.get_by_role_and_label(Role::Slider, "cast correction").set_value_accesskit(40.0);
    window.run();
    assert_eq!(look(&window, 1, Param::CastStrength), 0.4);
    click_label(&mut window, "cast without");
    assert_eq!(look(&window, 1, Param::CastStrength), 0.0);
}

#[test]
fn every_control_of_the_colour_panes_has_a_name() {
    let (mut window, _folder) = colour_window();
    window.check_accessibility();
    window.key_press(Key::R);
    window.run();
    window.check_accessibility();
    window.key_press(Key::Escape);
    window.run();
    click_label(&mut window, "section film");
    click_label(&mut window, "measure a stock…");
    window.check_accessibility();
}

#[test]
fn corners_of_a_chart_are_moved_by_pointer_and_keys_and_a_wrong_chart_is_told() {
    let (mut window, _folder) = open_window();
    click_label(&mut window, "section film");
    click_label(&mut window, "measure a stock…");
    let value = |window: &Window| {
        window.get_by_label("chart corner 1, dark skin").accesskit_node().value().unwrap_or_default()
    };
    let before = value(&window);
    let at = window.get_by_label("chart corner 1, dark skin").rect().center();
    drag(&mut window, at, vec2(-20.0, -10.0));
    let dragged = value(&window);
    assert_ne!(before, dragged);
    window.get_by_label("chart corner 1, dark skin").focus();
    window.run();
    window.key_press_modifiers(Modifiers::SHIFT, Key::ArrowRight);
    window.run();
    assert_ne!(value(&window), dragged);
    let steps = window.state().history().undo_steps();
    click_label(&mut window, "measure");
    let notice = window.state().status().notices.last().cloned().expect("a landscape is no chart");
    assert!(!notice.what_to_do.is_empty(), "{notice:?}");
    assert_eq!(window.state().history().undo_steps(), steps, "measuring changes nothing");
    click_label(&mut window, "back to the settings");
    assert!(window.query_by_label("section film").is_some());
}

fn chart_window(upside_down: bool, answers: Vec<PickOutcome>) -> (Window, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_pixels(folder.path(), &chart_pixels(upside_down));
    let mut app = app(Vec::new(), SharedPicker::new(answers));
    app.set_session(session(&scan, None));
    let mut window = sized_window(app, [1600.0, 1800.0]);
    click_label(&mut window, "section film");
    click_label(&mut window, "measure a stock…");
    (window, folder)
}

#[test]
fn a_stock_is_measured_from_a_chart_used_for_the_strip_and_written_to_a_file() {
    let target = tempfile::tempdir().expect("a temporary folder");
    let file = target.path().join("quay");
    let (mut window, _folder) = chart_window(false, vec![PickOutcome::Chosen(vec![file.clone()])]);
    click_label(&mut window, "measure");
    let report = window.state().ui_state().colour.chart.as_ref().and_then(|chart| chart.report.clone());
    let report = report.expect("the chart was measured");
    assert_eq!(report.patches.len(), 24);
    assert!(report.mean.1 < 2.0 && report.mean.1 < report.mean.0, "{:?}", report.mean);
    let steps = window.state().history().undo_steps();
    assert!(window.state().session().stocks.is_empty(), "measuring changes nothing");
    click_label(&mut window, "use for this strip");
    let session = window.state().session();
    assert_eq!(session.strips[0].stock_id, report.stock.id);
    assert!(session.strips[0].solve.is_some() && session.stocks.len() == 1);
    assert_eq!(window.state().history().undo_steps(), steps + 1);
    click_label(&mut window, "save as file…");
    let text = std::fs::read_to_string(file.with_extension("json")).expect("the file was written");
    assert_eq!(Stock::from_json(&text).expect("a stock file"), report.stock);
    // Closing and reopening keeps the corners and the result.
    click_label(&mut window, "back to the settings");
    click_label(&mut window, "measure a stock…");
    assert!(window.query_by_label("use for this strip").is_some());
}

#[test]
fn a_chart_that_lies_upside_down_is_told_with_what_to_press() {
    let (mut window, _folder) = chart_window(true, Vec::new());
    click_label(&mut window, "measure");
    let notice = window.state().status().notices.last().cloned().expect("something is told");
    assert!(notice.headline.contains("wrong way round"), "{notice:?}");
    assert!(notice.what_to_do.contains("twice"), "{notice:?}");
    click_label(&mut window, "turn");
    click_label(&mut window, "turn");
    click_label(&mut window, "measure");
    let chart = window.state().ui_state().colour.chart.clone().expect("the pane is open");
    assert!(chart.report.is_some_and(|report| report.mean.1 < 2.0));
}

#[test]
fn a_wedge_takes_its_number_of_steps_and_says_when_it_cannot_be_read() {
    let (mut window, _folder) = chart_window(false, Vec::new());
    click_label(&mut window, "it shows neutral wedge");
    window.get_by_role_and_label(Role::SpinButton, "number of steps").set_value_accesskit(6.0);
    window.run();
    let chart = window.state().ui_state().colour.chart.clone().expect("the pane is open");
    assert_eq!(chart.densities_text.split_whitespace().count(), 6);
    assert!(window.query_by_label("chart corner 2, last step").is_some());
}

#[test]
fn a_stock_file_is_loaded_into_the_session_and_a_bad_one_is_told() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let stock = Stock {
        id: "quay-own".to_owned(),
        name: "quay own".to_owned(),
        ..glassine_film::default_stock(glassine_film::FilmKind::ColourNegative).clone()
    };
    let good = folder.path().join("own.stock.json");
    let bad = folder.path().join("bad.stock.json");
    std::fs::write(&good, stock.to_json()).expect("the folder is writable");
    std::fs::write(&bad, "{}").expect("the folder is writable");
    let picker = SharedPicker::new(vec![PickOutcome::Chosen(vec![bad]), PickOutcome::Chosen(vec![good])]);
    let mut app = app(Vec::new(), picker);
    app.set_session(session(&scan, None));
    let mut window = crate::common::window(app);
    click_label(&mut window, "section film");
    window.get_by_role_and_label(Role::ComboBox, "stock").click();
    window.run();
    click_label(&mut window, "load stock file…");
    assert!(window.state().session().stocks.is_empty());
    assert!(window.state().status().notices.last().is_some_and(|notice| !notice.what_to_do.is_empty()));
    window.get_by_role_and_label(Role::ComboBox, "stock").click();
    window.run();
    click_label(&mut window, "load stock file…");
    assert_eq!(window.state().session().stocks.len(), 1);
    assert_eq!(window.state().session().stocks[0].name, "quay own");
    undo(&mut window);
    assert!(window.state().session().stocks.is_empty());
}
