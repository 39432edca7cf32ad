//! Changes of the session: edits, gestures, undo, copied settings, turned pictures.

use egui::Context;
use glassine_engine::{Notice, Severity};
use glassine_film::{Look, Param, ParamGroup};
use glassine_raster::Orientation;
use glassine_session::{Edit, Frame, FrameId, FrameMark, History, Session, StripId};

use super::boxes;
use super::program::GlassineApp;
use crate::model::gesture::ValueGesture;
use crate::model::look_text;
use crate::model::strip_space::StripSpace;

/// A step of a gesture, so that a drag becomes one undo step.
#[derive(Debug, Clone, PartialEq)]
pub enum GesturePhase {
    /// The pointer went down; the label names the undo step.
    Begin(String),
    /// The pointer was released.
    Commit,
    /// Escape was pressed.
    Cancel,
}

impl<T> ValueGesture<T> {
    /// The command of a gesture; the label names its undo step.
    pub fn into_command(
        self,
        label: &str,
        set: impl FnOnce(T) -> EditCommand,
        reset: impl FnOnce() -> EditCommand,
    ) -> EditCommand {
        match self {
            Self::Begin => EditCommand::Gesture(GesturePhase::Begin(label.to_owned())),
            Self::Set(value) => set(value),
            Self::Commit => EditCommand::Gesture(GesturePhase::Commit),
            Self::Cancel => EditCommand::Gesture(GesturePhase::Cancel),
            Self::Reset => reset(),
        }
    }
}

/// Changes of the session.
#[derive(Debug, Clone)]
#[expect(clippy::large_enum_variant, reason = "a command lives for one frame of the window")]
pub enum EditCommand {
    /// Make one change. The guard limits boxes before it is applied.
    Apply(Edit),
    /// Make several changes as one step (inside a gesture they are previewed).
    ApplyAll {
        /// Label of the step.
        label: String,
        edits: Vec<Edit>,
    },
    /// Begin, finish or drop a gesture.
    Gesture(GesturePhase),
    /// Set one value of every selected frame (inside a gesture it is previewed).
    SetParam(Param, f64),
    /// Reset a value of the selected frames to its default.
    ResetParam(Param),
    Undo,
    Redo,
    /// Copy the look of the selected frame.
    CopyLook,
    /// Give the copied look to the selected frames.
    PasteLook(Vec<ParamGroup>),
    /// Give the settings in a text from the clipboard to the selected frames.
    PasteText(String),
    /// Quarter turns of the selected pictures, clockwise.
    QuarterTurn(i8),
    /// Flip the selected pictures left to right.
    FlipHorizontally,
    /// Flip the selected pictures top to bottom.
    FlipVertically,
    /// Mark the selected frames; a mark that they all have already is taken away.
    SetMark(FrameMark),
    /// Switch a group of settings of the selected frames off or on.
    SwitchGroup(ParamGroup, bool),
    /// Give these settings to the selected frames.
    TakeLook(Box<Look>),
    /// Keep the settings of the frame shown large under this name, between runs.
    KeepLook(String),
    /// Give up the settings that were kept under this name.
    ForgetLook(String),
    /// Change one value of every selected frame by a number of its steps.
    StepParam(Param, f64),
    /// Give one value of the frame shown large to its strip, or to the whole roll.
    GiveParam {
        param: Param,
        to_roll: bool,
    },
    /// Show the current strip from its other side.
    MirrorStrip,
    /// Show the current strip the other way round.
    TurnStrip,
    /// Number all frames, starting here.
    Renumber(u32),
}

impl EditCommand {
    /// Gives groups of a frame's settings to every frame of its strip, or of the session; `what` names them.
    pub fn give_look(
        session: &Session,
        from: &Frame,
        groups: &[ParamGroup],
        what: &str,
        to_strip: bool,
    ) -> Self {
        let frames = session.frames.iter().filter(|other| !to_strip || other.strip == from.strip);
        let edit = Edit::PasteLook {
            frames: frames.map(|other| other.id).collect(),
            look: from.look.clone(),
            groups: groups.to_vec(),
        };
        let reach = if to_strip { "the strip" } else { "the roll" };
        Self::ApplyAll { label: format!("give {what} to {reach}"), edits: vec![edit] }
    }
}

impl GlassineApp {
    /// Carries out a change of the session.
    pub(super) fn apply_edit(&mut self, ctx: &Context, command: EditCommand) {
        match command {
            EditCommand::Apply(edit) => self.edit(edit),
            EditCommand::ApplyAll { label, edits } => self.edit_all(&label, &edits),
            EditCommand::Gesture(phase) => self.gesture(phase),
            EditCommand::SetParam(param, value) => {
                self.edit(Edit::SetParam { frames: self.selected(), param, value });
            }
            EditCommand::ResetParam(param) => {
                let value = param.spec().default;
                self.edit(Edit::SetParam { frames: self.selected(), param, value });
            }
            EditCommand::Undo => self.undo(),
            EditCommand::Redo => self.redo(),
            EditCommand::CopyLook => self.copy_look(ctx),
            EditCommand::PasteLook(groups) => {
                if let Some(look) = self.ui_state.copied_look.clone() {
                    self.edit(Edit::PasteLook { frames: self.selected(), look, groups });
                }
            }
            EditCommand::PasteText(text) => {
                if let Some(look) = look_text::from_text(&text) {
                    self.take_look(look);
                }
            }
            EditCommand::QuarterTurn(turns) => self.turn_pictures(|o| turned(o, turns)),
            EditCommand::FlipHorizontally => self.turn_pictures(Orientation::flipped_horizontally),
            EditCommand::FlipVertically => self.turn_pictures(Orientation::flipped_vertically),
            EditCommand::SetMark(mark) => self.set_mark(mark),
            EditCommand::SwitchGroup(group, is_off) => {
                self.edit(Edit::SwitchGroup { frames: self.selected(), group, is_off });
            }
            EditCommand::TakeLook(look) => self.take_look(*look),
            EditCommand::KeepLook(name) => self.keep_look(&name),
            EditCommand::ForgetLook(name) => self.forget_look(&name),
            EditCommand::StepParam(param, steps) => self.step_param(param, steps),
            EditCommand::GiveParam { param, to_roll } => self.give_param(param, to_roll),
            EditCommand::MirrorStrip => self.turn_strip(true, false),
            EditCommand::TurnStrip => self.turn_strip(false, true),
            EditCommand::Renumber(first) => self.edit(Edit::Renumber { first }),
        }
    }

    /// Applies an edit: previewed inside a gesture, otherwise as a separate step. The guard limits boxes first.
    pub(crate) fn edit(&mut self, edit: Edit) {
        let (edit, held_back) =
            boxes::held(self.history.current(), self.gesture_start.as_ref(), self.ui_state.aspect, edit);
        if let Some(frame) = held_back {
            self.ui_state.held_back = Some((frame, self.now));
        }
        let label = edit.label();
        match edit.apply(self.history.current()) {
            Ok(session) => {
                self.history.preview(&label, session);
                self.touched();
            }
            Err(error) => self.refused(error.to_string()),
        }
    }

    /// Applies several edits as one change: previewed inside a gesture, otherwise as a separate step.
    pub(crate) fn edit_all(&mut self, label: &str, edits: &[Edit]) {
        if let Some(session) = self.after(edits) {
            self.history.preview(label, session);
            self.touched();
        }
    }

    /// Applies several edits as one step, which ends a gesture.
    pub(crate) fn apply_all(&mut self, label: &str, edits: &[Edit]) {
        if let Some(session) = self.after(edits) {
            self.history.apply(label, session);
            self.touched();
        }
    }

    /// The session after these edits; `None` if one is refused, which the user is told.
    pub(super) fn after(&mut self, edits: &[Edit]) -> Option<Session> {
        let mut session = self.history.current().clone();
        for edit in edits {
            match edit.apply(&session) {
                Ok(next) => session = next,
                Err(error) => {
                    self.refused(error.to_string());
                    return None;
                }
            }
        }
        Some(session)
    }

    fn refused(&mut self, why: String) {
        self.notify(Notice::new(Severity::Error, why, "the session is unchanged"));
    }

    fn gesture(&mut self, phase: GesturePhase) {
        match phase {
            GesturePhase::Begin(label) => {
                self.history.begin(label);
                self.gesture_start = Some(self.history.current().clone());
            }
            GesturePhase::Commit => {
                self.history.commit();
                self.gesture_start = None;
            }
            GesturePhase::Cancel => {
                self.history.cancel();
                self.gesture_start = None;
                self.ui_state.box_drag = None;
            }
        }
        self.touched();
    }

    fn undo(&mut self) {
        self.leave_gesture();
        self.keep_place(|history| history.undo());
    }

    fn redo(&mut self) {
        self.leave_gesture();
        self.keep_place(|history| history.redo());
    }

    /// Changes the session, and selects the frame at the same place if none of the selected ones is left.
    fn keep_place(&mut self, change: impl FnOnce(&mut History) -> Option<String>) {
        let place = self.ui_state.primary.and_then(|id| self.history.current().frame_idx(id));
        change(&mut self.history);
        self.status.change_undone();
        self.touched();
        let session = self.history.current();
        let is_lost = !self.ui_state.selected.iter().any(|id| session.frame(*id).is_some());
        if let Some(place) = place.filter(|_| is_lost)
            && let Some(frame) = session.frames.get(place.min(session.frames.len().saturating_sub(1)))
        {
            self.ui_state.primary = Some(frame.id);
            self.ui_state.selected = [frame.id].into();
        }
    }

    fn leave_gesture(&mut self) {
        self.history.commit();
        self.gesture_start = None;
        self.ui_state.box_drag = None;
    }

    fn copy_look(&mut self, ctx: &Context) {
        let session = self.history.current();
        if let Some(frame) = self.ui_state.primary.and_then(|id| session.frame(id)) {
            self.ui_state.copied_look = Some(frame.look.clone());
            ctx.copy_text(look_text::to_text(&frame.look));
            let headline = format!("settings of frame {} copied", session.number_text(frame));
            self.notify(Notice::new(Severity::Info, headline, "select other frames and paste"));
        }
    }

    fn turn_pictures(&mut self, turn: impl Fn(Orientation) -> Orientation) {
        let session = self.history.current();
        let frames = self.ui_state.selected.iter().filter_map(|id| session.frame(*id));
        let turns: Vec<_> = frames.map(|frame| (frame.id, turn(frame.orientation))).collect();
        if !turns.is_empty() {
            self.edit(Edit::SetOrientations(turns));
        }
    }

    fn turn_strip(&mut self, mirror: bool, half_turn: bool) {
        if let Some(strip) = self.active_strip() {
            self.edit(Edit::TurnStrip { strip, mirror, half_turn });
        }
    }

    fn set_mark(&mut self, mark: FrameMark) {
        let (frames, session) = (self.selected(), self.history.current());
        let have_it = frames.iter().filter_map(|id| session.frame(*id)).all(|frame| frame.mark == mark);
        let mark = if have_it { FrameMark::Unmarked } else { mark };
        if !frames.is_empty() {
            self.edit(Edit::SetMark { frames, mark });
        }
    }

    fn take_look(&mut self, look: Look) {
        let groups = ParamGroup::ALL.to_vec();
        self.edit(Edit::PasteLook { frames: self.selected(), look, groups });
    }

    fn give_param(&mut self, param: Param, to_roll: bool) {
        let session = self.history.current();
        let Some(from) = self.ui_state.primary.and_then(|id| session.frame(id)) else { return };
        let frames = session.frames.iter().filter(|frame| to_roll || frame.strip == from.strip);
        let (frames, value) = (frames.map(|frame| frame.id).collect(), from.look.kept(param));
        self.edit(Edit::SetParam { frames, param, value });
    }

    fn step_param(&mut self, param: Param, steps: f64) {
        let session = self.history.current();
        let by = steps * param.spec().step;
        let frames = self.selected().into_iter().filter_map(|id| session.frame(id));
        let edits: Vec<Edit> = frames
            .map(|frame| Edit::SetParam { frames: vec![frame.id], param, value: frame.look.kept(param) + by })
            .collect();
        let label = edits.first().map(Edit::label);
        if let Some(label) = label {
            self.edit_all(&label, &edits);
        }
    }

    /// Selected frames in the order shown.
    pub(crate) fn selected(&self) -> Vec<FrameId> {
        self.ui_state.selected_in_order(self.history.current())
    }

    /// The current strip.
    pub(crate) fn active_strip(&self) -> Option<StripId> {
        let session = self.history.current();
        let of_frame = self.ui_state.primary.and_then(|id| session.frame(id)).map(|frame| frame.strip);
        of_frame.or(self.ui_state.active_strip).or_else(|| session.strips.first().map(|strip| strip.id))
    }

    pub(crate) fn strip_space(&self) -> StripSpace {
        StripSpace::of(self.history.current(), self.ui_state.strip.whole_scans)
    }

    /// Notes a possible change: an autosave is due soon.
    pub(crate) fn touched(&mut self) {
        self.files.touched_at.get_or_insert(self.now);
    }
}

fn turned(orientation: Orientation, turns: i8) -> Orientation {
    (0..turns.rem_euclid(4)).fold(orientation, |o, _| o.turned_clockwise())
}
