//! A flag that long work polls, so that the user can stop it.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// The work was stopped on request; this is not a failure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("stopped on request")]
pub struct Cancelled;

/// Shared flags: a job holds a clone and polls it once per tile or band of rows.
#[derive(Debug, Clone, Default)]
pub struct CancelToken(Arc<Flags>);

#[derive(Debug, Default)]
struct Flags {
    is_cancelled: AtomicBool,
    is_paused: AtomicBool,
}

impl CancelToken {
    /// A token that is not cancelled.
    pub fn new() -> Self {
        Self::default()
    }

    /// Make the work stop at its next check.
    pub fn cancel(&self) {
        self.0.is_cancelled.store(true, Ordering::Relaxed);
    }

    /// Whether [`Self::cancel`] was called on any clone.
    pub fn is_cancelled(&self) -> bool {
        self.0.is_cancelled.load(Ordering::Relaxed)
    }

    /// Make work that can rest do so at its next check, or go on.
    pub fn pause(&self, is_paused: bool) {
        self.0.is_paused.store(is_paused, Ordering::Relaxed);
    }

    /// Whether work should rest; cancelled work should not.
    pub fn is_paused(&self) -> bool {
        self.0.is_paused.load(Ordering::Relaxed) && !self.is_cancelled()
    }

    /// `Err(Cancelled)` once the token is cancelled; for use with `?`.
    pub fn check(&self) -> Result<(), Cancelled> {
        if self.is_cancelled() { Err(Cancelled) } else { Ok(()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clone_sees_the_cancellation() {
        let token = CancelToken::new();
        let in_the_job = token.clone();
        assert_eq!(in_the_job.check(), Ok(()));
        token.cancel();
        assert_eq!(in_the_job.check(), Err(Cancelled));
    }

    #[test]
    fn a_pause_ends_when_it_is_lifted_or_the_work_is_cancelled() {
        let token = CancelToken::new();
        token.pause(true);
        assert!(token.clone().is_paused() && token.check().is_ok());
        token.pause(false);
        assert!(!token.is_paused());
        token.pause(true);
        token.cancel();
        assert!(!token.is_paused());
    }
}
