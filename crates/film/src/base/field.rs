//! Apparent variation of the base over the scan, from a lamp or a light table that falls off towards the ends.

use super::{BaseMeasurement, colour_channels, density_of_code, median};
use glassine_raster::{DensityD, Plane, Samples16};

/// Cells along each side of the scan in which the base is measured. Our choice: finer ones hold few pixels of rebate.
const CELLS: usize = 24;
/// Fewest pixels with which a cell counts. Our choice: enough for a median.
const FEWEST_PIXELS: usize = 24;
/// Fewest cells for a field. Our choice: twice the number of terms.
const FEWEST_CELLS: usize = 12;
/// Largest apparent deviation of clear film from the base, in density. Our choice: lamps fall off by up to 0.05 D; more
/// admits edge print and fog.
const REACH_D: f64 = 0.12;
/// A smaller variation over the whole scan is ignored, since fog and dirt cause as much. Our choice.
const LEAST_RANGE_D: f64 = 0.006;

/// Terms of the field: a constant, `u`, `v`, `u^2`, `u v` and `v^2`, with `u` and `v` from -1 to 1 over the scan.
const TERMS: usize = 6;

/// Deviation of the apparent base density from its measured value over the scan, one smooth surface per channel.
///
/// ```text
/// shift(u, v) = c0 + c1 u + c2 v + c3 u^2 + c4 u v + c5 v^2
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct BaseField {
    coefficients_d: [[f64; TERMS]; 3],
}

fn terms(u: f64, v: f64) -> [f64; TERMS] {
    [1.0, u, v, u * u, u * v, v * v]
}

impl BaseField {
    /// The surface with these terms per channel, in the order of the formula; `None` if one is not a number.
    pub fn from_coefficients_d(coefficients_d: [[f64; 6]; 3]) -> Option<Self> {
        coefficients_d.iter().flatten().all(|c| c.is_finite()).then_some(Self { coefficients_d })
    }

    /// The terms, per channel, as stored in a session file.
    pub fn coefficients_d(&self) -> [[f64; 6]; 3] {
        self.coefficients_d
    }

    /// Shift of the base in density at a place of the scan, `u` and `v` from -1 (left, top) to 1, clamped.
    pub fn shift_d(&self, u: f64, v: f64) -> [f64; 3] {
        let terms = terms(u.clamp(-1.0, 1.0), v.clamp(-1.0, 1.0));
        self.coefficients_d.map(|coefficients| coefficients.iter().zip(terms).map(|(c, term)| c * term).sum())
    }

    /// Largest difference between two places of the scan, of any channel.
    pub fn range(&self) -> DensityD {
        let mut widest = 0.0_f64;
        for c in 0..3 {
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            for step in 0..81 {
                let (u, v) = (f64::from(step % 9) / 4.0 - 1.0, f64::from(step / 9) / 4.0 - 1.0);
                let shift = self.shift_d(u, v)[c];
                (low, high) = (low.min(shift), high.max(shift));
            }
            widest = widest.max(high - low);
        }
        DensityD::new(widest).unwrap_or_default()
    }
}

/// Measure the field around a base; `None` if the rebate is too small or the lamp is even.
///
/// Each cell contributes the median of what looks like clear film. A few rounds of reweighted least squares (Tukey's
/// biweight) take the weight from cells that stand out from the surface (fog, dirt).
pub fn measure_base_field(
    linear: &Samples16,
    candidate: &Plane<u8>,
    base: &BaseMeasurement,
) -> Option<BaseField> {
    if (candidate.width(), candidate.height()) != (linear.width(), linear.height()) {
        return None;
    }
    let (width, height) = (linear.width() as usize, linear.height() as usize);
    let channels = usize::from(linear.channels()).max(1);
    let used = colour_channels(linear);
    let mut cells: Vec<[Vec<f32>; 3]> = vec![Default::default(); CELLS * CELLS];
    for y in 0..height {
        let row = linear.row(y as u32);
        for (x, (pixel, flag)) in row.chunks_exact(channels).zip(candidate.row(y as u32)).enumerate() {
            if *flag == 0 {
                continue;
            }
            let shift = [0, 1, 2].map(|c| density_of_code(pixel[c.min(used - 1)]) - base.density_d[c]);
            // A lamp dims all channels alike; print and fog are coloured or deviate more. Our choice of limit.
            let even = (shift[0] - shift[1]).abs() < 0.04 && (shift[2] - shift[1]).abs() < 0.04;
            if even && shift.iter().all(|s| s.abs() < REACH_D) {
                let cell = &mut cells[(y * CELLS / height) * CELLS + x * CELLS / width];
                for (list, value) in cell.iter_mut().zip(shift) {
                    list.push(value as f32);
                }
            }
        }
    }
    let mut points: Vec<(f64, f64, [f64; 3])> = Vec::new();
    for (idx, cell) in cells.iter_mut().enumerate() {
        if cell[0].len() >= FEWEST_PIXELS {
            let place = |i: usize| (2.0 * i as f64 + 1.0) / CELLS as f64 - 1.0;
            let shift = [0, 1, 2].map(|c| f64::from(median(&mut cell[c])));
            points.push((place(idx % CELLS), place(idx / CELLS), shift));
        }
    }
    if points.len() < FEWEST_CELLS {
        return None;
    }
    let mut coefficients_d = [[0.0; TERMS]; 3];
    for (c, row) in coefficients_d.iter_mut().enumerate() {
        let values: Vec<(f64, f64, f64)> = points.iter().map(|(u, v, shift)| (*u, *v, shift[c])).collect();
        *row = robust_surface(&values)?;
    }
    let field = BaseField { coefficients_d };
    (LEAST_RANGE_D..2.0 * REACH_D).contains(&field.range().d()).then_some(field)
}

fn robust_surface(points: &[(f64, f64, f64)]) -> Option<[f64; TERMS]> {
    let mut weights = vec![1.0; points.len()];
    let mut fit = [0.0; TERMS];
    for _ in 0..8 {
        fit = weighted_surface(points, &weights)?;
        let errors: Vec<f64> = points
            .iter()
            .map(|(u, v, value)| value - terms(*u, *v).iter().zip(fit).map(|(t, c)| t * c).sum::<f64>())
            .collect();
        let mut sizes: Vec<f32> = errors.iter().map(|e| e.abs() as f32).collect();
        // Six median deviations are about four standard deviations. Our choice; common practice is 4.7.
        let scale = (6.0 * f64::from(median(&mut sizes))).max(1e-3);
        for (weight, error) in weights.iter_mut().zip(errors) {
            let t = (error / scale).abs().min(1.0);
            *weight = (1.0 - t * t) * (1.0 - t * t);
        }
    }
    Some(fit)
}

/// Weighted least squares by elimination; a small ridge, strongest on the curved terms, keeps a thin rebate from
/// inventing bowls: one per cent of all weights, a tenth of that on the slopes. Our choice.
fn weighted_surface(points: &[(f64, f64, f64)], weights: &[f64]) -> Option<[f64; TERMS]> {
    let mut a = [[0.0; TERMS + 1]; TERMS];
    for ((u, v, value), weight) in points.iter().zip(weights) {
        let terms = terms(*u, *v);
        for i in 0..TERMS {
            for j in 0..TERMS {
                a[i][j] += weight * terms[i] * terms[j];
            }
            a[i][TERMS] += weight * terms[i] * value;
        }
    }
    for (i, row) in a.iter_mut().enumerate().skip(1) {
        row[i] += 0.01 * points.len() as f64 * if i > 2 { 1.0 } else { 0.1 };
    }
    for i in 0..TERMS {
        let pivot = (i..TERMS).max_by(|x, y| a[*x][i].abs().total_cmp(&a[*y][i].abs()))?;
        a.swap(i, pivot);
        if a[i][i].abs() < 1e-12 {
            return None;
        }
        let pivot_row = a[i];
        for (k, row) in a.iter_mut().enumerate() {
            if k != i {
                let factor = row[i] / pivot_row[i];
                for (cell, from) in row.iter_mut().zip(pivot_row) {
                    *cell -= factor * from;
                }
            }
        }
    }
    let mut out = [0.0; TERMS];
    for (i, value) in out.iter_mut().enumerate() {
        *value = a[i][TERMS] / a[i][i];
    }
    out.iter().all(|x| x.is_finite()).then_some(out)
}

#[cfg(test)]
mod tests {
    use glassine_testdata::random::Lcg;

    use super::*;
    use crate::FilmKind;

    fn scan(fall: impl Fn(f64, f64) -> f64) -> (Samples16, Plane<u8>) {
        let (width, height) = (480_u32, 160_u32);
        let mut data = Vec::new();
        let mut candidate = Plane::filled(width, height, 0);
        let mut random = Lcg::new(5);
        for y in 0..height {
            for x in 0..width {
                let (u, v) = (
                    2.0 * f64::from(x) / f64::from(width) - 1.0,
                    2.0 * f64::from(y) / f64::from(height) - 1.0,
                );
                let noise = (random.unit() - 0.5) * 0.01;
                for base in [0.27, 0.61, 0.93] {
                    data.push((65_535.0 * crate::maths::exp10(-(base + fall(u, v) + noise))) as u16);
                }
                if v.abs() > 0.8 {
                    candidate.set(x, y, 1);
                }
            }
        }
        (Samples16::from_vec(width, height, 3, data).expect("sizes fit"), candidate)
    }

    #[test]
    fn a_lamp_that_falls_off_is_followed() {
        let fall = |u: f64, _: f64| 0.012 * u + 0.02 * u * u;
        let (samples, candidate) = scan(fall);
        let base = crate::measure_base(&samples, &candidate, FilmKind::ColourNegative).expect("clear film");
        let field = measure_base_field(&samples, &candidate, &base).expect("not even");
        for step in -4..=4 {
            let u = f64::from(step) / 4.0;
            for c in 0..3 {
                let error =
                    base.density_d[c] + field.shift_d(u, 0.9)[c] - [0.27, 0.61, 0.93][c] - fall(u, 0.9);
                assert!(error.abs() < 0.003, "{u} {error}");
            }
        }
    }

    #[test]
    fn an_even_lamp_gives_no_field() {
        let (samples, candidate) = scan(|_, _| 0.0);
        let base = crate::measure_base(&samples, &candidate, FilmKind::ColourNegative).expect("clear film");
        assert_eq!(measure_base_field(&samples, &candidate, &base), None);
    }
}
