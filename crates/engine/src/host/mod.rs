//! The threads that jobs run on.
//!
//! Previews have one thread, where a newer request for the same place on screen replaces an older one, and a second
//! thread beside it for dust detection. Everything else goes to one of the lanes, each with its own thread and in order
//! of submission, so that a running export delays neither a save nor the search for frames. A panic in a job becomes a
//! message; the session survives.

pub(crate) mod lane_pool;
pub(crate) mod lanes;
pub(crate) mod preview_queue;
pub(crate) mod steps;

use std::collections::HashMap;
use std::sync::Arc;
use std::thread::JoinHandle;

use crossbeam_channel::{Receiver, Sender, unbounded};
use glassine_raster::CancelToken;

use crate::engine::Engine;
use crate::error::{Notice, Severity};
use crate::host::lanes::{
    Outbox, QueuedJob, Wake, look_for_dust, run_ahead, run_dust, run_job, run_lane, run_preview, run_previews,
};
use crate::host::preview_queue::{PreviewLane, PreviewQueue};
use crate::host::steps::Steps;
use crate::jobs::worker::Worker;
use crate::jobs::{Failure, Job, JobEvent, JobEventKind, JobId, Lane};
use crate::types::{PreviewRequest, SessionAt};

/// Queues and threads of the lanes that have a thread.
#[derive(Default)]
struct LaneThreads {
    queues: HashMap<Lane, Sender<QueuedJob>>,
    threads: Vec<JoinHandle<()>>,
    /// Whether previews and dust detection run on threads as well.
    makes_previews: bool,
}

/// Runs jobs and hands back their events.
pub struct JobHost {
    engine: Arc<Engine>,
    pub(crate) worker: Arc<dyn Worker>,
    lanes: LaneThreads,
    /// Jobs of lanes without a thread: they run on the calling thread when it polls.
    queued: Vec<QueuedJob>,
    pub(crate) steps: Option<Steps>,
    pub(crate) previews: Arc<PreviewLane>,
    pub(crate) outbox: Outbox,
    pub(crate) events: Receiver<JobEvent>,
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
    /// Run jobs on their own threads; `wake` is called after every event. If the system gives no thread, the jobs of
    /// that lane run inside [`Self::poll`], and [`Self::take_trouble`] says so.
    pub fn threaded(engine: Arc<Engine>, wake: Wake) -> Self {
        Self::threaded_by(engine, wake, &|name, work| std::thread::Builder::new().name(name).spawn(work))
    }

    /// The same, with another way to start a thread.
    fn threaded_by(engine: Arc<Engine>, wake: Wake, begin: &BeginThread<'_>) -> Self {
        let mut host = Self::inline(engine);
        host.outbox.wake = wake;
        if let Err(error) = host.begin_threads(begin) {
            let headline = format!("no background thread could be started: {error}");
            let what =
                "the window will pause while it works; save, close other programs, then restart this one";
            host.trouble = Some(Notice::new(Severity::Warning, headline, what));
        }
        host
    }

    fn begin_threads(&mut self, begin: &BeginThread<'_>) -> std::io::Result<()> {
        // Pictures first: the user can't work without them.
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

    /// Run jobs on the thread that calls [`Self::poll`].
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

    pub fn engine(&self) -> &Arc<Engine> {
        &self.engine
    }

    /// A notice about the threads for the user, returned once.
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

    /// Request a picture; it replaces an earlier request for the same place, and stops one that is being made.
    pub fn preview(&mut self, request: PreviewRequest) {
        self.previews.change(|queue| queue.push(request));
    }

    /// Read the tiles around the close-up of this request, those in the direction `toward` of the view's movement over
    /// the scan first (any unit; zero at rest). This runs while no preview waits; the next preview stops it, and the
    /// next call replaces it.
    pub fn look_ahead(&mut self, request: PreviewRequest, toward: (f64, f64)) {
        self.previews.change(|queue| queue.ahead = Some((request, toward)));
    }

    /// Let a job rest at its next step, or go on. Exports can rest.
    pub fn pause(&self, id: JobId, is_paused: bool) {
        if let Some((_, cancel)) = self.open.get(&id) {
            cancel.pause(is_paused);
        }
    }

    /// Stop a job at its next check.
    pub fn cancel(&self, id: JobId) {
        if let Some((_, cancel)) = self.open.get(&id) {
            cancel.cancel();
        }
    }

    /// Drop all previews, including the one being made.
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

    /// Whether no picture or dust repair is being made or waiting.
    pub fn previews_are_idle(&self) -> bool {
        self.previews.lock().is_at_rest()
    }

    /// Whether a picture is being made or comes next.
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

    /// Run waiting inline work, then return the next event, if there is one.
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
}

/// Starts a thread of this name.
type BeginThread<'a> = dyn Fn(String, Box<dyn FnOnce() + Send>) -> std::io::Result<JoinHandle<()>> + 'a;

impl Drop for JobHost {
    fn drop(&mut self) {
        // Pending saves are written before the program ends.
        let is_file = |lane: Lane| lane == Lane::Files;
        self.open.values().filter(|(lane, _)| !is_file(*lane)).for_each(|(_, cancel)| cancel.cancel());
        for job in self.queued.drain(..).filter(|queued| is_file(queued.job.lane())) {
            run_job(self.worker.as_ref(), job, &self.outbox);
        }
        self.previews.change(PreviewQueue::close);
        self.lanes.queues.clear();
        for thread in self.lanes.threads.drain(..) {
            // A thread that panicked has no result to return.
            drop(thread.join());
        }
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;
    use std::io;
    use std::time::{Duration, Instant};

    use glassine_raster::PixelRect;
    use glassine_session::FrameId;

    use super::*;
    use crate::dust::RepairKey;
    use crate::error::EngineError;
    use crate::jobs::worker::SendEvent;
    use crate::types::{Overlay, PictureSide, Preview, UnitRect, ViewKey};

    /// Longest wait for something that takes milliseconds.
    const PATIENCE: Duration = Duration::from_secs(30);

    /// Makes only the picture of one revision; every other takes until it is stopped.
    struct Slow {
        began: Sender<u64>,
        quick_revision: u64,
    }

    impl Worker for Slow {
        fn run(&self, _: &SessionAt, _: Job, _: &CancelToken, _: SendEvent<'_>) -> Result<(), EngineError> {
            Ok(())
        }

        fn preview(
            &self,
            request: &PreviewRequest,
            cancel: &CancelToken,
            ready: &dyn Fn(Preview),
        ) -> Result<Option<RepairKey>, EngineError> {
            self.began.send(request.revision).expect("the test listens");
            let (began, is_slow) = (Instant::now(), request.revision != self.quick_revision);
            while is_slow && began.elapsed() < PATIENCE {
                cancel.check()?;
                std::thread::sleep(Duration::from_millis(1));
            }
            ready(picture_of(request));
            Ok(None)
        }

        fn look_for_dust(
            &self,
            _: &PreviewRequest,
            _: &CancelToken,
            _: &(dyn Fn(f32) + Sync),
        ) -> Result<(), EngineError> {
            Ok(())
        }

        fn look_ahead(&self, _: &PreviewRequest, _: (f64, f64), _: &CancelToken) -> Result<(), EngineError> {
            Ok(())
        }
    }

    fn request(revision: u64) -> PreviewRequest {
        PreviewRequest {
            key: ViewKey::Frame(FrameId(1)),
            at: SessionAt::default(),
            region: UnitRect::WHOLE,
            scan_rect: PixelRect::default(),
            max_width_px: 10,
            max_height_px: 10,
            side: PictureSide::Positive,
            overlay: Overlay::None,
            proof: None,
            revision,
        }
    }

    fn picture_of(request: &PreviewRequest) -> Preview {
        Preview {
            session: request.at.key,
            key: request.key,
            region: request.region,
            scan_rect: request.scan_rect,
            side: request.side,
            revision: request.revision,
            width_px: 0,
            height_px: 0,
            rgba: Arc::default(),
            histogram: None,
            overlay_share: 0.0,
            is_proof: false,
            out_of_gamut_share: None,
            repair: None,
            is_coarse: false,
            lacks_repair: false,
            millis: 0.0,
        }
    }

    #[test]
    fn a_newer_request_stops_the_picture_being_made_and_nothing_is_shown_of_it() {
        let (began, begins) = unbounded();
        let mut host = JobHost::inline(Arc::new(Engine::new()));
        host.worker = Arc::new(Slow { began, quick_revision: 2 });
        host.begin_threads(&|name, work| std::thread::Builder::new().name(name).spawn(work))
            .expect("threads start");
        host.preview(request(1));
        assert_eq!(begins.recv_timeout(PATIENCE), Ok(1));
        host.preview(request(2));
        assert_eq!(begins.recv_timeout(PATIENCE), Ok(2));
        let event = host.events.recv_timeout(PATIENCE).expect("the newer picture comes");
        assert!(
            matches!(&event.kind, JobEventKind::PreviewReady(picture) if picture.revision == 2),
            "{event:?}"
        );
    }

    #[test]
    fn a_host_that_gets_too_few_threads_says_so_and_still_does_every_job() {
        for given in 0..=Lane::ALL.len() + 2 {
            let left = Cell::new(given);
            let begin = |name: String, work: Box<dyn FnOnce() + Send>| {
                let count = left.get().checked_sub(1).ok_or(io::Error::from(io::ErrorKind::WouldBlock))?;
                left.set(count);
                std::thread::Builder::new().name(name).spawn(work)
            };
            let mut host = JobHost::threaded_by(Arc::new(Engine::new()), Arc::new(|| ()), &begin);
            let is_short = given < Lane::ALL.len() + 2;
            assert_eq!(host.take_trouble().is_some(), is_short, "{given} threads");
            let missing = || Job::OpenSession { path: "/nowhere/a.session.json".into() };
            host.submit(SessionAt::default(), missing());
            host.submit(SessionAt::default(), Job::DiscardAutosaves(Vec::new()));
            host.submit(SessionAt::default(), Job::Count { frames: Vec::new() });
            let (began, mut ended) = (Instant::now(), 0);
            while ended < 3 && began.elapsed() < Duration::from_secs(30) {
                match host.poll() {
                    Some(event) => ended += u32::from(event.kind.is_end()),
                    None => std::thread::sleep(Duration::from_millis(1)),
                }
            }
            assert_eq!((ended, host.active()), (3, 0), "{given} threads");
        }
    }
}
