//! The threads jobs run on.
//!
//! Previews have a thread where a newer request for the same place on screen replaces an older one, and one beside it that
//! looks for the dust they are to be repaired of. Everything else goes
//! to one of the lanes, each with its own thread and in the order submitted, so that an export under way holds up neither
//! a save nor the search for frames. A panic in a job becomes a message; the session lives on.

use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, unbounded};
use glassine_raster::CancelToken;

use crate::crew::Crew;
use crate::jobs::{Job, JobEvent, JobId, Lane};
use crate::queue::{DustLook, PreviewLane, PreviewQueue};
use crate::types::PreviewRequest;
use crate::{Engine, EngineError, Notice, Severity};

type Wake = Arc<dyn Fn() + Send + Sync>;

/// Shortest time between two reports of a job's progress that say the same thing: the eye follows no more, and every
/// report costs the window a frame.
const PROGRESS_EVERY: Duration = Duration::from_millis(100);

/// Sends events to the window and wakes it.
#[derive(Clone)]
struct Outbox {
    events: Sender<JobEvent>,
    wake: Wake,
}

impl Outbox {
    fn send(&self, event: JobEvent) {
        // The receiver lives as long as the host; during shutdown nobody listens any more.
        if self.events.send(event).is_ok() {
            (self.wake)();
        }
    }
}

struct QueuedJob {
    id: JobId,
    job: Job,
    cancel: CancelToken,
}

enum Lanes {
    Threads {
        queues: HashMap<Lane, Sender<QueuedJob>>,
        threads: Vec<JoinHandle<()>>,
    },
    /// Jobs run when polled, on the calling thread: deterministic, for tests and the command line.
    Inline {
        queued: Vec<QueuedJob>,
    },
}

/// Runs jobs and hands back their events.
pub struct JobHost {
    engine: Arc<Engine>,
    lanes: Lanes,
    previews: Arc<PreviewLane>,
    outbox: Outbox,
    events: Receiver<JobEvent>,
    tokens: HashMap<JobId, CancelToken>,
    next_id: u64,
}

impl std::fmt::Debug for JobHost {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("JobHost").field("active", &self.tokens.len()).finish_non_exhaustive()
    }
}

impl JobHost {
    /// Jobs on threads of their own; `wake` is called after every event.
    pub fn threaded(engine: Arc<Engine>, wake: Wake) -> std::io::Result<Self> {
        let mut host = Self::inline(engine);
        host.outbox.wake = wake;
        let mut queues = HashMap::new();
        let mut threads = Vec::new();
        for lane in Lane::ALL {
            let (queue, queued) = unbounded::<QueuedJob>();
            let (engine, outbox) = (Arc::clone(&host.engine), host.outbox.clone());
            let name = format!("glassine-{lane:?}").to_lowercase();
            threads.push(
                std::thread::Builder::new()
                    .name(name)
                    .spawn(move || run_lane(lane, &queued, &engine, &outbox))?,
            );
            queues.insert(lane, queue);
        }
        let (engine, outbox, lane) =
            (Arc::clone(&host.engine), host.outbox.clone(), Arc::clone(&host.previews));
        threads.push(
            std::thread::Builder::new()
                .name("glassine-preview".to_owned())
                .spawn(move || run_previews(&engine, &lane, &outbox))?,
        );
        let (engine, outbox, lane) =
            (Arc::clone(&host.engine), host.outbox.clone(), Arc::clone(&host.previews));
        threads.push(
            std::thread::Builder::new()
                .name("glassine-dust".to_owned())
                .spawn(move || run_dust(&engine, &lane, &outbox))?,
        );
        host.lanes = Lanes::Threads { queues, threads };
        Ok(host)
    }

    /// Jobs run on the thread that calls [`Self::poll`].
    pub fn inline(engine: Arc<Engine>) -> Self {
        let (sender, events) = unbounded();
        Self {
            engine,
            lanes: Lanes::Inline { queued: Vec::new() },
            previews: Arc::default(),
            outbox: Outbox { events: sender, wake: Arc::new(|| ()) },
            events,
            tokens: HashMap::new(),
            next_id: 1,
        }
    }

    /// The engine jobs run on.
    pub fn engine(&self) -> &Arc<Engine> {
        &self.engine
    }

    /// Queue a job in its lane.
    pub fn submit(&mut self, job: Job) -> JobId {
        let id = JobId(self.next_id);
        self.next_id += 1;
        let cancel = CancelToken::new();
        self.tokens.insert(id, cancel.clone());
        let queued = QueuedJob { id, job, cancel };
        match &mut self.lanes {
            Lanes::Threads { queues, .. } => {
                let queue = queues.get(&queued.job.lane());
                if queue.is_none_or(|queue| queue.send(queued).is_err()) {
                    let notice = Notice::new(
                        Severity::Error,
                        "the worker has stopped",
                        "save the session under another name and start the program again",
                    );
                    self.outbox.send(JobEvent::Failed { id, notice });
                }
            }
            Lanes::Inline { queued: jobs } => jobs.push(queued),
        }
        id
    }

    /// Ask for a picture; it replaces an earlier request for the same place that has not been started.
    pub fn preview(&mut self, request: PreviewRequest) {
        self.previews.change(|queue| queue.push(request));
    }

    /// Read the tiles around a close-up that was asked for with this request, first of all `toward` where the view is
    /// moving over the scan (any unit; zero when it rests). It is done when no preview waits, stopped by the next one,
    /// and replaced by the next call.
    pub fn look_ahead(&mut self, request: PreviewRequest, toward: (f64, f64)) {
        self.previews.change(|queue| queue.ahead = Some((request, toward)));
    }

    /// Stop a job at its next check.
    pub fn cancel(&self, id: JobId) {
        if let Some(token) = self.tokens.get(&id) {
            token.cancel();
        }
    }

    /// Forget all previews that have not been started.
    pub fn forget_previews(&mut self) {
        self.previews.change(PreviewQueue::forget);
    }

    /// Whether nothing is queued, running or waiting to be polled.
    pub fn is_idle(&self) -> bool {
        let queue = self.previews.lock();
        self.tokens.is_empty() && queue.is_at_rest() && queue.ahead.is_none() && self.events.is_empty()
    }

    /// Whether no picture is being made or waits to be.
    pub fn previews_are_idle(&self) -> bool {
        self.previews.lock().is_at_rest()
    }

    /// Whether a picture is being made at this moment or comes next.
    pub fn makes_previews(&self) -> bool {
        self.previews.lock().makes_pictures()
    }

    /// Jobs of all lanes that have not ended.
    pub fn active(&self) -> usize {
        self.tokens.len()
    }

    /// The next event, if there is one.
    pub fn poll(&mut self) -> Option<JobEvent> {
        self.run_inline();
        let event = self.events.try_recv().ok()?;
        match &event {
            JobEvent::SessionReady { id, .. }
            | JobEvent::Edits { id, .. }
            | JobEvent::OverviewReady { id, .. }
            | JobEvent::BaseOverlayReady { id, .. }
            | JobEvent::StockMeasured { id, .. }
            | JobEvent::Saved { id, .. }
            | JobEvent::Exported { id, .. }
            | JobEvent::CountDone { id }
            | JobEvent::Failed { id, .. }
            | JobEvent::Cancelled { id } => {
                self.tokens.remove(id);
            }
            JobEvent::Started { .. }
            | JobEvent::Progress { .. }
            | JobEvent::Counted { .. }
            | JobEvent::FirstLookReady { .. }
            | JobEvent::PreviewReady(_)
            | JobEvent::LookingForDust { .. }
            | JobEvent::PreviewFailed { .. } => {}
        }
        Some(event)
    }

    fn run_inline(&mut self) {
        let Lanes::Inline { queued } = &mut self.lanes else { return };
        if !self.events.is_empty() {
            return;
        }
        if !queued.is_empty() {
            let QueuedJob { id, job, cancel } = queued.remove(0);
            run_job(&self.engine, id, job, &cancel, &self.outbox);
            return;
        }
        let next = self.previews.lock().take_next();
        if let Some(request) = next {
            run_preview(&self.engine, &request, &CancelToken::new(), &self.previews, &self.outbox);
            return;
        }
        let look = self.previews.lock().take_dust();
        if let Some(look) = look {
            look_for_dust(&self.engine, look, &self.previews, &self.outbox);
            return;
        }
        let ahead = self.previews.lock().ahead.take();
        if let Some((request, toward)) = ahead {
            run_ahead(&self.engine, &request, toward, &CancelToken::new());
        }
    }
}

impl Drop for JobHost {
    fn drop(&mut self) {
        for token in self.tokens.values() {
            token.cancel();
        }
        self.previews.change(PreviewQueue::close);
        if let Lanes::Threads { queues, threads } = &mut self.lanes {
            queues.clear();
            for thread in threads.drain(..) {
                // A thread that panicked has nothing left to give back.
                drop(thread.join());
            }
        }
    }
}

fn run_lane(lane: Lane, queued: &Receiver<QueuedJob>, engine: &Engine, outbox: &Outbox) {
    let mut crew = None;
    for QueuedJob { id, job, cancel } in queued {
        let crew = crew.get_or_insert_with(|| Crew::new(lane));
        crew.run(|| run_job(engine, id, job, &cancel, outbox));
    }
}

/// Lets a job's progress through when it says something new or the last report is some time ago.
#[derive(Default)]
struct ProgressGate(Mutex<Option<(Instant, String)>>);

impl ProgressGate {
    fn lets_through(&self, event: &JobEvent) -> bool {
        let JobEvent::Progress { detail, .. } = event else { return true };
        let mut last = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let is_due = last.as_ref().is_none_or(|(at, told)| at.elapsed() >= PROGRESS_EVERY || told != detail);
        if is_due {
            *last = Some((Instant::now(), detail.clone()));
        }
        is_due
    }
}

fn run_job(engine: &Engine, id: JobId, job: Job, cancel: &CancelToken, outbox: &Outbox) {
    if cancel.is_cancelled() {
        outbox.send(JobEvent::Cancelled { id });
        return;
    }
    outbox.send(JobEvent::Started { id, label: job.label() });
    let gate = ProgressGate::default();
    let send = |event| {
        if gate.lets_through(&event) {
            outbox.send(event);
        }
    };
    let outcome = catch_unwind(AssertUnwindSafe(|| engine.run(id, job, cancel, &send)));
    match outcome {
        Ok(Ok(event)) => outbox.send(event),
        Ok(Err(EngineError::Cancelled)) => outbox.send(JobEvent::Cancelled { id }),
        Ok(Err(error)) => outbox.send(JobEvent::Failed { id, notice: error.notice() }),
        Err(panic) => outbox.send(JobEvent::Failed { id, notice: panic_notice(panic.as_ref()) }),
    }
}

fn run_previews(engine: &Engine, lane: &PreviewLane, outbox: &Outbox) {
    let next = || {
        lane.wait_for(|queue| {
            let (request, toward) = match queue.take_next() {
                Some(request) => (request, None),
                None => queue.ahead.take().map(|(request, toward)| (request, Some(toward)))?,
            };
            let cancel = CancelToken::new();
            queue.running = Some((toward.is_none().then_some(request.key), cancel.clone()));
            Some((request, toward, cancel))
        })
    };
    while let Some((request, toward, cancel)) = next() {
        match toward {
            None => run_preview(engine, &request, &cancel, lane, outbox),
            Some(toward) => run_ahead(engine, &request, toward, &cancel),
        }
        lane.lock().running = None;
    }
}

fn run_preview(
    engine: &Engine,
    request: &PreviewRequest,
    cancel: &CancelToken,
    lane: &PreviewLane,
    outbox: &Outbox,
) {
    let ready = |preview| outbox.send(JobEvent::PreviewReady(Arc::new(preview)));
    let outcome = catch_unwind(AssertUnwindSafe(|| engine.preview(request, cancel, &ready)));
    let lacks = match outcome {
        Ok(Ok(lacks)) => lacks,
        // It was replaced by a newer one, which says itself what it lacks.
        Ok(Err(EngineError::Cancelled)) => return,
        Ok(Err(error)) => {
            preview_failed(outbox, request, error.notice());
            None
        }
        Err(panic) => {
            preview_failed(outbox, request, panic_notice(panic.as_ref()));
            None
        }
    };
    lane.change(|queue| queue.made(request, lacks));
}

fn preview_failed(outbox: &Outbox, request: &PreviewRequest, notice: Notice) {
    outbox.send(JobEvent::PreviewFailed { key: request.key, revision: request.revision, notice });
}

/// Repairs that pictures lack, beside the previews: a look for dust takes seconds, in which sliders stay alive.
fn run_dust(engine: &Engine, lane: &PreviewLane, outbox: &Outbox) {
    let mut crew = None;
    while let Some(look) = lane.wait_for(PreviewQueue::take_dust) {
        let crew = crew.get_or_insert_with(|| Crew::new(Lane::Work));
        crew.run(|| look_for_dust(engine, look, lane, outbox));
    }
}

fn look_for_dust(engine: &Engine, look: DustLook, lane: &PreviewLane, outbox: &Outbox) {
    let DustLook { repair, request, cancel } = look;
    // Twentieths that were told: each wakes the window, which is painted while the look needs the processor.
    let told = AtomicU32::new(0);
    let progress = |share: f32| {
        let twentieths = (share * 20.0) as u32;
        if told.fetch_max(twentieths, Ordering::Relaxed) < twentieths {
            outbox.send(JobEvent::LookingForDust { key: request.key, share });
        }
    };
    let outcome = catch_unwind(AssertUnwindSafe(|| engine.look_for_dust(&request, &cancel, &progress)));
    let failure = match outcome {
        Ok(Ok(())) => None,
        Ok(Err(EngineError::Cancelled)) => {
            lane.change(|queue| queue.dust_ended(repair, false));
            return;
        }
        Ok(Err(error)) => Some(error.notice()),
        Err(panic) => Some(panic_notice(panic.as_ref())),
    };
    lane.change(|queue| {
        for request in queue.dust_ended(repair, true) {
            match &failure {
                Some(notice) => preview_failed(outbox, &request, notice.clone()),
                None => queue.again(request),
            }
        }
    });
}

fn run_ahead(engine: &Engine, request: &PreviewRequest, toward: (f64, f64), cancel: &CancelToken) {
    // What can't be read ahead is told when it is asked for.
    drop(catch_unwind(AssertUnwindSafe(|| engine.look_ahead(request, toward, cancel))));
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
