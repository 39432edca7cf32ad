//! Completes a row with frames that edges alone do not show.
//!
//! A gap that fits a whole number of frames is filled from the pitch; an image cut off by the end of the film becomes
//! a partial frame; faint content beyond the last frame counts as another one only if a whole frame fits.

use glassine_raster::Plane;

use super::frames::{Columns, Span};
use super::rows::Band;

/// Shortest partial frame to accept, relative to the length. Our choice: shorter ones are lettering or light leaks.
const LEAST_PART: f64 = 0.12;

/// Median distance between the middles of neighbours, and median length. Our choice: 0.8 to 1.5 lengths are neighbours;
/// a lone frame is given a gap of 6 % (5 % on 35 mm film, more on roll film).
fn pitch_and_length(spans: &[Span]) -> Option<(f64, f64)> {
    let median = |mut v: Vec<f64>| glassine_raster::median(&mut v, f64::total_cmp);
    let length = median(spans.iter().map(Span::length).collect())?;
    let middles: Vec<f64> = spans.iter().map(|s| f64::midpoint(s.a, s.b)).collect();
    let steps: Vec<f64> =
        middles.windows(2).map(|m| m[1] - m[0]).filter(|d| *d > 0.8 * length && *d < 1.5 * length).collect();
    Some((median(steps).unwrap_or(length * 1.06), length))
}

/// Fills gaps and ends of a row in place.
pub(super) fn complete(spans: &mut Vec<Span>, columns: &Columns, plane: &Plane<f32>, band: &Band) {
    let Some((pitch, length)) = pitch_and_length(spans) else { return };
    fill_gaps(spans, columns, pitch, length);
    let film = (columns.film.0 as f64, columns.film.1 as f64);
    extend(spans, columns, (plane, band), (pitch, length), film, false);
    extend(spans, columns, (plane, band), (pitch, length), film, true);
}

fn inferred(columns: &Columns, a: f64, length: f64) -> Span {
    // Pitch and length of a row are known to a few percent, so edges are sought that near. Our choice.
    let reach = length * 0.04;
    let (s, start) = Columns::strongest(&columns.starts, a, reach);
    let (e, end) = Columns::strongest(&columns.ends, a + length, reach);
    // Faint edges count only when they agree with the length; a single edge counts only when it is clear: a quarter of
    // a full one. Our choice.
    let agree = start > 0.015 && end > 0.015 && (e - s - length).abs() < length * 0.02;
    let (a, b) = if agree {
        (s, e)
    } else if start > 0.25 {
        (s, s + length)
    } else if end > 0.25 {
        (e - length, e)
    } else {
        (a, a + length)
    };
    Span {
        a,
        b,
        start,
        end,
        content: columns.mean_content(a, b),
        cut_start: false,
        cut_end: false,
        inferred: !agree,
    }
}

/// Moves a frame without edges so that it holds the lights seen between `left` and `right`.
fn hold_lights(mut span: Span, columns: &Columns, left: f64, right: f64) -> Span {
    if span.start > 0.25 || span.end > 0.25 || !span.inferred {
        return span;
    }
    // Two per cent of a column's height: the lights of a night picture, not dust. Our choice.
    let lit = |i: &usize| columns.content[*i] > 0.02;
    let range =
        (left.max(0.0) as usize + 4)..(right.max(0.0) as usize).saturating_sub(4).min(columns.content.len());
    let (Some(first), Some(last)) = (range.clone().find(lit), range.rev().find(lit)) else { return span };
    let (first, last) = (first as f64, last as f64 + 1.0);
    let length = span.length();
    if last - first <= length {
        let a = span.a.clamp((last - length).min(first), first);
        (span.a, span.b) = (a, a + length);
    }
    span
}

fn fill_gaps(spans: &mut Vec<Span>, columns: &Columns, pitch: f64, length: f64) {
    let mut k = 0;
    while k + 1 < spans.len() {
        let (left, right) = (spans[k], spans[k + 1]);
        let step = f64::midpoint(right.a, right.b) - f64::midpoint(left.a, left.b);
        let missing = (step / pitch).round() as usize;
        let free = right.a - left.b;
        // At most 11 frames are inferred, and only where they have room to within 7 %. Our choice.
        if (2..=12).contains(&missing) && free > 0.93 * length * (missing - 1) as f64 {
            let own_pitch = step / missing as f64;
            for m in 1..missing {
                let middle = f64::midpoint(left.a, left.b) + own_pitch * m as f64;
                let mut span = inferred(columns, middle - length / 2.0, length);
                if missing == 2 {
                    span = hold_lights(span, columns, left.b, right.a);
                }
                spans.insert(k + m, span);
            }
            k += missing - 1;
        }
        k += 1;
    }
}

/// Looks beyond the first (`late` false) or last frame for another one, whole or cut off.
fn extend(
    spans: &mut Vec<Span>,
    columns: &Columns,
    (plane, band): (&Plane<f32>, &Band),
    (pitch, length): (f64, f64),
    film: (f64, f64),
    late: bool,
) {
    for _ in 0..12 {
        let Some(edge) = (if late { spans.last() } else { spans.first() }).copied() else { return };
        if edge.cut_start || edge.cut_end {
            return;
        }
        let free = if late { film.1 - edge.b } else { edge.a - film.0 };
        let gap = (pitch - length).max(2.0);
        // A whole frame may lack 3 % of its length and most of a gap; less room holds a part. Our choice.
        if free < LEAST_PART * length + 0.5 * gap {
            return;
        }
        let near = if late { edge.b + gap } else { edge.a - gap };
        let next = if free >= 0.97 * length + 0.3 * gap {
            let a = if late { near } else { near - length };
            let span = inferred(columns, a.clamp(film.0 - 0.02 * length, film.1 - 0.98 * length), length);
            let faint = stands_out(plane, band, span.a, span.b) && span.content > 0.004;
            faint.then_some(span)
        } else {
            part(columns, (plane, band), near, film, length, late)
        };
        let Some(span) = next else { return };
        if late {
            spans.push(span);
        } else {
            spans.insert(0, span);
        }
    }
}

/// The part of an image between the end of the film and a clear edge.
fn part(
    columns: &Columns,
    (plane, band): (&Plane<f32>, &Band),
    near: f64,
    film: (f64, f64),
    length: f64,
    late: bool,
) -> Option<Span> {
    // Our choice: a part needs clearer evidence than a frame between others, and more content.
    let reach = length * 0.06;
    let (at, seen) = if late {
        Columns::strongest(&columns.starts, near, reach)
    } else {
        Columns::strongest(&columns.ends, near, reach)
    };
    let (a, b) = if late { (at, film.1) } else { (film.0, at) };
    let content = columns.mean_content(a, b);
    let good = seen > 0.3 && b - a > LEAST_PART * length && content > 0.15 && stands_out(plane, band, a, b);
    good.then_some(Span {
        a,
        b,
        start: if late { seen } else { 0.0 },
        end: if late { 0.0 } else { seen },
        content,
        cut_start: !late,
        cut_end: late,
        inferred: false,
    })
}

/// Whether columns `a..b` hold more signal in the image band than in the rebate beside it; a light leak does not.
///
/// Our choice: half as much again, and more than rounding; 4 % of the height is kept from the soft edge of the band.
fn stands_out(plane: &Plane<f32>, band: &Band, a: f64, b: f64) -> bool {
    let (w, h) = (plane.width() as f64, f64::from(plane.height()));
    let (a, b) = (a.clamp(0.0, f64::from(plane.width())) as u32, b.clamp(0.0, w) as u32);
    let mean = |v0: f64, v1: f64| {
        let (mut sum, mut n) = (0.0_f64, 0_u32);
        for j in (v0.clamp(0.0, h) as u32)..(v1.clamp(0.0, h) as u32) {
            for s in plane.row(j)[a.min(b) as usize..b as usize].iter().filter(|s| s.is_finite()) {
                sum += f64::from(s.clamp(0.0, 0.5));
                n += 1;
            }
        }
        (n > 0).then(|| sum / f64::from(n))
    };
    let inset = band.height() * 0.04;
    let Some(inside) = mean(band.v0 + inset, band.v1 - inset) else { return false };
    let beside = [mean(0.0, band.v0 - inset), mean(band.v1 + inset, h)];
    let outside = beside.into_iter().flatten().fold(f64::INFINITY, f64::min);
    let outside = if outside.is_finite() { outside } else { 0.0 };
    inside > 0.003 && inside > 1.5 * outside
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::frames::best_row;

    fn strip(images: &[(u32, u32, f32)]) -> (Plane<f32>, Band, Columns) {
        let mut p = Plane::filled(700, 80, 0.0_f32);
        for j in 10..70 {
            for (i, s) in p.row_mut(j).iter_mut().enumerate() {
                *s = images.iter().filter(|(a, b, _)| (*a..*b).contains(&(i as u32))).map(|x| x.2).sum();
            }
        }
        let band = Band { v0: 10.0, v1: 70.0, confidence: 1.0 };
        let columns = Columns::new(&p, &band, 0.003);
        (p, band, columns)
    }

    #[test]
    fn a_hole_in_the_row_is_filled_from_the_pitch() {
        let (p, band, c) = strip(&[(10, 120, 0.6), (130, 240, 0.5), (370, 480, 0.7)]);
        let mut spans = best_row(&c, 110.0).spans;
        assert_eq!(spans.len(), 3);
        complete(&mut spans, &c, &p, &band);
        assert_eq!(spans.len(), 4);
        assert!(spans[2].inferred && (spans[2].a - 250.0).abs() < 3.0, "{:?}", spans[2]);
    }

    #[test]
    fn a_piece_at_the_end_of_the_film_is_offered_as_a_part() {
        let (p, band, c) = strip(&[(0, 60, 0.6), (70, 180, 0.5), (190, 300, 0.7)]);
        let mut spans = best_row(&c, 110.0).spans;
        complete(&mut spans, &c, &p, &band);
        assert_eq!(spans.len(), 3, "{spans:?}");
        assert!(spans[0].cut_start && (spans[0].b - 60.0).abs() <= 2.0);
    }

    #[test]
    fn empty_film_after_the_last_frame_stays_empty() {
        let (p, band, c) = strip(&[(70, 180, 0.5), (190, 300, 0.7)]);
        let mut spans = best_row(&c, 110.0).spans;
        complete(&mut spans, &c, &p, &band);
        assert_eq!(spans.len(), 2, "{spans:?}");
    }
}
