//! Interpolation: calculated pixels are smoother than measured ones, and this repeats with a fixed period.

use std::f64::consts::PI;

use glassine_raster::Plane;
use rayon::prelude::*;

use crate::areas::{Areas, PICTURE, REBATE};
use crate::bands::transposed;
use crate::statistics::median;
use crate::{Measure, Report, ScanUnderCheck, What};

/// Lines examined along each direction, from the middle. Our choice: bounds time.
const MOST_LINES: usize = 4096;
/// Lowest frequency examined, cycles per pixel. Our choice: slower changes are perforations and picture.
const LOWEST: f64 = 0.07;
/// Peak above the median of the spectrum, amplitudes, in both directions. Ours: the largest of 2000 values of noise is
/// 3.3 times the median (Rayleigh distribution); frame
/// edges, textures and a lost line reach 12.
const PEAK_LIMIT: f64 = 20.0;

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let spectra = [false, true].map(|turned| spectrum(scan, areas, turned));
    let [Some(across), Some(down)] = spectra else { return };
    // The same period along both directions, as turning or enlarging gives it.
    let peak = across
        .iter()
        .map(|(frequency, height)| {
            let near = down.iter().filter(|other| (other.0 - frequency).abs() < 0.002);
            (height.min(near.map(|other| other.1).fold(0.0, f64::max)), *frequency)
        })
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let Some((value, _)) = peak else { return };
    let source = "ours: measured pixels give up to 12";
    let measure = Measure {
        what: What::Resampled,
        value,
        unit: "times the spectrum's median",
        limit: PEAK_LIMIT,
        source,
    };
    report.judge(measure, 6.0 * PEAK_LIMIT, None);
}

/// Spectrum of the mean size of second differences along the columns (or rows), relative to its median.
///
/// Source of the idea: A. C. Gallagher, "Detection of linear and cubic interpolation in JPEG compressed images", CRV
/// 2005.
fn spectrum(scan: &ScanUnderCheck<'_>, areas: &Areas, turned: bool) -> Option<Vec<(f64, f64)>> {
    let mut sums: Vec<(f64, f64)> = Vec::new();
    let mut largest: Option<Vec<(f64, f64)>> = None;
    for band in scan.bands {
        let light = scan.light_of(band, scan.middle_channel());
        let plane = if turned { transposed(&light) } else { light };
        let found = differences(&plane, areas, (band.rect.x0, band.rect.y0), turned);
        if turned {
            // Columns of one band are its rows: the longest band is used.
            if largest.as_ref().is_none_or(|known| known.len() < found.len()) {
                largest = Some(found);
            }
        } else if sums.is_empty() {
            sums = found;
        } else {
            sums.iter_mut().zip(found).for_each(|(sum, v)| *sum = (sum.0 + v.0, sum.1 + v.1));
        }
    }
    let sums = largest.unwrap_or(sums);
    let means: Vec<f64> =
        sums.iter().map(|(sum, count)| if *count > 20.0 { sum / count } else { 0.0 }).collect();
    let from = means.len().saturating_sub(MOST_LINES) / 2;
    amplitudes(&means[from..(from + MOST_LINES).min(means.len())])
}

/// Sum and count of the sizes of second differences, at each place along the rows, in pictures and rebate.
fn differences(plane: &Plane<f32>, areas: &Areas, origin: (u32, u32), turned: bool) -> Vec<(f64, f64)> {
    let width = plane.width() as usize;
    let step = (plane.height() as usize / 400).max(1);
    (0..plane.height())
        .into_par_iter()
        .step_by(step)
        .fold(
            || vec![(0.0, 0.0); width],
            |mut sums, y| {
                let row = plane.row(y);
                for x in 1..width.saturating_sub(1) {
                    let (sx, sy) = if turned { (y, x as u32) } else { (x as u32, y) };
                    if matches!(areas.at(origin.0 + sx, origin.1 + sy), PICTURE | REBATE) {
                        let bent = f64::from(row[x - 1] - 2.0 * row[x] + row[x + 1]).abs();
                        let level = f64::from(row[x]).max(1e-4);
                        sums[x].0 += (bent / level).min(0.05);
                        sums[x].1 += 1.0;
                    }
                }
                sums
            },
        )
        .reduce(
            || vec![(0.0, 0.0); width],
            |mut a, b| {
                a.iter_mut().zip(b).for_each(|(a, b)| *a = (a.0 + b.0, a.1 + b.1));
                a
            },
        )
}

fn amplitudes(means: &[f64]) -> Option<Vec<(f64, f64)>> {
    const AROUND: usize = 8;
    if means.len() < 64 {
        return None;
    }
    // Relative to what is near, so that the picture's own changes weigh little.
    let flat: Vec<f64> = (0..means.len())
        .map(|at| {
            let near = &means[at.saturating_sub(AROUND)..(at + AROUND + 1).min(means.len())];
            let lit: Vec<f64> = near.iter().copied().filter(|v| *v > 0.0).collect();
            let level = lit.iter().sum::<f64>() / lit.len().max(1) as f64;
            if means[at] > 0.0 && lit.len() > AROUND {
                (means[at] / level - 1.0).clamp(-0.5, 0.5)
            } else {
                0.0
            }
        })
        .collect();
    if flat.iter().filter(|v| **v != 0.0).count() < 64 {
        return None;
    }
    let n = flat.len();
    let spectrum: Vec<(f64, f64)> = ((LOWEST * n as f64) as usize..=n / 2)
        .into_par_iter()
        .map(|k| {
            let frequency = k as f64 / n as f64;
            // Goertzel's recurrence: one multiplication a value.
            let turn = 2.0 * (2.0 * PI * frequency).cos();
            let (a, b) = flat.iter().fold((0.0, 0.0), |(a, b), v| (v + turn * a - b, a));
            (frequency, (a * a + b * b - turn * a * b).max(0.0).sqrt())
        })
        .collect();
    let middle = median(&mut spectrum.iter().map(|v| v.1).collect::<Vec<_>>())?.max(1e-9);
    Some(spectrum.into_iter().map(|(frequency, height)| (frequency, height / middle)).collect())
}
