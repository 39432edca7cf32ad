//! Fits a straight line through points of which many may be wrong.

/// A measured point: coordinate along the line, coordinate across it, weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sample {
    pub(super) t: f64,
    pub(super) p: f64,
    pub(super) weight: f64,
}

/// `p = at + slope * (t - middle)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    pub(super) middle: f64,
    pub(super) at: f64,
    pub(super) slope: f64,
    /// Number of points that agree with the line, and the distance between the outermost of them.
    pub(super) agreeing: usize,
    pub(super) reach: f64,
    /// Root mean square distance of the agreeing points.
    pub(super) spread: f64,
}

impl Line {
    pub(super) fn value(&self, t: f64) -> f64 {
        self.at + self.slope * (t - self.middle)
    }
}

/// The line that most points agree with to `tolerance`, with a slope within `slope_range` of `slope_near`.
///
/// Every pair at least a quarter of the points apart proposes a line; least squares then fits the best one to the
/// points that agree with it. Deterministic. `None` when fewer than four agree.
pub(super) fn fit(samples: &[Sample], tolerance: f64, slope_near: f64, slope_range: f64) -> Option<Line> {
    let n = samples.len();
    if n < 4 {
        return None;
    }
    let agreement = |at: f64, middle: f64, slope: f64| -> f64 {
        samples
            .iter()
            .map(|s| {
                let r = (s.p - at - slope * (s.t - middle)) / tolerance;
                s.weight * (1.0 - r * r).max(0.0)
            })
            .sum()
    };
    // Points nearer than a quarter of the set give a poor slope. Our choice.
    let apart = (n / 4).max(1);
    // Large sets propose from a regular subset, which keeps the number of proposals near a thousand. Our choice.
    let stride = (n / 48).max(1);
    let mut best = (0.0, 0.0, 0.0, 0.0);
    for i in (0..n).step_by(stride) {
        for j in ((i + apart)..n).step_by(stride) {
            let (a, b) = (samples[i], samples[j]);
            let run = b.t - a.t;
            if run.abs() < 1e-9 {
                continue;
            }
            let slope = (b.p - a.p) / run;
            if (slope - slope_near).abs() > slope_range {
                continue;
            }
            let score = agreement(a.p, a.t, slope);
            if score > best.0 {
                best = (score, a.p, a.t, slope);
            }
        }
    }
    if best.0 <= 0.0 {
        return None;
    }
    let (_, mut at, mut middle, mut slope) = best;
    let mut result = None;
    for _ in 0..3 {
        let close: Vec<Sample> = samples
            .iter()
            .copied()
            // A fifth more than for the vote, since the line still moves. Our choice.
            .filter(|s| (s.p - at - slope * (s.t - middle)).abs() < tolerance * 1.2)
            .collect();
        if close.len() < 4 {
            return result;
        }
        let sum = |f: &dyn Fn(&Sample) -> f64| close.iter().map(|s| s.weight * f(s)).sum::<f64>();
        let w = sum(&|_| 1.0);
        let (mt, mp) = (sum(&|s| s.t) / w, sum(&|s| s.p) / w);
        let (stt, stp) = (sum(&|s| (s.t - mt).powi(2)), sum(&|s| (s.t - mt) * (s.p - mp)));
        if w <= 0.0 || stt <= 0.0 {
            return result;
        }
        (middle, at, slope) = (mt, mp, stp / stt);
        let spread = (sum(&|s| (s.p - at - slope * (s.t - middle)).powi(2)) / w).sqrt();
        let first = close.iter().map(|s| s.t).fold(f64::INFINITY, f64::min);
        let last = close.iter().map(|s| s.t).fold(f64::NEG_INFINITY, f64::max);
        result = Some(Line { middle, at, slope, agreeing: close.len(), reach: last - first, spread });
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_of_the_points_may_be_wrong() {
        let samples: Vec<Sample> = (0..40)
            .map(|i| {
                let t = f64::from(i) * 10.0;
                let wrong = if i % 2 == 0 { 5.0 + f64::from((i * 7) % 11) } else { 0.0 };
                Sample { t, p: 20.0 + 0.01 * t + wrong, weight: 1.0 }
            })
            .collect();
        let line = fit(&samples, 0.5, 0.0, 0.1).expect("a line");
        assert!((line.slope - 0.01).abs() < 1e-9 && (line.value(0.0) - 20.0).abs() < 1e-6);
        assert!(line.agreeing >= 20 && line.spread < 1e-6);
    }

    #[test]
    fn too_few_points_give_nothing() {
        assert!(fit(&[Sample { t: 0.0, p: 0.0, weight: 1.0 }; 3], 1.0, 0.0, 1.0).is_none());
        assert!(fit(&[Sample { t: 0.0, p: 0.0, weight: 1.0 }; 9], 1.0, 0.0, 1.0).is_none());
    }
}
