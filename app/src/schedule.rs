//! From what the views show to requests: each place on screen is asked for once for each state of what it depends on.

use std::collections::{HashMap, VecDeque};
use std::path::Path;
use std::sync::Arc;

use glassine_engine::jobs::{Job, JobId};
use glassine_engine::{JobHost, PreviewRequest, SessionAt, UnitRect, ViewKey};
use glassine_raster::{Orientation, TiltedBox};
use glassine_session::{ScanId, ScanRef, Session, Strip};

use crate::inputs::{Inputs, same_scan, same_strip};
use crate::state::{JobKind, JobStatus};
use crate::store::{PreviewStore, Want, Wants};

/// What the base pixels of a scan depend on.
#[derive(Debug, Clone)]
struct BaseInputs {
    scan: Arc<ScanRef>,
    strips: Vec<Arc<Strip>>,
}

impl BaseInputs {
    fn same(&self, other: &Self) -> bool {
        let strips = |a: &Arc<Strip>, b: &Arc<Strip>| {
            same_strip(a, b) && a.film_area == b.film_area && a.perforations == b.perforations
        };
        same_scan(&self.scan, &other.scan)
            && self.strips.len() == other.strips.len()
            && self.strips.iter().zip(&other.strips).all(|(a, b)| strips(a, b))
    }
}

/// Remembers what was asked for.
#[derive(Debug, Default)]
pub(crate) struct Scheduler {
    revision: u64,
    asked: HashMap<ViewKey, (Want, Inputs)>,
    overviews: HashMap<ScanId, Arc<ScanRef>>,
    base: HashMap<ScanId, BaseInputs>,
    /// One look for base pixels at a time: while a slider moves, only the last position counts.
    base_running: HashMap<ScanId, JobId>,
    /// Large pictures, the last shown first.
    large: VecDeque<ViewKey>,
}

/// Large pictures kept after they were last shown: enough to go back and forth between neighbours at once.
/// One has up to 2560 by 2560 pixels, parts of scans are smaller: these take at most 200 MB of texture memory.
const KEPT_LARGE: usize = 8;

impl Scheduler {
    /// Forget everything: another session begins. Numbers go on, so that late answers are told apart.
    pub(crate) fn clear(&mut self) {
        *self = Self { revision: self.revision, ..Self::default() };
    }

    /// The base pixels of a scan arrived.
    pub(crate) fn base_pixels_done(&mut self, scan: ScanId) {
        self.base_running.remove(&scan);
    }

    /// A job gave no result.
    pub(crate) fn job_failed(&mut self, id: JobId) {
        self.base_running.retain(|_, running| *running != id);
    }

    /// Ask for everything shown that is not there in its present state.
    pub(crate) fn run(
        &mut self,
        session: &Session,
        wants: &Wants,
        folder: Option<Arc<Path>>,
        jobs: &mut JobHost,
        previews: &mut PreviewStore,
        status: &mut Vec<JobStatus>,
    ) {
        let at = || SessionAt { session: session.clone(), folder: folder.clone() };
        for (key, want) in &wants.pictures {
            self.ask_picture(session, *key, *want, folder.as_ref(), jobs, previews);
        }
        for (key, want, edits) in &wants.proofs {
            let varied = edits.iter().try_fold(session.clone(), |session, edit| edit.apply(&session));
            if let Ok(varied) = varied {
                self.ask_picture(&varied, *key, *want, folder.as_ref(), jobs, previews);
            }
        }
        for scan in wants.overviews.iter().filter_map(|id| session.scan(*id)) {
            if self.overviews.get(&scan.id).is_some_and(|asked| same_scan(asked, scan)) {
                continue;
            }
            self.overviews.insert(scan.id, Arc::clone(scan));
            submit(jobs, status, Job::Overview { at: at(), scan: scan.id });
        }
        for scan in wants.base_pixels.iter().filter_map(|id| session.scan(*id)) {
            let strips = session.strips.iter().filter(|strip| strip.scan == scan.id).cloned().collect();
            let inputs = BaseInputs { scan: Arc::clone(scan), strips };
            if self.base_running.contains_key(&scan.id)
                || self.base.get(&scan.id).is_some_and(|asked| asked.same(&inputs))
            {
                continue;
            }
            self.base.insert(scan.id, inputs);
            let id = submit(jobs, status, Job::BaseOverlay { at: at(), scan: scan.id });
            self.base_running.insert(scan.id, id);
        }
        let exists = |key: &ViewKey| match key {
            ViewKey::ScanRegion(scan) => session.scan(*scan).is_some(),
            ViewKey::Print(id) | ViewKey::Frame(id) | ViewKey::Compare(id) => session.frame(*id).is_some(),
            ViewKey::Proof(..) => wants.proofs.iter().any(|(wanted, ..)| wanted == key),
        };
        self.asked.retain(|key, _| exists(key));
        previews.keep_only(exists);
        self.keep_few_large(wants, previews);
    }

    /// Ask for one picture, unless it was asked for in this state already.
    fn ask_picture(
        &mut self,
        session: &Session,
        key: ViewKey,
        want: Want,
        folder: Option<&Arc<Path>>,
        jobs: &mut JobHost,
        previews: &mut PreviewStore,
    ) {
        let inputs = match key {
            ViewKey::ScanRegion(scan) => Inputs::of(session, None, session.scan(scan)),
            ViewKey::Print(id) | ViewKey::Frame(id) | ViewKey::Compare(id) | ViewKey::Proof(id, _) => {
                Inputs::of(session, session.frame(id), None)
            }
        };
        let is_complete = inputs.has_scan() && (inputs.has_frame() || matches!(key, ViewKey::ScanRegion(_)));
        let was_asked = self.asked.get(&key);
        if !is_complete || was_asked.is_some_and(|(asked, then)| *asked == want && then.same(&inputs)) {
            return;
        }
        let before = was_asked.map(|(asked, _)| asked.region);
        self.asked.insert(key, (want, inputs));
        self.revision += 1;
        previews.remember(key, self.revision, want);
        let request = PreviewRequest {
            key,
            at: SessionAt { session: session.clone(), folder: folder.cloned() },
            region: want.region,
            scan_rect: want.scan_rect,
            max_width_px: want.size_px[0],
            max_height_px: want.size_px[1],
            side: want.side,
            overlay: want.overlay,
            revision: self.revision,
        };
        let closeup = match key {
            ViewKey::Frame(id) if want.region != UnitRect::WHOLE => session.frame(id).cloned(),
            _ => None,
        };
        jobs.preview(request.clone());
        if let Some(frame) = closeup {
            let toward = before.map_or((0.0, 0.0), |before| {
                way_over_the_scan(&frame.crop, frame.orientation, before, want.region)
            });
            jobs.look_ahead(request, toward);
        }
    }

    fn keep_few_large(&mut self, wants: &Wants, previews: &mut PreviewStore) {
        for (key, _) in wants.pictures.iter().filter(|(key, _)| !matches!(key, ViewKey::Print(_))) {
            self.large.retain(|other| other != key);
            self.large.push_front(*key);
        }
        while self.large.len() > KEPT_LARGE {
            if let Some(key) = self.large.pop_back() {
                self.asked.remove(&key);
                previews.forget(key);
            }
        }
    }
}

/// Where a close-up of a frame moved over the scan between two parts of its upright picture, in scan pixels.
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

fn submit(jobs: &mut JobHost, status: &mut Vec<JobStatus>, job: Job) -> JobId {
    let label = job.label();
    let id = jobs.submit(job);
    status.push(JobStatus::new(id, label, JobKind::Background));
    id
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
