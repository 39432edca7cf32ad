//! Unpacked blocks kept for the next read, the least recently used dropped first.
//!
//! Two threads that want the same block wait for one unpacking instead of doing it twice. Unpacking a block never
//! starts parallel work, so waiting for it cannot lock up the thread pool.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use super::unpack::Block;
use crate::Error;

type Slot = Arc<Mutex<Option<Arc<Block>>>>;

#[derive(Debug)]
struct Entry {
    slot: Slot,
    bytes: usize,
    last_use: u64,
}

#[derive(Debug, Default)]
struct CacheState {
    blocks: HashMap<usize, Entry>,
    bytes: usize,
    clock: u64,
}

/// Unpacked blocks by index, within a byte budget; the `least` blocks used last are kept even if they are larger.
#[derive(Debug)]
pub(crate) struct BlockCache {
    state: Mutex<CacheState>,
    budget: usize,
    least: usize,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // The guarded values are valid after every statement, so a panic elsewhere does not spoil them.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl BlockCache {
    pub(crate) fn new(budget: u64, least: usize) -> Self {
        Self { state: Mutex::default(), budget: usize::try_from(budget).unwrap_or(usize::MAX), least }
    }

    /// Block `index`, unpacked by `make` unless it is cached; a failure is not cached.
    pub(crate) fn get(
        &self,
        index: usize,
        make: impl FnOnce() -> Result<Block, Error>,
    ) -> Result<Arc<Block>, Error> {
        let slot = {
            let mut state = lock(&self.state);
            state.clock += 1;
            let clock = state.clock;
            let entry = state.blocks.entry(index).or_insert_with(|| Entry {
                slot: Slot::default(),
                bytes: 0,
                last_use: clock,
            });
            entry.last_use = clock;
            Arc::clone(&entry.slot)
        };
        let mut inside = lock(&slot);
        if let Some(block) = inside.as_ref() {
            return Ok(Arc::clone(block));
        }
        match make() {
            Ok(block) => {
                let block = Arc::new(block);
                *inside = Some(Arc::clone(&block));
                drop(inside);
                self.account(index, block.bytes());
                Ok(block)
            }
            Err(e) => {
                lock(&self.state).blocks.remove(&index);
                Err(e)
            }
        }
    }

    fn account(&self, index: usize, bytes: usize) {
        let mut state = lock(&self.state);
        if let Some(entry) = state.blocks.get_mut(&index) {
            let before = std::mem::replace(&mut entry.bytes, bytes);
            state.bytes = state.bytes + bytes - before;
        }
        while state.bytes > self.budget && state.blocks.len() > self.least {
            let oldest = state
                .blocks
                .iter()
                .filter(|(i, k)| k.bytes > 0 && **i != index)
                .min_by_key(|(_, k)| k.last_use);
            let Some((&oldest, _)) = oldest else { break };
            if let Some(gone) = state.blocks.remove(&oldest) {
                state.bytes -= gone.bytes;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn block(n: usize) -> Result<Block, Error> {
        Ok(Block::U8(vec![7; n]))
    }

    #[test]
    fn the_block_used_longest_ago_is_dropped_first() {
        let cache = BlockCache::new(250, 1);
        for index in [0, 1] {
            cache.get(index, || block(100)).expect("made");
        }
        cache.get(0, || panic!("must be kept")).expect("kept");
        cache.get(2, || block(100)).expect("made");
        cache.get(0, || panic!("must be kept")).expect("kept");
        let mut made_again = false;
        cache
            .get(1, || {
                made_again = true;
                block(100)
            })
            .expect("made");
        assert!(made_again);
    }

    #[test]
    fn one_block_larger_than_the_budget_is_still_kept() {
        let cache = BlockCache::new(10, 1);
        cache.get(5, || block(100)).expect("made");
        cache.get(5, || panic!("must be kept")).expect("kept");
    }

    #[test]
    fn one_large_block_a_plane_is_kept() {
        let cache = BlockCache::new(10, 3);
        for index in [0, 1, 2] {
            cache.get(index, || block(100)).expect("made");
        }
        for index in [0, 1, 2] {
            cache.get(index, || panic!("must be kept")).expect("kept");
        }
    }

    #[test]
    fn a_failure_is_tried_again() {
        let cache = BlockCache::new(10, 1);
        assert!(cache.get(0, || Err(Error::usage(std::path::Path::new("scan.tif"), "no"))).is_err());
        assert!(cache.get(0, || block(1)).is_ok());
    }
}
