//! Rows of perforations; they give the kind of film, its scale and its straightest edge.

use glassine_raster::TiltedBox;

use super::levels::{Kind, Work};
use super::line::{Line, Sample, fit};
use super::strips::{StripFrame, pieces};

/// Distance between perforations of 35 mm still film, mm. Source: SMPTE ST 119, KS-1870.
const PERFORATION_PITCH_MM: f64 = 4.75;

/// One row of holes, in strip coordinates (working pixels).
#[derive(Debug, Clone)]
pub(super) struct HoleRow {
    pub(super) v0: f64,
    pub(super) v1: f64,
    pub(super) pitch_px: f64,
    pub(super) line: Line,
}

#[derive(Debug, Clone, Default)]
pub(super) struct Perforations {
    pub(super) rows: Vec<HoleRow>,
}

impl Perforations {
    pub(super) fn found(&self) -> bool {
        !self.rows.is_empty()
    }

    /// Working pixels per millimetre, from the pitch.
    pub(super) fn px_per_mm(&self) -> Option<f64> {
        let n = self.rows.len() as f64;
        self.found().then(|| self.rows.iter().map(|r| r.pitch_px).sum::<f64>() / n / PERFORATION_PITCH_MM)
    }

    /// The rows as boxes in scan pixels, over `u`.
    pub(super) fn boxes(&self, frame: StripFrame, u: (f64, f64), scale: f64) -> Vec<TiltedBox> {
        self.rows.iter().map(|r| frame.to_box(u, (r.v0, r.v1), scale)).collect()
    }
}

#[derive(Debug, Clone, Copy)]
struct Hole {
    u: f64,
    v: f64,
    half_u: f64,
    half_v: f64,
}

/// Finds rows of small open holes of equal size and spacing inside `u`, `v`.
pub(super) fn find_perforations(
    work: &Work,
    frame: StripFrame,
    u: (f64, f64),
    v: (f64, f64),
) -> Perforations {
    let (w, h) = (work.width(), work.height());
    let open: Vec<bool> = work.kinds.data().iter().map(|k| *k == Kind::Open).collect();
    let across = v.1 - v.0;
    let mut holes: Vec<Hole> = pieces(w, h, &open, 3)
        .iter()
        .filter_map(|p| {
            let (sx, sy) = ((p.x.1 - p.x.0) as f64, (p.y.1 - p.y.0) as f64);
            // Holes are 1.98 by 2.79 mm on 35 mm film (from memory): 0.06 and 0.08 of the width, at least 60 % of their
            // box filled. Our choice: wide limits, because the row below must fit the pitch as well.
            let size_ok = |s: f64| (0.02..0.17).contains(&(s / across));
            let filled = p.pixels.len() as f64 > 0.6 * sx * sy;
            let inner = p.x.0 > 0 && p.y.0 > 0 && p.x.1 < w && p.y.1 < h;
            if !(size_ok(sx) && size_ok(sy) && filled && inner) {
                return None;
            }
            let n = p.pixels.len() as f64;
            let sx_mean = p.pixels.iter().map(|&i| (i as usize % w) as f64 + 0.5).sum::<f64>() / n;
            let sy_mean = p.pixels.iter().map(|&i| (i as usize / w) as f64 + 0.5).sum::<f64>() / n;
            let (hu, hv) = frame.to_uv(sx_mean, sy_mean);
            let (half_u, half_v) = match frame.axis {
                crate::StripAxis::Across => (sx / 2.0, sy / 2.0),
                crate::StripAxis::Down => (sy / 2.0, sx / 2.0),
            };
            let inside = hu >= u.0 && hu <= u.1 && hv >= v.0 && hv <= v.1;
            inside.then_some(Hole { u: hu, v: hv, half_u, half_v })
        })
        .collect();
    holes.sort_by(|a, b| a.v.total_cmp(&b.v));
    let mut rows: Vec<Vec<Hole>> = Vec::new();
    for hole in holes {
        match rows.last_mut() {
            // Holes of one row are offset by little more than half their height, even on tilted film. Our choice.
            Some(row) if row.last().is_some_and(|l| hole.v - l.v < l.half_v * 1.2) => row.push(hole),
            _ => rows.push(vec![hole]),
        }
    }
    Perforations { rows: rows.into_iter().filter_map(|r| hole_row(r, across)).collect() }
}

fn hole_row(mut holes: Vec<Hole>, across: f64) -> Option<HoleRow> {
    // Fewer than four holes fix no pitch. Our choice.
    if holes.len() < 4 {
        return None;
    }
    let median = |f: &dyn Fn(&Hole) -> f64| {
        let mut v: Vec<f64> = holes.iter().map(f).collect();
        glassine_raster::median(&mut v, f64::total_cmp)
    };
    let (half_u, half_v) = (median(&|h| h.half_u)?, median(&|h| h.half_v)?);
    // Drops dirt and torn holes. Our choice.
    holes.retain(|h| (h.half_u / half_u - 1.0).abs() < 0.3 && (h.half_v / half_v - 1.0).abs() < 0.3);
    holes.sort_by(|a, b| a.u.total_cmp(&b.u));
    let mut steps: Vec<f64> = holes.windows(2).map(|p| p[1].u - p[0].u).collect();
    steps.sort_by(f64::total_cmp);
    let pitch = *steps.get(steps.len() / 4)?;
    // Spacing and size of real perforations: the pitch is 2.4 times the length of a hole along the film (4.75 mm, and
    // 1.98 mm from memory). Our choice of limits: torn and partly covered holes pass.
    if !(half_u * 2.0 * 1.5..half_u * 2.0 * 4.0).contains(&pitch) || pitch > across * 0.3 {
        return None;
    }
    let first = holes.first()?.u;
    let numbered: Vec<Sample> =
        holes.iter().map(|h| Sample { t: ((h.u - first) / pitch).round(), p: h.u, weight: 1.0 }).collect();
    // A tenth of the pitch around a pitch known to 5 %, and 15 % of half a hole around a line. Our choice.
    let spacing = fit(&numbered, pitch * 0.1, pitch, pitch * 0.05)?;
    let across_line: Vec<Sample> = holes.iter().map(|h| Sample { t: h.u, p: h.v, weight: 1.0 }).collect();
    let line = fit(&across_line, (half_v * 0.15).max(0.7), 0.0, 0.05)?;
    if spacing.agreeing * 3 < holes.len() * 2 {
        return None;
    }
    // A quarter more than the holes themselves, for their soft rims. Our choice.
    Some(HoleRow { v0: line.at - half_v * 1.25, v1: line.at + half_v * 1.25, pitch_px: spacing.slope, line })
}
