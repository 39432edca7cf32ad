//! Files: reading scans, writing pictures, ICC profiles, metadata, atomic writes.
//!
//! *Scope*: TIFF, PNG and JPEG in; TIFF, PNG and JPEG out; colour profiles of the matrix kind; Exif and XMP.
//! *Simplifications*: samples reach the caller as 16-bit codes; of a colour profile only curves and matrix are used.
//! *Out of scope*: what the codes mean for film (`film`), jobs and threads of the window (`engine`, `app`).
//!
//! ```no_run
//! use std::path::Path;
//! use glassine_raster::{CancelToken, PixelRect};
//! use glassine_scanfile::{OpenOptions, Scan};
//!
//! let scan = Scan::open(Path::new("strip.tif"), &OpenOptions::default())?;
//! let light = scan.linearisation();
//! let region = scan.read_region(PixelRect::new(0, 0, 400, 300), &CancelToken::new())?;
//! println!("{} {}", scan.info().container, light.light(0, region.pixel(10, 10)[0]));
//! # Ok::<(), glassine_scanfile::Error>(())
//! ```
//!
//! **Invariant:** no file is ever opened for writing under the name of a scan, a file that is protected ([`protect`])
//! is never written or replaced under any of its names, and a final name never holds a partial file.

#![cfg_attr(
    not(test),
    warn(
        clippy::cast_possible_truncation,
        clippy::cast_possible_wrap,
        clippy::cast_precision_loss,
        clippy::cast_sign_loss
    )
)]

mod atomic;
mod error;
mod fingerprint;
pub mod icc;
mod info;
mod linear;
mod numbers;
mod overview;
mod parts;
pub mod protect;
mod read;
mod scan;
pub mod sheet;
mod write;
mod write_rgbi;

pub use atomic::{AtomicFile, Overwrite, write_bytes_atomic};
pub use error::{Error, FileChange};
pub use fingerprint::{Fingerprint, SampledPrint, fingerprint, sampled_fingerprint};
pub use info::{Encoding, FourthSample, InfraredSource, OpenOptions, PlaneKind, ScanInfo};
pub use linear::Linearisation;
pub use overview::{QUICK_OVERVIEW_BYTES, overview_factor};
pub use parts::remove_abandoned_parts;
pub use protect::{ProtectedFile, protected_at};
pub use read::{Positioned, decode_own_png, open_regular};
pub use scan::Scan;
pub use write::{
    ClosedPicture, Compression, FilmSourceKind, Metadata, PackedRows, PictureFormat, PictureSpec,
    PictureWriter, RowPacker, WrittenFile, settings_digest_in,
};
pub use write_rgbi::{write_linear_scan, write_rgbi};
