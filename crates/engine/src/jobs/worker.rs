//! What a job host calls to get jobs done.

use glassine_raster::CancelToken;

use crate::dust::RepairKey;
use crate::error::EngineError;
use crate::jobs::{Job, JobEventKind};
use crate::types::{Preview, PreviewRequest, SessionAt};

/// Takes reports of a job.
pub type SendEvent<'a> = &'a (dyn Fn(JobEventKind) + Sync);

/// Does the jobs of a [`crate::JobHost`]. The engine is one; tests of the order of events use simpler ones.
pub trait Worker: Send + Sync {
    /// Do a job and send its results.
    fn run(
        &self,
        at: &SessionAt,
        job: Job,
        cancel: &CancelToken,
        send: SendEvent<'_>,
    ) -> Result<(), EngineError>;

    /// Make a picture for the screen, preceded by a coarse one if that is quicker. Returns the dust repair that the
    /// picture lacks.
    fn preview(
        &self,
        request: &PreviewRequest,
        cancel: &CancelToken,
        ready: &dyn Fn(Preview),
    ) -> Result<Option<RepairKey>, EngineError>;

    /// Make the dust repair that a picture lacks.
    fn look_for_dust(
        &self,
        request: &PreviewRequest,
        cancel: &CancelToken,
        progress: &(dyn Fn(f32) + Sync),
    ) -> Result<(), EngineError>;

    /// Read the surroundings of a close-up, first in the direction in which the view moves.
    fn look_ahead(
        &self,
        request: &PreviewRequest,
        toward: (f64, f64),
        cancel: &CancelToken,
    ) -> Result<(), EngineError>;
}
