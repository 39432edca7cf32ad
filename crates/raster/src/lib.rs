//! Pixels, positions and small utilities shared by all other crates.
//!
//! *Scope*: planes and interleaved samples, points and boxes per coordinate space, resampling, cancellation, the memory
//! budget, units used by several crates.
//! *Simplifications*: samples are 16-bit codes; wider inputs are reduced by the reader.
//! *Out of scope*: files (`scanfile`), the meaning of colours (`film`), clocks and thread pools.

mod budget;
mod cancel;
mod geometry;
mod memory;
mod power_curve;
mod resample;
mod samples;
mod statistics;
mod units;
mod vector;

pub use budget::{Allocation, MemoryBudget, OverBudget};
pub use cancel::{CancelToken, Cancelled};
pub use geometry::{Frame, Orientation, PixelRect, Point, Scan, TiltedBox};
pub use memory::{NoMemory, reserve, zeroed};
pub use power_curve::PowerCurve;
pub use resample::{Kernel, Lines, SourcePlanes, TiltedSampling, box_reduce};
pub use samples::{Plane, RegionError, RegionSource, Samples16};
pub use statistics::median;
pub use units::{DensityD, ExposureStops, MM_PER_INCH, ResolutionPpi};
pub use vector::{PixelLoop, least, most, run_in_short_vectors, run_vectorised};
