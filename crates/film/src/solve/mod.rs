//! The strip solve: layer gammas, neutral and exposure of all frames together.

mod exposure;
mod grey_share;
mod highlights;
mod neutral;
mod settle;
mod simplex;
mod strength;
mod surfaces;
#[cfg(test)]
mod tests;

use crate::maths::exp10;
use crate::matrix::{IDENTITY, apply};
use crate::statistics::FrameStatistics;
use crate::{FilmKind, GREY_WEIGHTS, Stock};
use exposure::exposure_log;
use glassine_raster::{DensityD, ExposureStops};
use neutral::{NOMINAL, Neutral, Votes};
use strength::colour_strength;

/// Which frames share a grey balance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum BalanceMode {
    /// One grey balance for the whole strip: frames taken in the same light.
    #[default]
    Strip,
    /// The strip's balance for frames in the light the film is made for; frames in another light share one per light.
    Group,
    /// A grey balance for each frame.
    Frame,
}

impl BalanceMode {
    /// All modes, in the order shown.
    pub const ALL: [Self; 3] = [Self::Strip, Self::Group, Self::Frame];

    /// Name used in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Strip => "strip",
            Self::Group => "group",
            Self::Frame => "frame",
        }
    }

    /// The mode for a key in a file or command.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|mode| mode.key() == key)
    }
}

/// Solution of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameSolve {
    /// Added to each layer's log10 exposure: exposure and neutral; 0 afterwards is white.
    pub log_offset: [f64; 3],
    /// Exposure part.
    pub exposure: ExposureStops,
    /// Balance part: warm and tint, as [`crate::Param::WarmthCc`] and [`crate::Param::TintCc`] count them.
    pub balance_cc: [f64; 2],
    /// 0 to 1: how far the frame itself supports the balance.
    pub confidence: f32,
    /// Problems found, as messages for the user.
    pub notes: Vec<String>,
    /// Cast correction that this frame alone would need, warm and tint; applied only on request.
    pub cast_suggestion_cc: [f64; 2],
}

/// Solution of a strip.
#[derive(Debug, Clone, PartialEq)]
pub struct StripSolve {
    /// Gamma of each layer relative to the stock's.
    pub gamma_ratio: [f64; 3],
    /// Toe width of each layer relative to the stock's.
    pub toe_ratio: [f64; 3],
    /// Colour strength relative to the stock's, at most 1; less if the strip shows colours that would be too strong.
    pub colour_strength: f64,
    /// Log10 exposures of the layers (before offsets) that mean neutral, green at 0.
    pub neutral_log: [f64; 3],
    /// One solution per frame, in input order.
    pub frames: Vec<FrameSolve>,
    /// 0 to 1.
    pub confidence: f32,
}

/// Layer log exposures of a warm and a tint step: amber raises red and lowers blue, magenta lowers green.
///
/// ```text
/// r = +w/200 + t/300,  g = -2 t/300,  b = -w/200 + t/300      (100 CC = 1 D between the two ends)
/// ```
/// Each sums to zero, so exposure does not change.
pub fn log_from_balance_cc([warm, tint]: [f64; 2]) -> [f64; 3] {
    [warm / 200.0 + tint / 300.0, -2.0 * tint / 300.0, -warm / 200.0 + tint / 300.0]
}

/// Warm and tint of layer log exposures (the mean is exposure, not balance); inverse of [`log_from_balance_cc`].
pub fn balance_cc_from_log([r, g, b]: [f64; 3]) -> [f64; 2] {
    [(r - b) * 100.0, ((r + b) / 2.0 - g) * 100.0]
}

/// Support below which a frame's balance is marked as uncertain. Our choice, not calibrated.
const LOW_CONFIDENCE: f64 = 0.3;

/// Note on a strip whose confidence is below one half.
pub const PICTURES_CANT_TELL: &str = "the pictures do not show whether the light or the subjects are warm; set a grey point, mark a \
                                      frame as daylight, or choose a stock that was measured";
/// Note on a frame whose colours another light explains better; the kind of light follows.
pub const OTHER_LIGHT: &str = "seems to have been taken in light that the film is not made for";
/// Gain in log likelihood above which a frame counts as taken in another light. Over 120 drawn strips
/// (`crates/bench/src/bin/strips.rs`, seeds from 401, 20 of each sort) this flags 14 of 20 frames in tungsten light, 10 of 20
/// in fluorescent light, 1 of 20 in shade, and 9 % of those in daylight; a gain of 3 flags 17, 15, 3 and 19 %.
const OTHER_LIGHT_GAIN: f64 = 5.0;
/// Mireds from daylight within which another light is a fluorescent lamp, since those are off the line of sunlight. Our
/// choice: three of the four lamps in `surfaces.rs` are within 5.
const LAMP_MIREDS: f64 = 25.0;
/// Difference in mireds from which two lights, neither of them the film's own, count as different: less than from
/// tungsten to late sun or from shade to sky. Ours.
const SAME_LIGHT_MIREDS: f64 = 40.0;
/// Most confidence in a strip with frames in another light, since it is a guess which frames show the film's own light.
/// Ours, not calibrated.
const MOST_IN_MIXED_LIGHT: f64 = 0.75;

/// What the user specified about the frames of a strip.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct SolveHints {
    /// Frames (indices into the list) with the density above base of something grey in them.
    pub grey_points: Vec<(usize, [f64; 3])>,
    /// Frames that were taken in daylight or with flash.
    pub daylight: Vec<usize>,
}

/// Solve a strip; frames without usable cells get the solution of the others.
///
/// Colour negatives: layer gammas, toes and neutral of all frames together (`surfaces.rs`, `neutral.rs`), exposure per
/// frame; a generic stock's colour strength is reduced if the strip's colours would be too strong. Black and white:
/// exposure only. Slides are shown as they are: offsets stay 0 and only the suggestion is computed.
///
/// A grey point in `hints` fixes the balance of the whole strip; a frame hinted as daylight is never attributed to warm
/// or cold light.
///
/// The offsets hold for `stock.with_toe_ratio(..).with_colour_strength(..)` with the returned values: the recipe must
/// use that stock.
pub fn solve_strip(
    frames: &[FrameStatistics],
    stock: &Stock,
    kind: FilmKind,
    mode: BalanceMode,
    hints: &SolveHints,
) -> StripSolve {
    let first = solve(frames, stock, kind, mode, hints, true);
    if kind != FilmKind::ColourNegative || !stock.measured_on.is_empty() {
        return first;
    }
    let balances_log: Vec<[f64; 3]> =
        first.frames.iter().map(|frame| frame.log_offset.map(|log| log - frame.log_offset[1])).collect();
    let with_toes = stock.with_toe_ratio(first.toe_ratio);
    let strength = colour_strength(frames, &with_toes, first.gamma_ratio, &balances_log);
    if strength == 1.0 {
        return first;
    }
    // Weaker colours shift the darkest greys slightly where the layers' toes differ, so solve again.
    let changed = stock.with_colour_strength(strength, first.gamma_ratio);
    StripSolve { colour_strength: strength, ..solve(frames, &changed, kind, mode, hints, true) }
}

fn solve(
    frames: &[FrameStatistics],
    stock: &Stock,
    kind: FilmKind,
    mode: BalanceMode,
    hints: &SolveHints,
    toes: bool,
) -> StripSolve {
    if kind == FilmKind::BlackAndWhite {
        return solve_grey(frames, stock);
    }
    let mut votes = Votes::new(frames, stock);
    // A slide's layers are not inverted, so there are no gammas to find and the stock's neutral is the picture's.
    let mut strip = NOMINAL;
    if kind != FilmKind::Slide {
        let belief = surfaces::believe(frames, stock, &Votes::film_prior(stock), &hints.daylight);
        let points: Vec<[f64; 3]> = hints.grey_points.iter().map(|(_, d)| apply(&stock.unmix, *d)).collect();
        votes.listen(belief, &points, &stock.curves);
        strip = votes.solve();
    }
    let mut toe_ratio = [1.0; 3];
    if toes && kind.is_negative() {
        let (finer, [red, blue]) = votes.solve_toes(&strip, stock);
        (strip, toe_ratio) = (finer, [red, 1.0, blue]);
    }
    let stock = &stock.with_toe_ratio(toe_ratio);
    let slide = kind == FilmKind::Slide;
    if !slide {
        votes.lights = surfaces::frame_lights(frames, stock, strip, &hints.daylight);
    }
    let all: Vec<usize> = (0..frames.len()).collect();
    let mut own: Vec<Neutral> = all.iter().map(|frame| votes.solve_frames(&[*frame], &strip)).collect();
    if mode == BalanceMode::Frame && kind.is_negative() {
        let shifted = votes.solve_gammas(&strip, &own);
        own = all.iter().map(|frame| votes.solve_frames(&[*frame], &shifted)).collect();
        strip = shifted;
    }
    let gamma_ratio = if slide { [1.0; 3] } else { [strip[0], 1.0, strip[1]] };
    let is_other = |idx: usize| votes.light(idx).gain > OTHER_LIGHT_GAIN;
    let others = same_light(&votes, all.iter().copied().filter(|idx| is_other(*idx)).collect());
    // Per group: its frames, its balance, and the support for it.
    let shared: Vec<(Vec<usize>, Neutral, f64)> = others
        .into_iter()
        .map(|group| {
            let shared = votes.solve_frames(&group, &strip);
            let backing = group.iter().map(|idx| votes.support(&shared, *idx)).fold(0.0, f64::max);
            (group, shared, backing)
        })
        .collect();
    let sure = match votes.confidence(&strip, &all) {
        _ if slide => 1.0,
        sure if !shared.is_empty() => sure.min(MOST_IN_MIXED_LIGHT),
        sure => sure,
    };
    let solved = frames
        .iter()
        .zip(&own)
        .enumerate()
        .map(|(idx, (frame, own))| {
            let backing = votes.support(own, idx);
            let group = shared.iter().find(|(group, ..)| group.contains(&idx));
            let is_other = group.is_some();
            let (used, together) = match (mode, group) {
                _ if slide => (NOMINAL, None),
                (BalanceMode::Frame, _) => (towards(&strip, own, trust(backing)), Some(vec![idx])),
                (BalanceMode::Group, Some((group, shared, backing))) => {
                    (towards(&strip, shared, trust(*backing)), Some(group.clone()))
                }
                _ => (strip, None),
            };
            let confidence = match together {
                Some(together) => votes.confidence(&used, &together),
                // The strip's balance is right for its light, not for this one.
                _ if is_other => (0.6 * sure).min(0.45),
                _ => sure,
            };
            let certainty = (backing, confidence, mode, slide);
            let mut solved = solve_frame(frame, stock, gamma_ratio, &used, own, certainty);
            if is_other {
                let kind = match votes.light(idx).mired {
                    mired if mired.abs() < LAMP_MIREDS => "greener, as of a fluorescent lamp",
                    mired if mired > 0.0 => "warmer",
                    _ => "colder",
                };
                solved.notes.push(format!(
                    "{OTHER_LIGHT} ({kind}); balance per group or per frame would make it neutral"
                ));
            }
            solved
        })
        .collect();
    StripSolve {
        gamma_ratio,
        toe_ratio,
        colour_strength: 1.0,
        neutral_log: if slide { [0.0; 3] } else { [-strip[2], 0.0, -strip[3]] },
        frames: solved,
        confidence: sure as f32,
    }
}

/// Group frames in another light by light.
fn same_light(votes: &Votes, mut frames: Vec<usize>) -> Vec<Vec<usize>> {
    let mired = |frame: usize| votes.light(frame).mired;
    frames.sort_by(|a, b| mired(*a).total_cmp(&mired(*b)));
    frames.chunk_by(|a, b| mired(*b) - mired(*a) < SAME_LIGHT_MIREDS).map(<[usize]>::to_vec).collect()
}

/// How far to trust a frame's own balance, 0 to 1: fully with enough grey to support it, not at all without any.
fn trust(backing: f64) -> f64 {
    let t = (backing / LOW_CONFIDENCE).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

fn towards(strip: &Neutral, own: &Neutral, share: f64) -> Neutral {
    let mut out = *strip;
    for (x, target) in out.iter_mut().zip(own) {
        *x += (target - *x) * share;
    }
    out
}

/// Offsets of one frame: `used` is the balance that is applied, `own` the one that the frame alone would need.
fn solve_frame(
    frame: &FrameStatistics,
    stock: &Stock,
    gamma_ratio: [f64; 3],
    used: &Neutral,
    own: &Neutral,
    (backing, confidence, mode, slide): (f64, f64, BalanceMode, bool),
) -> FrameSolve {
    let balance = [used[2], 0.0, used[3]];
    let mut notes = Vec::new();
    let light: Vec<[f64; 3]> = frame
        .samples_d
        .iter()
        .map(|sample| {
            let layers = apply(&stock.unmix, sample.map(f64::from));
            [0, 1, 2].map(|c| exp10(stock.curves[c].log_exposure(layers[c] / gamma_ratio[c]) + balance[c]))
        })
        .collect();
    let exposure =
        if slide { 0.0 } else { exposure_log(&light, &frame.sample_weights, &stock.working_matrix) };
    if frame.cells_d.is_empty() {
        notes.push("nothing could be measured in this frame; the balance is that of the strip".to_owned());
    } else if backing < LOW_CONFIDENCE && !slide {
        notes.push(match mode {
            BalanceMode::Strip | BalanceMode::Group => {
                "few grey tones here; the balance comes from the other frames and typical film".to_owned()
            }
            BalanceMode::Frame => "few grey tones here; the balance of this frame is uncertain".to_owned(),
        });
    }
    if frame.open_share() > 0.001 {
        notes.push("part of this frame is clipped in the scan".to_owned());
    }
    let log_offset = balance.map(|b| b + exposure);
    // On a slide more density is less light, so the correction has the opposite sign.
    let trust = if slide { -trust(backing) } else { trust(backing) };
    let cast = [(own[2] - used[2]) * trust, 0.0, (own[3] - used[3]) * trust];
    FrameSolve {
        log_offset,
        exposure: DensityD::new(exposure).unwrap_or_default().into(),
        balance_cc: balance_cc_from_log(balance),
        confidence: confidence as f32,
        notes,
        cast_suggestion_cc: balance_cc_from_log(cast),
    }
}

/// Black-and-white: one density, exposure only.
fn solve_grey(frames: &[FrameStatistics], stock: &Stock) -> StripSolve {
    let solved = frames
        .iter()
        .map(|frame| {
            let light: Vec<[f64; 3]> = frame
                .samples_d
                .iter()
                .map(|sample| {
                    let density_d: f64 =
                        sample.iter().zip(GREY_WEIGHTS).map(|(d, weight)| f64::from(*d) * weight).sum();
                    [exp10(stock.curves[1].log_exposure(density_d)); 3]
                })
                .collect();
            let exposure = exposure_log(&light, &frame.sample_weights, &IDENTITY);
            FrameSolve {
                log_offset: [exposure; 3],
                exposure: DensityD::new(exposure).unwrap_or_default().into(),
                balance_cc: [0.0; 2],
                confidence: if light.is_empty() { 0.0 } else { 1.0 },
                notes: Vec::new(),
                cast_suggestion_cc: [0.0; 2],
            }
        })
        .collect();
    StripSolve {
        gamma_ratio: [1.0; 3],
        toe_ratio: [1.0; 3],
        colour_strength: 1.0,
        neutral_log: [0.0; 3],
        frames: solved,
        confidence: 1.0,
    }
}
