//! Where neutral lies: layer gammas and offsets that put most grey things on the grey axis.
//!
//! Cells of each frame are sorted into steps of exposure. For a trial neutral, each step of each frame casts one vote:
//! the share of its *different* colours that would be grey, through a logarithm so that one large grey (or one large
//! orange wall) counts hardly more than a small one. A neutral that makes cells grey over the whole range of exposures
//! in many frames wins; a prior from the spread of real films decides when nothing in the pictures does. The width that
//! still counts as grey shrinks from 0.12 to 0.021 in log10 exposure, so that the search does not stick early; narrower
//! widths would follow the grain of single pictures.

use super::settle::settle;
use super::simplex::minimise;
use crate::maths::exp2_f32;
use crate::matrix::apply;
use crate::statistics::FrameStatistics;
use crate::{LayerCurve, Stock};

/// Most cells of a strip that take part.
const MOST_CELLS: usize = 20_000;
/// Layer densities below this lie so deep in the toe that noise decides their colour.
const LEAST_D: f64 = 0.015;
/// Step of log10 exposure that casts one vote.
const STEP_LOG: f64 = 0.12;
/// Fewest cells of a step that votes.
const FEWEST_CELLS: usize = 6;
/// Share of grey that every step is granted; keeps a step without any grey from mattering much.
const GRANTED: f64 = 0.1;
/// Weight of the prior against votes.
const PRIOR_WEIGHT: f64 = 1.5;
/// Spread of layer gammas of real films and scanners around a generic stock (one standard deviation, as a ratio).
///
/// Source: ours, over simulated films whose dyes, gammas and scanner bands vary around published shapes.
const GAMMA_SPREAD: f64 = 0.11;
/// Spread of red and blue offsets against green in log10 exposure. Source: as above.
const OFFSET_SPREAD: [f64; 2] = [0.055, 0.08];
/// The same around a stock that was measured: what development and another day's light leave open.
const MEASURED_GAMMA_SPREAD: f64 = 0.03;
/// Offsets around a measured stock. Source: ours.
const MEASURED_OFFSET_SPREAD: [f64; 2] = [0.05, 0.06];
/// Spread of toe widths of red and blue against green (one standard deviation, as a ratio). Source: as above.
const TOE_SPREAD: f64 = 0.2;
/// Widths in log10 exposure that count as grey, from first to last.
const WIDTHS_LOG: [f64; 4] = [0.12, 0.06, 0.03, 0.021];

/// Red and blue gamma relative to the stock, red and blue offset in log10 exposure; green is the reference.
pub(super) type Neutral = [f64; 4];

/// The stock's own neutral.
pub(super) const NOMINAL: Neutral = [1.0, 1.0, 0.0, 0.0];

/// Inverse curve of one layer as a table over density.
struct InverseTable {
    log: Vec<f32>,
}

const TABLE_TOP_D: f64 = 6.0;
const TABLE_ENTRIES: usize = 1500;

impl InverseTable {
    fn new(curve: &LayerCurve) -> Self {
        let log = (0..=TABLE_ENTRIES)
            .map(|idx| curve.log_exposure((idx as f64).max(0.5) * TABLE_TOP_D / TABLE_ENTRIES as f64) as f32)
            .collect();
        Self { log }
    }

    #[inline]
    fn at(&self, density_d: f32) -> f32 {
        let position = (density_d * (TABLE_ENTRIES as f32 / TABLE_TOP_D as f32)).max(0.0);
        let idx = (position as usize).min(TABLE_ENTRIES - 1);
        let share = (position - idx as f32).min(1.0);
        self.log[idx] + (self.log[idx + 1] - self.log[idx]) * share
    }
}

/// One frame's vote in one step of exposure.
struct Step {
    frame: usize,
    cells: std::ops::Range<usize>,
    weight: f64,
}

/// All cells that vote, sorted by frame and step.
pub(super) struct Votes {
    red_d: Vec<f32>,
    blue_d: Vec<f32>,
    green_log: Vec<f32>,
    weight: Vec<f32>,
    steps: Vec<Step>,
    red: InverseTable,
    blue: InverseTable,
    gamma_spread: f64,
    offset_spread: [f64; 2],
}

impl Votes {
    pub(super) fn new(frames: &[FrameStatistics], stock: &Stock) -> Self {
        let tables = [0, 1, 2].map(|c| InverseTable::new(&stock.curves[c]));
        let [red, green, blue] = tables;
        let measured = !stock.measured_on.is_empty();
        let mut votes = Self {
            red_d: Vec::new(),
            blue_d: Vec::new(),
            green_log: Vec::new(),
            weight: Vec::new(),
            steps: Vec::new(),
            red,
            blue,
            gamma_spread: if measured { MEASURED_GAMMA_SPREAD } else { GAMMA_SPREAD },
            offset_spread: if measured { MEASURED_OFFSET_SPREAD } else { OFFSET_SPREAD },
        };
        let total: usize = frames.iter().map(FrameStatistics::cells).sum();
        let stride = total.div_ceil(MOST_CELLS).max(1);
        for (frame, statistics) in frames.iter().enumerate() {
            // Steps of log exposure, each with (red density, blue density, green log).
            let mut by_step: Vec<(i32, [f32; 3])> = Vec::new();
            for cell in statistics.cells_d.iter().step_by(stride) {
                let layers = apply(&stock.unmix, cell.map(f64::from));
                if layers.iter().all(|d| *d > LEAST_D && *d < TABLE_TOP_D) {
                    let green_log = green.at(layers[1] as f32);
                    let step = libm::floor(f64::from(green_log) / STEP_LOG) as i32;
                    by_step.push((step, [layers[0] as f32, layers[2] as f32, green_log]));
                }
            }
            by_step.sort_by_key(|(step, _)| *step);
            for group in by_step.chunk_by(|a, b| a.0 == b.0) {
                if group.len() >= FEWEST_CELLS {
                    votes.add_step(frame, group);
                }
            }
        }
        votes
    }

    /// Add one step; cells of the same colour share a weight that grows with the root of their number.
    fn add_step(&mut self, frame: usize, group: &[(i32, [f32; 3])]) {
        const COLOUR_STEP: f32 = 0.03;
        let colour = |cell: &[f32; 3]| {
            let quantised = |log: f32| libm::floorf((log - cell[2]) / COLOUR_STEP) as i32;
            (quantised(self.red.at(cell[0])), quantised(self.blue.at(cell[1])))
        };
        let mut cells: Vec<((i32, i32), [f32; 3])> =
            group.iter().map(|(_, cell)| (colour(cell), *cell)).collect();
        cells.sort_by_key(|(colour, _)| *colour);
        let first = self.weight.len();
        let mut sum = 0.0;
        for same in cells.chunk_by(|a, b| a.0 == b.0) {
            let weight = 1.0 / libm::sqrtf(same.len() as f32);
            for (_, [red_d, blue_d, green_log]) in same {
                self.red_d.push(*red_d);
                self.blue_d.push(*blue_d);
                self.green_log.push(*green_log);
                self.weight.push(weight);
                sum += weight;
            }
        }
        for weight in &mut self.weight[first..] {
            *weight /= sum;
        }
        let weight = (group.len() as f64 / 20.0).min(1.0);
        self.steps.push(Step { frame, cells: first..self.weight.len(), weight });
    }

    /// Share of grey in one step for a trial neutral, with the inverse curves of red and blue to try.
    fn grey_share(
        &self,
        step: &Step,
        (red, blue): (&InverseTable, &InverseTable),
        neutral: &Neutral,
        width_log: f64,
    ) -> f64 {
        let (red_scale, blue_scale) = (1.0 / neutral[0] as f32, 1.0 / neutral[1] as f32);
        let (red_offset, blue_offset) = (neutral[2] as f32, neutral[3] as f32);
        // exp(-q / (2 w^2)) as a power of two.
        let sharpness = (-std::f64::consts::LOG2_E / (2.0 * width_log * width_log)) as f32;
        let range = step.cells.clone();
        let cells = self.red_d[range.clone()]
            .iter()
            .zip(&self.blue_d[range.clone()])
            .zip(&self.green_log[range.clone()])
            .zip(&self.weight[range]);
        let mut share = 0.0_f32;
        for (((red_d, blue_d), green_log), weight) in cells {
            let x = red.at(red_d * red_scale) + red_offset - green_log;
            let y = blue.at(blue_d * blue_scale) + blue_offset - green_log;
            // Red and blue that move together (green to magenta) are as far as the same step of one alone.
            let q = x * x + y * y - 0.6 * x * y;
            share += weight * exp2_f32((q * sharpness).max(-100.0));
        }
        f64::from(share)
    }

    fn votes(&self, neutral: &Neutral, width_log: f64, frame: Option<usize>) -> f64 {
        self.votes_with((&self.red, &self.blue), neutral, width_log, frame)
    }

    fn votes_with(
        &self,
        tables: (&InverseTable, &InverseTable),
        neutral: &Neutral,
        width_log: f64,
        frame: Option<usize>,
    ) -> f64 {
        if !(neutral[0] > 0.2 && neutral[1] > 0.2) {
            return f64::NEG_INFINITY;
        }
        self.steps
            .iter()
            .filter(|step| frame.is_none_or(|frame| frame == step.frame))
            .map(|step| step.weight * libm::log(GRANTED + self.grey_share(step, tables, neutral, width_log)))
            .sum()
    }

    /// The neutral of all frames together.
    pub(super) fn solve(&self) -> Neutral {
        let mut neutral = NOMINAL;
        for width in WIDTHS_LOG {
            let size = libm::sqrt(width / WIDTHS_LOG[0]);
            let step = [0.08 * size, 0.08 * size, 0.05 * size, 0.05 * size];
            (neutral, _) =
                minimise(neutral, step, 260, |trial| self.prior(trial) - self.votes(trial, width, None));
        }
        neutral
    }

    /// Toe widths of red and blue relative to the stock's, found together with a finer neutral; later votes use them.
    ///
    /// Only the narrow widths can tell: toes bend the darkest tones by a few hundredths in log10 exposure.
    pub(super) fn solve_toes(&mut self, start: &Neutral, stock: &Stock) -> (Neutral, [f64; 2]) {
        let table = |c: usize, log_ratio: f64| {
            InverseTable::new(&stock.curves[c].with_toe_ratio(libm::exp(log_ratio.clamp(-0.7, 0.7))))
        };
        let mut at = [start[0], start[1], start[2], start[3], 0.0, 0.0];
        for width in [WIDTHS_LOG[2], WIDTHS_LOG[3]] {
            let cost = |trial: &[f64; 6]| {
                let [gamma_red, gamma_blue, red, blue, toe_red, toe_blue] = *trial;
                let neutral = [gamma_red, gamma_blue, red, blue];
                let toes = (toe_red / TOE_SPREAD).powi(2) + (toe_blue / TOE_SPREAD).powi(2);
                let tables = (&table(0, toe_red), &table(2, toe_blue));
                self.prior(&neutral) + PRIOR_WEIGHT * 0.5 * toes
                    - self.votes_with(tables, &neutral, width, None)
            };
            (at, _) = minimise(at, [0.02, 0.02, 0.02, 0.02, 0.1, -0.1], 250, cost);
            at = settle(at, [width, width, width, width, 0.1, 0.1], 15, cost);
        }
        (self.red, self.blue) = (table(0, at[4]), table(2, at[5]));
        let ratio = [at[4], at[5]].map(|log| libm::exp(log.clamp(-0.7, 0.7)));
        ([at[0], at[1], at[2], at[3]], ratio)
    }

    /// Offsets of one frame alone, with the gammas of `strip`; its own prior is centred on the strip's offsets and
    /// wider along amber and blue, where daylight moves, than across.
    pub(super) fn solve_frame(&self, frame: usize, strip: &Neutral) -> Neutral {
        const ALONG: f64 = 0.12;
        const ACROSS: f64 = 0.035;
        let mut offset = [strip[2], strip[3]];
        for width in WIDTHS_LOG {
            let size = libm::sqrt(width / WIDTHS_LOG[0]);
            (offset, _) = minimise(offset, [0.06 * size, -0.06 * size], 120, |trial| {
                let (x, y) = (trial[0] - strip[2], trial[1] - strip[3]);
                let (along, across) = ((x - y) / 2.0, (x + y) / 2.0);
                let prior = 0.5 * ((along / ALONG).powi(2) + (across / ACROSS).powi(2));
                let neutral = [strip[0], strip[1], trial[0], trial[1]];
                PRIOR_WEIGHT * prior - self.votes(&neutral, width, Some(frame))
            });
        }
        [strip[0], strip[1], offset[0], offset[1]]
    }

    /// Gammas (and a common shift) of all frames when each has offsets of its own.
    pub(super) fn solve_gammas(&self, strip: &Neutral, own: &[Neutral]) -> Neutral {
        let width = WIDTHS_LOG[2];
        let (neutral, _) = minimise(*strip, [0.03, 0.03, 0.02, 0.02], 200, |trial| {
            let mut sum = -self.prior(trial);
            for (frame, own) in own.iter().enumerate() {
                let shifted =
                    [trial[0], trial[1], trial[2] + own[2] - strip[2], trial[3] + own[3] - strip[3]];
                sum += self.votes(&shifted, width, Some(frame));
            }
            -sum
        });
        neutral
    }

    /// Minus log of the prior, weighted.
    fn prior(&self, neutral: &Neutral) -> f64 {
        let gamma = |ratio: f64| libm::log(ratio.max(0.05)) / self.gamma_spread;
        let squares = gamma(neutral[0]).powi(2)
            + gamma(neutral[1]).powi(2)
            + (neutral[2] / self.offset_spread[0]).powi(2)
            + (neutral[3] / self.offset_spread[1]).powi(2);
        PRIOR_WEIGHT * 0.5 * squares
    }

    /// How much grey supports a neutral, 0 to 1: the weighted share of steps in which a tenth of the colours are grey.
    pub(super) fn support(&self, neutral: &Neutral, frame: Option<usize>) -> f64 {
        let (mut grey, mut all) = (0.0, 0.0);
        for step in self.steps.iter().filter(|step| frame.is_none_or(|frame| frame == step.frame)) {
            grey +=
                step.weight * (self.grey_share(step, (&self.red, &self.blue), neutral, 0.025) / 0.1).min(1.0);
            all += step.weight;
        }
        // Four full steps are the least that can be trusted fully.
        if all > 0.0 { grey / all.max(4.0) } else { 0.0 }
    }
}
