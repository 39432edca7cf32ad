//! Every change to a session, as a value, and the one pure function that applies it.
//!
//! A box that an edit sets is held inside its image area while its guard is on; see [`crate::crop_guard`].

use std::path::PathBuf;

use glassine_film::{BalanceMode, FilmKind, Look, Param, ParamGroup, Stock};
use glassine_raster::{Orientation, TiltedBox};

use crate::model::{
    Facts, FilmBase, FilmNumber, FrameFlag, FrameId, FrameMark, FrameSolve, OutputSettings, Roll, RollId,
    ScanId, ScanRef, StripCode, StripId, StripSolve,
};
use crate::stroke::BrushStroke;

mod apply;
mod rescan;

pub use rescan::{Rescanned, ScaleShift};

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
    /// The roll is not in the session (any more).
    #[error("roll {0} is not in this session")]
    NoRoll(RollId),
    /// A box with a side that is zero, negative or not a number.
    #[error("a box needs a valid position and two positive sides")]
    BadBox,
}

/// A frame to add; the session gives it an id and a number.
#[derive(Debug, Clone, PartialEq)]
pub struct NewFrame {
    pub crop: TiltedBox,
    /// Measured image edges.
    pub image_area: Option<TiltedBox>,
    /// Distance the held box keeps from the edges.
    pub guard_margin_px: f64,
    /// How the picture is turned.
    pub orientation: Orientation,
    /// Number on the film, if its edge code was read beyond doubt.
    pub film_number: Option<FilmNumber>,
    /// Confidence in the box, 0 to 1.
    pub confidence: f64,
    /// Reason for the confidence, in words.
    pub reason: String,
    /// What the user should check.
    pub flags: Vec<FrameFlag>,
}

impl NewFrame {
    /// A frame of which only the box is known.
    pub fn in_box(crop: TiltedBox) -> Self {
        Self {
            crop,
            image_area: None,
            guard_margin_px: 0.0,
            orientation: Orientation::default(),
            film_number: None,
            confidence: 1.0,
            reason: String::new(),
            flags: Vec::new(),
        }
    }
}

/// A found strip to add to a scan.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct FoundStripEdit {
    /// The film with its rebate.
    pub film_area: Option<TiltedBox>,
    /// Recognised or given format.
    pub format_id: Option<String>,
    /// Perforation rows.
    pub perforations: Vec<TiltedBox>,
    /// What the code along the film's edge says.
    pub edge_code: Option<StripCode>,
    /// Messages for the user.
    pub notes: Vec<String>,
    /// Its frames, in order.
    pub frames: Vec<NewFrame>,
}

/// New paths of the files of a scan; `None` leaves a path unchanged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Relink {
    pub scan: ScanId,
    /// The path that one part of a joined scan had; `None` for a scan that is not joined.
    pub from: Option<PathBuf>,
    pub path: Option<PathBuf>,
    pub infrared_path: Option<PathBuf>,
}

/// One change to a session.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Edit {
    /// Rename the roll.
    SetTitle(String),
    /// Add scan files (the session assigns their ids).
    AddScans(Vec<ScanRef>),
    /// Change how a scan is read; its id names the scan.
    UpdateScan(ScanRef),
    /// Point scans to where their files are now.
    RelinkScans(Vec<Relink>),
    /// Replace overlapping scans, with their strips and frames, by the one joined from them (the session assigns its id).
    JoinScans {
        /// The scans that leave the session; the joined one takes the place of the first.
        scans: Vec<ScanId>,
        joined: ScanRef,
    },
    /// Move frames to a new scan of the same film in the same place (the session assigns its id).
    Rescan {
        /// The new scan.
        scan: ScanRef,
        /// Where places of the scan that the frames are on lie on the new one.
        to_new: ScaleShift,
        /// Frames of one scan.
        frames: Vec<Rescanned>,
    },
    /// Replace the strips and frames of one scan by what was found on it.
    ReplaceStrips {
        scan: ScanId,
        /// Film kind of the new strips.
        film: FilmKind,
        /// Stock of the new strips.
        stock_id: String,
        strips: Vec<FoundStripEdit>,
        /// Frames of the scan that stay, with all their settings, because the user drew them while the scan was
        /// searched. Each goes to the new strip it is on, or else keeps its own strip.
        keep: Vec<FrameId>,
    },
    /// Set one value of some frames.
    SetParam {
        frames: Vec<FrameId>,
        param: Param,
        /// New value; clamped to the hard range of the parameter.
        value: f64,
    },
    /// Copy the named groups of a look to some frames.
    PasteLook {
        frames: Vec<FrameId>,
        /// Values to copy.
        look: Look,
        /// Groups to copy.
        groups: Vec<ParamGroup>,
    },
    /// Move, resize or rotate boxes.
    SetCrops(Vec<(FrameId, TiltedBox)>),
    /// Hold a box inside the image area, or release it.
    SetHeld {
        frame: FrameId,
        /// Whether the box is held.
        held: bool,
    },
    /// Turn or flip pictures.
    SetOrientations(Vec<(FrameId, Orientation)>),
    /// Add a frame to a strip, at its place along the strip.
    AddFrame {
        strip: StripId,
        frame: NewFrame,
        /// Initial look.
        look: Look,
    },
    /// Remove frames.
    DeleteFrames(Vec<FrameId>),
    /// Mark frames: keep them, leave them out of the export, look at them again.
    SetMark { frames: Vec<FrameId>, mark: FrameMark },
    /// Write facts about frames, each with its own.
    SetFacts(Vec<(FrameId, Facts)>),
    /// Switch a group of settings of some frames off, or on again with the values it had.
    SwitchGroup { frames: Vec<FrameId>, group: ParamGroup, is_off: bool },
    /// Show a strip from its other side, or the other way round. Its pictures turn with it and its order is reversed;
    /// numbers on the film stay with their pictures.
    TurnStrip {
        strip: StripId,
        /// Mirror it, left to right.
        mirror: bool,
        /// Turn it by half a turn.
        half_turn: bool,
    },
    /// Set the name of one frame, in place of base name and counter.
    SetFrameName {
        frame: FrameId,
        /// `None` returns to the counter.
        name: Option<String>,
    },
    /// Number all frames in the order shown.
    Renumber {
        /// Number of the first.
        first: u32,
    },
    /// Count half frames (12, 12A, 13 …) or whole ones; the first number stays.
    SetHalfNumbers(bool),
    /// Set the distance that held boxes keep from the image edges.
    SetGuardMargin {
        frames: Vec<FrameId>,
        /// Scan pixels.
        margin_px: f64,
    },
    /// Move a frame to another place in the order and renumber.
    MoveFrame {
        frame: FrameId,
        /// Its new position, from 0.
        to: usize,
    },
    /// Give strips to a new roll with these facts; its id is assigned.
    AddRoll { roll: Roll, strips: Vec<StripId> },
    /// Change what is written about a roll.
    UpdateRoll(Roll),
    /// Give strips to a roll, or to none. A roll without strips goes.
    AssignRoll { strips: Vec<StripId>, roll: Option<RollId> },
    /// Put the strips with their frames in this order and renumber; strips that are not named follow.
    OrderStrips(Vec<StripId>),
    /// Set the film kind of a strip, with the stock that goes with it.
    SetFilm {
        strip: StripId,
        film: FilmKind,
        /// Id of a stock of that kind.
        stock_id: String,
    },
    /// Keep a measured stock with the session, replacing one of the same id.
    AddStock(Box<Stock>),
    /// Set the stock of a strip.
    SetStock {
        strip: StripId,
        /// Id of a shipped stock, or of one of the session.
        stock_id: String,
    },
    /// Set the format of a strip.
    SetFormat {
        strip: StripId,
        /// Id of the format table; `None` if unknown.
        format_id: Option<String>,
    },
    /// Set the film base of a strip.
    SetBase {
        strip: StripId,
        /// New base; `None` removes it.
        base: Option<FilmBase>,
    },
    /// Set the mask tolerance of a strip.
    SetMaskTolerance {
        strip: StripId,
        /// Density above the clear-film peak that still counts as base.
        tolerance_d: f64,
    },
    /// Set the strength of the dye unmixing of a strip.
    SetUnmixStrength {
        strip: StripId,
        /// 0 to 1.
        strength: f64,
    },
    /// Lock the balance over a strip, or free it per frame.
    SetBalance {
        strip: StripId,
        /// Locked over the strip, or free per frame.
        balance: BalanceMode,
    },
    /// Store the result of a strip solve.
    ApplySolve {
        strip: StripId,
        /// Values of the strip.
        solve: StripSolve,
        /// Values of its frames.
        frames: Vec<(FrameId, FrameSolve)>,
    },
    /// Set the export settings.
    SetOutput(OutputSettings),
    /// Add one stroke of the repair brush to a frame.
    AddStroke {
        /// Frame to paint on.
        frame: FrameId,
        stroke: BrushStroke,
    },
    /// Remove every stroke of the repair brush from some frames.
    ClearStrokes(Vec<FrameId>),
}

impl Edit {
    /// Label in the undo menu.
    pub fn label(&self) -> String {
        match self {
            Self::SetTitle(_) => "rename session".to_owned(),
            Self::AddScans(_) => "add scans".to_owned(),
            Self::UpdateScan(_) => "change scan reading".to_owned(),
            Self::RelinkScans(_) => "find scans again".to_owned(),
            Self::JoinScans { .. } => "join scans".to_owned(),
            Self::Rescan { .. } => "scan again".to_owned(),
            Self::ReplaceStrips { .. } => "box the frames".to_owned(),
            Self::SetParam { param, .. } => format!("change {}", param.spec().label.to_lowercase()),
            Self::PasteLook { .. } => "paste settings".to_owned(),
            Self::SetCrops(boxes) if boxes.len() == 1 => "change box".to_owned(),
            Self::SetCrops(_) => "change boxes".to_owned(),
            Self::SetHeld { .. } => "change holding".to_owned(),
            Self::SetOrientations(_) => "turn picture".to_owned(),
            Self::AddFrame { .. } => "add frame".to_owned(),
            Self::DeleteFrames(_) => "delete frame".to_owned(),
            Self::SetMark { mark, .. } => match mark {
                FrameMark::Unmarked => "clear mark".to_owned(),
                mark => format!("mark as {}", mark.label()),
            },
            Self::SetFacts(_) => "describe frames".to_owned(),
            Self::SwitchGroup { group, is_off, .. } => {
                format!("switch {} {}", group.key(), if *is_off { "off" } else { "on" })
            }
            Self::TurnStrip { mirror: true, .. } => "mirror strip".to_owned(),
            Self::TurnStrip { .. } => "turn strip".to_owned(),
            Self::SetFrameName { .. } => "name frame".to_owned(),
            Self::Renumber { .. } | Self::SetHalfNumbers(_) => "renumber frames".to_owned(),
            Self::SetGuardMargin { .. } => "change guard margin".to_owned(),
            Self::MoveFrame { .. } => "move frame".to_owned(),
            Self::AddRoll { .. } | Self::UpdateRoll(_) => "describe roll".to_owned(),
            Self::AssignRoll { .. } => "assign strips to a roll".to_owned(),
            Self::OrderStrips(_) => "order strips".to_owned(),
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
