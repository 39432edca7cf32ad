//! A memory budget as a value; dropping a reservation returns its bytes.
//!
//! A damaged header can require a gigantic picture; reserving from the budget first turns a crash into an error
//! message.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// A reservation exceeded the budget.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("needs {wanted} bytes, but only {left} of {limit} are left")]
pub struct OverBudget {
    /// Bytes requested.
    pub wanted: u64,
    /// Bytes still available.
    pub left: u64,
    /// Total budget in bytes.
    pub limit: u64,
}

#[derive(Debug)]
struct Shared {
    limit: u64,
    used: AtomicU64,
}

/// A shared limit on large allocations.
#[derive(Debug, Clone)]
pub struct MemoryBudget(Arc<Shared>);

/// Bytes taken from a [`MemoryBudget`]; dropping it returns them.
#[derive(Debug)]
pub struct Allocation {
    owner: Arc<Shared>,
    bytes: u64,
}

impl MemoryBudget {
    pub fn new(limit: u64) -> Self {
        Self(Arc::new(Shared { limit, used: AtomicU64::new(0) }))
    }

    /// Reserve `bytes`; the error says how much is left.
    pub fn reserve(&self, bytes: u64) -> Result<Allocation, OverBudget> {
        let Shared { limit, used } = &*self.0;
        let mut seen = used.load(Ordering::Relaxed);
        loop {
            let left = limit.saturating_sub(seen);
            if bytes > left {
                return Err(OverBudget { wanted: bytes, left, limit: *limit });
            }
            match used.compare_exchange_weak(seen, seen + bytes, Ordering::Relaxed, Ordering::Relaxed) {
                Ok(_) => return Ok(Allocation { owner: Arc::clone(&self.0), bytes }),
                Err(now) => seen = now,
            }
        }
    }

    /// Bytes currently reserved.
    pub fn used(&self) -> u64 {
        self.0.used.load(Ordering::Relaxed)
    }

    /// Total budget in bytes.
    pub fn limit(&self) -> u64 {
        self.0.limit
    }
}

impl Drop for Allocation {
    fn drop(&mut self) {
        self.owner.used.fetch_sub(self.bytes, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reservation_returns_its_bytes_when_dropped() {
        let budget = MemoryBudget::new(100);
        let first = budget.reserve(80).expect("fits");
        assert_eq!(
            budget.reserve(30).expect_err("too much"),
            OverBudget { wanted: 30, left: 20, limit: 100 }
        );
        drop(first);
        assert!(budget.reserve(100).is_ok());
        assert_eq!(budget.used(), 0);
    }
}
