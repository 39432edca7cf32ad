//! From what the views show to requests: each place on screen is asked for once for each state of what it depends on.

use std::collections::{HashMap, VecDeque};
use std::path::Path;
use std::sync::Arc;

use glassine_engine::jobs::{Job, JobId};
use glassine_engine::{JobHost, PreviewRequest, SessionAt, ViewKey};
use glassine_film::Stock;
use glassine_session::{Frame, ScanId, ScanRef, Session, Strip};

use crate::state::JobStatus;
use crate::store::{PreviewStore, Want, Wants};

/// Everything a picture depends on.
#[derive(Debug, Clone)]
struct Inputs {
    want: Want,
    frame: Option<Arc<Frame>>,
    strip: Option<Arc<Strip>>,
    scan: Option<Arc<ScanRef>>,
    /// The session's own stock, when the strip uses one.
    own_stock: Option<Arc<Stock>>,
    space: String,
    rendering: String,
}

impl Inputs {
    fn of(session: &Session, key: ViewKey, want: Want) -> Self {
        let (frame, scan) = match key {
            ViewKey::ScanRegion(scan) => (None, session.scan(scan)),
            ViewKey::Print(id) | ViewKey::Frame(id) | ViewKey::Compare(id) | ViewKey::Proof(id, _) => {
                let frame = session.frame(id);
                (frame, frame.and_then(|frame| session.context(frame)).map(|(_, scan)| scan))
            }
        };
        let strip = frame.and_then(|frame| session.strip(frame.strip));
        Self {
            want,
            frame: frame.cloned(),
            strip: strip.cloned(),
            scan: scan.cloned(),
            own_stock: strip.and_then(|strip| session.stock(&strip.stock_id)).cloned(),
            space: session.output.space.clone(),
            rendering: session.output.rendering.clone(),
        }
    }

    fn is_complete(&self, key: ViewKey) -> bool {
        self.scan.is_some() && (self.frame.is_some() || matches!(key, ViewKey::ScanRegion(_)))
    }

    /// Whether a picture made for `other` is still right.
    fn same(&self, other: &Self) -> bool {
        let frames = match (&self.frame, &other.frame) {
            (Some(a), Some(b)) => Arc::ptr_eq(a, b) || same_frame(a, b),
            (None, None) => true,
            _ => false,
        };
        let strips = match (&self.strip, &other.strip) {
            (Some(a), Some(b)) => Arc::ptr_eq(a, b) || same_strip(a, b),
            (None, None) => true,
            _ => false,
        };
        let scans = match (&self.scan, &other.scan) {
            (Some(a), Some(b)) => Arc::ptr_eq(a, b) || same_scan(a, b),
            (None, None) => true,
            _ => false,
        };
        frames
            && strips
            && scans
            && self.own_stock == other.own_stock
            && self.want == other.want
            && self.space == other.space
            && self.rendering == other.rendering
    }
}

/// Number, name and remarks of a frame do not change its picture.
fn same_frame(a: &Frame, b: &Frame) -> bool {
    a.crop == b.crop
        && a.orientation == b.orientation
        && a.image_area == b.image_area
        && a.look == b.look
        && a.strokes == b.strokes
        && a.solve == b.solve
        && a.strip == b.strip
}

fn same_strip(a: &Strip, b: &Strip) -> bool {
    a.film == b.film
        && a.stock_id == b.stock_id
        && a.base == b.base
        && a.mask_tolerance_d == b.mask_tolerance_d
        && a.unmix_strength == b.unmix_strength
        && a.balance == b.balance
        && a.solve == b.solve
}

fn same_scan(a: &ScanRef, b: &ScanRef) -> bool {
    a.path == b.path
        && a.infrared_path == b.infrared_path
        && a.encoding == b.encoding
        && a.fourth_sample == b.fourth_sample
        && a.fingerprint == b.fingerprint
}

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
    asked: HashMap<ViewKey, Inputs>,
    overviews: HashMap<ScanId, Arc<ScanRef>>,
    base: HashMap<ScanId, BaseInputs>,
    /// One look for base pixels at a time: while a slider moves, only the last position counts.
    base_running: HashMap<ScanId, JobId>,
    /// Large pictures, the last shown first.
    large: VecDeque<ViewKey>,
}

/// Large pictures kept after they were last shown: enough to go back and forth between neighbours at once.
/// One has up to 2560 by 2560 pixels, so these take at most 160 MB of texture memory.
const KEPT_LARGE: usize = 6;

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
        let inputs = Inputs::of(session, key, want);
        if !inputs.is_complete(key) || self.asked.get(&key).is_some_and(|asked| asked.same(&inputs)) {
            return;
        }
        self.asked.insert(key, inputs);
        self.revision += 1;
        previews.remember(key, self.revision, want);
        jobs.preview(PreviewRequest {
            key,
            at: SessionAt { session: session.clone(), folder: folder.cloned() },
            region: want.region,
            scan_rect: want.scan_rect,
            max_width_px: want.size_px[0],
            max_height_px: want.size_px[1],
            side: want.side,
            overlay: want.overlay,
            revision: self.revision,
        });
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

fn submit(jobs: &mut JobHost, status: &mut Vec<JobStatus>, job: Job) -> JobId {
    let label = job.label();
    let id = jobs.submit(job);
    status.push(JobStatus { id, label, share: 0.0, detail: String::new(), is_export: false, is_quiet: true });
    id
}
