//! What the threads of a job host do: jobs in order, pictures by urgency, and dust detection beside them.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender};
use glassine_raster::CancelToken;

use crate::error::{EngineError, Notice, Severity};
use crate::host::lane_pool::LanePool;
use crate::host::preview_queue::{PreviewLane, PreviewQueue, RepairTask};
use crate::jobs::worker::Worker;
use crate::jobs::{Failure, Job, JobEvent, JobEventKind, JobId, Lane};
use crate::types::{PreviewRequest, SessionAt, SessionKey};

/// Called after every event.
pub(crate) type Wake = Arc<dyn Fn() + Send + Sync>;

/// Shortest time between two progress reports of a job with the same text: the eye follows no faster, and every report
/// costs the window a frame.
const PROGRESS_EVERY: Duration = Duration::from_millis(100);

/// Sends events to the window and wakes it.
#[derive(Clone)]
pub(crate) struct Outbox {
    pub(crate) events: Sender<JobEvent>,
    pub(crate) wake: Wake,
}

impl Outbox {
    pub(crate) fn send(&self, id: JobId, key: SessionKey, kind: JobEventKind) {
        // The receiver lives as long as the host; during shutdown nothing reads it any more.
        if self.events.send(JobEvent { id, key, kind }).is_ok() {
            (self.wake)();
        }
    }

    /// Send an event about a picture on screen.
    fn send_picture(&self, request: &PreviewRequest, kind: JobEventKind) {
        self.send(JobId::PICTURES, request.at.key, kind);
    }
}

/// A job waiting in a lane.
pub(crate) struct QueuedJob {
    pub(crate) id: JobId,
    pub(crate) at: SessionAt,
    pub(crate) job: Job,
    pub(crate) cancel: CancelToken,
}

pub(crate) fn run_lane(lane: Lane, queued: &Receiver<QueuedJob>, worker: &dyn Worker, outbox: &Outbox) {
    let mut pool = None;
    for job in queued {
        let pool = pool.get_or_insert_with(|| LanePool::new(lane));
        pool.run(|| run_job(worker, job, outbox));
    }
}

/// Passes a job's progress if it says something new or the last report is at least [`PROGRESS_EVERY`] old.
#[derive(Default)]
struct ProgressGate(Mutex<Option<(Instant, String)>>);

impl ProgressGate {
    fn lets_through(&self, event: &JobEventKind) -> bool {
        let JobEventKind::Progress { detail, .. } = event else { return true };
        let mut last = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let is_due = last.as_ref().is_none_or(|(at, told)| at.elapsed() >= PROGRESS_EVERY || told != detail);
        if is_due {
            *last = Some((Instant::now(), detail.clone()));
        }
        is_due
    }
}

pub(crate) fn run_job(worker: &dyn Worker, job: QueuedJob, outbox: &Outbox) {
    let QueuedJob { id, at, job, cancel } = job;
    let key = at.key;
    if cancel.is_cancelled() {
        outbox.send(id, key, JobEventKind::Cancelled);
        return;
    }
    outbox.send(id, key, JobEventKind::Started(job.label()));
    let gate = ProgressGate::default();
    let send = |event| {
        if gate.lets_through(&event) {
            outbox.send(id, key, event);
        }
    };
    let end = match attempt(|| worker.run(&at, job, &cancel, &send)) {
        Ok(()) => JobEventKind::Done,
        Err(None) => JobEventKind::Cancelled,
        Err(Some(failure)) => JobEventKind::Failed(failure),
    };
    outbox.send(id, key, end);
}

/// Run something that may fail, be stopped (`Err(None)`) or panic.
fn attempt<T>(work: impl FnOnce() -> Result<T, EngineError>) -> Result<T, Option<Failure>> {
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(EngineError::Cancelled)) => Err(None),
        Ok(Err(error)) => Err(Some(Failure { notice: error.notice(), may_pass: error.may_pass() })),
        Err(panic) => Err(Some(Failure { notice: panic_notice(panic.as_ref()), may_pass: false })),
    }
}

pub(crate) fn run_previews(worker: &dyn Worker, lane: &PreviewLane, outbox: &Outbox) {
    enum Next {
        Picture(PreviewRequest, CancelToken),
        Ahead(PreviewRequest, (f64, f64), CancelToken),
    }
    let next = || {
        lane.wait_for(|queue| {
            if let Some((request, cancel)) = queue.begin_next() {
                return Some(Next::Picture(request, cancel));
            }
            let (request, toward) = queue.ahead.take()?;
            let cancel = CancelToken::new();
            queue.running = Some((None, cancel.clone()));
            Some(Next::Ahead(request, toward, cancel))
        })
    };
    while let Some(next) = next() {
        match next {
            Next::Picture(request, cancel) => run_preview(worker, &request, &cancel, lane, outbox),
            Next::Ahead(request, toward, cancel) => {
                run_ahead(worker, &request, toward, &cancel);
                lane.lock().running = None;
            }
        }
    }
}

/// Make a picture that came from [`PreviewQueue::begin_next`].
pub(crate) fn run_preview(
    worker: &dyn Worker,
    request: &PreviewRequest,
    cancel: &CancelToken,
    lane: &PreviewLane,
    outbox: &Outbox,
) {
    let ready = |preview| outbox.send_picture(request, JobEventKind::PreviewReady(Arc::new(preview)));
    let outcome = attempt(|| worker.preview(request, cancel, &ready));
    if let Err(Some(failure)) = &outcome {
        preview_failed(outbox, request, failure.clone());
    }
    lane.change(|queue| {
        queue.running = None;
        match outcome {
            // A newer request or another session replaced it; a newer request reports itself what it lacks.
            Err(None) => {}
            _ if cancel.is_cancelled() => {}
            Ok(lacks) => queue.made(request, lacks),
            Err(Some(_)) => queue.made(request, None),
        }
    });
}

fn preview_failed(outbox: &Outbox, request: &PreviewRequest, failure: Failure) {
    let (view, revision) = (request.key, request.revision);
    outbox.send_picture(request, JobEventKind::PreviewFailed { view, revision, failure });
}

/// Makes the repairs that pictures lack: dust detection takes seconds, in which sliders must stay responsive.
pub(crate) fn run_dust(worker: &dyn Worker, lane: &PreviewLane, outbox: &Outbox) {
    let mut pool = None;
    while let Some(look) = lane.wait_for(PreviewQueue::take_dust) {
        let pool = pool.get_or_insert_with(|| LanePool::new(Lane::Work));
        pool.run(|| look_for_dust(worker, look, lane, outbox));
    }
}

pub(crate) fn look_for_dust(worker: &dyn Worker, look: RepairTask, lane: &PreviewLane, outbox: &Outbox) {
    let RepairTask { repair, request, cancel } = look;
    // Progress in steps of 5 %: each report repaints the window, which slows the detection down.
    let told = AtomicU32::new(0);
    let progress = |share: f32| {
        let twentieths = (share * 20.0) as u32;
        if told.fetch_max(twentieths, Ordering::Relaxed) < twentieths {
            outbox.send_picture(&request, JobEventKind::LookingForDust { view: request.key, share });
        }
    };
    let failure = match attempt(|| worker.look_for_dust(&request, &cancel, &progress)) {
        Ok(()) => None,
        Err(None) => {
            lane.change(|queue| queue.dust_ended(repair, false));
            return;
        }
        Err(failure) => failure,
    };
    lane.change(|queue| {
        for request in queue.dust_ended(repair, true) {
            match &failure {
                Some(failure) => preview_failed(outbox, &request, failure.clone()),
                None => queue.again(request),
            }
        }
    });
}

pub(crate) fn run_ahead(
    worker: &dyn Worker,
    request: &PreviewRequest,
    toward: (f64, f64),
    cancel: &CancelToken,
) {
    // The request for the picture itself reports read errors.
    drop(attempt(|| worker.look_ahead(request, toward, cancel)));
}

fn panic_notice(panic: &(dyn std::any::Any + Send)) -> Notice {
    let text = panic
        .downcast_ref::<&str>()
        .map(|text| (*text).to_owned())
        .or_else(|| panic.downcast_ref::<String>().cloned())
        .unwrap_or_else(|| "no details".to_owned());
    Notice::new(
        Severity::Error,
        format!("an unexpected fault stopped this step: {text}"),
        "the session is intact; save it, and report this text",
    )
}
