//! Exact counts: every pixel of a file that would be written, counted in the background once things have settled.
//!
//! The program counts the frame shown large, and with the export pane open every frame the export would write. A newer
//! state replaces the running count; none starts during a gesture, while pictures are made, or during an export.

use std::collections::HashMap;

use glassine_engine::jobs::JobId;
use glassine_engine::{ExactCount, ExportReport, Notice};
use glassine_session::{FrameId, Session};

use crate::model::picture_inputs::Inputs;

/// Quiet time after the last change before counting starts, seconds.
/// Source: ours; shorter than a pause to look, longer than the gaps within a series of changes.
const SETTLED_S: f64 = 0.7;

/// State of the exact count of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CountState<'a> {
    /// Every pixel was counted in the present state.
    Exact(&'a ExactCount),
    /// The count is running; the share of the frame that is done.
    Counting(f32),
    /// The count will start in a moment.
    Waiting,
    /// The user stopped the count.
    Stopped,
    /// The count failed, with the reason.
    Failed(&'a str),
}

#[derive(Debug, Clone)]
struct Counted {
    inputs: Inputs,
    count: Result<ExactCount, Notice>,
    /// Whether the frame is still in that state.
    is_fresh: bool,
}

/// A running count.
#[derive(Debug, Clone)]
struct RunningCount {
    id: JobId,
    asked: Vec<(FrameId, Inputs)>,
    share: f32,
    is_dropped: bool,
}

/// The present state of the program, as the counts need it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct CountInputs {
    /// The window's clock, seconds.
    pub(crate) now_s: f64,
    /// Something else uses the machine: a gesture, pictures, an export, other work.
    pub(crate) is_busy: bool,
}

/// What the counts need next.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct CountStep {
    /// A count that is outdated.
    pub(crate) cancel: Option<JobId>,
    /// Frames whose count begins now; see [`ExactCounts::begun`].
    pub(crate) count: Vec<FrameId>,
    /// Time until the next look is useful, seconds.
    pub(crate) wait_s: Option<f64>,
}

/// Exact counts by frame, and the job that makes them.
#[derive(Debug, Clone, Default)]
pub struct ExactCounts {
    known: HashMap<FrameId, Counted>,
    running: Option<RunningCount>,
    /// Frames to count, unchanged since `pending_since_s`.
    pending: Vec<(FrameId, Inputs)>,
    pending_since_s: f64,
    /// The user stopped it: no count starts until something changes or the user asks for one.
    is_stopped: bool,
}

impl ExactCounts {
    /// Drops everything: another session begins. Returns the job to cancel.
    #[must_use]
    pub(crate) fn clear(&mut self) -> Option<JobId> {
        let dropped = self.drop_running();
        // Its job still has to end; no other starts until then.
        *self = Self { running: self.running.take(), ..Self::default() };
        dropped
    }

    pub fn state(&self, frame: FrameId) -> CountState<'_> {
        match self.known.get(&frame).filter(|known| known.is_fresh).map(|known| &known.count) {
            Some(Ok(count)) => return CountState::Exact(count),
            Some(Err(notice)) => return CountState::Failed(&notice.headline),
            None => {}
        }
        let running = self.running.as_ref().filter(|running| !running.is_dropped);
        let place = running.and_then(|running| {
            let left = running.asked.iter().filter(|(id, _)| !self.is_known(*id));
            left.map(|(id, _)| *id).next().filter(|id| *id == frame).map(|_| running)
        });
        match (place, self.is_stopped) {
            (Some(running), _) => {
                let done = running.asked.iter().filter(|(id, _)| self.is_known(*id)).count() as f32;
                CountState::Counting((running.share * running.asked.len() as f32 - done).clamp(0.0, 1.0))
            }
            (None, true) => CountState::Stopped,
            (None, false) => CountState::Waiting,
        }
    }

    /// How many of these frames are counted in their present state.
    pub fn counted(&self, frames: impl Iterator<Item = FrameId>) -> usize {
        frames.filter(|frame| self.is_known(*frame)).count()
    }

    /// Whether a count is running.
    pub fn is_counting(&self) -> bool {
        self.running.as_ref().is_some_and(|running| !running.is_dropped)
    }

    /// Whether the user stopped the count of what is shown.
    pub fn is_stopped(&self) -> bool {
        self.is_stopped
    }

    fn is_known(&self, frame: FrameId) -> bool {
        self.known.get(&frame).is_some_and(|known| known.is_fresh)
    }

    /// Stops the count at the user's request. Returns the job to cancel.
    #[must_use]
    pub(crate) fn stop(&mut self) -> Option<JobId> {
        self.is_stopped = true;
        self.drop_running()
    }

    /// Allows counting again after [`Self::stop`].
    pub(crate) fn resume(&mut self) {
        self.is_stopped = false;
    }

    /// The job of a count that is no longer wanted.
    fn drop_running(&mut self) -> Option<JobId> {
        let running = self.running.as_mut().filter(|running| !running.is_dropped)?;
        running.is_dropped = true;
        Some(running.id)
    }

    /// Records the progress of the running count.
    pub(crate) fn progress(&mut self, id: JobId, share: f32) {
        if let Some(running) = self.running.as_mut().filter(|running| running.id == id) {
            running.share = share;
        }
    }

    /// Records the count of a frame.
    pub(crate) fn counted_one(&mut self, id: JobId, frame: FrameId, count: Result<ExactCount, Notice>) {
        let Some(running) = self.running.as_ref().filter(|running| running.id == id && !running.is_dropped)
        else {
            return;
        };
        if let Some((_, inputs)) = running.asked.iter().find(|(asked, _)| *asked == frame) {
            self.known.insert(frame, Counted { inputs: inputs.clone(), count, is_fresh: true });
        }
    }

    /// Notes the end of a count. A failed one starts again when something has changed, not at once.
    pub(crate) fn ended(&mut self, id: JobId, has_failed: bool) {
        if let Some(running) = self.running.take_if(|running| running.id == id) {
            self.is_stopped |= has_failed && !running.is_dropped;
        }
    }

    /// Takes over what an export of `session` counted while it wrote: as exact as a count made here. Files of other
    /// settings than those of the session say nothing about it.
    pub(crate) fn take_report(&mut self, session: &Session, report: &ExportReport) {
        for file in report.written.iter().filter(|file| file.counts_for_session) {
            let count = ExactCount {
                clip_low: file.clip_low,
                clip_high: file.clip_high,
                pixels: file.counted_pixels,
            };
            let inputs = Inputs::of(session, session.frame(file.frame), None);
            self.known.insert(file.frame, Counted { inputs, count: Ok(count), is_fresh: true });
        }
    }

    /// Compares with the present state: what is to be done now.
    pub(crate) fn next(&mut self, session: &Session, wanted: &[FrameId], state: CountInputs) -> CountStep {
        let mut step = CountStep::default();
        let inputs_of = |id: FrameId| Inputs::of(session, session.frame(id), None);
        self.known.retain(|id, known| {
            let now = inputs_of(*id);
            known.is_fresh = now.same(&known.inputs);
            now.has_frame()
        });
        let missing: Vec<(FrameId, Inputs)> = wanted
            .iter()
            .filter(|id| !self.is_known(**id))
            .map(|id| (*id, inputs_of(*id)))
            .filter(|(_, inputs)| inputs.has_frame())
            .collect();
        let is_current =
            |asked: &(FrameId, Inputs)| wanted.contains(&asked.0) && inputs_of(asked.0).same(&asked.1);
        let is_stale = self.running.as_ref().is_some_and(|running| {
            let left = running.asked.iter().filter(|(id, _)| !self.is_known(*id));
            left.clone().any(|asked| !is_current(asked)) || left.count() < missing.len()
        });
        if is_stale {
            step.cancel = self.drop_running();
        }
        let is_same = missing.len() <= self.pending.len()
            && missing.iter().all(|(id, inputs)| {
                self.pending.iter().any(|(other, then)| id == other && inputs.same(then))
            });
        if !is_same {
            self.pending_since_s = state.now_s;
            self.is_stopped = false;
        }
        self.pending = missing;
        if self.pending.is_empty() || self.running.is_some() || self.is_stopped {
            return step;
        }
        let wait_s = self.pending_since_s + SETTLED_S - state.now_s;
        if wait_s > 0.0 {
            step.wait_s = Some(wait_s);
        } else if !state.is_busy {
            // Whatever keeps the machine busy wakes the window when it ends.
            step.count = self.pending.iter().map(|(id, _)| *id).collect();
        }
        step
    }

    /// Notes that the count of the frames of [`CountStep::count`] has begun.
    pub(crate) fn begun(&mut self, id: JobId) {
        self.running = Some(RunningCount { id, asked: self.pending.clone(), share: 0.0, is_dropped: false });
    }
}
