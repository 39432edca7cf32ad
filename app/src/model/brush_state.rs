//! Cleaning in the window: the repair brush, the comparison, and the words that report what was found.

use glassine_engine::{Overlay, RepairSummary};
use glassine_raster::{MM_PER_INCH, Point, Scan};
use glassine_session::{FrameId, Session, StrokeKind};

use crate::model::ui_state::{StripTool, UiState};

/// Radius of a new brush on the film: somewhat larger than most dust, millimetres.
const BRUSH_MM: f64 = 0.15;
/// Radius range of a new brush, scan pixels.
const NEW_BRUSH_PX: (f64, f64) = (4.0, 60.0);
/// Radius range of the brush, scan pixels.
pub const BRUSH_PX: (f64, f64) = (1.0, 400.0);

/// A brush stroke while the user draws it.
#[derive(Debug, Clone, PartialEq)]
pub struct StrokeUnderWay {
    pub frame: FrameId,
    /// What the stroke will do.
    pub kind: StrokeKind,
    /// Points so far, scan pixels.
    pub points: Vec<Point<Scan>>,
}

/// What the window remembers about cleaning.
#[derive(Debug, Clone, PartialEq)]
pub struct CleanState {
    /// Brush radius in scan pixels, if the user set one.
    pub radius_px: Option<f64>,
    /// Brush position in the upright picture's unit square.
    pub at: (f64, f64),
    pub stroke: Option<StrokeUnderWay>,
    /// The brush that the large view took the keyboard for.
    pub in_hand: Option<StrokeKind>,
    /// The user cancelled the stroke; nothing is drawn until the button is released.
    pub dropped: bool,
    /// The frame is shown without repair.
    pub show_unrepaired: bool,
    /// The key for that view is held down.
    pub key_held: bool,
    /// The user is dragging the sensitivity; marks are shown meanwhile.
    pub tuning: bool,
}

impl Default for CleanState {
    fn default() -> Self {
        Self {
            radius_px: None,
            at: (0.5, 0.5),
            stroke: None,
            in_hand: None,
            dropped: false,
            show_unrepaired: false,
            key_held: false,
            tuning: false,
        }
    }
}

impl CleanState {
    /// Radius of the brush on a frame, scan pixels.
    pub fn brush_radius_px(&self, session: &Session, frame: Option<FrameId>) -> f64 {
        self.radius_px.unwrap_or_else(|| {
            let scan = frame.and_then(|id| session.frame(id)).and_then(|frame| session.context(frame));
            let ppi = scan.and_then(|(_, scan)| scan.ppi).unwrap_or(0.0);
            (ppi * BRUSH_MM / MM_PER_INCH).clamp(NEW_BRUSH_PX.0, NEW_BRUSH_PX.1).round()
        })
    }

    /// Sets the radius of the brush, scan pixels, inside its range.
    pub fn set_brush_radius(&mut self, radius_px: f64) {
        self.radius_px = Some(radius_px.clamp(BRUSH_PX.0, BRUSH_PX.1));
    }

    /// Drops everything that belonged to another session; keeps the brush radius.
    pub fn begin_session(&mut self) {
        *self = Self { radius_px: self.radius_px, ..Self::default() };
    }
}

/// Overlay on the large view: the chosen one, or dust marks while the user works on them.
pub fn shown_overlay(state: &UiState) -> Overlay {
    let paints = matches!(state.tool, StripTool::Brush(StrokeKind::PaintIn | StrokeKind::PaintOut));
    match state.frame.overlay {
        Overlay::None if state.clean.tuning || paints => Overlay::DustMap,
        chosen => chosen,
    }
}

/// The marks of a frame by kind, in words.
pub fn marks_text(summary: &RepairSummary) -> String {
    let kinds = [(summary.specks, "speck"), (summary.hairs, "hair"), (summary.scratches, "scratch")];
    let words: Vec<String> = kinds
        .into_iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, name)| match (count, name) {
            (1, _) => format!("1 {name}"),
            (_, "scratch") => format!("{count} scratches"),
            _ => format!("{count} {name}s"),
        })
        .collect();
    if words.is_empty() { "nothing".to_owned() } else { words.join(", ") }
}

/// A share of the picture in per cent, with as many decimals as it needs.
pub fn area_text(fraction: f64) -> String {
    let percent = fraction * 100.0;
    match percent {
        p if p <= 0.0 => "0 %".to_owned(),
        p if p < 0.001 => "under 0.001 %".to_owned(),
        p if p < 0.1 => format!("{p:.3} %"),
        p if p < 10.0 => format!("{p:.2} %"),
        p => format!("{p:.1} %"),
    }
}

/// A number of strokes, in words.
pub fn strokes_text(count: usize) -> String {
    match count {
        0 => "no strokes".to_owned(),
        1 => "1 stroke".to_owned(),
        count => format!("{count} strokes"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_counted_in_words() {
        let summary = RepairSummary { specks: 412, hairs: 1, scratches: 2, ..RepairSummary::default() };
        assert_eq!(marks_text(&summary), "412 specks, 1 hair, 2 scratches");
        assert_eq!(marks_text(&RepairSummary::default()), "nothing");
    }

    #[test]
    fn small_areas_keep_their_digits() {
        assert_eq!(area_text(0.0), "0 %");
        assert_eq!(area_text(0.000_000_1), "under 0.001 %");
        assert_eq!(area_text(0.000_42), "0.042 %");
        assert_eq!(area_text(0.008_31), "0.83 %");
    }
}
