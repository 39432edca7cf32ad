//! Turns what the views show into requests: one per place on screen and state of its inputs.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

use glassine_engine::colour::Proof;
use glassine_engine::jobs::{Failure, Job, JobId};
use glassine_engine::{JobHost, Preview, PreviewRequest, ScanMarks, SessionAt, UnitRect, ViewKey};
use glassine_raster::{Orientation, TiltedBox};
use glassine_session::{ScanId, ScanRef, Session, Strip};

use crate::model::app_status::{JobKind, JobStatus};
use crate::model::picture_inputs::{Inputs, same_scan, same_strip};
use crate::model::preview_requests::{PreviewRequests, Viewport};
use crate::services::preview_store::PreviewStore;

/// Inputs of a scan's base pixels.
#[derive(Debug, Clone)]
struct MarkInputs {
    scan: Arc<ScanRef>,
    strips: Vec<Arc<Strip>>,
}

impl MarkInputs {
    fn same(&self, other: &Self) -> bool {
        let strips = |a: &Arc<Strip>, b: &Arc<Strip>| {
            same_strip(a, b) && a.film_area == b.film_area && a.perforations == b.perforations
        };
        same_scan(&self.scan, &other.scan)
            && self.strips.len() == other.strips.len()
            && self.strips.iter().zip(&other.strips).all(|(a, b)| strips(a, b))
    }
}

/// Something the views show that a job or a preview makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Shown {
    Picture(ViewKey),
    Overview(ScanId),
    Marks(ScanId, ScanMarks),
}

/// Waits between attempts after a failure, seconds; the last one repeats.
/// Source: ours; a network drive is back within seconds, a disk that was unplugged within minutes.
const RETRY_WAITS_S: [f64; 6] = [1.0, 2.0, 4.0, 8.0, 16.0, 30.0];

/// A failure to make something shown.
#[derive(Debug, Clone, Copy)]
struct Failed {
    /// Attempts so far.
    attempts: usize,
    /// When to try again; `None` while an attempt runs, or if it would not help.
    due_s: Option<f64>,
}

/// What was requested for one place on screen.
#[derive(Debug, Clone)]
struct Requested {
    viewport: Viewport,
    inputs: Inputs,
    /// State of the conversion to the screen.
    table_number: u64,
    /// What it is a proof of.
    proof: Option<Arc<Proof>>,
    /// Revision of the first request since the place is shown: undo makes ids come back, and older pictures may show
    /// another frame.
    first: u64,
    /// Revision of the last request.
    last: u64,
}

/// Remembers what was requested.
#[derive(Debug, Default)]
pub(crate) struct Scheduler {
    revision: u64,
    asked: HashMap<ViewKey, Requested>,
    overviews: HashMap<ScanId, Arc<ScanRef>>,
    marks: HashMap<(ScanId, ScanMarks), MarkInputs>,
    running: HashMap<JobId, Shown>,
    failed: HashMap<Shown, Failed>,
    /// State of the conversion to the screen in the last run.
    table_number: u64,
    /// Large pictures, most recently shown first.
    large: VecDeque<ViewKey>,
}

/// Large pictures kept after they were last shown: enough to go back and forth between neighbours at once. One has up
/// to 2560 by 2560 pixels, parts of scans are smaller: these take at most 200 MB of texture memory.
const KEPT_LARGE: usize = 8;

/// Input of one scheduler run, and where its requests go.
pub(crate) struct SchedulerInputs<'a> {
    /// The session, as it is shown.
    pub(crate) at: &'a SessionAt,
    pub(crate) requests: &'a PreviewRequests,
    /// The window's clock, seconds.
    pub(crate) now_s: f64,
    pub(crate) jobs: &'a mut JobHost,
    pub(crate) previews: &'a mut PreviewStore,
    pub(crate) status: &'a mut Vec<JobStatus>,
    /// State of the conversion to the screen: pictures converted in another one are made again.
    pub(crate) table_number: u64,
    /// How frames are proofed.
    pub(crate) proof: Option<&'a Arc<Proof>>,
}

impl Scheduler {
    /// Drops everything: another session begins. Revisions continue, so that late answers are recognised.
    pub(crate) fn clear(&mut self) {
        *self = Self { revision: self.revision, ..Self::default() };
    }

    /// Handles the end of a job that was started here. Returns whether its failure is worth a message: a repeated one
    /// is not.
    pub(crate) fn job_ended(&mut self, id: JobId, failure: Option<&Failure>, now_s: f64) -> bool {
        let Some(shown) = self.running.remove(&id) else { return true };
        match failure {
            Some(failure) => self.note_failure(shown, failure, now_s),
            None => {
                self.failed.remove(&shown);
                true
            }
        }
    }

    /// Whether a picture belongs to what this place shows. The picture requested last ends a series of failures.
    pub(crate) fn picture_ready(&mut self, preview: &Preview) -> bool {
        let is_expected = self.asked.get(&preview.key).is_some_and(|asked| preview.revision >= asked.first);
        if is_expected && self.asked.get(&preview.key).is_some_and(|asked| preview.revision == asked.last) {
            self.failed.remove(&Shown::Picture(preview.key));
        }
        is_expected
    }

    /// Whether a failed picture is the one requested last for its place; if so, it is tried again later.
    pub(crate) fn picture_failed(
        &mut self,
        view: ViewKey,
        revision: u64,
        failure: &Failure,
        now_s: f64,
    ) -> bool {
        let is_last = self.asked.get(&view).is_some_and(|asked| asked.last == revision);
        if is_last {
            self.note_failure(Shown::Picture(view), failure, now_s);
        }
        is_last
    }

    fn note_failure(&mut self, shown: Shown, failure: &Failure, now_s: f64) -> bool {
        let failed = self.failed.entry(shown).or_insert(Failed { attempts: 0, due_s: None });
        let wait_s = RETRY_WAITS_S[failed.attempts.min(RETRY_WAITS_S.len() - 1)];
        failed.attempts += 1;
        failed.due_s = failure.may_pass.then_some(now_s + wait_s);
        failed.attempts == 1
    }

    /// Tries everything again that failed: the user came back to the window and may have removed the cause.
    pub(crate) fn retry_all(&mut self, now_s: f64) {
        self.failed.values_mut().for_each(|failed| failed.due_s = Some(now_s));
    }

    /// When the next attempt is due. Attempts already due are left out: what they would make is no longer shown.
    pub(crate) fn next_retry_s(&self, now_s: f64) -> Option<f64> {
        let due = self.failed.values().filter_map(|failed| failed.due_s);
        due.filter(|due_s| *due_s > now_s).min_by(f64::total_cmp)
    }

    /// Whether to request something: its inputs changed, or another attempt is due.
    fn is_due(&mut self, shown: Shown, is_same: bool, now_s: f64) -> bool {
        if !is_same {
            self.failed.remove(&shown);
            return true;
        }
        let failed = self.failed.get_mut(&shown);
        failed.is_some_and(|failed| failed.due_s.take_if(|due_s| *due_s <= now_s).is_some())
    }

    /// Requests everything shown that is missing in its present state.
    pub(crate) fn run(&mut self, mut asks: SchedulerInputs<'_>) {
        let (session, requests) = (&asks.at.session, asks.requests);
        if self.table_number != asks.table_number {
            self.table_number = asks.table_number;
            self.overviews.clear();
            self.marks.clear();
        }
        for (key, viewport) in &requests.pictures {
            self.ask_picture(session, *key, *viewport, &mut asks);
        }
        for (key, viewport, edits) in &requests.variations {
            let varied = edits.iter().try_fold(session.clone(), |session, edit| edit.apply(&session));
            if let Ok(varied) = varied {
                self.ask_picture(&varied, *key, *viewport, &mut asks);
            }
        }
        for scan in requests.overviews.iter().filter_map(|id| session.scan(*id)) {
            let is_same = self.overviews.get(&scan.id).is_some_and(|asked| same_scan(asked, scan));
            if self.is_due(Shown::Overview(scan.id), is_same, asks.now_s) {
                self.overviews.insert(scan.id, Arc::clone(scan));
                self.submit(Shown::Overview(scan.id), Job::Overview { scan: scan.id }, &mut asks);
            }
        }
        for (scan, marks) in
            requests.marks.iter().filter_map(|(id, marks)| Some((session.scan(*id)?, *marks)))
        {
            let strips = session.strips.iter().filter(|strip| strip.scan == scan.id).cloned().collect();
            let inputs = MarkInputs { scan: Arc::clone(scan), strips };
            let shown = Shown::Marks(scan.id, marks);
            // One job for the marks of a scan at a time: while the user drags a slider, only the last position counts.
            let is_running = self.running.values().any(|running| *running == shown);
            let is_same = self.marks.get(&(scan.id, marks)).is_some_and(|asked| asked.same(&inputs));
            if !is_running && self.is_due(shown, is_same, asks.now_s) {
                self.marks.insert((scan.id, marks), inputs);
                self.submit(shown, Job::MarkScan { scan: scan.id, marks }, &mut asks);
            }
        }
        let exists = |key: &ViewKey| match key {
            ViewKey::ScanRegion(scan) => session.scan(*scan).is_some(),
            ViewKey::Print(id) | ViewKey::Frame(id) | ViewKey::Compare(id) => session.frame(*id).is_some(),
            ViewKey::Proof(..) => requests.variations.iter().any(|(wanted, ..)| wanted == key),
        };
        self.asked.retain(|key, _| exists(key));
        self.overviews.retain(|id, _| session.scan(*id).is_some());
        self.marks.retain(|(id, _), _| session.scan(*id).is_some());
        self.failed.retain(|shown, _| match shown {
            Shown::Picture(key) => exists(key),
            Shown::Overview(scan) | Shown::Marks(scan, _) => session.scan(*scan).is_some(),
        });
        asks.previews.keep_only(exists, |scan| session.scan(scan).is_some());
        self.keep_few_large(requests, asks.previews);
    }

    fn submit(&mut self, shown: Shown, job: Job, asks: &mut SchedulerInputs<'_>) {
        let label = job.label();
        let id = asks.jobs.submit(asks.at.clone(), job);
        asks.status
            .push(JobStatus { ends_with_session: true, ..JobStatus::new(id, label, JobKind::Background) });
        self.running.insert(id, shown);
    }

    /// Requests one picture, unless it was already requested in this state.
    fn ask_picture(
        &mut self,
        session: &Session,
        key: ViewKey,
        viewport: Viewport,
        asks: &mut SchedulerInputs<'_>,
    ) {
        let inputs = match key {
            ViewKey::ScanRegion(scan) => Inputs::of(session, None, session.scan(scan)),
            ViewKey::Print(id) | ViewKey::Frame(id) | ViewKey::Compare(id) | ViewKey::Proof(id, _) => {
                Inputs::of(session, session.frame(id), None)
            }
        };
        let is_complete = inputs.has_scan() && (inputs.has_frame() || matches!(key, ViewKey::ScanRegion(_)));
        let was_asked = self.asked.get(&key);
        let (table_number, proof) = (asks.table_number, asks.proof.filter(|_| inputs.has_frame()).cloned());
        let is_same = was_asked.is_some_and(|asked| {
            asked.viewport == viewport
                && asked.inputs.same(&inputs)
                && asked.table_number == table_number
                && asked.proof.as_ref().map(Arc::as_ptr) == proof.as_ref().map(Arc::as_ptr)
        });
        let (before, first) =
            (was_asked.map(|asked| asked.viewport.region), was_asked.map(|asked| asked.first));
        if !is_complete || !self.is_due(Shown::Picture(key), is_same, asks.now_s) {
            return;
        }
        self.revision += 1;
        let last = self.revision;
        let first = first.unwrap_or(last);
        let asked = Requested { viewport, inputs, table_number, proof: proof.clone(), first, last };
        self.asked.insert(key, asked);
        let request = PreviewRequest {
            key,
            at: SessionAt { session: session.clone(), ..asks.at.clone() },
            region: viewport.region,
            scan_rect: viewport.scan_rect,
            max_width_px: viewport.size_px[0],
            max_height_px: viewport.size_px[1],
            side: viewport.side,
            overlay: viewport.overlay,
            proof,
            revision: last,
        };
        let closeup = match key {
            ViewKey::Frame(id) if viewport.region != UnitRect::WHOLE => session.frame(id).cloned(),
            _ => None,
        };
        asks.jobs.preview(request.clone());
        if let Some(frame) = closeup {
            let toward = before.map_or((0.0, 0.0), |before| {
                way_over_the_scan(&frame.crop, frame.orientation, before, viewport.region)
            });
            asks.jobs.look_ahead(request, toward);
        }
    }

    fn keep_few_large(&mut self, requests: &PreviewRequests, previews: &mut PreviewStore) {
        for (key, _) in requests.pictures.iter().filter(|(key, _)| !matches!(key, ViewKey::Print(_))) {
            self.large.retain(|other| other != key);
            self.large.push_front(*key);
        }
        let shown = |key: &ViewKey| requests.pictures.iter().any(|(wanted, _)| wanted == key);
        while self.large.len() > KEPT_LARGE && self.large.back().is_some_and(|key| !shown(key)) {
            if let Some(key) = self.large.pop_back() {
                self.asked.remove(&key);
                self.failed.remove(&Shown::Picture(key));
                previews.forget(key);
            }
        }
    }
}

/// How far a close-up of a frame moved over the scan between two parts of its upright picture, in scan pixels.
fn way_over_the_scan(
    crop: &TiltedBox,
    orientation: Orientation,
    before: UnitRect,
    now: UnitRect,
) -> (f64, f64) {
    let [from, to] = [before, now].map(|region| {
        let upright = ((region.x0 + region.x1) / 2.0, (region.y0 + region.y1) / 2.0);
        let (u, v) = orientation.box_from_upright(upright.0, upright.1);
        crop.scan_from_unit(u, v)
    });
    (to.x - from.x, to.y - from.y)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_close_up_that_moves_right_moves_over_the_scan_as_the_frame_lies_in_it() {
        let part = |x0: f64| UnitRect { x0, y0: 0.4, x1: x0 + 0.2, y1: 0.6 };
        let way = |quarter_turns| {
            let crop = TiltedBox::from_edges(50.0, 20.0, 150.0, 70.0);
            let orientation = Orientation::new(quarter_turns, false);
            way_over_the_scan(&crop, orientation, part(0.1), part(0.3))
        };
        let close = |(x, y): (f64, f64), wanted: (f64, f64)| (x - wanted.0).hypot(y - wanted.1) < 1e-9;
        assert!(close(way(0), (20.0, 0.0)), "{:?}", way(0));
        // A box turned clockwise by one quarter shows the scan's lower end at its left.
        assert!(close(way(1), (0.0, -10.0)), "{:?}", way(1));
        assert!(close(way(2), (-20.0, 0.0)), "{:?}", way(2));
    }
}
