//! The pixel loop.

use super::build::{ENTRIES_PER_D, TABLE_LOW_D};
use super::{Core, LayerTable, Pipeline};

/// Pixels worked on at a time: three planes of them fit into the first-level cache.
pub(super) const CHUNK: usize = 256;

/// A chunk as three planes.
pub(super) type Planes = [[f32; CHUNK]; 3];

/// Three planes of a chunk times a matrix whose rows sum to one, written so that equal inputs give exactly equal outputs.
#[inline]
pub(super) fn neutral_matrix(m: &[[f32; 3]; 3], planes: &mut Planes, len: usize) {
    let [r, g, b] = planes;
    for i in 0..len.min(CHUNK) {
        let (dr, db) = (r[i] - g[i], b[i] - g[i]);
        let green = g[i];
        r[i] = green + m[0][0] * dr + m[0][2] * db;
        g[i] = green + m[1][0] * dr + m[1][2] * db;
        b[i] = green + m[2][0] * dr + m[2][2] * db;
    }
}

/// Three planes of a chunk times any matrix.
#[inline]
pub(super) fn matrix(m: &[[f32; 3]; 3], planes: &mut Planes, len: usize) {
    let [r, g, b] = planes;
    for i in 0..len.min(CHUNK) {
        let (x, y, z) = (r[i], g[i], b[i]);
        r[i] = m[0][0] * x + m[0][1] * y + m[0][2] * z;
        g[i] = m[1][0] * x + m[1][1] * y + m[1][2] * z;
        b[i] = m[2][0] * x + m[2][1] * y + m[2][2] * z;
    }
}

impl LayerTable {
    /// Light of densities, in place, by straight lines between entries.
    #[inline]
    fn look_up(&self, values: &mut [f32]) {
        let light = self.light.as_slice();
        let last = light.len() - 2;
        for value in values {
            let position = ((*value - TABLE_LOW_D) * ENTRIES_PER_D).max(0.0);
            let idx = (position as usize).min(last);
            let share = (position - idx as f32).min(1.0);
            let (a, b) = (light[idx], light[idx + 1]);
            *value = a + (b - a) * share;
        }
    }
}

impl Pipeline {
    /// Encoded colours of interleaved scan codes.
    ///
    /// `codes` holds `in_channels` samples a pixel, of which the first `colour_channels` (1 for grey scans, 3 for colour)
    /// are used; an infrared sample behind them is ignored. `out` takes three values a pixel, encoded for the output
    /// space, nominally 0..=1 and not clipped, so that clip counts are exact. The shorter of the two ends the run.
    pub fn run(&self, codes: &[u16], in_channels: usize, colour_channels: usize, out: &mut [f32]) {
        self.run_shifted(codes, in_channels, colour_channels, &[], out);
    }

    /// [`Pipeline::run`] with a base that varies over the scan.
    ///
    /// `base_shift_d` holds three values a pixel, red, green, blue: how much denser the base seems at that place than the
    /// recipe's (see [`crate::BaseField`]); where it ends there is no shift. Slides have no base and ignore it.
    pub fn run_shifted(
        &self,
        codes: &[u16],
        in_channels: usize,
        colour_channels: usize,
        base_shift_d: &[f32],
        out: &mut [f32],
    ) {
        let in_channels = in_channels.max(1);
        let colour = colour_channels.clamp(1, 3).min(in_channels);
        let pick = if colour == 3 { [0, 1, 2] } else { [0, 0, 0] };
        let shift = if matches!(self.core, Core::Light { .. }) { &[] } else { base_shift_d };
        let mut shifts = shift.chunks(CHUNK * 3);
        let mut planes: Planes = [[0.0; CHUNK]; 3];
        for (codes, out) in codes.chunks(CHUNK * in_channels).zip(out.chunks_mut(CHUNK * 3)) {
            let len = (codes.len() / in_channels).min(out.len() / 3);
            for ((plane, table), channel) in planes.iter_mut().zip(&self.input).zip(pick) {
                for (value, pixel) in plane.iter_mut().zip(codes.chunks_exact(in_channels)) {
                    *value = table[usize::from(pixel[channel])];
                }
            }
            if let Some(shift) = shifts.next() {
                for (c, plane) in planes.iter_mut().enumerate() {
                    for (value, shift) in plane.iter_mut().zip(shift.chunks_exact(3)) {
                        *value -= shift[c];
                    }
                }
            }
            self.core(&mut planes, len);
            self.finish.run(&mut planes, len);
            let [r, g, b] = &planes;
            for (i, pixel) in out.chunks_exact_mut(3).take(len).enumerate() {
                pixel[0] = r[i];
                pixel[1] = g[i];
                pixel[2] = b[i];
            }
        }
    }

    fn core(&self, planes: &mut Planes, len: usize) {
        match &self.core {
            Core::Colour { unmix, layers, working } => {
                matrix(unmix, planes, len);
                for (plane, layer) in planes.iter_mut().zip(layers.iter()) {
                    layer.look_up(&mut plane[..len]);
                }
                neutral_matrix(working, planes, len);
            }
            Core::Grey { weights, layer } => {
                let [r, g, b] = planes;
                for i in 0..len {
                    g[i] = weights[0] * r[i] + weights[1] * g[i] + weights[2] * b[i];
                }
                layer.look_up(&mut g[..len]);
                r[..len].copy_from_slice(&g[..len]);
                b[..len].copy_from_slice(&g[..len]);
            }
            Core::Light { working } => neutral_matrix(working, planes, len),
        }
    }
}
