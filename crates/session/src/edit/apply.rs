//! What each edit does to a session.

use std::collections::HashSet;
use std::sync::Arc;

use glassine_film::{BalanceMode, FilmKind, Look};
use glassine_raster::TiltedBox;

use super::rescan;
use super::{Edit, EditError, FoundStripEdit, NewFrame};
use crate::crop_guard;
use crate::model::{
    FILM_IS_GUESSED, Frame, FrameId, FrameMark, Roll, RollId, ScanId, ScanRef, Session, Strip, StripId,
};
use crate::unknown::forget;

impl Edit {
    /// The session after the edit; `before` is untouched.
    #[expect(clippy::too_many_lines, reason = "one arm for each edit")]
    pub fn apply(&self, before: &Session) -> Result<Session, EditError> {
        let mut session = before.clone();
        let s = &mut session;
        match self {
            Self::SetTitle(title) => s.title.clone_from(title),
            Self::AddScans(scans) => add_scans(s, scans),
            Self::UpdateScan(scan) => update_scan(s, scan)?,
            Self::RelinkScans(places) => {
                for place in places {
                    let scan = scan_mut(s, place.scan)?;
                    scan.change_parts(|part| {
                        if place.from.as_ref().is_none_or(|from| part.path == *from) {
                            part.path = place.path.clone().unwrap_or_else(|| part.path.clone());
                            part.infrared_path =
                                place.infrared_path.clone().or_else(|| part.infrared_path.clone());
                        }
                    });
                }
            }
            Self::JoinScans { scans, joined } => join_scans(s, scans, joined)?,
            Self::Rescan { scan, to_new, frames } => rescan::apply(s, scan, to_new, frames)?,
            Self::ReplaceStrips { scan, film, stock_id, strips, keep } => {
                replace_strips(s, *scan, (*film, stock_id), strips, keep)?;
            }
            Self::SetParam { frames, param, value } => {
                for id in frames {
                    let look = &mut frame_mut(s, *id)?.look;
                    look.set(*param, *value);
                    // A value that is set is meant to have effect.
                    look.switch(param.spec().group, false);
                }
            }
            Self::PasteLook { frames, look, groups } => {
                for id in frames {
                    let target = &mut frame_mut(s, *id)?.look;
                    groups.iter().for_each(|group| target.take_group(look, *group));
                }
            }
            Self::SetCrops(crops) => {
                for (id, crop) in crops {
                    let frame = frame_mut(s, *id)?;
                    frame.crop = sane(crop)?;
                    has_room(crop_guard::hold(frame))?;
                }
            }
            Self::SetHeld { frame, held } => {
                let frame = frame_mut(s, *frame)?;
                frame.held = *held;
                has_room(crop_guard::hold(frame))?;
            }
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
            Self::SetMark { frames, mark } => {
                for id in frames {
                    frame_mut(s, *id)?.mark = *mark;
                }
            }
            Self::SwitchGroup { frames, group, is_off } => {
                for id in frames {
                    frame_mut(s, *id)?.look.switch(*group, *is_off);
                }
            }
            Self::TurnStrip { strip, mirror, half_turn } => turn_strip(s, *strip, *mirror, *half_turn)?,
            Self::SetFrameName { frame, name } => frame_mut(s, *frame)?.name.clone_from(name),
            Self::SetFacts(facts) => {
                for (id, facts) in facts {
                    frame_mut(s, *id)?.facts = Arc::new(facts.clone());
                }
            }
            Self::Renumber { first } => {
                // Numbers that the user gives replace those on the film.
                s.output.film_numbers = false;
                for frame in s.frames.iter_mut().filter(|frame| frame.film_number.is_some()) {
                    Arc::make_mut(frame).film_number = None;
                }
                renumber(s, *first);
            }
            Self::SetHalfNumbers(half) => {
                let first = s.frames.iter().map(|frame| frame.number).min().unwrap_or(1);
                if *half != s.output.half_numbers {
                    s.output.half_numbers = *half;
                    s.output.film_numbers = false;
                    renumber(s, if *half { first.saturating_mul(2) } else { first / 2 });
                }
            }
            Self::SetGuardMargin { frames, margin_px } => {
                for id in frames {
                    let frame = frame_mut(s, *id)?;
                    if margin_px.is_finite() {
                        has_room(crop_guard::set_margin(frame, *margin_px))?;
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
            Self::AddRoll { roll, strips } => {
                let id = RollId(s.take_id());
                s.rolls.push(Arc::new(Roll { id, ..roll.clone() }));
                assign_roll(s, strips, Some(id))?;
            }
            Self::UpdateRoll(roll) => {
                let known = s.rolls.iter_mut().find(|known| known.id == roll.id);
                *known.ok_or(EditError::NoRoll(roll.id))? = Arc::new(roll.clone());
            }
            Self::AssignRoll { strips, roll } => assign_roll(s, strips, *roll)?,
            Self::OrderStrips(order) => order_strips(s, order),
            Self::SetFilm { strip, film, stock_id } => set_film(s, *strip, *film, stock_id)?,
            Self::AddStock(stock) => {
                s.stocks.retain(|old| old.id != stock.id);
                forget(&mut s.extra, &["stocks", &stock.id]);
                s.stocks.push(Arc::new((**stock).clone()));
            }
            Self::SetStock { strip, stock_id } => strip_mut(s, *strip)?.stock_id.clone_from(stock_id),
            Self::SetFormat { strip, format_id } => strip_mut(s, *strip)?.format_id.clone_from(format_id),
            Self::SetBase { strip, base } => {
                strip_mut(s, *strip)?.base.clone_from(base);
                forget(&mut s.extra, &["strips", &strip.to_string(), "base"]);
            }
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
                forget(&mut s.extra, &["strips", &strip.to_string(), "solve"]);
                for (id, frame_solve) in frames {
                    frame_mut(s, *id)?.solve = Some(frame_solve.clone());
                    forget(&mut s.extra, &["frames", &id.to_string(), "solve"]);
                }
            }
            Self::SetOutput(output) => {
                let (before, after) = (&s.output, output);
                let changes = [
                    ("kind", before.kind != after.kind),
                    ("compression", before.compression != after.compression),
                    ("web_format", before.web_format != after.web_format),
                    ("density", before.density != after.density),
                ];
                for (key, _) in changes.into_iter().filter(|(_, is_changed)| *is_changed) {
                    forget(&mut s.extra, &["output", key]);
                }
                s.output.clone_from(output);
            }
            Self::AddStroke { frame, stroke } => {
                frame_mut(s, *frame)?.strokes.push(Arc::new(stroke.clone()));
            }
            Self::ClearStrokes(frames) => {
                for id in frames {
                    frame_mut(s, *id)?.strokes.clear();
                    forget(&mut s.extra, &["frames", &id.to_string(), "strokes"]);
                }
            }
        }
        Ok(session)
    }
}

fn frame_mut(session: &mut Session, id: FrameId) -> Result<&mut Frame, EditError> {
    session.frames.iter_mut().find(|frame| frame.id == id).map(Arc::make_mut).ok_or(EditError::NoFrame(id))
}

fn scan_mut(session: &mut Session, id: ScanId) -> Result<&mut ScanRef, EditError> {
    session.scans.iter_mut().find(|scan| scan.id == id).map(Arc::make_mut).ok_or(EditError::NoScan(id))
}

fn strip_mut(session: &mut Session, id: StripId) -> Result<&mut Strip, EditError> {
    session.strips.iter_mut().find(|strip| strip.id == id).map(Arc::make_mut).ok_or(EditError::NoStrip(id))
}

fn sane(crop: &TiltedBox) -> Result<TiltedBox, EditError> {
    if crop.is_sane() { Ok(*crop) } else { Err(EditError::BadBox) }
}

/// Fails if the guard of a frame leaves no room for a box.
fn has_room(has_room: bool) -> Result<(), EditError> {
    if has_room { Ok(()) } else { Err(EditError::BadBox) }
}

fn add_scans(session: &mut Session, scans: &[ScanRef]) {
    for scan in scans {
        let id = ScanId(session.take_id());
        session.scans.push(Arc::new(ScanRef { id, ..scan.clone() }));
    }
}

fn join_scans(session: &mut Session, scans: &[ScanId], joined: &ScanRef) -> Result<(), EditError> {
    let place =
        |id: &ScanId| session.scans.iter().position(|scan| scan.id == *id).ok_or(EditError::NoScan(*id));
    let places = scans.iter().map(place).collect::<Result<Vec<_>, _>>()?;
    let first = places.into_iter().min().unwrap_or(session.scans.len());
    let gone: HashSet<StripId> =
        session.strips.iter().filter(|strip| scans.contains(&strip.scan)).map(|strip| strip.id).collect();
    session.frames.retain(|frame| !gone.contains(&frame.strip));
    session.strips.retain(|strip| !gone.contains(&strip.id));
    session.scans.retain(|scan| !scans.contains(&scan.id));
    let id = ScanId(session.take_id());
    session.scans.insert(first, Arc::new(ScanRef { id, ..joined.clone() }));
    Ok(())
}

fn update_scan(session: &mut Session, new: &ScanRef) -> Result<(), EditError> {
    let scan = scan_mut(session, new.id)?;
    let old = std::mem::replace(scan, new.clone());
    if old.fingerprint != new.fingerprint {
        forget(&mut session.extra, &["scans", &new.id.to_string(), "fingerprint"]);
    }
    if old.infrared_fingerprint != new.infrared_fingerprint {
        forget(&mut session.extra, &["scans", &new.id.to_string(), "infrared_fingerprint"]);
    }
    Ok(())
}

/// Mask tolerance (D) of a strip until one is measured.
const INITIAL_TOLERANCE_D: f64 = 0.03;

fn replace_strips(
    session: &mut Session,
    scan: ScanId,
    (film, stock_id): (FilmKind, &str),
    found: &[FoundStripEdit],
    keep: &[FrameId],
) -> Result<(), EditError> {
    let order = session.scans.iter().position(|s| s.id == scan).ok_or(EditError::NoScan(scan))?;
    let first = session.frames.iter().map(|frame| frame.number).min().unwrap_or(1);
    let (gone, other): (Vec<_>, Vec<_>) =
        std::mem::take(&mut session.strips).into_iter().partition(|s| s.scan == scan);
    session.strips = other;
    let (on_it, other): (Vec<_>, Vec<_>) = std::mem::take(&mut session.frames)
        .into_iter()
        .partition(|frame| gone.iter().any(|strip| strip.id == frame.strip));
    session.frames = other;
    // Frames stay in the order of their scans, so a scan that is searched again keeps its place. Sets, because sessions
    // of thousands of scans come here once for each scan.
    let scans_before: HashSet<ScanId> = session.scans[..order].iter().map(|s| s.id).collect();
    let is_before = |strip: &&Arc<Strip>| scans_before.contains(&strip.scan);
    let before: HashSet<StripId> = session.strips.iter().filter(is_before).map(|strip| strip.id).collect();
    let mut at = session.frames.iter().take_while(|frame| before.contains(&frame.strip)).count();
    for piece in found {
        let id = StripId(session.take_id());
        session.strips.push(Arc::new(Strip {
            id,
            roll: roll_of(&gone),
            scan,
            film,
            format_id: piece.format_id.clone(),
            film_area: piece.film_area,
            stock_id: stock_id.to_owned(),
            base: None,
            mask_tolerance_d: INITIAL_TOLERANCE_D,
            unmix_strength: 1.0,
            balance: BalanceMode::default(),
            solve: None,
            perforations: piece.perforations.clone(),
            edge_code: piece.edge_code.clone(),
            is_mirrored: false,
            is_turned: false,
            notes: piece.notes.clone(),
        }));
        for new in &piece.frames {
            let mut frame = make_frame(session, id, new, &Look::default())?;
            if let Some(old) = frame_under(&frame.crop, on_it.iter().filter(|old| !keep.contains(&old.id))) {
                carry_over(old, &mut frame);
            }
            session.frames.insert(at, Arc::new(frame));
            at += 1;
        }
    }
    for frame in on_it.into_iter().filter(|frame| keep.contains(&frame.id)) {
        keep_frame(session, frame, scan, &gone);
    }
    renumber(session, first);
    session.output.film_numbers = session.has_distinct_film_numbers();
    Ok(())
}

/// The roll of strips that are searched again, if they share one.
fn roll_of(strips: &[Arc<Strip>]) -> Option<RollId> {
    let first = strips.first()?.roll;
    first.filter(|_| strips.iter().all(|strip| strip.roll == first))
}

/// The frame whose box covers most of a new one, if it covers the middle and is about as large.
fn frame_under<'a>(crop: &TiltedBox, frames: impl Iterator<Item = &'a Arc<Frame>>) -> Option<&'a Frame> {
    let covers = |old: &&Arc<Frame>| {
        let ratio = old.crop.area_px2() / crop.area_px2().max(1.0);
        old.crop.contains(crop.center) && crop.contains(old.crop.center) && (0.5..2.0).contains(&ratio)
    };
    let far = |old: &Frame| old.crop.center.distance(crop.center);
    frames.filter(covers).min_by(|a, b| far(a).total_cmp(&far(b))).map(|frame| &**frame)
}

/// Gives a new box what the user decided about the picture in it. The solve belongs to the box, so it is not kept.
fn carry_over(old: &Frame, new: &mut Frame) {
    new.look = old.look.clone();
    new.strokes.clone_from(&old.strokes);
    new.name.clone_from(&old.name);
    new.orientation = old.orientation;
    new.mark = old.mark;
    new.film_number = new.film_number.or(old.film_number);
}

/// Put a frame on the new strip under it, or back on its own.
fn keep_frame(session: &mut Session, mut frame: Arc<Frame>, scan: ScanId, gone: &[Arc<Strip>]) {
    let lies_on = |strip: &&Arc<Strip>| {
        strip.scan == scan && strip.film_area.is_some_and(|area| area.contains(frame.crop.center))
    };
    let own = || gone.iter().find(|strip| strip.id == frame.strip);
    let Some(strip) = session.strips.iter().find(lies_on).or_else(own).map(Arc::clone) else { return };
    if frame.strip != strip.id {
        Arc::make_mut(&mut frame).strip = strip.id;
    }
    if session.strip(strip.id).is_none() {
        session.strips.push(strip);
    }
    insert_along(session, frame);
}

fn make_frame(
    session: &mut Session,
    strip: StripId,
    new: &NewFrame,
    look: &Look,
) -> Result<Frame, EditError> {
    let mut frame = Frame {
        id: FrameId(session.take_id()),
        number: 0,
        film_number: new.film_number,
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
        mark: FrameMark::default(),
        facts: Arc::default(),
    };
    has_room(crop_guard::hold(&mut frame))?;
    Ok(frame)
}

/// Position of a box along its strip, to keep frames in order. The strip runs along the longer side of the film.
fn along(strip: &Strip, crop: &TiltedBox) -> f64 {
    let (sin, cos) = strip.film_area.map_or(0.0, |area| area.angle_rad).sin_cos();
    let runs_down = strip.film_area.is_some_and(|area| area.height_px > area.width_px);
    let place = if runs_down {
        crop.center.y * cos - crop.center.x * sin
    } else {
        crop.center.x * cos + crop.center.y * sin
    };
    if strip.is_mirrored == strip.is_turned { place } else { -place }
}

fn add_frame(session: &mut Session, strip_id: StripId, new: &NewFrame, look: &Look) -> Result<(), EditError> {
    session.strip(strip_id).ok_or(EditError::NoStrip(strip_id))?;
    let first = session.frames.iter().map(|frame| frame.number).min().unwrap_or(1);
    let frame = make_frame(session, strip_id, new, look)?;
    insert_along(session, Arc::new(frame));
    renumber(session, first);
    session.output.film_numbers &= session.has_distinct_film_numbers();
    Ok(())
}

/// Put a frame at its place along its strip.
fn insert_along(session: &mut Session, frame: Arc<Frame>) {
    let Some(strip) = session.strip(frame.strip).map(Arc::clone) else { return };
    let place = along(&strip, &frame.crop);
    let same_strip = |other: &Frame| other.strip == strip.id;
    let same_scan = |other: &Frame| session.strip(other.strip).is_some_and(|s| s.scan == strip.scan);
    let last = session.frames.iter().rposition(|f| same_strip(f));
    let last = last.or_else(|| session.frames.iter().rposition(|f| same_scan(f)));
    let after_last = last.map_or(session.frames.len(), |idx| idx + 1);
    let at = session
        .frames
        .iter()
        .position(|other| same_strip(other) && along(&strip, &other.crop) > place)
        .unwrap_or(after_last);
    session.frames.insert(at, frame);
}

fn renumber(session: &mut Session, first: u32) {
    for (idx, frame) in session.frames.iter_mut().enumerate() {
        let number = first.saturating_add(u32::try_from(idx).unwrap_or(u32::MAX));
        if frame.number != number {
            Arc::make_mut(frame).number = number;
        }
    }
}

fn assign_roll(session: &mut Session, strips: &[StripId], roll: Option<RollId>) -> Result<(), EditError> {
    if let Some(id) = roll.filter(|id| session.roll(*id).is_none()) {
        return Err(EditError::NoRoll(id));
    }
    for strip in strips {
        strip_mut(session, *strip)?.roll = roll;
    }
    let used: HashSet<RollId> = session.strips.iter().filter_map(|strip| strip.roll).collect();
    session.rolls.retain(|roll| used.contains(&roll.id));
    Ok(())
}

fn order_strips(session: &mut Session, order: &[StripId]) {
    let first = session.frames.iter().map(|frame| frame.number).min().unwrap_or(1);
    let shown: Vec<StripId> = session.strips_in_order().into_iter().map(|strip| strip.id).collect();
    let place = |id: StripId| {
        let given = order.iter().position(|other| *other == id);
        let now = shown.iter().position(|other| *other == id).unwrap_or(shown.len());
        given.unwrap_or(order.len() + now)
    };
    session.strips.sort_by_key(|strip| place(strip.id));
    session.frames.sort_by_key(|frame| place(frame.strip));
    renumber(session, first);
}

fn turn_strip(session: &mut Session, id: StripId, mirror: bool, half_turn: bool) -> Result<(), EditError> {
    let strip = strip_mut(session, id)?;
    strip.is_mirrored ^= mirror;
    strip.is_turned ^= half_turn;
    let places: Vec<usize> =
        session.frames.iter().enumerate().filter(|(_, f)| f.strip == id).map(|(idx, _)| idx).collect();
    let numbers: Vec<u32> = places.iter().map(|idx| session.frames[*idx].number).collect();
    for idx in &places {
        let frame = Arc::make_mut(&mut session.frames[*idx]);
        if mirror {
            frame.orientation = frame.orientation.flipped_horizontally();
        }
        if half_turn {
            frame.orientation = frame.orientation.turned_clockwise().turned_clockwise();
        }
    }
    if mirror != half_turn {
        let frames: Vec<Arc<Frame>> =
            places.iter().rev().map(|idx| Arc::clone(&session.frames[*idx])).collect();
        for ((idx, mut frame), number) in places.into_iter().zip(frames).zip(numbers) {
            if frame.number != number {
                Arc::make_mut(&mut frame).number = number;
            }
            session.frames[idx] = frame;
        }
    }
    Ok(())
}

fn set_film(session: &mut Session, id: StripId, film: FilmKind, stock_id: &str) -> Result<(), EditError> {
    let strip = strip_mut(session, id)?;
    strip.film = film;
    strip.notes.retain(|note| note != FILM_IS_GUESSED);
    stock_id.clone_into(&mut strip.stock_id);
    // A solve for another kind of film means nothing for this one.
    strip.solve = None;
    forget(&mut session.extra, &["strips", &id.to_string(), "solve"]);
    for frame in session.frames.iter_mut().filter(|frame| frame.strip == id) {
        Arc::make_mut(frame).solve = None;
        forget(&mut session.extra, &["frames", &frame.id.to_string(), "solve"]);
    }
    Ok(())
}
