//! Scans that are missing, changed or read in another way, and scans that arrive while the user works.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::common::hands::{Window, click_label, rest, show_only, undo};
use crate::common::{
    BASE_D, SCAN, SharedPicker, app, code, scan_pixels, session, sized_window, window, write_grey,
    write_pixels, write_scan, write_session,
};
use egui::accesskit::Role;
use egui_kittest::kittest::{NodeT as _, Queryable as _};
use glassine_app::app::{AppOptions, GlassineApp};
use glassine_app::commands::{BoxCommand, Command, EditCommand, FileCommand, JobCommand, ScanCommand};
use glassine_app::model::questions::{Answer, Question};
use glassine_app::services::file_dialogs::PickOutcome;
use glassine_engine::{Engine, JobHost, ScanState};
use glassine_raster::{CancelToken, TiltedBox};
use glassine_session::{Edit, EncodingChoice, FourthSampleChoice, ScanRef, Session};
use glassine_testdata::tiff::{Form, Page, make_tiff};

/// The usual session in a file; it records the content of its scan.
fn place() -> (tempfile::TempDir, Session, PathBuf) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let mut session = session(&scan, None);
    let print = Engine::new().fingerprint(&scan, &CancelToken::new(), &|_| {}).expect("readable");
    session = Edit::UpdateScan(ScanRef { fingerprint: Some(print), ..ScanRef::clone(&session.scans[0]) })
        .apply(&session)
        .expect("fits");
    let path = write_session(folder.path(), &session);
    (folder, session, path)
}

/// Lets more than the time between two checks pass.
fn wait(window: &mut Window) {
    (0..4).for_each(|_| rest(window));
}

fn problem(window: &Window) -> Option<ScanState> {
    window.state().status().scan_problems.first().map(|check| check.state.clone())
}

#[test]
fn a_missing_scan_has_a_card_and_is_found_in_another_folder_by_its_content() {
    let (folder, _, path) = place();
    let away = folder.path().join("away");
    std::fs::create_dir(&away).expect("writable");
    let moved = away.join("another name.tif");
    std::fs::rename(folder.path().join("strip.tif"), &moved).expect("moved");
    let picker = SharedPicker::new(vec![PickOutcome::Chosen(vec![away])]);
    let mut window = window(app(vec![path], picker));
    assert!(matches!(problem(&window), Some(ScanState::Missing { .. })));
    assert!(window.query_by_label_contains("missing: file not found").is_some());
    let was = format!("it was in {}", folder.path().canonicalize().expect("there").display());
    assert!(window.query_by_label(&was).is_some());
    let about = |window: &Window| {
        let notices = &window.state().status().notices;
        notices
            .iter()
            .filter(|notice| notice.path.as_ref().is_some_and(|path| path.ends_with("strip.tif")))
            .count()
    };
    assert!(about(&window) > 0);
    click_label(&mut window, "find strip.tif");
    wait(&mut window);
    assert_eq!(problem(&window), None);
    assert_eq!(about(&window), 0, "what is found is no longer told to be missing");
    assert_eq!(window.state().session().scans[0].path, moved.canonicalize().expect("there"));
    assert!(!window.state().previews().overview(window.state().session().scans[0].id).is_empty());
    undo(&mut window);
    assert!(window.state().session().scans[0].path.ends_with("strip.tif"), "one step takes it back");
}

#[test]
fn one_answer_finds_every_scan_of_a_folder() {
    let (folder, session, path) = place();
    let roll = folder.path().join("roll");
    let moved = folder.path().join("moved");
    std::fs::create_dir(&roll).expect("writable");
    // Three pictures that differ in one sample.
    let scans: Vec<ScanRef> = (0..3_u16)
        .map(|nth| {
            let mut samples = scan_pixels();
            samples[0] = nth;
            let path = write_pixels(&roll, &samples);
            let own = roll.join(format!("{nth}.tif"));
            std::fs::rename(path, &own).expect("renamed");
            let print = Engine::new().fingerprint(&own, &CancelToken::new(), &|_| {}).expect("readable");
            ScanRef { path: own, fingerprint: Some(print), ..ScanRef::clone(&session.scans[0]) }
        })
        .collect();
    let session = Edit::AddScans(scans).apply(&session).expect("fits");
    let path = write_session(path.parent().expect("a folder"), &session);
    std::fs::rename(&roll, &moved).expect("moved");
    let picker = SharedPicker::new(vec![PickOutcome::Chosen(vec![moved.clone()])]);
    let mut window = window(app(vec![path], picker.clone()));
    assert_eq!(window.state().status().scan_problems.len(), 3);
    let roll = roll.parent().and_then(|folder| folder.canonicalize().ok()).expect("there").join("roll");
    assert!(window.query_by_label(&format!("missing from {}", roll.display())).is_some());
    click_label(&mut window, "find 3 scans");
    wait(&mut window);
    assert_eq!(picker.0.lock().expect("one thread").asked[0].folder, Some(roll));
    assert_eq!(problem(&window), None);
    let moved = moved.canonicalize().expect("there");
    let found = window.state().session().scans.iter().filter(|scan| scan.path.starts_with(&moved)).count();
    assert_eq!(found, 3);
}

#[test]
fn a_scan_that_ends_early_is_told_by_how_much_of_it_is_there() {
    let (folder, _, path) = place();
    let scan = folder.path().join("strip.tif");
    let bytes = std::fs::read(&scan).expect("readable");
    std::fs::write(&scan, &bytes[..200_000]).expect("writable");
    let window = window(app(vec![path], SharedPicker::default()));
    // 640 x 176 pixels of six bytes are 675.84 kB; a header comes before them.
    let told = "can't be read: the file ends after 200.0 of 675.9 kB";
    assert!(window.query_by_label(told).is_some(), "{:?}", problem(&window));
}

#[test]
fn a_scan_that_comes_back_is_shown_again_by_itself() {
    let (folder, _, path) = place();
    let (here, away) = (folder.path().join("strip.tif"), folder.path().join("away.tif"));
    std::fs::rename(&here, &away).expect("moved");
    let mut window = window(app(vec![path], SharedPicker::default()));
    assert!(problem(&window).is_some());
    std::fs::rename(&away, &here).expect("moved back");
    wait(&mut window);
    wait(&mut window);
    assert_eq!(problem(&window), None);
    let scan = window.state().session().scans[0].id;
    assert!(!window.state().previews().overview(scan).is_empty());
}

/// Puts another picture of the usual size under the name of the scan, as another program would.
fn replace_scan(folder: &Path) {
    let other = tempfile::tempdir_in(folder).expect("a temporary folder");
    let path = write_pixels(other.path(), &vec![code(0.5); (SCAN.0 * SCAN.1 * 3) as usize]);
    std::fs::rename(path, folder.join("strip.tif")).expect("replaced");
}

#[test]
fn a_changed_scan_has_a_card_and_is_taken_as_it_is_when_the_person_says_so() {
    let (folder, session, path) = place();
    replace_scan(folder.path());
    let mut window = window(app(vec![path], SharedPicker::default()));
    assert!(matches!(problem(&window), Some(ScanState::Changed { .. })), "{:?}", problem(&window));
    click_label(&mut window, "look again for strip.tif");
    assert!(matches!(problem(&window), Some(ScanState::Changed { .. })));
    click_label(&mut window, "take as it is strip.tif");
    wait(&mut window);
    assert_eq!(problem(&window), None);
    let print = window.state().session().scans[0].fingerprint.clone().expect("known");
    assert_ne!(print.sampled_blake3, session.scans[0].fingerprint.clone().expect("known").sampled_blake3);
    undo(&mut window);
    wait(&mut window);
    assert!(problem(&window).is_some(), "the old fingerprint is that of another file");
}

#[test]
fn another_encoding_does_not_take_a_changed_scan_for_the_one_that_was_measured() {
    let (folder, _, path) = place();
    replace_scan(folder.path());
    let mut window = window(app(vec![path], SharedPicker::default()));
    let scan =
        ScanRef { encoding: EncodingChoice::Srgb, ..ScanRef::clone(&window.state().session().scans[0]) };
    let read =
        Command::Scan(ScanCommand::Read { label: "change the encoding".to_owned(), scan: Box::new(scan) });
    window.state_mut().push(read);
    wait(&mut window);
    assert_eq!(window.state().session().scans[0].encoding, EncodingChoice::Srgb);
    assert!(matches!(problem(&window), Some(ScanState::Changed { .. })), "{:?}", problem(&window));
}

#[test]
fn a_scan_that_is_replaced_while_it_is_open_is_noticed() {
    let (folder, _, path) = place();
    let mut window = window(app(vec![path], SharedPicker::default()));
    assert_eq!(problem(&window), None);
    replace_scan(folder.path());
    window.state_mut().push(EditCommand::QuarterTurn(1));
    wait(&mut window);
    assert!(matches!(problem(&window), Some(ScanState::Changed { .. })), "{:?}", problem(&window));
}

#[test]
fn a_box_beside_its_scan_is_marked_on_its_print_with_the_reason() {
    let (_folder, mut session, _) = place();
    let half_off = TiltedBox::from_edges(590.0, 40.0, 690.0, 120.0);
    let frame = Arc::make_mut(&mut session.frames[1]);
    (frame.crop, frame.held, frame.image_area) = (half_off, false, None);
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session);
    let window = window(app);
    let value = |label: &str| window.get_by_label(label).accesskit_node().value().unwrap_or_default();
    assert!(value("print 2").contains("50 % of the box is off the scan"), "{}", value("print 2"));
    assert!(!value("print 1").contains("off the scan"));
}

#[test]
fn another_encoding_is_one_step_and_offers_to_measure_and_solve_again() {
    let (_folder, _, path) = place();
    let mut window = window(app(vec![path], SharedPicker::default()));
    show_only(&mut window, "film");
    let base = |window: &Window| window.state().session().strips[0].base.clone().expect("measured").density_d;
    let before = base(&window);
    let scan =
        ScanRef { encoding: EncodingChoice::Srgb, ..ScanRef::clone(&window.state().session().scans[0]) };
    let read =
        Command::Scan(ScanCommand::Read { label: "change the encoding".to_owned(), scan: Box::new(scan) });
    window.state_mut().push(read);
    rest(&mut window);
    assert_eq!(window.state().session().scans[0].encoding, EncodingChoice::Srgb);
    let shown = window.get_by_role_and_label(Role::ComboBox, "encoding");
    assert_eq!(shown.accesskit_node().value().as_deref(), Some("sRGB"));
    assert_eq!(base(&window), before);
    let again = "measure and solve again";
    undo(&mut window);
    assert!(window.query_by_label(again).is_none(), "the old reading fits the old base");
    window.state_mut().push(EditCommand::Redo);
    window.run();
    window.get_by_label(again).click_accesskit();
    window.run();
    rest(&mut window);
    assert!(window.query_by_label(again).is_none());
    // A code of linear light L is now read as sRGB, about L^2.2, so densities more than double.
    let after = base(&window);
    assert!((0..3).all(|c| after[c] > 1.8 * before[c]), "{before:?} became {after:?}");
}

#[test]
fn an_infrared_file_is_chosen_and_left_out_again() {
    let (folder, _, path) = place();
    let infrared = folder.path().join("infrared.tif");
    write_grey(&infrared, 50_000);
    let picker = SharedPicker::new(vec![PickOutcome::Chosen(vec![infrared.clone()])]);
    let mut window = window(app(vec![path], picker));
    show_only(&mut window, "film");
    let scan = |window: &Window| ScanRef::clone(&window.state().session().scans[0]);
    assert!(!scan(&window).has_infrared());
    window.get_by_label("choose file…").click_accesskit();
    rest(&mut window);
    let with = scan(&window);
    assert!(with.has_infrared() && with.infrared_fingerprint.is_some(), "{with:?}");
    assert_eq!(with.infrared_path, Some(infrared));
    assert!(window.query_by_label("measure and solve again").is_none(), "the colours are the same");
    window.get_by_label("no file").click_accesskit();
    rest(&mut window);
    assert!(!scan(&window).has_infrared());
    assert_eq!(scan(&window).infrared_path, None);
}

/// A scan of the recorded length and samples, in which one other byte differs from the session's record.
#[test]
fn every_byte_of_a_scan_is_looked_at_once_the_window_rests() {
    let (_folder, mut session, _) = place();
    let scan = Arc::make_mut(&mut session.scans[0]);
    let print = scan.fingerprint.as_mut().expect("known");
    print.blake3 = Some("0".repeat(64));
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session);
    let mut window = window(app);
    rest(&mut window);
    assert!(matches!(problem(&window), Some(ScanState::Changed { .. })), "{:?}", problem(&window));
}

#[test]
fn a_file_that_can_not_be_read_so_leaves_the_scan_as_it_was() {
    let (_folder, _, path) = place();
    let mut window = window(app(vec![path], SharedPicker::default()));
    let scan = ScanRef { page: Some(5), ..ScanRef::clone(&window.state().session().scans[0]) };
    let read = Command::Scan(ScanCommand::Read { label: "change the page".to_owned(), scan: Box::new(scan) });
    window.state_mut().push(read);
    rest(&mut window);
    assert_eq!(window.state().session().scans[0].page, None);
    let told = &window.state().status().notices;
    assert!(told.iter().any(|notice| notice.headline.contains("page 5")), "{told:?}");
}

/// Writes an uncompressed TIFF of several colour pages of the usual size.
fn write_pages(path: &Path, pages: &[Vec<u16>]) {
    let page = |codes: &Vec<u16>| Page {
        codes: codes.clone(),
        ..Page::new(SCAN.0 as usize, SCAN.1 as usize, 3, 16)
    };
    let pages: Vec<Page> = pages.iter().map(page).collect();
    let bytes = make_tiff(Form { big_endian: false, big: false }, &pages);
    std::fs::write(path, bytes).expect("the folder is writable");
}

#[test]
fn a_page_that_is_chosen_is_the_page_that_is_seen() {
    let (folder, _, path) = place();
    let even: Vec<u16> = (0..SCAN.0 * SCAN.1).flat_map(|_| BASE_D.map(|base| code(base + 0.5))).collect();
    let pages = folder.path().join("pages.tif");
    write_pages(&pages, &[scan_pixels(), even]);
    std::fs::rename(&pages, folder.path().join("strip.tif")).expect("replaced");
    let mut window = window(app(vec![path], SharedPicker::default()));
    click_label(&mut window, "take as it is strip.tif");
    wait(&mut window);
    show_only(&mut window, "film");
    let strip = window.state().session().strips[0].id;
    window.state_mut().push(JobCommand::MeasureBase(strip, None));
    rest(&mut window);
    // The first page shows a scene, the second one tone.
    let tones = |window: &Window| {
        let frame = window.state().session().frames[0].id;
        let histogram = window.state().previews().histogram(frame).expect("the frame is shown");
        histogram.bins[0].iter().filter(|count| **count > 0).count()
    };
    let shown = window.get_by_role_and_label(Role::ComboBox, "page");
    assert_eq!(shown.accesskit_node().value().as_deref(), Some("automatic: 1 of 2"));
    assert!(tones(&window) > 30, "{}", tones(&window));
    shown.click_accesskit();
    window.run();
    window.get_by_label("2 of 2").click_accesskit();
    window.run();
    rest(&mut window);
    assert_eq!(window.state().session().scans[0].page, Some(2));
    assert!(tones(&window) <= 2, "{}", tones(&window));
    undo(&mut window);
    rest(&mut window);
    assert!(tones(&window) > 30, "{}", tones(&window));
}

#[test]
fn frames_whose_boxes_lie_wholly_beside_the_scan_are_named_and_can_be_selected() {
    let (_folder, mut session, _) = place();
    let far = TiltedBox::from_edges(5_000.0, 5_000.0, 5_100.0, 5_080.0);
    for nth in [1, 2] {
        let frame = Arc::make_mut(&mut session.frames[nth]);
        (frame.crop, frame.held, frame.image_area) = (far, false, None);
    }
    let ids: Vec<_> = session.frames[1..].iter().map(|frame| frame.id).collect();
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(session);
    let mut window = window(app);
    assert!(window.query_by_label("frames 2, 3").is_some());
    assert!(window.query_by_label("the box is entirely off the scan").is_some());
    click_label(&mut window, "select");
    assert!(window.state().ui_state().selected.iter().eq(&ids));
}

fn asked(window: &Window) -> (bool, bool) {
    match &window.state().ui_state().question {
        Some(Question::NewSession { add, film, .. }) => (*add, film.is_none()),
        other => panic!("no question about scans: {other:?}"),
    }
}

#[test]
fn film_is_recognised_unless_the_person_says_and_the_demo_takes_no_other_scans() {
    let (folder, session, _) = place();
    let other = folder.path().join("other.tif");
    std::fs::copy(folder.path().join("strip.tif"), &other).expect("copied");
    for is_demo in [false, true] {
        let demo_folder = is_demo.then(|| folder.path().to_path_buf());
        let options = AppOptions { inline_jobs: true, demo_folder, ..AppOptions::default() };
        let jobs = JobHost::inline(Arc::new(Engine::new()));
        let mut app = GlassineApp::new(jobs, Box::new(SharedPicker::default()), options);
        app.set_session(session.clone());
        let mut window = window(app);
        window.state_mut().push(FileCommand::Open(vec![other.clone()]));
        window.run();
        assert_eq!(asked(&window), (!is_demo, true));
        assert_eq!(window.query_by_label("add to the session that is open").is_none(), is_demo);
    }
}

#[test]
fn how_new_scans_are_read_can_be_said_before_they_are_opened() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let mut app = app(Vec::new(), SharedPicker::default());
    app.push(FileCommand::Open(vec![scan]));
    let mut window = window(app);
    for (row, choice) in [("encoding", "sRGB"), ("fourth sample", "ignore")] {
        click_label(&mut window, &format!("{row}: as the file says"));
        click_label(&mut window, choice);
    }
    window.state_mut().push(FileCommand::Answer(Answer::Yes));
    rest(&mut window);
    let scan = &window.state().session().scans[0];
    assert_eq!((scan.encoding, scan.fourth_sample), (EncodingChoice::Srgb, FourthSampleChoice::Ignore));
}

#[test]
fn boxes_can_be_drawn_while_new_scans_are_searched_and_the_search_can_be_stopped() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_scan(folder.path());
    let jobs = JobHost::threaded(Arc::new(Engine::new()), Arc::new(|| ()));
    let mut app = GlassineApp::new(jobs, Box::new(SharedPicker::default()), AppOptions::default());
    app.push(FileCommand::Open(vec![scan]));
    app.push(FileCommand::Answer(Answer::Yes));
    let mut window = window(app);
    // The scan arrives before its frames: as soon as it does, add a box and stop the search.
    let begun = std::time::Instant::now();
    while window.state().session().scans.is_empty() {
        assert!(begun.elapsed().as_secs() < 60, "the scan opens");
        window.step();
    }
    let job = window.state().status().shown_job().map(|(job, _)| (job.label.clone(), job.can_stop()));
    assert_eq!(job, Some(("reading scans and finding frames".to_owned(), true)));
    window.state_mut().push(BoxCommand::Add);
    window.state_mut().push(JobCommand::Cancel);
    window.step();
    let drawn = window.state().session().frames.len();
    assert!(drawn >= 1);
    while !window.state().is_idle() {
        assert!(begun.elapsed().as_secs() < 60, "the search ends");
        window.step();
    }
    assert_eq!(window.state().session().frames.len(), drawn, "the drawn box stays");
}

#[test]
fn a_scan_without_frames_can_be_read_and_searched_in_other_ways_or_boxed_by_hand() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let scan = write_pixels(folder.path(), &vec![400; (SCAN.0 * SCAN.1 * 3) as usize]);
    let whole = session(&scan, None);
    let bare = Edit::AddScans(vec![(*whole.scans[0]).clone()]).apply(&Session::default()).expect("adds");
    let mut app = app(Vec::new(), SharedPicker::default());
    app.set_session(bare);
    let mut window = sized_window(app, [1600.0, 1400.0]);
    click_label(&mut window, "section film");
    assert_eq!(window.query_all_by_label_contains("no frame was found on this scan").count(), 2);
    for row in ["film kind", "format", "encoding"] {
        assert!(window.query_by_role_and_label(Role::ComboBox, row).is_some(), "{row}");
    }
    click_label(&mut window, "find the frames again");
    let notice = window.state().status().notices.last().expect("a message").to_string();
    assert!(notice.contains("no frame was found") && notice.contains("format"), "{notice}");
    click_label(&mut window, "add a box");
    assert_eq!(window.state().session().frames.len(), 1);
    assert_eq!(window.query_all_by_label_contains("no frame was found on this scan").count(), 0);
}
