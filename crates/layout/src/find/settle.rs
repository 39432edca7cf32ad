//! From measured sides to final boxes: sizes for unseen sides, uncertainty, and film covered by the holder.

use glassine_raster::{Point, TiltedBox};

use super::frames::Span;
use super::levels::{Kind, Work};
use super::refine::{Side, Sides};
use super::strips::StripFrame;
use crate::StripAxis;

/// Drops sides that cannot be measured according to the row: cut ends, and weakly supported ends.
pub(super) fn mask_unreliable(mut sides: Sides, span: &Span, axis: StripAxis) -> Sides {
    let (first, last) = match axis {
        StripAxis::Across => (3, 1),
        StripAxis::Down => (0, 2),
    };
    if span.cut_start {
        sides.0[first] = None;
    }
    if span.cut_end {
        sides.0[last] = None;
    }
    // A side without evidence on the overview must agree on half of its profiles, another on a fifth. Our choice.
    let weak = |s: &Option<Side>, evidence: f32| {
        s.is_some_and(|s| s.agreeing < if evidence < 0.1 { 0.5 } else { 0.2 })
    };
    if weak(&sides.0[first], span.start) {
        sides.0[first] = None;
    }
    if weak(&sides.0[last], span.end) {
        sides.0[last] = None;
    }
    sides
}

/// Gives frames with unseen sides the size of the others, and the common turn if too few of their sides were seen.
pub(super) fn settle_sizes(
    spans: &[Span],
    measured: &mut [(TiltedBox, Sides)],
    frame: StripFrame,
    nominal_px: Option<(f64, f64)>,
) {
    let (first, last, low, high) = match frame.axis {
        StripAxis::Across => (3, 1, 0, 2),
        StripAxis::Down => (0, 2, 3, 1),
    };
    let along = |b: &TiltedBox| if frame.axis == StripAxis::Across { b.width_px } else { b.height_px };
    let across = |b: &TiltedBox| if frame.axis == StripAxis::Across { b.height_px } else { b.width_px };
    let median = |mut v: Vec<f64>| glassine_raster::median(&mut v, f64::total_cmp);
    let both = |m: &(TiltedBox, Sides), a: usize, b: usize| m.1.0[a].is_some() && m.1.0[b].is_some();
    let length = median(measured.iter().filter(|m| both(m, first, last)).map(|m| along(&m.0)).collect());
    let height = median(measured.iter().filter(|m| both(m, low, high)).map(|m| across(&m.0)).collect());
    let turn = median(measured.iter().filter(|m| m.1.seen() >= 3).map(|m| m.0.angle_rad).collect());
    let rows: Vec<(f64, f64)> =
        measured.iter().filter(|m| both(m, low, high)).map(|m| (m.0.center.x, m.0.center.y)).collect();
    let length = length.or(nominal_px.map(|n| n.0));
    let height = height.or(nominal_px.map(|n| n.1));
    for (span, m) in spans.iter().zip(measured.iter_mut()) {
        if m.1.seen() == 4 {
            continue;
        }
        let own_length =
            if span.cut_start || span.cut_end { along(&m.0) } else { length.unwrap_or(along(&m.0)) };
        let own_height = height.unwrap_or(across(&m.0));
        let size = match frame.axis {
            StripAxis::Across => (own_length, own_height),
            StripAxis::Down => (own_height, own_length),
        };
        let angle = if m.1.seen() >= 2 { m.0.angle_rad } else { turn.unwrap_or(m.0.angle_rad) };
        let mut guess = m.0;
        if m.1.0[low].is_none() && m.1.0[high].is_none() && !rows.is_empty() {
            guess = onto_row(guess, &rows, frame, angle);
        }
        m.0 = m.1.rectangle(&guess, angle, Some(size));
        m.0 = inside_doubt(&m.0, span, &m.1, frame.axis);
    }
}

/// Pulls unseen sides inwards by their uncertainty.
///
/// Ours: cameras keep the size of the gate to 0.4 %; a place inferred from the pitch is good to 1.2 % of the length.
fn inside_doubt(b: &TiltedBox, span: &Span, sides: &Sides, axis: StripAxis) -> TiltedBox {
    const SIZE_DOUBT: f64 = 0.004;
    const PLACE_DOUBT: f64 = 0.012;
    let pull = |k: usize, opposite: usize, length: f64, along: bool| {
        let cut = along && (span.cut_start || span.cut_end);
        match (sides.0[k].is_some(), sides.0[opposite].is_some()) {
            (true, _) => 0.0,
            _ if cut => 0.0,
            (false, true) => SIZE_DOUBT * length,
            (false, false) if along => PLACE_DOUBT * length,
            (false, false) => SIZE_DOUBT * length,
        }
    };
    let across_x = axis == StripAxis::Across;
    let (top, bottom) = (pull(0, 2, b.height_px, !across_x), pull(2, 0, b.height_px, !across_x));
    let (left, right) = (pull(3, 1, b.width_px, across_x), pull(1, 3, b.width_px, across_x));
    trimmed(b, [top, right, bottom, left])
}

/// A box with its top, right, bottom and left sides moved inwards.
fn trimmed(b: &TiltedBox, by: [f64; 4]) -> TiltedBox {
    let [top, right, bottom, left] = by;
    let (w, h) = (b.width_px.max(1.0), b.height_px.max(1.0));
    TiltedBox {
        center: b.scan_from_unit(
            f64::midpoint(left / w, 1.0 - right / w),
            f64::midpoint(top / h, 1.0 - bottom / h),
        ),
        width_px: (b.width_px - left - right).max(1.0),
        height_px: (b.height_px - top - bottom).max(1.0),
        angle_rad: b.angle_rad,
    }
}

/// Moves unseen sides off the holder and off open light, because the film may be covered there.
pub(super) fn off_the_holder(work: &Work, b: &TiltedBox, sides: &Sides, slide: bool) -> TiltedBox {
    let mut area = *b;
    for k in (0..4).filter(|&k| sides.0[k].is_none()) {
        for _ in 0..12 {
            let side = if k % 2 == 0 { area.height_px } else { area.width_px };
            // At most 12 working pixels from each side, and never below 24 pixels. Our choice.
            if side < 24.0 * work.scale {
                break;
            }
            // One working pixel inside the side, along its middle nine tenths.
            let inset = work.scale / side;
            let covered = (1..20)
                .filter(|&i| {
                    let t = f64::from(i) / 20.0;
                    let p = match k {
                        0 => area.scan_from_unit(t, inset),
                        1 => area.scan_from_unit(1.0 - inset, t),
                        2 => area.scan_from_unit(t, 1.0 - inset),
                        _ => area.scan_from_unit(inset, t),
                    };
                    let (x, y) = (p.x / work.scale, p.y / work.scale);
                    let inside = x >= 0.0 && y >= 0.0 && x < work.width() as f64 && y < work.height() as f64;
                    let kind = inside.then(|| work.kinds.at(x as u32, y as u32));
                    // Dark parts of a slide look like the holder.
                    kind.is_none() || kind == Some(Kind::Open) || (kind == Some(Kind::Holder) && !slide)
                })
                .count();
            if covered < 4 {
                break;
            }
            let mut by = [0.0; 4];
            by[k] = work.scale;
            area = trimmed(&area, by);
        }
    }
    area
}

/// Puts a box with unseen long sides on the line through the centres of the others.
fn onto_row(b: TiltedBox, centres: &[(f64, f64)], frame: StripFrame, angle: f64) -> TiltedBox {
    let axis = StripFrame { x: 0.0, y: 0.0, angle_rad: angle, axis: frame.axis };
    let (u, own) = axis.to_uv(b.center.x, b.center.y);
    let mut vs: Vec<f64> = centres.iter().map(|p| axis.to_uv(p.0, p.1).1).collect();
    let v = glassine_raster::median(&mut vs, f64::total_cmp).unwrap_or(own);
    let (x, y) = axis.to_xy(u, v);
    TiltedBox { center: Point::new(x, y), ..b }
}

pub(super) fn neighbours_overlap(measured: &[(TiltedBox, Sides)], k: usize, axis: StripAxis) -> bool {
    let near = |a: &TiltedBox, b: &TiltedBox| {
        let half = |b: &TiltedBox| if axis == StripAxis::Across { b.width_px } else { b.height_px } / 2.0;
        a.center.distance(b.center) < half(a) + half(b) - 2.0
    };
    let (before, after) = (k.checked_sub(1).and_then(|i| measured.get(i)), measured.get(k + 1));
    [before, after].into_iter().flatten().any(|n| near(&measured[k].0, &n.0))
}
