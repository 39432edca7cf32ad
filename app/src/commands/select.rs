//! Changes of the selection.

use glassine_engine::{Notice, Severity};
use glassine_session::{Frame, FrameId, Session};

use super::program::GlassineApp;
use crate::model::doubts::is_doubtful;
use crate::model::ui_state::UiState;

/// How a click changes the selection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SelectHow {
    /// Only this frame.
    Only,
    /// Add this frame or remove it.
    Toggle,
    /// Everything up to this frame.
    Range,
}

/// Changes of the selection.
#[derive(Debug, Clone, Copy)]
pub enum SelectCommand {
    Frame(FrameId, SelectHow),
    /// All frames.
    All,
    /// All frames of the current strip.
    Strip,
    /// The next (1) or previous (-1) frame.
    Step(i32),
    /// The next or previous frame in doubt, round the ends of the roll.
    Doubtful(i32),
    /// The next or previous frame with the mark of the current one, round the ends of the roll.
    SameMark(i32),
}

impl GlassineApp {
    /// Carries out a change of the selection.
    pub(super) fn apply_select(&mut self, command: SelectCommand) {
        self.status.selection_left();
        let (state, session) = (&mut self.ui_state, self.history.current());
        match command {
            SelectCommand::Frame(frame, how) => select(state, session, frame, how),
            SelectCommand::All => state.selected = session.frames.iter().map(|frame| frame.id).collect(),
            SelectCommand::Strip => {
                let strip = state.primary.and_then(|id| session.frame(id)).map(|frame| frame.strip);
                if let Some(strip) = strip.or(state.active_strip) {
                    state.selected = session.frames_of(strip).map(|frame| frame.id).collect();
                }
            }
            SelectCommand::Step(by) => step(state, session, by),
            SelectCommand::Doubtful(by) => {
                if !step_to(state, session, by, |frame| is_doubtful(session, frame)) {
                    let is_one = session.frames.iter().any(|frame| is_doubtful(session, frame));
                    let headline = if is_one { "no other frame is in doubt" } else { "no frame is in doubt" };
                    self.notify_of_selection(Notice::new(Severity::Info, headline, ""));
                }
            }
            SelectCommand::SameMark(by) => {
                let mark = state.primary.and_then(|id| session.frame(id)).map(|frame| frame.mark);
                if !step_to(state, session, by, |frame| Some(frame.mark) == mark) {
                    let headline = "no other frame has this mark".to_owned();
                    self.notify_of_selection(Notice::new(Severity::Info, headline, ""));
                }
            }
        }
    }
}

/// Selects a frame alone, adds or removes it, or selects everything up to it.
fn select(state: &mut UiState, session: &Session, frame: FrameId, how: SelectHow) {
    let Some(to) = session.frame_idx(frame) else { return };
    match how {
        SelectHow::Only => {
            state.selected = [frame].into();
            state.primary = Some(frame);
        }
        SelectHow::Toggle if state.selected.len() > 1 && state.selected.remove(&frame) => {
            if state.primary == Some(frame) {
                state.primary = state.selected_in_order(session).first().copied();
            }
        }
        SelectHow::Toggle => {
            state.selected.insert(frame);
            state.primary = Some(frame);
        }
        SelectHow::Range => {
            let from = state.primary.and_then(|id| session.frame_idx(id)).unwrap_or(to);
            let range = from.min(to)..=from.max(to);
            state.selected = session.frames[range].iter().map(|frame| frame.id).collect();
            state.primary = state.primary.or(Some(frame));
        }
    }
    state.active_strip = session.frame(frame).map(|frame| frame.strip);
}

/// Goes to the next or previous frame of a kind, round the ends of the roll; returns whether there is another one.
fn step_to(state: &mut UiState, session: &Session, by: i32, is_it: impl Fn(&Frame) -> bool) -> bool {
    let count = session.frames.len();
    let now = state.primary.and_then(|id| session.frame_idx(id)).unwrap_or(0);
    let places = (1..count).map(|far| if by < 0 { now + count - far } else { now + far } % count);
    let Some(to) = places.into_iter().find(|idx| is_it(&session.frames[*idx])) else { return false };
    select(state, session, session.frames[to].id, SelectHow::Only);
    true
}

/// Goes to the next or previous frame; at the ends the selection stays.
fn step(state: &mut UiState, session: &Session, by: i32) {
    let Some(last) = session.frames.len().checked_sub(1) else { return };
    let now = state.primary.and_then(|id| session.frame_idx(id));
    let to = match now {
        Some(idx) => idx.saturating_add_signed(by as isize).min(last),
        None if by < 0 => last,
        None => 0,
    };
    select(state, session, session.frames[to].id, SelectHow::Only);
}
