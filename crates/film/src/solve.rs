//! The strip solve: layer gammas, neutral and exposure of all frames together.

use crate::matrix::apply;
use crate::statistics::FrameStatistics;
use crate::{FilmKind, Stock};

/// What the frames of a strip share.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum BalanceMode {
    /// One grey balance for the whole strip: frames taken in the same light.
    #[default]
    Strip,
    /// A grey balance for each frame.
    Frame,
}

impl BalanceMode {
    /// Both modes, in the order shown.
    pub const ALL: [Self; 2] = [Self::Strip, Self::Frame];

    /// Name used in files and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Self::Strip => "strip",
            Self::Frame => "frame",
        }
    }

    /// The mode a file or command names.
    pub fn from_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|mode| mode.key() == key)
    }
}

/// Solution of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameSolve {
    /// Added to each layer's log10 exposure: exposure and neutral; 0 afterwards is white.
    pub log_offset: [f64; 3],
    /// Exposure part, in stops (mean of the layers).
    pub exposure_stops: f64,
    /// Balance part: warm and tint, as [`crate::Param::WarmthCc`] and [`crate::Param::TintCc`] count them.
    pub balance_cc: [f64; 2],
    /// 0 to 1: how far the frame itself supports the balance.
    pub confidence: f32,
    /// What was odd, in words.
    pub notes: Vec<String>,
    /// Cast correction that this frame alone would ask for, warm and tint; never applied unless asked for.
    pub cast_suggestion_cc: [f64; 2],
}

/// Solution of a strip.
#[derive(Debug, Clone, PartialEq)]
pub struct StripSolve {
    /// Gamma of each layer relative to the stock's.
    pub gamma_ratio: [f64; 3],
    /// Log10 exposures of the layers (before offsets) that mean neutral, green at 0.
    pub neutral_log: [f64; 3],
    /// One solution a frame, in the order given.
    pub frames: Vec<FrameSolve>,
    /// 0 to 1.
    pub confidence: f32,
}

/// Layer log exposures of a warm and a tint step: amber raises red and lowers blue, magenta lowers green.
///
/// ```text
/// r = +w/200 + t/300,  g = -2 t/300,  b = -w/200 + t/300      (100 CC = 1 D between the two ends)
/// ```
/// Each sums to zero, so exposure stays.
pub fn log_from_balance_cc([warm, tint]: [f64; 2]) -> [f64; 3] {
    [warm / 200.0 + tint / 300.0, -2.0 * tint / 300.0, -warm / 200.0 + tint / 300.0]
}

/// Warm and tint of layer log exposures (the mean is exposure, not balance); inverse of [`log_from_balance_cc`].
pub fn balance_cc_from_log([r, g, b]: [f64; 3]) -> [f64; 2] {
    [(r - b) * 100.0, ((r + b) / 2.0 - g) * 100.0]
}

/// Solve a strip; empty frames get the solution of the others.
pub fn solve_strip(
    frames: &[FrameStatistics],
    stock: &Stock,
    _kind: FilmKind,
    mode: BalanceMode,
) -> StripSolve {
    let logs: Vec<[Vec<f64>; 3]> = frames.iter().map(|frame| layer_logs(frame, stock)).collect();
    let quantile = |list: &[f64], share: f64| {
        if list.is_empty() { 0.0 } else { list[((list.len() - 1) as f64 * share).round() as usize] }
    };
    let medians: Vec<[f64; 3]> =
        logs.iter().map(|layers| [0, 1, 2].map(|c| quantile(&layers[c], 0.5))).collect();
    let mut neutral = [0.0; 3];
    for (c, value) in neutral.iter_mut().enumerate() {
        let mut differences: Vec<f64> = medians.iter().map(|m| m[c] - m[1]).collect();
        differences.sort_unstable_by(f64::total_cmp);
        *value = quantile(&differences, 0.5);
    }
    let solved = logs
        .iter()
        .zip(&medians)
        .map(|(layers, median)| {
            let own = [0, 1, 2].map(|c| median[c] - median[1]);
            let balance = if mode == BalanceMode::Frame { own } else { neutral };
            let top = (0..3).map(|c| quantile(&layers[c], 0.995) - balance[c]).fold(f64::MIN, f64::max);
            let top = if layers[0].is_empty() { 0.0 } else { top };
            let log_offset = balance.map(|b| -b - top - 0.02);
            let mean = log_offset.iter().sum::<f64>() / 3.0;
            FrameSolve {
                log_offset,
                exposure_stops: glassine_raster::stops_from_density(mean),
                balance_cc: balance_cc_from_log(log_offset),
                confidence: if layers[0].is_empty() { 0.0 } else { 1.0 },
                notes: Vec::new(),
                cast_suggestion_cc: balance_cc_from_log([0, 1, 2].map(|c| balance[c] - own[c])),
            }
        })
        .collect();
    StripSolve { gamma_ratio: [1.0; 3], neutral_log: neutral, frames: solved, confidence: 1.0 }
}

fn layer_logs(frame: &FrameStatistics, stock: &Stock) -> [Vec<f64>; 3] {
    let mut out: [Vec<f64>; 3] = Default::default();
    for cell in &frame.cells_d {
        let layers = apply(&stock.unmix, cell.map(f64::from));
        for (c, list) in out.iter_mut().enumerate() {
            list.push(stock.curves[c].log_exposure(layers[c]));
        }
    }
    for list in &mut out {
        list.sort_unstable_by(f64::total_cmp);
    }
    out
}
