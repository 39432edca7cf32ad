//! Maps of the plane between scans, and their fit to pairs of positions.

use glassine_raster::{Point, Scan};

/// A map of the plane: `x' = a x + b y + tx`, `y' = c x + d y + ty`, as the rows `[a, b, tx]` and `[c, d, ty]`.
///
/// Both positions are pixels measured at pixel edges.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Affine(pub [[f64; 3]; 2]);

impl Affine {
    /// Leaves every position where it is.
    pub const IDENTITY: Self = Self([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]);

    /// Moves every position.
    pub fn shift(tx: f64, ty: f64) -> Self {
        Self([[1.0, 0.0, tx], [0.0, 1.0, ty]])
    }

    /// Where a position comes to lie.
    #[inline(always)]
    pub fn apply(&self, p: Point<Scan>) -> Point<Scan> {
        let [[a, b, tx], [c, d, ty]] = self.0;
        Point::new(a * p.x + b * p.y + tx, c * p.x + d * p.y + ty)
    }

    /// The map that first applies `first`, then this one.
    #[must_use]
    pub fn after(&self, first: &Self) -> Self {
        let [[a, b, tx], [c, d, ty]] = self.0;
        let [[e, f, ux], [g, h, uy]] = first.0;
        Self([
            [a * e + b * g, a * f + b * h, a * ux + b * uy + tx],
            [c * e + d * g, c * f + d * h, c * ux + d * uy + ty],
        ])
    }

    /// The map back; `None` if there is none.
    pub fn inverse(&self) -> Option<Self> {
        let [[a, b, tx], [c, d, ty]] = self.0;
        let det = a * d - b * c;
        (det.is_finite() && det.abs() > 1e-12).then(|| {
            let (a, b, c, d) = (d / det, -b / det, -c / det, a / det);
            Self([[a, b, -(a * tx + b * ty)], [c, d, -(c * tx + d * ty)]])
        })
    }

    /// The same map between pictures reduced by whole factors: `from` on its input side, `to` on its output side.
    #[must_use]
    pub fn between_reduced(&self, from: f64, to: f64) -> Self {
        let [[a, b, tx], [c, d, ty]] = self.0;
        let k = from / to;
        Self([[a * k, b * k, tx / to], [c * k, d * k, ty / to]])
    }

    /// Lengths after the map relative to those before it: the root of the determinant.
    pub fn scale(&self) -> f64 {
        let [[a, b, _], [c, d, _]] = self.0;
        (a * d - b * c).abs().sqrt()
    }

    /// Turn, radians, clockwise on screen.
    pub fn angle_rad(&self) -> f64 {
        let [[a, b, _], [c, d, _]] = self.0;
        (c - b).atan2(a + d)
    }

    /// Whether every number is finite and the map has an inverse.
    pub fn is_sound(&self) -> bool {
        self.0.iter().flatten().all(|v| v.is_finite()) && self.inverse().is_some()
    }
}

/// One place of the film as two scans show it, in pixels of each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Match {
    /// Position on the first scan.
    pub a: Point<Scan>,
    /// Position on the second scan.
    pub b: Point<Scan>,
    /// Correlation of the surroundings, at most 1.
    pub likeness: f64,
}

impl Match {
    /// Distance in pixels of the first scan between where a map puts the position on the second scan and where it was
    /// found.
    pub(super) fn residual(&self, b_to_a: &Affine) -> f64 {
        b_to_a.apply(self.b).distance(self.a)
    }
}

/// The similarity (shift, turn and one scale) that takes `b` to `a` with the least weighted squares; `None` if the
/// positions don't determine it.
///
/// Closed form: B. K. P. Horn, "Closed-form solution of absolute orientation", J. Opt. Soc. Am. A 4 (1987), in the
/// plane, with the scale of the least-squares form.
pub(super) fn fit_similarity(matches: &[Match], weights: &[f64]) -> Option<Affine> {
    let total: f64 = weights.iter().sum();
    if total.is_nan() || total <= 0.0 {
        return None;
    }
    let mean =
        |of: &dyn Fn(&Match) -> f64| matches.iter().zip(weights).map(|(m, w)| w * of(m)).sum::<f64>() / total;
    let (ax, ay) = (mean(&|m| m.a.x), mean(&|m| m.a.y));
    let (bx, by) = (mean(&|m| m.b.x), mean(&|m| m.b.y));
    let (mut dot, mut cross, mut spread) = (0.0, 0.0, 0.0);
    for (m, w) in matches.iter().zip(weights) {
        let (p, q) = ((m.b.x - bx, m.b.y - by), (m.a.x - ax, m.a.y - ay));
        dot += w * (p.0 * q.0 + p.1 * q.1);
        cross += w * (p.0 * q.1 - p.1 * q.0);
        spread += w * (p.0 * p.0 + p.1 * p.1);
    }
    if spread.is_nan() || spread <= 1e-9 * total {
        return None;
    }
    let (c, s) = (dot / spread, cross / spread);
    let map = Affine([[c, -s, ax - c * bx + s * by], [s, c, ay - s * bx - c * by]]);
    map.is_sound().then_some(map)
}

/// A similarity fitted with Tukey's weights, so that places that moved between the scans have no influence.
#[derive(Debug, Clone)]
pub(super) struct RobustFit {
    pub(super) map: Affine,
    pub(super) weights: Vec<f64>,
    /// Robust standard deviation of the distances along one axis, pixels.
    pub(super) sigma_px: f64,
}

/// Least sigma, pixels, that outliers are judged by: what correlation peaks of noise-free pictures scatter. Source: our
/// choice; a smaller one discards good places of clean pictures.
const LEAST_SIGMA_PX: f64 = 0.03;

/// Iteratively reweighted fit that begins from a map. Tukey's bisquare with `c` = 4.685 sigma (Holland and Welsch,
/// Comm. Statist. A6, 1977); sigma from the median distance (1.1774 sigma for two axes of normal errors).
pub(super) fn fit_robustly(matches: &[Match], start: &Affine) -> Option<RobustFit> {
    let mut map = *start;
    let mut weights = Vec::new();
    let mut sigma_px = 0.0;
    for _ in 0..20 {
        let distances: Vec<f64> = matches.iter().map(|m| m.residual(&map)).collect();
        let mut sorted = distances.clone();
        sorted.sort_by(f64::total_cmp);
        sigma_px = (sorted.get(sorted.len() / 2)? / 1.1774).max(LEAST_SIGMA_PX);
        let limit = 4.685 * sigma_px;
        weights = distances
            .iter()
            .map(|d| {
                let t = d / limit;
                if t < 1.0 { (1.0 - t * t).powi(2) } else { 0.0 }
            })
            .collect();
        let next = fit_similarity(matches, &weights)?;
        let moved = next.0.iter().flatten().zip(map.0.iter().flatten()).map(|(a, b)| (a - b).abs());
        let is_settled = moved.fold(0.0, f64::max) < 1e-7;
        map = next;
        if is_settled {
            break;
        }
    }
    Some(RobustFit { map, weights, sigma_px })
}

/// The similarity through two of the places that most others agree with, and how many do.
///
/// Every pair of the most alike places is tried, so the result does not depend on chance.
pub(super) fn fit_by_consensus(matches: &[Match], tolerance_px: f64) -> Option<(Affine, usize)> {
    /// Places whose pairs are tried. Source: our choice; 70 give 2415 pairs.
    const MOST: usize = 70;
    /// Largest turn and change of scale between two scans. Source: our choice; film laid down by hand turns by a degree
    /// or two.
    const MOST_TURN_RAD: f64 = 0.09;
    const MOST_SCALE: f64 = 0.04;
    let mut best_first: Vec<&Match> = matches.iter().collect();
    best_first.sort_by(|p, q| q.likeness.total_cmp(&p.likeness));
    best_first.truncate(MOST);
    let mut best: Option<(Affine, usize)> = None;
    for (i, first) in best_first.iter().enumerate() {
        for second in &best_first[i + 1..] {
            let apart = first.a.distance(second.a);
            if apart < 8.0 * tolerance_px {
                continue;
            }
            let Some(map) = fit_similarity(&[**first, **second], &[1.0, 1.0]) else { continue };
            if (map.scale() - 1.0).abs() > MOST_SCALE || map.angle_rad().abs() > MOST_TURN_RAD {
                continue;
            }
            let agreeing = matches.iter().filter(|m| m.residual(&map) <= tolerance_px).count();
            if best.is_none_or(|(_, most)| agreeing > most) {
                best = Some((map, agreeing));
            }
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    fn matches(map: &Affine, count: usize) -> Vec<Match> {
        (0..count)
            .map(|i| {
                let b = Point::new((i * 37 % 101) as f64 * 9.0, (i * 53 % 89) as f64 * 7.0);
                Match { a: map.apply(b), b, likeness: 1.0 }
            })
            .collect()
    }

    #[test]
    fn a_map_and_its_inverse_cancel() {
        let map = Affine([[0.99, 0.02, 31.0], [-0.03, 1.01, -7.5]]);
        let back = map.inverse().expect("regular").after(&map);
        for (got, want) in back.0.iter().flatten().zip(Affine::IDENTITY.0.iter().flatten()) {
            assert!((got - want).abs() < 1e-12);
        }
    }

    #[test]
    fn outliers_do_not_move_the_fit() {
        let (c, s) = (1.004 * 0.012_f64.cos(), 1.004 * 0.012_f64.sin());
        let truth = Affine([[c, -s, 412.3], [s, c, -18.7]]);
        let mut places = matches(&truth, 90);
        for (i, place) in places.iter_mut().enumerate().filter(|(i, _)| i % 3 == 0) {
            place.a.x += 11.0 + i as f64;
            place.a.y -= 5.0;
        }
        let (start, agreeing) = fit_by_consensus(&places, 1.0).expect("there is one");
        assert_eq!(agreeing, 60);
        let fit = fit_robustly(&places, &start).expect("enough places");
        let at = Point::new(500.0, 300.0);
        assert!(fit.map.apply(at).distance(truth.apply(at)) < 1e-6);
        assert!((fit.map.angle_rad() - 0.012).abs() < 1e-9 && (fit.map.scale() - 1.004).abs() < 1e-9);
    }
}
