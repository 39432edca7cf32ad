//! One defect with its surroundings: the densities seen, what is known of them, and the solution.

use glassine_raster::{PixelRect, Samples16};

use crate::attenuation::{loss_at, predict, terms};
use crate::density::{code_from_density, density_d};
use crate::label::Component;
use crate::robust::median_in_place;
use crate::types::DustMap;

/// Neighbour offsets of the four directions: along, down and the two diagonals.
pub(crate) const DIRECTIONS: [(i32, i32); 4] = [(1, 0), (0, 1), (1, 1), (-1, 1)];
/// Least spread of neighbours assumed, D: below it lie the code steps of dark film.
const TAU_MIN_D: f32 = 0.0015;
/// Sensor noise assumed where the light is low, codes.
const SENSOR_CODES: f32 = 2.0;
/// Sweeps of the solver at most, and the change that ends it, D.
const SWEEPS_MAX: usize = 250;
const SETTLED_D: f32 = 1e-4;
/// Standard deviation expected of one particle's opacity against the frame's typical one.
const OPACITY_SPREAD: f32 = 0.12;

/// A marked pixel inside a window.
#[derive(Debug, Clone)]
pub(crate) struct Hole {
    pub(crate) x: i32,
    pub(crate) y: i32,
    /// Predicted density of the defect, per channel, D; infinite when unknown.
    pub(crate) defect_d: [f32; 3],
    /// Expected error of `density - defect_d`, D; infinite when unknown.
    pub(crate) error_d: [f32; 3],
    /// Precision (1/tau^2) towards the neighbours in the four directions.
    pub(crate) precision: [f32; 4],
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

    pub(crate) fn is_clean(&self, x: i32, y: i32) -> bool {
        self.at(x, y).is_some_and(|i| self.index[i] == 0)
    }

    /// Most probable undisturbed densities of all marked pixels.
    pub(crate) fn solve(&mut self) {
        self.measure_precision();
        self.start();
        // First without the pixels' own light: this shows how opaque the particle really is.
        self.relax(false);
        self.match_opacity();
        self.relax(true);
        for (own, hole) in self.own.iter_mut().zip(&self.holes) {
            let around: f32 = 2.0 * hole.precision.iter().sum::<f32>();
            let data =
                (0..self.colours).map(|c| 1.0 / hole.error_d[c].powi(2)).sum::<f32>() / self.colours as f32;
            *own = if data > 0.0 { data / (data + around) } else { 0.0 };
        }
    }

    /// Precision of neighbour differences about every marked pixel, from the clean pairs near it.
    fn measure_precision(&mut self) {
        for k in 0..self.holes.len() {
            let (x, y) = (self.holes[k].x, self.holes[k].y);
            let mut precision = [0.0; 4];
            for (p, &(dx, dy)) in precision.iter_mut().zip(&DIRECTIONS) {
                let mut tau2 = None;
                for (reach, step) in [(5, 1), (10, 2), (24, 3)] {
                    tau2 = self.local_difference(x, y, dx, dy, reach, step);
                    if tau2.is_some() {
                        break;
                    }
                }
                // Diagonal neighbours are further apart, and count for less in a second-order sense.
                let far = if dx != 0 && dy != 0 { 0.5 } else { 1.0 };
                *p = far / (tau2.unwrap_or(0.01) + TAU_MIN_D * TAU_MIN_D);
            }
            self.holes[k].precision = precision;
        }
    }

    /// Weighted mean squared difference of clean neighbours about a position; `None` when too few are in reach.
    fn local_difference(&self, x: i32, y: i32, dx: i32, dy: i32, reach: i32, step: usize) -> Option<f32> {
        let (mut sum, mut total, mut n) = (0.0_f32, 0.0_f32, 0);
        for ey in (-reach..=reach).step_by(step) {
            for ex in (-reach..=reach).step_by(step) {
                let (px, py) = (x + ex, y + ey);
                if !self.is_clean(px, py) || !self.is_clean(px + dx, py + dy) {
                    continue;
                }
                let (Some(a), Some(b)) = (self.at(px, py), self.at(px + dx, py + dy)) else { continue };
                let square: f32 =
                    (0..self.colours).map(|c| (self.seen[a][c] - self.seen[b][c]).powi(2)).sum::<f32>()
                        / self.colours as f32;
                let weight = 1.0 / (1.0 + (ex * ex + ey * ey) as f32 / 9.0);
                sum += weight * square;
                total += weight;
                n += 1;
            }
        }
        (n >= 12).then(|| sum / total)
    }

    /// Starting values: from outside inwards, the mean of what is known already.
    fn start(&mut self) {
        let mut open: Vec<usize> = (0..self.holes.len()).collect();
        let mut known: Vec<bool> = self.index.iter().map(|&i| i == 0).collect();
        while !open.is_empty() {
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
                    known[i] = true;
                }
            }
            open.retain(|&k| self.at(self.holes[k].x, self.holes[k].y).is_some_and(|i| !known[i]));
        }
    }

    /// Successive over-relaxation in reading order.
    fn relax(&mut self, use_data: bool) {
        let omega = 1.5_f32;
        for _ in 0..SWEEPS_MAX {
            let mut change = 0.0_f32;
            for k in 0..self.holes.len() {
                change = change.max(self.relax_one(k, omega, use_data));
            }
            if change < SETTLED_D {
                break;
            }
        }
    }

    fn relax_one(&mut self, k: usize, omega: f32, use_data: bool) -> f32 {
        let Hole { x, y, defect_d, error_d, precision } = self.holes[k];
        let Some(here) = self.at(x, y) else { return 0.0 };
        let (mut sum, mut total) = ([0.0_f32; 3], 0.0_f32);
        for (direction, p) in precision.iter().enumerate() {
            let (dx, dy) = DIRECTIONS[direction];
            for s in [1, -1] {
                let Some(i) = self.at(x + s * dx, y + s * dy) else { continue };
                // Between two marked pixels the link must weigh the same from both sides.
                let p = match self.index[i] {
                    0 => *p,
                    j => 0.5 * (p + self.holes[j as usize - 1].precision[direction]),
                };
                for (a, v) in sum.iter_mut().zip(self.solved[i]) {
                    *a += p * v;
                }
                total += p;
            }
        }
        let mut change = 0.0_f32;
        for c in 0..self.colours {
            let data = if use_data { 1.0 / error_d[c].powi(2) } else { 0.0 };
            let own = if data > 0.0 { data * (self.seen[here][c] - defect_d[c]) } else { 0.0 };
            if total + data <= 0.0 {
                continue;
            }
            let step = omega * ((own + sum[c]) / (total + data) - self.solved[here][c]);
            self.solved[here][c] += step;
            change = change.max(step.abs());
        }
        change
    }

    /// Scale the predicted densities so that they agree with what the surroundings say, as far as those can tell.
    fn match_opacity(&mut self) {
        let (mut top, mut bottom) = (0.0_f64, 0.0_f64);
        let mut misfit = Vec::new();
        for hole in &self.holes {
            let Some(i) = self.at(hole.x, hole.y) else { continue };
            for c in 0..self.colours {
                let a = hole.defect_d[c];
                if a <= 0.01 || !hole.error_d[c].is_finite() {
                    continue;
                }
                let measured = self.seen[i][c] - self.solved[i][c];
                let tau2 = 2.0 / hole.precision.iter().sum::<f32>();
                let weight = 1.0 / f64::from(hole.error_d[c].powi(2) + 4.0 * tau2 + 1e-6);
                top += weight * f64::from(measured * a);
                bottom += weight * f64::from(a * a);
                misfit.push((measured - a) / (hole.error_d[c].powi(2) + 4.0 * tau2).sqrt());
            }
        }
        if misfit.len() < 6 {
            return;
        }
        // Pixels of one particle share their errors: count them as few.
        let shared = 0.1;
        let prior = 1.0 / f64::from(OPACITY_SPREAD * OPACITY_SPREAD);
        let scale = ((shared * top + prior) / (shared * bottom + prior)).clamp(0.3, 2.0) as f32;
        for hole in &mut self.holes {
            for d in &mut hole.defect_d {
                *d *= scale;
            }
        }
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
    Hole { x: (x - rect.x0) as i32, y: (y - rect.y0) as i32, defect_d, error_d, precision: [0.0; 4] }
}
