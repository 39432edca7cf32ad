//! One defect with its surroundings: the densities seen, what is known of them, and the solution.

use glassine_raster::{PixelRect, Samples16};

use crate::attenuation::{loss_at, predict, terms};
use crate::box_sums::BoxSums;
use crate::density::{code_from_density, density_d};
use crate::label::Component;
use crate::robust::median_in_place;
use crate::solver::{Datum, Term, minimise};
use crate::types::DustMap;

/// Neighbour offsets of the four directions: along, down and the two diagonals.
pub(crate) const DIRECTIONS: [(i32, i32); 4] = [(1, 0), (0, 1), (1, 1), (-1, 1)];
/// Least spread of neighbours assumed, D: below it lie the code steps of dark film.
const TAU_MIN_D: f32 = 0.0015;
/// Sensor noise assumed where the light is low, codes.
const SENSOR_CODES: f32 = 2.0;
/// Change that ends the solver, D.
const SETTLED_D: f32 = 2e-4;
/// Shares of first differences (join the sides) and second differences (continue slopes) in the prior; ours, measured on
/// photographs with opaque holes.
const FIRST_PART: f32 = 0.03;
const SECOND_PART: f32 = 0.27;
/// Mean squared difference assumed where no clean pair is in reach, D squared.
const UNKNOWN_TAU2: f32 = 0.01;
/// Standard deviation expected of one particle's opacity against the frame's typical one.
const OPACITY_SPREAD: f32 = 0.08;

/// A marked pixel inside a window.
#[derive(Debug, Clone)]
pub(crate) struct Hole {
    pub(crate) x: i32,
    pub(crate) y: i32,
    /// Predicted density of the defect, per channel, D; infinite when unknown.
    pub(crate) defect_d: [f32; 3],
    /// Expected error of `density - defect_d`, D; infinite when unknown.
    pub(crate) error_d: [f32; 3],
    /// Steps to the nearest clean pixel.
    pub(crate) depth: u16,
    /// Precision (1/tau^2) towards the neighbours in the four directions.
    pub(crate) precision: [f32; 4],
    /// Precision of second differences in the four directions.
    pub(crate) bend_precision: [f32; 4],
}

/// Densities of a pixel: three colours and a spare one, which stays 0.
pub(crate) type Colours = [f32; 4];

/// Marked pixels further than this from the piece are left out, neither solved nor taken for clean.
const SOLVED_PX: u32 = 4;
/// Index of marked pixels that are left out.
const LEFT_OUT: u32 = u32::MAX;

/// A window of density samples with its marked pixels.
#[derive(Debug)]
pub(crate) struct Window {
    pub(crate) rect: PixelRect,
    pub(crate) colours: usize,
    /// Densities as seen.
    pub(crate) seen: Vec<Colours>,
    /// Densities after repair.
    pub(crate) solved: Vec<Colours>,
    /// Index into `holes` plus one; 0 for clean pixels.
    pub(crate) index: Vec<u32>,
    pub(crate) holes: Vec<Hole>,
    /// Share of a pixel's own light in its new value, per hole.
    pub(crate) own: Vec<f32>,
}

impl Window {
    /// The part `rect` of the mapped region about a piece of marked pixels, from samples that begin at `origin`.
    pub(crate) fn read(
        linear: &Samples16,
        origin: (u32, u32),
        colours: u8,
        map: &DustMap,
        rect: PixelRect,
        piece: &Component,
    ) -> Self {
        let colours = colours as usize;
        let n = rect.area() as usize;
        let mut window = Self {
            rect,
            colours,
            seen: Vec::with_capacity(n),
            solved: Vec::new(),
            index: vec![0; n],
            holes: Vec::new(),
            own: Vec::new(),
        };
        let step = linear.channels() as usize;
        for y in rect.y0..rect.y1 {
            let row = &linear.row(y - origin.1)[(rect.x0 - origin.0) as usize * step..];
            let pixels = row.chunks_exact(step).take(rect.width() as usize);
            if colours == 3 {
                window
                    .seen
                    .extend(pixels.map(|px| [density_d(px[0]), density_d(px[1]), density_d(px[2]), 0.0]));
            } else {
                window.seen.extend(pixels.map(|px| [density_d(px[0]), 0.0, 0.0, 0.0]));
            }
        }
        let near = window.near(piece);
        for y in rect.y0..rect.y1 {
            for (x0, x1) in map.marked_runs(y, rect.x0, rect.x1) {
                let row = linear.row(y - origin.1);
                for x in x0..x1 {
                    let at = ((y - rect.y0) * rect.width() + x - rect.x0) as usize;
                    if near[at] {
                        window.index[at] = window.holes.len() as u32 + 1;
                        let px = &row[(x - origin.0) as usize * step..][..colours];
                        window.holes.push(hole(map, rect, colours, x, y, px));
                    } else {
                        window.index[at] = LEFT_OUT;
                    }
                }
            }
        }
        window.solved = window.seen.clone();
        window.own = vec![0.0; window.holes.len()];
        window
    }

    /// Pixels near the piece.
    fn near(&self, piece: &Component) -> Vec<bool> {
        let (w, h) = (self.rect.width(), self.rect.height());
        let mut near = vec![false; self.index.len()];
        for run in &piece.runs {
            let (x0, x1, y) = (run.x0 - self.rect.x0, run.x1 - self.rect.x0, run.y - self.rect.y0);
            let columns = x0.saturating_sub(SOLVED_PX) as usize..(x1 + SOLVED_PX).min(w) as usize;
            for row in y.saturating_sub(SOLVED_PX)..(y + SOLVED_PX + 1).min(h) {
                near[(row * w) as usize..][columns.clone()].fill(true);
            }
        }
        near
    }

    pub(crate) fn at(&self, x: i32, y: i32) -> Option<usize> {
        let (w, h) = (self.rect.width() as i32, self.rect.height() as i32);
        ((0..w).contains(&x) && (0..h).contains(&y)).then(|| (y * w + x) as usize)
    }

    /// Whether a pixel of the window is solved for.
    fn is_hole(&self, at: usize) -> bool {
        self.index[at] != 0 && self.index[at] != LEFT_OUT
    }

    /// Most probable undisturbed densities of all marked pixels.
    pub(crate) fn solve(&mut self) {
        self.measure_precision();
        self.start();
        // First without the pixels' own light: this shows how opaque the particle really is.
        let terms = self.terms();
        self.relax(&terms, false, 10.0 * SETTLED_D);
        self.match_opacity();
        self.relax(&terms, true, SETTLED_D);
        for (own, hole) in self.own.iter_mut().zip(&self.holes) {
            let around = 2.0 * FIRST_PART * hole.precision.iter().sum::<f32>()
                + 6.0 * SECOND_PART * hole.bend_precision.iter().sum::<f32>();
            let data =
                (0..self.colours).map(|c| 1.0 / hole.error_d[c].powi(2)).sum::<f32>() / self.colours as f32;
            *own = if data > 0.0 { data / (data + around) } else { 0.0 };
        }
    }

    /// Precision of first and second differences about every marked pixel, from the clean pixels near it.
    fn measure_precision(&mut self) {
        let part = self.statistics_rect();
        for (direction, (dx, dy)) in DIRECTIONS.into_iter().enumerate() {
            let (slopes, bends) = self.difference_sums(part, dx, dy);
            // Diagonal neighbours are further apart, and count for less in a second-order sense.
            let far = if direction < 2 { 1.0 } else { 0.5 };
            for hole in &mut self.holes {
                let precision = |sums: &BoxSums| {
                    let (x, y) = (hole.x - part.x0 as i32, hole.y - part.y0 as i32);
                    let mean = sums.near(x, y).unwrap_or(UNKNOWN_TAU2);
                    far / (mean + TAU_MIN_D * TAU_MIN_D)
                };
                (hole.precision[direction], hole.bend_precision[direction]) =
                    (precision(&slopes), precision(&bends));
            }
        }
    }

    /// The part of the window that differences are looked at in: as far about the holes as their size asks for.
    fn statistics_rect(&self) -> PixelRect {
        let (w, h) = (self.rect.width(), self.rect.height());
        let fold = |pick: fn(&Hole) -> i32| {
            let all = self.holes.iter().map(pick);
            all.fold((i32::MAX, 0), |(l, u), v| (l.min(v), u.max(v)))
        };
        let ((x0, x1), (y0, y1)) = (fold(|hole| hole.x), fold(|hole| hole.y));
        if self.holes.is_empty() {
            return PixelRect::of_size(w, h);
        }
        let bounds = PixelRect::new(x0 as u32, y0 as u32, x1 as u32 + 1, y1 as u32 + 1);
        match bounds.width().min(bounds.height()) {
            0..9 => bounds.grown(7, w, h),
            9..19 => bounds.grown(14, w, h),
            _ => PixelRect::of_size(w, h),
        }
    }

    /// Squares of first and second differences over clean pixels only, summed up for quick means.
    fn difference_sums(&self, part: PixelRect, dx: i32, dy: i32) -> (BoxSums, BoxSums) {
        let width = self.rect.width() as usize;
        let (w, h) = (part.width() as usize, part.height() as usize);
        let (mut slopes, mut bends) = (BoxSums::new(w, h), BoxSums::new(w, h));
        let share = 1.0 / self.colours as f32;
        let step = dy as isize * width as isize + dx as isize;
        let rows = self.rect.height() as i32;
        for y in 0..h {
            let (mut slope, mut bend) = ((0.0_f64, 0.0_f64), (0.0_f64, 0.0_f64));
            let wy = y as i32 + part.y0 as i32;
            let row_inside = [(0..rows).contains(&(wy + dy)), (0..rows).contains(&(wy - dy))];
            for x in 0..w {
                let wx = x as i32 + part.x0 as i32;
                let here = wy as usize * width + wx as usize;
                let inside = |i: usize, s: i32| row_inside[i] && (0..width as i32).contains(&(wx + s * dx));
                if self.index[here] == 0 && inside(0, 1) {
                    let next = here.wrapping_add_signed(step);
                    if self.index[next] == 0 {
                        let (b, c) = (self.seen[here], self.seen[next]);
                        let d: Colours = std::array::from_fn(|k| b[k] - c[k]);
                        slope.0 += f64::from(share * square(d));
                        slope.1 += 1.0;
                        let before = here.wrapping_add_signed(-step);
                        if inside(1, -1) && self.index[before] == 0 {
                            let a = self.seen[before];
                            let e: Colours = std::array::from_fn(|k| a[k] - b[k] - d[k]);
                            bend.0 += f64::from(share * square(e));
                            bend.1 += 1.0;
                        }
                    }
                }
                slopes.push(x, y, slope);
                bends.push(x, y, bend);
            }
        }
        (slopes, bends)
    }

    /// Starting values: from outside inwards, the mean of what is known already.
    fn start(&mut self) {
        let mut open: Vec<usize> = (0..self.holes.len()).collect();
        // Pixels left out are never known, but a hole that lies among nothing else must end somewhere.
        let mut known: Vec<bool> = self.index.iter().map(|&i| i == 0).collect();
        let mut depth = 0;
        while !open.is_empty() {
            depth += 1;
            let mut settled = Vec::new();
            for &k in &open {
                let Hole { x, y, precision, .. } = self.holes[k];
                let (mut sum, mut total) = ([0.0_f32; 4], 0.0_f32);
                for ((dx, dy), p) in DIRECTIONS.iter().zip(precision) {
                    for s in [1, -1] {
                        if let Some(i) = self.at(x + s * dx, y + s * dy).filter(|&i| known[i]) {
                            for (a, v) in sum.iter_mut().zip(self.solved[i]) {
                                *a += p * v;
                            }
                            total += p;
                        }
                    }
                }
                if total > 0.0 {
                    settled.push((k, sum.map(|a| a / total)));
                }
            }
            if settled.is_empty() {
                break;
            }
            for (k, value) in &settled {
                if let Some(i) = self.at(self.holes[*k].x, self.holes[*k].y) {
                    self.solved[i] = *value;
                    self.holes[*k].depth = depth;
                    known[i] = true;
                }
            }
            open.retain(|&k| self.at(self.holes[k].x, self.holes[k].y).is_some_and(|i| !known[i]));
        }
    }

    /// First and second differences that involve a marked pixel, with their precisions.
    ///
    /// A term with a pixel that is left out says nothing and is left out too.
    fn terms(&self) -> Vec<Term> {
        let mut terms = Vec::with_capacity(self.holes.len() * 12);
        let (w, h) = (self.rect.width() as i32, self.rect.height() as i32);
        for (direction, (dx, dy)) in DIRECTIONS.into_iter().enumerate() {
            let mean = |at: &[usize], pick: fn(&Hole) -> [f32; 4]| {
                let marked = at.iter().filter(|&&i| self.is_hole(i));
                let (sum, n) = marked.fold((0.0, 0.0), |(s, n), &i| {
                    (s + pick(&self.holes[self.index[i] as usize - 1])[direction], n + 1.0)
                });
                if n > 0.0 { sum / n } else { 0.0 }
            };
            let usable = |at: &[usize]| at.iter().all(|&i| self.index[i] != LEFT_OUT);
            for hole in &self.holes {
                // Each term is met once for every marked pixel in it; its first marked pixel adds it.
                for back in 0..3 {
                    let (x, y) = (hole.x - back * dx, hole.y - back * dy);
                    let (ex, ey) = (x + 2 * dx, y + 2 * dy);
                    let inside = |x: i32, y: i32| (0..w).contains(&x) && (0..h).contains(&y);
                    if !inside(x, y) || !inside(x + dx, y + dy) {
                        continue;
                    }
                    let at = [y * w + x, (y + dy) * w + x + dx, ey * w + ex].map(|i| i as usize);
                    let earlier = at[..back as usize].iter().any(|&i| self.is_hole(i));
                    if earlier {
                        continue;
                    }
                    if back < 2 && usable(&at[..2]) {
                        terms.push(Term {
                            at: [at[0] as u32, at[1] as u32, at[0] as u32],
                            stencil: [1.0, -1.0, 0.0],
                            weight: FIRST_PART * mean(&at[..2], |h| h.precision),
                        });
                    }
                    if inside(ex, ey) && usable(&at) {
                        terms.push(Term {
                            at: at.map(|i| i as u32),
                            stencil: [1.0, -2.0, 1.0],
                            weight: SECOND_PART * mean(&at, |h| h.bend_precision),
                        });
                    }
                }
            }
        }
        terms
    }

    /// Minimise the energy, with or without the marked pixels' own light.
    fn relax(&mut self, terms: &[Term], use_data: bool, settled_d: f32) {
        let data: Vec<Datum> = self
            .holes
            .iter()
            .map(|hole| {
                let here = self.at(hole.x, hole.y).unwrap_or(0);
                let mut datum = Datum { at: here as u32, weight: [0.0; 4], value: [0.0; 4] };
                for c in (0..self.colours).filter(|&c| use_data && hole.error_d[c].is_finite()) {
                    datum.weight[c] = 1.0 / (hole.error_d[c] * hole.error_d[c]);
                    datum.value[c] = self.seen[here][c] - hole.defect_d[c];
                }
                datum
            })
            .collect();
        minimise(terms, &data, &mut self.solved, settled_d);
    }

    /// Scale the predicted densities so that they agree with what the surroundings say, as far as those can tell.
    fn match_opacity(&mut self) {
        let (mut top, mut bottom, mut n) = (0.0_f64, 0.0_f64, 0);
        let spread2 = self.clean_variance();
        for hole in &self.holes {
            let Some(i) = self.at(hole.x, hole.y) else { continue };
            for c in 0..self.colours {
                let a = hole.defect_d[c];
                if a <= 0.01 || !hole.error_d[c].is_finite() {
                    continue;
                }
                let measured = self.seen[i][c] - self.solved[i][c];
                let tau2 = 2.0 / hole.precision.iter().sum::<f32>();
                // The deeper inside, the less the surroundings say about what is underneath.
                let blind = (f32::from(hole.depth) / 8.0).min(1.0);
                let doubt2 = hole.error_d[c].powi(2) + 4.0 * tau2 + blind * spread2 + 1e-6;
                let weight = 1.0 / f64::from(doubt2);
                top += weight * f64::from(measured * a);
                bottom += weight * f64::from(a * a);
                n += 1;
            }
        }
        if n < 6 {
            return;
        }
        // Pixels of one particle share their errors: count them as few.
        let shared = 0.06;
        let prior = 1.0 / f64::from(OPACITY_SPREAD * OPACITY_SPREAD);
        let scale = ((shared * top + prior) / (shared * bottom + prior)).clamp(0.3, 2.0) as f32;
        for hole in &mut self.holes {
            for d in &mut hole.defect_d {
                *d *= scale;
            }
        }
    }

    /// Variance of the clean densities of the window, mean of the channels, D squared.
    fn clean_variance(&self) -> f32 {
        let (mut n, mut sum, mut square) = (0.0_f64, [0.0_f64; 3], [0.0_f64; 3]);
        for (d, _) in self.seen.iter().zip(&self.index).filter(|(_, i)| **i == 0) {
            n += 1.0;
            for c in 0..self.colours {
                sum[c] += f64::from(d[c]);
                square[c] += f64::from(d[c]) * f64::from(d[c]);
            }
        }
        let n = f64::max(n, 1.0);
        let total: f64 = (0..self.colours).map(|c| square[c] / n - (sum[c] / n).powi(2)).sum();
        (total / self.colours.max(1) as f64).max(0.0) as f32
    }

    /// Part of its own light in a repaired pixel's value.
    pub(crate) fn own_share(&self, x: u32, y: u32) -> f32 {
        let i = ((y - self.rect.y0) * self.rect.width() + x - self.rect.x0) as usize;
        match self.index[i] {
            0 | LEFT_OUT => 1.0,
            k => self.own[k as usize - 1],
        }
    }

    /// Codes of a pixel after repair.
    pub(crate) fn push_codes(&self, x: u32, y: u32, codes: &mut Vec<u16>) {
        let i = ((y - self.rect.y0) * self.rect.width() + x - self.rect.x0) as usize;
        codes.extend(self.solved[i][..self.colours].iter().map(|&d| code_from_density(d)));
    }

    /// Add the surrounding grain where a pixel does not keep its own; see [`crate::grain`].
    pub(crate) fn add_grain(&mut self, piece: &Component) {
        crate::grain::transplant(self, piece);
    }

    /// Typical neighbour difference of the window's clean pixels, D (all channels, robust).
    pub(crate) fn typical_difference(&self) -> f32 {
        let w = self.rect.width() as i32;
        let mut values: Vec<f32> = (0..self.seen.len())
            .step_by(3)
            .filter_map(|i| {
                let (x, y) = (i as i32 % w, i as i32 / w);
                let j = self.at(x + 1, y)?;
                (self.index[i] == 0 && self.index[j] == 0).then(|| {
                    (0..self.colours).map(|c| (self.seen[i][c] - self.seen[j][c]).abs()).sum::<f32>()
                })
            })
            .collect();
        median_in_place(&mut values) / self.colours.max(1) as f32
    }
}

#[inline]
fn square(d: Colours) -> f32 {
    d[0] * d[0] + d[1] * d[1] + d[2] * d[2]
}

/// What the infrared says about one marked pixel.
fn hole(map: &DustMap, rect: PixelRect, colours: usize, x: u32, y: u32, px: &[u16]) -> Hole {
    let mut defect_d = [0.0_f32; 3];
    let mut error_d = [f32::INFINITY; 3];
    // A pixel marked by hand or seen only in visible light has attenuation 0: nothing of its own light is used.
    if map.mark(x, y).attenuation > 0 {
        let (terms, slope) = terms(|dx, dy| loss_at(map, x, y, dx, dy));
        for c in 0..colours {
            let Some(response) = map.response.get(c) else { continue };
            let (t, error_t) = predict(response, &terms, slope);
            if t < 0.02 {
                continue;
            }
            let ln10 = std::f32::consts::LN_10;
            defect_d[c] = -(t as f32).log10();
            let noise = SENSOR_CODES / (ln10 * f32::from(px[c]).max(1.0));
            error_d[c] = (error_t / t) as f32 / ln10;
            error_d[c] = (error_d[c] * error_d[c] + noise * noise).sqrt();
        }
    }
    Hole {
        x: (x - rect.x0) as i32,
        y: (y - rect.y0) as i32,
        defect_d,
        error_d,
        depth: 0,
        precision: [0.0; 4],
        bend_precision: [0.0; 4],
    }
}
