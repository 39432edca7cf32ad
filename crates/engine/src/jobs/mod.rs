//! Work beside the window: jobs and their events, the lanes they run in, and the threads of each lane.

pub(crate) mod host;
pub(crate) mod job;
pub(crate) mod lane_pool;
pub(crate) mod lanes;
pub(crate) mod preview_queue;
pub(crate) mod steps;
pub(crate) mod worker;

pub use job::*;
