//! Lanes of jobs: what one does never waits for another, and reports come no faster than they can be read.

use std::path::Path;
use std::sync::{Arc, Mutex, mpsc};
use std::time::{Duration, Instant};

use glassine_engine::jobs::{Job, JobEvent, JobId, SessionMaker};
use glassine_engine::{Engine, JobHost, MadeSession};
use glassine_session::Session;

/// Longest wait for an event of a job that does nothing.
const PATIENCE: Duration = Duration::from_secs(60);

fn host() -> JobHost {
    JobHost::threaded(Arc::new(Engine::new()), Arc::new(|| ())).expect("threads can be made")
}

/// Events until one is what is waited for.
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

fn made() -> MadeSession {
    MadeSession::default()
}

fn save_into(folder: &Path) -> Job {
    Job::Save { session: Box::new(Session::default()), path: folder.join("a.session.json"), autosave: false }
}

/// Work that ends when the test says so, or when the test has failed and is gone.
fn held_work() -> (Job, mpsc::Sender<()>) {
    let (release, held) = mpsc::channel::<()>();
    let held = Mutex::new(held);
    let maker = SessionMaker(Arc::new(move |_, _, _| {
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
    let work = host.submit(work);
    until(&mut host, |event| matches!(event, JobEvent::Started { id, .. } if *id == work));
    let save = host.submit(save_into(folder.path()));
    let events = until(&mut host, |event| matches!(event, JobEvent::Saved { id, .. } if *id == save));
    assert!(!events.iter().any(|event| matches!(event, JobEvent::SessionReady { .. })));
    assert!(folder.path().join("a.session.json").is_file());
    release.send(()).expect("the job waits");
    until(&mut host, |event| matches!(event, JobEvent::SessionReady { id, .. } if *id == work));
}

#[test]
fn jobs_of_one_lane_keep_their_order() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut host = host();
    let ids: Vec<JobId> = (0..5).map(|_| host.submit(save_into(folder.path()))).collect();
    let events = until(&mut host, |event| matches!(event, JobEvent::Saved { id, .. } if *id == ids[4]));
    let saved = events.iter().filter_map(|event| match event {
        JobEvent::Saved { id, .. } => Some(*id),
        _ => None,
    });
    assert_eq!(saved.collect::<Vec<_>>(), ids);
}

#[test]
fn a_flood_of_progress_becomes_a_few_reports_and_every_new_step_is_told() {
    let maker = SessionMaker(Arc::new(|_, _, progress| {
        for step in 0..100_000_u32 {
            progress(step as f32 / 100_000.0, if step < 50_000 { "one" } else { "two" });
        }
        Ok(made())
    }));
    let mut host = host();
    host.submit(Job::MakeSession { label: "busy".to_owned(), maker });
    let events = until(&mut host, |event| matches!(event, JobEvent::SessionReady { .. }));
    let told: Vec<&str> = events
        .iter()
        .filter_map(|event| match event {
            JobEvent::Progress { detail, .. } => Some(detail.as_str()),
            _ => None,
        })
        .collect();
    assert!(told.contains(&"one") && told.contains(&"two"), "{told:?}");
    assert!(told.len() < 2_000, "{} reports", told.len());
}

#[test]
fn a_cancelled_job_that_waits_never_begins() {
    let (first, release) = held_work();
    let second = SessionMaker(Arc::new(|_, _, _| panic!("it was cancelled before it began")));
    let mut host = host();
    host.submit(first);
    let waiting = host.submit(Job::MakeSession { label: "second".to_owned(), maker: second });
    host.cancel(waiting);
    release.send(()).expect("the job waits");
    until(&mut host, |event| matches!(event, JobEvent::Cancelled { id } if *id == waiting));
}
