//! Processor time for background lanes: work for the window comes first, the rest is theirs.
//!
//! Each lane computes on threads of its own, so that no preview queues behind a band of an export. On Linux there is one
//! for each core, with a priority that gives way: a lane has the whole machine while nothing else wants it, and next to
//! nothing in the milliseconds in which a preview or the window itself works. Elsewhere one core is left free.

use rayon::{ThreadPool, ThreadPoolBuilder};

use crate::jobs::Lane;

/// How far threads of a lane give way, in the scale of POSIX `nice`: 0 is usual, 19 gives way to everything.
///
/// On Linux each step is a factor of 1.25 of the time that threads get which compete for one core.
/// Source: `sched_prio_to_weight` of the kernel, which says "each nice level is 10 % CPU". What a person waits for comes
/// before an export, and an export before figures nobody asked for yet.
fn niceness(lane: Lane) -> i32 {
    match lane {
        Lane::Files => 0,
        Lane::Work => 5,
        Lane::Export => 15,
        Lane::Count => 18,
    }
}

/// The threads that one lane computes on.
#[derive(Debug)]
pub(crate) struct Crew {
    /// `None` computes on the threads everybody shares.
    pool: Option<ThreadPool>,
}

impl Crew {
    /// Threads for a lane. A system that refuses them makes the lane share those of the previews.
    pub(crate) fn new(lane: Lane) -> Self {
        if lane == Lane::Files {
            return Self { pool: None };
        }
        let nice = niceness(lane);
        let builder = ThreadPoolBuilder::new()
            .num_threads(threads())
            .thread_name(move |idx| format!("glassine-{lane:?}-{idx}").to_lowercase())
            .start_handler(move |_| give_way(nice));
        Self { pool: builder.build().ok() }
    }

    /// Run something, and everything it computes in parallel, on these threads; returns when it is done.
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

fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}

/// Lower the priority of the calling thread. Linux keeps priorities for each thread, also under this call, see
/// `man 2 setpriority`, "C library/kernel differences".
#[cfg(target_os = "linux")]
fn give_way(nice: i32) {
    // Refused, the thread works at the usual priority; the results are the same.
    rustix::process::setpriority_process(None, nice).ok();
}

#[cfg(not(target_os = "linux"))]
fn give_way(_nice: i32) {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lane_computes_on_its_own_threads() {
        let crew = Crew::new(Lane::Export);
        let name = crew.run(|| std::thread::current().name().map(str::to_owned));
        assert!(name.is_some_and(|name| name.starts_with("glassine-export-")));
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn an_export_gives_way_and_the_thread_that_asked_for_it_does_not() {
        let of_this_thread = || rustix::process::getpriority_process(None).expect("a thread has a priority");
        let before = of_this_thread();
        let export = Crew::new(Lane::Export).run(of_this_thread);
        let count = Crew::new(Lane::Count).run(of_this_thread);
        assert!(export > before, "{export} after {before}");
        assert!(count >= export, "{count} after {export}");
        assert_eq!(of_this_thread(), before);
    }
}
