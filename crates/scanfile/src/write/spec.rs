//! What a picture file should be: size, samples, format, profile, metadata.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_raster::ResolutionPpi;

use crate::{Error, Overwrite};

/// How TIFF strips are packed. Packed strips use horizontal differences, which suit film grain and gradients.
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
    /// TIFF, or `BigTIFF` if the picture could exceed 4 GiB.
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
    /// Not film: a drawn picture or a picture of the window.
    #[default]
    None,
    /// A negative.
    Negative,
    /// A slide or other transparent positive.
    Positive,
}

/// Text about a picture; empty text and `None` leave a field out.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Metadata {
    /// Short title.
    pub title: String,
    /// What the picture shows.
    pub description: String,
    /// Who took the picture.
    pub creator: String,
    /// Rights statement.
    pub copyright: String,
    /// Program and version.
    pub software: String,
    /// Keywords, one by one.
    pub keywords: Vec<String>,
    /// Where it was taken.
    pub place: String,
    /// Title of the roll.
    pub roll: String,
    /// Name of the film.
    pub film: String,
    /// Camera that exposed the film.
    pub camera: String,
    pub lens: String,
    /// Anything else.
    pub notes: String,
    /// When the photograph was taken, `YYYY:MM:DD HH:MM:SS` or shorter; never guessed from the scan.
    pub original_date: Option<String>,
    /// The same in the words of the user, which need be no date.
    pub original_date_text: String,
    /// When the film was scanned, `YYYY:MM:DD HH:MM:SS`, with its zone behind it if that is known.
    pub digitised: Option<String>,
    /// When the file was made, `YYYY:MM:DD HH:MM:SS` in local time; this crate reads no clock.
    pub modified: Option<String>,
    /// Time zone of `modified` as `+HH:MM` or `-HH:MM` from universal time.
    pub modified_utc_offset: Option<String>,
    /// Negative, slide, or no film.
    pub source: FilmSourceKind,
    /// Every setting that the picture was made with, as JSON.
    pub settings: String,
    /// Digest of the same.
    pub settings_digest: String,
}

/// What a picture file should be.
#[derive(Debug, Clone, PartialEq)]
pub struct PictureSpec {
    pub width_px: u32,
    pub height_px: u32,
    /// 1 grey, 3 red green blue; 2 and 4 have infrared as their last sample, in TIFF alone.
    pub channels: u8,
    /// 8 or 16.
    pub bits: u8,
    /// Resolution, if known.
    pub ppi: Option<ResolutionPpi>,
    /// ICC profile to embed.
    pub icc: Option<Arc<[u8]>>,
    /// Text to embed.
    pub metadata: Metadata,
    /// The kind of file.
    pub format: PictureFormat,
    /// What to do if the name is taken.
    pub overwrite: Overwrite,
}

/// A complete picture on disk.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WrittenFile {
    /// Length in bytes.
    pub bytes: u64,
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

    /// Whether the last sample of each pixel is infrared.
    pub(crate) fn has_infrared(&self) -> bool {
        self.channels.is_multiple_of(2)
    }

    /// Whether the values fit together, and whether the format can hold the picture.
    pub(crate) fn check(&self, path: &Path) -> Result<(), Error> {
        let wrong = if self.width_px == 0 || self.height_px == 0 {
            "a picture needs at least one pixel"
        } else if !(1..=4).contains(&self.channels) {
            "a picture has 1 or 3 channels, and infrared beside them"
        } else if self.has_infrared() && !matches!(self.format, PictureFormat::Tiff { .. }) {
            "infrared needs a TIFF"
        } else if !matches!(self.bits, 8 | 16) {
            "a picture has 8 or 16 bits"
        } else {
            match self.format {
                PictureFormat::Jpeg { .. } if self.bits != 8 => "a JPEG has 8 bits",
                PictureFormat::Jpeg { quality } if !(1..=100).contains(&quality) => {
                    "JPEG quality must be between 1 and 100"
                }
                _ => return self.check_limits(path),
            }
        };
        Err(Error::usage(path, wrong))
    }

    fn check_limits(&self, path: &Path) -> Result<(), Error> {
        if let Some(ppi) = self.ppi.map(ResolutionPpi::ppi)
            && ppi > MOST_PPI
        {
            let found = format!("a resolution of {ppi} ppi");
            let hint = format!("type the resolution of the scan, above 0 and at most {MOST_PPI} ppi");
            return Err(Error::unsupported(path, found, hint));
        }
        let longest = self.width_px.max(self.height_px);
        if matches!(self.format, PictureFormat::Jpeg { .. }) && longest > JPEG_MOST_SIDE_PX {
            let found = format!("JPEG for a side of {longest} px");
            let hint = format!("choose TIFF, or a size of at most {JPEG_MOST_SIDE_PX} px a side");
            return Err(Error::unsupported(path, found, hint));
        }
        Ok(())
    }
}

/// Source: ITU-T T.81, B.2.2: sides have 16 bits.
const JPEG_MOST_SIDE_PX: u32 = 65_535;
/// No scanner gives more; the fields of all formats can hold it.
const MOST_PPI: f64 = 1e6;
