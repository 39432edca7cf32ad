//! Means over boxes of any size in constant time (summed-area table).
//!
//! Source: F. C. Crow, "Summed-area tables for texture mapping", SIGGRAPH 1984.

/// Running sums of values and their count, for means over boxes.
#[derive(Debug)]
pub(crate) struct BoxSums {
    width: usize,
    height: usize,
    sums: Vec<(f64, f64)>,
}

impl BoxSums {
    pub(crate) fn new(width: usize, height: usize) -> Self {
        Self { width, height, sums: vec![(0.0, 0.0); (width + 1) * (height + 1)] }
    }

    /// Set the sum up to `(x, y)`; `line` is the sum of this row so far.
    pub(crate) fn push(&mut self, x: usize, y: usize, line: (f64, f64)) {
        let above = self.sums[y * (self.width + 1) + x + 1];
        self.sums[(y + 1) * (self.width + 1) + x + 1] = (above.0 + line.0, above.1 + line.1);
    }

    /// Sum and count within `reach` of a position.
    fn sum(&self, x: i32, y: i32, reach: i32) -> (f64, f64) {
        let clamp = |v: i32, n: usize| v.clamp(0, n as i32) as usize;
        let (x0, x1) = (clamp(x - reach, self.width), clamp(x + reach + 1, self.width));
        let (y0, y1) = (clamp(y - reach, self.height), clamp(y + reach + 1, self.height));
        let at = |x: usize, y: usize| self.sums[y * (self.width + 1) + x];
        let (a, b, c, d) = (at(x1, y1), at(x0, y1), at(x1, y0), at(x0, y0));
        (a.0 - b.0 - c.0 + d.0, a.1 - b.1 - c.1 + d.1)
    }

    /// Mean about a position, nearer values counting more; a wider look where there are too few.
    pub(crate) fn near(&self, x: i32, y: i32) -> Option<f32> {
        for boxes in [[2, 4, 6], [6, 9, 12], [16, 24, 40]] {
            let all = boxes.map(|reach| self.sum(x, y, reach));
            let widest = all[2];
            if widest.1 < 12.0 {
                continue;
            }
            let (mut value, mut count) = (0.0, 0.0);
            for (sum, side) in all.iter().zip(boxes.map(|r| f64::from((2 * r + 1) * (2 * r + 1)))) {
                value += sum.0 / side;
                count += sum.1 / side;
            }
            return Some((value / count).max(0.0) as f32);
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_box_sum_equals_the_sum_over_the_box() {
        let mut sums = BoxSums::new(7, 5);
        for y in 0..5 {
            let mut line = (0.0, 0.0);
            for x in 0..7 {
                line.0 += (x * y) as f64;
                line.1 += 1.0;
                sums.push(x, y, line);
            }
        }
        let (sum, count) = sums.sum(3, 2, 1);
        assert_eq!((sum, count), (54.0, 9.0));
        assert_eq!(sums.sum(0, 0, 1).1, 4.0);
        assert!(sums.near(3, 2).is_some());
        assert!(BoxSums::new(2, 2).near(0, 0).is_none());
    }
}
