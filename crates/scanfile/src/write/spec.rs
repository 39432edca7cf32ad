//! What a picture file should be: size, samples, format, profile, metadata.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::{Error, Overwrite};

/// How TIFF strips are packed. Packed strips use horizontal differences, which film grain and gradients suit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Compression {
    /// Plain samples: fastest, largest, read by everything.
    None,
    /// Deflate (zlib) with horizontal differences.
    Deflate,
    /// LZW with horizontal differences.
    Lzw,
}

/// The kind of file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureFormat {
    /// TIFF, or BigTIFF when the picture could pass 4 GiB.
    Tiff {
        /// How strips are packed.
        compression: Compression,
    },
    /// JPEG, 8 bits only.
    Jpeg {
        /// 1 to 100.
        quality: u8,
    },
    /// PNG.
    Png,
}

/// What kind of film the picture was digitised from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FilmSourceKind {
    /// A negative.
    #[default]
    Negative,
    /// A slide or other transparent positive.
    Positive,
}

/// Words about a picture; empty text and `None` leave a field out.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Metadata {
    /// Short title.
    pub title: String,
    /// What is to be seen.
    pub description: String,
    /// Who took the picture.
    pub creator: String,
    /// Rights statement.
    pub copyright: String,
    /// Program and version.
    pub software: String,
    /// When it was scanned, `YYYY:MM:DD HH:MM:SS`.
    pub digitized: Option<String>,
    /// When it was taken, `YYYY:MM:DD HH:MM:SS` or shorter; never guessed from the scan.
    pub original_date: Option<String>,
    /// When the file was made, `YYYY:MM:DD HH:MM:SS`; this crate reads no clock.
    pub modified: Option<String>,
    /// Negative or slide.
    pub source: FilmSourceKind,
    /// More XMP properties: name with its usual prefix (`dc:`, `xmp:`, `photoshop:`, `xmpRights:`, `Iptc4xmpCore:`) and value.
    pub extra_xmp: Vec<(String, String)>,
}

/// What a picture file should be.
#[derive(Debug, Clone, PartialEq)]
pub struct PictureSpec {
    /// Columns.
    pub width_px: u32,
    /// Rows.
    pub height_px: u32,
    /// 1 grey, 3 red green blue.
    pub channels: u8,
    /// 8 or 16.
    pub bits: u8,
    /// Resolution in pixels per inch.
    pub ppi: Option<f64>,
    /// ICC profile to embed.
    pub icc: Option<Arc<[u8]>>,
    /// Words to embed.
    pub metadata: Metadata,
    /// The kind of file.
    pub format: PictureFormat,
    /// What to do when the name is taken.
    pub overwrite: Overwrite,
}

/// A picture that is on disk, complete.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WrittenFile {
    /// Length in bytes.
    pub bytes: u64,
    /// Where it is.
    pub path: PathBuf,
}

impl PictureSpec {
    /// Samples in a row.
    pub fn row_samples(&self) -> usize {
        self.width_px as usize * usize::from(self.channels)
    }

    /// Bytes of a row before packing.
    pub fn row_bytes(&self) -> usize {
        self.row_samples() * usize::from(self.bits / 8)
    }

    /// Whether the numbers fit together.
    pub(crate) fn check(&self, path: &Path) -> Result<(), Error> {
        let wrong = if self.width_px == 0 || self.height_px == 0 {
            "a picture needs at least one pixel"
        } else if !matches!(self.channels, 1 | 3) {
            "a picture has 1 or 3 channels"
        } else if !matches!(self.bits, 8 | 16) {
            "a picture has 8 or 16 bits"
        } else if self.ppi.is_some_and(|ppi| !(ppi.is_finite() && ppi > 0.0 && ppi < 1e6)) {
            "the resolution must lie between 0 and 1 000 000 ppi"
        } else {
            match self.format {
                PictureFormat::Jpeg { .. } if self.bits != 8 => "a JPEG has 8 bits",
                PictureFormat::Jpeg { quality } if !(1..=100).contains(&quality) => {
                    "JPEG quality lies between 1 and 100"
                }
                PictureFormat::Jpeg { .. } if self.width_px.max(self.height_px) > 65_535 => {
                    "a JPEG has at most 65 535 pixels a side"
                }
                _ => return Ok(()),
            }
        };
        Err(Error::usage(path, wrong))
    }
}
