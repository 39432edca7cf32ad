//! Finding strips and frames: what the caller says, what it gets, and the order of the steps.
//!
//! 1. `levels`: densities of the overview; which pixels are holder, open light, film.
//! 2. `strips`: pieces of film, the way they run, their angle; each is read out upright along the strip.
//! 3. `signal`: the clear film of a strip, and from it a signal that is zero on the rebate.
//! 4. `rows` and `frames`: the image band across the strip, then the row of frames that explains the signal best;
//!    `row` completes it from pitch and cut ends, `recognise` names the format.
//! 5. `refine`: sub-pixel image edges and the frame's own turn from thin bands, at full resolution where given.
//!    `settle` gives sides that were not seen the size of the others.
//! 6. `outline` and `perforations`: film edges and holes give the strip's turn and extent.

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

use glassine_raster::{Cancelled, RegionError, Samples16, TiltedBox};

use crate::{Format, StripAxis};

/// What the caller knows about the film.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum FilmTone {
    /// The rebate is the clearest film, images are denser (colour or black-and-white negative).
    Negative,
    /// The rebate is the densest film, images are clearer.
    Slide,
    /// Not known: both are tried and the better explanation is kept.
    #[default]
    Unknown,
}

/// What the caller wants and knows.
#[derive(Debug, Clone, Copy, Default)]
pub struct FindOptions<'a> {
    /// Kind of film.
    pub tone: FilmTone,
    /// Format, when known; else it is recognised.
    pub format: Option<&'a Format>,
    /// Resolution of the scan, pixels per inch, when known.
    pub ppi: Option<f64>,
    /// Margin of the guard in scan pixels; `None` derives it from the measured edge blur.
    pub guard_margin_px: Option<f64>,
    /// The file holds one frame, with or without a border: the answer has exactly one, inside the file.
    pub single_frame_file: bool,
}

/// A reduced picture of the whole scan.
#[derive(Debug, Clone, Copy)]
pub struct Overview<'a> {
    /// Codes proportional to transmittance; colour first, infrared last if there is any.
    pub samples: &'a Samples16,
    /// How many of the channels are colour (1 or 3).
    pub colour_channels: u8,
    /// Scan pixels per overview pixel, both ways.
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
    /// Sentences for the person about the whole scan.
    pub notes: Vec<String>,
}

/// One piece of film.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundStrip {
    /// The film with its rebate, as far as it is visible.
    pub film_area: TiltedBox,
    /// Turn of the strip, clockwise, within 45 degrees either way.
    pub angle_rad: f64,
    /// Which way the frames follow each other.
    pub axis: StripAxis,
    /// Recognised or given format.
    pub format_id: Option<String>,
    /// Frames in order along the strip.
    pub frames: Vec<FoundFrame>,
    /// Confidence in the whole strip, 0 to 1.
    pub confidence: f32,
    /// Sentences for the person about this strip.
    pub notes: Vec<String>,
    /// Perforation rows and other see-through places: never film base.
    pub perforations: Vec<TiltedBox>,
    /// Kind of film this strip was read as.
    pub tone: FilmTone,
}

/// One image.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundFrame {
    /// Measured image edges, with the frame's own turn.
    pub image_area: TiltedBox,
    /// Width of the image edges from 10 to 90 percent, scan pixels.
    pub edge_blur_px: f64,
    /// Margin of the guard, scan pixels: the caller's, or from the measured blur.
    pub guard_margin_px: f64,
    /// Confidence, 0 to 1.
    pub confidence: f32,
    /// One sentence for the person: what the box rests on.
    pub reason: String,
    /// What is special about it.
    pub flags: Vec<FrameFlag>,
}

impl FoundFrame {
    /// Where a crop box may be.
    pub fn safe_area(&self) -> crate::SafeArea {
        crate::SafeArea::new(&self.image_area, self.guard_margin_px)
    }

    /// Whether a flag is set.
    pub fn has(&self, flag: FrameFlag) -> bool {
        self.flags.contains(&flag)
    }
}

/// What is special about a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FrameFlag {
    /// An edge could not be seen; it follows from the neighbours and the size of the others.
    Inferred,
    /// Worth a look.
    LowConfidence,
    /// Cut off at the end of the film.
    Partial,
    /// Nothing but base.
    Blank,
    /// Shares film with its neighbour.
    Overlap,
}

/// Why nothing could be looked for.
#[derive(Debug, Clone, thiserror::Error)]
#[non_exhaustive]
pub enum LayoutError {
    /// Stopped on request.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// A region could not be read.
    #[error(transparent)]
    Read(RegionError),
    /// The overview does not fit the scan it is said to show.
    #[error(
        "an overview of {width} by {height} pixels at a factor of {factor} does not show a scan of {scan_width} by {scan_height}"
    )]
    WrongOverview {
        /// Overview columns.
        width: u32,
        /// Overview rows.
        height: u32,
        /// Said reduction.
        factor: u32,
        /// Scan columns.
        scan_width: u32,
        /// Scan rows.
        scan_height: u32,
    },
    /// The overview has fewer channels than it is said to have, or none.
    #[error("{colour} colour channels were announced, but the overview has {channels} channels")]
    WrongChannels {
        /// Announced colour channels.
        colour: u8,
        /// Channels present.
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
