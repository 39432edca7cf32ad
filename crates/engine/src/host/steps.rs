//! A job host that does nothing by itself: tests decide which job runs next and when its events arrive.

use std::collections::{HashMap, VecDeque};

use glassine_raster::CancelToken;

use crate::host::JobHost;
use crate::host::lanes::{QueuedJob, look_for_dust, run_job, run_preview};
use crate::host::preview_queue::{PreviewQueue, RepairTask};
use crate::jobs::{JobEvent, Lane};
use crate::types::PreviewRequest;

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
    /// Take the next dust detection off the queue.
    BeginDust,
    /// Run that dust detection.
    LookForDust,
    /// Hand over the oldest event of the pictures.
    DeliverPicture,
}

/// Queues of a host that does nothing by itself.
#[derive(Default)]
pub(crate) struct Steps {
    pub(crate) queued: HashMap<Lane, VecDeque<QueuedJob>>,
    sent: HashMap<Option<Lane>, VecDeque<JobEvent>>,
    picture: Option<(PreviewRequest, CancelToken)>,
    dust: Option<RepairTask>,
    pub(crate) delivered: VecDeque<JobEvent>,
}

impl JobHost {
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

    /// Do one of [`Self::possible_steps`]; any other does nothing. Returns the event that it hands over, which
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
