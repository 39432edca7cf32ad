//! A compact robust summary of one frame, from which the strip is solved.

use crate::base::{colour_channels, density_of_code};
use crate::{FilmKind, Stock};
use glassine_raster::Samples16;

/// Most cells a frame is summarised by.
const MOST_CELLS: usize = 4096;
/// Most single pixels that are kept beside them.
const MOST_SAMPLES: usize = 16_384;

/// Densities of a frame, averaged over small cells so that grain and noise do not count.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FrameStatistics {
    /// Density above base of each cell (slides: density of the encoded transmittance), red, green, blue.
    pub(crate) cells_d: Vec<[f32; 3]>,
    /// The same of single pixels, evenly spread: small highlights that cells would average away.
    pub(crate) samples_d: Vec<[f32; 3]>,
    /// Share of pixels with a code at the top of the scan's range.
    pub(crate) open_share: f32,
}

impl FrameStatistics {
    /// Cells the summary rests on.
    pub fn cells(&self) -> usize {
        self.cells_d.len()
    }

    /// Density above base below which `share` of the cells of a channel lie; `None` without cells.
    pub fn density_quantile_d(&self, channel: usize, share: f64) -> Option<f64> {
        let mut values: Vec<f32> =
            self.cells_d.iter().filter_map(|cell| cell.get(channel).copied()).collect();
        if values.is_empty() {
            return None;
        }
        values.sort_unstable_by(f32::total_cmp);
        let idx = ((values.len() - 1) as f64 * share.clamp(0.0, 1.0)).round() as usize;
        values.get(idx).copied().map(f64::from)
    }

    /// Share of pixels at the top of the scan's range, where the scan itself has lost detail.
    pub fn open_share(&self) -> f64 {
        f64::from(self.open_share)
    }
}

/// Summarise one frame from linear codes taken inside its image area.
///
/// Cells are squares whose side is chosen so that about 4096 cover the picture; their *transmittances* are averaged, as a
/// larger scanner aperture would. `base` is the density of clear film; without one (slides) densities count from full
/// scale.
pub fn measure_frame(
    linear: &Samples16,
    base: Option<[f64; 3]>,
    kind: FilmKind,
    _stock: &Stock,
) -> FrameStatistics {
    let channels = usize::from(linear.channels());
    let (width, height) = (linear.width() as usize, linear.height() as usize);
    if channels == 0 || width == 0 || height == 0 {
        return FrameStatistics::default();
    }
    let used = colour_channels(linear);
    let side = libm::ceil(libm::sqrt((width * height) as f64 / MOST_CELLS as f64)).max(1.0) as usize;
    let base = if kind.is_negative() { base.unwrap_or([0.0; 3]) } else { [0.0; 3] };
    let mut cells_d = Vec::with_capacity(MOST_CELLS);
    let mut open = 0_u64;
    for y0 in (0..height).step_by(side) {
        let y1 = (y0 + side).min(height);
        for x0 in (0..width).step_by(side) {
            let x1 = (x0 + side).min(width);
            // Slivers at the far edges would weigh as much as full cells.
            if (x1 - x0) * 2 < side || (y1 - y0) * 2 < side {
                continue;
            }
            let mut sums = [0_u64; 3];
            for y in y0..y1 {
                let row = linear.row(y as u32);
                for pixel in row[x0 * channels..x1 * channels].chunks_exact(channels) {
                    for (sum, &code) in sums.iter_mut().zip(&pixel[..used]) {
                        *sum += u64::from(code);
                    }
                    open += u64::from(pixel[..used].contains(&u16::MAX));
                }
            }
            let count = ((x1 - x0) * (y1 - y0)) as f64;
            let mut cell = [0.0_f32; 3];
            for (channel, value) in cell.iter_mut().enumerate() {
                let code = sums[channel.min(used - 1)] as f64 / count;
                *value = (density_of_mean(code) - base[channel]) as f32;
            }
            cells_d.push(cell);
        }
    }
    let density_of_pixel =
        |pixel: &[u16]| [0, 1, 2].map(|c| (density_of_code(pixel[c.min(used - 1)]) - base[c]) as f32);
    let stride = (width * height).div_ceil(MOST_SAMPLES).max(1);
    let samples_d = linear.data().chunks_exact(channels).step_by(stride).map(density_of_pixel).collect();
    FrameStatistics { cells_d, samples_d, open_share: open as f32 / (width * height) as f32 }
}

fn density_of_mean(code: f64) -> f64 {
    if code < 0.5 { density_of_code(0) } else { -crate::maths::log10(code / 65_535.0) }
}
