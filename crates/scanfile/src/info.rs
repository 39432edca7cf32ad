//! What is known about an open scan, and the choices that decide how it is read.

use std::path::PathBuf;

use crate::numbers::to_u8;
use glassine_raster::{Orientation, ResolutionPpi};

/// The value that Exif prescribes for an unknown resolution; readers take it as such.
pub(crate) const UNKNOWN_PPI: f64 = 72.0;

/// What one plane of a scan holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PlaneKind {
    /// One visible channel of a grey scan.
    Grey,
    /// Red light.
    Red,
    /// Green light.
    Green,
    /// Blue light.
    Blue,
    /// Infrared light, where dust shows and dyes do not.
    Infrared,
}

impl PlaneKind {
    /// Stable name for session files and the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Grey => "grey",
            Self::Red => "red",
            Self::Green => "green",
            Self::Blue => "blue",
            Self::Infrared => "infrared",
        }
    }
}

/// Where the infrared plane comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InfraredSource {
    /// There is none.
    None,
    /// An extra sample of every pixel.
    ExtraSample,
    /// A grey page after the colour page of the same file.
    SecondPage,
    /// A separate file.
    SeparateFile,
}

/// How codes relate to light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Encoding {
    /// Codes are proportional to light.
    Linear,
    /// The curve of IEC 61966-2-1.
    Srgb,
    /// Light is the code to this power.
    Gamma(f64),
    /// The curves of the embedded ICC profile.
    Profile,
}

/// How to treat the sample after the colour samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FourthSample {
    /// Infrared, unless it is an opacity plane that is full everywhere.
    #[default]
    Auto,
    /// Always infrared.
    Infrared,
    /// Left out.
    Ignore,
}

/// Frame finding needs some rows and columns on every side of a frame; a picture below this is an icon or a thumbnail.
const LEAST_SIDES_PX: (u32, u32) = (64, 16);

/// Choices and limits for opening a scan.
#[derive(Debug, Clone)]
pub struct OpenOptions {
    /// A separate grey file with the infrared plane; it wins over planes inside the scan.
    pub infrared_file: Option<PathBuf>,
    /// How to treat a fourth (grey: second) sample.
    pub fourth_sample: FourthSample,
    /// How codes relate to light, if the user knows better than the file.
    pub encoding: Option<Encoding>,
    /// Page of a TIFF, counted from 1, if the user knows better than the automatic choice.
    pub page: Option<u32>,
    /// Fewest pixels of the longer and of the shorter side; a smaller picture is not a scan.
    pub least_sides_px: (u32, u32),
    /// Most pixels a scan may have.
    pub max_pixels: u64,
    /// Most bytes that one decoded strip or tile, or one whole PNG or JPEG, may take.
    pub max_decoded_bytes: u64,
    /// Bytes of decoded strips and tiles kept for the next read.
    pub cache_bytes: u64,
}

impl Default for OpenOptions {
    /// Automatic page, at least 64 x 16 px, at most 4 Gpx, 1.5 GiB for a block that must be decoded in one piece, 128
    /// MiB cache.
    fn default() -> Self {
        Self {
            infrared_file: None,
            fourth_sample: FourthSample::Auto,
            encoding: None,
            page: None,
            least_sides_px: LEAST_SIDES_PX,
            max_pixels: 1 << 32,
            max_decoded_bytes: 3 << 29,
            cache_bytes: 128 << 20,
        }
    }
}

/// What is known about an open scan.
#[derive(Debug, Clone)]
pub struct ScanInfo {
    pub path: PathBuf,
    /// The page that is read, counted from 1; 1 for files that hold one picture.
    pub page: u32,
    /// Pages in the file, whether pictures or not.
    pub pages: u32,
    pub width_px: u32,
    pub height_px: u32,
    /// Horizontal and vertical resolution, if the file states one.
    pub ppi: Option<[ResolutionPpi; 2]>,
    /// Planes in reading order.
    pub planes: Vec<PlaneKind>,
    /// Bits of a sample in the file; reading always gives 16.
    pub bits_per_sample: u8,
    /// The container in words: `TIFF, 16-bit, LZW, tiled 256x256, little-endian`.
    pub container: String,
    /// Bytes of the embedded ICC profile.
    pub icc: Option<Vec<u8>>,
    /// Where the infrared plane comes from.
    pub infrared: InfraredSource,
    /// How codes relate to light, after overrides.
    pub encoding: Encoding,
    /// Whether the file itself does not state it: it has neither a profile nor a tag.
    pub encoding_is_unstated: bool,
    /// How the file says the picture should be turned for viewing; reading never turns it.
    pub orientation: Orientation,
    /// When the film was scanned, as the file says, `YYYY:MM:DD HH:MM:SS` and possibly a zone such as `+01:00`.
    pub scanned_at: Option<String>,
    /// Fault of the picture data, if they can be read in spite of it; also among the notes.
    pub damage: Option<String>,
    /// Messages for the user.
    pub notes: Vec<String>,
}

impl ScanInfo {
    /// Colour planes, without the infrared one.
    pub fn colour_channels(&self) -> u8 {
        to_u8(self.planes.iter().filter(|p| **p != PlaneKind::Infrared).count())
    }

    /// Whether there is an infrared plane.
    pub fn has_infrared(&self) -> bool {
        self.infrared != InfraredSource::None
    }
}

/// A date and time of a file in the 19 characters of Exif, with its zone if that is sound.
pub(crate) fn moment(date: Option<String>, zone: Option<String>) -> Option<String> {
    let fits = |text: &str, form: &str| {
        text.len() == form.len()
            && text.bytes().zip(form.bytes()).all(|(byte, wanted)| match wanted {
                b'9' => byte.is_ascii_digit(),
                b'+' => matches!(byte, b'+' | b'-'),
                _ => byte == wanted,
            })
    };
    let clean = |text: String| text.trim_matches(['\0', ' ', '"']).to_owned();
    let date =
        date.map(clean).filter(|date| fits(date, "9999:99:99 99:99:99") && !date.starts_with("0000"))?;
    match zone.map(clean).filter(|zone| fits(zone, "+99:99")) {
        Some(zone) => Some(date + &zone),
        None => Some(date),
    }
}

/// Orientation for a TIFF or Exif orientation value of 1 to 8; anything else counts as 1.
///
/// The value names where row 0 and column 0 of the file are shown; ours mirrors first and then turns clockwise.
/// Source: TIFF 6.0, tag 274.
pub(crate) fn orientation_from_tag(value: u32) -> Orientation {
    match value {
        2 => Orientation::new(0, true),
        3 => Orientation::new(2, false),
        4 => Orientation::new(2, true),
        5 => Orientation::new(3, true),
        6 => Orientation::new(1, false),
        7 => Orientation::new(1, true),
        8 => Orientation::new(3, false),
        _ => Orientation::default(),
    }
}
