//! One defect with its surroundings: the measured densities, what is known of them, and the solution.

mod differences;
pub(crate) mod grain;
mod solver;

use glassine_raster::{PixelLoop, PixelRect, Samples16, run_vectorised};

use crate::attenuation::{predict, terms};
use crate::density::{code_from_density, density_of};
use crate::label::Component;
use crate::robust::median_in_place;
use crate::types::DustMap;
use crate::window::differences::{Differences, Picture};
use crate::window::grain::GrainSpace;
use crate::window::solver::{Links, SolverSpace, Unknown, minimise};

/// Neighbour offsets of the four directions: along, down and the two diagonals.
pub(crate) const DIRECTIONS: [(i32, i32); 4] = [(1, 0), (0, 1), (1, 1), (-1, 1)];
/// Least spread of neighbours, D: the code steps of dark film are below it. Our choice.
const TAU_MIN_D: f32 = 0.0015;
/// Sensor noise assumed in low light, codes. Our choice.
const SENSOR_CODES: f32 = 2.0;
/// Change that ends the solver, D. Our choice: far below grain.
const SETTLED_D: f32 = 2e-4;
/// Weights of first differences (join the sides) and second differences (continue slopes) in the prior. Ours, measured
/// on photographs with opaque holes.
const FIRST_PART: f32 = 0.03;
const SECOND_PART: f32 = 0.27;
/// Mean squared difference assumed if no clean pair is in reach, D squared. Our choice: 0.1 D between neighbours.
const UNKNOWN_TAU2: f32 = 0.01;
/// Expected standard deviation of one particle's opacity against the typical one of the frame. Our choice.
const OPACITY_SPREAD: f32 = 0.08;

/// A marked pixel inside a window.
#[derive(Debug, Clone)]
struct Hole {
    /// Index on the grid.
    at: usize,
    /// Predicted density of the defect, per channel, D; 0 when unknown.
    defect_d: [f32; 3],
    /// Expected error of `density - defect_d`, D; infinite when unknown.
    error_d: [f32; 3],
    /// Steps to the nearest clean pixel.
    depth: u16,
    /// Precision (1/tau^2) towards the neighbours in the four directions.
    precision: [f32; 4],
    /// Precision of second differences in the four directions.
    bend_precision: [f32; 4],
    /// Share of the pixel's own light in its new value.
    own: f32,
}

/// Densities of a pixel: three colours and a spare one, which stays 0.
pub(crate) type Colours = [f32; 4];

/// Builds a value from its four components.
#[inline(always)]
pub(crate) fn each(value: impl Fn(usize) -> f32) -> Colours {
    [value(0), value(1), value(2), value(3)]
}

/// Computes the densities of a row of pixels.
struct Densities<'a> {
    samples: &'a [u16],
    channels: usize,
    colours: usize,
    seen: &'a mut [Colours],
}

impl PixelLoop for Densities<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { samples, channels, colours, seen } = self;
        if (channels, colours) == (4, 3) {
            let (pixels, _) = samples.as_chunks::<4>();
            for (d, px) in seen.iter_mut().zip(pixels) {
                *d = each(|c| density_of(f32::from(px[c])));
                d[3] = 0.0;
            }
        } else {
            for (d, px) in seen.iter_mut().zip(samples.chunks_exact(channels)) {
                *d = each(|c| if c < colours { density_of(f32::from(px[c])) } else { 0.0 });
            }
        }
    }
}

/// Computes the precision of differences in one direction around every marked pixel.
struct Precisions<'a> {
    differences: &'a Differences,
    holes: &'a mut [Hole],
    /// Grid index at which the differences begin.
    corner: usize,
    stride: usize,
    direction: usize,
    far: f32,
}

impl PixelLoop for Precisions<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { differences, holes, corner, stride, direction, far } = self;
        let (left, top) = ((corner % stride) as i32, (corner / stride) as i32);
        for hole in holes {
            let (x, y) = ((hole.at % stride) as i32, (hole.at / stride) as i32);
            let means = differences.near(x - left, y - top);
            [hole.precision[direction], hole.bend_precision[direction]] =
                means.map(|mean| far / (mean.unwrap_or(UNKNOWN_TAU2) + TAU_MIN_D * TAU_MIN_D));
        }
    }
}

/// Marked pixels further than this from the piece are left out: neither solved nor taken for clean. Our choice: twice
/// the reach of a difference.
const SOLVED_PX: u32 = 4;
/// Index of marked pixels that are left out, and of the margin of the grid.
const LEFT_OUT: u32 = u32::MAX;
/// Unused grid pixels around the window, so that neighbours need no bounds check at its edge.
pub(crate) const MARGIN_PX: usize = 2;

/// The pixels to fill together.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Target<'a> {
    /// Marked pixels.
    pub(crate) pixels: &'a Component,
    /// Part of the mapped region to read for them.
    pub(crate) window: PixelRect,
}

/// A window of density samples with its marked pixels, on a grid with a margin; reused for piece after piece.
#[derive(Debug, Default)]
pub(crate) struct Window {
    pub(crate) rect: PixelRect,
    pub(crate) colours: usize,
    pub(crate) stride: usize,
    /// Measured densities.
    pub(crate) seen: Vec<Colours>,
    /// Densities after repair.
    pub(crate) solved: Vec<Colours>,
    /// Index into the marked pixels plus one; 0 for clean pixels.
    pub(crate) index: Vec<u32>,
    holes: Vec<Hole>,
    /// Share of the infrared light that is lost.
    loss: Vec<f32>,
    near: Vec<bool>,
    differences: Differences,
    unknowns: Vec<Unknown>,
    solver: SolverSpace,
    pub(crate) grain: GrainSpace,
}

impl Window {
    /// Loads a piece of marked pixels from samples that begin at `origin`.
    pub(crate) fn read(
        &mut self,
        linear: &Samples16,
        origin: (u32, u32),
        colours: u8,
        map: &DustMap,
        target: Target<'_>,
    ) {
        let rect = target.window;
        (self.rect, self.colours) = (rect, usize::from(colours));
        self.stride = rect.width() as usize + 2 * MARGIN_PX;
        let n = self.stride * (rect.height() as usize + 2 * MARGIN_PX);
        self.seen.clear();
        self.seen.resize(n, [0.0; 4]);
        self.index.clear();
        self.index.resize(n, LEFT_OUT);
        self.holes.clear();
        let step = usize::from(linear.channels());
        for y in rect.y0..rect.y1 {
            let row = &linear.row(y - origin.1)[(rect.x0 - origin.0) as usize * step..];
            let first = self.place(rect.x0, y);
            self.index[first..first + rect.width() as usize].fill(0);
            let seen = &mut self.seen[first..first + rect.width() as usize];
            run_vectorised(Densities { samples: row, channels: step, colours: self.colours, seen });
        }
        self.find_near(target.pixels);
        self.read_loss(map);
        for y in rect.y0..rect.y1 {
            let row = linear.row(y - origin.1);
            for (first, marks) in map.marks.touched(y, rect.x0, rect.x1) {
                for (x, mark) in (first..).zip(marks).filter(|(_, mark)| mark.severity > 0) {
                    let at = self.place(x, y);
                    if self.near[at] {
                        let px = &row[(x - origin.0) as usize * step..][..self.colours];
                        let hole = self.hole(map, at, mark.attenuation, px);
                        self.holes.push(hole);
                        self.index[at] = self.holes.len() as u32;
                    } else {
                        self.index[at] = LEFT_OUT;
                    }
                }
            }
        }
        self.solved.clear();
        self.solved.extend_from_slice(&self.seen);
    }

    /// Grid index of a pixel of the window, from its position in the mapped region.
    #[inline]
    pub(crate) fn place(&self, x: u32, y: u32) -> usize {
        let (x, y) = ((x - self.rect.x0) as usize, (y - self.rect.y0) as usize);
        (y + MARGIN_PX) * self.stride + x + MARGIN_PX
    }

    /// Flags the pixels near a piece.
    fn find_near(&mut self, piece: &Component) {
        self.near.clear();
        self.near.resize(self.index.len(), false);
        let rect = self.rect;
        for run in &piece.runs {
            let (x0, x1) = (run.x0.saturating_sub(SOLVED_PX).max(rect.x0), (run.x1 + SOLVED_PX).min(rect.x1));
            for y in run.y.saturating_sub(SOLVED_PX).max(rect.y0)..(run.y + SOLVED_PX + 1).min(rect.y1) {
                let first = self.place(x0, y);
                self.near[first..first + (x1 - x0) as usize].fill(true);
            }
        }
    }

    /// Loss of infrared light over the whole grid; positions outside the map repeat its edge.
    fn read_loss(&mut self, map: &DustMap) {
        const MARGIN: u32 = MARGIN_PX as u32;
        self.loss.clear();
        self.loss.resize(self.index.len(), 0.0);
        let (rect, wide) = (self.rect, self.rect.grown(MARGIN, map.width(), map.height()));
        for (line, loss) in (0..).zip(self.loss.chunks_exact_mut(self.stride)) {
            let y = (rect.y0 + line).saturating_sub(MARGIN).min(map.height() - 1);
            let before = (MARGIN - (rect.x0 - wide.x0)) as usize;
            for (first, marks) in map.marks.touched(y, wide.x0, wide.x1) {
                let columns = &mut loss[before + (first - wide.x0) as usize..];
                for (o, mark) in columns.iter_mut().zip(marks) {
                    *o = 1.0 - f32::from(mark.attenuation) / 65535.0;
                }
            }
            let end = before + wide.width() as usize;
            let (left, right) = (loss[before], loss[end - 1]);
            loss[..before].fill(left);
            loss[end..].fill(right);
        }
    }

    /// Describes one marked pixel from what the infrared says about it.
    fn hole(&self, map: &DustMap, at: usize, attenuation: u16, px: &[u16]) -> Hole {
        let mut hole = Hole {
            at,
            defect_d: [0.0; 3],
            error_d: [f32::INFINITY; 3],
            depth: 0,
            precision: [0.0; 4],
            bend_precision: [0.0; 4],
            own: 0.0,
        };
        // A pixel marked by hand or seen only in visible light has attenuation 0: none of its own light is used.
        if attenuation == 0 {
            return hole;
        }
        let (terms, slope) = terms(|dx, dy| {
            f64::from(self.loss[at.wrapping_add_signed(dy as isize * self.stride as isize + dx as isize)])
        });
        for ((c, response), code) in map.response.iter().enumerate().take(self.colours).zip(px) {
            let (t, error_t) = predict(response, &terms, slope);
            // Less than 2 % of the light left is nothing but stray light. Our choice.
            if t < 0.02 {
                continue;
            }
            let ln10 = std::f32::consts::LN_10;
            let noise = SENSOR_CODES / (ln10 * f32::from(*code).max(1.0));
            let error_d = (error_t / t) as f32 / ln10;
            hole.defect_d[c] = -(t as f32).log10();
            hole.error_d[c] = (error_d * error_d + noise * noise).sqrt();
        }
        hole
    }

    /// Solves for the most probable undisturbed densities of all marked pixels.
    pub(crate) fn solve(&mut self, thickness_px: u32) {
        self.measure_precision(thickness_px);
        self.start();
        self.link();
        // First without the pixels' own light, which shows the true opacity of the particle.
        minimise(&self.unknowns, self.stride, &mut self.solved, 10.0 * SETTLED_D, &mut self.solver);
        self.match_opacity();
        self.use_own_light();
        minimise(&self.unknowns, self.stride, &mut self.solved, SETTLED_D, &mut self.solver);
        for hole in &mut self.holes {
            let around = 2.0 * FIRST_PART * hole.precision.iter().sum::<f32>()
                + 6.0 * SECOND_PART * hole.bend_precision.iter().sum::<f32>();
            let errors = &hole.error_d[..self.colours];
            let data = errors.iter().map(|e| 1.0 / (e * e)).sum::<f32>() / self.colours as f32;
            hole.own = if data > 0.0 { data / (data + around) } else { 0.0 };
        }
    }

    /// Measures the precision of first and second differences around every marked pixel, from nearby clean pixels.
    fn measure_precision(&mut self, thickness_px: u32) {
        let part = self.statistics_part(thickness_px);
        let picture = Picture { seen: &self.seen, index: &self.index, stride: self.stride };
        self.differences.look_at(picture, part);
        let share = 1.0 / self.colours as f32;
        for (direction, step) in DIRECTIONS.into_iter().enumerate() {
            self.differences.sum_up(step, share);
            // Diagonal neighbours are further apart and weigh less in a second-order sense.
            let far = if direction < 2 { 1.0 } else { 0.5 };
            let corner = part.y0 as usize * self.stride + part.x0 as usize;
            run_vectorised(Precisions {
                differences: &self.differences,
                holes: &mut self.holes,
                corner,
                stride: self.stride,
                direction,
                far,
            });
        }
    }

    /// Part of the window for measuring differences, in grid coordinates; its margin around the holes depends on their
    /// thickness.
    fn statistics_part(&self, thickness_px: u32) -> PixelRect {
        const MARGIN: u32 = MARGIN_PX as u32;
        let (w, h) = (self.rect.width(), self.rect.height());
        let whole = PixelRect::new(MARGIN, MARGIN, MARGIN + w, MARGIN + h);
        // Enough for the boxes of `differences.rs` about thin and middling marks. Our choice.
        let reach = match thickness_px {
            0..9 => 7,
            9..19 => 14,
            _ => return whole,
        };
        let (mut x, mut y) = ((u32::MAX, 0), (u32::MAX, 0));
        for hole in &self.holes {
            let (hx, hy) = ((hole.at % self.stride) as u32, (hole.at / self.stride) as u32);
            (x, y) = ((x.0.min(hx), x.1.max(hx)), (y.0.min(hy), y.1.max(hy)));
        }
        if self.holes.is_empty() {
            return whole;
        }
        PixelRect::new(x.0, y.0, x.1 + 1, y.1 + 1).grown(reach, u32::MAX, u32::MAX).intersect(whole)
    }

    /// Sets starting values from outside inwards: the mean of the known neighbours.
    fn start(&mut self) {
        let Self { holes, index, solved, near: known, stride, .. } = self;
        let mut open: Vec<u32> = (0..holes.len() as u32).collect();
        let mut settled: Vec<(u32, Colours)> = Vec::new();
        // Pixels left out never become known, so a hole surrounded only by them must not loop forever.
        known.clear();
        known.extend(index.iter().map(|i| *i == 0));
        let steps = DIRECTIONS.map(|(dx, dy)| dy as isize * *stride as isize + dx as isize);
        for depth in 1.. {
            settled.clear();
            open.retain(|&k| {
                let Hole { at, precision, .. } = &holes[k as usize];
                let (mut sum, mut total) = ([0.0_f32; 4], 0.0_f32);
                for (step, p) in steps.into_iter().zip(precision) {
                    let both = [at.wrapping_add_signed(step), at.wrapping_add_signed(-step)];
                    for place in both.into_iter().filter(|place| known[*place]) {
                        sum.iter_mut().zip(solved[place]).for_each(|(a, v)| *a += p * v);
                        total += p;
                    }
                }
                if total > 0.0 {
                    settled.push((k, sum.map(|a| a / total)));
                }
                total <= 0.0
            });
            if settled.is_empty() {
                break;
            }
            for (k, value) in &settled {
                let hole = &mut holes[*k as usize];
                hole.depth = depth;
                (solved[hole.at], known[hole.at]) = (*value, true);
            }
        }
    }

    /// Sets up the first and second differences that involve a marked pixel, with their precisions.
    ///
    /// A difference takes the mean precision of its marked pixels; one that contains a pixel left out is dropped.
    fn link(&mut self) {
        let Self { holes, index, unknowns, stride, .. } = self;
        unknowns.clear();
        for hole in &*holes {
            let mut links = [Links::default(); 4];
            for (direction, ((dx, dy), links)) in DIRECTIONS.into_iter().zip(&mut links).enumerate() {
                let step = dy as isize * *stride as isize + dx as isize;
                // Precisions at the five places around the pixel, and how many of them are marked pixels.
                let line: [Option<[f32; 3]>; 5] = std::array::from_fn(|i| {
                    match index[hole.at.wrapping_add_signed((i as isize - 2) * step)] {
                        LEFT_OUT => None,
                        0 => Some([0.0; 3]),
                        k => {
                            let hole = &holes[k as usize - 1];
                            Some([hole.precision[direction], hole.bend_precision[direction], 1.0])
                        }
                    }
                });
                let mean = |places: &[Option<[f32; 3]>], kind: usize, part: f32| {
                    let sum = places.iter().try_fold((0.0, 0.0), |(sum, n), place| {
                        place.map(|place| (sum + place[kind], n + place[2]))
                    });
                    sum.map_or(0.0, |(sum, n)| part * (sum / n))
                };
                links.first = [mean(&line[2..4], 0, FIRST_PART), mean(&line[1..3], 0, FIRST_PART)];
                links.second = [2, 1, 0].map(|first| mean(&line[first..first + 3], 1, SECOND_PART));
            }
            unknowns.push(Unknown::new(hole.at as u32, &links));
        }
    }

    /// Adds the evidence of the marked pixels' own light.
    fn use_own_light(&mut self) {
        for (unknown, hole) in self.unknowns.iter_mut().zip(&self.holes) {
            for c in (0..self.colours).filter(|&c| hole.error_d[c].is_finite()) {
                unknown.weight[c] = 1.0 / (hole.error_d[c] * hole.error_d[c]);
                unknown.value[c] = self.seen[hole.at][c] - hole.defect_d[c];
            }
        }
    }

    /// Scales the predicted densities to agree with the surroundings, as far as those can decide.
    fn match_opacity(&mut self) {
        let (mut top, mut bottom, mut n) = (0.0_f64, 0.0_f64, 0);
        let spread2 = self.clean_variance();
        for hole in &self.holes {
            let tau2 = 2.0 / hole.precision.iter().sum::<f32>();
            // The deeper inside, the less the surroundings say about the film underneath. Fully blind at 8 px. Our
            // choice.
            let blind = (f32::from(hole.depth) / 8.0).min(1.0);
            for c in 0..self.colours {
                let a = hole.defect_d[c];
                if a <= 0.01 || !hole.error_d[c].is_finite() {
                    continue;
                }
                let measured = self.seen[hole.at][c] - self.solved[hole.at][c];
                let doubt2 = hole.error_d[c].powi(2) + 4.0 * tau2 + blind * spread2 + 1e-6;
                let weight = 1.0 / f64::from(doubt2);
                top += weight * f64::from(measured * a);
                bottom += weight * f64::from(a * a);
                n += 1;
            }
        }
        // Fewer decide nothing. Our choice.
        if n < 6 {
            return;
        }
        // Pixels of one particle share their errors, so they count as few. Our choice: sixteen pixels count as one; the
        // scale stays between 0.3 and 2.
        let shared = 0.06;
        let prior = 1.0 / f64::from(OPACITY_SPREAD * OPACITY_SPREAD);
        let scale = ((shared * top + prior) / (shared * bottom + prior)).clamp(0.3, 2.0) as f32;
        for hole in &mut self.holes {
            for d in &mut hole.defect_d {
                *d *= scale;
            }
        }
    }

    /// Variance of the clean densities of the window, mean over the channels, D squared.
    fn clean_variance(&self) -> f32 {
        let (mut n, mut sum, mut square) = (0.0_f64, [0.0_f64; 4], [0.0_f64; 4]);
        for (d, _) in self.seen.iter().zip(&self.index).filter(|(_, i)| **i == 0) {
            n += 1.0;
            let d = d.map(f64::from);
            sum = [sum[0] + d[0], sum[1] + d[1], sum[2] + d[2], 0.0];
            square = [square[0] + d[0] * d[0], square[1] + d[1] * d[1], square[2] + d[2] * d[2], 0.0];
        }
        let n = f64::max(n, 1.0);
        let total: f64 = (0..self.colours).map(|c| square[c] / n - (sum[c] / n).powi(2)).sum();
        (total / self.colours.max(1) as f64).max(0.0) as f32
    }

    /// Share of its own light in the value of a repaired pixel.
    pub(crate) fn own_share(&self, x: u32, y: u32) -> f32 {
        match self.index[self.place(x, y)] {
            0 | LEFT_OUT => 1.0,
            k => self.holes[k as usize - 1].own,
        }
    }

    /// Codes of a pixel after repair.
    pub(crate) fn push_codes(&self, x: u32, y: u32, codes: &mut Vec<u16>) {
        codes.extend(self.solved[self.place(x, y)][..self.colours].iter().map(|&d| code_from_density(d)));
    }

    /// Typical difference between clean neighbours in the window, D (all channels, robust).
    pub(crate) fn typical_difference(&self) -> f32 {
        /// Enough for a median. Our choice.
        const PAIRS: usize = 600;
        let step = (self.seen.len() / PAIRS).max(3);
        let mut values: Vec<f32> = (0..self.seen.len() - 1)
            .step_by(step)
            .filter(|&i| self.index[i] == 0 && self.index[i + 1] == 0)
            .map(|i| (0..self.colours).map(|c| (self.seen[i][c] - self.seen[i + 1][c]).abs()).sum())
            .collect();
        median_in_place(&mut values) / self.colours.max(1) as f32
    }
}
