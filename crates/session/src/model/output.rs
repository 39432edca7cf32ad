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
    /// 8-bit TIFF at full resolution.
    Tiff8,
    /// 8-bit TIFF of the size of a print, sharpened for paper.
    Print,
    /// 16-bit TIFF of the film as scanned, with infrared and a margin of rebate.
    ArchiveNegative,
}

impl OutputKind {
    /// In the order shown.
    pub const ALL: [Self; 6] =
        [Self::Master, Self::Tiff8, Self::Jpeg, Self::Web, Self::Print, Self::ArchiveNegative];

    /// Name in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Master => "master",
            Self::Web => "web",
            Self::Jpeg => "jpeg",
            Self::Tiff8 => "tiff8",
            Self::Print => "print",
            Self::ArchiveNegative => "archive-negative",
        }
    }

    /// Name shown to the user.
    pub fn label(self) -> &'static str {
        match self {
            Self::Master => "Master, 16-bit TIFF",
            Self::Web => "Web, reduced JPEG",
            Self::Jpeg => "Full size, JPEG",
            Self::Tiff8 => "Full size, 8-bit TIFF",
            Self::Print => "Print, 8-bit TIFF",
            Self::ArchiveNegative => "Archive negative, 16-bit TIFF",
        }
    }

    /// The kind a file or command names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.key() == key)
    }

    /// Whether it is a TIFF, otherwise a JPEG.
    pub fn is_tiff(self) -> bool {
        self.extension() == "tif"
    }

    /// Bits of a sample.
    pub fn bits(self) -> u8 {
        if matches!(self, Self::Master | Self::ArchiveNegative) { 16 } else { 8 }
    }

    /// File extension, without the dot.
    pub fn extension(self) -> &'static str {
        match self {
            Self::Master | Self::Tiff8 | Self::Print | Self::ArchiveNegative => "tif",
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

/// How pictures are made for paper.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PrintSettings {
    /// Longer and shorter side of the print; the picture keeps its shape inside them.
    pub sides_mm: [f64; 2],
    /// Pixels per inch of the printer.
    pub ppi: f64,
    /// Amount of sharpening after the picture has its size; 0 turns it off.
    pub sharpen_amount: f64,
    /// Encoded value of the picture's white, 0 to 1: a little below 1 puts ink on the brightest parts, so that they do
    /// not look like holes in the paper.
    pub paper_white: f64,
}

impl PrintSettings {
    /// Sides that a print can have, mm.
    pub const SIDES_MM: std::ops::RangeInclusive<f64> = 10.0..=5000.0;
    /// Resolutions of printers.
    pub const PPI: std::ops::RangeInclusive<f64> = 36.0..=2880.0;

    /// The same with every value in its range.
    #[must_use]
    pub fn held(self) -> Self {
        let usual = Self::default();
        let hold = |value: f64, (low, high): (f64, f64), usual: f64| {
            if value.is_finite() { value.clamp(low, high) } else { usual }
        };
        let side = |idx: usize| {
            hold(self.sides_mm[idx], (*Self::SIDES_MM.start(), *Self::SIDES_MM.end()), usual.sides_mm[idx])
        };
        Self {
            sides_mm: [side(0).max(side(1)), side(0).min(side(1))],
            ppi: hold(self.ppi, (*Self::PPI.start(), *Self::PPI.end()), usual.ppi),
            sharpen_amount: hold(self.sharpen_amount, (0.0, 3.0), usual.sharpen_amount),
            paper_white: hold(self.paper_white, (0.8, 1.0), usual.paper_white),
        }
    }

    /// Pixels of a picture of this shape, upright.
    pub fn size_px(&self, width: f64, height: f64) -> (u32, u32) {
        let [long, short] = self.sides_mm.map(|mm| mm / glassine_raster::MM_PER_INCH * self.ppi);
        let scale = (long / width.max(height)).min(short / width.min(height));
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a cast of a float saturates"
        )]
        let side = |px: f64| (px * scale).round().max(1.0) as u32;
        (side(width), side(height))
    }
}

impl Default for PrintSettings {
    /// A print of 240 x 180 mm at 300 ppi: common practice for labs. The sharpening and the white are our choice: enough
    /// to make up for the spread of ink, and the least step that a printer shows.
    fn default() -> Self {
        Self { sides_mm: [240.0, 180.0], ppi: 300.0, sharpen_amount: 0.6, paper_white: 1.0 }
    }
}

/// A kind of export kept under a name. What it leaves open is as in the settings of the session.
#[derive(Debug, Clone, PartialEq)]
pub struct ExportRecipe {
    /// Name by which it is asked for; also the name of its folder.
    pub name: String,
    pub kind: OutputKind,
    /// Colour space, a key of `glassine_film::OutputSpace`.
    pub space: Option<String>,
    /// Tone rendering, `straight` or `print`.
    pub rendering: Option<String>,
    pub compression: Option<TiffCompression>,
    pub jpeg_quality: Option<u8>,
    pub web_long_side_px: Option<u32>,
    pub name_template: Option<String>,
    pub print: Option<PrintSettings>,
}

impl ExportRecipe {
    /// A recipe that is a kind and nothing else.
    pub fn of_kind(kind: OutputKind) -> Self {
        Self {
            name: kind.key().to_owned(),
            kind,
            space: None,
            rendering: None,
            compression: None,
            jpeg_quality: None,
            web_long_side_px: None,
            name_template: None,
            print: None,
        }
    }

    /// Output settings with what the recipe states.
    pub fn over(&self, settings: &OutputSettings) -> OutputSettings {
        let settings = settings.clone();
        OutputSettings {
            kind: self.kind,
            space: self.space.clone().unwrap_or(settings.space),
            rendering: self.rendering.clone().unwrap_or(settings.rendering),
            compression: self.compression.unwrap_or(settings.compression),
            jpeg_quality: self.jpeg_quality.unwrap_or(settings.jpeg_quality),
            web_long_side_px: self.web_long_side_px.unwrap_or(settings.web_long_side_px),
            name_template: self.name_template.clone().or(settings.name_template),
            print: self.print.unwrap_or(settings.print),
            ..settings
        }
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
    /// Template of file names; `None` names files by base name and counter.
    pub name_template: Option<String>,
    /// How pictures are made for paper.
    pub print: PrintSettings,
    /// Further kinds of export, each with a name.
    pub recipes: Vec<ExportRecipe>,
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
            name_template: None,
            print: PrintSettings::default(),
            recipes: Vec::new(),
        }
    }
}
