//! Lanes of jobs: one never waits for another, and reports come no faster than they can be read.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

use glassine_engine::jobs::{Job, JobEvent, JobEventKind, JobId, SaveOver, SessionMaker};
use glassine_engine::{Engine, JobHost, MadeSession, SessionAt, SessionKey};

/// Longest wait for an event of a job that does nothing.
const PATIENCE: Duration = Duration::from_secs(60);

fn host() -> JobHost {
    JobHost::threaded(Arc::new(Engine::new()), Arc::new(|| ()))
}

/// Events up to the first that matches.
fn until(host: &mut JobHost, is_it: impl Fn(&JobEvent) -> bool) -> Vec<JobEvent> {
    let began = Instant::now();
    let mut events = Vec::new();
    while began.elapsed() < PATIENCE {
        let Some(event) = host.poll() else {
            std::thread::sleep(Duration::from_millis(1));
            continue;
        };
        let found = is_it(&event);
        events.push(event);
        if found {
            return events;
        }
    }
    panic!("it never came; there were {events:?}");
}

fn is_saved(event: &JobEvent) -> bool {
    matches!(event.kind, JobEventKind::Saved { .. })
}

fn is_ready(event: &JobEvent) -> bool {
    matches!(event.kind, JobEventKind::SessionReady(_))
}

fn made() -> MadeSession {
    MadeSession::default()
}

fn save_into(folder: &Path) -> Job {
    save_as(folder.join("a.session.json"))
}

fn save_as(path: PathBuf) -> Job {
    Job::Save { path, over: SaveOver::Chosen, autosaves: Vec::new() }
}

/// Work that ends when the test says so, or when the test has failed and is gone.
fn held_work() -> (Job, mpsc::Sender<()>) {
    let (release, held) = mpsc::channel::<()>();
    let held = Mutex::new(held);
    let maker = SessionMaker(Arc::new(move |_, _| {
        held.lock().expect("one job").recv().ok();
        Ok(made())
    }));
    (Job::MakeSession { label: "held".to_owned(), maker }, release)
}

#[test]
fn a_save_does_not_wait_for_work_under_way() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (work, release) = held_work();
    let mut host = host();
    let work = host.submit(SessionAt::default(), work);
    until(&mut host, |event| event.id == work && matches!(event.kind, JobEventKind::Started(_)));
    let save = host.submit(SessionAt::default(), save_into(folder.path()));
    let events = until(&mut host, |event| event.id == save && is_saved(event));
    assert!(!events.iter().any(is_ready));
    assert!(folder.path().join("a.session.json").is_file());
    release.send(()).expect("the job waits");
    until(&mut host, |event| event.id == work && is_ready(event));
}

#[test]
fn jobs_of_one_lane_keep_their_order() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut host = host();
    let ids: Vec<JobId> =
        (0..5).map(|_| host.submit(SessionAt::default(), save_into(folder.path()))).collect();
    let events = until(&mut host, |event| event.id == ids[4] && is_saved(event));
    let saved = events.iter().filter(|event| is_saved(event)).map(|event| event.id);
    assert_eq!(saved.collect::<Vec<_>>(), ids);
}

#[test]
fn a_flood_of_progress_becomes_a_few_reports_and_every_new_step_is_told() {
    let maker = SessionMaker(Arc::new(|_, progress| {
        for step in 0..100_000_u32 {
            progress(step as f32 / 100_000.0, if step < 50_000 { "one" } else { "two" });
        }
        Ok(made())
    }));
    let mut host = host();
    host.submit(SessionAt::default(), Job::MakeSession { label: "busy".to_owned(), maker });
    let events = until(&mut host, is_ready);
    let told: Vec<&str> = events
        .iter()
        .filter_map(|event| match &event.kind {
            JobEventKind::Progress { detail, .. } => Some(detail.as_str()),
            _ => None,
        })
        .collect();
    assert!(told.contains(&"one") && told.contains(&"two"), "{told:?}");
    assert!(told.len() < 2_000, "{} reports", told.len());
}

#[test]
fn a_cancelled_job_that_waits_never_begins() {
    let (first, release) = held_work();
    let second = SessionMaker(Arc::new(|_, _| panic!("it was cancelled before it began")));
    let mut host = host();
    host.submit(SessionAt::default(), first);
    let waiting =
        host.submit(SessionAt::default(), Job::MakeSession { label: "second".to_owned(), maker: second });
    host.cancel(waiting);
    release.send(()).expect("the job waits");
    until(&mut host, |event| event.id == waiting && matches!(event.kind, JobEventKind::Cancelled));
}

#[test]
fn a_host_that_ends_writes_what_was_to_be_saved_first() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut host = host();
    let paths: Vec<PathBuf> = (0..20).map(|nth| folder.path().join(format!("{nth}.session.json"))).collect();
    for path in &paths {
        host.submit(SessionAt::default(), save_as(path.clone()));
    }
    drop(host);
    assert!(paths.iter().all(|path| path.is_file()));
}

#[test]
fn every_report_names_the_session_of_its_job_and_every_job_ends_once() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut host = host();
    let keys = [SessionKey::fresh(), SessionKey::fresh()];
    let of = |key| SessionAt { key, ..SessionAt::default() };
    let ids = keys.map(|key| host.submit(of(key), save_into(folder.path())));
    let failed = host.submit(of(keys[0]), Job::OpenSession { path: folder.path().join("nothing") });
    let mut ends = Vec::new();
    while host.active() > 0 {
        let Some(event) = host.poll() else { continue };
        assert_eq!(event.key, if event.id == ids[1] { keys[1] } else { keys[0] });
        ends.extend(event.kind.is_end().then_some(event.id));
    }
    ends.sort_unstable();
    assert_eq!(ends, [ids[0], ids[1], failed]);
}
