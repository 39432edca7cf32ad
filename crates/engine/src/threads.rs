//! Thread pools that also start where the system gives fewer threads than wanted, or none.

use std::sync::Once;

use crossbeam_channel::unbounded;
use rayon::{ThreadBuilder, ThreadPoolBuilder};

/// Start the shared thread pool: one thread per core, or fewer if the system refuses more. Without any, the calling
/// thread computes alone.
///
/// Otherwise the first computation would create the pool, and panic if a thread is refused.
pub fn prepare_threads() {
    static STARTED: Once = Once::new();
    STARTED.call_once(|| {
        let (started, hand_over) = start(cores(), "glassine-shared");
        // A program that has computed before already has its pool; ours is then not needed.
        if started > 0 {
            ThreadPoolBuilder::new().num_threads(started).spawn_handler(hand_over).build_global().ok();
        } else {
            ThreadPoolBuilder::new().num_threads(1).use_current_thread().build_global().ok();
        }
    });
}

/// Start up to `most` threads, each of which waits for the pool worker it will run. Returns how many there are and a
/// function that hands a worker to the next thread; threads that get none end.
pub(crate) fn start(
    most: usize,
    name: &str,
) -> (usize, impl FnMut(ThreadBuilder) -> std::io::Result<()> + 'static) {
    let (sender, receiver) = unbounded::<ThreadBuilder>();
    let is_started = |idx: &usize| {
        let parts = receiver.clone();
        let run = move || parts.recv().map_or((), ThreadBuilder::run);
        std::thread::Builder::new().name(format!("{name}-{idx}")).spawn(run).is_ok()
    };
    let started = (0..most).take_while(is_started).count();
    (started, move |part| sender.send(part).map_err(|_no_thread| std::io::ErrorKind::Other.into()))
}

pub(crate) fn cores() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pool_has_as_many_threads_as_were_started() {
        let (started, hand_over) = start(3, "few");
        let pool = ThreadPoolBuilder::new().num_threads(started).spawn_handler(hand_over).build();
        let sum: u64 = pool.expect("threads wait for it").install(|| {
            use rayon::prelude::*;
            (0..1000_u64).into_par_iter().sum()
        });
        assert_eq!((started, sum), (3, 499_500));
    }
}
