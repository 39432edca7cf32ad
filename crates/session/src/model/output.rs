//! How pictures are exported.

use std::path::PathBuf;

use glassine_film::{OutputSpace, Rendering};

/// What is exported.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum OutputKind {
    /// 16-bit TIFF at full resolution.
    #[default]
    Master,
    /// 8-bit JPEG, reduced to a longest side.
    Web,
    /// 8-bit JPEG at full resolution.
    Jpeg,
}

impl OutputKind {
    /// In the order shown.
    pub const ALL: [Self; 3] = [Self::Master, Self::Jpeg, Self::Web];

    /// Name in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Master => "master",
            Self::Web => "web",
            Self::Jpeg => "jpeg",
        }
    }

    /// Name shown to the user.
    pub fn label(self) -> &'static str {
        match self {
            Self::Master => "Master, 16-bit TIFF",
            Self::Web => "Web, reduced JPEG",
            Self::Jpeg => "Full size, JPEG",
        }
    }

    /// The kind a file or command names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.key() == key)
    }

    /// File extension, without the dot.
    pub fn extension(self) -> &'static str {
        match self {
            Self::Master => "tif",
            Self::Web | Self::Jpeg => "jpg",
        }
    }
}

/// Compression of exported TIFFs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TiffCompression {
    /// Uncompressed: fastest, opens everywhere.
    #[default]
    None,
    /// Deflate with horizontal predictor.
    Deflate,
    /// LZW with horizontal predictor.
    Lzw,
}

impl TiffCompression {
    /// In the order shown.
    pub const ALL: [Self; 3] = [Self::None, Self::Deflate, Self::Lzw];

    /// Name in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Deflate => "deflate",
            Self::Lzw => "lzw",
        }
    }

    /// The choice a file or command names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|choice| choice.key() == key)
    }
}

/// How frames are exported.
#[derive(Debug, Clone, PartialEq)]
pub struct OutputSettings {
    /// Target folder; `None` until chosen.
    pub folder: Option<PathBuf>,
    /// Base name of the files; the counter follows after a blank.
    pub base_name: String,
    /// Minimum number of digits of the counter.
    pub digits: u8,
    /// Whether numbers count half frames, as half-frame film is numbered: 12, 12A, 13, 13A.
    pub half_numbers: bool,
    /// Whether frames have the numbers on the film, where these were read.
    pub film_numbers: bool,
    pub kind: OutputKind,
    /// Colour space, a key of `glassine_film::OutputSpace`.
    pub space: String,
    /// Tone rendering, `straight` or `print`.
    pub rendering: String,
    /// Compression of TIFFs.
    pub compression: TiffCompression,
    /// JPEG quality, 1 to 100.
    pub jpeg_quality: u8,
    /// Longest side of web pictures, pixels.
    pub web_long_side_px: u32,
    /// Whether pictures that are scaled down are sharpened afterwards; masters never are.
    pub sharpen_output: bool,
    /// Photographer, for the metadata.
    pub creator: String,
    /// Rights line, for the metadata.
    pub copyright: String,
    /// What the pictures show; written into every file.
    pub caption: String,
}

impl OutputSettings {
    /// Number of a frame as shown and as used in file names: the film's own where these are used, else the running one.
    pub fn number_of(&self, frame: &super::Frame, digits: u8) -> String {
        match frame.film_number {
            Some(number) if self.film_numbers => number.text(digits),
            _ => self.number_text(frame.number, digits),
        }
    }

    /// A frame number with at least `digits` digits; with half numbers two frames share one and the second has an A.
    pub fn number_text(&self, number: u32, digits: u8) -> String {
        let width = usize::from(digits.clamp(1, 9));
        if self.half_numbers {
            let half = if number % 2 == 1 { "A" } else { "" };
            format!("{:0width$}{half}", number / 2)
        } else {
            format!("{number:0width$}")
        }
    }
}

impl OutputSettings {
    /// Why nothing can be exported with these settings, if they name a colour space or rendering that this program does
    /// not know.
    pub fn unknown_choice(&self) -> Option<String> {
        let sentence =
            |what: &str, value: &str| format!("output: this program does not know the {what} “{value}”");
        if OutputSpace::from_key(&self.space).is_none() {
            return Some(sentence("colour space", &self.space));
        }
        let is_known = Rendering::ALL.iter().any(|rendering| rendering.key() == self.rendering);
        (!is_known).then(|| sentence("rendering", &self.rendering))
    }
}

impl Default for OutputSettings {
    fn default() -> Self {
        Self {
            folder: None,
            base_name: "frame".to_owned(),
            digits: 2,
            half_numbers: false,
            film_numbers: false,
            kind: OutputKind::default(),
            space: "srgb".to_owned(),
            rendering: "print".to_owned(),
            compression: TiffCompression::default(),
            jpeg_quality: 92,
            web_long_side_px: 2048,
            sharpen_output: true,
            creator: String::new(),
            copyright: String::new(),
            caption: String::new(),
        }
    }
}
