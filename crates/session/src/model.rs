//! The session as a plain value: cheap to clone, because scans, strips and frames are shared until they change.

use std::collections::HashMap;
use std::fmt;
use std::path::PathBuf;
use std::sync::Arc;

use glassine_film::{BalanceMode, BaseField, FilmKind, Look, Stock, shipped_stocks};
use glassine_raster::{Orientation, ResolutionPpi, TiltedBox};
use serde_json::{Map, Value};

use crate::stroke::BrushStroke;

mod edge_code;
mod facts;
mod frame_marks;
mod join;
mod output;
mod print;

pub use self::edge_code::{FilmNumber, ReadCode, StripCode};
pub use self::facts::Facts;
pub use self::frame_marks::{FrameFlag, FrameMark};
pub use self::join::{Join, JoinPart};
pub use self::output::{
    DensityEncoding, ExportRecipe, OutputKind, OutputSettings, TiffCompression, WebFormat,
};
pub use self::print::{PrintIntent, PrintSettings, Printer};

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub struct $name(pub u32);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }
    };
}

id! {
    /// Stable id of a scan within one session.
    ScanId
}
id! {
    /// Stable id of a strip within one session.
    StripId
}
id! {
    /// Stable id of a roll within one session.
    RollId
}
id! {
    /// Stable id of a frame within one session; never reused, unlike its number.
    FrameId
}

/// Length and hashes of a scan file, to notice that it was replaced and to find it again elsewhere.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fingerprint {
    /// File length.
    pub bytes: u64,
    /// BLAKE3 of samples of the file, hexadecimal; computed when the scan is opened.
    pub sampled_blake3: Option<String>,
    /// BLAKE3 of the whole file, hexadecimal; computed in the background.
    pub blake3: Option<String>,
}

/// How the codes of a scan relate to light; overrides what the file says.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum EncodingChoice {
    /// As the file says.
    #[default]
    Auto,
    /// Codes are proportional to light.
    Linear,
    /// IEC 61966-2-1 transfer curve.
    Srgb,
    /// Power law with this exponent.
    Gamma(f64),
}

/// The encoding that the codes of a file appear to have, if the file does not state one.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundEncoding {
    /// How codes relate to light; never automatic.
    pub encoding: EncodingChoice,
    /// Whether the infrared of the same file is encoded alike.
    pub covers_infrared: bool,
    /// Whether the picture showed too little to be sure.
    pub is_guess: bool,
    /// Evidence for it, in words.
    pub why: String,
}

/// Whether stray light is subtracted from a scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum StrayLightChoice {
    /// Subtract what was measured on the holder.
    #[default]
    Auto,
    /// Subtract nothing.
    Off,
}

impl StrayLightChoice {
    /// Name in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Auto => "auto",
            Self::Off => "off",
        }
    }

    /// The choice a file or command names.
    pub fn from_key(key: &str) -> Option<Self> {
        [Self::Auto, Self::Off].into_iter().find(|choice| choice.key() == key)
    }
}

/// What the fourth sample of a four-sample scan is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FourthSampleChoice {
    /// Decided from the tags and the samples.
    #[default]
    Auto,
    /// Infrared.
    Infrared,
    /// Left out.
    Ignore,
}

/// One scan file, opened read-only.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ScanRef {
    pub id: ScanId,
    /// The scan file; a relative path starts at the session file's folder.
    pub path: PathBuf,
    /// Infrared, if in a separate file.
    pub infrared_path: Option<PathBuf>,
    /// Page of the file, from 1; `None` takes the one that looks like the scan.
    pub page: Option<u32>,
    pub width_px: u32,
    pub height_px: u32,
    /// Resolution, if the file or the user states one.
    pub ppi: Option<f64>,
    /// Planes in reading order: `grey`, or `red` `green` `blue`, then possibly `infrared`.
    pub planes: Vec<String>,
    /// Length and hashes at the time it was added.
    pub fingerprint: Option<Fingerprint>,
    /// The same of the infrared file.
    pub infrared_fingerprint: Option<Fingerprint>,
    /// When the film was scanned, as the file says, `YYYY:MM:DD HH:MM:SS` and possibly a zone such as `+01:00`.
    pub scanned_at: Option<String>,
    /// Override of the encoding.
    pub encoding: EncodingChoice,
    /// Override of the fourth sample's meaning.
    pub fourth_sample: FourthSampleChoice,
    /// The encoding that the codes appear to have, if the file states none; used if `encoding` is automatic.
    pub found_encoding: Option<FoundEncoding>,
    /// Whether stray light is subtracted.
    pub stray_light: StrayLightChoice,
    /// Stray light measured on the holder: linear light of red, green and blue relative to full scale.
    pub found_stray_light: Option<[f64; 3]>,
    /// The parts that it is joined from, each read in its own way; `path` then names the first of them.
    pub join: Option<Arc<Join>>,
}

impl ScanRef {
    /// Its resolution as the crates below take it.
    pub fn resolution(&self) -> Option<ResolutionPpi> {
        self.ppi.and_then(ResolutionPpi::new)
    }

    /// How codes are read: as chosen, else as found, else as the file says.
    pub fn encoding_in_use(&self) -> EncodingChoice {
        match (self.encoding, &self.found_encoding) {
            (EncodingChoice::Auto, Some(found)) => found.encoding,
            (chosen, _) => chosen,
        }
    }

    /// Whether the infrared of the file is read with the same curve as its colours.
    pub fn encoding_covers_infrared(&self) -> bool {
        self.infrared_path.is_none()
            && self.found_encoding.as_ref().is_some_and(|found| found.covers_infrared)
    }

    /// Linear light subtracted from every pixel, relative to full scale.
    pub fn stray_light_in_use(&self) -> Option<[f64; 3]> {
        self.found_stray_light.filter(|_| self.stray_light == StrayLightChoice::Auto)
    }

    /// Whether both read the same samples from the same files.
    pub fn reads_like(&self, other: &Self) -> bool {
        self.encoding_in_use() == other.encoding_in_use()
            && self.encoding_covers_infrared() == other.encoding_covers_infrared()
            && self.stray_light_in_use() == other.stray_light_in_use()
            && self.fourth_sample == other.fourth_sample
            && self.page == other.page
            && self.join == other.join
    }

    /// Whether there is an infrared plane.
    pub fn has_infrared(&self) -> bool {
        self.planes.iter().any(|plane| plane == "infrared")
    }

    /// Colour planes: 1 for grey, 3 for colour.
    pub fn colour_channels(&self) -> u8 {
        if self.planes.first().is_some_and(|plane| plane == "grey") { 1 } else { 3 }
    }
}

/// Where a film base came from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BaseSource {
    /// Measured on the rebate found with the frames.
    Rebate,
    /// Measured in a box that the user drew.
    Box(TiltedBox),
    /// Typed in.
    Typed,
    /// No rebate was usable: estimated from the clearest parts of the frames.
    ClearestParts,
}

/// Density of the clear film of a strip.
#[derive(Debug, Clone, PartialEq)]
pub struct FilmBase {
    /// `-log10(linear code / 65535)` for red, green, blue.
    pub density_d: [f64; 3],
    /// Pixels it was measured on; 0 if typed.
    pub pixels: u64,
    /// Robust standard deviation of those pixels.
    pub spread_d: [f64; 3],
    /// Mask tolerance that covers the spread without reaching the image.
    pub recommended_tolerance_d: f64,
    /// 0 (a guess) to 1 (sure).
    pub confidence: f64,
    /// Where it came from.
    pub source: BaseSource,
    /// Its variation over the scan, if the lamp falls off.
    pub field: Option<BaseField>,
}

impl FilmBase {
    /// Base density at a place of a scan of the given size, scan pixels.
    pub fn density_at(&self, x_px: f64, y_px: f64, width_px: u32, height_px: u32) -> [f64; 3] {
        let Some(field) = &self.field else { return self.density_d };
        let place = |at: f64, side: u32| 2.0 * at / f64::from(side.max(1)) - 1.0;
        let shift_d = field.shift_d(place(x_px, width_px), place(y_px, height_px));
        [0, 1, 2].map(|c| self.density_d[c] + shift_d[c])
    }
}

/// Solved values of a strip.
#[derive(Debug, Clone, PartialEq)]
pub struct StripSolve {
    /// Slope of each layer relative to the stock's.
    pub gamma_ratio: [f64; 3],
    /// Toe of each layer relative to the stock's.
    pub toe_ratio: [f64; 3],
    /// Colour strength relative to the stock's, at most 1.
    pub colour_strength: f64,
    /// Log10 exposure of a neutral in each layer relative to green.
    pub neutral_log: [f64; 3],
    /// Confidence, 0 to 1.
    pub confidence: f64,
    /// Versions of the solver and of the inputs that made it.
    pub provenance: String,
}

/// Solved values of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameSolve {
    /// Offsets in log10 exposure per layer: exposure and neutral together.
    pub log_offset: [f64; 3],
    /// The exposure part, in stops.
    pub exposure_stops: f64,
    /// The balance part: warm/cool and magenta/green in CC units.
    pub balance_cc: [f64; 2],
    /// Cast correction that is suggested, not applied: warm/cool and magenta/green in CC units.
    pub cast_suggestion_cc: [f64; 2],
    /// Confidence, 0 to 1.
    pub confidence: f64,
    /// Messages for the user.
    pub notes: Vec<String>,
}

/// A roll of film: what the user writes about it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Roll {
    pub id: RollId,
    pub title: String,
    pub facts: Facts,
}

/// A piece of film on a scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    pub id: StripId,
    /// The roll it was cut from, if the session has several or something is written about one.
    pub roll: Option<RollId>,
    pub scan: ScanId,
    pub film: FilmKind,
    /// Frame format, an id of the format table; `None` until known.
    pub format_id: Option<String>,
    /// The film with its rebate; the strip runs along the longer side.
    pub film_area: Option<TiltedBox>,
    /// Stock, an id of a shipped or own stock.
    pub stock_id: String,
    /// Density of the clear film.
    pub base: Option<FilmBase>,
    /// Density above the clear-film peak that still counts as base.
    pub mask_tolerance_d: f64,
    /// Share of the stock's dye unmixing that is applied, 0 to 1.
    pub unmix_strength: f64,
    /// Balance locked over the strip, or per frame.
    pub balance: BalanceMode,
    /// Result of the strip solve.
    pub solve: Option<StripSolve>,
    /// Areas on the film that are not clear film: perforation rows.
    pub perforations: Vec<TiltedBox>,
    /// What the code along the film's edge says, if it was read.
    pub edge_code: Option<StripCode>,
    /// Whether the strip is shown from its other side than it was scanned from.
    pub is_mirrored: bool,
    /// Whether the strip is shown the other way round than it lies on the scan, after mirroring.
    pub is_turned: bool,
    /// Messages for the user from finding and measuring.
    pub notes: Vec<String>,
}

/// Note of a strip whose film kind was recognised from the colours of its picture alone.
pub const FILM_IS_GUESSED: &str = "the kind of film is a guess from the colours of the picture, because no film base is in view; \
                                   choose another kind if it is wrong";

impl Strip {
    /// Whether the film kind is a guess.
    pub fn film_is_guessed(&self) -> bool {
        self.notes.iter().any(|note| note == FILM_IS_GUESSED)
    }

    /// Rotation of the film on the scan in degrees, clockwise on screen.
    pub fn angle_deg(&self) -> f64 {
        self.film_area.map_or(0.0, |area| area.angle_rad.to_degrees())
    }
}

/// One picture on a strip.
#[derive(Debug, Clone, PartialEq)]
pub struct Frame {
    pub id: FrameId,
    /// Running number in the order shown.
    pub number: u32,
    /// Number on the film, if its edge code was read beyond doubt.
    pub film_number: Option<FilmNumber>,
    /// Name in place of base name and counter.
    pub name: Option<String>,
    pub strip: StripId,
    /// The box: what is exported, and the only source of statistics.
    pub crop: TiltedBox,
    /// Measured edges of the image; `None` if drawn by hand on an unmeasured place.
    pub image_area: Option<TiltedBox>,
    /// Distance the box keeps from the image edges while held.
    pub guard_margin_px: f64,
    /// Whether the box is held inside the image area.
    pub held: bool,
    /// How the picture is turned for viewing.
    pub orientation: Orientation,
    /// Adjustable values.
    pub look: Look,
    /// Strokes of the repair brush, oldest first; a later one overrides an earlier one.
    pub strokes: Vec<Arc<BrushStroke>>,
    /// Result of the solve.
    pub solve: Option<FrameSolve>,
    /// Confidence in the box, 0 to 1.
    pub confidence: f64,
    /// Reason for the confidence, in one sentence.
    pub reason: String,
    /// What the user should check.
    pub flags: Vec<FrameFlag>,
    /// The user's choice about the picture.
    pub mark: FrameMark,
    /// What is written about this frame alone.
    pub facts: Arc<Facts>,
}

impl Frame {
    /// Whether it is left out of the export.
    pub fn is_left_out(&self) -> bool {
        self.mark == FrameMark::LeaveOut
    }

    /// Whether the box reaches outside the guarded image area, so that its statistics would be polluted by the rebate.
    pub fn reaches_rebate(&self) -> bool {
        const SLACK_PX: f64 = 0.01;
        let Some(area) = self.image_area else { return false };
        let area = area.inset(-SLACK_PX);
        !self.crop.corners().iter().all(|corner| area.contains(*corner))
    }
}

/// Everything the user decided about a set of scans.
///
/// Sessions made from one another share their parts, so that a comparison only looks at parts that were replaced.
#[derive(Debug, Clone, Default)]
pub struct Session {
    /// Name of the roll or job.
    pub title: String,
    /// Free text.
    pub notes: String,
    /// Scan files.
    pub scans: Vec<Arc<ScanRef>>,
    /// Rolls that something is written about.
    pub rolls: Vec<Arc<Roll>>,
    /// Pieces of film on them.
    pub strips: Vec<Arc<Strip>>,
    /// Pictures, in the order shown and exported.
    pub frames: Vec<Arc<Frame>>,
    /// Stocks that the user measured, kept so that the session can be redone anywhere.
    pub stocks: Vec<Arc<Stock>>,
    /// Export settings.
    pub output: OutputSettings,
    /// Next unused id of any kind.
    pub next_id: u32,
    /// Data of a newer program that this one does not know, by its place in the file; written back there on saving.
    pub extra: Arc<Map<String, Value>>,
}

impl PartialEq for Session {
    fn eq(&self, other: &Self) -> bool {
        self.next_id == other.next_id && self.same_content(other)
    }
}

fn same_parts<T: PartialEq>(a: &[Arc<T>], b: &[Arc<T>]) -> bool {
    a.len() == b.len() && a.iter().zip(b).all(|(a, b)| Arc::ptr_eq(a, b) || a == b)
}

/// Whether a typed number is the one shown, whatever its case and its zeros in front.
pub fn is_same_number(shown: &str, typed: &str) -> bool {
    let typed = typed.trim();
    [typed, typed.trim_start_matches('0')].iter().any(|typed| shown.eq_ignore_ascii_case(typed))
}

impl Session {
    pub fn scan(&self, id: ScanId) -> Option<&Arc<ScanRef>> {
        self.scans.iter().find(|scan| scan.id == id)
    }

    pub fn roll(&self, id: RollId) -> Option<&Arc<Roll>> {
        self.rolls.iter().find(|roll| roll.id == id)
    }

    /// Strips in the order of their first frames; those without frames follow in the order they were found in.
    pub fn strips_in_order(&self) -> Vec<&Arc<Strip>> {
        let mut first: HashMap<StripId, usize> = HashMap::new();
        for (idx, frame) in self.frames.iter().enumerate() {
            first.entry(frame.strip).or_insert(idx);
        }
        let mut strips: Vec<&Arc<Strip>> = self.strips.iter().collect();
        strips.sort_by_key(|strip| first.get(&strip.id).copied().unwrap_or(usize::MAX));
        strips
    }

    /// Place of a strip in the order shown, from 1.
    pub fn strip_place(&self, id: StripId) -> usize {
        self.strips_in_order().iter().position(|strip| strip.id == id).map_or(1, |idx| idx + 1)
    }

    /// Strips as their edge codes order them: grouped by film, by the first number on each, in the order of the groups'
    /// first strips. `None` if a strip has no number, two begin with the same one, or they are in this order already.
    pub fn order_on_film(&self) -> Option<Vec<StripId>> {
        let shown = self.strips_in_order();
        let mut groups: Vec<[u8; 2]> = Vec::new();
        let mut keyed = Vec::with_capacity(shown.len());
        for strip in &shown {
            let code = strip.edge_code.as_ref()?;
            let number = code.codes.iter().filter_map(|code| code.number).min()?;
            let group = groups.iter().position(|film| *film == code.film_code).unwrap_or_else(|| {
                groups.push(code.film_code);
                groups.len() - 1
            });
            keyed.push(((strip.roll, group, number), strip.id));
        }
        let before: Vec<StripId> = keyed.iter().map(|(_, id)| *id).collect();
        keyed.sort_by_key(|(key, _)| *key);
        let is_clear = keyed.windows(2).all(|pair| pair[0].0 != pair[1].0);
        let after: Vec<StripId> = keyed.into_iter().map(|(_, id)| id).collect();
        (is_clear && after != before).then_some(after)
    }

    pub fn strip(&self, id: StripId) -> Option<&Arc<Strip>> {
        self.strips.iter().find(|strip| strip.id == id)
    }

    pub fn frame(&self, id: FrameId) -> Option<&Arc<Frame>> {
        self.frames.iter().find(|frame| frame.id == id)
    }

    /// Position of a frame in the order shown.
    pub fn frame_idx(&self, id: FrameId) -> Option<usize> {
        self.frames.iter().position(|frame| frame.id == id)
    }

    /// Frames of one strip, in the order shown.
    pub fn frames_of(&self, strip: StripId) -> impl Iterator<Item = &Arc<Frame>> {
        self.frames.iter().filter(move |frame| frame.strip == strip)
    }

    /// The session's own stock with this id.
    pub fn stock(&self, id: &str) -> Option<&Arc<Stock>> {
        self.stocks.iter().find(|stock| stock.id == id)
    }

    /// Whether the session or this program has the stock that a strip names, for its kind of film.
    pub fn knows_stock_of(&self, strip: &Strip) -> bool {
        let fits = |stock: &Stock| stock.id == strip.stock_id && stock.kind == strip.film;
        self.stocks.iter().any(|stock| fits(stock)) || shipped_stocks().iter().any(fits)
    }

    /// A frame's number as shown: `12`, or `12A` for the second half of a number.
    pub fn number_text(&self, frame: &Frame) -> String {
        self.output.number_of(frame, 1)
    }

    /// The frames with this number, as shown.
    pub fn frames_named<'a>(&'a self, typed: &'a str) -> impl Iterator<Item = &'a Arc<Frame>> {
        self.frames.iter().filter(move |frame| is_same_number(&self.number_text(frame), typed))
    }

    /// Whether every frame has a number on the film, and no two have the same.
    pub fn has_distinct_film_numbers(&self) -> bool {
        let mut seen = std::collections::HashSet::new();
        !self.frames.is_empty()
            && self.frames.iter().all(|frame| frame.film_number.is_some_and(|number| seen.insert(number)))
    }

    /// Strip and scan of a frame.
    pub fn context(&self, frame: &Frame) -> Option<(&Arc<Strip>, &Arc<ScanRef>)> {
        let strip = self.strip(frame.strip)?;
        Some((strip, self.scan(strip.scan)?))
    }

    /// A fresh id: never one that was used before.
    pub(crate) fn take_id(&mut self) -> u32 {
        let mut used: Vec<u32> = self.scans.iter().map(|s| s.id.0).collect();
        used.extend(self.strips.iter().map(|s| s.id.0));
        used.extend(self.frames.iter().map(|f| f.id.0));
        used.extend(self.rolls.iter().map(|roll| roll.id.0));
        let above = used.iter().max().map_or(1, |max| max.saturating_add(1)).max(self.next_id).max(1);
        self.next_id = above.saturating_add(1);
        if above < u32::MAX {
            return above;
        }
        // Only a file made by hand comes here. There are more ids than are used, so one is free.
        used.sort_unstable();
        (1..u32::MAX).find(|id| used.binary_search(id).is_err()).unwrap_or(above)
    }

    /// Whether both hold the same, regardless of the ids they would assign next.
    pub fn same_content(&self, other: &Self) -> bool {
        let Self { title, notes, scans, rolls, strips, frames, stocks, output, next_id: _, extra } = self;
        same_parts(frames, &other.frames)
            && same_parts(rolls, &other.rolls)
            && same_parts(strips, &other.strips)
            && same_parts(scans, &other.scans)
            && same_parts(stocks, &other.stocks)
            && *title == other.title
            && *notes == other.notes
            && *output == other.output
            && (Arc::ptr_eq(extra, &other.extra) || *extra == other.extra)
    }
}
