//! The pictures of a grid of variations: each is the frame with a few edits; choosing one applies its edits.

use glassine_film::Param;
use glassine_raster::TiltedBox;
use glassine_session::{Edit, Frame, Session};

use crate::model::colour_tools::VariationKind;

/// One picture of a grid.
#[derive(Debug, Clone, PartialEq)]
pub struct Variation {
    /// The difference, in a few letters.
    pub label: String,
    /// The same in words, for the history and for users who do not see the grid.
    pub words: String,
    /// Edits that choosing it applies; empty for the present state.
    pub edits: Vec<Edit>,
    /// Further edits that only the shown picture has.
    pub only_shown: Vec<Edit>,
    /// Column from the left and row from the top, in cells; rows may be halves.
    pub place: (f32, f32),
    /// Whether this is the present state.
    pub is_now: bool,
}

/// Columns and rows of every grid.
pub const GRID_CELLS: (f32, f32) = (3.0, 3.0);

/// Clear film shown on each side of a frame, as a share of its shorter side.
const REBATE_SHARE: f64 = 0.09;

/// Directions of a ring-around: name, warm and magenta for one unit, place on the hexagon.
///
/// One unit of a primary moves its layer against the mean of the two others by one unit of density, which in warm
/// (red against blue) and magenta (their mean against green) is (1, 1/2) for red, (0, −1) for green, (−1, 1/2) for blue.
const DIRECTIONS: [(&str, [f64; 2], (f32, f32)); 6] = [
    ("blue", [-1.0, 0.5], (0.0, 0.5)),
    ("cyan", [-1.0, -0.5], (0.0, 1.5)),
    ("magenta", [0.0, 1.0], (1.0, 0.0)),
    ("green", [0.0, -1.0], (1.0, 2.0)),
    ("red", [1.0, 0.5], (2.0, 0.5)),
    ("yellow", [1.0, -0.5], (2.0, 1.5)),
];

/// The pictures of a grid around the state of `frame`; steps go to every frame in `selected`, relative to its own
/// state.
pub fn cells(
    session: &Session,
    frame: &Frame,
    selected: &[&Frame],
    kind: VariationKind,
    step: f64,
) -> Vec<Variation> {
    match kind {
        VariationKind::Exposure => nine(|steps| exposure_cell(selected, f64::from(steps) * step)),
        VariationKind::RingAround => ring(selected, step),
        VariationKind::MaskTolerance => tolerances(session, frame, step),
    }
}

/// From four steps down to four steps up, in reading order.
fn nine(mut cell: impl FnMut(i8) -> (String, String, Vec<Edit>)) -> Vec<Variation> {
    (0_u8..9)
        .map(|idx| {
            let steps = idx as i8 - 4;
            let (label, words, edits) = cell(steps);
            let place = (f32::from(idx % 3), f32::from(idx / 3));
            Variation { label, words, edits, only_shown: Vec::new(), place, is_now: steps == 0 }
        })
        .collect()
}

fn added(frames: &[&Frame], param: Param, change: f64) -> Vec<Edit> {
    if change == 0.0 {
        return Vec::new();
    }
    let set = |frame: &&Frame| {
        let value = frame.look.kept(param) + change;
        Edit::SetParam { frames: vec![frame.id], param, value }
    };
    frames.iter().map(set).collect()
}

fn exposure_cell(frames: &[&Frame], stops: f64) -> (String, String, Vec<Edit>) {
    let text = super::number_text::number_text(stops, 2, true);
    if stops == 0.0 {
        return ("now".to_owned(), "exposure as it is".to_owned(), Vec::new());
    }
    (format!("{text} stops"), format!("test strip {text} stops"), added(frames, Param::ExposureStops, stops))
}

fn ring(frames: &[&Frame], step: f64) -> Vec<Variation> {
    let now = Variation {
        label: "now".to_owned(),
        words: "balance as it is".to_owned(),
        edits: Vec::new(),
        only_shown: Vec::new(),
        place: (1.0, 1.0),
        is_now: true,
    };
    let around = DIRECTIONS.into_iter().map(|(name, [warm, tint], place)| {
        let mut edits = added(frames, Param::WarmthCc, warm * step);
        edits.extend(added(frames, Param::TintCc, tint * step));
        Variation {
            label: format!("{step:.0} {name}"),
            words: format!("ring-around {step:.0} CC {name}"),
            edits,
            only_shown: Vec::new(),
            place,
            is_now: false,
        }
    });
    // The present state is in the middle, also in keyboard order.
    let mut cells: Vec<_> = around.collect();
    cells.insert(3, now);
    cells
}

fn tolerances(session: &Session, frame: &Frame, step: f64) -> Vec<Variation> {
    let Some(strip) = session.strip(frame.strip) else { return Vec::new() };
    let now = strip.mask_tolerance_d;
    let recommended_d = strip.base.as_ref().map(|base| base.recommended_tolerance_d);
    // Whole steps around the present value; if there is no room below, the grid begins at zero.
    let first = (-(now / step).floor()).max(-4.0);
    (0_u8..9)
        .map(|idx| {
            let steps = first + f64::from(idx);
            let tolerance_d = (now + steps * step).max(0.0);
            let is_now = steps == 0.0;
            let edits = if is_now {
                Vec::new()
            } else {
                vec![Edit::SetMaskTolerance { strip: strip.id, tolerance_d }]
            };
            let number = format!("{tolerance_d:.3} D");
            let words = format!("mask tolerance {number}");
            let is_recommended = recommended_d.is_some_and(|d| (d - tolerance_d).abs() < step / 2.0);
            let label = if is_recommended { format!("{number} ▼") } else { number };
            let place = (f32::from(idx % 3), f32::from(idx / 3));
            let only_shown = vec![Edit::SetCrops(vec![(frame.id, with_rebate(&frame.crop))])];
            Variation { label, words, edits, only_shown, place, is_now }
        })
        .collect()
}

/// A box grown over the clear film around the frame, so that it shows which pixels count as base.
fn with_rebate(crop: &TiltedBox) -> TiltedBox {
    let more_px = 2.0 * REBATE_SHARE * crop.width_px.min(crop.height_px);
    TiltedBox { width_px: crop.width_px + more_px, height_px: crop.height_px + more_px, ..*crop }
}

/// Hint for the user of a grid of this kind; the error says why there is none.
pub fn note(session: &Session, frame: &Frame, kind: VariationKind) -> Result<&'static str, &'static str> {
    let strip = session.strip(frame.strip);
    match kind {
        VariationKind::Exposure => Ok("a click takes that exposure"),
        VariationKind::RingAround => match strip.map(|strip| strip.film) {
            Some(glassine_film::FilmKind::BlackAndWhite) => {
                Err("black-and-white film has no colour to balance")
            }
            _ => Ok("a click takes that step; the grid is then built around the new balance"),
        },
        VariationKind::MaskTolerance => match strip {
            Some(strip) if strip.film.is_negative() && strip.base.is_some() => Ok(
                "marked pixels count as film base, ▼ is nearest to the recommended value; a click takes that tolerance",
            ),
            _ => Err("the strip has no measured film base"),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use glassine_film::balance_cc_from_log;

    #[test]
    fn the_six_directions_are_the_three_layers_up_and_down() {
        for (name, layer, sign) in [
            ("red", 0, 1.0),
            ("cyan", 0, -1.0),
            ("green", 1, 1.0),
            ("magenta", 1, -1.0),
            ("blue", 2, 1.0),
            ("yellow", 2, -1.0),
        ] {
            let mut log = [-1.0 / 300.0; 3];
            log[layer] = 2.0 / 300.0;
            let [warm, tint] = balance_cc_from_log(log.map(|v| v * sign));
            let (_, unit, _) = DIRECTIONS.into_iter().find(|(other, ..)| *other == name).expect("named");
            assert!((warm - unit[0]).abs() < 1e-12 && (tint - unit[1]).abs() < 1e-12, "{name} {warm} {tint}");
        }
    }

    #[test]
    fn a_test_strip_runs_from_dark_to_light_with_the_present_state_in_the_middle() {
        let cells = nine(|steps| exposure_cell(&[], f64::from(steps) * 0.5));
        assert_eq!(cells.len(), 9);
        assert!(cells[4].is_now && cells[4].place == (1.0, 1.0));
        assert_eq!((cells[0].label.as_str(), cells[8].label.as_str()), ("−2.00 stops", "+2.00 stops"));
    }
}
