//! The marks used to align infrared and visible pictures: defects, or leaked image where there are none.

use glassine_raster::{PixelLoop, Plane, Samples16, run_vectorised};
use rayon::prelude::*;

use crate::density::{BLOCK_PX, background_at, background_row, density_d};
use crate::robust::mad_sigma;

/// Side of the cells in which the pictures are compared. Our choice: large enough for marks, small enough to show a
/// turn.
pub(crate) const CELL_PX: u32 = 96;
/// Largest number of defect marks used in a cell; more would add hardly any information. Our choice.
const DEFECT_MARKS_MAX: usize = 240;
/// Radius of the ring whose mean is subtracted (high-pass). Our choice.
const RING_PX: i32 = 5;
const RING: [(i32, i32); 8] = [(5, 0), (4, 3), (0, 5), (-3, 4), (-5, 0), (-4, -3), (0, -5), (3, -4)];
/// High-passed densities are clipped at this, D, so that one film edge does not outweigh all dust. Our choice.
const CLIP_D: f32 = 0.5;
/// Infrared contrast of at least this share of the visible contrast around it is a defect; less may be leaked image.
/// The share follows the leakage measured so far, within these limits. Our choice.
const DEFECT_RATIO: (f32, f32) = (0.08, 0.3);
const DEFECT_PER_LEAKAGE: f32 = 2.5;

/// Share of the visible contrast above which an infrared mark counts as a defect.
pub(crate) fn defect_ratio(leakage_strength: f64) -> f32 {
    (DEFECT_PER_LEAKAGE * leakage_strength.abs() as f32).clamp(DEFECT_RATIO.0, DEFECT_RATIO.1)
}

/// Thresholds for a mark.
#[derive(Debug, Clone, Copy)]
pub(crate) struct MarkRule {
    /// Least infrared density, D.
    pub(crate) threshold_d: f32,
    /// See [`defect_ratio`].
    pub(crate) defect_ratio: f32,
}

/// Kind of a mark: defects are equally dark in both pictures, while leaked image is far weaker in the infrared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Defect,
    Image,
    /// Both kinds together, when neither is enough alone.
    Any,
}

/// One part of the region, high-passed.
pub(crate) struct Cell {
    pub(crate) x0: i32,
    pub(crate) y0: i32,
    pub(crate) infrared: Plane<f32>,
    pub(crate) visible: Plane<f32>,
    pub(crate) reach: i32,
    pub(crate) kind: Kind,
    pub(crate) marks: Vec<Mark>,
}

/// A pixel used to align the pictures.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Mark {
    /// Position inside the cell.
    pub(crate) x: i32,
    pub(crate) y: i32,
    /// High-passed infrared density, D.
    pub(crate) infrared_d: f32,
    /// 1 where the infrared picture changes in every direction, near 0 along a straight edge, which gives no
    /// information on shifts along itself.
    pub(crate) weight: f32,
}

/// Corner of a cell and its counts of marks of both kinds.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rank {
    pub(crate) x0: i32,
    pub(crate) y0: i32,
    pub(crate) defects: u32,
    pub(crate) image: u32,
}

/// Noise of the infrared plane around its background, D, over film.
pub(crate) fn infrared_noise(linear: &Samples16, background: &Plane<f32>, film: &[bool]) -> f32 {
    let (w, h) = (linear.width(), linear.height());
    let ir = linear.channels() as usize - 1;
    // 120 000 values give a median to a few tenths of a per cent. Our choice.
    let step = (((w as f64 * h as f64) / 120_000.0).sqrt().ceil() as usize).max(1);
    let mut values = Vec::new();
    for y in (0..h).step_by(step) {
        let row = linear.row(y);
        for x in (0..w).step_by(step) {
            if film[((y / BLOCK_PX) * background.width() + x / BLOCK_PX) as usize] {
                let d = density_d(row[x as usize * linear.channels() as usize + ir]);
                values.push(d - background_at(background, x as f32, y as f32));
            }
        }
    }
    mad_sigma(&mut values).1
}

/// Counts the marks of every cell on every second row.
pub(crate) fn rank_cells(
    linear: &Samples16,
    colours: u8,
    background: &Plane<f32>,
    film: &[bool],
    rule: MarkRule,
) -> Vec<Rank> {
    let (w, h) = (linear.width(), linear.height());
    let channels = linear.channels() as usize;
    let (columns, rows) = (w.div_ceil(CELL_PX), h.div_ceil(CELL_PX));
    (0..rows)
        .into_par_iter()
        .flat_map_iter(|cy| {
            let mut counts = vec![(0_u32, 0_u32); columns as usize];
            let (mut slow, mut above) = (vec![0.0_f32; w as usize], Vec::new());
            for y in (cy * CELL_PX..((cy + 1) * CELL_PX).min(h)).step_by(2) {
                background_row(background, y, 0, &mut slow);
                run_vectorised(Standing { row: linear.row(y), channels, slow: &slow, above: &mut above });
                let film_row = &film[(y / BLOCK_PX * background.width()) as usize..];
                for (first, line) in (0..).step_by(BLOCK_PX as usize).zip(above.chunks(BLOCK_PX as usize)) {
                    let any = line.iter().fold(false, |any, e| any | (e.abs() > rule.threshold_d));
                    if !any || !film_row[first / BLOCK_PX as usize] {
                        continue;
                    }
                    for (x, _) in (first..).zip(line).filter(|(_, e)| e.abs() > rule.threshold_d) {
                        let cell = &mut counts[x / CELL_PX as usize];
                        let (x, y) = (x as i32, y as i32);
                        let local = ring_contrast(linear, x, y);
                        if local > rule.threshold_d
                            && local > rule.defect_ratio * visible_contrast(linear, colours, x, y)
                        {
                            cell.0 += 1;
                        } else {
                            cell.1 += 1;
                        }
                    }
                }
            }
            counts
                .into_iter()
                .enumerate()
                .map(move |(cx, (defects, image))| Rank {
                    x0: (cx as u32 * CELL_PX) as i32,
                    y0: (cy * CELL_PX) as i32,
                    defects,
                    image,
                })
                .collect::<Vec<_>>()
        })
        .filter(|c| c.defects + c.image >= 3)
        .collect()
}

/// Computes the infrared density of a row above its background.
struct Standing<'a> {
    row: &'a [u16],
    channels: usize,
    slow: &'a [f32],
    above: &'a mut Vec<f32>,
}

impl PixelLoop for Standing<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { row, channels, slow, above } = self;
        above.resize(slow.len(), 0.0);
        for ((o, slow), px) in above.iter_mut().zip(slow).zip(row.chunks_exact(channels)) {
            *o = density_d(px[channels - 1]) - slow;
        }
    }
}

/// Infrared density of a pixel relative to a ring around it, D.
fn ring_contrast(linear: &Samples16, x: i32, y: i32) -> f32 {
    let (w, h) = (linear.width() as i32, linear.height() as i32);
    let last = linear.channels() as usize - 1;
    let at = |dx: i32, dy: i32| {
        density_d(linear.pixel((x + dx).clamp(0, w - 1) as u32, (y + dy).clamp(0, h - 1) as u32)[last])
    };
    at(0, 0) - RING.iter().map(|&(dx, dy)| at(dx, dy)).sum::<f32>() / RING.len() as f32
}

/// Range of the visible density around a pixel, D.
fn visible_contrast(linear: &Samples16, colours: u8, x: i32, y: i32) -> f32 {
    let (w, h) = (linear.width() as i32, linear.height() as i32);
    let (mut low, mut high) = (f32::MAX, f32::MIN);
    // Places within the ring and a little beyond. Our choice.
    for (dx, dy) in [(0, 0), (3, 0), (-3, 0), (0, 3), (0, -3), (5, 5), (-5, 5), (5, -5), (-5, -5)] {
        let px = linear.pixel((x + dx).clamp(0, w - 1) as u32, (y + dy).clamp(0, h - 1) as u32);
        let d = px[..colours as usize].iter().map(|&c| density_d(c)).sum::<f32>() / f32::from(colours);
        low = low.min(d);
        high = high.max(d);
    }
    high - low
}

impl Cell {
    pub(crate) fn read(
        linear: &Samples16,
        colours: u8,
        rank: &Rank,
        reach: i32,
        rule: MarkRule,
        kind: Kind,
    ) -> Self {
        let channels = linear.channels() as usize;
        let side = CELL_PX as i32;
        let (x0, y0) = (rank.x0, rank.y0);
        let infrared = high_pass(linear, x0, y0, side, |px| density_d(px[channels - 1]));
        let visible = high_pass(linear, x0 - reach, y0 - reach, side + 2 * reach, |px| {
            px[..colours as usize].iter().map(|&c| density_d(c)).sum::<f32>() / f32::from(colours)
        });
        let mut near_defect = Plane::filled(side as u32, side as u32, false);
        for y in 2..side - 2 {
            for x in 2..side - 2 {
                let e = infrared.at(x as u32, y as u32);
                if e > rule.threshold_d
                    && e > rule.defect_ratio * visible_contrast(linear, colours, x0 + x, y0 + y)
                {
                    let near = |at: i32| (at - 3).max(0)..=(at + 3).min(side - 1);
                    near(y).for_each(|y| near(x).for_each(|x| near_defect.set(x as u32, y as u32, true)));
                }
            }
        }
        let mut marks = Vec::new();
        for y in 2..side - 2 {
            for x in 2..side - 2 {
                let e = infrared.at(x as u32, y as u32);
                let defect = near_defect.at(x as u32, y as u32);
                if e.abs() > 0.5 * rule.threshold_d && (kind == Kind::Any || defect == (kind == Kind::Defect))
                {
                    marks.push((x, y));
                }
            }
        }
        // Defects stand out, so a sample is enough; faint leaked image needs every pixel.
        let most = if kind == Kind::Defect { DEFECT_MARKS_MAX } else { usize::MAX };
        let every = marks.len().div_ceil(most).max(1);
        let marks = marks.into_iter().step_by(every);
        let marks = marks.map(|(x, y)| Mark {
            x,
            y,
            infrared_d: infrared.at(x as u32, y as u32),
            weight: isotropy(&infrared, x, y),
        });
        Self { x0, y0, marks: marks.collect(), infrared, visible, reach, kind }
    }
}

/// How evenly slopes are distributed over directions within 9 x 9 pixels.
///
/// The smaller over the larger eigenvalue of the structure tensor.
///
/// Source: C. Harris, M. Stephens, "A combined corner and edge detector", Alvey Vision Conference 1988 (the tensor).
fn isotropy(plane: &Plane<f32>, x: i32, y: i32) -> f32 {
    let side = plane.width() as i32;
    let (mut xx, mut yy, mut xy) = (0.0_f32, 0.0_f32, 0.0_f32);
    for py in (y - 4).max(1)..=(y + 4).min(side - 2) {
        for px in (x - 4).max(1)..=(x + 4).min(side - 2) {
            let at = |dx: i32, dy: i32| plane.at((px + dx) as u32, (py + dy) as u32);
            let (dx, dy) = (at(1, 0) - at(-1, 0), at(0, 1) - at(0, -1));
            xx += dx * dx;
            yy += dy * dy;
            xy += dx * dy;
        }
    }
    let spread = ((xx - yy) * (xx - yy) + 4.0 * xy * xy).sqrt();
    let (low, high) = (xx + yy - spread, xx + yy + spread);
    if high > 0.0 { (low / high).clamp(0.0, 1.0) } else { 0.0 }
}

/// Density minus the mean of a ring around it, clipped; positions outside the region repeat its edge.
fn high_pass(linear: &Samples16, x0: i32, y0: i32, side: i32, density: impl Fn(&[u16]) -> f32) -> Plane<f32> {
    let outer = side + 2 * RING_PX;
    let (w, h) = (linear.width() as i32, linear.height() as i32);
    let mut wide = Plane::filled(outer as u32, outer as u32, 0.0_f32);
    for y in 0..outer {
        let sy = (y0 - RING_PX + y).clamp(0, h - 1) as u32;
        for x in 0..outer {
            let sx = (x0 - RING_PX + x).clamp(0, w - 1) as u32;
            wide.set(x as u32, y as u32, density(linear.pixel(sx, sy)));
        }
    }
    let mut out = Plane::filled(side as u32, side as u32, 0.0_f32);
    for y in 0..side {
        for x in 0..side {
            let at = |dx: i32, dy: i32| wide.at((x + RING_PX + dx) as u32, (y + RING_PX + dy) as u32);
            let mean = RING.iter().map(|&(dx, dy)| at(dx, dy)).sum::<f32>() / RING.len() as f32;
            out.set(x as u32, y as u32, (at(0, 0) - mean).clamp(-CLIP_D, CLIP_D));
        }
    }
    out
}
