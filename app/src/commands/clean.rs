//! Commands of the cleaning panes.

use glassine_film::ParamGroup;
use glassine_session::{Edit, FrameId};

use super::program::GlassineApp;

/// Requests of the cleaning panes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CleanCommand {
    /// Multiply the brush radius by this factor.
    ScaleBrush(f64),
    /// Show the frame without dust repair, for comparison.
    ShowUnrepaired(bool),
    /// Give the frame's cleaning to every frame of its strip.
    WholeStrip,
}

impl GlassineApp {
    /// Carries out a command of the cleaning panes.
    pub(crate) fn apply_clean(&mut self, command: CleanCommand) {
        let session = self.history.current();
        match command {
            CleanCommand::ScaleBrush(factor) => {
                let now = self.ui_state.clean.brush_radius_px(session, self.ui_state.primary);
                let next = if (now * factor).is_finite() { now * factor } else { now };
                // A key press always changes the brush visibly.
                let next = if factor > 1.0 { next.max(now + 1.0) } else { next.min(now - 1.0) };
                self.ui_state.clean.set_brush_radius(next.round());
            }
            CleanCommand::ShowUnrepaired(show) => self.ui_state.clean.show_unrepaired = show,
            CleanCommand::WholeStrip => {
                let Some(frame) = self.ui_state.primary.and_then(|id| session.frame(id)) else { return };
                let frames: Vec<FrameId> = session.frames_of(frame.strip).map(|frame| frame.id).collect();
                let edit =
                    Edit::PasteLook { frames, look: frame.look.clone(), groups: vec![ParamGroup::Clean] };
                self.edit_all("apply cleaning to the strip", &[edit]);
            }
        }
    }
}
