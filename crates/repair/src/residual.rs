//! The few pixels of a frame whose residual infrared density exceeds the noise, and the components built from them.

use glassine_raster::PixelRect;
use rayon::prelude::*;

use crate::density::{BLOCK_PX, transmittance};
use crate::field::Field;
use crate::grid::Grid;
use crate::label::{Component, Run, join_runs};
use crate::leakage::sampled_pieces;
use crate::model::Model;
use crate::region::{Region, row_pieces};
use crate::ridge::{self, RidgeSpace, Ridges};
use crate::robust::{mad_sigma, median_in_place};
use crate::sparse::RunRows;
use crate::types::{DustError, STRONG_LEAKAGE};

/// Multiples of the residual noise for the low and high threshold at medium sensitivity. Our choice: common practice
/// masks from 4 to 6; the lower threshold only extends what the higher one found.
const LOW_SIGMA: f32 = 3.5;
const HIGH_SIGMA: f32 = 6.0;
/// Least low and high threshold at medium sensitivity, D: densities below them are invisible in a print, whatever the
/// noise. Our choice.
const LOW_D: f32 = 0.006;
const HIGH_D: f32 = 0.011;
/// Share of the local slope of the leaked image that registration and blur may leave, if it cannot be measured. Our
/// choice.
const EDGE_DOUBT: f32 = 0.3;
/// The measured typical share is multiplied by this and clamped to this range. Our choice: marks along edges against
/// dust left on them.
const EDGE_DOUBT_SIGMA: f32 = 5.0;
const EDGE_DOUBT_RANGE: (f32, f32) = (0.1, 0.6);
/// Steep pixels needed to measure the share. Our choice.
const STEEP_MIN: usize = 400;
/// Share of the leaked density, beyond the density up to which it is certain, D, that a linear leakage may leave: bands
/// are not single wavelengths, and dyes differ from the greys on which the leakage is learned. Ours.
const LEVEL_DOUBT: f32 = 0.12;
const LEVEL_SURE_D: f32 = 0.07;
/// Share of the doubt that raises the low threshold, and that for faint lines; lines carry less doubt than their height
/// requires, because their cross profile is checked afterwards. Our choice.
const LOW_DOUBT: f32 = 0.5;
const LINE_DOUBT: f32 = 0.8;
/// Rows read together, and columns of the tiles computed together: small enough for the caches, large enough that the
/// margins do not matter. Our choice; changes speed alone.
const PIECE_ROWS: u32 = 96;
const TILE_PX: u32 = 256;
/// Least number of pixels for measuring noise. Our choice.
const LEVELS_PX: f64 = 1e6;
/// Pixels around a defect whose attenuation is kept. Our choice: the blur of usual scans.
pub(crate) const SKIRT_PX: u32 = 2;
/// Pixels around a defect that count as near it. Our choice.
const NEAR_PX: u32 = 2;

/// Thresholds on the smoothed residual, D.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Thresholds {
    pub(crate) low_d: f32,
    pub(crate) high_d: f32,
    /// Threshold for faint lines that the visible picture must confirm.
    pub(crate) line_d: f32,
}

impl Thresholds {
    pub(crate) fn new(sensitivity: f64, smooth_noise_d: f32) -> Self {
        // The ends of the slider change densities by a factor of four, but noise multiples by less: those may never
        // fall to where noise itself would be marked.
        let s = if sensitivity.is_finite() { sensitivity.clamp(0.0, 1.0) as f32 } else { 0.5 };
        // Our choice: a factor of 4 in density, 1.3 in noise; lines from 2.5 deviations, as they are checked again;
        // nothing below half of the usual low threshold.
        let scale = 4.0_f32.powf(1.0 - 2.0 * s);
        let mild = 1.3_f32.powf(1.0 - 2.0 * s);
        let low_d = (LOW_D * scale.max(0.5)).max(LOW_SIGMA * mild * smooth_noise_d);
        let high_d = (HIGH_D * scale).max(HIGH_SIGMA * mild * smooth_noise_d).max(1.2 * low_d);
        Self { low_d, high_d, line_d: (2.5 * mild * smooth_noise_d).max(0.0018 * scale.max(0.5)) }
    }

    fn is_low(&self, faint: Faint) -> bool {
        faint.smooth_d > self.low_d + LOW_DOUBT * faint.doubt_d
    }

    fn is_high(&self, faint: Faint) -> bool {
        faint.smooth_d > self.high_d + faint.doubt_d
    }

    pub(crate) fn is_line(&self, faint: Faint) -> bool {
        faint.smooth_d > self.line_d + LINE_DOUBT * faint.doubt_d
    }
}

/// A pixel that may belong to a defect.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Faint {
    /// Smoothed residual, D.
    pub(crate) smooth_d: f32,
    /// What an imperfect registration, blur or leakage may leave of the image here, D.
    pub(crate) doubt_d: f32,
}

/// Distance class to the nearest defect: see [`Residual::near`].
pub(crate) type Near = Grid<u8>;
/// The pixel belongs to a defect.
pub(crate) const IS_DEFECT: u8 = 3;
/// The pixel belongs to a defect or is next to one.
pub(crate) const BESIDE_DEFECT: u8 = 2;
/// The pixel is within [`NEAR_PX`] of a defect.
pub(crate) const NEAR_DEFECT: u8 = 1;

/// Residual density of a frame where it exceeds the noise.
#[derive(Debug, Clone)]
pub(crate) struct Residual {
    pub(crate) model: Model,
    /// Blocks to search for defects: all but the holder.
    searched: Vec<bool>,
    pub(crate) noise_d: f32,
    pub(crate) smooth_noise_d: f32,
    pub(crate) sensitivity_max: f64,
    /// Pixels that may be marked.
    faint: RunRows<Faint>,
    /// Infrared transmittance of the defect alone, times 65535, at pixels that may be marked and around them.
    through: RunRows<u16>,
    /// Light lines of the visible picture.
    pub(crate) ridges: Ridges,
}

impl Residual {
    /// Measures noise and doubt on a part of the frame, then everything above the lowest thresholds on all of it.
    pub(crate) fn measure(
        region: &Region<'_>,
        model: Model,
        leakage_strength: f64,
        searched: Vec<bool>,
        film: &[bool],
        sensitivity_max: f64,
    ) -> Result<Self, DustError> {
        let levels = Levels::measure(region, &model, film)?;
        let edge_doubt =
            levels.edge_doubt * (1.0 + (leakage_strength.max(0.0) / STRONG_LEAKAGE) as f32).min(3.0);
        let lowest = Thresholds::new(sensitivity_max, levels.smooth_noise_d);
        let look = Look { region, model: &model, searched: &searched, lowest: &lowest, edge_doubt };
        let pieces: Vec<(RunRows<Faint>, RunRows<u16>, Ridges)> = row_pieces(region.height(), PIECE_ROWS)
            .into_par_iter()
            .map_init(LookSpace::default, |space, rows| look.at_rows(rows, space))
            .collect::<Result<_, DustError>>()?;
        let (mut faint, mut through, mut ridges) = (RunRows::new(), RunRows::new(), Ridges::default());
        // Free each piece once it is merged: together they are as large as the whole.
        for (f, t, r) in pieces {
            faint.append(&f);
            through.append(&t);
            ridges.append(r);
        }
        Ok(Self {
            model,
            searched,
            noise_d: levels.noise_d,
            smooth_noise_d: levels.smooth_noise_d,
            sensitivity_max,
            faint,
            through,
            ridges,
        })
    }

    pub(crate) fn bytes(&self) -> usize {
        let blocks = self.model.background.data().len() * 4 + self.searched.len();
        self.faint.bytes() + self.through.bytes() + self.ridges.bytes() + blocks
    }

    /// Infrared transmittance of the defect alone, times 65535; full where nothing was kept.
    ///
    /// Positions outside repeat the edge.
    pub(crate) fn through(&self, x: i32, y: i32) -> u16 {
        let x = x.clamp(0, self.model.width as i32 - 1) as u32;
        let y = y.clamp(0, self.model.height as i32 - 1) as u32;
        self.through.get(x, y).unwrap_or(u16::MAX)
    }

    /// Calls `at` for every pixel that may be marked or is close to one, with the transmittance of [`Self::through`].
    pub(crate) fn for_each_through(&self, mut at: impl FnMut(u32, u32, u16)) {
        for y in 0..self.through.height() {
            for (run, values) in self.through.row(y) {
                (run.x0..).zip(values).for_each(|(x, through)| at(x, y, *through));
            }
        }
    }

    /// Runs of pixels that pass a test.
    pub(crate) fn runs(&self, test: impl Fn(Faint, u32, u32) -> bool) -> Vec<Run> {
        let mut runs: Vec<Run> = Vec::new();
        for y in 0..self.faint.height() {
            for (run, values) in self.faint.row(y) {
                let mut open = false;
                for (x, &faint) in (run.x0..).zip(values) {
                    let holds = test(faint, x, y);
                    match runs.last_mut() {
                        Some(last) if open && holds => last.x1 = x + 1,
                        _ if holds => runs.push(Run { y, x0: x, x1: x + 1 }),
                        _ => {}
                    }
                    open = holds;
                }
            }
        }
        runs
    }

    /// Components that peak above the high threshold.
    pub(crate) fn strong_components(&self, thresholds: &Thresholds) -> Vec<Component> {
        let runs = self.runs(|faint, _, _| thresholds.is_low(faint));
        let peaks = |c: &Component| {
            c.pixels().any(|(x, y)| self.faint.get(x, y).is_some_and(|faint| thresholds.is_high(faint)))
        };
        let found = join_runs(runs, self.model.height, 0).into_iter();
        found.filter(|c| peaks(c) && !self.is_holder(c)).collect()
    }

    /// Highest smoothed residual of a component, D.
    pub(crate) fn peak_d(&self, component: &Component) -> f32 {
        let smooth = |(x, y)| self.faint.get(x, y).map_or(0.0, |faint| faint.smooth_d);
        component.pixels().map(smooth).fold(0.0, f32::max)
    }

    /// Distance class of every pixel to some components.
    pub(crate) fn near(&self, kept: &[Component]) -> Near {
        let (w, h) = (self.model.width, self.model.height);
        let mut near = Near::new(w, h, 0);
        for run in kept.iter().flat_map(|c| &c.runs) {
            for y in run.y.saturating_sub(NEAR_PX)..=(run.y + NEAR_PX).min(h - 1) {
                for x in run.x0.saturating_sub(NEAR_PX)..(run.x1 + NEAR_PX).min(w) {
                    let across = if x < run.x0 { run.x0 - x } else { (x + 1).saturating_sub(run.x1) };
                    let close = IS_DEFECT - y.abs_diff(run.y).max(across) as u8;
                    let here = near.at_mut(x, y);
                    *here = close.max(*here);
                }
            }
        }
        near
    }

    /// Whether a component is the holder or the film's edge: a long dense object that enters from the border or the
    /// holder.
    fn is_holder(&self, component: &Component) -> bool {
        let (w, h) = (self.model.width, self.model.height);
        let b = component.bounds();
        if b.width().max(b.height()) < w.min(h) / 4 {
            return false;
        }
        let blocks_wide = w.div_ceil(BLOCK_PX);
        let open = |x: u32, y: u32| self.searched[((y / BLOCK_PX) * blocks_wide + x / BLOCK_PX) as usize];
        let beside_holder = component
            .pixels()
            .filter(|&(x, y)| {
                let (l, r) = (x.saturating_sub(1), (x + 1).min(w - 1));
                let (u, d) = (y.saturating_sub(1), (y + 1).min(h - 1));
                !(open(l, y) && open(r, y) && open(x, u) && open(x, d))
            })
            .count() as u32;
        // A component along the holder is its shadow, however thin it has become.
        if 2 * beside_holder > b.width().max(b.height()) {
            return true;
        }
        if !(b.x0 == 0 || b.y0 == 0 || b.x1 == w || b.y1 == h || beside_holder > 0) {
            return false;
        }
        let density =
            |(x, y): (u32, u32)| -(f32::from(self.through(x as i32, y as i32)).max(0.5) / 65535.0).log10();
        // Half of the light, on average: the holder, not dust on its edge. Our choice.
        component.pixels().map(density).sum::<f32>() / component.area().max(1) as f32 > 0.3
    }
}

/// Searches for everything above the lowest thresholds.
struct Look<'a> {
    region: &'a Region<'a>,
    model: &'a Model,
    searched: &'a [bool],
    lowest: &'a Thresholds,
    edge_doubt: f32,
}

/// Buffers of one thread.
#[derive(Default)]
struct LookSpace {
    field: Field,
    smooth: [Vec<f32>; 2],
    /// Pixels of a tile above the low threshold, and those next to them.
    skirt: Vec<u8>,
    ridge: RidgeSpace,
}

/// Pixels found in some rows.
struct FoundRows {
    first: u32,
    faint: Vec<Vec<(u32, Faint)>>,
    through: Vec<Vec<(u32, u16)>>,
}

impl Look<'_> {
    fn at_rows(
        &self,
        (y0, y1): (u32, u32),
        space: &mut LookSpace,
    ) -> Result<(RunRows<Faint>, RunRows<u16>, Ridges), DustError> {
        let (w, h) = (self.region.width(), self.region.height());
        let about = SKIRT_PX.max(ridge::SIDE_PX);
        let needs = self.model.needs(PixelRect::new(0, y0, w, y1).grown(about, w, h));
        let linear = self.region.read(needs)?;
        let rows = (y1 - y0) as usize;
        let mut found =
            FoundRows { first: y0, faint: vec![Vec::new(); rows], through: vec![Vec::new(); rows] };
        for x0 in (0..w).step_by(TILE_PX as usize) {
            let tile = PixelRect::new(x0, y0, (x0 + TILE_PX).min(w), y1);
            space.field.compute(self.model, &linear, needs, tile.grown(SKIRT_PX, w, h));
            self.at_tile(tile, space, &mut found);
        }
        let (mut faint, mut through) = (RunRows::new(), RunRows::new());
        found.faint.into_iter().for_each(|row| faint.push_row(row));
        found.through.into_iter().for_each(|row| through.push_row(row));
        let ridges = ridge::ridges(&linear, needs, (y0, y1), self.model.colours, &mut space.ridge);
        Ok((faint, through, ridges))
    }

    /// Searches a tile whose field is computed, row by row from left to right.
    fn at_tile(&self, tile: PixelRect, space: &mut LookSpace, found: &mut FoundRows) {
        let LookSpace { field, smooth, skirt, .. } = space;
        let (w, h) = (self.region.width(), self.region.height());
        let about = tile.grown(SKIRT_PX, w, h);
        let wide = tile.width() as usize;
        skirt.clear();
        skirt.resize(tile.area() as usize, 0);
        let least = self.lowest.low_d.min(self.lowest.line_d);
        let blocks_wide = w.div_ceil(BLOCK_PX) as usize;
        for y in about.y0..about.y1 {
            let smooth = &field.smooth_row(y, smooth)[(about.x0 - field.outer.x0) as usize..];
            let blocks = &self.searched[(y / BLOCK_PX) as usize * blocks_wide..];
            let mut x = about.x0;
            while x < about.x1 {
                let end = ((x / BLOCK_PX + 1) * BLOCK_PX).min(about.x1);
                let line = &smooth[(x - about.x0) as usize..(end - about.x0) as usize];
                // Most blocks contain nothing.
                let rises =
                    blocks[(x / BLOCK_PX) as usize] && line.iter().fold(false, |any, s| any | (*s > least));
                let line = if rises { line } else { &[] };
                for (x, &smooth_d) in (x..).zip(line).filter(|(_, s)| **s > least) {
                    let doubt_d = self.edge_doubt * field.steepness_at(x, y)
                        + field.lag_at(x, y)
                        + LEVEL_DOUBT * (field.leaked_at(x, y) - LEVEL_SURE_D).max(0.0);
                    let faint = Faint { smooth_d, doubt_d };
                    let low = self.lowest.is_low(faint);
                    if low {
                        let near = PixelRect::new(x, y, x + 1, y + 1).grown(SKIRT_PX, w, h);
                        set_part(skirt, tile, near.intersect(tile));
                    }
                    let inside = (tile.y0..tile.y1).contains(&y) && (tile.x0..tile.x1).contains(&x);
                    if inside && (low || self.lowest.is_line(faint)) {
                        found.faint[(y - found.first) as usize].push((x, faint));
                    }
                }
                x = end;
            }
        }
        for ((y, row), through) in (tile.y0..).zip(skirt.chunks_exact(wide)).zip(&mut found.through) {
            for (first, line) in (tile.x0..).step_by(16).zip(row.chunks(16)) {
                if line.iter().fold(0, |any, s| any | s) == 0 {
                    continue;
                }
                for (x, _) in (first..).zip(line).filter(|(_, s)| **s != 0) {
                    let t = transmittance(field.density_at(x, y)).clamp(0.0, 1.0);
                    through.push((x, ((t * 65535.0) as u16).max(1)));
                }
            }
        }
    }
}

/// Noise of clean film, and the share of the image's edges that remains, from rows spread over the frame.
struct Levels {
    noise_d: f32,
    smooth_noise_d: f32,
    edge_doubt: f32,
}

/// Set a part of a mask that covers `tile`.
fn set_part(mask: &mut [u8], tile: PixelRect, part: PixelRect) {
    for y in part.y0..part.y1 {
        let first = (y - tile.y0) as usize * tile.width() as usize + (part.x0 - tile.x0) as usize;
        mask[first..first + part.width() as usize].fill(1);
    }
}

impl Levels {
    fn measure(region: &Region<'_>, model: &Model, film: &[bool]) -> Result<Self, DustError> {
        let (w, h) = (region.width(), region.height());
        // Medians need only a part of the pixels used for the leakage; small frames are used whole.
        let sampled = sampled_pieces(h);
        let area = |pieces: &[(u32, u32)]| {
            f64::from(w) * pieces.iter().map(|(y0, y1)| f64::from(y1 - y0)).sum::<f64>()
        };
        let every = if area(&sampled) > LEVELS_PX { 2 } else { 1 };
        let pieces: Vec<(u32, u32)> = sampled.into_iter().step_by(every).collect();
        // 150 000 values give a median to a few tenths of a per cent. Our choice.
        let step = ((area(&pieces) / every as f64 / 150_000.0).sqrt() as usize).max(1);
        let blocks_wide = w.div_ceil(BLOCK_PX);
        type Lattice = Vec<(f32, f32, f32)>;
        let found: Vec<Lattice> = pieces
            .into_par_iter()
            .enumerate()
            .map_init(Field::default, |field, (number, (y0, y1))| {
                let needs = model.needs(PixelRect::new(0, y0, w, y1));
                let linear = region.read(needs)?;
                let mut lattice = Vec::new();
                // Of a large frame use every other tile, as on a chessboard.
                for x0 in (0..w).step_by(TILE_PX as usize).skip(number % every).step_by(every) {
                    let tile = PixelRect::new(x0, y0, (x0 + TILE_PX).min(w), y1);
                    field.compute(model, &linear, needs, tile);
                    for y in (y0..y1).step_by(step) {
                        let film = &film[(y / BLOCK_PX * blocks_wide) as usize..];
                        for x in (x0..tile.x1).step_by(step).filter(|x| film[(x / BLOCK_PX) as usize]) {
                            let (smooth, steep) = (field.smooth_at(x, y), field.steepness_at(x, y));
                            lattice.push((field.density_at(x, y), smooth, steep));
                        }
                    }
                }
                Ok(lattice)
            })
            .collect::<Result<_, DustError>>()?;
        let sigma = |pick: fn(&(f32, f32, f32)) -> f32| {
            let mut values: Vec<f32> = found.iter().flatten().map(pick).collect();
            mad_sigma(&mut values).1.max(1e-5)
        };
        let (noise_d, smooth_noise_d) = (sigma(|v| v.0), sigma(|v| v.1));
        let mut ratios: Vec<f32> =
            found.iter().flatten().filter(|v| v.2 > 6.0 * smooth_noise_d).map(|v| v.1.abs() / v.2).collect();
        let edge_doubt = if ratios.len() < STEEP_MIN {
            EDGE_DOUBT
        } else {
            let typical = 1.4826 * median_in_place(&mut ratios);
            (EDGE_DOUBT_SIGMA * typical).clamp(EDGE_DOUBT_RANGE.0, EDGE_DOUBT_RANGE.1)
        };
        Ok(Self { noise_d, smooth_noise_d, edge_doubt })
    }
}
