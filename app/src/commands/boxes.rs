//! Box edits, and the guard every one of them passes through.

use egui::Context;
use glassine_film::Look;
use glassine_layout::{
    Direction, Format, SafeArea, StripAxis, angle_from_horizon, distribute, next_position, pitch_px,
    resize_alike, with_aspect,
};
use glassine_raster::{Orientation, Point, ResolutionPpi, Scan, TiltedBox};
use glassine_session::{Edit, Frame, FrameFlag, FrameId, NewFrame, Session, Strip, StripId, crop_guard};

use super::program::GlassineApp;
use crate::model::aspect_lock::AspectLock;
use crate::model::box_edges::{MIN_SIDE_PX, moved_edges};
use crate::model::strip_space::Piece;
use crate::model::ui_state::first_bare_scan;

/// Key presses closer together than this belong to one undo step, seconds.
const KEY_PAUSE_S: f64 = 0.8;

/// Changes of boxes.
#[derive(Debug, Clone)]
pub enum BoxCommand {
    /// Move the selected boxes by scan pixels, right and down as the strip view shows them.
    Nudge {
        /// Right.
        dx_px: f64,
        /// Down.
        dy_px: f64,
    },
    /// Move the right and the lower edge of the selected boxes, as the strip view shows them.
    Grow {
        /// Change in width.
        dw_px: f64,
        /// Change in height.
        dh_px: f64,
    },
    /// Turn the selected boxes about their centres.
    Turn {
        /// Clockwise, degrees.
        degrees: f64,
    },
    /// Place one box, limited by the guard.
    Place(FrameId, TiltedBox),
    /// Turn the selected boxes so that this line on the scan becomes level.
    Straighten { from: Point<Scan>, to: Point<Scan> },
    /// Proportion that boxes keep while they are sized; the selected boxes take it at once.
    SetAspect(AspectLock),
    /// Give every box of the strip the size of the selected one.
    ResizeAlike,
    /// Space the boxes of the strip evenly between the first and the last.
    Distribute,
    /// Add a box to the current strip.
    Add,
    /// Copy the selected box to the next position along the strip.
    Duplicate,
    /// Delete the selected frames.
    Delete,
    /// Whether the guard keeps the selected boxes inside the image area.
    SetHeld(bool),
}

impl BoxCommand {
    /// What a key does to the box, for commands whose presses become one undo step.
    pub(super) fn key_verb(&self) -> Option<&'static str> {
        match self {
            Self::Nudge { .. } => Some("nudge"),
            Self::Grow { .. } => Some("size"),
            Self::Turn { .. } => Some("turn"),
            Self::Place(..)
            | Self::Straighten { .. }
            | Self::SetAspect(_)
            | Self::ResizeAlike
            | Self::Distribute
            | Self::Add
            | Self::Duplicate
            | Self::Delete
            | Self::SetHeld(_) => None,
        }
    }
}

/// Presses of keys that do the same to the selected boxes, collected into one undo step.
#[derive(Debug, Clone, Copy)]
pub(crate) struct KeyPresses {
    verb: &'static str,
    /// Clock time until which another press belongs to the step.
    until_s: f64,
}

/// A guarded box that comes out further than this from where it was asked for is held back, pixels: less is rounding.
const HELD_BACK_PX: f64 = 0.5;

/// The edit after the guard has limited every box, and a frame whose box it held back.
///
/// `gesture_start` is the session at the start of a drag: boxes are sized from their shape there, so that the result
/// depends only on the pointer's position, not on its path.
pub(crate) fn held(
    session: &Session,
    gesture_start: Option<&Session>,
    aspect: AspectLock,
    edit: Edit,
) -> (Edit, Option<FrameId>) {
    let Edit::SetCrops(crops) = edit else { return (edit, None) };
    let mut held_back = None;
    let mut hold = |(id, wish): (FrameId, TiltedBox)| {
        let Some(frame) = session.frame(id) else { return (id, wish) };
        let before = gesture_start.and_then(|start| start.frame(id)).unwrap_or(frame);
        let strip = session.strip(frame.strip).map(AsRef::as_ref);
        let keep_aspect = aspect.ratio(&before.crop, strip);
        let crop = crop_guard::hold_box(session, frame, &before.crop, &wish, keep_aspect);
        let mut corners = wish.corners().into_iter().zip(crop.corners());
        if frame.held && corners.any(|(wish, held)| wish.distance(held) > HELD_BACK_PX) {
            held_back = held_back.or(Some(id));
        }
        (id, crop)
    };
    let crops = crops.into_iter().map(&mut hold).collect();
    (Edit::SetCrops(crops), held_back)
}

fn format_of(strip: &Strip) -> Option<Format> {
    glassine_layout::format_of(strip.format_id.as_deref()?)
}

/// Axis along which the frames of this strip follow each other.
fn axis_of(strip: &Strip, boxes: &[TiltedBox]) -> StripAxis {
    let along = match (strip.film_area, boxes.first(), boxes.last()) {
        (Some(film), ..) => film.angle_rad,
        (None, Some(first), Some(last)) if boxes.len() > 1 => {
            (last.center.y - first.center.y).atan2(last.center.x - first.center.x)
        }
        _ => 0.0,
    };
    let own = boxes.first().map_or(0.0, |b| b.angle_rad);
    if (along - own).cos().abs() >= std::f64::consts::FRAC_1_SQRT_2 {
        StripAxis::Across
    } else {
        StripAxis::Down
    }
}

impl GlassineApp {
    /// Carries out a change of boxes.
    pub(super) fn apply_box(&mut self, ctx: &Context, command: BoxCommand) {
        if let Some(verb) = command.key_verb() {
            self.collect_key_presses(ctx, verb);
        }
        match command {
            BoxCommand::Nudge { dx_px, dy_px } => self.change_boxes(|piece, b| {
                let (dx, dy) = piece.scan_direction((dx_px, dy_px));
                TiltedBox { center: Point::new(b.center.x + dx, b.center.y + dy), ..b }
            }),
            BoxCommand::Grow { dw_px, dh_px } => {
                self.change_boxes(|piece, b| grown(piece, b, (dw_px, dh_px)));
            }
            BoxCommand::Turn { degrees } => {
                self.change_boxes(|_, b| TiltedBox { angle_rad: b.angle_rad + degrees.to_radians(), ..b })
            }
            BoxCommand::Place(frame, wish) => self.edit(Edit::SetCrops(vec![(frame, wish)])),
            BoxCommand::Straighten { from, to } => {
                if let Some(line) = angle_from_horizon(from, to) {
                    self.change_boxes(|_, b| TiltedBox { angle_rad: nearest_turn(line, b.angle_rad), ..b });
                }
            }
            BoxCommand::SetAspect(aspect) => self.set_aspect(aspect),
            BoxCommand::ResizeAlike => self.resize_alike(),
            BoxCommand::Distribute => self.distribute(),
            BoxCommand::Add => self.add_frame(),
            BoxCommand::Duplicate => self.duplicate_frame(),
            BoxCommand::Delete => self.delete_frames(),
            BoxCommand::SetHeld(held) => self.set_held(held),
        }
    }

    /// Begins or continues the undo step that collects presses of the keys with this verb.
    fn collect_key_presses(&mut self, ctx: &Context, verb: &'static str) {
        if self.key_presses.is_some_and(|presses| presses.verb != verb) {
            self.end_key_presses();
        }
        if self.key_presses.is_none() && !self.history.in_gesture() {
            let boxes = if self.ui_state.selected.len() > 1 { "boxes" } else { "box" };
            self.history.begin(format!("{verb} {boxes}"));
        }
        self.key_presses = Some(KeyPresses { verb, until_s: self.now + KEY_PAUSE_S });
        ctx.request_repaint_after_secs(KEY_PAUSE_S as f32);
    }

    pub(super) fn end_key_presses(&mut self) {
        if self.key_presses.take().is_some() {
            self.history.commit();
        }
    }

    /// Ends the step that collects key presses once the user has paused.
    pub(crate) fn end_key_presses_in_time(&mut self, ctx: &Context) {
        match self.key_presses {
            Some(KeyPresses { until_s, .. }) if self.now >= until_s => self.end_key_presses(),
            Some(KeyPresses { until_s, .. }) => ctx.request_repaint_after_secs((until_s - self.now) as f32),
            None => {}
        }
    }

    /// Makes one edit that changes every selected box.
    fn change_boxes(&mut self, change: impl Fn(&Piece, TiltedBox) -> TiltedBox) {
        let space = self.strip_space();
        let session = self.history.current();
        let crops: Vec<(FrameId, TiltedBox)> = self
            .selected()
            .into_iter()
            .filter_map(|id| {
                let piece = space.piece_of(session, id)?;
                Some((id, change(piece, session.frame(id)?.crop)))
            })
            .collect();
        if !crops.is_empty() {
            self.edit(Edit::SetCrops(crops));
        }
    }

    fn set_aspect(&mut self, aspect: AspectLock) {
        self.ui_state.aspect = aspect;
        let session = self.history.current();
        let reshape = |id: FrameId| {
            let frame = session.frame(id)?;
            let strip = session.strip(frame.strip).map(AsRef::as_ref);
            let wish = with_aspect(&frame.crop, aspect.ratio(&frame.crop, strip)?);
            Some((id, wish))
        };
        let crops: Vec<_> = self.selected().into_iter().filter_map(reshape).collect();
        if !crops.is_empty() {
            self.edit(Edit::SetCrops(crops));
        }
    }

    fn strip_boxes(&self, strip: StripId) -> Vec<(FrameId, TiltedBox)> {
        self.history.current().frames_of(strip).map(|frame| (frame.id, frame.crop)).collect()
    }

    fn resize_alike(&mut self) {
        let session = self.history.current();
        let Some(model) = self.ui_state.primary.and_then(|id| session.frame(id)) else { return };
        let (ids, boxes): (Vec<_>, Vec<_>) = self.strip_boxes(model.strip).into_iter().unzip();
        let alike = resize_alike(&boxes, &model.crop);
        self.edit(Edit::SetCrops(ids.into_iter().zip(alike).collect()));
    }

    fn distribute(&mut self) {
        let Some(strip) = self.active_strip() else { return };
        let (ids, boxes): (Vec<_>, Vec<_>) = self.strip_boxes(strip).into_iter().unzip();
        let even = distribute(&boxes);
        self.edit(Edit::SetCrops(ids.into_iter().zip(even).collect()));
    }

    /// Switches the guard on or off for the selected boxes; switching it on brings a box back inside in the same step.
    fn set_held(&mut self, held: bool) {
        let session = self.history.current();
        let mut edits = Vec::new();
        for id in self.selected() {
            if session.frame(id).is_some_and(|frame| frame.held != held) {
                edits.push(Edit::SetHeld { frame: id, held });
            }
        }
        if !edits.is_empty() {
            self.apply_all(if held { "hold box" } else { "release box" }, &edits);
        }
    }

    fn delete_frames(&mut self) {
        let ids = self.selected();
        let session = self.history.current();
        let Some(first) = ids.first().and_then(|id| session.frame_idx(*id)) else { return };
        self.edit(Edit::DeleteFrames(ids));
        let session = self.history.current();
        let next = session.frames.get(first).or(session.frames.last()).map(|frame| frame.id);
        self.ui_state.selected = next.into_iter().collect();
        self.ui_state.primary = next;
    }

    fn duplicate_frame(&mut self) {
        let session = self.history.current();
        let Some(frame) = self.ui_state.primary.and_then(|id| session.frame(id)).cloned() else { return };
        let Some(strip) = session.strip(frame.strip).cloned() else { return };
        let boxes: Vec<TiltedBox> = session.frames_of(strip.id).map(|frame| frame.crop).collect();
        let ppi = session.scan(strip.scan).and_then(|scan| scan.resolution());
        let axis = axis_of(&strip, &boxes);
        let Some(pitch) = pitch_px(&boxes, axis, format_of(&strip).as_ref(), ppi) else { return };
        let step = axis.direction(frame.crop.angle_rad);
        let sign = direction_sign(&boxes, step);
        self.add_shifted(&strip, &frame, (step.x * pitch * sign, step.y * pitch * sign));
    }

    fn add_frame(&mut self) {
        let session = self.history.current();
        let Some(strip) = self.active_strip().and_then(|id| session.strip(id)).cloned() else {
            self.add_on_bare_scan();
            return;
        };
        let frames: Vec<Frame> = session.frames_of(strip.id).map(|frame| (**frame).clone()).collect();
        let boxes: Vec<TiltedBox> = frames.iter().map(|frame| frame.crop).collect();
        let scan = session.scan(strip.scan);
        let ppi = scan.and_then(|scan| scan.resolution());
        let axis = axis_of(&strip, &boxes);
        if let Some(place) = free_place(session, &strip, &frames, axis, ppi) {
            self.add_shifted(&strip, &place.0, place.1);
        } else if frames.is_empty() {
            let Some(scan) = scan else { return };
            let (w, h) = (f64::from(scan.width_px), f64::from(scan.height_px));
            let film = strip.film_area.unwrap_or(TiltedBox::from_edges(0.0, 0.0, w, h));
            let size = format_of(&strip)
                .zip(ppi)
                .map(|(format, ppi)| (ppi.px_from_mm(format.along_mm), ppi.px_from_mm(format.across_mm)));
            let (along, across) = size.unwrap_or((film.height_px, film.height_px * 0.9));
            let crop = TiltedBox {
                width_px: along.min(film.width_px).max(MIN_SIDE_PX),
                height_px: across.min(film.height_px).max(MIN_SIDE_PX),
                ..film
            };
            self.add(strip.id, drawn(crop, Orientation::default()), Look::default());
        } else {
            self.notify(glassine_engine::Notice::new(
                glassine_engine::Severity::Info,
                "there is no room on this strip for another frame",
                "select a frame and duplicate it, then move the copy",
            ));
        }
    }

    /// Starts a new strip on a scan without strips: the finder sees nothing there, so the user places the first box.
    fn add_on_bare_scan(&mut self) {
        let Some(scan) = first_bare_scan(self.history.current()).cloned() else { return };
        let (w, h) = (f64::from(scan.width_px), f64::from(scan.height_px));
        let crop = TiltedBox::from_edges(w * 0.25, h * 0.25, w * 0.75, h * 0.75);
        let film = glassine_film::FilmKind::default();
        let edit = Edit::ReplaceStrips {
            scan: scan.id,
            film,
            stock_id: glassine_film::default_stock(film).id.clone(),
            strips: vec![glassine_session::FoundStripEdit {
                film_area: None,
                format_id: None,
                perforations: Vec::new(),
                edge_code: None,
                notes: vec!["drawn by hand".to_owned()],
                frames: vec![drawn(crop, Orientation::default())],
            }],
            keep: Vec::new(),
        };
        self.apply_all("add frame", &[edit]);
        self.ui_state.begin_selection(self.history.current());
    }

    /// Adds a copy of a frame, moved by scan pixels.
    fn add_shifted(&mut self, strip: &Strip, model: &Frame, (dx, dy): (f64, f64)) {
        let shift = |b: TiltedBox| TiltedBox { center: Point::new(b.center.x + dx, b.center.y + dy), ..b };
        let new = NewFrame {
            crop: shift(model.crop),
            image_area: model.image_area.map(shift),
            guard_margin_px: model.guard_margin_px,
            orientation: model.orientation,
            film_number: None,
            confidence: 0.3,
            reason: format!("placed one frame on from frame {}; its edges were not measured", model.number),
            flags: vec![FrameFlag::Inferred],
        };
        self.add(strip.id, new, model.look.clone());
    }

    fn add(&mut self, strip: StripId, frame: NewFrame, look: Look) {
        let before: Vec<FrameId> = self.history.current().frames.iter().map(|frame| frame.id).collect();
        let mut frame = frame;
        if let Some(scan) =
            self.history.current().strip(strip).and_then(|s| self.history.current().scan(s.scan))
        {
            let whole = TiltedBox::from_edges(0.0, 0.0, f64::from(scan.width_px), f64::from(scan.height_px));
            let inside = SafeArea::new(&whole, 0.0);
            if whole.is_sane() && !inside.contains(&frame.crop) {
                frame.crop = inside.hold_moved(&frame.crop);
                frame.image_area = None;
            }
        }
        self.edit(Edit::AddFrame { strip, frame, look });
        let added =
            self.history.current().frames.iter().map(|frame| frame.id).find(|id| !before.contains(id));
        if let Some(id) = added {
            self.ui_state.selected = [id].into();
            self.ui_state.primary = Some(id);
        }
    }
}

/// Moves the right and lower edge as the view shows them; the other edges stay.
fn grown(piece: &Piece, b: TiltedBox, (dw, dh): (f64, f64)) -> TiltedBox {
    // The two view axes in the box's own axes: a quarter turn may swap them and change their signs.
    let (sin, cos) = b.angle_rad.sin_cos();
    let own = |(x, y): (f64, f64)| (cos * x + sin * y, cos * y - sin * x);
    let right = own(piece.scan_direction((1.0, 0.0)));
    let down = own(piece.scan_direction((0.0, 1.0)));
    let mut out = b;
    for (direction, by) in [(right, dw), (down, dh)] {
        let (sx, sy) = if direction.0.abs() >= direction.1.abs() {
            (direction.0.signum(), 0.0)
        } else {
            (0.0, direction.1.signum())
        };
        out = moved_edges(&out, (sx as i8, sy as i8), (sx * by, sy * by));
    }
    out
}

/// The turn nearest to `now` that equals `line` up to quarter turns.
fn nearest_turn(line: f64, now: f64) -> f64 {
    let quarter = std::f64::consts::FRAC_PI_2;
    line + ((now - line) / quarter).round() * quarter
}

fn direction_sign(boxes: &[TiltedBox], step: Direction) -> f64 {
    match (boxes.first(), boxes.last()) {
        (Some(first), Some(last)) if boxes.len() > 1 => {
            let along = (last.center.x - first.center.x) * step.x + (last.center.y - first.center.y) * step.y;
            if along < 0.0 { -1.0 } else { 1.0 }
        }
        _ => 1.0,
    }
}

/// A frame to copy and how far to move it: into the first gap, else after the last, else before the first frame.
fn free_place(
    session: &Session,
    strip: &Strip,
    frames: &[Frame],
    axis: StripAxis,
    ppi: Option<ResolutionPpi>,
) -> Option<(Frame, (f64, f64))> {
    const GAP_OF_PITCH: f64 = 1.6;
    let boxes: Vec<TiltedBox> = frames.iter().map(|frame| frame.crop).collect();
    let pitch = pitch_px(&boxes, axis, format_of(strip).as_ref(), ppi)?;
    for pair in frames.windows(2) {
        let (a, b) = (pair[0].crop.center, pair[1].crop.center);
        let distance = a.distance(b);
        if distance > GAP_OF_PITCH * pitch {
            let t = pitch / distance;
            return Some((pair[0].clone(), ((b.x - a.x) * t, (b.y - a.y) * t)));
        }
    }
    let scan = session.scan(strip.scan)?;
    let (w, h) = (f64::from(scan.width_px), f64::from(scan.height_px));
    let film = strip.film_area.unwrap_or(TiltedBox::from_edges(0.0, 0.0, w, h));
    let step_from = |row: &[TiltedBox]| {
        let next = next_position(row, axis, format_of(strip).as_ref(), ppi)?;
        let from = row.last()?.center;
        film.contains(next.center).then_some((next.center.x - from.x, next.center.y - from.y))
    };
    if let (Some(last), Some(step)) = (frames.last(), step_from(&boxes)) {
        return Some((last.clone(), step));
    }
    let backwards: Vec<TiltedBox> = boxes.iter().rev().copied().collect();
    let (first, step) = (frames.first()?, step_from(&backwards).filter(|_| frames.len() > 1)?);
    Some((first.clone(), step))
}

/// A frame drawn by hand, without any measured edge.
fn drawn(crop: TiltedBox, orientation: Orientation) -> NewFrame {
    NewFrame {
        orientation,
        confidence: 0.3,
        reason: "drawn by hand; its edges were not measured".to_owned(),
        flags: vec![FrameFlag::Inferred],
        ..NewFrame::in_box(crop)
    }
}
