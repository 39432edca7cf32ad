//! Finding strips and frames: the input, the result and the order of the steps.
//!
//! 1. `levels`: densities of the overview; which pixels are holder, open light, film.
//! 2. `strips`: the pieces of film, their direction and angle; each is resampled upright along the strip.
//! 3. `signal`: the clear film of a strip, and from it a signal that is zero on the rebate.
//! 4. `rows` and `frames`: the image band across the strip, then the row of frames that explains the signal best;
//!    `row` completes it from pitch and cut ends, `recognise` names the format.
//! 5. `refine`: sub-pixel image edges and the turn of each frame from thin bands, at full resolution if available.
//!    `settle` gives frames with unseen sides the size of the others.
//! 6. `outline` and `perforations`: film edges and holes give the turn and extent of the strip.

mod filled;
mod frames;
mod levels;
mod line;
mod outline;
mod perforations;
mod recognise;
mod refine;
mod row;
mod rows;
mod run;
mod settle;
mod signal;
mod strip;
mod strips;
mod usable;

pub use run::find;

use glassine_raster::{Cancelled, RegionError, ResolutionPpi, Samples16, TiltedBox};

use crate::{Format, StripAxis};

/// Kind of film, if the caller knows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FilmTone {
    /// The rebate is the clearest film, images are denser (colour or black-and-white negative).
    Negative,
    /// The rebate is the densest film, images are clearer.
    Slide,
    /// Unknown: the finder tries both and keeps the better explanation.
    #[default]
    Unknown,
}

/// What the caller knows, and what it wants.
#[derive(Debug, Clone, Copy, Default)]
pub struct FindOptions<'a> {
    pub tone: FilmTone,
    /// The format, if known; otherwise the finder recognises it.
    pub format: Option<&'a Format>,
    /// Resolution of the scan, if known.
    pub ppi: Option<ResolutionPpi>,
    /// Guard margin in scan pixels; `None` derives it from the measured edge blur.
    pub guard_margin_px: Option<f64>,
    /// The file holds one frame, with or without a border: the result has exactly one frame, inside the file.
    pub single_frame_file: bool,
}

/// A reduced image of the whole scan.
#[derive(Debug, Clone, Copy)]
pub struct Overview<'a> {
    /// Codes proportional to transmittance; colour channels first, infrared last if present.
    pub samples: &'a Samples16,
    /// Number of colour channels (1 or 3).
    pub colour_channels: u8,
    /// Scan pixels per overview pixel in both directions.
    pub factor: u32,
    /// Columns of the scan.
    pub scan_width_px: u32,
    /// Rows of the scan.
    pub scan_height_px: u32,
}

/// Everything found in one scan.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Found {
    /// Pieces of film, top to bottom and left to right.
    pub strips: Vec<FoundStrip>,
    /// Messages for the user about the whole scan.
    pub notes: Vec<String>,
}

/// One piece of film.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundStrip {
    /// The film with its rebate, as far as it is visible.
    pub film_area: TiltedBox,
    /// Turn of the strip, clockwise, within 45 degrees in either direction.
    pub angle_rad: f64,
    /// Direction in which the frames follow each other.
    pub axis: StripAxis,
    /// Recognised or given format.
    pub format_id: Option<String>,
    /// Frames in order along the strip.
    pub frames: Vec<FoundFrame>,
    /// Confidence in the whole strip, 0 to 1.
    pub confidence: f32,
    /// Messages for the user about this strip.
    pub notes: Vec<String>,
    /// Perforation rows and other transparent places: never film base.
    pub perforations: Vec<TiltedBox>,
    /// Kind of film the finder took this strip for.
    pub tone: FilmTone,
}

/// One image.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundFrame {
    /// Measured image edges, with the frame's own turn.
    pub image_area: TiltedBox,
    /// Width of the image edges from 10 to 90 percent, scan pixels.
    pub edge_blur_px: f64,
    /// Guard margin, scan pixels: set by the caller, or derived from the measured blur.
    pub guard_margin_px: f64,
    /// Confidence, 0 to 1.
    pub confidence: f32,
    /// One sentence for the user: the evidence for the box.
    pub reason: String,
    pub flags: Vec<FrameFlag>,
}

impl FoundFrame {
    /// The area a crop box must stay inside.
    pub fn safe_area(&self) -> crate::SafeArea {
        crate::SafeArea::new(&self.image_area, self.guard_margin_px)
    }

    pub fn has(&self, flag: FrameFlag) -> bool {
        self.flags.contains(&flag)
    }
}

/// What is special about a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FrameFlag {
    /// An edge was not visible; it follows from the neighbours and the size of the others.
    Inferred,
    /// The user should check it.
    LowConfidence,
    /// Cut off at the end of the film.
    Partial,
    /// Shows nothing but base.
    Blank,
    /// Overlaps its neighbour.
    Overlap,
}

/// Why the finder could not run.
#[derive(Debug, Clone, thiserror::Error)]
#[non_exhaustive]
pub enum LayoutError {
    /// Stopped on request.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// A region could not be read.
    #[error(transparent)]
    Read(RegionError),
    /// The overview does not fit the scan size stated with it.
    #[error(
        "an overview of {width} by {height} pixels at a factor of {factor} does not show a scan of {scan_width} by {scan_height}"
    )]
    WrongOverview {
        width: u32,
        height: u32,
        /// Stated reduction factor.
        factor: u32,
        scan_width: u32,
        scan_height: u32,
    },
    /// The overview has fewer channels than stated, or none.
    #[error("{colour} colour channels were announced, but the overview has {channels} channels")]
    WrongChannels {
        /// Stated colour channels.
        colour: u8,
        /// Channels in the overview.
        channels: u8,
    },
}

impl From<RegionError> for LayoutError {
    fn from(e: RegionError) -> Self {
        match e {
            RegionError::Cancelled(c) => Self::Cancelled(c),
            other => Self::Read(other),
        }
    }
}
