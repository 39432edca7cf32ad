//! Solid shapes, their intersection with a ray, and a tree of boxes that finds the nearest one quickly.

use super::v3::{V3, v3};

/// A ray; `dir` has length 1.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Ray {
    pub(crate) from: V3,
    pub(crate) dir: V3,
}

impl Ray {
    pub(crate) fn at(&self, t: f32) -> V3 {
        self.from + self.dir * t
    }
}

#[derive(Debug, Clone, Copy)]
pub(crate) enum Shape {
    /// Stretched ball, turned about the vertical by an angle given as (sin, cos).
    Ball { center: V3, radii: V3, turn: (f32, f32) },
    /// Block turned about the vertical.
    Block { center: V3, half: V3, turn: (f32, f32) },
    /// Round stick from `a` to `b` with a radius at each end (open ends).
    Stick { a: V3, b: V3, ra: f32, rb: f32 },
    /// Triangle, seen from both sides.
    Triangle { a: V3, b: V3, c: V3 },
}

/// Shape constructors that read well in scenes.
pub(crate) fn ball(center: V3, radius: f32) -> Shape {
    Shape::Ball { center, radii: v3(radius, radius, radius), turn: (0.0, 1.0) }
}

pub(crate) fn egg(center: V3, radii: V3, turn_rad: f32) -> Shape {
    Shape::Ball { center, radii, turn: turn_rad.sin_cos() }
}

pub(crate) fn block(center: V3, half: V3, turn_rad: f32) -> Shape {
    Shape::Block { center, half, turn: turn_rad.sin_cos() }
}

pub(crate) fn stick(a: V3, b: V3, ra: f32, rb: f32) -> Shape {
    Shape::Stick { a, b, ra, rb }
}

/// Convert to the turned frame of a shape.
fn inward(p: V3, (sin, cos): (f32, f32)) -> V3 {
    v3(cos * p.x - sin * p.z, p.y, sin * p.x + cos * p.z)
}

fn outward(p: V3, (sin, cos): (f32, f32)) -> V3 {
    v3(cos * p.x + sin * p.z, p.y, cos * p.z - sin * p.x)
}

impl Shape {
    /// Nearest crossing in `near..far`: distance, outward normal, position in the shape's own turned frame.
    fn meet(&self, ray: &Ray, near: f32, far: f32) -> Option<(f32, V3, V3)> {
        let found = match *self {
            Self::Ball { center, radii, turn } => {
                let o = inward(ray.from - center, turn);
                let d = inward(ray.dir, turn);
                let inv = v3(1.0 / radii.x, 1.0 / radii.y, 1.0 / radii.z);
                let (os, ds) = (o.tint(inv), d.tint(inv));
                let (a, b, c) = (ds.dot(ds), os.dot(ds), os.dot(os) - 1.0);
                let root = b * b - a * c;
                if root < 0.0 {
                    return None;
                }
                let q = root.sqrt();
                let t = if (-b - q) / a > near { (-b - q) / a } else { (-b + q) / a };
                let p = o + d * t;
                (t, outward(p.tint(inv).tint(inv), turn).unit(), p)
            }
            Self::Block { center, half, turn } => {
                let o = inward(ray.from - center, turn);
                let d = inward(ray.dir, turn);
                let (mut t0, mut t1) = (f32::NEG_INFINITY, f32::INFINITY);
                let (mut n0, mut n1) = (V3::default(), V3::default());
                for axis in 0..3 {
                    let (oo, dd, hh) = (o.axis(axis), d.axis(axis), half.axis(axis));
                    let inv = 1.0 / if dd.abs() < 1e-9 { 1e-9 } else { dd };
                    let (a, b) = ((-hh - oo) * inv, (hh - oo) * inv);
                    let side = |s: f32| match axis {
                        0 => v3(s, 0.0, 0.0),
                        1 => v3(0.0, s, 0.0),
                        _ => v3(0.0, 0.0, s),
                    };
                    let sign = if inv > 0.0 { -1.0 } else { 1.0 };
                    if a.min(b) > t0 {
                        t0 = a.min(b);
                        n0 = side(sign);
                    }
                    if a.max(b) < t1 {
                        t1 = a.max(b);
                        n1 = side(-sign);
                    }
                }
                if t0 > t1 {
                    return None;
                }
                let (t, n) = if t0 > near { (t0, n0) } else { (t1, n1) };
                (t, outward(n, turn), o + d * t)
            }
            Self::Stick { a, b, ra, rb } => meet_stick(ray, near, a, b, ra, rb)?,
            Self::Triangle { a, b, c } => {
                let (e1, e2) = (b - a, c - a);
                let p = ray.dir.cross(e2);
                let det = e1.dot(p);
                if det.abs() < 1e-12 {
                    return None;
                }
                let s = ray.from - a;
                let u = s.dot(p) / det;
                let q = s.cross(e1);
                let v = ray.dir.dot(q) / det;
                if u < 0.0 || v < 0.0 || u + v > 1.0 {
                    return None;
                }
                let n = e1.cross(e2).unit();
                let t = e2.dot(q) / det;
                (t, if n.dot(ray.dir) > 0.0 { -n } else { n }, ray.at(t))
            }
        };
        (found.0 > near && found.0 < far).then_some(found)
    }

    fn bounds(&self) -> (V3, V3) {
        match *self {
            Self::Ball { center, radii, turn } | Self::Block { center, half: radii, turn } => {
                let (s, c) = (turn.0.abs(), turn.1.abs());
                let r = v3(c * radii.x + s * radii.z, radii.y, s * radii.x + c * radii.z);
                (center - r, center + r)
            }
            Self::Stick { a, b, ra, rb } => {
                let r = ra.max(rb);
                let r = v3(r, r, r);
                (a.min_each(b) - r, a.max_each(b) + r)
            }
            Self::Triangle { a, b, c } => (a.min_each(b).min_each(c), a.max_each(b).max_each(c)),
        }
    }
}

/// A truncated cone without ends.
fn meet_stick(ray: &Ray, near: f32, a: V3, b: V3, ra: f32, rb: f32) -> Option<(f32, V3, V3)> {
    let axis = b - a;
    let length = axis.length();
    let w = axis * (1.0 / length);
    let slope = (rb - ra) / length;
    let o = ray.from - a;
    let (ow, dw) = (o.dot(w), ray.dir.dot(w));
    let (op, dp) = (o - w * ow, ray.dir - w * dw);
    // Radius at height h is ra + slope h: |op + t dp|^2 = (ra + slope (ow + t dw))^2.
    let base = ra + slope * ow;
    let qa = dp.dot(dp) - slope * slope * dw * dw;
    let qb = op.dot(dp) - base * slope * dw;
    let qc = op.dot(op) - base * base;
    let root = qb * qb - qa * qc;
    if root < 0.0 || qa.abs() < 1e-12 {
        return None;
    }
    let q = root.sqrt();
    let (t0, t1) = ((-qb - q) / qa, (-qb + q) / qa);
    for t in [t0.min(t1), t0.max(t1)] {
        let h = ow + t * dw;
        if t > near && h >= 0.0 && h <= length {
            let n = (op + dp * t).unit() - w * slope;
            let n = n.unit();
            return Some((t, if n.dot(ray.dir) > 0.0 { -n } else { n }, o + ray.dir * t));
        }
    }
    None
}

/// Intersection of a ray with a shape.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Meeting {
    pub(crate) t: f32,
    pub(crate) normal: V3,
    /// Position in the shape's own frame (world position for sticks' and triangles' origin).
    pub(crate) own: V3,
    pub(crate) index: usize,
}

#[derive(Debug)]
struct Node {
    low: V3,
    high: V3,
    /// First shape and count for a leaf; otherwise the index of the second child and 0.
    first: usize,
    count: usize,
}

/// A bounding-volume tree of shapes.
#[derive(Debug)]
pub(crate) struct Tree {
    shapes: Vec<Shape>,
    order: Vec<usize>,
    nodes: Vec<Node>,
}

impl Tree {
    pub(crate) fn new(shapes: Vec<Shape>) -> Self {
        let mut tree = Self { order: (0..shapes.len()).collect(), shapes, nodes: Vec::new() };
        if !tree.shapes.is_empty() {
            tree.split(0, tree.shapes.len());
        }
        tree
    }

    fn split(&mut self, start: usize, end: usize) {
        let (mut low, mut high) = self.shapes[self.order[start]].bounds();
        for i in &self.order[start..end] {
            let (a, b) = self.shapes[*i].bounds();
            low = low.min_each(a);
            high = high.max_each(b);
        }
        let node = self.nodes.len();
        self.nodes.push(Node { low, high, first: start, count: end - start });
        if end - start <= 3 {
            return;
        }
        let size = high - low;
        let axis = (0..3).max_by(|a, b| size.axis(*a).total_cmp(&size.axis(*b))).unwrap_or(0);
        let shapes = &self.shapes;
        let middle = |i: usize| {
            let (a, b) = shapes[i].bounds();
            a.axis(axis) + b.axis(axis)
        };
        self.order[start..end].sort_by(|a, b| middle(*a).total_cmp(&middle(*b)).then(a.cmp(b)));
        let half = usize::midpoint(start, end);
        self.split(start, half);
        self.nodes[node].first = self.nodes.len();
        self.nodes[node].count = 0;
        self.split(half, end);
    }

    /// The nearest shape on a ray.
    pub(crate) fn nearest(&self, ray: &Ray, near: f32, far: f32) -> Option<Meeting> {
        let mut best: Option<Meeting> = None;
        let mut reach = far;
        self.walk(ray, near, &mut reach, &mut |t, normal, own, index| {
            best = Some(Meeting { t, normal, own, index });
            false
        });
        best
    }

    /// Whether any shape intersects a ray before `far`.
    pub(crate) fn blocked(&self, ray: &Ray, near: f32, far: f32) -> bool {
        let mut hit = false;
        let mut reach = far;
        self.walk(ray, near, &mut reach, &mut |_, _, _, _| {
            hit = true;
            true
        });
        hit
    }

    fn walk(&self, ray: &Ray, near: f32, reach: &mut f32, found: &mut dyn FnMut(f32, V3, V3, usize) -> bool) {
        if self.nodes.is_empty() {
            return;
        }
        let safe = |d: f32| 1.0 / if d.abs() < 1e-9 { 1e-9 } else { d };
        let inv = v3(safe(ray.dir.x), safe(ray.dir.y), safe(ray.dir.z));
        let mut stack = [0usize; 64];
        let mut depth = 1;
        while depth > 0 {
            depth -= 1;
            let index = stack[depth];
            let node = &self.nodes[index];
            let (a, b) = ((node.low - ray.from).tint(inv), (node.high - ray.from).tint(inv));
            let (lo, hi) = (a.min_each(b), a.max_each(b));
            let enter = lo.x.max(lo.y).max(lo.z).max(near);
            let leave = hi.x.min(hi.y).min(hi.z).min(*reach);
            if enter > leave {
                continue;
            }
            if node.count == 0 {
                if depth + 2 <= stack.len() {
                    stack[depth] = node.first;
                    stack[depth + 1] = index + 1;
                    depth += 2;
                }
                continue;
            }
            for i in &self.order[node.first..node.first + node.count] {
                if let Some((t, normal, own)) = self.shapes[*i].meet(ray, near, *reach) {
                    *reach = t;
                    if found(t, normal, own, *i) {
                        return;
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::noise::Dice;

    #[test]
    fn tree_finds_the_same_nearest_shape_as_trying_all() {
        let mut dice = Dice::new(3);
        let mut place = || v3(dice.range(-5.0, 5.0), dice.range(-5.0, 5.0), dice.range(-5.0, 5.0));
        let mut shapes = Vec::new();
        for i in 0..60 {
            let (a, b) = (place(), place());
            shapes.push(match i % 4 {
                0 => ball(a, 0.6),
                1 => block(a, v3(0.5, 0.3, 0.8), 0.7),
                2 => stick(a, b, 0.2, 0.1),
                _ => Shape::Triangle { a, b, c: place() },
            });
        }
        let rays: Vec<Ray> = (0..200).map(|_| Ray { from: place() * 2.0, dir: place().unit() }).collect();
        let tree = Tree::new(shapes.clone());
        for ray in &rays {
            let slow = shapes
                .iter()
                .filter_map(|s| s.meet(ray, 1e-3, 1e9))
                .map(|m| m.0)
                .fold(f32::INFINITY, f32::min);
            let fast = tree.nearest(ray, 1e-3, 1e9).map_or(f32::INFINITY, |m| m.t);
            assert!(slow == fast || (slow - fast).abs() < 1e-5);
            assert_eq!(tree.blocked(ray, 1e-3, 1e9), slow.is_finite());
        }
    }
}
