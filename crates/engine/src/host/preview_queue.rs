//! Which picture is made next, and which frame is checked for dust meanwhile.
//!
//! A picture without its dust repair is shown as it is and queues a request for the repair. A second thread serves
//! these requests, newest first, so that no other picture waits for them; then the picture is made again.

use std::collections::HashMap;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

use glassine_raster::CancelToken;

use crate::dust::RepairKey;
use crate::types::{PreviewRequest, ViewKey};

/// A repair that pictures wait for.
struct RepairRequest {
    repair: RepairKey,
    requests: Vec<PreviewRequest>,
}

/// A repair to be made.
pub(crate) struct RepairTask {
    pub(crate) repair: RepairKey,
    pub(crate) request: PreviewRequest,
    pub(crate) cancel: CancelToken,
}

#[derive(Default)]
pub(crate) struct PreviewQueue {
    waiting: HashMap<ViewKey, (u64, PreviewRequest)>,
    /// The view to read ahead of once nothing waits, and the direction it moves in.
    pub(crate) ahead: Option<(PreviewRequest, (f64, f64))>,
    /// What is being made; no key while reading ahead.
    pub(crate) running: Option<(Option<ViewKey>, CancelToken)>,
    arrivals: u64,
    pub(crate) closed: bool,
    /// Whether a thread makes repairs.
    pub(crate) has_dust_thread: bool,
    /// Requested repairs, the most urgent last.
    dust: Vec<RepairRequest>,
    /// The repair being made.
    looking: Option<(RepairKey, CancelToken)>,
}

impl PreviewQueue {
    /// Take a request; it replaces an earlier one for the same place, and stops one being worked on.
    pub(crate) fn push(&mut self, request: PreviewRequest) {
        if let Some((key, cancel)) = &self.running
            && key.is_none_or(|key| key == request.key)
        {
            cancel.cancel();
        }
        self.wait_for(request);
    }

    fn wait_for(&mut self, request: PreviewRequest) {
        self.arrivals += 1;
        let arrival = self.waiting.get(&request.key).map_or(self.arrivals, |(arrival, _)| *arrival);
        self.waiting.insert(request.key, (arrival, request));
    }

    /// Take the most urgent request: what the user looks at first, then in order of arrival.
    pub(crate) fn take_next(&mut self) -> Option<PreviewRequest> {
        let urgency = |key: &ViewKey| match key {
            ViewKey::Frame(_) => 0,
            ViewKey::Compare(_) => 1,
            ViewKey::ScanRegion(_) => 2,
            ViewKey::Proof(..) => 3,
            ViewKey::Print(_) => 4,
        };
        let key = *self.waiting.iter().min_by_key(|(key, (arrival, _))| (urgency(key), *arrival))?.0;
        self.waiting.remove(&key).map(|(_, request)| request)
    }

    /// Take the most urgent request and count it as running.
    pub(crate) fn begin_next(&mut self) -> Option<(PreviewRequest, CancelToken)> {
        let (request, cancel) = (self.take_next()?, CancelToken::new());
        self.running = Some((Some(request.key), cancel.clone()));
        Some((request, cancel))
    }

    /// Record that a picture was made; `repair` is what it still lacks. Drops earlier repair requests of that place.
    pub(crate) fn made(&mut self, request: &PreviewRequest, repair: Option<RepairKey>) {
        for asked in &mut self.dust {
            asked.requests.retain(|other| other.key != request.key);
        }
        if let Some(repair) = repair {
            let known = self.dust.iter().position(|asked| asked.repair == repair);
            let mut asked = match known {
                Some(at) => self.dust.remove(at),
                None => RepairRequest { repair, requests: Vec::new() },
            };
            asked.requests.push(request.clone());
            self.dust.push(asked);
        }
        self.dust.retain(|asked| !asked.requests.is_empty());
        let most_wanted = self.dust.last().map(|asked| asked.repair);
        if let Some((repair, cancel)) = &self.looking
            && most_wanted != Some(*repair)
        {
            cancel.cancel();
        }
    }

    /// Take the repair to make next, unless one is being made.
    pub(crate) fn take_dust(&mut self) -> Option<RepairTask> {
        let asked = self.dust.last().filter(|_| self.looking.is_none())?;
        let (repair, request, cancel) = (asked.repair, asked.requests.first()?.clone(), CancelToken::new());
        self.looking = Some((repair, cancel.clone()));
        Some(RepairTask { repair, request, cancel })
    }

    /// Record that a repair was made (`is_over`), or given up for another one; returns the pictures that waited for it
    /// if it was made.
    pub(crate) fn dust_ended(&mut self, repair: RepairKey, is_over: bool) -> Vec<PreviewRequest> {
        self.looking = None;
        let at = self.dust.iter().position(|asked| asked.repair == repair).filter(|_| is_over);
        at.map(|at| self.dust.remove(at).requests).unwrap_or_default()
    }

    /// Make a picture again, unless a newer one for that place is on its way.
    pub(crate) fn again(&mut self, request: PreviewRequest) {
        let is_running = self.running.as_ref().is_some_and(|(key, _)| *key == Some(request.key));
        if !is_running && !self.waiting.contains_key(&request.key) {
            self.wait_for(request);
        }
    }

    /// Drop everything, and stop the picture being made and the dust detection.
    pub(crate) fn forget(&mut self) {
        if let Some((_, cancel)) = &self.running {
            cancel.cancel();
        }
        self.waiting.clear();
        self.ahead = None;
        self.dust.clear();
        self.stop_looking();
    }

    pub(crate) fn close(&mut self) {
        self.closed = true;
        if let Some((_, cancel)) = &self.running {
            cancel.cancel();
        }
        self.stop_looking();
    }

    fn stop_looking(&self) {
        if let Some((_, cancel)) = &self.looking {
            cancel.cancel();
        }
    }

    /// Whether a picture waits to be made.
    pub(crate) fn has_waiting(&self) -> bool {
        !self.waiting.is_empty()
    }

    /// Whether a repair can be made next.
    pub(crate) fn has_dust(&self) -> bool {
        self.looking.is_none() && !self.dust.is_empty()
    }

    /// Whether a picture is being made or comes next; dust detection does not count.
    pub(crate) fn makes_pictures(&self) -> bool {
        !self.waiting.is_empty() || self.running.as_ref().is_some_and(|(key, _)| key.is_some())
    }

    /// Whether no picture or dust repair is being made or waiting.
    pub(crate) fn is_at_rest(&self) -> bool {
        self.waiting.is_empty() && self.running.is_none() && self.dust.is_empty() && self.looking.is_none()
    }
}

/// The queue, shared by the threads that request pictures and those that make them.
#[derive(Default)]
pub(crate) struct PreviewLane {
    queue: Mutex<PreviewQueue>,
    changed: Condvar,
}

impl PreviewLane {
    pub(crate) fn lock(&self) -> MutexGuard<'_, PreviewQueue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Change the queue and wake all waiting threads.
    pub(crate) fn change<R>(&self, change: impl FnOnce(&mut PreviewQueue) -> R) -> R {
        let outcome = change(&mut self.lock());
        self.changed.notify_all();
        outcome
    }

    /// Wait until there is something to take; `None` when the queue is closed.
    pub(crate) fn wait_for<T>(&self, mut take: impl FnMut(&mut PreviewQueue) -> Option<T>) -> Option<T> {
        let mut queue = self.lock();
        loop {
            if queue.closed {
                return None;
            }
            if let Some(taken) = take(&mut queue) {
                return Some(taken);
            }
            queue = self.changed.wait(queue).unwrap_or_else(PoisonError::into_inner);
        }
    }
}

#[cfg(test)]
mod tests {
    use glassine_raster::PixelRect;
    use glassine_session::FrameId;

    use super::*;
    use crate::types::{Overlay, PictureSide, SessionAt, UnitRect};

    fn request(key: ViewKey, revision: u64) -> PreviewRequest {
        PreviewRequest {
            key,
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

    const FIRST: ViewKey = ViewKey::Frame(FrameId(1));
    const SECOND: ViewKey = ViewKey::Frame(FrameId(2));

    #[test]
    fn a_slider_that_moves_on_while_dust_is_looked_for_does_not_begin_the_look_again() {
        let (mut queue, repair) = (PreviewQueue::default(), RepairKey::numbered(1));
        queue.made(&request(FIRST, 1), Some(repair));
        let look = queue.take_dust().expect("a repair is wished for");
        queue.made(&request(FIRST, 2), Some(repair));
        assert!(!look.cancel.is_cancelled() && queue.take_dust().is_none());
        let waited = queue.dust_ended(repair, true);
        assert_eq!(waited.iter().map(|request| request.revision).collect::<Vec<_>>(), [2]);
        assert!(queue.is_at_rest());
    }

    #[test]
    fn the_frame_looked_at_last_comes_first_and_the_other_one_afterwards() {
        let mut queue = PreviewQueue::default();
        let [one, two] = [1, 2].map(RepairKey::numbered);
        queue.made(&request(FIRST, 1), Some(one));
        let look = queue.take_dust().expect("a repair is wished for");
        queue.made(&request(SECOND, 2), Some(two));
        assert!(look.cancel.is_cancelled());
        assert!(queue.dust_ended(one, false).is_empty());
        for (repair, revision) in [(two, 2), (one, 1)] {
            let look = queue.take_dust().expect("a repair is wished for");
            assert_eq!((look.repair, look.request.revision), (repair, revision));
            assert_eq!(queue.dust_ended(repair, true).len(), 1);
        }
        assert!(queue.is_at_rest());
    }

    #[test]
    fn a_picture_that_needs_no_repair_any_more_stops_the_look_for_it() {
        let (mut queue, repair) = (PreviewQueue::default(), RepairKey::numbered(1));
        queue.made(&request(FIRST, 1), Some(repair));
        let look = queue.take_dust().expect("a repair is wished for");
        queue.made(&request(FIRST, 2), None);
        assert!(look.cancel.is_cancelled());
        queue.dust_ended(repair, false);
        assert!(queue.is_at_rest());
    }

    #[test]
    fn a_newer_request_stops_the_picture_of_its_own_place_alone() {
        let mut queue = PreviewQueue::default();
        queue.push(request(FIRST, 1));
        let (_, running) = queue.begin_next().expect("a picture waits");
        queue.push(request(SECOND, 2));
        assert!(!running.is_cancelled());
        queue.push(request(FIRST, 3));
        assert!(running.is_cancelled());
        let (next, token) = queue.begin_next().expect("a picture waits");
        assert!(next.revision == 2 && !token.is_cancelled());
    }

    #[test]
    fn a_repaired_picture_is_not_made_when_a_newer_one_for_its_place_waits() {
        let mut queue = PreviewQueue::default();
        queue.push(request(FIRST, 5));
        queue.again(request(FIRST, 4));
        queue.again(request(SECOND, 3));
        let next = queue.take_next().map(|request| request.revision);
        assert_eq!(next, Some(5));
        assert_eq!(queue.take_next().map(|request| request.revision), Some(3));
        assert!(queue.take_next().is_none());
    }
}
