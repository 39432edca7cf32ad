//! The image band across a strip: which rows of the upright strip hold images.

use glassine_raster::Plane;

use super::signal::soft;

/// Rows `v0..v1` (working pixels of the upright plane) that hold images, with a confidence from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Band {
    pub(super) v0: f64,
    pub(super) v1: f64,
    pub(super) confidence: f32,
}

impl Band {
    pub(super) fn height(&self) -> f64 {
        self.v1 - self.v0
    }
}

/// Mean soft signal of every row; rows with little film count as empty.
fn row_profile(plane: &Plane<f32>) -> Vec<f32> {
    let w = plane.width();
    (0..plane.height())
        .map(|j| {
            let (mut sum, mut n) = (0.0_f32, 0_u32);
            for s in plane.row(j).iter().filter(|s| s.is_finite()) {
                sum += soft(*s);
                n += 1;
            }
            if n * 4 < w { 0.0 } else { sum / n as f32 }
        })
        .collect()
}

/// The pair of rows with the strongest opposite steps that encloses nearly all of the signal.
///
/// `expected_px` restricts the height to within 6 %; otherwise it must be at least `least_px`.
pub(super) fn image_band(plane: &Plane<f32>, expected_px: Option<f64>, least_px: f64) -> Option<Band> {
    let rows = row_profile(plane);
    let n = rows.len();
    let total: f32 = rows.iter().sum();
    let top = rows.iter().copied().fold(0.0_f32, f32::max);
    // Less than 0.01 is base noise. Our choice.
    if n < 8 || total <= 0.0 || top < 0.01 {
        return None;
    }
    let prefix: Vec<f32> = std::iter::once(0.0)
        .chain(rows.iter().scan(0.0, |sum, r| {
            *sum += r;
            Some(*sum)
        }))
        .collect();
    // Mean of up to three rows on either side of a row border.
    let side = |from: usize, to: usize| {
        if to > from { (prefix[to] - prefix[from]) / (to - from) as f32 } else { 0.0 }
    };
    let step: Vec<f32> = (0..=n).map(|b| side(b, (b + 3).min(n)) - side(b.saturating_sub(3), b)).collect();
    let (low, high) = match expected_px {
        Some(e) => (e * 0.94, e * 1.06),
        None => (least_px.max(6.0), f64::INFINITY),
    };
    let mut best: Option<(f32, usize, usize)> = None;
    for a in 0..n {
        if step[a] <= 0.0 {
            continue;
        }
        let (from, to) = (a + low as usize, (a as f64 + high).min(n as f64) as usize);
        for b in from..=to.min(n) {
            if step[b] >= 0.0 {
                continue;
            }
            let inside = (prefix[b] - prefix[a]) / total;
            let mean = (prefix[b] - prefix[a]) / (b - a) as f32 / top;
            let edges = (step[a].min(top) - step[b].max(-top)) / top;
            // Close to the expected height the clearer edge decides; beyond 1.2 % the difference costs. Our choice: all
            // of the signal inside (3) outweighs two full edges (2), and 8 % of height weighs an edge.
            let off = expected_px.map_or(0.0, |e| (((b - a) as f64 / e - 1.0).abs() - 0.012).max(0.0) as f32);
            let score = edges + 3.0 * inside + 0.5 * mean - 12.0 * off;
            if best.is_none_or(|(s, ..)| score > s) {
                best = Some((score, a, b));
            }
        }
    }
    // A full score is 3 inside, 2 edges and 0.5 mean; below 2 the band misses signal. Our choice, not calibrated.
    best.map(|(score, a, b)| Band {
        v0: a as f64,
        v1: b as f64,
        confidence: ((score - 2.0) / 2.5).clamp(0.0, 1.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane_of(rows: impl Fn(u32) -> f32) -> Plane<f32> {
        let mut p = Plane::filled(50, 100, 0.0);
        for j in 0..100 {
            p.row_mut(j).fill(rows(j));
        }
        p
    }

    #[test]
    fn the_band_is_found_beside_edge_print_and_inner_structure() {
        let p = plane_of(|j| match j {
            5..8 => 0.01,
            20..40 => 0.6,
            40..60 => 0.2,
            60..80 => 0.9,
            _ => 0.0,
        });
        let band = image_band(&p, None, 30.0).expect("images");
        assert_eq!((band.v0, band.v1), (20.0, 80.0));
        assert!(band.confidence > 0.6);
    }

    #[test]
    fn a_strip_without_images_has_no_band() {
        assert!(image_band(&plane_of(|_| 0.0), None, 10.0).is_none());
    }
}
