//! What can go wrong when strips are made.

use std::path::PathBuf;

use glassine_raster::Cancelled;

/// Failure to make a strip or a demo session's scans.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The caller asked to stop.
    #[error("making the strip was cancelled")]
    Cancelled,
    /// A strip description that makes no picture.
    #[error("a strip of {width_px} x {height_px} pixels at {ppi} ppi cannot be rendered")]
    BadSize {
        /// Width asked for.
        width_px: u32,
        /// Height asked for.
        height_px: u32,
        /// Resolution asked for.
        ppi: f64,
    },
    /// A bundled scene picture could not be read.
    #[error("the bundled scene \"{scene}\" could not be read")]
    Scene {
        /// Which scene.
        scene: &'static str,
        /// Why.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// A scan could not be written.
    #[error("could not write a demo scan: {source} ({path})", path = path.display())]
    Write {
        /// Where to.
        path: PathBuf,
        /// Why.
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

impl From<Cancelled> for Error {
    fn from(_: Cancelled) -> Self {
        Self::Cancelled
    }
}
