//! Shrinks finished rows by area averaging in linear light: along the rows on any thread, then across them as they
//! stream past.

use std::sync::Arc;

use glassine_film::colour::{ExactEncoder, Transfer, decode};

/// Averages the light of rows along their length.
#[derive(Debug)]
pub(crate) struct Narrowing {
    /// Light of each 16-bit code.
    light: Vec<f32>,
    columns: Vec<Column>,
    /// Weights of the columns, one after the other.
    weights: Vec<f32>,
}

/// The input columns of an output column.
#[derive(Debug, Clone, Copy)]
struct Column {
    first: usize,
    count: usize,
}

impl Narrowing {
    fn new(from: u32, to: u32, transfer: Transfer) -> Self {
        let light = (0..=u16::MAX).map(|code| decode(transfer, f64::from(code) / 65535.0) as f32).collect();
        let scale = f64::from(from) / f64::from(to);
        let (mut columns, mut weights) = (Vec::with_capacity(to as usize), Vec::new());
        for x in 0..to {
            let (left, right) = (f64::from(x) * scale, f64::from(x + 1) * scale);
            let (first, last) = (left.floor() as usize, (right - 1e-9).floor() as usize);
            let before = weights.len();
            let under = first..=last.min(from as usize - 1);
            weights
                .extend(under.map(|at| ((right.min((at + 1) as f64) - left.max(at as f64)) / scale) as f32));
            columns.push(Column { first, count: weights.len() - before });
        }
        Self { light, columns, weights }
    }

    /// Width of a narrow row.
    pub(crate) fn width(&self) -> usize {
        self.columns.len()
    }

    /// Add the light of a row of encoded values, interleaved, at the width of the output.
    pub(crate) fn take(&self, planes: [&[f32]; 3], narrow: &mut Vec<f32>) {
        let mut weights = self.weights.as_slice();
        for column in &self.columns {
            let (of_column, rest) = weights.split_at(column.count);
            weights = rest;
            let under = column.first..column.first + column.count;
            narrow.extend(planes.map(|plane| {
                let mut sum = 0.0;
                for (weight, value) in of_column.iter().zip(&plane[under.clone()]) {
                    sum += weight * self.light[usize::from((value * 65535.0 + 0.5) as u16)];
                }
                sum
            }));
        }
    }
}

/// Averages narrow rows of a large picture into rows of a smaller one.
#[derive(Debug)]
pub(crate) struct Shrink {
    narrowing: Arc<Narrowing>,
    /// Rows that come in, and rows that go out.
    rows: [u32; 2],
    encoder: ExactEncoder,
    /// Weighted sum of the current output row.
    sums: Vec<f32>,
    next_in: u32,
    next_out: u32,
}

impl Shrink {
    pub(crate) fn new(from: (u32, u32), to: (u32, u32), transfer: Transfer) -> Self {
        Self {
            narrowing: Arc::new(Narrowing::new(from.0, to.0, transfer)),
            rows: [from.1, to.1],
            encoder: ExactEncoder::new(transfer),
            sums: vec![0.0; to.0 as usize * 3],
            next_in: 0,
            next_out: 0,
        }
    }

    /// Makes the rows that [`Self::push`] takes.
    pub(crate) fn narrowing(&self) -> &Arc<Narrowing> {
        &self.narrowing
    }

    /// Take narrow rows of light; returns the encoded output rows they complete.
    pub(crate) fn push(&mut self, narrow: &[f32]) -> Vec<f32> {
        let mut out = Vec::new();
        for row in narrow.chunks_exact(self.sums.len()) {
            let scale = f64::from(self.rows[0]) / f64::from(self.rows[1]);
            let (top, bottom) = (f64::from(self.next_in), f64::from(self.next_in) + 1.0);
            self.next_in += 1;
            loop {
                let edge = f64::from(self.next_out + 1) * scale;
                let start = f64::from(self.next_out) * scale;
                let weight = ((bottom.min(edge) - top.max(start)) / scale).max(0.0) as f32;
                for (sum, value) in self.sums.iter_mut().zip(row) {
                    *sum += weight * value;
                }
                if edge > bottom + 1e-9 || self.next_out >= self.rows[1] {
                    break;
                }
                self.emit(&mut out);
            }
        }
        out
    }

    /// The last row, if rounding left it open.
    pub(crate) fn finish(&mut self) -> Vec<f32> {
        let mut out = Vec::new();
        if self.next_out < self.rows[1] {
            self.emit(&mut out);
        }
        out
    }

    fn emit(&mut self, out: &mut Vec<f32>) {
        out.extend(self.sums.iter().map(|light| self.encoder.encode(*light)));
        self.sums.fill(0.0);
        self.next_out += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flat_picture_stays_flat_and_every_row_comes_out() {
        for (from, to) in [((10, 7), (4, 3)), ((9, 9), (3, 3)), ((100, 61), (33, 20))] {
            let mut shrink = Shrink::new(from, to, Transfer::Srgb);
            let mut out = Vec::new();
            for _ in 0..from.1 {
                let mut narrow = Vec::new();
                shrink.narrowing().take([&vec![0.5; from.0 as usize]; 3], &mut narrow);
                out.extend(shrink.push(&narrow));
            }
            out.extend(shrink.finish());
            assert_eq!(out.len(), (to.0 * to.1 * 3) as usize, "{from:?} to {to:?}");
            assert!(out.iter().all(|v| (v - 0.5).abs() < 1e-4));
        }
    }

    #[test]
    fn averages_are_made_in_light_not_in_codes() {
        let mut shrink = Shrink::new((2, 1), (1, 1), Transfer::Srgb);
        let mut narrow = Vec::new();
        shrink.narrowing().take([&[0.0, 1.0]; 3], &mut narrow);
        let mut out = shrink.push(&narrow);
        out.extend(shrink.finish());
        // Half the light is 0.735357 in sRGB coding (IEC 61966-2-1).
        assert!((out[0] - 0.735_357).abs() < 1e-4, "{out:?}");
    }
}
