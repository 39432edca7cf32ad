//! Requests to the engine and its replies: plain values that cross threads.

mod export;

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use glassine_film::{FilmKind, Histogram};
use glassine_raster::PixelRect;
use glassine_scanfile::{Encoding, InfraredSource, ScanInfo};
use glassine_session::{
    EncodingChoice, FourthSampleChoice, FrameId, OutputSettings, RollId, ScaleShift, ScanId, Session,
    StrayLightChoice,
};
use glassine_sharpness::{BlurAndGrain, Sharpening};

use crate::colour::Proof;

pub use export::{ExportReport, ExportRequest, ExportedFile, FailedFrame, PlannedFile, PlannedState};

/// Identifies a session under work: every session opened or made in this process has its own key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default)]
pub struct SessionKey(u64);

impl SessionKey {
    /// A key that no session has had yet.
    pub fn fresh() -> Self {
        static NEXT: AtomicU64 = AtomicU64::new(1);
        Self(NEXT.fetch_add(1, Ordering::Relaxed))
    }
}

/// A session at one moment, and the folder its relative paths start at.
#[derive(Debug, Clone, Default)]
pub struct SessionAt {
    pub session: Session,
    /// Folder of the session file; `None` before the first save.
    pub folder: Option<Arc<Path>>,
    /// Tells sessions apart, so that results are not taken for those of another one.
    pub key: SessionKey,
}

impl SessionAt {
    /// A session that is used once, without a window, so that it can't be confused with another.
    pub fn new(session: Session, folder: Option<Arc<Path>>) -> Self {
        Self { session, folder, key: SessionKey::default() }
    }
}

/// How scan files are read; overrides what the files say.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ScanReading {
    /// How codes relate to light.
    pub encoding: EncodingChoice,
    /// What the fourth sample is.
    pub fourth_sample: FourthSampleChoice,
    /// Page of the file, from 1; `None` takes the one that looks like the scan.
    pub page: Option<u32>,
    /// Whether stray light is subtracted.
    pub stray_light: StrayLightChoice,
}

/// Files to make a new session from.
#[derive(Debug, Clone, Default)]
pub struct NewSessionRequest {
    /// Scan files, in order, and infrared files named after them ([`crate::scans_with_infrared`]).
    pub scans: Vec<PathBuf>,
    /// Infrared of the first scan, if in a separate file.
    pub infrared: Option<PathBuf>,
    pub reading: ScanReading,
    /// Film kind; `None` recognises it from the rebate.
    pub film: Option<FilmKind>,
    /// Frame format, if known.
    pub format_id: Option<String>,
    /// Resolution, if the files do not say.
    pub ppi: Option<f64>,
    /// Whether every file is one frame (camera copies), instead of a strip.
    pub one_frame_per_file: bool,
    /// Name of the roll.
    pub title: String,
    /// Roll of the session that the new strips belong to.
    pub roll: Option<RollId>,
}

/// A scan that frames of an earlier scan move to, because it shows the same film in the same place.
#[derive(Debug, Clone)]
pub struct RescanRequest {
    /// The new scan.
    pub file: PathBuf,
    /// The frames on it.
    pub frames: Vec<FrameId>,
    /// Where places of their present scan lie on the new one.
    pub to_new: ScaleShift,
    /// Resolution, if the file does not say.
    pub ppi: Option<f64>,
    /// How much longer than their present scan it was exposed, for red, green and blue, if it is known.
    pub exposure_ratio: Option<[f64; 3]>,
}

/// Which picture on screen a preview is for: a newer request for the same key replaces an older one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum ViewKey {
    /// The small positive under a box.
    Print(FrameId),
    /// The selected frame, large.
    Frame(FrameId),
    /// The same frame for comparison, for example without its settings.
    Compare(FrameId),
    /// A part of a scan, as scanned.
    ScanRegion(ScanId),
    /// One cell of a proof grid.
    Proof(FrameId, u16),
}

/// Part of an upright picture whose unit square is (0, 0) to (1, 1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnitRect {
    /// Left.
    pub x0: f64,
    /// Top.
    pub y0: f64,
    /// Right.
    pub x1: f64,
    /// Bottom.
    pub y1: f64,
}

impl UnitRect {
    /// The whole picture.
    pub const WHOLE: Self = Self { x0: 0.0, y0: 0.0, x1: 1.0, y1: 1.0 };
}

/// What is painted over a preview.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum Overlay {
    /// Nothing.
    #[default]
    None,
    /// Clipped pixels: one hatching for each end.
    Clipping,
    /// Pixels that count as film base.
    BasePixels,
    /// Dust and scratches.
    DustMap,
    /// Where the overshoot limit of sharpening acts.
    OvershootLimit,
    /// Instead of the picture: what dust repair changes, [`DIFFERENCE_GAIN`] times amplified, on black.
    RepairDifference,
}

/// Amplification of [`Overlay::RepairDifference`]: one code of difference in an 8-bit picture is shown as this many.
pub const DIFFERENCE_GAIN: f32 = 8.0;

/// Which stage of the work a preview shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum PictureSide {
    /// The finished positive.
    #[default]
    Positive,
    /// The positive with every setting of the frame at its default: before.
    Before,
    /// The finished positive without dust repair.
    Unrepaired,
    /// The film as scanned.
    Scan,
}

/// A picture wanted on screen.
#[derive(Debug, Clone)]
pub struct PreviewRequest {
    pub key: ViewKey,
    pub at: SessionAt,
    /// Which part of the upright picture (ignored for scan regions).
    pub region: UnitRect,
    /// Which part of the scan, for [`ViewKey::ScanRegion`].
    pub scan_rect: PixelRect,
    /// Largest width and height in screen pixels; the picture keeps its shape inside them.
    pub max_width_px: u32,
    pub max_height_px: u32,
    pub side: PictureSide,
    pub overlay: Overlay,
    /// Show the frame as this proof (ignored for scans).
    pub proof: Option<Arc<Proof>>,
    /// Echoed in the reply, to discard stale results.
    pub revision: u64,
}

/// A finished picture for the screen, sRGB coded unless it is a proof.
#[derive(Debug, Clone)]
pub struct Preview {
    pub session: SessionKey,
    pub key: ViewKey,
    /// Part of the upright picture that it shows.
    pub region: UnitRect,
    /// Part of the scan that it shows, for [`ViewKey::ScanRegion`].
    pub scan_rect: PixelRect,
    pub side: PictureSide,
    /// From the request.
    pub revision: u64,
    pub width_px: u32,
    pub height_px: u32,
    /// Red, green, blue and 255 for each pixel.
    pub rgba: Arc<Vec<u8>>,
    /// Histogram of the box (whole frame, in output coding), with clip counts; only for frame views.
    pub histogram: Option<Arc<Histogram>>,
    /// Share of pixels under the overlay, 0 to 1.
    pub overlay_share: f64,
    /// Whether the pixels are a proof, in codes of the screen itself.
    pub is_proof: bool,
    /// Share of pixels out of gamut, 0 to 1, if the proof marks them.
    pub out_of_gamut_share: Option<f64>,
    /// Dust repair of the frame, if the picture depends on it.
    pub repair: Option<Arc<RepairSummary>>,
    /// Whether a sharper one for the same request is on its way.
    pub is_coarse: bool,
    /// Whether dust detection is running: the same picture, repaired, is on its way.
    pub lacks_repair: bool,
    /// Time it took, milliseconds.
    pub millis: f64,
}

/// What dust repair found in a frame, counted within its image area.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RepairSummary {
    /// Compact marks.
    pub specks: u32,
    /// Long, bent marks.
    pub hairs: u32,
    /// Long, straight marks.
    pub scratches: u32,
    /// Pixels that get new values.
    pub marked_px: u64,
    /// The same as a share of the image area, 0 to 1.
    pub area_fraction: f64,
    /// Brush strokes applied to the marks.
    pub strokes: usize,
    /// Why the infrared plane was not used, a sentence with advice.
    pub refusal: Option<String>,
    /// Whether the scan has an infrared plane.
    pub has_infrared: bool,
    /// Offset of the infrared picture from the visible one, pixels; `None` if undetermined.
    pub shift_px: Option<[f64; 2]>,
    /// Infrared density per visible density of the image: about 0.05 for clear dyes, near 1 for silver.
    pub leakage_strength: Option<f64>,
    /// Whether the dyes block so much infrared that the marks should be checked before they are trusted.
    pub leaks_strongly: bool,
}

impl RepairSummary {
    /// Number of all marks.
    pub fn marks(&self) -> u32 {
        self.specks + self.hairs + self.scratches
    }
}

/// What can be marked over a whole scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ScanMarks {
    /// Pixels that count as film base.
    BasePixels,
    /// What the parts of a joined scan differ by where they overlap.
    PartDifferences,
}

/// A picture of a scan for the strip view: the overview as scanned, or marks over it.
#[derive(Debug, Clone)]
pub struct ScanPicture {
    pub session: SessionKey,
    pub scan: ScanId,
    pub width_px: u32,
    pub height_px: u32,
    /// Scan pixels for one overview pixel.
    pub factor: u32,
    /// Red, green, blue and 255 for each pixel.
    pub rgba: Arc<Vec<u8>>,
    pub reading: FoundReading,
}

/// How the file of a scan is read, according to its tags and the choices of the session.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct FoundReading {
    /// How codes relate to light, in words.
    pub encoding: String,
    /// The page that is read, from 1.
    pub page: u32,
    /// Pages in the file.
    pub pages: u32,
    /// Source of the infrared plane, in words; `None` without one.
    pub infrared: Option<&'static str>,
}

impl FoundReading {
    pub(crate) fn of(info: &ScanInfo) -> Self {
        let encoding = encoding_words(info.encoding);
        let infrared = match info.infrared {
            InfraredSource::None => None,
            InfraredSource::ExtraSample => Some("fourth sample"),
            InfraredSource::SecondPage => Some("second page"),
            InfraredSource::SeparateFile => Some("separate file"),
        };
        Self { encoding, page: info.page, pages: info.pages, infrared }
    }
}

fn encoding_words(encoding: Encoding) -> String {
    match encoding {
        Encoding::Linear => "linear".to_owned(),
        Encoding::Srgb => "sRGB".to_owned(),
        Encoding::Gamma(gamma) => format!("gamma {gamma}"),
        Encoding::Profile => "by its profile".to_owned(),
    }
}

/// The frames of a session to work on.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum FrameScope {
    /// All that are not skipped.
    #[default]
    All,
    /// These, even if skipped.
    Only(Vec<FrameId>),
}

/// How an export sharpens, whatever the frames' settings say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SharpenChoice {
    /// As each frame is set.
    On,
    /// Not at all.
    Off,
    /// As the measured blur and grain of each frame suggest.
    Suggested,
}

/// A sharpening that suits a frame, with its reason; shown as one sentence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SharpenSuggestion {
    /// In pixels of the scan.
    pub sharpening: Sharpening,
    pub reason: BlurAndGrain,
}

impl SharpenSuggestion {
    pub(crate) fn of(reason: &BlurAndGrain) -> Self {
        Self { sharpening: reason.suggestion(), reason: *reason }
    }
}

impl std::fmt::Display for SharpenSuggestion {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Sharpening { amount, radius_px, .. } = self.sharpening;
        write!(f, "suggested sharpening: amount {amount:.2}, radius {radius_px:.2} px (")?;
        match self.reason.blur_px {
            Some(blur_px) => write!(f, "edge blur {blur_px:.2} px")?,
            None => write!(f, "no straight edge to measure the blur by")?,
        }
        write!(f, ", grain {:.2} %)", 100.0 * self.reason.grain_sd[1])
    }
}

/// Clipping counted on every pixel that a frame's file would have, dust repair and sharpening included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExactCount {
    /// Share of pixels at the black end, per channel, 0 to 1.
    pub clip_low: [f64; 3],
    /// Share of pixels at the white end, per channel, 0 to 1.
    pub clip_high: [f64; 3],
    /// Pixels counted.
    pub pixels: u64,
}

impl From<&Histogram> for ExactCount {
    fn from(histogram: &Histogram) -> Self {
        Self {
            clip_low: histogram.clip_low_fraction(),
            clip_high: histogram.clip_high_fraction(),
            pixels: histogram.pixels,
        }
    }
}

/// How the frames of a contact sheet are arranged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum SheetArrangement {
    /// One strip a row if its frames fit one, else a grid.
    #[default]
    Auto,
    /// Every strip begins a row.
    Strips,
    /// All frames one after the other.
    Grid,
}

impl SheetArrangement {
    /// In the order shown.
    pub const ALL: [Self; 3] = [Self::Auto, Self::Strips, Self::Grid];

    /// Name on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Auto => "auto",
            Self::Strips => "strips",
            Self::Grid => "grid",
        }
    }

    /// The arrangement that a command names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|choice| choice.key() == key)
    }
}

/// Sizes of paper that can be named, width and height in mm.
///
/// Source: ISO 216 for the A sizes, ANSI/ASME Y14.1 for letter and tabloid; photographic paper by its nominal inches.
pub const PAPERS_MM: [(&str, [f64; 2]); 7] = [
    ("a5", [148.0, 210.0]),
    ("a4", [210.0, 297.0]),
    ("a3", [297.0, 420.0]),
    ("letter", [215.9, 279.4]),
    ("legal", [215.9, 355.6]),
    ("tabloid", [279.4, 431.8]),
    ("8x10", [203.2, 254.0]),
];

/// The paper of a contact sheet and what is on it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SheetLayout {
    /// Width and height of the paper.
    pub paper_mm: [f64; 2],
    pub arrangement: SheetArrangement,
    /// Whether the film as scanned stands above each print.
    pub negatives: bool,
}

impl Default for SheetLayout {
    /// Prints on upright A4.
    fn default() -> Self {
        Self { paper_mm: [210.0, 297.0], arrangement: SheetArrangement::default(), negatives: false }
    }
}

/// A contact sheet to be made.
#[derive(Debug, Clone)]
pub struct ContactSheetRequest {
    pub at: SessionAt,
    /// The file; its ending chooses PDF, JPEG or PNG.
    pub path: PathBuf,
    pub layout: SheetLayout,
    /// Whether to replace an existing file.
    pub replace: bool,
    /// Settings by which the files of the frames are named.
    pub output: OutputSettings,
    /// Name of the session, for the foot of the page.
    pub name: String,
    /// Date for the header; the engine reads no clock for it.
    pub made_on: String,
}

/// A contact sheet that was made.
#[derive(Debug, Clone, Default)]
pub struct ContactSheetReport {
    /// The files: one PDF, or a picture for each page.
    pub written: Vec<PathBuf>,
    pub pages: usize,
    pub frames: usize,
    /// Frames without a picture, each with its reason.
    pub failed: Vec<FailedFrame>,
}

/// A package for safekeeping to be made.
#[derive(Debug, Clone)]
pub struct ArchiveRequest {
    pub at: SessionAt,
    /// The folder of the package; it must not exist, or be empty.
    pub folder: PathBuf,
    /// Date, `YYYY-MM-DD`; the engine reads no clock for it.
    pub made_on: String,
}

/// A package that was made.
#[derive(Debug, Clone, Default)]
pub struct ArchiveReport {
    /// Files with a checksum.
    pub files: usize,
    pub scans: usize,
    pub negatives: usize,
}

/// What is wrong with a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FolderFault {
    Missing,
    Changed,
    /// There, but in no list.
    Extra,
}

impl FolderFault {
    /// Name in `--json` output.
    pub fn key(self) -> &'static str {
        match self {
            Self::Missing => "missing",
            Self::Changed => "changed",
            Self::Extra => "extra",
        }
    }
}

/// A file that is not as it was.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FolderFinding {
    pub path: PathBuf,
    pub fault: FolderFault,
}

/// Result of comparing files with their checksums.
#[derive(Debug, Clone, Default)]
pub struct FolderCheck {
    /// Files that were looked for.
    pub files: usize,
    pub findings: Vec<FolderFinding>,
}
