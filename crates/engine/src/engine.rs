//! The engine: caches, and the work of each job.

use glassine_raster::CancelToken;

use crate::jobs::{Job, JobEvent, JobId};
use crate::types::{Preview, PreviewRequest};
use crate::{EngineError, Notice, Severity};

/// Turns sessions into pictures.
#[derive(Debug, Default)]
pub struct Engine {}

impl Engine {
    /// An engine with empty caches.
    pub fn new() -> Self {
        Self::default()
    }

    pub(crate) fn run(
        &self,
        _id: JobId,
        _job: Job,
        _cancel: &CancelToken,
        _send: &dyn Fn(JobEvent),
    ) -> Result<JobEvent, EngineError> {
        Err(EngineError::Told(Notice::new(Severity::Error, "not available", "")))
    }

    pub(crate) fn preview(
        &self,
        _request: &PreviewRequest,
        cancel: &CancelToken,
        _ready: &dyn Fn(Preview),
    ) -> Result<(), EngineError> {
        cancel.check().map_err(|_cancelled| EngineError::Cancelled)
    }
}
