//! Commands against a session held in memory: boxes stay behind the guard, gestures become single steps, nothing is
//! lost. The tests need no window and no pixels.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::{Context, Pos2, RawInput, Rect, vec2};
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{
    BoxCommand, Command, EditCommand, FileCommand, GesturePhase, SelectCommand, SelectHow,
};
use glassine_app::model::aspect_lock::AspectLock;
use glassine_app::model::questions::{Answer, PendingAction, Question};
use glassine_app::services::file_dialogs::{PickOutcome, PreparedPicker};
use glassine_engine::session_files::Run;
use glassine_engine::{Engine, JobHost};
use glassine_film::{FilmKind, Param};
use glassine_layout::SafeArea;
use glassine_raster::{Orientation, TiltedBox};
use glassine_session::{Edit, FoundStripEdit, Frame, FrameId, NewFrame, ScanRef, Session};

/// A scan across (`down` false) or along the scanner, with a strip of frames every 400 pixels.
fn session(places: &[f64], down: bool) -> Session {
    let scan = ScanRef {
        id: glassine_session::ScanId(0),
        path: "strip.tif".into(),
        infrared_path: None,
        width_px: if down { 300 } else { 2400 },
        height_px: if down { 2400 } else { 300 },
        ppi: Some(254.0),
        planes: ["red", "green", "blue"].map(String::from).to_vec(),
        fingerprint: None,
        encoding: Default::default(),
        fourth_sample: Default::default(),
        ..ScanRef::default()
    };
    let session = Edit::AddScans(vec![scan]).apply(&Session::default()).expect("adds");
    let angle_rad = if down { std::f64::consts::FRAC_PI_2 } else { 0.0 };
    let area = |at: f64| {
        let (x, y) = if down { (150.0, at + 180.0) } else { (at + 180.0, 150.0) };
        TiltedBox { center: glassine_raster::Point::new(x, y), width_px: 360.0, height_px: 240.0, angle_rad }
    };
    let frame = |at: f64| NewFrame {
        crop: area(at).inset(2.0),
        image_area: Some(area(at)),
        guard_margin_px: 2.0,
        orientation: Orientation::default(),
        film_number: None,
        confidence: 0.9,
        reason: "all four edges measured".to_owned(),
        flags: vec![],
    };
    let (cx, cy) = if down { (150.0, 1200.0) } else { (1200.0, 150.0) };
    let film = TiltedBox {
        center: glassine_raster::Point::new(cx, cy),
        width_px: 2380.0,
        height_px: 280.0,
        angle_rad,
    };
    Edit::ReplaceStrips {
        scan: session.scans[0].id,
        film: FilmKind::ColourNegative,
        stock_id: "masked".to_owned(),
        strips: vec![FoundStripEdit {
            film_area: Some(film),
            format_id: Some("135".to_owned()),
            perforations: vec![],
            edge_code: None,
            notes: vec![],
            frames: places.iter().map(|at| frame(*at)).collect(),
        }],
        keep: vec![],
    }
    .apply(&session)
    .expect("replaces")
}

struct TestWindow {
    app: GlassineApp,
    ctx: Context,
    time: f64,
}

impl TestWindow {
    fn new(session: Session) -> Self {
        let jobs = JobHost::inline(Arc::new(Engine::new()));
        let options = AppOptions { inline_jobs: true, ..AppOptions::default() };
        let mut app = GlassineApp::new(jobs, Box::new(PreparedPicker::default()), options);
        app.set_session(session);
        let mut window = Self { app, ctx: Context::default(), time: 0.0 };
        window.frame(0.0);
        window
    }

    fn frame(&mut self, seconds: f64) {
        self.time += seconds;
        let input = RawInput {
            screen_rect: Some(Rect::from_min_size(Pos2::ZERO, vec2(1600.0, 1000.0))),
            time: Some(self.time),
            ..RawInput::default()
        };
        let mut output = self.ctx.run_ui(input, |ui| {
            let ctx = ui.ctx().clone();
            self.app.logic(&ctx);
        });
        output.textures_delta.clear();
    }

    fn ask(&mut self, commands: impl IntoIterator<Item = Command>) {
        for command in commands {
            self.app.push(command);
        }
        self.frame(0.02);
    }

    fn ids(&self) -> Vec<FrameId> {
        self.app.session().frames.iter().map(|frame| frame.id).collect()
    }

    fn first(&self) -> Frame {
        (*self.app.session().frames[0]).clone()
    }

    fn steps(&self) -> usize {
        self.app.history().undo_steps()
    }
}

fn is_held(frame: &Frame) -> bool {
    frame.image_area.is_some_and(|area| SafeArea::new(&area, frame.guard_margin_px).contains(&frame.crop))
}

#[test]
fn no_way_of_moving_a_box_gets_it_onto_the_rebate() {
    let mut window = TestWindow::new(session(&[100.0, 500.0], false));
    let id = window.ids()[0];
    let wild = TiltedBox { width_px: 900.0, ..TiltedBox::from_edges(-50.0, 0.0, 700.0, 290.0) };
    let asked = [
        Command::Box(BoxCommand::Nudge { dx_px: -500.0, dy_px: 3.0 }),
        Command::Box(BoxCommand::Grow { dw_px: 250.0, dh_px: 90.0 }),
        Command::Box(BoxCommand::Turn { degrees: 7.0 }),
        Command::Box(BoxCommand::Place(id, wild)),
        Command::Edit(EditCommand::Apply(Edit::SetCrops(vec![(id, wild)]))),
        Command::Box(BoxCommand::SetAspect(AspectLock::Print(1, 1))),
        Command::Box(BoxCommand::Grow { dw_px: 250.0, dh_px: 0.0 }),
        Command::Box(BoxCommand::ResizeAlike),
        Command::Box(BoxCommand::Distribute),
    ];
    for command in asked {
        let text = format!("{command:?}");
        window.ask([command]);
        for frame in &window.app.session().frames {
            assert!(is_held(frame), "{text} left {:?}", frame.crop);
        }
    }
}

#[test]
fn a_released_box_may_leave_the_image_and_comes_back_when_held_again() {
    let mut window = TestWindow::new(session(&[100.0, 500.0], false));
    window.ask([
        Command::Box(BoxCommand::SetHeld(false)),
        Command::Box(BoxCommand::Nudge { dx_px: 30.0, dy_px: 0.0 }),
    ]);
    let free = window.first();
    assert!(!free.held && free.reaches_rebate());
    window.frame(2.0);
    let steps = window.steps();
    window.ask([Command::Box(BoxCommand::SetHeld(true))]);
    assert!(window.first().held && is_held(&window.first()));
    assert_eq!(window.steps(), steps + 1);
    window.ask([Command::Edit(EditCommand::Undo)]);
    assert_eq!(window.first().crop, free.crop);
}

#[test]
fn a_released_box_still_stays_on_the_scan() {
    let mut window = TestWindow::new(session(&[100.0], false));
    window.ask([
        Command::Box(BoxCommand::SetHeld(false)),
        Command::Box(BoxCommand::Nudge { dx_px: -9e9, dy_px: f64::MAX }),
    ]);
    for corner in window.first().crop.corners() {
        assert!((-1e-6..=2400.0 + 1e-6).contains(&corner.x) && (-1e-6..=300.0 + 1e-6).contains(&corner.y));
    }
}

#[test]
fn key_presses_in_a_row_are_one_step_and_a_pause_begins_another() {
    let mut window = TestWindow::new(session(&[100.0], false));
    window.ask([Command::Box(BoxCommand::SetHeld(false))]);
    let before = window.first().crop;
    let steps = window.steps();
    for _ in 0..5 {
        window.ask([Command::Box(BoxCommand::Nudge { dx_px: 1.0, dy_px: 0.0 })]);
    }
    window.frame(1.0);
    window.ask([Command::Box(BoxCommand::Nudge { dx_px: 1.0, dy_px: 0.0 })]);
    window.frame(1.0);
    assert_eq!(window.steps(), steps + 2);
    assert!((window.first().crop.center.x - before.center.x - 6.0).abs() < 1e-9);
    window.ask([Command::Edit(EditCommand::Undo), Command::Edit(EditCommand::Undo)]);
    assert_eq!(window.first().crop, before);
}

#[test]
fn keys_that_move_size_or_turn_boxes_make_steps_of_their_own_name() {
    let mut window = TestWindow::new(session(&[100.0, 500.0], false));
    let steps = window.steps();
    let label = |window: &TestWindow| window.app.status().undo_label.clone().unwrap_or_default();
    // Without a pause between them, as a hand goes from key to key.
    window.ask([Command::Box(BoxCommand::Turn { degrees: 0.1 })]);
    window.ask([Command::Box(BoxCommand::Turn { degrees: 0.1 })]);
    window.ask([Command::Box(BoxCommand::Grow { dw_px: -3.0, dh_px: 0.0 })]);
    assert_eq!(window.steps(), steps + 1);
    window.ask([Command::Box(BoxCommand::Nudge { dx_px: -1.0, dy_px: 0.0 })]);
    window.frame(1.0);
    assert_eq!(window.steps(), steps + 3);
    for expected in ["nudge box", "size box", "turn box"] {
        assert_eq!(label(&window), expected);
        window.ask([Command::Edit(EditCommand::Undo)]);
    }
    window.ask([Command::Select(SelectCommand::All), Command::Box(BoxCommand::Turn { degrees: 0.1 })]);
    window.frame(1.0);
    assert_eq!(label(&window), "turn boxes");
}

#[test]
fn arrows_move_the_way_the_strip_is_shown_when_film_runs_down_the_scan() {
    let mut window = TestWindow::new(session(&[100.0, 500.0], true));
    window.ask([Command::Box(BoxCommand::SetHeld(false))]);
    let before = window.first().crop.center;
    window.ask([Command::Box(BoxCommand::Nudge { dx_px: 5.0, dy_px: 0.0 })]);
    let after = window.first().crop.center;
    assert!((after.y - before.y - 5.0).abs() < 1e-9 && (after.x - before.x).abs() < 1e-9);
}

#[test]
fn growing_moves_the_edge_that_is_shown_on_the_right() {
    for down in [false, true] {
        let mut window = TestWindow::new(session(&[100.0, 500.0], down));
        window.ask([Command::Box(BoxCommand::SetHeld(false))]);
        let along = |b: &TiltedBox| {
            let places = b.corners().map(|c| if down { c.y } else { c.x });
            (places.into_iter().fold(f64::MAX, f64::min), places.into_iter().fold(f64::MIN, f64::max))
        };
        let before = along(&window.first().crop);
        window.ask([Command::Box(BoxCommand::Grow { dw_px: 7.0, dh_px: 0.0 })]);
        let after = along(&window.first().crop);
        assert!((after.0 - before.0).abs() < 1e-9 && (after.1 - before.1 - 7.0).abs() < 1e-9, "{down}");
    }
}

#[test]
fn a_drag_is_one_step_and_depends_only_on_where_it_ends() {
    let mut window = TestWindow::new(session(&[100.0, 500.0], false));
    let id = window.ids()[0];
    let start = window.first().crop;
    let wish = |right: f64| TiltedBox {
        center: glassine_raster::Point::new(start.center.x + right / 2.0, start.center.y),
        width_px: start.width_px + right,
        ..start
    };
    window.ask([Command::Edit(EditCommand::Gesture(GesturePhase::Begin("size box".to_owned())))]);
    for right in [-20.0, 90.0, -60.0, -15.0] {
        window.ask([Command::Edit(EditCommand::Apply(Edit::SetCrops(vec![(id, wish(right))])))]);
    }
    window.ask([Command::Edit(EditCommand::Gesture(GesturePhase::Commit))]);
    assert!((window.first().crop.width_px - (start.width_px - 15.0)).abs() < 1e-9);
    assert_eq!(window.steps(), 1);
    window.ask([Command::Edit(EditCommand::Undo)]);
    assert_eq!(window.first().crop, start);
}

#[test]
fn escape_in_a_drag_leaves_everything_as_it_was() {
    let mut window = TestWindow::new(session(&[100.0], false));
    let before = window.app.session().clone();
    let id = window.ids()[0];
    let moved = TiltedBox { width_px: 100.0, ..window.first().crop };
    window.ask([
        Command::Edit(EditCommand::Gesture(GesturePhase::Begin("size box".to_owned()))),
        Command::Edit(EditCommand::Apply(Edit::SetCrops(vec![(id, moved)]))),
    ]);
    assert_ne!(window.app.session(), &before);
    window.ask([Command::Edit(EditCommand::Gesture(GesturePhase::Cancel))]);
    assert_eq!(window.app.session(), &before);
    assert_eq!(window.steps(), 0);
}

#[test]
fn a_copy_lands_one_pitch_on_and_an_added_frame_fills_the_first_gap() {
    let mut window = TestWindow::new(session(&[100.0, 500.0, 1300.0], false));
    window.ask([Command::Box(BoxCommand::Add)]);
    let centres: Vec<f64> = window.app.session().frames.iter().map(|f| f.crop.center.x).collect();
    assert!((centres[2] - 1080.0).abs() < 1.0, "{centres:?}");
    let numbers: Vec<u32> = window.app.session().frames.iter().map(|f| f.number).collect();
    assert_eq!(numbers, [1, 2, 3, 4]);
    let last = window.ids()[3];
    window.ask([
        Command::Select(SelectCommand::Frame(last, SelectHow::Only)),
        Command::Box(BoxCommand::Duplicate),
    ]);
    let copy = window.app.session().frames[4].clone();
    assert!((copy.crop.center.x - 1880.0).abs() < 1.0 && is_held(&copy));
    assert!(window.app.ui_state().is_selected(copy.id));
}

#[test]
fn deleting_selects_the_neighbour_and_undo_brings_the_frame_back() {
    let mut window = TestWindow::new(session(&[100.0, 500.0, 900.0], false));
    let ids = window.ids();
    window.ask([
        Command::Select(SelectCommand::Frame(ids[1], SelectHow::Only)),
        Command::Box(BoxCommand::Delete),
    ]);
    assert_eq!(window.ids(), [ids[0], ids[2]]);
    assert_eq!(window.app.ui_state().primary, Some(ids[2]));
    window.ask([Command::Edit(EditCommand::Undo)]);
    assert_eq!(window.ids(), ids);
}

#[test]
fn a_value_goes_to_every_selected_frame_in_one_step() {
    let mut window = TestWindow::new(session(&[100.0, 500.0, 900.0], false));
    window.ask([
        Command::Select(SelectCommand::All),
        Command::Edit(EditCommand::SetParam(Param::ExposureStops, 1.5)),
    ]);
    let look = |window: &TestWindow| -> Vec<f64> {
        window.app.session().frames.iter().map(|frame| frame.look.get(Param::ExposureStops)).collect()
    };
    assert_eq!(look(&window), [1.5, 1.5, 1.5]);
    window.ask([Command::Edit(EditCommand::Undo)]);
    assert_eq!(look(&window), [0.0, 0.0, 0.0]);
}

#[test]
fn four_quarter_turns_and_two_flips_are_no_change() {
    let mut window = TestWindow::new(session(&[100.0], false));
    let before = window.first().orientation;
    window.ask((0..4).map(|_| Command::Edit(EditCommand::QuarterTurn(1))));
    assert_eq!(window.first().orientation, before);
    window.ask([
        Command::Edit(EditCommand::FlipVertically),
        Command::Edit(EditCommand::FlipVertically),
        Command::Edit(EditCommand::MirrorStrip),
        Command::Edit(EditCommand::MirrorStrip),
    ]);
    assert_eq!(window.first().orientation, before);
    window.ask([Command::Edit(EditCommand::QuarterTurn(-1))]);
    assert_eq!(window.first().orientation.quarter_turns(), 3);
}

/// Corners of a picture as it is shown, from the upper left clockwise, in pixels of the scan.
fn shown_corners(frame: &Frame) -> [(f64, f64); 4] {
    [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)].map(|(u, v)| {
        let (u, v) = frame.orientation.box_from_upright(u, v);
        let at = frame.crop.scan_from_unit(u, v);
        (at.x.round(), at.y.round())
    })
}

#[test]
fn a_strip_scanned_from_its_other_side_is_flipped_left_to_right_however_its_pictures_are_turned() {
    let mut window = TestWindow::new(session(&[100.0, 500.0], false));
    window.ask([Command::Edit(EditCommand::QuarterTurn(1))]);
    let before: Vec<_> = window.app.session().frames.iter().map(|frame| shown_corners(frame)).collect();
    // A picture that lies in the scan starts at its upper left corner, one turned by a quarter at its lower left.
    assert_eq!((before[0][0], before[1][0]), ((102.0, 268.0), (502.0, 32.0)));
    window.ask([Command::Edit(EditCommand::MirrorStrip)]);
    // Seen from its other side, the strip also begins at its other end.
    for (frame, [a, b, c, d]) in window.app.session().frames.iter().rev().zip(before) {
        assert_eq!(shown_corners(frame), [b, a, d, c], "frame {}", frame.number);
    }
}

#[test]
fn straightening_turns_the_box_by_the_angle_of_the_line() {
    let mut window = TestWindow::new(session(&[100.0], false));
    window.ask([Command::Box(BoxCommand::SetHeld(false))]);
    let from = glassine_raster::Point::new(150.0, 150.0);
    let to = glassine_raster::Point::new(350.0, 154.0);
    window.ask([Command::Box(BoxCommand::Straighten { from, to })]);
    assert!((window.first().crop.angle_rad - 0.02_f64.atan()).abs() < 1e-9);
}

/// A run of the program that keeps autosaves of sessions without a file in this folder.
fn run_in(folder: &Path) -> TestWindow {
    let run = Arc::new(Run::begin(Some(folder)));
    let jobs = JobHost::inline(Arc::new(Engine::new().in_run(run)));
    let options = AppOptions { inline_jobs: true, ..AppOptions::default() };
    let app = GlassineApp::new(jobs, Box::new(PreparedPicker::default()), options);
    TestWindow { app, ctx: Context::default(), time: 0.0 }
}

/// Autosaves of sessions without a file.
fn autosaves(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("the folder is readable").flatten();
    let paths = entries.map(|entry| entry.path());
    paths.filter(|path| path.to_string_lossy().contains(".autosave")).collect()
}

#[test]
fn an_autosave_follows_a_change_after_a_moment_and_only_once() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut window = run_in(folder.path());
    window.app.set_session(session(&[100.0], false));
    window.ask([Command::Edit(EditCommand::QuarterTurn(1))]);
    assert!(autosaves(folder.path()).is_empty());
    for _ in 0..4 {
        window.frame(1.0);
    }
    let [autosave] = autosaves(folder.path()).try_into().expect("one autosave");
    let first = std::fs::metadata(&autosave).expect("autosaved").modified().expect("has a time");
    for _ in 0..4 {
        window.frame(1.0);
    }
    assert_eq!(std::fs::metadata(&autosave).expect("still there").modified().expect("has a time"), first);
    assert!(window.app.status().is_unsaved, "an autosave is no save");
}

#[test]
fn an_autosave_of_a_session_without_a_file_is_offered_at_the_next_start_and_can_be_taken() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let start = || run_in(folder.path());
    let mut stopped = start();
    stopped.app.set_session(session(&[100.0, 500.0], false));
    stopped.ask([Command::Edit(EditCommand::QuarterTurn(1))]);
    (0..4).for_each(|_| stopped.frame(1.0));
    drop(stopped);

    let mut next = start();
    next.frame(0.1);
    assert!(next.app.ui_state().files.shows_unsaved);
    let [work] = next.app.status().unsaved_work.clone().try_into().expect("one autosave");
    assert_eq!(work.session_path, None);
    next.ask([Command::File(FileCommand::Open(vec![work.autosave]))]);
    (0..4).for_each(|_| next.frame(0.1));
    assert_eq!(next.first().orientation.quarter_turns(), 1);
    assert!(next.app.status().is_unsaved && next.app.status().path.is_none());

    let target = folder.path().join("roll");
    next.ask([Command::File(FileCommand::SaveAs(target))]);
    (0..4).for_each(|_| next.frame(0.1));
    assert!(!next.app.status().is_unsaved);
    assert!(folder.path().join("roll.session.json").exists());
    drop(next);
    let mut last = start();
    last.frame(0.1);
    assert!(last.app.status().unsaved_work.is_empty(), "a saved session is not offered again");
}

#[test]
fn opening_another_session_asks_before_changes_are_lost() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut window = TestWindow::new(session(&[100.0], false));
    let other = folder.path().join("other.session.json");
    window.ask([Command::File(FileCommand::SaveAs(other.clone()))]);
    (0..4).for_each(|_| window.frame(0.1));
    window.ask([
        Command::Edit(EditCommand::QuarterTurn(1)),
        Command::File(FileCommand::Open(vec![other.clone()])),
    ]);
    assert!(matches!(window.app.ui_state().question, Some(Question::Unsaved(PendingAction::Open(_)))));
    window.ask([Command::File(FileCommand::Answer(Answer::Cancel))]);
    assert_eq!(window.first().orientation.quarter_turns(), 1);
    window
        .ask([Command::File(FileCommand::Open(vec![other])), Command::File(FileCommand::Answer(Answer::No))]);
    (0..4).for_each(|_| window.frame(0.1));
    assert_eq!(window.first().orientation.quarter_turns(), 0);
    assert!(!window.app.status().is_unsaved);
}

#[test]
fn a_session_that_cannot_be_read_is_told_and_the_open_one_stays() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let bad = folder.path().join("bad.session.json");
    std::fs::write(&bad, b"{ not json").expect("written");
    let mut window = TestWindow::new(session(&[100.0], false));
    let before = window.app.session().clone();
    window.ask([Command::File(FileCommand::Open(vec![bad])), Command::File(FileCommand::Answer(Answer::No))]);
    (0..4).for_each(|_| window.frame(0.1));
    let notice = window.app.status().open_notice().expect("told");
    assert!(!notice.what_to_do.is_empty());
    assert_eq!(window.app.session(), &before);
}

#[test]
fn leaving_with_a_save_goes_on_when_the_new_name_is_written() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let other = folder.path().join("other.session.json");
    let mut first = TestWindow::new(session(&[100.0], false));
    first.ask([Command::File(FileCommand::SaveAs(other.clone()))]);
    (0..4).for_each(|_| first.frame(0.1));

    let named = folder.path().join("named");
    let picker = PreparedPicker::new(vec![PickOutcome::Chosen(vec![named])]);
    let jobs = JobHost::inline(Arc::new(Engine::new()));
    let options = AppOptions { inline_jobs: true, ..AppOptions::default() };
    let app = GlassineApp::new(jobs, Box::new(picker), options);
    let mut window = TestWindow { app, ctx: Context::default(), time: 0.0 };
    window.app.set_session(session(&[100.0, 500.0], false));
    window.ask([
        Command::File(FileCommand::Open(vec![other.clone()])),
        Command::File(FileCommand::Answer(Answer::Yes)),
    ]);
    (0..6).for_each(|_| window.frame(0.1));
    assert!(folder.path().join("named.session.json").exists());
    assert_eq!(window.app.status().path.as_ref(), Some(&other));
    assert_eq!(window.ids().len(), 1);
}
