//! Every change to a session, as a value, and the one pure function that applies it.
//!
//! Whether a box may go somewhere is not decided here: the box guard holds boxes before an edit is made.

use std::path::PathBuf;

use glassine_film::{BalanceMode, FilmKind, Look, Param, ParamGroup, Stock};
use glassine_raster::{Orientation, TiltedBox};

use crate::model::{
    FilmBase, FrameFlag, FrameId, FrameSolve, OutputSettings, ScanId, ScanRef, StripId, StripSolve,
};
use crate::stroke::BrushStroke;

mod apply;

/// Why an edit can't be applied.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum EditError {
    /// The frame is not in the session (any more).
    #[error("frame {0} is not in this session")]
    NoFrame(FrameId),
    /// The strip is not in the session (any more).
    #[error("strip {0} is not in this session")]
    NoStrip(StripId),
    /// The scan is not in the session (any more).
    #[error("scan {0} is not in this session")]
    NoScan(ScanId),
    /// A box with a side that is zero, negative or not a number.
    #[error("a box needs a finite place and two positive sides")]
    BadBox,
}

/// A frame to be added; the session gives it an id and a number.
#[derive(Debug, Clone, PartialEq)]
pub struct NewFrame {
    /// The box.
    pub crop: TiltedBox,
    /// Measured image edges.
    pub image_area: Option<TiltedBox>,
    /// Distance the held box keeps from the edges.
    pub guard_margin_px: f64,
    /// How the picture is turned.
    pub orientation: Orientation,
    /// How sure the box is.
    pub confidence: f64,
    /// Why.
    pub reason: String,
    /// What to look at.
    pub flags: Vec<FrameFlag>,
}

impl NewFrame {
    /// A frame of which nothing but its box is known.
    pub fn in_box(crop: TiltedBox) -> Self {
        Self {
            crop,
            image_area: None,
            guard_margin_px: 0.0,
            orientation: Orientation::default(),
            confidence: 1.0,
            reason: String::new(),
            flags: Vec::new(),
        }
    }
}

/// A found strip to be put on a scan.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FoundStripEdit {
    /// The film with its rebate.
    pub film_area: Option<TiltedBox>,
    /// Recognised or given format.
    pub format_id: Option<String>,
    /// Perforation rows.
    pub perforations: Vec<TiltedBox>,
    /// Sentences for the person.
    pub notes: Vec<String>,
    /// Its frames, in order.
    pub frames: Vec<NewFrame>,
}

/// Where the files of a scan are now; what is `None` stays as it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Relink {
    /// Which scan.
    pub scan: ScanId,
    /// The scan file.
    pub path: Option<PathBuf>,
    /// The infrared file.
    pub infrared_path: Option<PathBuf>,
}

/// One change to a session.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Edit {
    /// Rename the roll.
    SetTitle(String),
    /// Add scan files (ids are given by the session).
    AddScans(Vec<ScanRef>),
    /// Change how a scan is read; the id says which.
    UpdateScan(ScanRef),
    /// Point scans to where their files are now.
    RelinkScans(Vec<Relink>),
    /// Replace the strips and frames of one scan by what was found on it.
    ReplaceStrips {
        /// On which scan.
        scan: ScanId,
        /// Film kind of the new strips.
        film: FilmKind,
        /// Stock of the new strips.
        stock_id: String,
        /// What was found.
        strips: Vec<FoundStripEdit>,
        /// Frames of the scan that stay, with all their settings: the person drew them while the scan was searched. Each
        /// goes to the new strip it lies on; without one it keeps its own strip.
        keep: Vec<FrameId>,
    },
    /// One value of some frames.
    SetParam {
        /// Which frames.
        frames: Vec<FrameId>,
        /// Which value.
        param: Param,
        /// To what; held in the value's hard range.
        value: f64,
    },
    /// Copy the named groups of a look to some frames.
    PasteLook {
        /// Which frames.
        frames: Vec<FrameId>,
        /// Values to copy.
        look: Look,
        /// Groups that are copied.
        groups: Vec<ParamGroup>,
    },
    /// Move, size or turn boxes.
    SetCrops(Vec<(FrameId, TiltedBox)>),
    /// Hold a box inside the image area, or not.
    SetHeld {
        /// Which frame.
        frame: FrameId,
        /// Held?
        held: bool,
    },
    /// Turn or flip pictures.
    SetOrientations(Vec<(FrameId, Orientation)>),
    /// Add a frame to a strip, at its place along the strip.
    AddFrame {
        /// To which strip.
        strip: StripId,
        /// The frame.
        frame: NewFrame,
        /// Look to begin with.
        look: Look,
    },
    /// Take frames out.
    DeleteFrames(Vec<FrameId>),
    /// Leave frames out of the export, or not.
    SetSkipped {
        /// Which frames.
        frames: Vec<FrameId>,
        /// Left out?
        skipped: bool,
    },
    /// Name of one frame, instead of base name and counter.
    SetFrameName {
        /// Which frame.
        frame: FrameId,
        /// `None` goes back to the counter.
        name: Option<String>,
    },
    /// Number all frames in the order shown.
    Renumber {
        /// Number of the first.
        first: u32,
    },
    /// Count half frames (12, 12A, 13 …) or whole ones; the first number stays.
    SetHalfNumbers(bool),
    /// Distance that held boxes keep from the image edges, with the box that follows from it.
    SetGuardMargin {
        /// Frame, margin in scan pixels, box held by it.
        frames: Vec<(FrameId, f64, TiltedBox)>,
    },
    /// Move a frame to another place in the order and renumber.
    MoveFrame {
        /// Which frame.
        frame: FrameId,
        /// Its new position, from 0.
        to: usize,
    },
    /// Film kind of a strip, with the stock that goes with it.
    SetFilm {
        /// Which strip.
        strip: StripId,
        /// What film it is.
        film: FilmKind,
        /// Stock.
        stock_id: String,
    },
    /// Keep a measured stock with the session; one of the same id is replaced.
    AddStock(Box<Stock>),
    /// Stock of a strip.
    SetStock {
        /// Which strip.
        strip: StripId,
        /// Stock.
        stock_id: String,
    },
    /// Format of a strip.
    SetFormat {
        /// Which strip.
        strip: StripId,
        /// Format id.
        format_id: Option<String>,
    },
    /// Film base of a strip.
    SetBase {
        /// Which strip.
        strip: StripId,
        /// The base.
        base: Option<FilmBase>,
    },
    /// Mask tolerance of a strip.
    SetMaskTolerance {
        /// Which strip.
        strip: StripId,
        /// Density above the clear-film peak that still counts as base.
        tolerance_d: f64,
    },
    /// Strength of the dye unmixing of a strip.
    SetUnmixStrength {
        /// Which strip.
        strip: StripId,
        /// 0 to 1.
        strength: f64,
    },
    /// Balance locked over the strip or per frame.
    SetBalance {
        /// Which strip.
        strip: StripId,
        /// The choice.
        balance: BalanceMode,
    },
    /// Result of a strip solve.
    ApplySolve {
        /// Which strip.
        strip: StripId,
        /// Values of the strip.
        solve: StripSolve,
        /// Values of its frames.
        frames: Vec<(FrameId, FrameSolve)>,
    },
    /// Export settings.
    SetOutput(OutputSettings),
    /// One pull of the repair brush over a frame.
    AddStroke {
        /// Which frame.
        frame: FrameId,
        /// The stroke.
        stroke: BrushStroke,
    },
    /// Take every stroke of the repair brush off some frames.
    ClearStrokes(Vec<FrameId>),
}

impl Edit {
    /// What the undo menu calls it.
    pub fn label(&self) -> String {
        match self {
            Self::SetTitle(_) => "rename session".to_owned(),
            Self::AddScans(_) => "add scans".to_owned(),
            Self::UpdateScan(_) => "change scan reading".to_owned(),
            Self::RelinkScans(_) => "find scans again".to_owned(),
            Self::ReplaceStrips { .. } => "find frames".to_owned(),
            Self::SetParam { param, .. } => format!("change {}", param.spec().label.to_lowercase()),
            Self::PasteLook { .. } => "paste settings".to_owned(),
            Self::SetCrops(boxes) if boxes.len() == 1 => "change box".to_owned(),
            Self::SetCrops(_) => "change boxes".to_owned(),
            Self::SetHeld { .. } => "change holding".to_owned(),
            Self::SetOrientations(_) => "turn picture".to_owned(),
            Self::AddFrame { .. } => "add frame".to_owned(),
            Self::DeleteFrames(_) => "delete frame".to_owned(),
            Self::SetSkipped { .. } => "skip frame".to_owned(),
            Self::SetFrameName { .. } => "name frame".to_owned(),
            Self::Renumber { .. } | Self::SetHalfNumbers(_) => "renumber frames".to_owned(),
            Self::SetGuardMargin { .. } => "change guard margin".to_owned(),
            Self::MoveFrame { .. } => "move frame".to_owned(),
            Self::SetFilm { .. } => "change film kind".to_owned(),
            Self::AddStock(_) => "add stock".to_owned(),
            Self::SetStock { .. } => "change stock".to_owned(),
            Self::SetFormat { .. } => "change format".to_owned(),
            Self::SetBase { .. } => "change film base".to_owned(),
            Self::SetMaskTolerance { .. } => "change mask tolerance".to_owned(),
            Self::SetUnmixStrength { .. } => "change dye unmixing".to_owned(),
            Self::SetBalance { .. } => "change balance mode".to_owned(),
            Self::ApplySolve { .. } => "solve strip".to_owned(),
            Self::SetOutput(_) => "change output".to_owned(),
            Self::AddStroke { stroke, .. } => stroke.kind().label().to_owned(),
            Self::ClearStrokes(_) => "clear strokes".to_owned(),
        }
    }
}

#[cfg(test)]
pub(crate) mod tests;
