//! The box guard keeps a crop box inside the safe area and allows every box there.
//!
//! In the turned frame of the safe area each side is a linear constraint on the edges of a box, so every function below
//! is exact: a moved box slides along the edge, a dragged edge or corner stops at it, and the result changes
//! continuously with the requested box.

use glassine_raster::{Point, TiltedBox};

/// A corner up to this far outside, in pixels, counts as inside; rounding errors at positions of a few hundred thousand
/// pixels are smaller. Our choice.
const SLACK_PX: f64 = 1e-6;

/// The area the crop box of one frame must stay inside.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SafeArea {
    /// The measured image area less the margin.
    pub area: TiltedBox,
}

/// Edges of a box in its own turned frame, about the scan origin.
#[derive(Debug, Clone, Copy)]
struct Edges {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

/// `left*a[0] + right*a[1] + top*a[2] + bottom*a[3] <= limit`
#[derive(Debug, Clone, Copy)]
struct Constraint {
    a: [f64; 4],
    limit: f64,
}

impl Edges {
    fn of(b: &TiltedBox) -> Self {
        let (sin, cos) = b.angle_rad.sin_cos();
        let (x, y) = (cos * b.center.x + sin * b.center.y, cos * b.center.y - sin * b.center.x);
        let (w, h) = (b.width_px / 2.0, b.height_px / 2.0);
        Self { left: x - w, right: x + w, top: y - h, bottom: y + h }
    }

    fn to_box(self, angle_rad: f64) -> TiltedBox {
        let (sin, cos) = angle_rad.sin_cos();
        let (x, y) = (f64::midpoint(self.left, self.right), f64::midpoint(self.top, self.bottom));
        TiltedBox {
            center: Point::new(cos * x - sin * y, sin * x + cos * y),
            width_px: self.right - self.left,
            height_px: self.bottom - self.top,
            angle_rad,
        }
    }

    fn array(self) -> [f64; 4] {
        [self.left, self.right, self.top, self.bottom]
    }

    fn from_array(e: [f64; 4]) -> Self {
        Self { left: e[0], right: e[1], top: e[2], bottom: e[3] }
    }
}

impl Constraint {
    fn value(&self, e: [f64; 4]) -> f64 {
        self.a.iter().zip(e).map(|(a, e)| a * e).sum()
    }
}

impl SafeArea {
    /// The image area with every side moved inwards by `margin_px`, but never past the centre.
    pub fn new(image_area: &TiltedBox, margin_px: f64) -> Self {
        let margin = if margin_px.is_finite() { margin_px.max(0.0) } else { 0.0 };
        Self { area: image_area.inset(margin) }
    }

    /// Margin that keeps a box clear of an edge whose 10-to-90-percent width is `edge_blur_px`.
    ///
    /// ```text
    /// margin = 0.35 + 0.35 * blur
    /// ```
    /// Source: ours, from rendered strips with known edges: the measured side is within a sixth of the blur of the real
    /// one, and twice that again keeps clear of the foot of the edge.
    pub fn default_margin_px(edge_blur_px: f64) -> f64 {
        if edge_blur_px.is_finite() { 0.35 + 0.35 * edge_blur_px.max(0.0) } else { 0.35 }
    }

    /// The largest box with the turn of the image: the whole safe area.
    pub fn fit_default(&self) -> TiltedBox {
        self.area
    }

    /// Whether a box is inside, edges included.
    pub fn contains(&self, b: &TiltedBox) -> bool {
        if !b.is_sane() {
            return false;
        }
        let (half_w, half_h) = self.half_extents(b);
        let (x, y) = self.local(b.center);
        x.abs() + half_w <= self.area.width_px / 2.0 + SLACK_PX
            && y.abs() + half_h <= self.area.height_px / 2.0 + SLACK_PX
    }

    /// The box with the requested size and turn, as close as possible to the requested place; it slides along the edge.
    ///
    /// A box too large to fit anywhere is first made smaller about its centre, with its proportions kept.
    pub fn hold_moved(&self, wish: &TiltedBox) -> TiltedBox {
        if !wish.is_sane() {
            return self.area;
        }
        let (half_w, half_h) = self.half_extents(wish);
        let (room_w, room_h) = (self.area.width_px / 2.0, self.area.height_px / 2.0);
        let scale = (room_w / half_w).min(room_h / half_h).min(1.0);
        let (x, y) = self.local(wish.center);
        let (reach_x, reach_y) = ((room_w - half_w * scale).max(0.0), (room_h - half_h * scale).max(0.0));
        let (x, y) = (x.clamp(-reach_x, reach_x), y.clamp(-reach_y, reach_y));
        let (sin, cos) = self.area.angle_rad.sin_cos();
        TiltedBox {
            center: Point::new(
                self.area.center.x + cos * x - sin * y,
                self.area.center.y + sin * x + cos * y,
            ),
            width_px: wish.width_px * scale,
            height_px: wish.height_px * scale,
            angle_rad: wish.angle_rad,
        }
    }

    /// The box at the requested turn; it moves aside first and shrinks only when it must.
    pub fn hold_rotated(&self, wish: &TiltedBox) -> TiltedBox {
        self.hold_moved(wish)
    }

    /// The box closest to the requested one after the user dragged edges or a corner of `before`; other edges stay.
    ///
    /// With `keep_aspect` (width divided by height) the box keeps that proportion: about the fixed corner after a
    /// corner drag, about the middle of the fixed edge after an edge drag. `before` is first brought inside the area
    /// and gives the turn.
    pub fn hold_resized(&self, before: &TiltedBox, wish: &TiltedBox, keep_aspect: Option<f64>) -> TiltedBox {
        let before = self.hold_moved(before);
        if !wish.is_sane() || before.width_px <= 0.0 || before.height_px <= 0.0 {
            return before;
        }
        let angle = before.angle_rad;
        let old = Edges::of(&before).array();
        let new = Edges::of(&TiltedBox { angle_rad: angle, ..*wish }).array();
        let moved: Vec<usize> = (0..4).filter(|&i| (new[i] - old[i]).abs() > 1e-9).collect();
        let constraints = self.constraints(angle);
        let held = match keep_aspect.filter(|a| a.is_finite() && *a > 0.0) {
            Some(aspect) => hold_aspect(old, new, &moved, aspect, &constraints),
            None => match moved.as_slice() {
                [] => old,
                [i] => hold_edge(old, new[*i], *i, &constraints),
                [i, j] if (*i < 2) != (*j < 2) => hold_corner(old, new, (*i, *j), &constraints),
                _ => hold_path(old, new, &constraints),
            },
        };
        let held = Edges::from_array(held).to_box(angle);
        if held.is_sane() { self.hold_moved(&held) } else { before }
    }

    /// A point in the turned frame of the area.
    fn local(&self, p: Point<glassine_raster::Scan>) -> (f64, f64) {
        let (sin, cos) = self.area.angle_rad.sin_cos();
        let (dx, dy) = (p.x - self.area.center.x, p.y - self.area.center.y);
        (cos * dx + sin * dy, cos * dy - sin * dx)
    }

    /// Half the width and height of the upright hull of a box in the turned frame of the area.
    fn half_extents(&self, b: &TiltedBox) -> (f64, f64) {
        let (sin, cos) = (b.angle_rad - self.area.angle_rad).sin_cos();
        let (sin, cos) = (sin.abs(), cos.abs());
        ((b.width_px * cos + b.height_px * sin) / 2.0, (b.width_px * sin + b.height_px * cos) / 2.0)
    }

    /// The four sides of the area as constraints on the edges of a box turned by `angle_rad`.
    fn constraints(&self, angle_rad: f64) -> [Constraint; 4] {
        let (sin, cos) = angle_rad.sin_cos();
        let (px, py) = (
            cos * self.area.center.x + sin * self.area.center.y,
            cos * self.area.center.y - sin * self.area.center.x,
        );
        let (s, c) = (self.area.angle_rad - angle_rad).sin_cos();
        let (w, h) = (self.area.width_px / 2.0, self.area.height_px / 2.0);
        [(c, s, w), (-c, -s, w), (-s, c, h), (s, -c, h)].map(|(nx, ny, half)| Constraint {
            a: [nx.min(0.0), nx.max(0.0), ny.min(0.0), ny.max(0.0)],
            limit: nx * px + ny * py + half,
        })
    }
}

/// Moves one edge along its own axis up to the first constraint, but never across the opposite edge.
fn hold_edge(old: [f64; 4], wish: f64, i: usize, constraints: &[Constraint]) -> [f64; 4] {
    let mut e = old;
    e[i] = keep_side(old, i, wish);
    for c in constraints {
        let over = c.value(e) - c.limit;
        if over > 0.0 && c.a[i] != 0.0 {
            e[i] -= over / c.a[i];
        }
    }
    e
}

/// Keeps a dragged edge at least one pixel from the opposite one.
fn keep_side(e: [f64; 4], i: usize, wish: f64) -> f64 {
    if i.is_multiple_of(2) { wish.min(e[i + 1] - 1.0) } else { wish.max(e[i - 1] + 1.0) }
}

/// Moves the two edges of a corner to the valid position nearest to the requested one.
///
/// The valid positions form a convex polygon.
fn hold_corner(old: [f64; 4], new: [f64; 4], (i, j): (usize, usize), constraints: &[Constraint]) -> [f64; 4] {
    let wish = (keep_side(old, i, new[i]), keep_side(old, j, new[j]));
    let place = |p: (f64, f64)| {
        let mut e = old;
        (e[i], e[j]) = p;
        e
    };
    let lines: Vec<(f64, f64, f64)> = constraints
        .iter()
        .map(|c| (c.a[i], c.a[j], c.limit - c.value(place((0.0, 0.0)))))
        .filter(|(a, b, _)| a.hypot(*b) > 1e-12)
        .collect();
    let valid = |p: (f64, f64)| lines.iter().all(|(a, b, l)| a * p.0 + b * p.1 <= l + SLACK_PX / 2.0);
    if valid(wish) {
        return place(wish);
    }
    let mut candidates = Vec::new();
    for (k, &(a, b, l)) in lines.iter().enumerate() {
        let over = (a * wish.0 + b * wish.1 - l) / (a * a + b * b);
        candidates.push((wish.0 - over * a, wish.1 - over * b));
        for &(a2, b2, l2) in &lines[k + 1..] {
            let det = a * b2 - a2 * b;
            if det.abs() > 1e-12 {
                candidates.push(((l * b2 - l2 * b) / det, (a * l2 - a2 * l) / det));
            }
        }
    }
    let distance = |p: &(f64, f64)| (p.0 - wish.0).hypot(p.1 - wish.1);
    candidates
        .into_iter()
        .filter(|p| valid(*p) && keep_side(old, i, p.0) == p.0 && keep_side(old, j, p.1) == p.1)
        .min_by(|p, q| distance(p).total_cmp(&distance(q)))
        .map_or(old, place)
}

/// Any other change: moves straight from the old edges to the requested ones and stops at the first constraint.
fn hold_path(old: [f64; 4], new: [f64; 4], constraints: &[Constraint]) -> [f64; 4] {
    let step: [f64; 4] = std::array::from_fn(|k| new[k] - old[k]);
    let mut t = 1.0_f64;
    for c in constraints {
        let speed = c.value(step);
        if speed > 1e-12 {
            t = t.min(((c.limit - c.value(old)) / speed).max(0.0));
        }
    }
    std::array::from_fn(|k| old[k] + t * step[k])
}

/// Grows a box of fixed proportion from its fixed corner, edge middle or centre until it meets a side.
fn hold_aspect(
    old: [f64; 4],
    new: [f64; 4],
    moved: &[usize],
    aspect: f64,
    constraints: &[Constraint],
) -> [f64; 4] {
    let horizontal = moved.iter().find(|&&i| i < 2).copied();
    let vertical = moved.iter().find(|&&i| i >= 2).copied();
    let both = |axis: usize| moved.iter().filter(|&&i| i / 2 == axis).count() == 2;
    let wish_w = (new[1] - new[0]).max(1.0);
    let wish_h = (new[3] - new[2]).max(1.0);
    let height = match (horizontal, vertical) {
        (Some(_), None) => wish_w / aspect,
        (None, Some(_)) => wish_h,
        // The point on the diagonal of the proportion nearest to the dragged corner.
        _ => (wish_w * aspect + wish_h) / (aspect * aspect + 1.0),
    }
    .max(1.0);
    let anchor = |axis: usize, hit: Option<usize>| match hit {
        Some(i) if !both(axis) => (
            old[if i.is_multiple_of(2) { i + 1 } else { i - 1 }],
            if i.is_multiple_of(2) { -1.0 } else { 1.0 },
        ),
        Some(_) => (f64::midpoint(new[2 * axis], new[2 * axis + 1]), 0.0),
        None => (f64::midpoint(old[2 * axis], old[2 * axis + 1]), 0.0),
    };
    let (ax, dx) = anchor(0, horizontal);
    let (ay, dy) = anchor(1, vertical);
    let place = |h: f64| {
        let w = h * aspect;
        let span = |a: f64, d: f64, size: f64| match d {
            d if d > 0.0 => (a, a + size),
            d if d < 0.0 => (a - size, a),
            _ => (a - size / 2.0, a + size / 2.0),
        };
        let ((l, r), (t, b)) = (span(ax, dx, w), span(ay, dy, h));
        [l, r, t, b]
    };
    let (base, unit) = (place(0.0), place(1.0));
    let mut h = height;
    for c in constraints {
        let slope = c.value(unit) - c.value(base);
        if slope > 1e-12 {
            h = h.min((c.limit - c.value(base)) / slope);
        }
    }
    if h > 0.0 { place(h) } else { old }
}

#[cfg(test)]
mod tests;
