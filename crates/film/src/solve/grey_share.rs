//! Share of grey among the cells of a step of exposure, for a trial neutral: what the search of `neutral.rs` spends its
//! time on.

use crate::LayerCurve;
use crate::maths::exp2_f32;
use glassine_raster::{PixelLoop, least, most};

/// Inverse curve of one layer as a table over density.
pub(super) struct InverseTable {
    pub(super) log: Box<[f32; TABLE_ENTRIES + 1]>,
}

/// Highest density of the tables of inverse curves, and their entries: 0.004 D apart. Our choice; beyond any scan, and a
/// power of two.
pub(super) const TABLE_TOP_D: f64 = 8.192;
const TABLE_ENTRIES: usize = 2048;
pub(super) const TABLE_STEPS_PER_D: f32 = TABLE_ENTRIES as f32 / TABLE_TOP_D as f32;

impl InverseTable {
    pub(super) fn new(curve: &LayerCurve) -> Self {
        Self::with_toe(curve, &Self::without_shoulder_d(curve))
    }

    /// Densities of the entries without the shoulder, which curves of other toes share.
    pub(super) fn without_shoulder_d(curve: &LayerCurve) -> Vec<f64> {
        let density_d = |idx: usize| (idx as f64).max(0.5) * TABLE_TOP_D / TABLE_ENTRIES as f64;
        (0..=TABLE_ENTRIES).map(|idx| curve.without_shoulder_d(density_d(idx))).collect()
    }

    pub(super) fn with_toe(curve: &LayerCurve, without_shoulder_d: &[f64]) -> Self {
        let mut log = Box::new([0.0; TABLE_ENTRIES + 1]);
        for (log, density_d) in log.iter_mut().zip(without_shoulder_d) {
            *log = curve.log_exposure_of(*density_d) as f32;
        }
        Self { log }
    }

    pub(super) fn at(&self, density_d: f32) -> f32 {
        entry(&self.log, density_d * TABLE_STEPS_PER_D)
    }
}

/// A table at a position between its entries; clamped to its ends.
#[inline(always)]
fn entry(table: &[f32; TABLE_ENTRIES + 1], position: f32) -> f32 {
    let position = least(most(position, 0.0), (TABLE_ENTRIES - 1) as f32);
    // The mask changes nothing, but spares every look-up a check.
    let idx = position as i32 as usize & (TABLE_ENTRIES - 1);
    table[idx] + (table[idx + 1] - table[idx]) * (position - idx as f32)
}

/// Share of grey among cells, as a loop for vectors.
pub(super) struct GreyShare<'a> {
    pub(super) red_d: &'a [f32],
    pub(super) blue_d: &'a [f32],
    pub(super) green_log: &'a [f32],
    pub(super) weight: &'a [f32],
    /// Of red and blue: inverse curves, table steps per density, offsets in log10 exposure.
    pub(super) tables: [&'a [f32; TABLE_ENTRIES + 1]; 2],
    pub(super) scales: [f32; 2],
    pub(super) offsets: [f32; 2],
    pub(super) sharpness: f32,
}

impl PixelLoop for GreyShare<'_> {
    type Output = f32;

    #[inline(always)]
    fn call(self) -> f32 {
        /// Sums added side by side, so that no addition waits for the one before.
        const LANES: usize = 8;
        let mut sums = [0.0_f32; LANES];
        let cells = self.red_d.chunks(LANES).zip(self.blue_d.chunks(LANES));
        let rest = self.green_log.chunks(LANES).zip(self.weight.chunks(LANES));
        for ((red_d, blue_d), (green_log, weight)) in cells.zip(rest) {
            let cells = red_d.iter().zip(blue_d).zip(green_log).zip(weight);
            for ((((red_d, blue_d), green_log), weight), sum) in cells.zip(&mut sums) {
                let x = entry(self.tables[0], red_d * self.scales[0]) + self.offsets[0] - green_log;
                let y = entry(self.tables[1], blue_d * self.scales[1]) + self.offsets[1] - green_log;
                // Red and blue moving together (green to magenta) are as far as the same step of one alone.
                let q = x * x + y * y - 0.6 * x * y;
                *sum += weight * exp2_f32((q * self.sharpness).max(-100.0));
            }
        }
        sums.iter().sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use glassine_raster::run_in_short_vectors;

    #[test]
    fn every_cell_counts_by_its_distance_from_grey_whatever_their_number() {
        // D = e + 1.9, so that density and log10 exposure differ by a constant.
        let table = InverseTable::new(&LayerCurve::Gamma(1.0));
        for count in [1, 7, 8, 21] {
            let log = |i: usize| 0.02 * (i as f32 - 5.0);
            let red_d: Vec<f32> = (0..count).map(|i| 1.9 + log(i)).collect();
            let blue_d: Vec<f32> = (0..count).map(|i| 1.9 - log(i)).collect();
            let (green_log, weight) = (vec![0.0_f32; count], vec![1.0 / count as f32; count]);
            let share = run_in_short_vectors(GreyShare {
                red_d: &red_d,
                blue_d: &blue_d,
                green_log: &green_log,
                weight: &weight,
                tables: [&table.log, &table.log],
                scales: [TABLE_STEPS_PER_D; 2],
                offsets: [0.0; 2],
                sharpness: -50.0,
            });
            // q = x^2 + y^2 - 0.6 x y with y = -x.
            let expected: f32 = (0..count).map(|i| (-50.0 * 2.6 * log(i) * log(i)).exp2()).sum::<f32>();
            assert!((share - expected / count as f32).abs() < 1e-4, "{count}: {share} {expected}");
        }
    }
}
