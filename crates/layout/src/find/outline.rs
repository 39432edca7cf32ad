//! The film's own edges where they meet open light; they give the turn of a strip and the extent of the film.

use glassine_raster::Plane;

use super::levels::Work;
use super::line::{Line, Sample, fit};
use super::signal::Base;
use super::strips::{StripFrame, read_upright};

/// Standard deviations assigned to turns, radians. Ours: film edges and perforations are cut by machine, frames sit in
/// the camera to a twentieth of a degree, a strip is cut by hand.
const LONG_EDGE_SIGMA_RAD: f64 = 0.0002;
const FRAME_SIGMA_RAD: f64 = 0.0010;
const CUT_SIGMA_RAD: f64 = 0.0015;
const SQUARE_CUT_SIGMA_RAD: f64 = 0.0004;

/// Edges in strip coordinates (working pixels): the long ones at low and high `v`, the cut ends at low and high `u`.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Outline {
    pub(super) long: [Option<Line>; 2],
    pub(super) cut: [Option<Line>; 2],
}

/// Finds the film edges around `u`, `v`.
pub(super) fn film_outline(
    work: &Work,
    base: &Base,
    frame: StripFrame,
    u: (f64, f64),
    v: (f64, f64),
) -> Outline {
    let Some(open) = work.open else { return Outline::default() };
    let data = (0..work.width() * work.height()).map(|i| open.clearness(work.colour_at(i))).collect();
    let Some(clear) = Plane::from_vec(work.width() as u32, work.height() as u32, data) else {
        return Outline::default();
    };
    // Room outside the film in which open light must show, working pixels. Our choice.
    let pad = 12.0;
    let (u, v) = ((u.0 - pad, u.1 + pad), (v.0 - pad, v.1 + pad));
    let plane = read_upright(&clear, frame, u, v, 1.0, f32::NAN);
    // Half way between open light and the rebate (a slide's rebate is black). 0.87 undoes the 0.06 D below the plateau
    // at which open light begins (`levels.rs`); a base within 10 % of open light is held below it. Our choice.
    let open_t = open.least_t;
    let level = f32::midpoint(open_t / 0.87, open.clearness(base.t).min(open_t * 0.9));
    let (w, h) = (plane.width() as usize, plane.height() as usize);
    let edge = |count: usize,
                depth: usize,
                at: &dyn Fn(usize, usize) -> f32,
                origin: f64,
                across: f64,
                back: bool| {
        let samples: Vec<Sample> = (0..count)
            .filter_map(|t| {
                let line = |d: usize| at(t, if back { depth - 1 - d } else { d });
                let d = leave_open(depth / 2, open_t, level, &line)?;
                let p = if back { depth as f64 - d } else { d };
                Some(Sample { t: origin + t as f64 + 0.5, p: across + p, weight: 1.0 })
            })
            .collect();
        // Within 0.7 working pixels of a line turned by at most 3 degrees, on 12 pixels of it. Our choice.
        fit(&samples, 0.7, 0.0, 0.05).filter(|l| l.agreeing >= 12)
    };
    let by_column = |i: usize, j: usize| plane.at(i as u32, j as u32);
    let by_row = |j: usize, i: usize| plane.at(i as u32, j as u32);
    Outline {
        long: [false, true].map(|back| edge(w, h, &by_column, u.0, v.0, back)),
        cut: [false, true].map(|back| edge(h, w, &by_row, v.0, u.0, back)),
    }
}

/// Distance from the outside at which open light ends and film begins; `None` without open light before the film.
fn leave_open(depth: usize, open_t: f32, level: f32, at: &dyn Fn(usize) -> f32) -> Option<f64> {
    let start = (0..depth.saturating_sub(4)).find(|&d| at(d) >= open_t && at(d + 1) >= open_t)?;
    let leave = (start + 1..depth.saturating_sub(3)).find(|&d| at(d) < level)?;
    // Film stays below the level for several pixels; a hair or a scratch does not.
    if !(leave..leave + 3).all(|d| at(d) < level) {
        return None;
    }
    let (a, b) = (at(leave - 1), at(leave));
    if b.is_nan() || a <= b {
        return None;
    }
    Some(leave as f64 - 0.5 + f64::from((a - level) / (a - b)).clamp(0.0, 1.0))
}

/// Turn of the strip relative to its coordinates, weighted from all measured lines by their standard deviations.
pub(super) fn strip_turn(
    outline: &Outline,
    holes: &[Line],
    frame_turns: &[f64],
    length: f64,
    width: f64,
) -> f64 {
    let mut votes: Vec<(f64, f64)> = Vec::new();
    let mut line = |l: &Line, sigma: f64, full: f64, sign: f64| {
        // Short visible pieces weigh less; 3.5 is `sqrt(12)`, the error of a slope over a line of even points, and an
        // eighth of a pixel over the visible reach covers systematic errors (our choice).
        let reach = l.reach.max(1.0);
        let measured = (l.spread.max(0.1) * 3.5 / (l.agreeing as f64).sqrt() / reach).hypot(0.12 / reach);
        let sigma = measured.hypot(sigma * (full / reach).max(1.0));
        votes.push((sign * l.slope.atan(), sigma));
    };
    for l in outline.long.iter().flatten() {
        line(l, LONG_EDGE_SIGMA_RAD, length, 1.0);
    }
    for l in holes {
        line(l, LONG_EDGE_SIGMA_RAD, length, 1.0);
    }
    // Two cuts that agree to a twentieth of a degree were made square by machine. Our choice.
    let square = matches!(outline.cut, [Some(a), Some(b)] if (a.slope - b.slope).abs() < 0.0009);
    for l in outline.cut.iter().flatten() {
        line(l, if square { SQUARE_CUT_SIGMA_RAD } else { CUT_SIGMA_RAD }, width, -1.0);
    }
    for turn in frame_turns {
        votes.push((*turn, FRAME_SIGMA_RAD));
    }
    if votes.is_empty() {
        return 0.0;
    }
    let mean = |v: &[(f64, f64)]| {
        let w: f64 = v.iter().map(|x| x.1.powi(-2)).sum();
        v.iter().map(|x| x.0 * x.1.powi(-2)).sum::<f64>() / w
    };
    // The holder's opening or a ragged cut may look like an edge: drop whatever is four deviations and 0.2 degrees
    // from the weighted median. Our choice.
    let mut sorted = votes.clone();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half: f64 = sorted.iter().map(|x| 1.0 / x.1).sum::<f64>() / 2.0;
    let mut sum = 0.0;
    let median = sorted
        .iter()
        .find(|x| {
            sum += 1.0 / x.1;
            sum >= half
        })
        .map_or(0.0, |x| x.0);
    let close: Vec<(f64, f64)> =
        votes.iter().copied().filter(|x| (x.0 - median).abs() < (4.0 * x.1).max(0.003)).collect();
    if close.is_empty() { median } else { mean(&close) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn open_light_must_come_before_film() {
        let profile = [0.0, 0.0, 0.95, 0.95, 0.95, 0.5, 0.12, 0.12, 0.12, 0.12, 0.12, 0.12];
        let d = leave_open(12, 0.8, 0.5, &|i| profile[i]).expect("an edge");
        assert!((d - 5.5).abs() < 0.51, "{d}");
        let none = [0.0, 0.1, 0.12, 0.12, 0.12, 0.12, 0.12, 0.12];
        assert!(leave_open(8, 0.8, 0.5, &|i| none[i]).is_none());
    }

    #[test]
    fn a_long_film_edge_outweighs_frames_and_a_wild_edge_is_dropped() {
        let edge = Line { middle: 0.0, at: 0.0, slope: 0.002, agreeing: 900, reach: 1000.0, spread: 0.2 };
        let outline = Outline { long: [Some(edge), None], cut: [None, None] };
        let turn = strip_turn(&outline, &[], &[0.0035, 0.0025, 0.0015], 1000.0, 300.0);
        assert!((turn - 0.002).abs() < 0.0003, "{turn}");
        let wild = Line { slope: 0.03, reach: 250.0, agreeing: 200, ..edge };
        let outline = Outline { long: [Some(edge), Some(wild)], cut: [None, None] };
        let turn = strip_turn(&outline, &[], &[0.0021, 0.0019, 0.002], 1000.0, 300.0);
        assert!((turn - 0.002).abs() < 0.0002, "{turn}");
    }
}
