//! Makes pieces on all threads and hands them over in order, with few of them waiting.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use rayon::ScopeFifo;

type Make<'a, T, E> = &'a (dyn Fn(usize) -> Result<T, E> + Sync);
type Take<'a, T, E> = &'a mut (dyn FnMut(usize, T) -> Result<(), E> + Send);

/// Make pieces `0..count` in parallel and hand them to `take` in order.
///
/// At most `ahead` pieces are in work or waiting at any time, so memory stays bounded. No thread ever waits for
/// another, which would stall the pool when the other one's work is queued behind it. The first failure in piece order
/// ends the run.
pub(super) fn in_order<T: Send, E: Send>(
    count: usize,
    ahead: usize,
    make: Make<'_, T, E>,
    take: Take<'_, T, E>,
) -> Result<(), E> {
    let state = State { started: 0, taken: 0, is_taking: false, ready: BTreeMap::new(), failed: None };
    let flow = Flow { count, ahead: ahead.max(1), make, take: Mutex::new(take), state: Mutex::new(state) };
    rayon::scope_fifo(|scope| flow.start(scope));
    let failed = flow.lock().failed.take();
    failed.map_or(Ok(()), |(_, error)| Err(error))
}

struct Flow<'a, T, E> {
    count: usize,
    ahead: usize,
    make: Make<'a, T, E>,
    take: Mutex<Take<'a, T, E>>,
    state: Mutex<State<T, E>>,
}

struct State<T, E> {
    started: usize,
    taken: usize,
    is_taking: bool,
    ready: BTreeMap<usize, T>,
    failed: Option<(usize, E)>,
}

impl<T, E> State<T, E> {
    fn fail(&mut self, idx: usize, error: E) {
        if self.failed.as_ref().is_none_or(|(first, _)| idx < *first) {
            self.failed = Some((idx, error));
        }
        self.ready.clear();
    }
}

impl<T: Send, E: Send> Flow<'_, T, E> {
    fn lock(&self) -> MutexGuard<'_, State<T, E>> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Queue as many pieces as may be in work.
    fn start<'s>(&'s self, scope: &ScopeFifo<'s>) {
        loop {
            let idx = {
                let mut state = self.lock();
                let is_full = state.started >= self.count || state.started >= state.taken + self.ahead;
                if is_full || state.failed.is_some() {
                    return;
                }
                state.started += 1;
                state.started - 1
            };
            scope.spawn_fifo(move |scope| self.work(idx, scope));
        }
    }

    fn work<'s>(&'s self, idx: usize, scope: &ScopeFifo<'s>) {
        if self.lock().failed.is_some() {
            return;
        }
        let made = (self.make)(idx);
        let mut state = self.lock();
        match made {
            Ok(piece) if state.failed.is_none() => drop(state.ready.insert(idx, piece)),
            Ok(_) => {}
            Err(error) => state.fail(idx, error),
        }
        drop(state);
        self.hand_over();
        self.start(scope);
    }

    /// Hand the next ready pieces to the taker, unless another thread is doing so.
    fn hand_over(&self) {
        loop {
            let (idx, piece) = {
                let mut state = self.lock();
                if state.failed.is_some() || state.is_taking {
                    return;
                }
                let idx = state.taken;
                let Some(piece) = state.ready.remove(&idx) else { return };
                state.is_taking = true;
                (idx, piece)
            };
            let taken = {
                let mut take = self.take.lock().unwrap_or_else(PoisonError::into_inner);
                (*take)(idx, piece)
            };
            let mut state = self.lock();
            state.is_taking = false;
            match taken {
                Ok(()) => state.taken += 1,
                Err(error) => state.fail(idx, error),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;

    fn pool(threads: usize) -> rayon::ThreadPool {
        rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a small pool")
    }

    /// A little work whose length differs from piece to piece.
    fn spin(idx: usize) -> usize {
        (0..(idx * 7919) % 5000).fold(idx, |sum, i| std::hint::black_box(sum ^ i));
        idx
    }

    #[test]
    fn pieces_arrive_in_order_and_few_wait_on_one_thread_and_on_many() {
        for threads in [1, 2, 5] {
            let under_way = AtomicUsize::new(0);
            let most = AtomicUsize::new(0);
            let mut seen = Vec::new();
            let made = pool(threads).install(|| {
                in_order::<_, ()>(
                    200,
                    4,
                    &|idx| {
                        most.fetch_max(1 + under_way.fetch_add(1, Ordering::SeqCst), Ordering::SeqCst);
                        Ok(spin(idx))
                    },
                    &mut |idx, piece| {
                        under_way.fetch_sub(1, Ordering::SeqCst);
                        assert_eq!(idx, piece);
                        seen.push(idx);
                        Ok(())
                    },
                )
            });
            assert_eq!(made, Ok(()));
            assert_eq!(seen, (0..200).collect::<Vec<_>>());
            assert!(most.load(Ordering::SeqCst) <= 4, "{threads} threads: {most:?}");
        }
    }

    #[test]
    fn a_failure_of_making_or_taking_ends_it_and_nothing_after_it_is_taken() {
        for threads in [1, 3] {
            let mut seen = Vec::new();
            let made = pool(threads).install(|| {
                in_order(50, 3, &|idx| if idx == 20 { Err("make") } else { Ok(spin(idx)) }, &mut |idx, _| {
                    seen.push(idx);
                    Ok(())
                })
            });
            assert_eq!(made, Err("make"));
            assert!(seen.iter().all(|idx| *idx < 20), "{seen:?}");
            let take = &mut |idx, _| if idx == 7 { Err("take") } else { Ok(()) };
            assert_eq!(pool(threads).install(|| in_order(50, 3, &|idx| Ok(spin(idx)), take)), Err("take"));
        }
        assert_eq!(in_order::<(), ()>(0, 3, &|_| Ok(()), &mut |_, ()| Err(())), Ok(()));
    }
}
