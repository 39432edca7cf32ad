//! Grain for repaired pixels that keep little of their own light.
//!
//! Smooth spots give a repair away at 1:1. Instead of synthetic noise, the grain of clean film nearby is copied: its
//! spectrum and the correlation of its channels are right by construction. The source is the place, among a fixed set
//! of offsets, where the picture itself is calmest, so that no image structure is copied.

use std::sync::LazyLock;

use glassine_raster::{PixelLoop, run_vectorised};

use crate::label::Component;
use crate::window::{Colours, MARGIN_PX, Window, each};

/// Grain is what a binomial 5 x 5 mean removes; this factor compensates for the grain that the mean itself keeps. Our
/// choice.
const KEPT_BY_MEAN: f32 = 1.08;

/// Pixels of a piece to test when searching for the calmest place. Our choice; bounds time.
const PROBES: usize = 16;

/// One row of Pascal's triangle.
const BINOMIAL: [f32; 5] = [1.0, 4.0, 6.0, 4.0, 1.0];

/// Distances of the places to try. Our choice: steps of the square root of two, beyond the mean's reach.
const RADII_PX: [i32; 6] = [5, 8, 12, 17, 24, 34];
/// Places to try at each distance. Our choice.
const TURNS: usize = 12;

/// Offsets of the places to try, by distance.
static OFFSETS: LazyLock<Vec<[(i32, i32); TURNS]>> = LazyLock::new(|| {
    let at = |radius: f64, turn: usize| {
        let angle_rad = turn as f64 / TURNS as f64 * std::f64::consts::TAU + radius;
        ((radius * angle_rad.cos()).round() as i32, (radius * angle_rad.sin()).round() as i32)
    };
    RADII_PX.iter().map(|&radius| std::array::from_fn(|turn| at(f64::from(radius), turn))).collect()
});

/// Grain of a window, on its grid.
#[derive(Debug, Default)]
pub(crate) struct GrainSpace {
    /// Sums along the rows.
    sums: Vec<Colours>,
    /// High-passed density of clean pixels whose neighbours are clean too.
    grain: Vec<Colours>,
    /// Its square, summed over the channels; negative where there is none.
    energy: Vec<f32>,
    /// Along the rows: how many of five neighbours are not clean.
    marked: Vec<u8>,
}

/// Adds grain to the marked pixels of `piece`.
pub(crate) fn transplant(window: &mut Window, piece: &Component) {
    let targets: Vec<(usize, f32)> = piece
        .pixels()
        .map(|(x, y)| {
            let own = window.own_share(x, y);
            (window.place(x, y), (1.0 - own * own).max(0.0).sqrt())
        })
        // Pixels with over 98 % of their own light keep their own grain. Our choice.
        .filter(|target| target.1 > 0.2)
        .collect();
    if targets.is_empty() {
        return;
    }
    let limit = 3.0 * window.typical_difference();
    if limit <= 0.0 {
        return;
    }
    let Window { seen, solved, index, stride, rect, grain: space, .. } = window;
    run_vectorised(HighPass { seen, index, stride: *stride, space: &mut *space });
    let reach = (rect.width().max(rect.height()) as i32) / 2;
    let Some(offset) = calmest_offset(space, *stride, reach, &targets) else { return };
    for &(at, share) in &targets {
        let Some(from) = moved(at, offset, *stride, space.energy.len()) else { continue };
        if space.energy[from] < 0.0 {
            continue;
        }
        for (d, g) in solved[at].iter_mut().zip(space.grain[from]) {
            *d += share * KEPT_BY_MEAN * g.clamp(-limit, limit);
        }
    }
}

/// Grid index at an offset; `None` outside the grid.
#[inline(always)]
fn moved(at: usize, (dx, dy): (i32, i32), stride: usize, len: usize) -> Option<usize> {
    let column = (at % stride) as i32 + dx;
    let moved = at as i64 + i64::from(dy) * stride as i64 + i64::from(dx);
    ((0..stride as i32).contains(&column) && (0..len as i64).contains(&moved)).then_some(moved as usize)
}

/// Offset of least high-pass energy among those that land nearly everywhere on clean film.
fn calmest_offset(
    space: &GrainSpace,
    stride: usize,
    reach: i32,
    targets: &[(usize, f32)],
) -> Option<(i32, i32)> {
    let step = (targets.len() / PROBES).max(1);
    let probes: Vec<usize> = targets.iter().step_by(step).map(|target| target.0).collect();
    let mut best: Option<(f32, (i32, i32))> = None;
    for (offsets, _) in OFFSETS.iter().zip(RADII_PX).filter(|(_, radius)| *radius <= reach) {
        for &offset in offsets {
            let (mut energy, mut hits) = (0.0_f32, 0);
            for &probe in &probes {
                let place = moved(probe, offset, stride, space.energy.len());
                if let Some(e) = place.map(|place| space.energy[place]).filter(|e| *e >= 0.0) {
                    energy += e;
                    hits += 1;
                }
            }
            // Nine tenths of the place must be clean. Our choice.
            if hits * 10 < probes.len() * 9 || hits == 0 {
                continue;
            }
            let mean = energy / hits as f32;
            if best.is_none_or(|best| mean < best.0) {
                best = Some((mean, offset));
            }
        }
    }
    best.map(|best| best.1)
}

/// Density less its binomial mean over 5 x 5 pixels, where all of these are clean.
struct HighPass<'a> {
    seen: &'a [Colours],
    index: &'a [u32],
    stride: usize,
    space: &'a mut GrainSpace,
}

impl PixelLoop for HighPass<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { seen, index, stride, space: GrainSpace { sums, grain, energy, marked } } = self;
        let n = seen.len();
        sums.clear();
        sums.resize(n, [0.0; 4]);
        grain.clear();
        grain.resize(n, [0.0; 4]);
        marked.clear();
        marked.resize(n, 1);
        energy.clear();
        energy.resize(n, -1.0);
        for (sum, from) in sums[MARGIN_PX..].iter_mut().zip(seen.windows(5)) {
            *sum = each(|c| from[0][c] + 4.0 * from[1][c] + 6.0 * from[2][c] + 4.0 * from[3][c] + from[4][c]);
        }
        for (count, from) in marked[MARGIN_PX..].iter_mut().zip(index.windows(5)) {
            *count = from.iter().map(|i| u8::from(*i != 0)).sum();
        }
        for y in 2..(n / stride).saturating_sub(2) {
            let first = y * stride;
            let rows: [usize; 5] = std::array::from_fn(|k| first + k * stride - 2 * stride);
            for x in 0..stride {
                if rows.iter().any(|row| marked[row + x] != 0) {
                    continue;
                }
                let mut g = seen[first + x];
                for (row, k) in rows.into_iter().zip(BINOMIAL) {
                    let sum = sums[row + x];
                    g = each(|c| g[c] - k / 256.0 * sum[c]);
                }
                grain[first + x] = g;
                energy[first + x] = g[0] * g[0] + g[1] * g[1] + g[2] * g[2];
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_slope_has_no_grain_and_nothing_is_taken_beside_marks() {
        let stride = 20;
        let seen: Vec<Colours> =
            (0..stride * 16).map(|i| [0.01 * (i % stride) as f32 + 0.02 * (i / stride) as f32; 4]).collect();
        let mut index = vec![0; seen.len()];
        index[8 * stride + 10] = 1;
        let mut space = GrainSpace::default();
        HighPass { seen: &seen, index: &index, stride, space: &mut space }.call();
        for y in 2..14 {
            for x in 2..18_usize {
                let e = space.energy[y * stride + x];
                let beside = x.abs_diff(10) <= 2 && y.abs_diff(8) <= 2;
                assert_eq!(e < 0.0, beside, "{x} {y}");
                assert!(beside || e < 1e-10, "{x} {y}: {e}");
            }
        }
    }
}
