//! The pieces of film in the working picture, their direction, and coordinates along and across each.

use glassine_raster::{Plane, Point, TiltedBox};
use rayon::prelude::*;

use super::levels::{Kind, Work};
use crate::StripAxis;

/// Coordinates of a strip in working pixels: `u` along, `v` across, the origin at the middle of the piece.
#[derive(Debug, Clone, Copy)]
pub(super) struct StripFrame {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) angle_rad: f64,
    pub(super) axis: StripAxis,
}

impl StripFrame {
    /// `x = x0 + m[0] u + m[1] v`, `y = y0 + m[2] u + m[3] v`.
    fn matrix(self) -> [f64; 4] {
        let (s, c) = self.angle_rad.sin_cos();
        match self.axis {
            StripAxis::Across => [c, -s, s, c],
            StripAxis::Down => [-s, c, c, s],
        }
    }

    pub(super) fn to_xy(self, u: f64, v: f64) -> (f64, f64) {
        let m = self.matrix();
        (self.x + u * m[0] + v * m[1], self.y + u * m[2] + v * m[3])
    }

    pub(super) fn to_uv(self, x: f64, y: f64) -> (f64, f64) {
        let m = self.matrix();
        let (dx, dy) = (x - self.x, y - self.y);
        (dx * m[0] + dy * m[2], dx * m[1] + dy * m[3])
    }

    /// The scan-pixel box of `u0..u1`, `v0..v1`.
    pub(super) fn to_box(self, u: (f64, f64), v: (f64, f64), scale: f64) -> TiltedBox {
        let (x, y) = self.to_xy(f64::midpoint(u.0, u.1), f64::midpoint(v.0, v.1));
        let (along, across) = ((u.1 - u.0) * scale, (v.1 - v.0) * scale);
        let (width_px, height_px) = match self.axis {
            StripAxis::Across => (along, across),
            StripAxis::Down => (across, along),
        };
        TiltedBox { center: Point::new(x * scale, y * scale), width_px, height_px, angle_rad: self.angle_rad }
    }
}

/// A connected piece: its pixel indices and their bounds (half open).
#[derive(Debug, Clone)]
pub(super) struct Piece {
    pub(super) pixels: Vec<u32>,
    pub(super) x: (usize, usize),
    pub(super) y: (usize, usize),
}

impl Piece {
    fn join(pieces: &[&Self]) -> Self {
        let mut all = Self { pixels: Vec::new(), x: (usize::MAX, 0), y: (usize::MAX, 0) };
        for p in pieces {
            all.pixels.extend_from_slice(&p.pixels);
            all.x = (all.x.0.min(p.x.0), all.x.1.max(p.x.1));
            all.y = (all.y.0.min(p.y.0), all.y.1.max(p.y.1));
        }
        all
    }
}

/// Connected pieces (four neighbours) of the pixels where `inside` is true, with a largest side of at least
/// `least_side`.
pub(super) fn pieces(width: usize, height: usize, inside: &[bool], least_side: usize) -> Vec<Piece> {
    let mut seen = vec![false; inside.len()];
    let mut found = Vec::new();
    let mut stack = Vec::new();
    for start in 0..inside.len() {
        if seen[start] || !inside[start] {
            continue;
        }
        seen[start] = true;
        stack.push(start);
        let mut piece = Piece { pixels: Vec::new(), x: (usize::MAX, 0), y: (usize::MAX, 0) };
        while let Some(i) = stack.pop() {
            let (x, y) = (i % width, i / width);
            piece.pixels.push(i as u32);
            piece.x = (piece.x.0.min(x), piece.x.1.max(x + 1));
            piece.y = (piece.y.0.min(y), piece.y.1.max(y + 1));
            let mut visit = |j: usize| {
                if inside[j] && !seen[j] {
                    seen[j] = true;
                    stack.push(j);
                }
            };
            if x > 0 {
                visit(i - 1);
            }
            if x + 1 < width {
                visit(i + 1);
            }
            if y > 0 {
                visit(i - width);
            }
            if y + 1 < height {
                visit(i + width);
            }
        }
        if (piece.x.1 - piece.x.0).max(piece.y.1 - piece.y.0) >= least_side {
            found.push(piece);
        }
    }
    found
}

/// Pixels whose whole neighbourhood of `radius` is true (erosion), or any of it (dilation), by running counts.
pub(super) fn grow(width: usize, height: usize, inside: &[bool], radius: usize, erode: bool) -> Vec<bool> {
    let pass = |src: &[bool], n: usize, lines: usize, step: usize, line_step: usize| {
        let mut out = vec![false; src.len()];
        for line in 0..lines {
            let at = |i: usize| line * line_step + i * step;
            let mut count = (0..radius.min(n)).filter(|&i| src[at(i)] != erode).count();
            for i in 0..n {
                if i + radius < n && src[at(i + radius)] != erode {
                    count += 1;
                }
                if i > radius && src[at(i - radius - 1)] != erode {
                    count -= 1;
                }
                out[at(i)] = (count > 0) != erode;
            }
        }
        out
    };
    let rows = pass(inside, width, height, 1, width);
    pass(&rows, height, width, width, 1)
}

/// The strips of a working picture: film pieces, or rows of images where film and holder look alike.
pub(super) fn strip_pieces(work: &Work, slide: bool) -> Vec<Piece> {
    let (w, h) = (work.width(), work.height());
    let film: Vec<bool> = work.kinds.data().iter().map(|k| *k == Kind::Film).collect();
    // Opening by two pixels removes the soft line between holder and open light.
    let opened = grow(w, h, &grow(w, h, &film, 2, true), 2, false);
    // Our choice of the least size: 8 mm of a bed of 250 mm in one direction, half of that in the other, and an 800th
    // of the scan; smaller pieces are scraps and dirt.
    let least = (w.max(h) / 30).max(8);
    let mut found = pieces(w, h, &opened, least);
    let thin = (w.max(h) / 60).max(8);
    let short_side = |p: &Piece| (p.x.1 - p.x.0).min(p.y.1 - p.y.0);
    found.retain(|p| p.pixels.len() * 800 >= w * h && short_side(p) >= thin);
    if slide && !(work.has_infrared() && found.iter().any(|p| dark_share(work, p) > 0.03)) {
        found = rows_of_images(&found, w >= h);
    }
    found.sort_by_key(|p| (p.y.0, p.x.0));
    found
}

/// Share of a piece that is black in every colour (2 D, our choice): the rebate of a slide, seen through the infrared
/// plane.
fn dark_share(work: &Work, piece: &Piece) -> f64 {
    let step = (piece.pixels.len() / 20_000).max(1);
    let (mut dark, mut all) = (0_usize, 0_usize);
    for &i in piece.pixels.iter().step_by(step) {
        all += 1;
        dark += usize::from(super::levels::max3(work.colour_at(i as usize)) < 0.01);
    }
    dark as f64 / all.max(1) as f64
}

/// Joins images side by side into rows (or columns, whichever gives fewer).
fn rows_of_images(found: &[Piece], wide: bool) -> Vec<Piece> {
    let cluster = |span: fn(&Piece) -> (usize, usize)| {
        let mut groups: Vec<((usize, usize), Vec<&Piece>)> = Vec::new();
        for p in found {
            let s = span(p);
            let hit = groups.iter_mut().find(|(g, _)| {
                let shared = g.1.min(s.1).saturating_sub(g.0.max(s.0));
                shared * 2 > (s.1 - s.0).min(g.1 - g.0)
            });
            match hit {
                Some((g, list)) => {
                    *g = (g.0.min(s.0), g.1.max(s.1));
                    list.push(p);
                }
                None => groups.push((s, vec![p])),
            }
        }
        groups
    };
    let (rows, columns) = (cluster(|p| p.y), cluster(|p| p.x));
    let groups =
        if rows.len() < columns.len() || (rows.len() == columns.len() && wide) { rows } else { columns };
    groups.iter().map(|(_, list)| Piece::join(list)).collect()
}

/// Axis and first estimate of the turn of a piece: the smallest box around it, within 45 degrees of upright.
pub(super) fn coarse_frame(piece: &Piece, width: usize, across_known_px: Option<f64>) -> StripFrame {
    let hull = hull_points(piece, width);
    let extent = |angle: f64| {
        let (s, c) = angle.sin_cos();
        let mut b = [f64::INFINITY, f64::NEG_INFINITY, f64::INFINITY, f64::NEG_INFINITY];
        for &(x, y) in &hull {
            let (u, v) = (x * c + y * s, y * c - x * s);
            b = [b[0].min(u), b[1].max(u), b[2].min(v), b[3].max(v)];
        }
        b
    };
    let area = |angle: f64| {
        let b = extent(angle);
        (b[1] - b[0]) * (b[3] - b[2])
    };
    let mut best = (0.0, area(0.0));
    // Degrees, each search within a step of the last. Our choice: 0.02 is a pixel over 2600.
    for (range, step) in [(44.0, 1.0), (1.0, 0.1), (0.1, 0.02)] {
        let centre = best.0;
        let n = (range / step) as i32;
        for k in -n..=n {
            let angle = centre + f64::from(k) * step;
            let a = area(angle.to_radians());
            // A turn must gain enough (0.05 %, our choice): a ragged outline alone should not tilt the strip.
            if angle.abs() < 45.0 && a < best.1 * 0.9995 {
                best = (angle, a);
            }
        }
    }
    let angle_rad = f64::to_radians(best.0);
    let b = extent(angle_rad);
    let (s, c) = angle_rad.sin_cos();
    let (u, v) = (f64::midpoint(b[0], b[1]), f64::midpoint(b[2], b[3]));
    let (along_x, along_y) = (b[1] - b[0], b[3] - b[2]);
    let axis = match across_known_px {
        // The side nearer to the known film width, by a tenth (our choice), is the one across.
        Some(px) if ((along_x / px).ln()).abs() < ((along_y / px).ln()).abs() * 0.9 => StripAxis::Down,
        Some(_) => StripAxis::Across,
        None if along_y > along_x => StripAxis::Down,
        None => StripAxis::Across,
    };
    StripFrame { x: u * c - v * s, y: u * s + v * c, angle_rad, axis }
}

/// Outermost pixel corners of every row: sufficient for any box around the piece.
pub(super) fn hull_points(piece: &Piece, width: usize) -> Vec<(f64, f64)> {
    let rows = piece.y.1 - piece.y.0;
    let mut spans = vec![(usize::MAX, 0_usize); rows];
    for &i in &piece.pixels {
        let (x, y) = (i as usize % width, i as usize / width - piece.y.0);
        spans[y] = (spans[y].0.min(x), spans[y].1.max(x + 1));
    }
    let mut points = Vec::with_capacity(rows * 4);
    for (k, (x0, x1)) in spans.into_iter().enumerate().filter(|(_, s)| s.1 > s.0) {
        let y = (piece.y.0 + k) as f64;
        for x in [x0 as f64, x1 as f64] {
            points.push((x, y));
            points.push((x, y + 1.0));
        }
    }
    points
}

/// Resamples a plane along a strip: column `i` is `u0 + i + 0.5`, row `j` is `v0 + j + 0.5`; outside gives `fill`.
pub(super) fn read_upright(
    plane: &Plane<f32>,
    frame: StripFrame,
    u: (f64, f64),
    v: (f64, f64),
    step: f64,
    fill: f32,
) -> Plane<f32> {
    let size = |r: (f64, f64)| ((r.1 - r.0) / step).ceil().clamp(1.0, 20_000.0) as u32;
    let (w, h) = (size(u), size(v));
    let mut out = Plane::filled(w, h, fill);
    let (sw, sh) = (plane.width() as usize, plane.height() as usize);
    if sw == 0 || sh == 0 {
        return out;
    }
    let m = frame.matrix();
    out.data_mut().par_chunks_mut(w as usize).enumerate().for_each(|(j, row)| {
        let (x, y) = frame.to_xy(u.0 + 0.5 * step, v.0 + (j as f64 + 0.5) * step);
        for (i, value) in row.iter_mut().enumerate() {
            let along = i as f64 * step;
            let (x, y) = (x + along * m[0] - 0.5, y + along * m[2] - 0.5);
            if x < 0.0 || y < 0.0 || x > (sw - 1) as f64 || y > (sh - 1) as f64 {
                continue;
            }
            let (x0, y0) = (x as usize, y as usize);
            let (x1, y1) = ((x0 + 1).min(sw - 1), (y0 + 1).min(sh - 1));
            let (fx, fy) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
            let at = |x: usize, y: usize| plane.at(x as u32, y as u32);
            let top = at(x0, y0) * (1.0 - fx) + at(x1, y0) * fx;
            let bottom = at(x0, y1) * (1.0 - fx) + at(x1, y1) * fx;
            *value = top * (1.0 - fy) + bottom * fy;
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strip_coordinates_round_trip_both_ways_of_running() {
        for axis in [StripAxis::Across, StripAxis::Down] {
            let f = StripFrame { x: 40.0, y: 30.0, angle_rad: 0.2, axis };
            let (x, y) = f.to_xy(12.0, -5.0);
            let (u, v) = f.to_uv(x, y);
            assert!((u - 12.0).abs() < 1e-12 && (v + 5.0).abs() < 1e-12);
            let b = f.to_box((10.0, 14.0), (-7.0, -3.0), 2.0);
            assert!((b.center.x / 2.0 - x).abs() < 1e-12 && (b.center.y / 2.0 - y).abs() < 1e-12);
        }
    }

    #[test]
    fn growing_and_shrinking_move_the_outline_by_the_radius() {
        let inside: Vec<bool> =
            (0..20 * 20).map(|i| (5..15).contains(&(i % 20)) && (5..15).contains(&(i / 20))).collect();
        let small = grow(20, 20, &inside, 2, true);
        assert_eq!(small.iter().filter(|v| **v).count(), 36);
        let back = grow(20, 20, &small, 2, false);
        assert_eq!(back, inside);
        let edge = grow(20, 20, &vec![true; 400], 3, true);
        assert!(edge.iter().all(|v| *v), "the border of the picture does not erode");
    }

    #[test]
    fn the_turn_of_a_tilted_bar_is_seen() {
        let (w, h) = (300, 100);
        let angle = 3_f64.to_radians();
        let inside: Vec<bool> = (0..w * h)
            .map(|i| {
                let (x, y) = ((i % w) as f64 - 149.5, (i / w) as f64 - 49.5);
                let (s, c) = angle.sin_cos();
                (x * c + y * s).abs() < 120.0 && (y * c - x * s).abs() < 25.0
            })
            .collect();
        let piece = pieces(w, h, &inside, 5).remove(0);
        let f = coarse_frame(&piece, w, None);
        assert_eq!(f.axis, StripAxis::Across);
        assert!((f.angle_rad - angle).abs() < 0.004, "{}", f.angle_rad.to_degrees());
    }
}
