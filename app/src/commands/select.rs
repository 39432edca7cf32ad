//! How the selection changes.

use glassine_session::{FrameId, Session};

use crate::commands::SelectHow;
use crate::model::ui_state::UiState;

/// Selects a frame alone, adds or removes it, or selects everything up to it.
pub(super) fn select(state: &mut UiState, session: &Session, frame: FrameId, how: SelectHow) {
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

/// Goes to the next or previous frame; at the ends the selection stays.
pub(super) fn step(state: &mut UiState, session: &Session, by: i32) {
    let Some(last) = session.frames.len().checked_sub(1) else { return };
    let now = state.primary.and_then(|id| session.frame_idx(id));
    let to = match now {
        Some(idx) => idx.saturating_add_signed(by as isize).min(last),
        None if by < 0 => last,
        None => 0,
    };
    select(state, session, session.frames[to].id, SelectHow::Only);
}
