//! The threads jobs run on.
//!
//! Previews have a thread where a newer request for the same place on screen replaces an older one, and one beside it that
//! looks for the dust they are to be repaired of. Everything else goes
//! to one of the lanes, each with its own thread and in the order submitted, so that an export under way holds up neither
//! a save nor the search for frames. A panic in a job becomes a message; the session lives on.

use std::collections::{HashMap, VecDeque};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender, unbounded};
use glassine_raster::CancelToken;

use crate::crew::Crew;
use crate::jobs::{Failure, Job, JobEvent, JobEventKind, JobId, Lane};
use crate::queue::{DustLook, PreviewLane, PreviewQueue};
use crate::types::{PreviewRequest, SessionAt, SessionKey};
use crate::worker::Worker;
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
    fn send(&self, id: JobId, key: SessionKey, kind: JobEventKind) {
        // The receiver lives as long as the host; during shutdown nothing reads it any more.
        if self.events.send(JobEvent { id, key, kind }).is_ok() {
            (self.wake)();
        }
    }

    /// Report about a picture on screen.
    fn send_picture(&self, request: &PreviewRequest, kind: JobEventKind) {
        self.send(JobId::PICTURES, request.at.key, kind);
    }
}

struct QueuedJob {
    id: JobId,
    at: SessionAt,
    job: Job,
    cancel: CancelToken,
}

/// The queues of lanes that run on threads, and these threads.
#[derive(Default)]
struct LaneThreads {
    queues: HashMap<Lane, Sender<QueuedJob>>,
    threads: Vec<JoinHandle<()>>,
    /// Previews and the look for dust run on threads as well.
    makes_previews: bool,
}

/// Something that a stepped host can do next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Run the next job of a lane; its events wait in the lane.
    Run(Lane),
    /// Hand over the oldest event of a lane.
    Deliver(Lane),
    /// Take the most urgent picture off the queue.
    BeginPicture,
    /// Make that picture.
    MakePicture,
    /// Take the next look for dust off the queue.
    BeginDust,
    /// Look for that dust.
    LookForDust,
    /// Hand over the oldest event of the pictures.
    DeliverPicture,
}

/// Queues of a host that does nothing by itself.
#[derive(Default)]
struct Steps {
    queued: HashMap<Lane, VecDeque<QueuedJob>>,
    sent: HashMap<Option<Lane>, VecDeque<JobEvent>>,
    picture: Option<(PreviewRequest, CancelToken)>,
    dust: Option<DustLook>,
    delivered: VecDeque<JobEvent>,
}

/// Runs jobs and hands back their events.
pub struct JobHost {
    engine: Arc<Engine>,
    worker: Arc<dyn Worker>,
    lanes: LaneThreads,
    /// Jobs of lanes without a thread: they run when polled, on the calling thread.
    queued: Vec<QueuedJob>,
    steps: Option<Steps>,
    previews: Arc<PreviewLane>,
    outbox: Outbox,
    events: Receiver<JobEvent>,
    /// Jobs that have not ended.
    open: HashMap<JobId, (Lane, CancelToken)>,
    next_id: u64,
    trouble: Option<Notice>,
}

impl std::fmt::Debug for JobHost {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("JobHost").field("active", &self.open.len()).finish_non_exhaustive()
    }
}

impl JobHost {
    /// Jobs on threads of their own; `wake` is called after every event. Where the system gives no thread, the jobs of
    /// that lane run inside [`Self::poll`], and [`Self::take_trouble`] says so.
    pub fn threaded(engine: Arc<Engine>, wake: Wake) -> Self {
        Self::threaded_by(engine, wake, &|name, work| std::thread::Builder::new().name(name).spawn(work))
    }

    /// The same with another way to begin a thread.
    fn threaded_by(engine: Arc<Engine>, wake: Wake, begin: &BeginThread<'_>) -> Self {
        let mut host = Self::inline(engine);
        host.outbox.wake = wake;
        if let Err(error) = host.begin_threads(begin) {
            let headline = format!("the system gave no thread for background work: {error}");
            let what = "the window will pause while it works; save, close other programs and start this one again";
            host.trouble = Some(Notice::new(Severity::Warning, headline, what));
        }
        host
    }

    fn begin_threads(&mut self, begin: &BeginThread<'_>) -> std::io::Result<()> {
        // Pictures first: without them nothing can be worked on.
        let (worker, lane, outbox) = self.shared();
        self.lanes.threads.push(begin(
            "glassine-preview".to_owned(),
            Box::new(move || run_previews(worker.as_ref(), &lane, &outbox)),
        )?);
        self.lanes.makes_previews = true;
        for lane in Lane::ALL {
            let (queue, queued) = unbounded::<QueuedJob>();
            let (worker, _, outbox) = self.shared();
            let name = format!("glassine-{lane:?}").to_lowercase();
            let work = Box::new(move || run_lane(lane, &queued, worker.as_ref(), &outbox));
            self.lanes.threads.push(begin(name, work)?);
            self.lanes.queues.insert(lane, queue);
        }
        let (worker, lane, outbox) = self.shared();
        self.lanes.threads.push(begin(
            "glassine-dust".to_owned(),
            Box::new(move || run_dust(worker.as_ref(), &lane, &outbox)),
        )?);
        self.previews.lock().has_dust_thread = true;
        Ok(())
    }

    fn shared(&self) -> (Arc<dyn Worker>, Arc<PreviewLane>, Outbox) {
        (Arc::clone(&self.worker), Arc::clone(&self.previews), self.outbox.clone())
    }

    /// Jobs run on the thread that calls [`Self::poll`].
    pub fn inline(engine: Arc<Engine>) -> Self {
        let (sender, events) = unbounded();
        Self {
            worker: Arc::clone(&engine) as Arc<dyn Worker>,
            engine,
            lanes: LaneThreads::default(),
            queued: Vec::new(),
            steps: None,
            previews: Arc::default(),
            outbox: Outbox { events: sender, wake: Arc::new(|| ()) },
            events,
            open: HashMap::new(),
            next_id: 1,
            trouble: None,
        }
    }

    /// Nothing happens until [`Self::step`] is called: tests decide which job runs next and when its events arrive.
    pub fn stepped(engine: Arc<Engine>, worker: Arc<dyn Worker>) -> Self {
        let mut host = Self::inline(engine);
        host.worker = worker;
        host.steps = Some(Steps::default());
        host
    }

    /// The engine jobs run on.
    pub fn engine(&self) -> &Arc<Engine> {
        &self.engine
    }

    /// What the user should know about the threads, once.
    pub fn take_trouble(&mut self) -> Option<Notice> {
        self.trouble.take()
    }

    /// Queue a job for a session in its lane.
    pub fn submit(&mut self, at: SessionAt, job: Job) -> JobId {
        let id = JobId(self.next_id);
        self.next_id += 1;
        let (key, lane, cancel) = (at.key, job.lane(), CancelToken::new());
        self.open.insert(id, (lane, cancel.clone()));
        let queued = QueuedJob { id, at, job, cancel };
        if let Some(steps) = &mut self.steps {
            steps.queued.entry(lane).or_default().push_back(queued);
        } else if let Some(queue) = self.lanes.queues.get(&lane) {
            if queue.send(queued).is_err() {
                let notice = Notice::new(
                    Severity::Error,
                    "the worker has stopped",
                    "save the session under another name and start the program again",
                );
                self.outbox.send(id, key, JobEventKind::Failed(Failure { notice, may_pass: false }));
            }
        } else {
            self.queued.push(queued);
            (self.outbox.wake)();
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
        if let Some((_, cancel)) = self.open.get(&id) {
            cancel.cancel();
        }
    }

    /// Drop all previews, also the one that is being made.
    pub fn forget_previews(&mut self) {
        self.previews.change(PreviewQueue::forget);
    }

    /// Whether nothing is queued, running or waiting to be polled.
    pub fn is_idle(&self) -> bool {
        let queue = self.previews.lock();
        self.open.is_empty()
            && queue.is_at_rest()
            && queue.ahead.is_none()
            && self.events.is_empty()
            && self.steps.as_ref().is_none_or(|steps| steps.delivered.is_empty())
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
        self.open.len()
    }

    /// Whether work waits for [`Self::poll`] to do it.
    pub fn works_inline(&self) -> bool {
        self.steps.is_none() && (!self.queued.is_empty() || (!self.lanes.makes_previews && !self.is_idle()))
    }

    /// The next event, if there is one.
    pub fn poll(&mut self) -> Option<JobEvent> {
        let event = match &mut self.steps {
            Some(steps) => steps.delivered.pop_front()?,
            None => {
                self.run_inline();
                self.events.try_recv().ok()?
            }
        };
        if event.kind.is_end() {
            self.open.remove(&event.id);
        }
        Some(event)
    }

    fn run_inline(&mut self) {
        if !self.events.is_empty() {
            return;
        }
        if !self.queued.is_empty() {
            run_job(self.worker.as_ref(), self.queued.remove(0), &self.outbox);
            return;
        }
        if !self.lanes.makes_previews {
            let next = self.previews.change(PreviewQueue::begin_next);
            if let Some((request, cancel)) = next {
                run_preview(self.worker.as_ref(), &request, &cancel, &self.previews, &self.outbox);
                return;
            }
        }
        if !self.previews.lock().has_dust_thread {
            let look = self.previews.change(PreviewQueue::take_dust);
            if let Some(look) = look {
                look_for_dust(self.worker.as_ref(), look, &self.previews, &self.outbox);
                return;
            }
        }
        if !self.lanes.makes_previews {
            let ahead = self.previews.lock().ahead.take();
            if let Some((request, toward)) = ahead {
                run_ahead(self.worker.as_ref(), &request, toward, &CancelToken::new());
            }
        }
    }

    /// What a host made with [`Self::stepped`] can do next.
    pub fn possible_steps(&self) -> Vec<Step> {
        let Some(steps) = &self.steps else { return Vec::new() };
        let queue = self.previews.lock();
        let waits = |lane| steps.queued.get(&lane).is_some_and(|queued| !queued.is_empty());
        let sent = |lane| steps.sent.get(&lane).is_some_and(|sent| !sent.is_empty());
        let lanes = Lane::ALL.into_iter();
        let mut possible: Vec<Step> = lanes.clone().filter(|lane| waits(*lane)).map(Step::Run).collect();
        possible.extend(lanes.filter(|lane| sent(Some(*lane))).map(Step::Deliver));
        let pictures = [
            (Step::BeginPicture, steps.picture.is_none() && queue.has_waiting()),
            (Step::MakePicture, steps.picture.is_some()),
            (Step::BeginDust, steps.dust.is_none() && queue.has_dust()),
            (Step::LookForDust, steps.dust.is_some()),
            (Step::DeliverPicture, sent(None)),
        ];
        possible.extend(pictures.into_iter().filter(|(_, is_possible)| *is_possible).map(|(step, _)| step));
        possible
    }

    /// Do one of [`Self::possible_steps`]; anything else does nothing. Gives the event that it hands over, which
    /// [`Self::poll`] returns next.
    pub fn step(&mut self, step: Step) -> Option<JobEvent> {
        let steps = self.steps.as_mut()?;
        let (worker, previews, outbox) = (self.worker.as_ref(), &self.previews, &self.outbox);
        let from = match step {
            Step::Run(lane) | Step::Deliver(lane) => Some(lane),
            _ => None,
        };
        match step {
            Step::Run(lane) => {
                if let Some(job) = steps.queued.get_mut(&lane).and_then(VecDeque::pop_front) {
                    run_job(worker, job, outbox);
                }
            }
            Step::BeginPicture => steps.picture = previews.change(PreviewQueue::begin_next),
            Step::MakePicture => {
                if let Some((request, cancel)) = steps.picture.take() {
                    run_preview(worker, &request, &cancel, previews, outbox);
                }
            }
            Step::BeginDust => steps.dust = previews.change(PreviewQueue::take_dust),
            Step::LookForDust => {
                if let Some(look) = steps.dust.take() {
                    look_for_dust(worker, look, previews, outbox);
                }
            }
            Step::Deliver(_) | Step::DeliverPicture => {
                let event = steps.sent.get_mut(&from).and_then(VecDeque::pop_front);
                steps.delivered.extend(event.clone());
                return event;
            }
        }
        steps.sent.entry(from).or_default().extend(self.events.try_iter());
        None
    }
}

/// How a thread of this name is begun.
type BeginThread<'a> = dyn Fn(String, Box<dyn FnOnce() + Send>) -> std::io::Result<JoinHandle<()>> + 'a;

impl Drop for JobHost {
    fn drop(&mut self) {
        // What is to be saved is written before the program ends.
        let is_file = |lane: Lane| lane == Lane::Files;
        self.open.values().filter(|(lane, _)| !is_file(*lane)).for_each(|(_, cancel)| cancel.cancel());
        for job in self.queued.drain(..).filter(|queued| is_file(queued.job.lane())) {
            run_job(self.worker.as_ref(), job, &self.outbox);
        }
        self.previews.change(PreviewQueue::close);
        self.lanes.queues.clear();
        for thread in self.lanes.threads.drain(..) {
            // A thread that panicked has nothing left to give back.
            drop(thread.join());
        }
    }
}

fn run_lane(lane: Lane, queued: &Receiver<QueuedJob>, worker: &dyn Worker, outbox: &Outbox) {
    let mut crew = None;
    for job in queued {
        let crew = crew.get_or_insert_with(|| Crew::new(lane));
        crew.run(|| run_job(worker, job, outbox));
    }
}

/// Lets a job's progress through when it says something new or the last report is some time ago.
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

fn run_job(worker: &dyn Worker, job: QueuedJob, outbox: &Outbox) {
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

/// Do something that may fail, be stopped (no failure is given then) or panic.
fn attempt<T>(work: impl FnOnce() -> Result<T, EngineError>) -> Result<T, Option<Failure>> {
    match catch_unwind(AssertUnwindSafe(work)) {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(EngineError::Cancelled)) => Err(None),
        Ok(Err(error)) => Err(Some(Failure { notice: error.notice(), may_pass: error.may_pass() })),
        Err(panic) => Err(Some(Failure { notice: panic_notice(panic.as_ref()), may_pass: false })),
    }
}

fn run_previews(worker: &dyn Worker, lane: &PreviewLane, outbox: &Outbox) {
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

/// Make a picture that [`PreviewQueue::begin_next`] gave.
fn run_preview(
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
            // A newer request or another session replaced it; a newer one says itself what it lacks.
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

/// Repairs that pictures lack: a look for dust takes seconds, in which sliders must stay responsive.
fn run_dust(worker: &dyn Worker, lane: &PreviewLane, outbox: &Outbox) {
    let mut crew = None;
    while let Some(look) = lane.wait_for(PreviewQueue::take_dust) {
        let crew = crew.get_or_insert_with(|| Crew::new(Lane::Work));
        crew.run(|| look_for_dust(worker, look, lane, outbox));
    }
}

fn look_for_dust(worker: &dyn Worker, look: DustLook, lane: &PreviewLane, outbox: &Outbox) {
    let DustLook { repair, request, cancel } = look;
    // Progress in steps of 5 %: each report repaints the window, which takes time from the look itself.
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

fn run_ahead(worker: &dyn Worker, request: &PreviewRequest, toward: (f64, f64), cancel: &CancelToken) {
    // The request for the picture itself reports what cannot be read.
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
