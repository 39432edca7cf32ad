//! Blocks of lossy compression: steps at every eighth column and row.

use rayon::prelude::*;

use crate::areas::{Areas, OTHER};
use crate::{Band, Measure, Report, ScanUnderCheck, What};

/// Side of the blocks of the usual lossy compression. Source: ITU-T T.81 (JPEG).
const SIDE: usize = 8;
/// Excess of the steps at block edges over other steps, in both directions. Ours: sound scans stay below 2 %.
const LIMIT: f64 = 0.04;
const SERIOUS: f64 = 0.25;
/// Excess in units of the spread among the seven other places. Ours.
const DEVIATIONS: f64 = 5.0;

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let directions = [false, true].map(|down| excess(scan, areas, down));
    let [Some(across), Some(down)] = directions else { return };
    let value = 100.0 * across.min(down);
    let source = "ours: sound scans stay below 2 %";
    let measure = Measure {
        what: What::Blocks,
        value,
        unit: "% larger steps at block edges",
        limit: 100.0 * LIMIT,
        source,
    };
    report.judge(measure, 100.0 * SERIOUS, None);
}

/// Lossy compression makes the noise of neighbouring pixels alike, as enlarging does: what blocks explain is not
/// reported twice.
pub(crate) fn settle(report: &mut Report) {
    if report.has(What::Blocks) {
        report.findings.retain(|finding| finding.measure.what != What::Resampled);
    }
}

/// How much larger steps at one place of every eight are than at the others.
fn excess(scan: &ScanUnderCheck<'_>, areas: &Areas, down: bool) -> Option<f64> {
    let channel = scan.middle_channel();
    let sums = scan
        .bands
        .iter()
        .map(|band| sums(band, areas, channel, down))
        .fold([(0.0, 0.0); SIDE], |all, sums| {
            std::array::from_fn(|k| (all[k].0 + sums[k].0, all[k].1 + sums[k].1))
        });
    if sums.iter().any(|sum| sum.1 < 2000.0) {
        return None;
    }
    let means = sums.map(|(sum, count)| sum / count);
    let (at, most) = means.into_iter().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let others: Vec<f64> =
        means.into_iter().enumerate().filter(|(k, _)| *k != at).map(|(_, mean)| mean).collect();
    let mean = others.iter().sum::<f64>() / others.len() as f64;
    let spread = (others.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / others.len() as f64).sqrt();
    let excess = most - mean;
    Some(if excess > DEVIATIONS * spread { excess / mean.max(1e-9) } else { 0.0 })
}

fn sums(band: &Band, areas: &Areas, channel: usize, down: bool) -> [(f64, f64); SIDE] {
    let channels = usize::from(band.codes.channels()).max(1);
    let (width, height) = (band.codes.width() as usize, band.codes.height() as usize);
    // Every third row and column is enough, at all places of a block.
    (2..height.saturating_sub(2))
        .into_par_iter()
        .filter(|y| y % 3 == 0 || down)
        .fold(
            || [(0.0, 0.0); SIDE],
            |mut sums, y| {
                let rows: [&[u16]; 4] =
                    std::array::from_fn(|k| band.codes.row(if down { y + k - 2 } else { y } as u32));
                let columns = (2..width.saturating_sub(2)).filter(|x| !down || x % 3 == 0);
                for x in columns {
                    let class = areas.at(band.rect.x0 + x as u32, band.rect.y0 + y as u32);
                    if class == OTHER {
                        continue;
                    }
                    // Two pixels on either side of the step.
                    let [a, b, c, d] = std::array::from_fn(|k| {
                        let x = if down { x } else { x + k - 2 };
                        f64::from(rows[k][x * channels + channel])
                    });
                    // Relative, bounded: edges of the picture are no block edges.
                    let size = ((c - b).abs() / (0.5 * (b + c) + 64.0)).min(0.08);
                    let near = 0.5 * ((b - a).abs() + (d - c).abs()) / (0.5 * (b + c) + 64.0);
                    if near < 0.08 {
                        let place = if down { band.rect.y0 as usize + y } else { band.rect.x0 as usize + x };
                        let sum = &mut sums[place % SIDE];
                        *sum = (sum.0 + size, sum.1 + 1.0);
                    }
                }
                sums
            },
        )
        .reduce(|| [(0.0, 0.0); SIDE], |a, b| std::array::from_fn(|k| (a[k].0 + b[k].0, a[k].1 + b[k].1)))
}
