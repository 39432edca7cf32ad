//! How pictures are exported.

use std::path::{Path, PathBuf};

use glassine_film::{OutputSpace, Rendering};

use super::print::{PrintSettings, Printer};

/// What is exported.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum OutputKind {
    /// 16-bit TIFF at full resolution.
    #[default]
    Master,
    /// 8-bit JPEG or PNG, reduced to a longest side or to a number of pixels.
    Web,
    /// 8-bit JPEG at full resolution.
    Jpeg,
    /// 8-bit TIFF at full resolution.
    Tiff8,
    /// 8-bit TIFF of the size of a print, sharpened for paper.
    Print,
    /// 16-bit TIFF of the film as scanned, with infrared and a margin of rebate.
    ArchiveNegative,
    /// 16-bit TIFF of the density of the film above its base, for grading elsewhere.
    Density,
}

impl OutputKind {
    /// In the order shown.
    pub const ALL: [Self; 7] =
        [Self::Master, Self::Tiff8, Self::Jpeg, Self::Web, Self::Print, Self::ArchiveNegative, Self::Density];

    /// Name in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Master => "master",
            Self::Web => "web",
            Self::Jpeg => "jpeg",
            Self::Tiff8 => "tiff8",
            Self::Print => "print",
            Self::ArchiveNegative => "archive-negative",
            Self::Density => "density",
        }
    }

    /// Name shown to the user.
    pub fn label(self) -> &'static str {
        match self {
            Self::Master => "Master, 16-bit TIFF",
            Self::Web => "Web, reduced JPEG or PNG",
            Self::Jpeg => "Full size, JPEG",
            Self::Tiff8 => "Full size, 8-bit TIFF",
            Self::Print => "Print, 8-bit TIFF",
            Self::ArchiveNegative => "Archive negative, 16-bit TIFF",
            Self::Density => "Film density, 16-bit TIFF",
        }
    }

    /// The kind a file or command names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.key() == key)
    }

    /// Whether it is a TIFF.
    pub fn is_tiff(self) -> bool {
        !matches!(self, Self::Web | Self::Jpeg)
    }

    /// Whether its files show the finished picture, not the film.
    pub fn is_picture(self) -> bool {
        !matches!(self, Self::ArchiveNegative | Self::Density)
    }

    /// Bits of a sample.
    pub fn bits(self) -> u8 {
        if matches!(self, Self::Master | Self::ArchiveNegative | Self::Density) { 16 } else { 8 }
    }
}

/// File format of web pictures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WebFormat {
    #[default]
    Jpeg,
    /// Without loss.
    Png,
}

impl WebFormat {
    /// In the order shown.
    pub const ALL: [Self; 2] = [Self::Jpeg, Self::Png];

    /// Name in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Jpeg => "jpeg",
            Self::Png => "png",
        }
    }

    /// The format a file or command names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|format| format.key() == key)
    }
}

/// How a file holds the density of the film above its base.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum DensityEncoding {
    /// Logarithmic: 8000 codes for a density of 1, the base at 1520, as SMPTE ST 2065-3 encodes in 16 bits.
    #[default]
    Log,
    /// Linear light, relative to that through the base.
    Linear,
}

impl DensityEncoding {
    /// In the order shown.
    pub const ALL: [Self; 2] = [Self::Log, Self::Linear];

    /// Name in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Log => "log",
            Self::Linear => "linear",
        }
    }

    /// The encoding a file or command names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|encoding| encoding.key() == key)
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
    /// Folder of its files below the target folder, a template; empty for the target folder itself. `None` makes a
    /// folder of the recipe's name.
    pub folder: Option<String>,
    pub name_template: Option<String>,
    pub print: Option<PrintSettings>,
    pub web_format: Option<WebFormat>,
    pub web_megapixels: Option<f64>,
    pub most_kb: Option<u32>,
    pub sharpen_output: Option<bool>,
    pub density: Option<DensityEncoding>,
    /// Whether the next run writes it.
    pub is_chosen: bool,
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
            folder: None,
            name_template: None,
            print: None,
            web_format: None,
            web_megapixels: None,
            most_kb: None,
            sharpen_output: None,
            density: None,
            is_chosen: true,
        }
    }

    /// The same with the path of its printer profile changed.
    #[must_use]
    pub fn with_profile(mut self, with: impl Fn(&Path) -> PathBuf) -> Self {
        if let Some(printer) = self.print.as_mut().and_then(|print| print.printer.as_mut()) {
            printer.profile = with(&printer.profile);
        }
        self
    }

    /// A recipe under another name.
    #[must_use]
    pub fn named(self, name: &str) -> Self {
        Self { name: name.to_owned(), ..self }
    }

    /// Take over what was changed in settings that the recipe gave.
    pub fn take_changes(&mut self, before: &OutputSettings, after: &OutputSettings) {
        fn take<T: PartialEq + Clone>(own: &mut Option<T>, before: &T, after: &T) {
            if before != after {
                *own = Some(after.clone());
            }
        }
        self.kind = after.kind;
        take(&mut self.space, &before.space, &after.space);
        take(&mut self.rendering, &before.rendering, &after.rendering);
        take(&mut self.compression, &before.compression, &after.compression);
        take(&mut self.jpeg_quality, &before.jpeg_quality, &after.jpeg_quality);
        take(&mut self.web_long_side_px, &before.web_long_side_px, &after.web_long_side_px);
        take(&mut self.print, &before.print, &after.print);
        take(&mut self.web_format, &before.web_format, &after.web_format);
        take(&mut self.web_megapixels, &before.web_megapixels, &after.web_megapixels);
        take(&mut self.most_kb, &before.most_kb, &after.most_kb);
        take(&mut self.sharpen_output, &before.sharpen_output, &after.sharpen_output);
        take(&mut self.density, &before.density, &after.density);
        if before.name_template != after.name_template {
            self.name_template.clone_from(&after.name_template);
        }
    }

    /// Output settings with what the recipe states, without its folder.
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
            print: self.print.clone().unwrap_or(settings.print),
            web_format: self.web_format.unwrap_or(settings.web_format),
            web_megapixels: self.web_megapixels.unwrap_or(settings.web_megapixels),
            most_kb: self.most_kb.unwrap_or(settings.most_kb),
            sharpen_output: self.sharpen_output.unwrap_or(settings.sharpen_output),
            density: self.density.unwrap_or(settings.density),
            recipe: self.name.clone(),
            ..settings
        }
    }

    /// Folder of its files below the target folder: a template, which is empty for the target folder itself.
    pub fn folder_template(&self) -> &str {
        self.folder.as_deref().unwrap_or("{recipe}")
    }

    /// The settings of recipes that are written in one run, each in its folder.
    pub fn settings_of<'a>(
        recipes: impl IntoIterator<Item = &'a Self>,
        settings: &OutputSettings,
    ) -> Vec<OutputSettings> {
        let settings_of = |recipe: &Self| {
            let own = recipe.over(settings);
            let folder = recipe.folder_template().trim_matches('/');
            if folder.is_empty() {
                return own;
            }
            let name = own.name_template.as_deref().unwrap_or("{name}");
            OutputSettings { name_template: Some(format!("{folder}/{name}")), ..own }
        };
        recipes.into_iter().map(settings_of).collect()
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
    /// Name of the recipe that made these settings; empty for those of a session. Not kept in files.
    pub recipe: String,
    pub web_format: WebFormat,
    /// Millions of pixels of web pictures; 0 leaves it to the longest side.
    pub web_megapixels: f64,
    /// Largest web picture, thousands of bytes; 0 for no limit.
    pub most_kb: u32,
    pub density: DensityEncoding,
}

impl OutputSettings {
    /// What an export with these settings writes: the chosen recipes, or these settings themselves.
    pub fn chosen(&self) -> Vec<Self> {
        let chosen: Vec<_> = self.recipes.iter().filter(|recipe| recipe.is_chosen).collect();
        if chosen.is_empty() { vec![self.clone()] } else { ExportRecipe::settings_of(chosen, self) }
    }

    /// Place of the recipe of this name, else of the first one.
    pub fn recipe_or_first(&self, name: &str) -> Option<usize> {
        let named = self.recipes.iter().position(|recipe| recipe.name == name);
        named.or_else(|| (!self.recipes.is_empty()).then_some(0))
    }

    /// The printer of these files, if they are prints for a known one.
    pub fn printer(&self) -> Option<&Printer> {
        self.print.printer.as_ref().filter(|_| self.kind == OutputKind::Print)
    }

    /// The path of every printer profile, also of recipes.
    pub fn printer_profiles(&self) -> impl Iterator<Item = &Path> {
        let prints = self.recipes.iter().filter_map(|recipe| recipe.print.as_ref());
        let prints = std::iter::once(&self.print).chain(prints);
        prints.filter_map(|print| Some(&*print.printer.as_ref()?.profile))
    }

    /// Change the path of every printer profile, also of recipes.
    pub fn change_profiles(&mut self, with: impl Fn(&Path) -> PathBuf) {
        if let Some(printer) = &mut self.print.printer {
            printer.profile = with(&printer.profile);
        }
        let recipes = std::mem::take(&mut self.recipes);
        self.recipes = recipes.into_iter().map(|recipe| recipe.with_profile(&with)).collect();
    }

    /// Name of the kind of files in names: that of the recipe, or of the kind.
    pub fn recipe_name(&self) -> &str {
        if self.recipe.is_empty() { self.kind.key() } else { &self.recipe }
    }

    /// File extension, without the dot.
    pub fn extension(&self) -> &'static str {
        match (self.kind, self.web_format) {
            (OutputKind::Web, WebFormat::Png) => "png",
            (OutputKind::Web | OutputKind::Jpeg, _) => "jpg",
            _ => "tif",
        }
    }

    /// Size in pixels of the file of a picture of this size.
    pub fn size_px(&self, (width, height): (u32, u32)) -> (u32, u32) {
        let (w, h) = (f64::from(width), f64::from(height));
        let scale = match self.kind {
            OutputKind::Print => return self.print.size_px(w, h),
            OutputKind::Web if self.web_megapixels > 0.0 => (self.web_megapixels * 1e6 / (w * h)).sqrt(),
            OutputKind::Web => f64::from(self.web_long_side_px) / w.max(h),
            _ => 1.0,
        };
        if scale.is_nan() || scale >= 1.0 {
            return (width, height);
        }
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "smaller than the side that it is made of"
        )]
        let side = |px: f64| (px * scale).round().max(1.0) as u32;
        (side(w), side(h))
    }

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
            recipe: String::new(),
            web_format: WebFormat::default(),
            web_megapixels: 0.0,
            most_kb: 0,
            density: DensityEncoding::default(),
        }
    }
}
