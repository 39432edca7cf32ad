//! Processor time for background lanes: work for the window comes first, the lanes get the rest.
//!
//! Each lane has its own threads, so that no preview queues behind a band of an export. On Linux a lane has one thread
//! per core, at a lower priority: it has the whole machine while nothing else wants it, and next to nothing in the
//! milliseconds in which a preview or the window itself works. Elsewhere one core is left free.

use rayon::{ThreadPool, ThreadPoolBuilder};

use crate::jobs::Lane;
use crate::threads::{cores, start};

/// Priority of a lane's threads, in the scale of POSIX `nice`: 0 is usual, 19 yields to everything.
///
/// On Linux each step changes the share of a contested core by a factor of 1.25. Source: `sched_prio_to_weight` of the
/// kernel, which says "each nice level is 10 % CPU". What the user waits for comes before an export, and an export
/// before figures that were not requested yet.
fn niceness(lane: Lane) -> i32 {
    match lane {
        Lane::Files => 0,
        Lane::Work => 5,
        Lane::Export => 15,
        Lane::Count => 18,
    }
}

/// The thread pool of one lane.
#[derive(Debug)]
pub(crate) struct LanePool {
    /// `None` computes on the shared thread pool.
    pool: Option<ThreadPool>,
}

impl LanePool {
    /// Start as many threads for a lane as the system allows. Without any, the lane uses the shared thread pool.
    pub(crate) fn new(lane: Lane) -> Self {
        if lane == Lane::Files {
            return Self { pool: None };
        }
        let nice = niceness(lane);
        let (started, hand_over) = start(threads(), &format!("glassine-{lane:?}").to_lowercase());
        let pool = || {
            let builder =
                ThreadPoolBuilder::new().num_threads(started).start_handler(move |_| give_way(nice));
            builder.spawn_handler(hand_over).build().ok()
        };
        Self { pool: (started > 0).then(pool).flatten() }
    }

    /// Run something, with all its parallel parts, on these threads; returns when it is done.
    pub(crate) fn run<R: Send>(&self, work: impl FnOnce() -> R + Send) -> R {
        match &self.pool {
            Some(pool) => pool.install(work),
            None => work(),
        }
    }
}

#[cfg(target_os = "linux")]
fn threads() -> usize {
    cores()
}

#[cfg(not(target_os = "linux"))]
fn threads() -> usize {
    cores().saturating_sub(1).max(1)
}

/// Lower the priority of the calling thread. Linux keeps one priority per thread, and this call sets only that of the
/// calling thread; see `man 2 setpriority`, "C library/kernel differences".
#[cfg(target_os = "linux")]
fn give_way(nice: i32) {
    // If refused, the thread works at the usual priority; the results are the same.
    rustix::process::setpriority_process(None, nice).ok();
}

#[cfg(not(target_os = "linux"))]
fn give_way(_nice: i32) {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lane_computes_on_its_own_threads() {
        let pool = LanePool::new(Lane::Export);
        let name = pool.run(|| std::thread::current().name().map(str::to_owned));
        assert!(name.is_some_and(|name| name.starts_with("glassine-export-")));
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn an_export_gives_way_and_the_thread_that_asked_for_it_does_not() {
        let of_this_thread = || rustix::process::getpriority_process(None).expect("a thread has a priority");
        let before = of_this_thread();
        let export = LanePool::new(Lane::Export).run(of_this_thread);
        let count = LanePool::new(Lane::Count).run(of_this_thread);
        assert!(export > before, "{export} after {before}");
        assert!(count >= export, "{count} after {export}");
        assert_eq!(of_this_thread(), before);
    }
}
