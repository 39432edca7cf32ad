//! Every change to a session, as a value, and the one pure function that applies it.
//!
//! Whether a box may go somewhere is not decided here: the box guard holds boxes before an edit is made.

use std::sync::Arc;

use glassine_film::{FilmKind, Look, Param, ParamGroup, Stock};
use glassine_raster::{Orientation, TiltedBox};
use serde_json::Map;

use crate::model::{
    BalanceChoice, FilmBase, Frame, FrameFlag, FrameId, FrameSolve, OutputSettings, ScanId, ScanRef, Session,
    Strip, StripId, StripSolve,
};
use crate::stroke::BrushStroke;

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

/// A found strip to be put on a scan.
#[derive(Debug, Clone, PartialEq)]
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
        balance: BalanceChoice,
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

    /// The session after the edit; the one before is untouched.
    pub fn apply(&self, before: &Session) -> Result<Session, EditError> {
        let mut session = before.clone();
        let s = &mut session;
        match self {
            Self::SetTitle(title) => s.title.clone_from(title),
            Self::AddScans(scans) => add_scans(s, scans),
            Self::UpdateScan(scan) => {
                *s.scans.iter_mut().find(|old| old.id == scan.id).ok_or(EditError::NoScan(scan.id))? =
                    Arc::new(scan.clone());
            }
            Self::ReplaceStrips { scan, film, stock_id, strips } => {
                replace_strips(s, *scan, *film, stock_id, strips)?;
            }
            Self::SetParam { frames, param, value } => {
                for id in frames {
                    frame_mut(s, *id)?.look.set(*param, *value);
                }
            }
            Self::PasteLook { frames, look, groups } => {
                for id in frames {
                    let target = &mut frame_mut(s, *id)?.look;
                    for param in Param::all().filter(|param| groups.contains(&param.spec().group)) {
                        target.set(param, look.get(param));
                    }
                }
            }
            Self::SetCrops(crops) => {
                for (id, crop) in crops {
                    frame_mut(s, *id)?.crop = sane(crop)?;
                }
            }
            Self::SetHeld { frame, held } => frame_mut(s, *frame)?.held = *held,
            Self::SetOrientations(turns) => {
                for (id, orientation) in turns {
                    frame_mut(s, *id)?.orientation = *orientation;
                }
            }
            Self::AddFrame { strip, frame, look } => add_frame(s, *strip, frame, look)?,
            Self::DeleteFrames(ids) => {
                for id in ids {
                    let idx = s.frame_idx(*id).ok_or(EditError::NoFrame(*id))?;
                    s.frames.remove(idx);
                }
            }
            Self::SetSkipped { frames, skipped } => {
                for id in frames {
                    frame_mut(s, *id)?.skipped = *skipped;
                }
            }
            Self::SetFrameName { frame, name } => frame_mut(s, *frame)?.name.clone_from(name),
            Self::Renumber { first } => renumber(s, *first),
            Self::SetHalfNumbers(half) => {
                let first = s.frames.iter().map(|frame| frame.number).min().unwrap_or(1);
                if *half != s.output.half_numbers {
                    s.output.half_numbers = *half;
                    renumber(s, if *half { first.saturating_mul(2) } else { first / 2 });
                }
            }
            Self::SetGuardMargin { frames } => {
                for (id, margin_px, crop) in frames {
                    let crop = sane(crop)?;
                    let frame = frame_mut(s, *id)?;
                    if margin_px.is_finite() {
                        frame.guard_margin_px = margin_px.clamp(0.0, MOST_MARGIN_PX);
                        frame.crop = crop;
                    }
                }
            }
            Self::MoveFrame { frame, to } => {
                let from = s.frame_idx(*frame).ok_or(EditError::NoFrame(*frame))?;
                let first = s.frames.iter().map(|f| f.number).min().unwrap_or(1);
                let moved = s.frames.remove(from);
                s.frames.insert((*to).min(s.frames.len()), moved);
                renumber(s, first);
            }
            Self::SetFilm { strip, film, stock_id } => set_film(s, *strip, *film, stock_id)?,
            Self::AddStock(stock) => {
                s.stocks.retain(|old| old.id != stock.id);
                s.stocks.push(Arc::new((**stock).clone()));
            }
            Self::SetStock { strip, stock_id } => strip_mut(s, *strip)?.stock_id.clone_from(stock_id),
            Self::SetFormat { strip, format_id } => strip_mut(s, *strip)?.format_id.clone_from(format_id),
            Self::SetBase { strip, base } => strip_mut(s, *strip)?.base.clone_from(base),
            Self::SetMaskTolerance { strip, tolerance_d } => {
                strip_mut(s, *strip)?.mask_tolerance_d = if tolerance_d.is_finite() {
                    tolerance_d.clamp(0.0, 1.0)
                } else {
                    return Ok(session);
                };
            }
            Self::SetUnmixStrength { strip, strength } => {
                if strength.is_finite() {
                    strip_mut(s, *strip)?.unmix_strength = strength.clamp(0.0, 1.0);
                }
            }
            Self::SetBalance { strip, balance } => strip_mut(s, *strip)?.balance = *balance,
            Self::ApplySolve { strip, solve, frames } => {
                strip_mut(s, *strip)?.solve = Some(solve.clone());
                for (id, frame_solve) in frames {
                    frame_mut(s, *id)?.solve = Some(frame_solve.clone());
                }
            }
            Self::SetOutput(output) => s.output.clone_from(output),
            Self::AddStroke { frame, stroke } => {
                frame_mut(s, *frame)?.strokes.push(Arc::new(stroke.clone()));
            }
            Self::ClearStrokes(frames) => {
                for id in frames {
                    frame_mut(s, *id)?.strokes.clear();
                }
            }
        }
        Ok(session)
    }
}

fn frame_mut(session: &mut Session, id: FrameId) -> Result<&mut Frame, EditError> {
    session.frames.iter_mut().find(|frame| frame.id == id).map(Arc::make_mut).ok_or(EditError::NoFrame(id))
}

fn strip_mut(session: &mut Session, id: StripId) -> Result<&mut Strip, EditError> {
    session.strips.iter_mut().find(|strip| strip.id == id).map(Arc::make_mut).ok_or(EditError::NoStrip(id))
}

fn sane(crop: &TiltedBox) -> Result<TiltedBox, EditError> {
    if crop.is_sane() { Ok(*crop) } else { Err(EditError::BadBox) }
}

fn add_scans(session: &mut Session, scans: &[ScanRef]) {
    for scan in scans {
        let id = ScanId(session.take_id());
        session.scans.push(Arc::new(ScanRef { id, ..scan.clone() }));
    }
}

/// Largest distance a held box can be told to keep from the image edges.
const MOST_MARGIN_PX: f64 = 1000.0;
/// Mask tolerance of a strip until one is measured.
const INITIAL_TOLERANCE_D: f64 = 0.03;

fn replace_strips(
    session: &mut Session,
    scan: ScanId,
    film: FilmKind,
    stock_id: &str,
    found: &[FoundStripEdit],
) -> Result<(), EditError> {
    let order = session.scans.iter().position(|s| s.id == scan).ok_or(EditError::NoScan(scan))?;
    let gone: Vec<StripId> = session.strips.iter().filter(|s| s.scan == scan).map(|s| s.id).collect();
    let first = session.frames.iter().map(|frame| frame.number).min().unwrap_or(1);
    session.strips.retain(|strip| strip.scan != scan);
    session.frames.retain(|frame| !gone.contains(&frame.strip));
    // Frames are kept in the order of their scans, so a scan that is searched again keeps its place.
    let scans_before: Vec<ScanId> = session.scans[..order].iter().map(|s| s.id).collect();
    let before = |strip: StripId| session.strip(strip).is_some_and(|s| scans_before.contains(&s.scan));
    let mut at = session.frames.iter().take_while(|frame| before(frame.strip)).count();
    for piece in found {
        let id = StripId(session.take_id());
        session.strips.push(Arc::new(Strip {
            id,
            scan,
            film,
            format_id: piece.format_id.clone(),
            film_area: piece.film_area,
            stock_id: stock_id.to_owned(),
            base: None,
            mask_tolerance_d: INITIAL_TOLERANCE_D,
            unmix_strength: 1.0,
            balance: BalanceChoice::default(),
            solve: None,
            perforations: piece.perforations.clone(),
            notes: piece.notes.clone(),
            extra: Map::new(),
        }));
        for new in &piece.frames {
            let frame = make_frame(session, id, new, &Look::default())?;
            session.frames.insert(at, Arc::new(frame));
            at += 1;
        }
    }
    renumber(session, first);
    Ok(())
}

fn make_frame(
    session: &mut Session,
    strip: StripId,
    new: &NewFrame,
    look: &Look,
) -> Result<Frame, EditError> {
    Ok(Frame {
        id: FrameId(session.take_id()),
        number: 0,
        name: None,
        strip,
        crop: sane(&new.crop)?,
        image_area: new.image_area,
        guard_margin_px: new.guard_margin_px,
        held: true,
        orientation: new.orientation,
        look: look.clone(),
        strokes: Vec::new(),
        solve: None,
        confidence: new.confidence,
        reason: new.reason.clone(),
        flags: new.flags.clone(),
        skipped: false,
        extra: Map::new(),
    })
}

/// Position of a box along its strip: used to keep frames in order. The longer side of the film is the way it runs.
fn along(strip: &Strip, crop: &TiltedBox) -> f64 {
    let (sin, cos) = strip.film_area.map_or(0.0, |area| area.angle_rad).sin_cos();
    let runs_down = strip.film_area.is_some_and(|area| area.height_px > area.width_px);
    if runs_down {
        crop.center.y * cos - crop.center.x * sin
    } else {
        crop.center.x * cos + crop.center.y * sin
    }
}

fn add_frame(session: &mut Session, strip_id: StripId, new: &NewFrame, look: &Look) -> Result<(), EditError> {
    let strip = Arc::clone(session.strip(strip_id).ok_or(EditError::NoStrip(strip_id))?);
    let first = session.frames.iter().map(|frame| frame.number).min().unwrap_or(1);
    let frame = make_frame(session, strip_id, new, look)?;
    let place = along(&strip, &frame.crop);
    let same_strip = |other: &Frame| other.strip == strip_id;
    let after_last =
        session.frames.iter().rposition(|f| same_strip(f)).map_or(session.frames.len(), |idx| idx + 1);
    let at = session
        .frames
        .iter()
        .position(|other| same_strip(other) && along(&strip, &other.crop) > place)
        .unwrap_or(after_last);
    session.frames.insert(at, Arc::new(frame));
    renumber(session, first);
    Ok(())
}

fn renumber(session: &mut Session, first: u32) {
    for (idx, frame) in session.frames.iter_mut().enumerate() {
        let number = first.saturating_add(u32::try_from(idx).unwrap_or(u32::MAX));
        if frame.number != number {
            Arc::make_mut(frame).number = number;
        }
    }
}

fn set_film(session: &mut Session, id: StripId, film: FilmKind, stock_id: &str) -> Result<(), EditError> {
    let strip = strip_mut(session, id)?;
    strip.film = film;
    stock_id.clone_into(&mut strip.stock_id);
    // What was solved for another kind of film means nothing for this one.
    strip.solve = None;
    for frame in session.frames.iter_mut().filter(|frame| frame.strip == id) {
        Arc::make_mut(frame).solve = None;
    }
    Ok(())
}

#[cfg(test)]
pub(crate) mod tests;
