//! Bad input through the whole engine: the message says what is wrong and what to do, the session stays
//! intact, and no file is half-written.

use std::path::Path;

use glassine_engine::jobs::{Job, JobEvent, JobEventKind};
use glassine_engine::session_files::SaveMode;
use glassine_engine::{
    Engine, EngineError, ExportRequest, JobHost, NewSessionRequest, SessionAt, session_files,
};
use glassine_film::FilmKind;
use glassine_raster::CancelToken;
use glassine_session::{Edit, Session};
use glassine_tests::{export_request, new_session, say, strip_on_disk};

fn try_new(path: &Path) -> Result<usize, EngineError> {
    let request = NewSessionRequest { scans: vec![path.to_owned()], ..NewSessionRequest::default() };
    Engine::new().new_session(&request, &CancelToken::new(), &|_, _| ()).map(|made| made.session.frames.len())
}

fn walk(folder: &Path, each: &mut dyn FnMut(&Path)) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let path = entry.path();
        if path.is_dir() { walk(&path, each) } else { each(&path) }
    }
}

#[test]
fn damaged_files_of_a_fuzzing_corpus_are_refused_or_opened_but_never_crash() {
    let Some(damaged) = glassine_testdata::folder("tiff-corpus/malformed") else { return };
    let mut count = 0;
    walk(&damaged, &mut |path| {
        count += 1;
        if let Err(error) = try_new(path) {
            let notice = error.notice();
            assert!(
                !notice.headline.is_empty() && !notice.what_to_do.is_empty(),
                "{}: {notice}",
                path.display()
            );
        }
    });
    say(&format!("{count} damaged files went through the whole of a new session"));
}

#[test]
fn a_scan_that_shrinks_while_open_fails_its_frames_only() {
    let disk = strip_on_disk("harbour", 150.0);
    let engine = Engine::new();
    let session =
        new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "6x4.5").session;
    engine.forget();
    let length = std::fs::metadata(&disk.scan).expect("is there").len();
    let file = std::fs::OpenOptions::new().write(true).open(&disk.scan).expect("opens");
    file.set_len(length / 2).expect("shrinks");
    let request = export_request(session, disk.folder.path().join("out"), |_| ());
    let report = engine.export(&request, &CancelToken::new(), &|_, _| ()).expect("runs");
    assert!(!report.failed.is_empty());
    for failed in &report.failed {
        assert!(!failed.notice.what_to_do.is_empty(), "{:?}", failed.notice);
    }
    let left = std::fs::read_dir(disk.folder.path().join("out")).expect("lists").count();
    assert_eq!(left, report.written.len(), "a partial file was left");
}

#[test]
fn saving_keeps_the_previous_version_and_an_autosave_is_offered_and_cleared() {
    let disk = strip_on_disk("harbour", 150.0);
    let engine = Engine::new();
    let session =
        new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "6x4.5").session;
    let path = disk.folder.path().join("roll.session.json");
    let run = session_files::Run::begin(Some(&disk.folder.path().join("data")));
    let autosave = run.autosave_path(Some(&path)).expect("has a place");
    let save = |session: &Session| {
        let autosaves = std::slice::from_ref(&autosave);
        let outcome = session_files::save_session(&run, session, &path, SaveMode::Replace, autosaves);
        outcome.and_then(session_files::SaveOutcome::into_saved).expect("saves")
    };
    save(&session);
    let first = std::fs::read(&path).expect("reads");
    let renamed = Edit::SetTitle("second".to_owned()).apply(&session).expect("applies");
    save(&renamed);
    assert_eq!(std::fs::read(session_files::previous_path(&path)).expect("reads"), first);
    let opened = session_files::open_session(&path, &CancelToken::new()).expect("opens");
    assert_eq!(opened.session.title, "second");
    assert_eq!(opened.session.scans[0].path, disk.scan);
    let renamed = Edit::SetTitle("third".to_owned()).apply(&renamed).expect("applies");
    session_files::autosave_session(&run, &renamed, &autosave).expect("autosaves");
    let opened = session_files::open_session(&path, &CancelToken::new()).expect("opens");
    assert!(
        opened.notices.iter().any(|notice| notice.headline.contains("unsaved work")),
        "{:?}",
        opened.notices
    );
    save(&renamed);
    assert!(!autosave.exists());
    // After opening and saving, the file is the same byte for byte except for its stamp.
    let without_stamp = || {
        let text = std::fs::read_to_string(&path).expect("reads");
        text.lines().filter(|line| !line.contains("\"generation\"")).map(str::to_owned).collect::<Vec<_>>()
    };
    let before = without_stamp();
    save(&session_files::open_session(&path, &CancelToken::new()).expect("opens").session);
    assert_eq!(without_stamp(), before);
}

#[test]
fn jobs_that_fail_or_are_stopped_say_so_and_the_next_one_runs() {
    let disk = strip_on_disk("harbour", 150.0);
    let engine = std::sync::Arc::new(Engine::new());
    let session =
        new_session(&engine, std::slice::from_ref(&disk.scan), FilmKind::ColourNegative, "6x4.5").session;
    let mut host = JobHost::threaded(engine, std::sync::Arc::new(|| ()));
    let missing = {
        let path = disk.folder.path().join("nothing.session.json");
        host.submit(SessionAt::default(), Job::OpenSession { path })
    };
    let request = export_request(session, disk.folder.path().join("out"), |_| ());
    let export = |request: &ExportRequest| Job::Export(Box::new(request.clone()));
    let stopped = host.submit(request.at.clone(), export(&request));
    host.cancel(stopped);
    let good = host.submit(request.at.clone(), export(&request));
    let (mut failed, mut cancelled, mut done) = (false, false, false);
    let started = std::time::Instant::now();
    while host.active() > 0 && started.elapsed().as_secs() < 60 {
        let Some(JobEvent { id, kind, .. }) = host.poll() else {
            std::thread::sleep(std::time::Duration::from_millis(5));
            continue;
        };
        match kind {
            JobEventKind::Failed(failure) if id == missing => {
                failed = !failure.notice.what_to_do.is_empty();
            }
            JobEventKind::Cancelled if id == stopped => cancelled = true,
            JobEventKind::Exported(report) if id == stopped => cancelled = report.cancelled,
            JobEventKind::Exported(report) if id == good => done = report.written.len() == 4,
            _ => {}
        }
    }
    assert!(failed && cancelled && done, "failed {failed}, cancelled {cancelled}, done {done}");
    assert_eq!(host.active(), 0);
}
