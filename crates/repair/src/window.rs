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

/// A window of density samples with its marked pixels.
#[derive(Debug)]
pub(crate) struct Window {
    pub(crate) rect: PixelRect,
    pub(crate) colours: usize,
    /// Densities as seen, interleaved by channel (three slots a pixel).
    pub(crate) seen: Vec<[f32; 3]>,
    /// Densities after repair.
    pub(crate) solved: Vec<[f32; 3]>,
    /// Index into `holes` plus one; 0 for clean pixels.
    pub(crate) index: Vec<u32>,
    pub(crate) holes: Vec<Hole>,
    /// Share of a pixel's own light in its new value, per hole.
    pub(crate) own: Vec<f32>,
}

impl Window {
    pub(crate) fn read(linear: &Samples16, colours: u8, map: &DustMap, rect: PixelRect) -> Self {
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
        for y in rect.y0..rect.y1 {
            for x in rect.x0..rect.x1 {
                let px = linear.pixel(x, y);
                let mut d = [0.0; 3];
                for (d, &code) in d.iter_mut().zip(&px[..colours]) {
                    *d = density_d(code);
                }
                if map.severity.at(x, y) > 0 {
                    window.index[window.seen.len()] = window.holes.len() as u32 + 1;
                    window.holes.push(hole(map, rect, colours, x, y, px));
                }
                window.seen.push(d);
            }
        }
        window.solved = window.seen.clone();
        window.own = vec![0.0; window.holes.len()];
        window
    }

    pub(crate) fn at(&self, x: i32, y: i32) -> Option<usize> {
        let (w, h) = (self.rect.width() as i32, self.rect.height() as i32);
        ((0..w).contains(&x) && (0..h).contains(&y)).then(|| (y * w + x) as usize)
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
        for (direction, (dx, dy)) in DIRECTIONS.into_iter().enumerate() {
            let slopes = self.difference_sums([(0, 0), (dx, dy), (dx, dy)], [1.0, -1.0, 0.0]);
            let bends = self.difference_sums([(-dx, -dy), (0, 0), (dx, dy)], [1.0, -2.0, 1.0]);
            // Diagonal neighbours are further apart, and count for less in a second-order sense.
            let far = if direction < 2 { 1.0 } else { 0.5 };
            for hole in &mut self.holes {
                let precision = |sums: &BoxSums| {
                    let mean = sums.near(hole.x, hole.y).unwrap_or(UNKNOWN_TAU2);
                    far / (mean + TAU_MIN_D * TAU_MIN_D)
                };
                (hole.precision[direction], hole.bend_precision[direction]) =
                    (precision(&slopes), precision(&bends));
            }
        }
    }

    /// Squares of a difference over clean pixels only, summed up for quick means.
    fn difference_sums(&self, offsets: [(i32, i32); 3], stencil: [f32; 3]) -> BoxSums {
        let (w, h) = (self.rect.width() as usize, self.rect.height() as usize);
        let mut sums = BoxSums::new(w, h);
        for y in 0..h {
            let mut line = (0.0_f64, 0.0_f64);
            for x in 0..w {
                let at = offsets
                    .map(|(dx, dy)| self.at(x as i32 + dx, y as i32 + dy).filter(|&i| self.index[i] == 0));
                if let [Some(a), Some(b), Some(c)] = at {
                    let (a, b, c) = (self.seen[a], self.seen[b], self.seen[c]);
                    let square: f32 = (0..self.colours)
                        .map(|k| (stencil[0] * a[k] + stencil[1] * b[k] + stencil[2] * c[k]).powi(2))
                        .sum();
                    line.0 += f64::from(square / self.colours as f32);
                    line.1 += 1.0;
                }
                sums.push(x, y, line);
            }
        }
        sums
    }

    /// Starting values: from outside inwards, the mean of what is known already.
    fn start(&mut self) {
        let mut open: Vec<usize> = (0..self.holes.len()).collect();
        let mut known: Vec<bool> = self.index.iter().map(|&i| i == 0).collect();
        let mut depth = 0;
        while !open.is_empty() {
            depth += 1;
            let mut settled = Vec::new();
            for &k in &open {
                let Hole { x, y, precision, .. } = self.holes[k];
                let (mut sum, mut total) = ([0.0_f32; 3], 0.0_f32);
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
    fn terms(&self) -> Vec<Term> {
        let mut terms = Vec::with_capacity(self.holes.len() * 12);
        let (w, h) = (self.rect.width() as i32, self.rect.height() as i32);
        for (direction, (dx, dy)) in DIRECTIONS.into_iter().enumerate() {
            let mean = |at: &[usize], pick: fn(&Hole) -> [f32; 4]| {
                let marked = at.iter().filter(|&&i| self.index[i] > 0);
                let (sum, n) = marked.fold((0.0, 0.0), |(s, n), &i| {
                    (s + pick(&self.holes[self.index[i] as usize - 1])[direction], n + 1.0)
                });
                if n > 0.0 { sum / n } else { 0.0 }
            };
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
                    let earlier = at[..back as usize].iter().any(|&i| self.index[i] > 0);
                    if earlier {
                        continue;
                    }
                    if back < 2 {
                        terms.push(Term {
                            at: [at[0] as u32, at[1] as u32, at[0] as u32],
                            stencil: [1.0, -1.0, 0.0],
                            weight: FIRST_PART * mean(&at[..2], |h| h.precision),
                        });
                    }
                    if inside(ex, ey) {
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
                let mut datum = Datum { at: here as u32, weight: [0.0; 3], value: [0.0; 3] };
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
            0 => 1.0,
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

/// What the infrared says about one marked pixel.
fn hole(map: &DustMap, rect: PixelRect, colours: usize, x: u32, y: u32, px: &[u16]) -> Hole {
    let mut defect_d = [0.0_f32; 3];
    let mut error_d = [f32::INFINITY; 3];
    // A pixel marked by hand or seen only in visible light has attenuation 0: nothing of its own light is used.
    if map.attenuation.at(x, y) > 0 {
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
            error_d[c] = error_d[c].hypot(noise);
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
