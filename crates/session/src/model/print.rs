//! How pictures are made for paper, and for which printer.

use std::path::PathBuf;

/// How colours that a printer cannot show are replaced.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum PrintIntent {
    /// The nearest colour of the printer; all others stay, relative to the white of the paper.
    #[default]
    RelativeColorimetric,
    /// As the maker of the profile finds pleasing.
    Perceptual,
    /// Strong colours stay strong.
    Saturation,
}

impl PrintIntent {
    /// In the order shown.
    pub const ALL: [Self; 3] = [Self::RelativeColorimetric, Self::Perceptual, Self::Saturation];

    /// Name in files.
    pub fn key(self) -> &'static str {
        match self {
            Self::RelativeColorimetric => "relative-colorimetric",
            Self::Perceptual => "perceptual",
            Self::Saturation => "saturation",
        }
    }

    /// The intent that a file names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|intent| intent.key() == key)
    }
}

/// The printer and paper that a print is made for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Printer {
    /// Its ICC profile; a relative path begins at the folder of the session.
    pub profile: PathBuf,
    pub intent: PrintIntent,
    /// Whether files have the values of the printer and its profile. Else they keep their colour space, and the profile
    /// serves the soft proof alone.
    pub converts: bool,
}

impl Printer {
    /// A printer whose prints are proofed only.
    pub fn proofed(profile: PathBuf) -> Self {
        Self { profile, intent: PrintIntent::default(), converts: false }
    }
}

/// How pictures are made for paper.
#[derive(Debug, Clone, PartialEq)]
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
    /// Encoded value of the picture's black: a little above 0 where the paper shows no steps between the darkest tones.
    pub paper_black: f64,
    /// `None` where the printer is not known.
    pub printer: Option<Printer>,
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
            paper_black: hold(self.paper_black, (0.0, 0.2), usual.paper_black),
            printer: self.printer,
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
        Self {
            sides_mm: [240.0, 180.0],
            ppi: 300.0,
            sharpen_amount: 0.6,
            paper_white: 1.0,
            paper_black: 0.0,
            printer: None,
        }
    }
}
