//! Layer gammas and offsets of a strip: near usual values for surfaces and films, or from greys where greys are
//! evident.
//!
//! Cells of each frame are sorted into steps of exposure. For a trial neutral, each step of each frame casts one vote:
//! the share of its *different* colours that would be grey, through a logarithm so that one large grey (or one large
//! orange wall) counts hardly more than a small one. The search starts from the neutral of `surfaces.rs`, which is also
//! its prior. A neutral that does not suit a frame costs a limited amount, and more only where greys are evident in the
//! frame: a narrow peak over many steps of exposure, with other colours on both sides, or a long wedge. The width that
//! counts as grey shrinks from 0.12 to 0.021 in log10 exposure, so that the search does not stick early; narrower
//! widths would follow the grain of single pictures.

use super::grey_share::{GreyShare, InverseTable, TABLE_STEPS_PER_D, TABLE_TOP_D};
use super::settle::settle;
use super::simplex::minimise;
use super::surfaces::{ACROSS, ALONG, Belief, FilmPrior, FrameLight, dot, other_lights, surrounded};
use crate::matrix::apply;
use crate::statistics::FrameStatistics;
use crate::{LayerCurve, Stock};
use glassine_raster::run_in_short_vectors;

/// Most cells of a strip that are used. Our choice: bounds time.
const MOST_CELLS: usize = 12_000;
/// Layer densities below this are so deep in the toe that noise decides their colour. Our choice.
const LEAST_D: f64 = 0.015;
/// Step of log10 exposure that casts one vote. Our choice: 0.4 stop; the greys of a 24-patch chart are 0.18 to 0.45
/// apart.
const STEP_LOG: f64 = 0.12;
/// Fewest cells with which a step votes. Our choice: fewer are one object.
const FEWEST_CELLS: usize = 6;
/// Share of grey granted to every step; keeps steps without grey from mattering much. Our choice: as much as makes a
/// step evident ([`EVIDENT_SHARE`]).
const GRANTED: f64 = 0.1;
/// Weight of the prior relative to votes. Our choice: more keeps the stock's balance, less follows few greys.
const PRIOR_WEIGHT: f64 = 1.5;
/// Spread of layer gammas around a generic stock (one standard deviation, as a ratio): control strips of colour
/// negatives keep slopes to +-0.07 to 0.09 of 0.6 to 1.05 as limits of two (from memory), 4 % a layer, and scanner
/// bands differ. Source: ours, 7 to 9 % over simulated films and scanners of such tolerances.
const GAMMA_SPREAD: f64 = 0.08;
/// The same for a measured stock: the variation that development leaves. Source: ours.
const MEASURED_GAMMA_SPREAD: f64 = 0.03;
/// Speed balance of films at [`PIVOT_LOG`]: tolerance +-0.12 D of laboratory films' mid-grey aim over its slope of
/// 0.53, less the common part, as limits of three, and the colour spread of control strips; one film in ten twice that.
/// The tolerance is from a maker's data sheet, the rest from memory; the split into numbers is our choice.
const FILM: FilmPrior = FilmPrior { spread: [0.07, 0.085], tail_share: 0.1, tail: 2.2 };
/// The same for a measured stock on another day: the colour spread of control strips, 0.02 to 0.04. Source: ours.
const MEASURED_FILM: FilmPrior = FilmPrior { spread: [0.025, 0.035], tail_share: 0.05, tail: 3.0 };
/// Log10 exposure at which layers keep their balance when slopes differ: between foot (where speed is measured) and mid
/// grey (where laboratories aim). Source: ours.
const PIVOT_LOG: f64 = -0.9;
/// Least spread of the surface prior along and across the lights: all subjects of a roll may share a bias. Source:
/// ours.
const LEAST_SPREAD: [f64; 2] = [0.035, 0.02];
/// Factors on the spread along the lights and on that of slopes when no greys are evident: shades of brown must not
/// pass for a neutral. Ours: the best of some values over a few drawn strips.
const WITHOUT_GREYS: [f64; 2] = [0.35, 0.6];
/// Spread along and across for a grey point: noise, and the colour of what passes for grey. Source: ours.
const POINTED_SPREAD: [f64; 2] = [0.006, 0.006];
/// Least spread along and across that remains without greys: surfaces alone, or a measured stock. Ours; without greys a
/// third of 197 strips drawn at random came within 5 CIEDE2000.
const LEAST_WITHOUT: [f64; 2] = [0.06, 0.035];
const LEAST_MEASURED: [f64; 2] = [0.025, 0.02];
/// CIEDE2000 per log10 exposure along and across (mid grey, sRGB: 0.01 along is 0.6 to 0.66, across 0.72 to 0.85,
/// computed).
const DELTA_E_PER_LOG: [f64; 2] = [59.0, 72.0];
/// Expected error at which confidence is one half, and how quickly it falls. Ours.
const HALF_BELIEVED: (f64, f64) = (4.0, 0.8);
/// Confidence is the probability that the pictures of a strip are right within 5 CIEDE2000 on average, measured over
/// 360 strips drawn at random (`crates/bench/src/bin/strips.rs`, seeds from 201, 60 of each sort), by the number of
/// steps with evident greys:
///
/// | steps of all frames | within 5 |
/// |---|---|
/// | under 1 | 65 of 197 |
/// | 1 to 10, less than one outside one frame | 56 of 80 |
/// | 1 to 10, one or more in two frames each | 14 of 15 |
/// | 10 and more | 66 of 68 |
///
/// Where one frame has all of them, they may be the shades of one wall, so confidence stays below a half.
///
/// The ramps between these counts are our choice.
const MOST_CONFIDENCE: f64 = 0.95;
const ONE_FRAME: (f64, f64) = (0.48, 4.0);
const MANY_STEPS: [f64; 2] = [8.0, 10.5];
const TWO_FRAMES: ([f64; 2], f64) = ([0.5, 1.5], 0.6);
/// Confidence with a grey point: 88 of 104 strips without a chart come within 5 (seeds 201 to 220); slopes and colours
/// are still those of the stock.
const POINTED_CONFIDENCE: f64 = 0.78;
/// Most that a neutral which does not suit a frame may cost it; more where greys over many steps support the frame.
/// Without a limit one picture of fur or wood shifts a whole strip (a limit of 2 still allowed that in one strip).
/// Ours: 0.3, 0.5 and 0.7 were close over a few drawn strips.
const MOST_LOSS: f64 = 0.5;
/// Steps with greys at which a frame may be a chart or wedge, and its largest loss then. Our choice: a chart has six
/// greys, the black one often in the toe.
const CHART_STEPS: f64 = 5.0;
/// Steps with greys at which a frame without other colours may be a wedge, and is certainly one: 1 and 1.5 log10
/// exposure. Our choice.
const WEDGE_STEPS: [f64; 2] = [8.0, 13.0];
const MOST_CHART_LOSS: f64 = 12.0;
/// Widths in log10 exposure that separate a peak from a hill: share of greys in the first over that in the second, from
/// no evidence to certain. Locally even colours give 0.1, one brown surface (spread 0.06 along, 0.03 across) 0.33,
/// greys with a spread of 0.03 give 0.47 and of 0.015 0.76 (computed). Source: ours.
const PEAK_LOG: [f64; 2] = [0.025, 0.08];
const PEAK_SHARES: [f64; 2] = [0.35, 0.6];
/// Share of different colours that must be grey for a step to count as one with greys. Our choice.
const EVIDENT_SHARE: f64 = 0.1;
/// Spread of toe widths of red and blue against green (one standard deviation, as a ratio). Source: as above.
const TOE_SPREAD: f64 = 0.2;
/// Widths in log10 exposure that count as grey, in search order. Our choice: wide ones search far, narrow ones end
/// at the colour of real greys.
const WIDTHS_LOG: [f64; 4] = [0.12, 0.06, 0.03, 0.021];

/// Red and blue gamma relative to the stock, red and blue offset in log10 exposure; green is the reference.
pub(super) type Neutral = [f64; 4];

/// The stock's own neutral.
pub(super) const NOMINAL: Neutral = [1.0, 1.0, 0.0, 0.0];

/// One frame's cells in one step of exposure.
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
    film: FilmPrior,
    /// Density of red and blue at [`PIVOT_LOG`].
    pivot_d: [f32; 2],
    /// Prior from surfaces and the film's own balance, once set.
    belief: Option<Belief>,
    /// Per frame and width: the votes of its own neutral; then the most it may lose.
    own_best: Vec<[f64; WIDTHS_LOG.len()]>,
    most_loss: Vec<f64>,
    /// How evident greys are in each frame, 0 to 1.
    evident: Vec<f64>,
    /// Number of steps of exposure in which greys are evident.
    grey_steps: Vec<f64>,
    /// The neutral of the frame with the most evident greys, alone.
    most_evident: Option<Neutral>,
    /// Light of each frame, once the strip is solved.
    pub(super) lights: Vec<FrameLight>,
    /// Lights in which a frame with evident greys may be taken.
    other_lights: [([f64; 2], f64); 4],
    /// Whether the user set a grey point.
    pointed: bool,
    measured: bool,
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
            film: Self::film_prior(stock),
            pivot_d: [0, 2].map(|c| stock.curves[c].density_d(PIVOT_LOG) as f32),
            belief: None,
            own_best: Vec::new(),
            most_loss: Vec::new(),
            evident: Vec::new(),
            grey_steps: Vec::new(),
            most_evident: None,
            lights: Vec::new(),
            other_lights: other_lights(),
            pointed: false,
            measured,
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

    /// Add one step; cells of the same colour share a weight that grows with the square root of their number.
    fn add_step(&mut self, frame: usize, group: &[(i32, [f32; 3])]) {
        // Log10 exposure within which colours are the same: the third width of the search. Our choice.
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
        // From 20 cells a step counts fully. Our choice.
        let weight = (group.len() as f64 / 20.0).min(1.0);
        self.steps.push(Step { frame, cells: first..self.weight.len(), weight });
    }

    /// Share of grey in one step for a trial neutral and trial inverse curves of red and blue.
    fn grey_share(
        &self,
        step: &Step,
        (red, blue): (&InverseTable, &InverseTable),
        neutral: &Neutral,
        width_log: f64,
    ) -> f64 {
        let range = step.cells.clone();
        let share = run_in_short_vectors(GreyShare {
            red_d: &self.red_d[range.clone()],
            blue_d: &self.blue_d[range.clone()],
            green_log: &self.green_log[range.clone()],
            weight: &self.weight[range],
            tables: [&red.log, &blue.log],
            scales: [0, 1].map(|c| TABLE_STEPS_PER_D / neutral[c] as f32),
            offsets: [neutral[2] as f32, neutral[3] as f32],
            // exp(-q / (2 w^2)) as a power of two.
            sharpness: (-std::f64::consts::LOG2_E / (2.0 * width_log * width_log)) as f32,
        });
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

    /// Prior for the balance of films of this stock.
    pub(super) fn film_prior(stock: &Stock) -> FilmPrior {
        if stock.measured_on.is_empty() { FILM } else { MEASURED_FILM }
    }

    /// Offsets of a neutral at the pivot.
    fn pivot(&self, neutral: &Neutral) -> [f64; 2] {
        let at = |c: usize, table: &InverseTable| {
            let d = self.pivot_d[c];
            neutral[2 + c] + f64::from(table.at(d / neutral[c].max(0.05) as f32) - table.at(d))
        };
        [at(0, &self.red), at(1, &self.blue)]
    }

    /// Set the prior from surfaces and grey points (`points`, layer densities), and find the best votes of each frame
    /// alone near it.
    pub(super) fn listen(&mut self, mut belief: Belief, points: &[[f64; 3]], curves: &[LayerCurve; 3]) {
        if !points.is_empty() {
            // The neutral pivots on the densities of the greys, where it is known.
            let mean = |f: &dyn Fn(&[f64; 3]) -> f64| points.iter().map(f).sum::<f64>() / points.len() as f64;
            let log = |c: usize, d: &[f64; 3]| curves[c].log_exposure(d[c]);
            self.pivot_d = [0, 2].map(|c| mean(&|d| d[c]) as f32);
            belief.at = [0, 2].map(|c| mean(&|d| log(1, d) - log(c, d)));
            belief.spread = POINTED_SPREAD;
            self.pointed = true;
        }
        let start = [1.0, 1.0, belief.at[0], belief.at[1]];
        let frames = belief.colours.len();
        self.belief = Some(belief);
        let (mut own_best, mut evident, mut grey_steps) = (Vec::new(), Vec::new(), Vec::new());
        let mut most_steps = 0.0;
        for frame in 0..frames {
            let mut best = [0.0; WIDTHS_LOG.len()];
            let mut at = start;
            for (idx, (best, width)) in best.iter_mut().zip(WIDTHS_LOG).enumerate() {
                // Sizes of first steps and numbers of trials, here and below, are our choice: they change the time.
                let size = 0.05 * libm::sqrt(width / WIDTHS_LOG[0]);
                // Keep the slopes nearly fixed until the widest search has come near.
                let slope = if idx == 0 { 1e-3 } else { size };
                (at, _) = minimise(at, [slope, slope, size, -size], 80, |trial| {
                    self.prior(trial) - self.votes(trial, width, Some(frame))
                });
                *best = self.votes(&at, width, Some(frame));
            }
            let colours = self.belief.as_ref().map_or(&[][..], |belief| &belief.colours[frame]);
            let steps = self.count_grey_steps(&at, frame);
            let enough = (steps / CHART_STEPS).min(1.0);
            // A wedge alone has no colours around it, but many more steps than a wall.
            let wedge = ((steps - WEDGE_STEPS[0]) / (WEDGE_STEPS[1] - WEDGE_STEPS[0])).clamp(0.0, 1.0);
            let is_evident = enough * enough * surrounded(colours, [at[2], at[3]]).max(wedge);
            // Among equally evident frames, prefer the one whose greys span more steps.
            if is_evident * steps > most_steps {
                (most_steps, self.most_evident) = (is_evident * steps, Some(at));
            }
            own_best.push(best);
            grey_steps.push(steps);
            evident.push(is_evident);
        }
        self.most_loss =
            evident.iter().map(|evident| MOST_LOSS + (MOST_CHART_LOSS - MOST_LOSS) * evident).collect();
        (self.own_best, self.evident, self.grey_steps) = (own_best, evident, grey_steps);
    }

    /// Number of steps of a frame in which greys are evident, weighted: enough greys, in a narrow peak, which shades of
    /// one brown do not form.
    fn count_grey_steps(&self, neutral: &Neutral, frame: usize) -> f64 {
        let tables = (&self.red, &self.blue);
        self.steps
            .iter()
            .filter(|step| step.frame == frame)
            .map(|step| {
                let narrow = self.grey_share(step, tables, neutral, PEAK_LOG[0]);
                let wide = self.grey_share(step, tables, neutral, PEAK_LOG[1]);
                let [from, to] = PEAK_SHARES;
                let peaked = ((narrow / wide.max(1e-9) - from) / (to - from)).clamp(0.0, 1.0);
                step.weight * (narrow / EVIDENT_SHARE).min(1.0) * peaked
            })
            .sum()
    }

    /// How evident greys are in the strip, 0 to 1.
    pub(super) fn evidence(&self) -> f64 {
        // Before frames have been searched alone, the prior is at full width.
        if self.evident.is_empty() { 1.0 } else { self.evident.iter().sum::<f64>().min(1.0) }
    }

    pub(super) fn light(&self, frame: usize) -> FrameLight {
        self.lights.get(frame).copied().unwrap_or_default()
    }

    /// Probability, 0 to 1, that a neutral is right within 5 CIEDE2000, from the evidence in these frames.
    pub(super) fn confidence(&self, neutral: &Neutral, frames: &[usize]) -> f64 {
        let Some(belief) = &self.belief else { return 0.0 };
        let least = if self.measured { LEAST_MEASURED } else { LEAST_WITHOUT };
        let expected = [0, 1].map(|k| DELTA_E_PER_LOG[k] * belief.spread[k].max(least[k]));
        let expected = libm::sqrt(expected[0].powi(2) + expected[1].powi(2));
        let without = 1.0 / (1.0 + libm::exp((expected - HALF_BELIEVED.0) / HALF_BELIEVED.1));
        let without = if self.pointed { POINTED_CONFIDENCE } else { without };
        // Greys count only as far as the neutral found is theirs: a loss of 4 leaves a third. Our choice.
        let mut steps: Vec<f64> = frames
            .iter()
            .filter(|idx| **idx < self.evident.len())
            .map(|&idx| {
                let lost = self.own_best[idx][2] - self.votes(neutral, WIDTHS_LOG[2], Some(idx));
                self.evident[idx] * self.grey_steps[idx] * libm::exp(-lost.max(0.0) / 4.0)
            })
            .collect();
        steps.sort_by(|a, b| b.total_cmp(a));
        let ramp = |steps: f64, [from, to]: [f64; 2]| ((steps - from) / (to - from)).clamp(0.0, 1.0);
        let all: f64 = steps.iter().sum();
        let (one_frame, enough) = ONE_FRAME;
        let one = without + (one_frame - without).max(0.0) * (all / enough).min(1.0);
        let (two_frames, trust) = TWO_FRAMES;
        let second = steps.get(1).copied().unwrap_or(0.0);
        let sure = ramp(all, MANY_STEPS).max(trust * ramp(second, two_frames));
        one + (MOST_CONFIDENCE - one).max(0.0) * sure
    }

    /// Loss of all frames relative to their own best, each limited.
    fn loss(&self, tables: (&InverseTable, &InverseTable), neutral: &Neutral, width: usize) -> f64 {
        let width_log = WIDTHS_LOG[width];
        self.own_best
            .iter()
            .zip(&self.most_loss)
            .enumerate()
            .map(|(frame, (best, most))| {
                let lost_at =
                    |at: &Neutral| best[width] - self.votes_with(tables, at, width_log, Some(frame));
                let mut lost = lost_at(neutral);
                for &(shift, log_odds) in &self.other_lights {
                    // Skip frames whose limit is below this cost. A frame with as many steps as a chart counts as taken
                    // in daylight: photographers put a chart into the light of their pictures.
                    let may_be_other = *most > log_odds && self.grey_steps[frame] < MANY_STEPS[0];
                    if lost > log_odds && may_be_other {
                        // Greys in another light are grey once its shift is subtracted.
                        let lit = [neutral[0], neutral[1], neutral[2] - shift[0], neutral[3] - shift[1]];
                        lost = lost.min(log_odds + lost_at(&lit).max(0.0));
                    }
                }
                // Limited on both sides: other toes may suit a frame better than its own best with the stock's toes.
                // Our choice: half of the loss.
                let most = if lost > 0.0 { *most } else { -0.5 * most };
                most * (1.0 - libm::exp(-lost / most))
            })
            .sum()
    }

    /// The neutral of all frames together, near the surface prior.
    ///
    /// The votes have many local minima: a search from the surface prior may end in that of a wall. A second search
    /// starts in the narrow widths at the neutral of the frame with the most evident greys; the lower of the two minima
    /// wins.
    pub(super) fn solve(&self) -> Neutral {
        let Some(belief) = &self.belief else { return NOMINAL };
        let search = |start: Neutral, widest: usize| {
            let mut found = (start, f64::INFINITY);
            for (idx, width) in WIDTHS_LOG.iter().enumerate().skip(widest) {
                let size = libm::sqrt(width / WIDTHS_LOG[0]);
                let step = [0.08 * size, 0.08 * size, 0.05 * size, 0.05 * size];
                found = minimise(found.0, step, 260, |trial| {
                    self.prior(trial) + self.loss((&self.red, &self.blue), trial, idx)
                });
            }
            found
        };
        let (usual, cost) = search([1.0, 1.0, belief.at[0], belief.at[1]], 1);
        match self.most_evident.map(|start| search(start, 2)) {
            Some((greys, lower)) if lower < cost => greys,
            _ => usual,
        }
    }

    /// Toe widths of red and blue relative to the stock's, found together with a finer neutral; later votes use them.
    ///
    /// Only the narrow widths can resolve them: toes bend the darkest tones by a few hundredths in log10 exposure.
    pub(super) fn solve_toes(&mut self, start: &Neutral, stock: &Stock) -> (Neutral, [f64; 2]) {
        let entries_d = stock.curves.each_ref().map(InverseTable::without_shoulder_d);
        let table = |c: usize, log_ratio: f64| {
            let curve = stock.curves[c].with_toe_ratio(libm::exp(log_ratio.clamp(-0.7, 0.7)));
            InverseTable::with_toe(&curve, &entries_d[c])
        };
        let mut at = [start[0], start[1], start[2], start[3], 0.0, 0.0];
        for idx in [2, 3] {
            let width = WIDTHS_LOG[idx];
            let cost = |trial: &[f64; 6]| {
                let [gamma_red, gamma_blue, red, blue, toe_red, toe_blue] = *trial;
                let neutral = [gamma_red, gamma_blue, red, blue];
                let toes = (toe_red / TOE_SPREAD).powi(2) + (toe_blue / TOE_SPREAD).powi(2);
                let tables = (&table(0, toe_red), &table(2, toe_blue));
                if !(gamma_red > 0.2 && gamma_blue > 0.2) {
                    return f64::INFINITY;
                }
                self.prior(&neutral) + PRIOR_WEIGHT * 0.5 * toes + self.loss(tables, &neutral, idx)
            };
            (at, _) = minimise(at, [0.02, 0.02, 0.02, 0.02, 0.1, -0.1], 250, cost);
            at = settle(at, [width, width, width, width, 0.1, 0.1], 15, cost);
        }
        (self.red, self.blue) = (table(0, at[4]), table(2, at[5]));
        let ratio = [at[4], at[5]].map(|log| libm::exp(log.clamp(-0.7, 0.7)));
        ([at[0], at[1], at[2], at[3]], ratio)
    }

    /// Offsets of some frames alone, with the gammas of `strip`; the prior is centred on the strip's offsets and wider
    /// along amber and blue, where daylight varies, than across.
    pub(super) fn solve_frames(&self, frames: &[usize], strip: &Neutral) -> Neutral {
        // Spreads of daylight about the strip's light, log10: 62 mireds along, and little across.
        // Our choice.
        const ALONG: f64 = 0.12;
        const ACROSS: f64 = 0.035;
        let cost = |trial: &[f64; 2], width: f64| {
            let (x, y) = (trial[0] - strip[2], trial[1] - strip[3]);
            let (along, across) = ((x - y) / 2.0, (x + y) / 2.0);
            let prior = 0.5 * ((along / ALONG).powi(2) + (across / ACROSS).powi(2));
            let neutral = [strip[0], strip[1], trial[0], trial[1]];
            let votes: f64 = frames.iter().map(|frame| self.votes(&neutral, width, Some(*frame))).sum();
            PRIOR_WEIGHT * prior - votes
        };
        // First from wide to narrow, which searches far; then narrow only from the strip's own, since a wide search may
        // leave that for a wrong minimum.
        let searches = [&WIDTHS_LOG[..], &WIDTHS_LOG[2..]].map(|widths| {
            let mut offset = [strip[2], strip[3]];
            let mut least = f64::INFINITY;
            for width in widths {
                let size = libm::sqrt(width / WIDTHS_LOG[0]);
                (offset, least) =
                    minimise(offset, [0.06 * size, -0.06 * size], 120, |trial| cost(trial, *width));
            }
            (least, offset)
        });
        let offset = if searches[1].0 <= searches[0].0 { searches[1].1 } else { searches[0].1 };
        [strip[0], strip[1], offset[0], offset[1]]
    }

    /// Gammas (and a common shift) of all frames when each has its own offsets.
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
        let evident = self.evidence();
        let loose = |without: f64, with: f64| without + (with - without) * evident;
        let slopes = 0.5 / (if self.belief.is_some() { loose(WITHOUT_GREYS[1], 1.0).powi(2) } else { 1.0 })
            * (gamma(neutral[0]).powi(2) + gamma(neutral[1]).powi(2));
        let at = self.pivot(neutral);
        let offsets = match &self.belief {
            Some(belief) => {
                let away = [at[0] - belief.at[0], at[1] - belief.at[1]];
                let square = |k: usize, axis| {
                    // With greys the prior along the lights may be a fifth wider than it says. Our choice.
                    let scale = if k == 0 { loose(WITHOUT_GREYS[0], 1.2) } else { 1.0 };
                    let least = if self.pointed { POINTED_SPREAD[k] } else { LEAST_SPREAD[k] };
                    (dot(away, axis) / (scale * belief.spread[k].max(least))).powi(2)
                };
                0.5 * (square(0, ALONG) + square(1, ACROSS))
            }
            None => self.film.cost(at),
        };
        PRIOR_WEIGHT * (slopes + offsets)
    }

    /// Support of a frame's greys for a neutral, 0 to 1: the weighted share of steps in which a tenth of the colours
    /// are grey.
    pub(super) fn support(&self, neutral: &Neutral, frame: usize) -> f64 {
        let (mut grey, mut all) = (0.0, 0.0);
        for step in self.steps.iter().filter(|step| frame == step.frame) {
            grey +=
                step.weight * (self.grey_share(step, (&self.red, &self.blue), neutral, 0.025) / 0.1).min(1.0);
            all += step.weight;
        }
        // Full trust needs at least four full steps. Our choice, as are a width of 0.025 and a tenth of grey above.
        if all > 0.0 { grey / all.max(4.0) } else { 0.0 }
    }
}
