//! Errors when rendering strips.

use std::path::PathBuf;

use glassine_raster::Cancelled;

#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The caller asked to stop.
    #[error("rendering the strip was cancelled")]
    Cancelled,
    /// A strip description with an unusable size.
    #[error("a strip of {width_px} x {height_px} pixels at {ppi} ppi cannot be rendered")]
    BadSize {
        /// Requested width.
        width_px: u32,
        /// Requested height.
        height_px: u32,
        /// Requested resolution.
        ppi: f64,
    },
    /// A description that cannot be used.
    #[error("{}: {place}: {problem}; {advice}", path.display())]
    Description {
        path: PathBuf,
        /// Key or line.
        place: String,
        problem: String,
        /// What to do.
        advice: String,
    },
    /// A description that could not be read.
    #[error("could not read the description {}: {source}", path.display())]
    Read {
        path: PathBuf,
        #[source]
        source: std::io::Error,
    },
    /// A bundled scene picture could not be read.
    #[error("the bundled scene \"{scene}\" could not be read")]
    Scene {
        scene: &'static str,
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// A scan could not be written.
    #[error("could not write a demo scan: {source} ({path})", path = path.display())]
    Write {
        path: PathBuf,
        #[source]
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

impl From<Cancelled> for Error {
    fn from(_: Cancelled) -> Self {
        Self::Cancelled
    }
}
