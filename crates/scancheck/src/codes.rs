//! What the codes themselves show: clipped ends, gaps, a curve.

use glassine_film::CodeCurve;
use glassine_raster::PixelRect;
use rayon::prelude::*;

use crate::areas::Areas;
use crate::{Measure, Report, ScanUnderCheck, What};

/// Share of the film's pixels that may be clipped. Our choice: dust and glints reach a few in a hundred thousand, and
/// the limit is well above; a fault that is worth another scan has ten times as many.
const CLIPPED_LIMIT: f64 = 0.000_5;
const CLIPPED_SERIOUS: f64 = 0.005;
const CLIPPED_SOURCE: &str =
    "ours; published guidelines allow no clipped codes (FADGI 2016: nothing below 5 or above 250 of 255)";

/// Fewest codes that a 16-bit file should use between clear and dense film. Our choice: 8 bits give at most 256.
const FEWEST_CODES: f64 = 400.0;
/// Pixels for each code that 256 steps would fill, so that gaps are no chance. Our choice.
const PIXELS_PER_STEP: u64 = 100;

/// Counts of the codes of film in one channel.
struct Counts {
    of_code: Vec<u32>,
    all: u64,
    /// Where clipped pixels of either end were seen.
    places: [Option<PixelRect>; 2],
}

pub(crate) fn check(scan: &ScanUnderCheck<'_>, areas: &Areas, report: &mut Report) {
    let (top, bottom) = if scan.bits <= 8 { (65_535, 0) } else { (65_534, 0) };
    let mut clipped = [(0.0_f64, None); 2];
    let mut fewest: Option<f64> = None;
    let of_channels: Vec<Counts> = (0..usize::from(scan.colour_channels))
        .into_par_iter()
        .map(|channel| counted(scan, areas, channel, (top, bottom)))
        .collect();
    for counts in of_channels.into_iter().filter(|counts| counts.all >= 1000) {
        let share = |count: u32| f64::from(count) / counts.all as f64;
        let ends = [ceiling(&counts, top), counts.of_code[0]];
        for (idx, count) in ends.into_iter().enumerate() {
            if share(count) > clipped[idx].0 {
                clipped[idx] = (share(count), counts.places[idx]);
            }
        }
        if let Some(steps) = steps(&counts) {
            fewest = Some(fewest.map_or(steps, |least: f64| least.min(steps)));
        }
    }
    for (what, (value, place)) in [What::ClippedHigh, What::ClippedLow].into_iter().zip(clipped) {
        let measure = Measure {
            what,
            value: 100.0 * value,
            unit: "% of film pixels",
            limit: 100.0 * CLIPPED_LIMIT,
            source: CLIPPED_SOURCE,
        };
        report.judge(measure, 100.0 * CLIPPED_SERIOUS, place);
    }
    if let Some(steps) = fewest {
        // Given as the mean step of density that the codes leave, so that larger is worse.
        let limit = FEWEST_CODES;
        let measure = Measure {
            what: What::ToneSteps,
            value: 65_536.0 / steps,
            unit: "codes per step",
            limit: 65_536.0 / limit,
            source: "ours: 8 bits leave at most 256 steps; FADGI 2016 asks 16 bits from 3 stars",
        };
        report.judge(measure, 65_536.0 / limit, None);
    }
}

/// Pixels at full scale: the highest code in use, if it is at least 97 % of full scale and holds many times what the
/// codes below it hold. Some scanners stop short of the last code. Our choice.
fn ceiling(counts: &Counts, top: usize) -> u32 {
    let full: u32 = counts.of_code[top..].iter().sum();
    let Some(most) = counts.of_code.iter().rposition(|count| *count > 0).filter(|most| *most >= 63_570)
    else {
        return full;
    };
    // The codes before it in use, whatever their distance.
    let before: Vec<u32> =
        counts.of_code[..most].iter().rev().filter(|count| **count > 0).take(16).copied().collect();
    let usual = before.iter().sum::<u32>() / before.len().max(1) as u32;
    let pile = counts.of_code[most];
    if pile > 20 * usual.max(1) { pile.max(full) } else { full }
}

/// Distinct codes between clear and dense film if the pixels suffice to fill many more; `None` if too few.
fn steps(counts: &Counts) -> Option<f64> {
    let used = counts.of_code.iter().filter(|count| **count > 0).count() as u64;
    (counts.all > used.max(256) * PIXELS_PER_STEP).then_some(used.max(1) as f64)
}

fn counted(
    scan: &ScanUnderCheck<'_>,
    areas: &Areas,
    channel: usize,
    (top, bottom): (usize, usize),
) -> Counts {
    let mut counts = Counts { of_code: vec![0; 65_536], all: 0, places: [None; 2] };
    for band in scan.bands {
        let channels = usize::from(band.codes.channels()).max(1);
        for y in 0..band.codes.height() {
            let row = band.codes.row(y);
            let scan_y = band.rect.y0 + y;
            for cell in 0..areas.class.width() {
                let x0 = cell * areas.factor;
                if !areas.is_film(x0, scan_y) {
                    continue;
                }
                let from = x0 as usize * channels;
                let to = (from + areas.factor as usize * channels).min(row.len());
                for px in row.get(from..to).unwrap_or_default().chunks_exact(channels) {
                    let code = usize::from(px[channel]);
                    counts.of_code[code] += 1;
                    counts.all += 1;
                    if code >= top || code <= bottom {
                        let place = &mut counts.places[usize::from(code <= bottom)];
                        let here = PixelRect::new(x0, scan_y, x0 + areas.factor, scan_y + 1);
                        *place = Some(place.map_or(here, |known| around(known, here)));
                    }
                }
            }
        }
    }
    counts
}

/// The smallest rectangle around two.
pub(crate) fn around(a: PixelRect, b: PixelRect) -> PixelRect {
    PixelRect::new(a.x0.min(b.x0), a.y0.min(b.y0), a.x1.max(b.x1), a.y1.max(b.y1))
}

/// Whether the codes are proportional to light: a note, not a fault.
pub(crate) fn check_curve(scan: &ScanUnderCheck<'_>, _areas: &Areas, report: &mut Report) {
    let power = match scan.curve {
        Some(CodeCurve::Gamma(power)) => power,
        // The power that lies closest to the curve. Source: IEC 61966-2-1 says 2.2.
        Some(CodeCurve::Srgb) => 2.2,
        Some(CodeCurve::Linear) | None => 1.0,
    };
    let source = "ours: codes of negatives should be proportional to light";
    let measure = Measure { what: What::Curve, value: power, unit: "exponent", limit: 1.05, source };
    report.judge(measure, f64::INFINITY, None);
}
