//! Session files: links, locks, conflicts, autosaves of several runs.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use glassine_raster::CancelToken;
use glassine_session::{Edit, ScanRef, Session};
use tempfile::TempDir;

use super::*;

fn titled(title: &str) -> Session {
    Session { title: title.to_owned(), ..Session::default() }
}

fn with_scan(path: &Path) -> Session {
    let scan = ScanRef {
        path: path.to_owned(),
        width_px: 30,
        height_px: 20,
        planes: vec!["grey".into()],
        ..ScanRef::default()
    };
    Edit::AddScans(vec![scan]).apply(&titled("quay")).expect("adds")
}

fn open_now(path: &Path) -> MadeSession {
    open_session(path, &CancelToken::new()).expect("opens")
}

/// A folder with a data folder and a session file in it.
struct Fixture {
    folder: TempDir,
    path: PathBuf,
}

impl Fixture {
    fn new() -> Self {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = real_path(folder.path()).join("roll.session.json");
        Self { folder, path }
    }

    fn run(&self) -> Run {
        Run::begin(Some(&self.folder.path().join("data")))
    }

    fn saved(&self, run: &Run, title: &str) -> SavedState {
        let outcome = save_session(run, &titled(title), &self.path, SaveMode::Replace, &[]).expect("saves");
        outcome.into_saved().expect("no conflict").state
    }

    fn title(&self) -> String {
        read_session(&self.path).expect("opens").title
    }

    fn names(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.path.parent().expect("has a folder")).expect("lists");
        let mut names: Vec<_> = entries
            .map(|entry| entry.expect("entry").file_name().to_string_lossy().into_owned())
            .filter(|name| name != "data")
            .collect();
        names.sort();
        names
    }
}

fn conflict(outcome: SaveOutcome) -> Conflict {
    match outcome {
        SaveOutcome::Conflict(conflict) => conflict,
        SaveOutcome::Saved(saved) => panic!("{} was written over", saved.path.display()),
    }
}

#[test]
fn a_session_that_another_program_saved_meanwhile_is_not_written_over() {
    let fixture = Fixture::new();
    let (one, other) = (fixture.run(), fixture.run());
    let opened = fixture.saved(&one, "first");
    let theirs = fixture.saved(&other, "theirs");
    let refused = save_session(&one, &titled("ours"), &fixture.path, SaveMode::Known(&opened), &[]);
    let refused = conflict(refused.expect("is asked"));
    assert_eq!(refused.differences, ["the title there is “theirs”"]);
    assert_eq!(fixture.title(), "theirs");
    let generation = read_file(&fixture.path).expect("opens").0.stamp.generation;
    assert!(generation > opened.stamp.generation && generation == theirs.stamp.generation);

    let taken = save_session(&one, &titled("ours"), &fixture.path, SaveMode::TakeOver, &[]).expect("saves");
    let taken = taken.into_saved().expect("no conflict");
    assert_eq!(fixture.title(), "ours");
    assert!(taken.state.stamp.generation > generation);
    let kept = taken.kept.expect("theirs is kept");
    assert_eq!(read_session(&kept).expect("opens").title, "theirs");
    assert_eq!(read_session(&previous_path(&fixture.path)).expect("opens").title, "theirs");
    // Now the other run gets a conflict.
    let refused = save_session(&other, &titled("again"), &fixture.path, SaveMode::Known(&theirs), &[]);
    assert!(conflict(refused.expect("is asked")).headline.contains("another program"));
}

#[test]
fn a_session_that_vanished_or_became_something_else_is_a_conflict() {
    let fixture = Fixture::new();
    let run = fixture.run();
    let opened = fixture.saved(&run, "first");
    let save = || {
        save_session(&run, &titled("ours"), &fixture.path, SaveMode::Known(&opened), &[]).expect("is asked")
    };
    std::fs::write(&fixture.path, b"hello").expect("writes");
    assert!(conflict(save()).headline.contains("no longer the session"));
    std::fs::remove_file(&fixture.path).expect("removes");
    assert!(conflict(save()).headline.contains("removed"));
    assert!(!fixture.path.exists());
}

#[test]
fn a_save_goes_ahead_over_the_state_it_knows_and_keeps_the_previous_one() {
    let fixture = Fixture::new();
    let run = fixture.run();
    let mut state = fixture.saved(&run, "0");
    for count in 1..4 {
        let mode = SaveMode::Known(&state);
        let saved = save_session(&run, &titled(&count.to_string()), &fixture.path, mode, &[]).expect("saves");
        let saved = saved.into_saved().expect("no conflict");
        assert!(saved.state.stamp.generation > state.stamp.generation);
        state = saved.state;
    }
    assert_eq!(fixture.title(), "3");
    assert_eq!(read_session(&previous_path(&fixture.path)).expect("opens").title, "2");
    assert!(save_session(&run, &titled("4"), &fixture.path, SaveMode::New, &[]).is_err());
    assert_eq!(fixture.names(), ["roll.session.json", "roll.session.json.previous"]);
}

/// Unsaved work of ended runs. A process that another test is just starting may hold their locks a moment longer.
fn work_of_ended_runs(run: &Run, count: usize) -> Vec<UnsavedWork> {
    for _ in 0..200 {
        let found = run.unsaved_work();
        if found.len() >= count {
            return found;
        }
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    run.unsaved_work()
}

#[test]
fn two_runs_autosave_one_session_without_touching_each_other() {
    let fixture = Fixture::new();
    let (one, other) = (fixture.run(), fixture.run());
    fixture.saved(&one, "saved");
    let places = [&one, &other].map(|run| run.autosave_path(Some(&fixture.path)).expect("has a place"));
    autosave_session(&one, &titled("of one"), &places[0]).expect("autosaves");
    autosave_session(&other, &titled("of the other"), &places[1]).expect("autosaves");
    let titles = places.clone().map(|place| read_session(&place).expect("opens").title);
    assert_eq!(titles, ["of one", "of the other"]);
    // The autosave of a living run is not unsaved work.
    assert!(fixture.run().unsaved_work().is_empty());
    assert!(unsaved_beside(&fixture.path, Some(&other)).is_empty());
    // Saving removes the autosave of that run and no other.
    let saved =
        save_session(&one, &titled("of one"), &fixture.path, SaveMode::Replace, &places[..1]).expect("saves");
    saved.into_saved().expect("no conflict");
    assert!(!places[0].exists() && places[1].exists());
    // The other run ends without saving: a later run finds its work until it is discarded.
    drop(other);
    let later = fixture.run();
    let found = work_of_ended_runs(&later, 1);
    assert_eq!((found.len(), found[0].title.as_str()), (1, "of the other"));
    assert_eq!((found[0].session_path.as_ref(), &found[0].autosave), (Some(&fixture.path), &places[1]));
    assert_eq!(unsaved_beside(&fixture.path, Some(&later)), found);
    discard_autosave(&found[0].autosave).expect("discards");
    assert!(fixture.run().unsaved_work().is_empty());
}

#[test]
fn sessions_without_a_file_have_an_autosave_each_and_are_found_by_the_next_run() {
    let fixture = Fixture::new();
    let (one, other) = (fixture.run(), fixture.run());
    let places = [&one, &one, &other].map(|run| run.autosave_path(None).expect("has a place"));
    for (idx, place) in places.iter().enumerate() {
        let run = if idx < 2 { &one } else { &other };
        autosave_session(run, &titled(&format!("unnamed {idx}")), place).expect("autosaves");
    }
    drop((one, other));
    let later = fixture.run();
    let mut found = work_of_ended_runs(&later, places.len());
    found.sort_by(|a, b| a.title.cmp(&b.title));
    assert_eq!(
        found.iter().map(|work| work.title.as_str()).collect::<Vec<_>>(),
        ["unnamed 0", "unnamed 1", "unnamed 2"]
    );
    assert!(found.iter().all(|work| work.session_path.is_none() && work.other_host.is_none()));
    let made = open_to_work(&found[1].autosave, &later, &CancelToken::new()).expect("opens");
    assert_eq!((made.session.title.as_str(), made.path, made.saved), ("unnamed 1", None, None));
    assert_eq!(made.recovered.as_ref(), Some(&found[1].autosave));
    assert!(made.notices.is_empty(), "{:?}", made.notices);
}

#[test]
fn a_generation_decides_whether_an_autosave_is_offered_and_no_clock() {
    let fixture = Fixture::new();
    let run = fixture.run();
    fixture.saved(&run, "saved");
    let place = run.autosave_path(Some(&fixture.path)).expect("has a place");
    autosave_session(&run, &titled("later"), &place).expect("autosaves");
    drop(run);
    // The clock of the session file is an hour ahead of that of the autosave.
    let ahead = std::time::SystemTime::now() + std::time::Duration::from_secs(3600);
    let file = File::options().write(true).open(&fixture.path).expect("opens");
    file.set_modified(ahead).expect("sets the time");
    let made = open_now(&fixture.path);
    assert_eq!(made.unsaved.len(), 1);
    assert_eq!((made.session.title.as_str(), made.unsaved[0].title.as_str()), ("saved", "later"));
    assert!(made.notices.iter().any(|notice| notice.path.as_ref() == Some(&place)));
    // Once recovered and saved, the autosave is gone.
    let run = fixture.run();
    let made = open_to_work(&place, &run, &CancelToken::new()).expect("opens");
    assert_eq!((made.session.title.as_str(), made.path.as_ref()), ("later", Some(&fixture.path)));
    let state = made.saved.expect("the session has a file");
    let recovered = made.recovered.expect("is an autosave");
    let saved = save_session(&run, &made.session, &fixture.path, SaveMode::Known(&state), &[recovered]);
    saved.expect("saves").into_saved().expect("no conflict");
    assert!(!place.exists());
    assert!(open_now(&fixture.path).unsaved.is_empty());
}

#[test]
fn an_autosave_older_than_a_save_of_its_own_run_or_equal_to_the_file_is_not_offered() {
    let fixture = Fixture::new();
    let run = fixture.run();
    let place = run.autosave_path(Some(&fixture.path)).expect("has a place");
    autosave_session(&run, &titled("early"), &place).expect("autosaves");
    fixture.saved(&run, "late");
    assert!(open_now(&fixture.path).unsaved.is_empty());
    drop(run);
    let other = fixture.run();
    let place = other.autosave_path(Some(&fixture.path)).expect("has a place");
    autosave_session(&other, &titled("late"), &place).expect("autosaves");
    assert!(open_now(&fixture.path).unsaved.is_empty());
}

#[test]
fn an_autosave_of_an_earlier_version_is_found() {
    let fixture = Fixture::new();
    let run = fixture.run();
    fixture.saved(&run, "saved");
    autosave_session(&Run::begin(None), &titled("old"), &old_autosave_path(&fixture.path))
        .expect("autosaves");
    assert_eq!(open_now(&fixture.path).unsaved[0].title, "old");
    let data = fixture.folder.path().join("data");
    let unnamed = old_autosave_path(&data.join("unsaved.session.json"));
    autosave_session(&Run::begin(None), &titled("older"), &unnamed).expect("autosaves");
    let found = run.unsaved_work();
    assert_eq!((found.len(), found[0].title.as_str(), found[0].session_path.as_ref()), (1, "older", None));
}

#[test]
fn a_later_edit_that_was_autosaved_during_a_save_stays() {
    let fixture = Fixture::new();
    let run = fixture.run();
    let place = run.autosave_path(Some(&fixture.path)).expect("has a place");
    let other = fixture.run();
    // The autosave has a higher generation than the save will get.
    for _ in 0..5 {
        autosave_session(&other, &titled("later"), &place).expect("autosaves");
    }
    let saved =
        save_session(&run, &titled("early"), &fixture.path, SaveMode::Replace, std::slice::from_ref(&place));
    saved.expect("saves").into_saved().expect("no conflict");
    assert_eq!(read_session(&place).expect("opens").title, "later");
}

#[test]
fn an_autosave_carries_the_export_folder_and_names() {
    let fixture = Fixture::new();
    let run = fixture.run();
    let mut session = titled("quay");
    session.output.folder = Some(PathBuf::from("/prints/of the sea"));
    "lantern".clone_into(&mut session.output.base_name);
    let place = run.autosave_path(None).expect("has a place");
    autosave_session(&run, &session, &place).expect("autosaves");
    assert_eq!(read_session(&place).expect("opens").output, session.output);
}

#[test]
fn the_second_run_that_opens_a_session_is_told_who_works_on_it() {
    let fixture = Fixture::new();
    let (one, other) = (fixture.run(), fixture.run());
    fixture.saved(&one, "saved");
    let first = open_to_work(&fixture.path, &one, &CancelToken::new()).expect("opens");
    assert!(matches!(first.access, Access::Locked(_)));
    let second = open_to_work(&fixture.path, &other, &CancelToken::new()).expect("opens to look at");
    let Access::HeldBy(holder) = &second.access else { panic!("two runs work on one session") };
    assert_eq!((holder.run.as_str(), holder.pid), (one.id(), std::process::id()));
    assert!(second.notices[0].headline.contains("open elsewhere"), "{:?}", second.notices);
    assert_eq!(lock_holder(&fixture.path).map(|holder| holder.run), Some(one.id().to_owned()));
    // Viewing a session takes no lock and leaves no file.
    open_now(&fixture.path);
    drop(first);
    assert_eq!(fixture.names(), ["roll.session.json"]);
    let third = open_to_work(&fixture.path, &other, &CancelToken::new()).expect("opens");
    assert!(matches!(third.access, Access::Locked(_)));
}

/// Environment variable that makes the test below act as its own second process.
const SECOND: &str = "GLASSINE_TEST_SECOND_PROCESS";

#[test]
fn work_of_a_process_that_was_killed_is_found_and_its_lock_is_free() {
    if let Ok(folder) = std::env::var(SECOND) {
        play_second_process(Path::new(&folder));
        return;
    }
    let fixture = Fixture::new();
    let run = fixture.run();
    fixture.saved(&run, "saved");
    let name = "session_files::tests::work_of_a_process_that_was_killed_is_found_and_its_lock_is_free";
    let mut child = Command::new(std::env::current_exe().expect("this test has a file"))
        .args(["--exact", name, "--nocapture"])
        .env(SECOND, fixture.folder.path())
        .stdout(Stdio::null())
        .spawn()
        .expect("starts");
    let ready = fixture.folder.path().join("ready");
    let began = std::time::Instant::now();
    while !ready.exists() {
        assert!(began.elapsed().as_secs() < 60, "the second process does nothing");
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    // It lives: its work is not offered, and the session is locked.
    assert!(run.unsaved_work().is_empty());
    assert!(unsaved_beside(&fixture.path, Some(&run)).is_empty());
    assert_eq!(lock_holder(&fixture.path).map(|holder| holder.pid), Some(child.id()));
    let ours = run.autosave_path(Some(&fixture.path)).expect("has a place");
    autosave_session(&run, &titled("of the first"), &ours).expect("autosaves");
    child.kill().expect("is killed");
    child.wait().expect("ends");

    assert_eq!(lock_holder(&fixture.path), None);
    let mut titles: Vec<_> = run.unsaved_work().into_iter().map(|work| work.title).collect();
    titles.sort();
    assert_eq!(titles, ["of the second", "unnamed of the second"]);
    assert_eq!(read_session(&ours).expect("opens").title, "of the first");
    let opened = open_to_work(&fixture.path, &run, &CancelToken::new()).expect("opens");
    assert!(matches!(opened.access, Access::Locked(_)));
    assert_eq!(opened.unsaved.iter().map(|work| work.title.as_str()).collect::<Vec<_>>(), ["of the second"]);
}

fn play_second_process(folder: &Path) {
    let run = Run::begin(Some(&folder.join("data")));
    let path = real_path(folder).join("roll.session.json");
    let made = open_to_work(&path, &run, &CancelToken::new()).expect("opens");
    for (place, title) in [(Some(path.as_path()), "of the second"), (None, "unnamed of the second")] {
        let autosave = run.autosave_path(place).expect("has a place");
        autosave_session(&run, &titled(title), &autosave).expect("autosaves");
    }
    std::fs::write(folder.join("ready"), b"").expect("writes");
    // Waits to be killed; otherwise ends by itself.
    std::thread::sleep(std::time::Duration::from_secs(60));
    drop(made);
}

#[cfg(unix)]
#[test]
fn a_scan_beside_a_linked_folder_is_found_where_the_file_system_finds_it() {
    let fixture = Fixture::new();
    let root = real_path(fixture.folder.path());
    for folder in ["far/sessions", "far/scans", "near"] {
        std::fs::create_dir_all(root.join(folder)).expect("makes a folder");
    }
    std::os::unix::fs::symlink(root.join("far/sessions"), root.join("near/link")).expect("links");
    let scan = root.join("far/scans/a.tif");
    std::fs::write(&scan, b"x").expect("writes");
    let run = fixture.run();
    let through = root.join("near/link/roll.session.json");
    let saved = save_session(&run, &with_scan(&scan), &through, SaveMode::New, &[]).expect("saves");
    assert_eq!(saved.into_saved().expect("no conflict").path, root.join("far/sessions/roll.session.json"));
    let text = std::fs::read_to_string(&through).expect("reads");
    assert!(text.contains("\"../scans/a.tif\""), "{text}");
    let made = open_now(&through);
    assert_eq!(made.session.scans[0].path, scan);
    assert_eq!(made.path, Some(root.join("far/sessions/roll.session.json")));
    assert!(made.notices.is_empty(), "{:?}", made.notices);
}

#[cfg(unix)]
#[test]
fn a_linked_session_is_saved_where_it_is_and_the_link_stays() {
    let fixture = Fixture::new();
    let run = fixture.run();
    let state = fixture.saved(&run, "first");
    let link = fixture.path.with_file_name("link.session.json");
    std::os::unix::fs::symlink(&fixture.path, &link).expect("links");
    let saved = save_session(&run, &titled("second"), &link, SaveMode::Known(&state), &[]).expect("saves");
    assert_eq!(saved.into_saved().expect("no conflict").path, fixture.path);
    assert!(link.is_symlink());
    assert_eq!(fixture.title(), "second");
}

#[cfg(unix)]
#[test]
fn scans_and_folders_whose_names_are_not_utf_8_are_found_again() {
    use glassine_session::file::path_from_bytes;
    let fixture = Fixture::new();
    let folder = real_path(fixture.folder.path()).join(path_from_bytes(b"r\xf6ll".to_vec()));
    // Some file systems do not allow such names.
    if std::fs::create_dir(&folder).is_err() {
        return;
    }
    let scan = folder.join(path_from_bytes(b"sc\xe4n.tif".to_vec()));
    std::fs::write(&scan, b"x").expect("writes");
    let run = fixture.run();
    let mut session = with_scan(&scan);
    session.output.folder = Some(folder.clone());
    for path in [fixture.path.clone(), folder.join("roll.session.json")] {
        save_session(&run, &session, &path, SaveMode::New, &[])
            .expect("saves")
            .into_saved()
            .expect("no conflict");
        let made = open_now(&path);
        assert_eq!(made.session.scans[0].path, scan);
        assert_eq!(made.session.output.folder.as_ref(), Some(&folder));
        assert!(made.notices.is_empty(), "{:?}", made.notices);
    }
    // Its autosave leads back to it.
    let autosave = run.autosave_path(Some(&folder.join("roll.session.json"))).expect("has a place");
    autosave_session(&run, &titled("x"), &autosave).expect("autosaves");
    assert_eq!(without_autosave(&autosave), folder.join("roll.session.json"));
}

#[cfg(target_os = "linux")]
#[test]
fn folders_devices_and_pipes_are_refused_at_once() {
    let fixture = Fixture::new();
    let pipe = fixture.path.with_file_name("pipe.session.json");
    let made = Command::new("mkfifo").arg(&pipe).status().expect("the system can make a pipe");
    assert!(made.success());
    for (path, word) in
        [(fixture.folder.path(), "folder"), (Path::new("/dev/zero"), "device"), (pipe.as_path(), "pipe")]
    {
        let error = open_session(path, &CancelToken::new()).expect_err("is refused").notice();
        assert!(error.headline.contains(word) && !error.what_to_do.is_empty(), "{error}");
    }
    let huge = fixture.path.with_file_name("huge.session.json");
    File::create(&huge).and_then(|file| file.set_len(1 << 40)).expect("a hollow file");
    let error = open_session(&huge, &CancelToken::new()).expect_err("is refused").notice();
    assert!(error.headline.contains("more than any session has"), "{error}");
}

#[test]
fn frames_beside_their_scan_are_told_when_a_session_is_opened() {
    use glassine_raster::TiltedBox;
    let fixture = Fixture::new();
    let run = fixture.run();
    let scan = fixture.path.with_file_name("a.tif");
    std::fs::write(&scan, b"x").expect("writes");
    let session = with_scan(&scan);
    let frame = |x: f64| glassine_session::NewFrame::in_box(TiltedBox::from_edges(x, 2.0, x + 10.0, 12.0));
    let found =
        glassine_session::FoundStripEdit { frames: vec![frame(5.0), frame(50_000.0)], ..Default::default() };
    let edit = Edit::ReplaceStrips {
        scan: session.scans[0].id,
        film: glassine_film::FilmKind::Slide,
        stock_id: "slide".to_owned(),
        strips: vec![found],
        keep: vec![],
    };
    let session = edit.apply(&session).expect("replaces");
    save_session(&run, &session, &fixture.path, SaveMode::New, &[])
        .expect("saves")
        .into_saved()
        .expect("no conflict");
    let made = open_now(&fixture.path);
    let told: Vec<_> = made.notices.iter().map(|notice| notice.headline.as_str()).collect();
    assert!(told.contains(&"frame 2: the box is entirely off the scan"), "{told:?}");
}
