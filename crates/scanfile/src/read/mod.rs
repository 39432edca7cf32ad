//! Reading: one small trait for anything that gives pixels, and the containers behind it.

mod bytes;
mod cache;
mod ifd;
mod jpeg_check;
mod layout;
mod open_tiff;
mod own_png;
mod pages;
mod quick_overview;
mod reduce;
mod segments;
mod stream;
mod tiff;
mod unpack;
mod whole;

use std::fmt::Debug;
use std::path::Path;
use std::sync::Arc;

use glassine_raster::{CancelToken, Orientation, PixelRect, Samples16};

pub(crate) use bytes::zeroed;
pub use bytes::{Positioned, open_regular};
pub use own_png::decode_own_png;
pub(crate) use reduce::{BoxReducer, Reduction, reduce_by_regions};

use crate::{Encoding, Error, InfraredSource, OpenOptions};

/// Pixels of an open file at full resolution.
pub(crate) trait Picture: Debug + Send + Sync {
    /// Columns and rows.
    fn size(&self) -> (u32, u32);
    /// Samples per pixel in the result of [`Self::read`].
    fn channels(&self) -> u8;
    /// The samples of `rect`, which is clipped to the picture.
    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, Error>;
    /// Add every row to a smaller picture, in a fixed amount of memory.
    fn reduce(&self, how: &Reduction<'_>, reducer: &BoxReducer) -> Result<(), Error>;
    /// Rows that [`Self::reduce`] reports as progress.
    fn rows_to_report(&self) -> u64 {
        u64::from(self.size().1)
    }
    /// The picture reduced to `factor` columns a pixel from a few of its rows; `None` if that gains nothing.
    fn quick_overview(
        &self,
        _factor: u32,
        _budget_bytes: u64,
        _how: &Reduction<'_>,
    ) -> Result<Option<Samples16>, Error> {
        Ok(None)
    }
}

/// What a container says about its picture.
#[derive(Debug)]
pub(crate) struct Opened {
    /// The file, held open.
    pub(crate) file: Arc<Positioned>,
    pub(crate) picture: Box<dyn Picture>,
    /// 1 or 3; [`Picture::channels`] is one more if infrared is an extra sample.
    pub(crate) colours: u8,
    pub(crate) infrared: InfraredSource,
    pub(crate) second_page: Option<Box<dyn Picture>>,
    pub(crate) ppi: Option<[f64; 2]>,
    pub(crate) bits: u8,
    /// Counted from 1.
    pub(crate) page: u32,
    /// Pages in the file.
    pub(crate) pages: u32,
    /// Fault of the picture data, if they can be read in spite of it.
    pub(crate) damage: Option<String>,
    pub(crate) container: String,
    pub(crate) icc: Option<Vec<u8>>,
    pub(crate) orientation: Orientation,
    pub(crate) scanned_at: Option<String>,
    /// Encoding of the codes if there is no profile, and the sentence that says so.
    pub(crate) untagged: Encoding,
    pub(crate) untagged_note: Option<String>,
    pub(crate) notes: Vec<String>,
}

/// Open a picture, recognised by its first bytes.
pub(crate) fn open_picture(path: &Path, options: &OpenOptions) -> Result<Opened, Error> {
    let file = Arc::new(Positioned::open(path)?);
    let head = file.bytes(0, file.len().min(16), "the start of the file")?;
    let opened = match head.as_slice() {
        [b'I', b'I', 42 | 43, 0, ..] | [b'M', b'M', 0, 42 | 43, ..] => open_tiff::open_tiff(file, options),
        [0x89, b'P', b'N', b'G', ..] => whole::open_png(file, options),
        [0xFF, 0xD8, 0xFF, ..] => whole::open_jpeg(file, options),
        [] => Err(Error::malformed(path, "the file is empty")),
        other => Err(Error::unsupported(path, foreign(other), "save the scan as TIFF, PNG or JPEG")),
    }?;
    let (width, height) = opened.picture.size();
    let (least_long, least_short) = options.least_sides_px;
    if width.max(height) < least_long || width.min(height) < least_short {
        return Err(Error::unsupported(
            path,
            format!("a picture of {width} x {height} px: it is too small for a scan"),
            "choose the scan itself, not its thumbnail",
        ));
    }
    Ok(opened)
}

fn foreign(head: &[u8]) -> &'static str {
    match head {
        [b'I', b'I', ..] | [b'M', b'M', ..] => "a file that starts like a TIFF but is not one",
        [b'%', b'P', b'D', b'F', ..] => "a PDF",
        [b'G', b'I', b'F', ..] => "a GIF",
        [b'8', b'B', b'P', b'S', ..] => "a layered picture file",
        [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => "a WebP",
        [b'B', b'M', ..] => "a BMP",
        _ => "a file that is no TIFF, PNG or JPEG",
    }
}

/// Zeroed memory for a region, or an error if there is none.
fn output_samples(path: &Path, rect: PixelRect, channels: u8) -> Result<Vec<u16>, Error> {
    bytes::zeroed(path, "a region of the scan", rect.area() * u64::from(channels))
}
