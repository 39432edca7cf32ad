//! Finds emulsion torn off in lines that hardly show in the infrared.
//!
//! The visible picture shows the lines. A lighter line may also be a mast against the sky, so one of two proofs is
//! needed:
//! 1. On a negative nothing of the picture is clearer than the film base; where the layers are gone, the mask is gone too.
//! 2. The line is dense in the infrared: what remains there after subtracting the leaked image is the scattering of a
//!    torn surface. The mean over a long line is reliable even for a trace far below the noise of a pixel.

use std::collections::BTreeMap;

use crate::label::{Component, Shape, join_runs};
use crate::region::Region;
use crate::residual::{NEAR_DEFECT, Near, Residual};
use crate::robust::median_in_place;
use crate::scratch::{Probe, SIDE_PX, Track, WeakLine, beyond, end_of, look_at_each};
use crate::types::DustError;

/// Shorter pieces of lines are not enough evidence. Our choice.
const PIECE_MIN_PX: f64 = 32.0;
/// Largest gap between pieces of one line, the sideways distance allowed, and its increase per pixel of gap. Our
/// choice.
const GAP_MAX_PX: f64 = 64.0;
const ASIDE_PX: f64 = 2.5;
const ASIDE_PER_PX: f64 = 0.03;
/// Largest spread across a line, pixels, and how much its bend may add per pixel of length. Our choice.
const ACROSS_MAX_PX: f64 = 2.0;
const BEND_MAX: f64 = 0.01;
/// Largest number of pieces to examine: the longest ones. Our choice: bounds time.
const PIECES_MAX: usize = 600;
/// Least visible contrast worth a repair, D. Our choice, as in `scratch.rs`.
const CONTRAST_MIN_D: f32 = 0.012;
/// Anything clearer than the base by this, D, is not film: the lamp falls off by up to 0.05 D. Our choice, as in
/// `film_blocks.rs`.
const CLEARER_D: f32 = 0.06;
/// Anything denser than this, D, is the holder. Our choice.
const HOLDER_D: f32 = 3.0;
/// Share of a line that must be clearer than film. Our choice.
const CLEARER_MIN: f32 = 0.25;
/// Half width of the middle of the infrared profile, and the range of its sides; the blur of the infrared stays inside.
/// Our choice.
const MIDDLE_PX: i32 = 2;
const OUTER_PX: std::ops::RangeInclusive<i32> = 5..=7;
/// Length over which the trace is averaged before the averages are compared. Our choice.
const CHUNK_PX: f64 = 16.0;
/// Least number of averages, least multiple of the trace's own error, and least trace, D. Ours.
const CHUNKS_MIN: usize = 5;
const TRACE_SIGMA: f32 = 5.0;
const TRACE_MIN_D: f32 = 0.001;
/// Share of the leakage expected from a line of this contrast that a trace must reach.
///
/// The image leaves some trace itself: the lens averages light, so a fine line looks clearer than its dyes are, by up
/// to `ln(10)/2` times the variance of the density within the blur: a third of a contrast of 0.6 D, and a tenth for an
/// uncertain leakage. Long straight lines are rarer in pictures, so shorter ones must show more. Our choice.
const LEAKED_PART: f32 = 0.2;
const LEAKED_PART_SHORT: f32 = 0.35;
const LONG_CHUNKS: usize = 16;
/// Largest gap when following a torn line. Our choice.
const FOLLOW_GAP_PX: usize = 40;

/// Torn lines outside the existing marks; `film_base_d` is the density of clear negative film.
pub(crate) fn torn_lines(
    region: &Region<'_>,
    residual: &Residual,
    near: &Near,
    film_base_d: Option<f32>,
) -> Result<Vec<WeakLine>, DustError> {
    let lines = [&residual.ridges.along_rows, &residual.ridges.along_columns];
    let lines: Vec<Vec<Component>> = lines
        .into_iter()
        .flat_map(|runs| straight_lines(join_runs(runs.clone(), region.height(), 1)))
        .collect();
    look_at_each(region, residual, lines, |probe, pieces| judge(probe, &pieces, near, film_base_d))
}

/// Keeps thin pieces and joins those that are on one line.
fn straight_lines(pieces: Vec<Component>) -> Vec<Vec<Component>> {
    let mut open: Vec<(Component, Shape)> = pieces
        .into_iter()
        .map(|piece| {
            let shape = piece.shape();
            (piece, shape)
        })
        .filter(|(_, shape)| {
            let thin = shape.across_rms_px < ACROSS_MAX_PX + BEND_MAX * shape.length_px;
            shape.length_px >= PIECE_MIN_PX && thin
        })
        .collect();
    open.sort_by(|a, b| b.1.length_px.total_cmp(&a.1.length_px));
    open.truncate(PIECES_MAX);
    open.reverse();
    let mut lines = Vec::new();
    while let Some((first, shape)) = open.pop() {
        let direction = shape.direction;
        let mut ends = ends_of(&first, direction);
        let mut line = vec![first];
        // Each piece found makes the line longer, so another one may come into reach.
        while let Some(next) = open.iter().rposition(|(piece, _)| goes_on(ends, ends_of(piece, direction))) {
            let (piece, _) = open.remove(next);
            let [a, b] = ends_of(&piece, direction);
            let along = |p: (f64, f64)| p.0 * direction.0 + p.1 * direction.1;
            ends = [
                if along(a) < along(ends[0]) { a } else { ends[0] },
                if along(b) > along(ends[1]) { b } else { ends[1] },
            ];
            line.push(piece);
        }
        lines.push(line);
    }
    lines
}

/// First and last pixel of a piece in a direction.
fn ends_of(piece: &Component, (cos, sin): (f64, f64)) -> [(f64, f64); 2] {
    [(-cos, -sin), (cos, sin)].map(|direction| {
        let (x, y) = end_of(piece, direction).unwrap_or_default();
        (f64::from(x), f64::from(y))
    })
}

/// Whether a piece is on the line beyond one of its ends.
fn goes_on([first, last]: [(f64, f64); 2], [a, b]: [(f64, f64); 2]) -> bool {
    let (dx, dy) = (last.0 - first.0, last.1 - first.1);
    let length = dx.hypot(dy).max(1.0);
    let (cos, sin) = (dx / length, dy / length);
    let place = |(x, y): (f64, f64)| {
        let (x, y) = (x - first.0, y - first.1);
        (x * cos + y * sin, (y * cos - x * sin).abs())
    };
    let ((a, a_aside), (b, b_aside)) = (place(a), place(b));
    let gap = (a - length).max(-b);
    let far = |at: f64| ASIDE_PX + ASIDE_PER_PX * (at - length).max(-at).max(0.0);
    gap < GAP_MAX_PX && a_aside < far(a) && b_aside < far(b)
}

/// Measurements on the pixels of a line.
#[derive(Default)]
struct Seen {
    contrasts: Vec<f32>,
    clearer: u32,
    /// Sums of trace and leaked line, and pixel counts, by position along the line.
    chunks: BTreeMap<i64, (f32, f32, f32)>,
}

fn judge(
    probe: &mut Probe<'_>,
    pieces: &[Component],
    near: &Near,
    film_base_d: Option<f32>,
) -> Option<WeakLine> {
    let mut line = Component { runs: pieces.iter().flat_map(|piece| piece.runs.iter().copied()).collect() };
    line.runs.sort_unstable_by_key(|run| (run.y, run.x0));
    let direction = line.shape().direction;
    let (cos, sin) = direction;
    let mut seen = Seen::default();
    for (x, y) in line.pixels().filter(|(x, y)| near.at(*x, *y) < NEAR_DEFECT) {
        let (fx, fy) = (f64::from(x), f64::from(y));
        let sides = [1.0, -1.0].map(|s| probe.visible(fx - s * sin * SIDE_PX, fy + s * cos * SIDE_PX));
        let middle = probe.visible(fx, fy);
        seen.contrasts.push(beyond(middle, sides[0], sides[1]));
        let is_clearer = |base: f32| {
            let film = base - 0.5 * CLEARER_D..HOLDER_D;
            middle < base - CLEARER_D && sides.iter().all(|side| film.contains(side))
        };
        seen.clearer += u32::from(film_base_d.is_some_and(is_clearer));
        let chunk = seen.chunks.entry(((fx * cos + fy * sin) / CHUNK_PX).floor() as i64).or_default();
        chunk.0 += profile(|x, y| probe.density(x, y), fx, fy, direction);
        chunk.1 += profile(|x, y| probe.leaked(x, y), fx, fy, direction);
        chunk.2 += 1.0;
    }
    if 2 * seen.contrasts.len() < line.area() as usize {
        return None;
    }
    let is_clearer = seen.clearer as f32 > CLEARER_MIN * seen.contrasts.len() as f32;
    let contrast_d = median_in_place(&mut seen.contrasts);
    if contrast_d > -CONTRAST_MIN_D
        || !(is_clearer || shows_in_infrared(&seen.chunks, probe.leaked_of_grey(contrast_d)))
    {
        return None;
    }
    let mut beyond_ends = Vec::new();
    for (piece, direction) in pieces.iter().flat_map(|piece| [(piece, (cos, sin)), (piece, (-cos, -sin))]) {
        let mut track = Track { probe, contrast_d, trace_d: 0.0, side_px: SIDE_PX, gap_px: FOLLOW_GAP_PX };
        if let Some(end) = end_of(piece, direction) {
            track.follow(end, direction, &mut beyond_ends);
        }
    }
    Some(WeakLine { component: line, contrast_d, beyond_ends })
}

/// Whether the infrared holds back light all along the line, by more than a wrong leakage could explain.
fn shows_in_infrared(chunks: &BTreeMap<i64, (f32, f32, f32)>, leaked_of_grey: f32) -> bool {
    let traces: Vec<f32> = chunks.values().map(|(trace, _, n)| trace / n).collect();
    let n = traces.len() as f32;
    if traces.len() < CHUNKS_MIN {
        return false;
    }
    let mean = |values: &[f32]| values.iter().sum::<f32>() / values.len().max(1) as f32;
    let trace = mean(&traces);
    let error = (traces.iter().map(|t| (t - trace).powi(2)).sum::<f32>() / (n * (n - 1.0))).sqrt();
    let leaked = chunks.values().map(|(_, leaked, n)| leaked / n).sum::<f32>() / n;
    // Each third must show three tenths of the whole, so that one speck does not make a line. Our choice.
    let thirds = traces.chunks(traces.len().div_ceil(3)).all(|third| mean(third) > 0.3 * trace);
    let part = if traces.len() < LONG_CHUNKS { LEAKED_PART_SHORT } else { LEAKED_PART };
    trace > (TRACE_SIGMA * error).max(part * leaked.abs().max(leaked_of_grey)).max(TRACE_MIN_D) && thirds
}

/// Mean of a plane on a line, minus its level on both sides.
fn profile(mut plane: impl FnMut(f64, f64) -> f32, x: f64, y: f64, (cos, sin): (f64, f64)) -> f32 {
    let mut at = |d: i32| plane(x - f64::from(d) * sin, y + f64::from(d) * cos);
    let middle = (-MIDDLE_PX..=MIDDLE_PX).map(&mut at).sum::<f32>() / (2 * MIDDLE_PX + 1) as f32;
    let sides = OUTER_PX.flat_map(|d| [d, -d]).map(at).sum::<f32>() / 6.0;
    middle - sides
}
