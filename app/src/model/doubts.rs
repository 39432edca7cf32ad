//! What deserves a look: one place and one vocabulary for the strip, the prints, the large picture and the keys.

use glassine_film::BalanceMode;
use glassine_session::{Frame, FrameFlag, Session, Strip, StripCode, frame_problem};

/// Confidence of a solved balance below which the user should check it.
/// Source: ours; frames without a grey of their own solve below it.
pub const LOW_CONFIDENCE: f64 = 0.5;

/// Something in doubt about a frame or strip, and what settles it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Doubt {
    pub what: String,
    pub remedy: String,
}

impl Doubt {
    fn new(what: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { what: what.into(), remedy: remedy.into() }
    }

    /// Both in one sentence.
    pub fn text(&self) -> String {
        if self.remedy.is_empty() { self.what.clone() } else { format!("{}: {}", self.what, self.remedy) }
    }
}

/// Whether the colour of a frame was solved from little evidence.
pub fn is_unsure(frame: &Frame) -> bool {
    frame.solve.as_ref().is_some_and(|solve| solve.confidence < LOW_CONFIDENCE)
}

/// Everything in doubt about a frame, the most important first.
pub fn doubts(session: &Session, frame: &Frame) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    if let Some(problem) = frame_problem(session, frame) {
        doubts.push(Doubt::new(problem.to_string(), problem.what_to_do()));
    }
    if frame.reaches_rebate() {
        doubts.push(Doubt::new(
            "the box reaches the rebate, which spoils exposure and colour",
            "hold it in the image area",
        ));
    }
    doubts.extend(frame.flags.iter().map(|flag| flag_doubt(*flag, frame)));
    if is_unsure(frame) {
        doubts.push(Doubt::new(
            "few grey tones: its colour is a guess",
            "click something grey with the grey point, balance each frame by itself, or measure the stock",
        ));
    }
    doubts
}

/// Whether anything about a frame is in doubt.
pub fn is_doubtful(session: &Session, frame: &Frame) -> bool {
    !frame.flags.is_empty()
        || frame.reaches_rebate()
        || is_unsure(frame)
        || frame_problem(session, frame).is_some()
}

/// Everything in doubt about a strip as a whole.
pub fn strip_doubts(strip: &Strip) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    if strip.solve.as_ref().is_some_and(|solve| solve.confidence < LOW_CONFIDENCE) {
        let more = if strip.balance == BalanceMode::Frame { "" } else { ", balance each frame by itself" };
        doubts.push(Doubt::new(
            "the pictures do not show for certain which balance is right",
            format!("let a grey point on one frame decide the film{more}, or measure the stock"),
        ));
    }
    if strip.base.as_ref().is_some_and(|base| base.confidence < LOW_CONFIDENCE) {
        doubts.push(Doubt::new("the film base is a guess", "draw a box on clear film to measure it"));
    }
    let advice = strip.edge_code.as_ref().and_then(StripCode::advice);
    if let Some(advice) = advice.filter(|_| wants_turning(strip).is_some()) {
        let remedy = "mirror or turn the strip to see it the right way round; the scan stays as it is";
        doubts.push(Doubt::new(advice, remedy));
    }
    let others = strip.notes.iter().filter(|note| Some(note.as_str()) != advice);
    doubts.extend(others.map(|note| Doubt::new(note.clone(), "")));
    doubts
}

/// Whether the code on the film says that the strip should be shown mirrored, turned by half a turn, or both; `None`
/// if it is shown as the code says.
pub fn wants_turning(strip: &Strip) -> Option<(bool, bool)> {
    let code = strip.edge_code.as_ref()?;
    let turns = (code.is_mirrored != strip.is_mirrored, code.is_turned != strip.is_turned);
    (turns != (false, false)).then_some(turns)
}

/// What a flag means, with the reason that was measured where it says more.
fn flag_doubt(flag: FrameFlag, frame: &Frame) -> Doubt {
    let measured =
        |general: &str| if frame.reason.is_empty() { general.to_owned() } else { frame.reason.clone() };
    match flag {
        FrameFlag::Inferred => Doubt::new(measured("placed from its neighbours"), "look at the box"),
        FrameFlag::LowConfidence => Doubt::new(measured("an edge is uncertain"), "look at the box"),
        FrameFlag::Partial => Doubt::new("cut by the end of the film", "leave it out, or size the box"),
        FrameFlag::Blank => Doubt::new("blank frame", "leave it out"),
        FrameFlag::Overlap => Doubt::new("overlaps a neighbour", "move or size the boxes"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_measured_reason_replaces_the_general_text_of_a_flag() {
        let doubt = Doubt::new("three edges are measured", "look at the box");
        assert_eq!(doubt.text(), "three edges are measured: look at the box");
        assert_eq!(Doubt::new("note", "").text(), "note");
    }
}
