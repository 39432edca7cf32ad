//! Recognises the format of a strip, and chooses the frame lengths to try.

use super::frames::{Columns, Row, best_row};
use super::rows::Band;
use crate::{Format, formats};

/// What is known about a strip before its format is recognised.
#[derive(Debug, Clone, Copy)]
pub(super) struct Clues<'a> {
    pub(super) given: Option<&'a Format>,
    /// Working pixels per millimetre, from the stated resolution or from perforations.
    pub(super) px_per_mm: Option<f64>,
    /// Whether perforations were found.
    pub(super) perforated: bool,
    /// Width of the film in working pixels, if both its long edges are visible.
    pub(super) film_width_px: Option<f64>,
}

/// The best explanation.
#[derive(Debug, Clone)]
pub(super) struct Recognised {
    pub(super) row: Row,
    pub(super) format_id: Option<String>,
    /// Another format that fits as well.
    pub(super) rival: Option<String>,
}

/// Expected image height across the strip, if scale or film width determine it.
pub(super) fn expected_height_px(clues: &Clues<'_>) -> Option<f64> {
    if let Some(f) = clues.given {
        let by_width = clues.film_width_px.zip(f.strip_width_mm).map(|(px, mm)| px * f.across_mm / mm);
        return clues.px_per_mm.map(|k| k * f.across_mm).or(by_width);
    }
    if clues.perforated {
        // Image height of perforated film, mm. Source: the table in `formats.rs`.
        return clues.px_per_mm.map(|k| k * 24.0);
    }
    // 120 film: every image is 56 mm across. Source: encyclopedia list of 120 frame sizes; film 61.5 mm wide from
    // memory, and the limits are our choice.
    let width_mm = clues.film_width_px.zip(clues.px_per_mm).map(|(px, k)| px / k)?;
    (58.0..64.0).contains(&width_mm).then(|| clues.px_per_mm.map(|k| k * 56.0))?
}

/// Whether a format is possible on this strip, judged by everything but its length.
fn plausible(f: &Format, clues: &Clues<'_>, height_px: f64) -> bool {
    if clues.perforated && !f.perforated {
        return false;
    }
    // 6 %: more than cameras and a stated resolution differ, less than formats of one film do. Our choice.
    let near = |a: f64, b: f64, tolerance: f64| (a / b).ln().abs() < tolerance;
    if let Some(k) = clues.px_per_mm {
        if !near(height_px, f.across_mm * k, 0.06) {
            return false;
        }
        if let Some((px, mm)) = clues.film_width_px.zip(f.strip_width_mm) {
            // A crop, a holder or perforations may hide part of the width but never add to it.
            return px < mm * k * 1.06 && px > f.across_mm * k * 0.97;
        }
    } else if let Some((px, mm)) = clues.film_width_px.zip(f.strip_width_mm) {
        return near(height_px / px, f.across_mm / mm, 0.06);
    }
    true
}

/// Tries every plausible length and keeps the row that explains the strip best.
pub(super) fn recognise(columns: &Columns, band: &Band, clues: &Clues<'_>) -> Recognised {
    let height = band.height();
    let attempt = |f: Option<&'_ Format>, length: f64, handicap: f32| {
        let mut row = best_row(columns, length);
        // Of two explanations that fit alike, prefer the one with fewer frames as the simpler. The costs here are in
        // units of a row's fit, about 1 for a clear strip, and our choice: enough to break ties.
        row.fit -= handicap + 0.012 * row.spans.len() as f32;
        (f.map(|f| f.id), row)
    };
    let mut results: Vec<(Option<&str>, Row)> = Vec::new();
    let lengths = |f: &Format| {
        let nominal = clues.px_per_mm.map_or(f.aspect() * height, |k| f.along_mm * k);
        // Cameras differ by a few percent; the middle is preferred when it fits as well. Our choice: with the tolerance
        // of `frames.rs`, 2.5 %, the three cover -6.5 to +6.5 %.
        [(1.0, 0.0), (0.958, 0.02), (1.04, 0.02)].map(|(s, handicap)| (nominal * s, handicap))
    };
    match clues.given {
        Some(f) => {
            for (length, handicap) in lengths(f) {
                results.push(attempt(Some(f), length, handicap));
            }
        }
        None => {
            for f in formats().iter().filter(|f| plausible(f, clues, height)) {
                for (length, handicap) in lengths(f) {
                    results.push(attempt(Some(f), length, handicap));
                }
            }
        }
    }
    if let Some(length) = lone_run(columns) {
        // A measured length costs as much as five frames, one that denies the given format five times that. Our choice.
        let own = match clues.given {
            Some(given) => Some(given).filter(|f| ((length / height) / f.aspect()).ln().abs() < 0.1),
            None => nearest_format(clues, length, height),
        };
        let handicap = if clues.given.is_some() && own.is_none() { 0.3 } else { 0.06 };
        results.push(attempt(own, length, handicap));
    }
    let best = results.iter().map(|r| r.1.fit).fold(-1.0, f32::max);
    if best < 0.6 && clues.given.is_none() {
        // No known format explains it well: a camera or plate of unusual size. Try every length in steps of 2 %, up to
        // beyond the longest format (6x24, 4.0 times its height). Our choice.
        let mut length = 0.45 * height;
        while length < 4.3 * height {
            results.push(attempt(None, length, 0.08));
            length *= 1.02;
        }
    }
    results.sort_by(|a, b| b.1.fit.total_cmp(&a.1.fit));
    let rival = results
        .iter()
        .skip(1)
        .find(|r| {
            r.0.is_some() && r.0 != results[0].0 && r.1.fit > results[0].1.fit - 0.02 && !r.1.spans.is_empty()
        })
        .and_then(|r| r.0.map(str::to_owned));
    match results.into_iter().next() {
        Some((id, row)) => {
            let by_size = || {
                let length = row.spans.first().filter(|_| row.spans.len() == 1)?.length();
                format_of_part(clues, length, height).map(|f| f.id.to_owned())
            };
            let format_id = clues.given.map(|f| f.id.to_owned()).or(id.map(str::to_owned)).or_else(by_size);
            Recognised { row, format_id, rival: if clues.given.is_some() { None } else { rival } }
        }
        None => Recognised { row: Row { spans: Vec::new(), fit: -1.0 }, format_id: None, rival: None },
    }
}

/// The format of frames of a measured size: the nearest length among those possible on this film.
///
/// Cameras differ: published 6x7 lengths alone run from 67 to 70 mm, so 7 % in either direction (our choice) still
/// names a format.
pub(super) fn nearest_format(clues: &Clues<'_>, length_px: f64, height_px: f64) -> Option<&'static Format> {
    const TOLERANCE: f64 = 0.07;
    let off = |f: &Format| {
        let nominal = clues.px_per_mm.map_or(f.aspect() * height_px, |k| f.along_mm * k);
        (length_px / nominal).ln().abs()
    };
    let near = formats().iter().filter(|f| plausible(f, clues, height_px) && off(f) < TOLERANCE);
    near.min_by(|a, b| off(a).total_cmp(&off(b)))
}

/// The shortest format of this film that a picture cut off by the side of the scan may be part of.
pub(super) fn format_of_part(clues: &Clues<'_>, length_px: f64, height_px: f64) -> Option<&'static Format> {
    // Only a resolution turns pixels into a length: without it any picture may be part of some format.
    let k = clues.px_per_mm?;
    // Longer than the common roll-film pictures, 118 mm and the 4 % that cameras differ; a shorter part is ambiguous.
    // Our choice.
    const LONGER_THAN_MM: f64 = 118.0 * 1.04;
    let longer =
        formats().iter().filter(|f| plausible(f, clues, height_px) && f.along_mm * k > 0.97 * length_px);
    longer.min_by(|a, b| a.along_mm.total_cmp(&b.along_mm)).filter(|_| length_px > LONGER_THAN_MM * k)
}

/// Median length of the runs from a clear start to the next clear end. Our choice: clear is evidence above 0.4 that is
/// the strongest within five columns.
fn lone_run(columns: &Columns) -> Option<f64> {
    let strong =
        |e: &[f32], i: usize| e[i] > 0.4 && (i.saturating_sub(5)..(i + 6).min(e.len())).all(|k| e[k] <= e[i]);
    let starts: Vec<usize> = (0..columns.starts.len()).filter(|&i| strong(&columns.starts, i)).collect();
    let ends: Vec<usize> = (0..columns.ends.len()).filter(|&i| strong(&columns.ends, i)).collect();
    let mut runs: Vec<usize> = starts
        .iter()
        .filter_map(|&s| {
            let next_start = starts.iter().copied().find(|&o| o > s + 6).unwrap_or(usize::MAX);
            ends.iter().copied().find(|&e| e > s + 12).filter(|&e| e < next_start).map(|e| e - s)
        })
        .collect();
    runs.sort_unstable();
    runs.get(runs.len() / 2).map(|&r| r as f64)
}
