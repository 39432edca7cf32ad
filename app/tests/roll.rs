//! A roll of several strips: the contact print, marks, reach of commands, and looking closely.

use crate::common::hands::{Window, click_label, drag, look, show_only, undo};
use crate::common::{
    SCAN, SharedPicker, app, frame_id, open_window, session, window, write_pixels, write_scan,
};
use egui::accesskit::Role;
use egui::{Key, Modifiers, Pos2, vec2};
use egui_kittest::kittest::Queryable as _;
use glassine_app::commands::{EditCommand, ExportCommand, SelectCommand, SelectHow, ViewCommand};
use glassine_app::model::look_text;
use glassine_film::{FilmKind, Param, ParamGroup, default_stock};
use glassine_raster::TiltedBox;
use glassine_session::{
    Edit, FoundStripEdit, FrameMark, NewFrame, OutputKind, OutputSettings, ScanRef, Session,
};

/// The small strip twice, on two scans: frames 1 to 3 and 4 to 6.
fn roll(folder: &std::path::Path) -> Session {
    let scan = write_scan(folder);
    let session = session(&scan, Some(folder.join("finished")));
    let second = folder.join("second");
    std::fs::create_dir_all(&second).expect("a folder");
    let path = write_pixels(&second, &crate::common::scan_pixels());
    let first = (*session.scans[0]).clone();
    let session = Edit::AddScans(vec![ScanRef { path, ..first }]).apply(&session).expect("adds");
    let frames = session.frames.iter().map(|frame| NewFrame {
        image_area: frame.image_area,
        guard_margin_px: frame.guard_margin_px,
        ..NewFrame::in_box(frame.crop)
    });
    let film = FilmKind::ColourNegative;
    let strips = vec![FoundStripEdit {
        film_area: Some(TiltedBox::from_edges(0.0, 0.0, f64::from(SCAN.0), f64::from(SCAN.1))),
        format_id: Some("135".to_owned()),
        frames: frames.collect(),
        ..FoundStripEdit::default()
    }];
    let stock_id = default_stock(film).id.clone();
    let found = Edit::ReplaceStrips { scan: session.scans[1].id, film, stock_id, strips, keep: vec![] };
    found.apply(&session).expect("replaces")
}

fn open_roll() -> (Window, tempfile::TempDir) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(roll(folder.path()));
    (window(app), folder)
}

fn primary(window: &Window) -> u32 {
    let app = window.state();
    let id = app.ui_state().primary.expect("a frame is selected");
    app.session().frame(id).expect("it is there").number
}

#[test]
fn the_contact_print_shows_every_strip_with_its_prints_and_a_double_click_opens_one() {
    let (mut window, _folder) = open_roll();
    window.key_press(Key::A);
    window.run();
    assert!(window.state().ui_state().strip.contact);
    let rects: Vec<_> = (1..=6).map(|n| window.get_by_label(&format!("print {n}")).rect()).collect();
    let boxes: Vec<_> = (1..=6).map(|n| window.get_by_label(&format!("frame {n} box")).rect()).collect();
    for (print, on_film) in rects.iter().zip(&boxes) {
        assert!((print.center().x - on_film.center().x).abs() < 1.0, "{print} under {on_film}");
        assert!(print.top() > on_film.bottom());
    }
    assert!(window.query_by_label("frame 1 large").is_none());
    for _ in 0..2 {
        window.get_by_label("print 5").click();
        window.step();
    }
    window.run();
    assert!(!window.state().ui_state().strip.contact);
    assert_eq!(primary(&window), 5);
    assert!(window.query_by_label("frame 5 large").is_some());
}

#[test]
fn boxes_cannot_be_pulled_by_accident_in_the_contact_print() {
    let (mut window, _folder) = open_roll();
    window.state_mut().push(ViewCommand::ShowContact(true));
    window.run();
    let before = window.state().session().clone();
    let at = window.get_by_label("frame 2 box").rect().center();
    drag(&mut window, at, vec2(30.0, 4.0));
    assert_eq!(window.state().session(), &before);
}

#[test]
fn marks_are_set_and_cleared_by_key_and_left_out_frames_are_not_exported() {
    let (mut window, _folder) = open_roll();
    for (key, mark) in
        [(Key::Num1, FrameMark::Keep), (Key::Num2, FrameMark::LookAgain), (Key::Num3, FrameMark::LeaveOut)]
    {
        window.key_press(key);
        window.run();
        assert_eq!(window.state().session().frames[0].mark, mark);
    }
    let scope = window.state().ui_state().export_scope(window.state().session());
    let first = &window.state().session().frames[0];
    assert!(!glassine_app::model::ui_state::is_in(&scope, first));
    window.key_press(Key::Num3);
    window.run();
    assert_eq!(window.state().session().frames[0].mark, FrameMark::Unmarked);
    undo(&mut window);
    assert_eq!(window.state().session().frames[0].mark, FrameMark::LeaveOut);
}

#[test]
fn frames_of_the_same_mark_follow_each_other_round_the_ends() {
    let (mut window, _folder) = open_roll();
    for number in [2, 5] {
        let id = frame_id(&window, number);
        let edit = Edit::SetMark { frames: vec![id], mark: FrameMark::LookAgain };
        window.state_mut().push(EditCommand::Apply(edit));
    }
    let id = frame_id(&window, 2);
    window.state_mut().push(SelectCommand::Frame(id, SelectHow::Only));
    window.run();
    let mut seen = Vec::new();
    for _ in 0..3 {
        window.key_press(Key::F9);
        window.run();
        seen.push(primary(&window));
    }
    assert_eq!(seen, [5, 2, 5]);
    // No frame of this roll is in doubt.
    window.key_press(Key::F8);
    window.run();
    let notice = window.state().status().notices.last().expect("a message").headline.clone();
    assert_eq!((primary(&window), notice.as_str()), (5, "no frame is in doubt"));
    window.key_press(Key::F9);
    window.run();
    assert!(window.state().status().notices.is_empty(), "it is about what was selected");
}

#[test]
fn values_change_by_key_for_every_selected_frame_from_where_each_is() {
    let (mut window, _folder) = open_roll();
    window.state_mut().push(EditCommand::SetParam(Param::ExposureStops, 1.0));
    window.state_mut().push(SelectCommand::Strip);
    window.run();
    window.key_press(Key::E);
    window.run();
    window.key_press_modifiers(Modifiers::SHIFT, Key::Y);
    window.run();
    let stops = [1, 2, 4].map(|number| look(&window, number, Param::ExposureStops));
    assert!((stops[0] - 1.1).abs() < 1e-9 && (stops[1] - 0.1).abs() < 1e-9 && stops[2] == 0.0, "{stops:?}");
    assert!(look(&window, 1, Param::WarmthCc) < 0.0);
    undo(&mut window);
    undo(&mut window);
    assert_eq!(look(&window, 2, Param::ExposureStops), 0.0);
}

#[test]
fn copy_and_paste_go_through_the_systems_clipboard() {
    let (mut window, _folder) = open_roll();
    window.state_mut().push(EditCommand::SetParam(Param::ExposureStops, 0.7));
    window.run();
    window.event(egui::Event::Copy);
    window.step();
    let copied = window.output().platform_output.commands.iter().find_map(|command| match command {
        egui::OutputCommand::CopyText(text) => Some(text.clone()),
        _ => None,
    });
    let text = copied.expect("the settings are copied");
    assert!(look_text::from_text(&text).is_some());
    window.run();
    let id = frame_id(&window, 4);
    window.state_mut().push(SelectCommand::Frame(id, SelectHow::Only));
    window.run();
    window.event(egui::Event::Paste("a shopping list".to_owned()));
    window.run();
    assert_eq!(look(&window, 4, Param::ExposureStops), 0.0);
    window.event(egui::Event::Paste(text));
    window.run();
    assert_eq!(look(&window, 4, Param::ExposureStops), 0.7);
}

#[test]
fn a_section_is_switched_off_without_losing_its_values() {
    let (mut window, _folder) = open_roll();
    window.state_mut().push(EditCommand::SetParam(Param::ExposureStops, 0.7));
    window.run();
    show_only(&mut window, "exposure");
    click_label(&mut window, "exposure on");
    let frame = window.state().session().frames[0].clone();
    assert!(frame.look.is_off(ParamGroup::Exposure));
    assert_eq!((frame.look.get(Param::ExposureStops), frame.look.kept(Param::ExposureStops)), (0.0, 0.7));
    click_label(&mut window, "exposure off");
    assert_eq!(look(&window, 1, Param::ExposureStops), 0.7);
}

#[test]
fn settings_are_given_to_the_strip_or_to_the_roll() {
    let (mut window, _folder) = open_roll();
    window.state_mut().push(EditCommand::SetParam(Param::ExposureStops, 0.7));
    window.run();
    for (entry, reached) in [("the strip: all settings", [0.7, 0.0]), ("the roll: all settings", [0.7, 0.7])]
    {
        click_label(&mut window, "give to…");
        click_label(&mut window, entry);
        assert_eq!([3, 6].map(|number| look(&window, number, Param::ExposureStops)), reached, "{entry}");
    }
    undo(&mut window);
    assert_eq!([3, 6].map(|number| look(&window, number, Param::ExposureStops)), [0.7, 0.0]);
}

fn wheel(window: &mut Window, at: Pos2, points: f32) {
    window.hover_at(at);
    window.run();
    window.event(egui::Event::MouseWheel {
        source: egui::MouseWheelSource::Wheel,
        unit: egui::MouseWheelUnit::Point,
        delta: vec2(0.0, points),
        phase: egui::TouchPhase::Move,
        modifiers: Modifiers::NONE,
    });
    window.run();
}

#[test]
fn the_picture_is_enlarged_to_the_pointer_up_to_eight_times_and_back_to_the_whole() {
    let (mut window, _folder) = open_window();
    let room = window.get_by_role_and_label(Role::Image, "frame 1 large").rect();
    let at = room.center() + vec2(60.0, 30.0);
    let frame = |window: &Window| window.state().ui_state().frame;
    let fitted = frame(&window).fitted_scale;
    for _ in 0..40 {
        wheel(&mut window, at, 120.0);
    }
    assert!(frame(&window).loupe && (frame(&window).scale - 8.0).abs() < 1e-9, "{:?}", frame(&window));
    assert!(frame(&window).center.0 > 0.5 && frame(&window).center.1 > 0.5);
    for _ in 0..80 {
        wheel(&mut window, at, -120.0);
    }
    assert!(!frame(&window).loupe, "{:?} from {fitted}", frame(&window));
}

#[test]
fn before_and_after_stand_beside_a_line_that_is_pulled() {
    let (mut window, _folder) = open_window();
    window.state_mut().push(EditCommand::SetParam(Param::ExposureStops, 2.0));
    window.run();
    window.key_press_modifiers(Modifiers::SHIFT, Key::B);
    window.run();
    let line = window.get_by_label("line between before and after").rect().center();
    drag(&mut window, line, vec2(-100.0, 0.0));
    let split = window.state().ui_state().frame.split.expect("it is shown");
    assert!(split > 0.1 && split < 0.45, "{split}");
    let key = glassine_engine::ViewKey::Compare(frame_id(&window, 1));
    assert!(window.state().previews().picture(key).is_some());
    window.key_press(Key::Escape);
    window.run();
    assert_eq!(window.state().ui_state().frame.split, None);
}

#[test]
fn a_strip_that_is_mirrored_shows_its_frames_the_other_way_round() {
    let (mut window, _folder) = open_window();
    let left =
        |window: &Window, number: u32| window.get_by_label(&format!("frame {number} box")).rect().center().x;
    let first = frame_id(&window, 1);
    window.state_mut().push(EditCommand::MirrorStrip);
    window.run();
    assert_eq!(frame_id(&window, 3), first);
    assert!(left(&window, 1) < left(&window, 2) && left(&window, 2) < left(&window, 3));
    undo(&mut window);
    assert_eq!(frame_id(&window, 1), first);
}

#[test]
fn output_settings_are_undone_and_something_stays_selected() {
    let (mut window, _folder) = open_window();
    window.state_mut().push(EditCommand::SetParam(Param::ExposureStops, 1.0));
    let before = window.state().session().output.clone();
    let steps = window.state().history().undo_steps();
    let set = |window: &mut Window, change: &dyn Fn(&mut OutputSettings)| {
        let mut output = window.state().session().output.clone();
        change(&mut output);
        window.state_mut().push(ExportCommand::SetOutput(output));
        window.run();
    };
    for name in ["p", "pi", "pier"] {
        set(&mut window, &|output| output.base_name = name.to_owned());
    }
    set(&mut window, &|output| output.rendering = "print".to_owned());
    set(&mut window, &|output| output.kind = OutputKind::Web);
    assert_eq!(window.state().history().undo_steps(), steps + 4, "letters typed in a row are one step");
    undo(&mut window);
    undo(&mut window);
    let output = window.state().session().output.clone();
    assert_eq!((output.base_name.as_str(), &output.rendering), ("pier", &before.rendering));
    assert_eq!(look(&window, 1, Param::ExposureStops), 1.0);
    undo(&mut window);
    assert_eq!(window.state().session().output, before);
    undo(&mut window);
    assert_eq!(look(&window, 1, Param::ExposureStops), 0.0);
    window.key_press(Key::N);
    window.run();
    undo(&mut window);
    assert!(window.state().ui_state().primary.is_some());
}

#[test]
fn a_base_box_in_a_picture_is_questioned_before_it_is_taken() {
    let (mut window, _folder) = open_window();
    let before = window.state().session().clone();
    window.key_press(Key::M);
    window.run();
    let picture = window.get_by_label("frame 2 box").rect();
    drag(&mut window, picture.center() - vec2(20.0, 15.0), vec2(40.0, 30.0));
    assert!(window.query_by_label("measure it all the same").is_some());
    assert_eq!(window.state().session(), &before);
    click_label(&mut window, "draw another box");
    assert_eq!(window.state().session(), &before);
}

#[test]
fn a_box_that_its_guard_holds_back_says_so() {
    let (mut window, _folder) = open_window();
    let rect = window.get_by_label("frame 1 box").rect().shrink(10.0);
    drag(&mut window, rect.right_bottom(), vec2(200.0, 200.0));
    let text = "box 1 is held inside its image area; let it go with “hold in image” above the strip";
    assert!(window.query_by_label(text).is_some());
}
