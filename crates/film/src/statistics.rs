//! Robust, compact statistics of one frame; the strip solve works on these.

use crate::base::{colour_channels, density_of_code};
use crate::{FilmKind, Stock};
use glassine_raster::{DensityD, Plane, Samples16};

/// Most cells per frame. Our choice: details of a 64th of a side; bounds what is kept.
const MOST_CELLS: usize = 4096;
/// Most single pixels stored in addition. Our choice: 0.03 % of highlights are then 20 pixels.
const MOST_SAMPLES: usize = 65_536;
/// How much a pixel in a corner counts for exposure against one in the centre. Subjects stand in the middle more often
/// than in the corners; centre-weighted metering is common practice, this curve is ours.
const CORNER_WEIGHT: f32 = 0.25;

/// Densities of a frame, averaged over small cells to suppress grain and noise.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FrameStatistics {
    /// Density above base of each cell (slides: density of the encoded transmittance), red, green, blue.
    pub(crate) cells_d: Vec<[f32; 3]>,
    /// The same for evenly spread single pixels: small highlights that cells would average away.
    pub(crate) samples_d: Vec<[f32; 3]>,
    /// How much each of these counts for its place in the picture: 1 in the centre, [`CORNER_WEIGHT`] in a corner.
    pub(crate) sample_weights: Vec<f32>,
    /// Share of pixels with a code at the top of the scan's range.
    pub(crate) open_share: f32,
}

impl FrameStatistics {
    /// Number of cells.
    pub fn cells(&self) -> usize {
        self.cells_d.len()
    }

    /// Density above base below which `share` of the cells of a channel are; `None` without cells.
    pub fn density_quantile(&self, channel: usize, share: f64) -> Option<DensityD> {
        let mut values: Vec<f32> =
            self.cells_d.iter().filter_map(|cell| cell.get(channel).copied()).collect();
        if values.is_empty() {
            return None;
        }
        values.sort_unstable_by(f32::total_cmp);
        let idx = ((values.len() - 1) as f64 * share.clamp(0.0, 1.0)).round() as usize;
        DensityD::new(f64::from(*values.get(idx)?))
    }

    /// Share of pixels at the top of the scan's range, where the scan has lost detail.
    pub fn open_share(&self) -> f64 {
        f64::from(self.open_share)
    }
}

/// Summarise one frame from linear codes inside its image area.
///
/// Cells are squares, sized so that about 4096 cover the picture; their *transmittances* are averaged, as a larger
/// scanner aperture would do. `base` is the density of clear film; without one (slides) densities count from full
/// scale.
pub fn measure_frame(
    linear: &Samples16,
    base: Option<[f64; 3]>,
    kind: FilmKind,
    _stock: &Stock,
) -> FrameStatistics {
    measure_frame_without(linear, &Plane::filled(0, 0, 0), base, kind)
}

/// [`measure_frame`] without some pixels.
///
/// `doubtful` is 0 for pixels that count fully, 1 for those that count only in cell averages (repaired dust, which may
/// leave traces), anything else for those that do not count. Pixels outside the plane count.
pub fn measure_frame_without(
    linear: &Samples16,
    doubtful: &Plane<u8>,
    base: Option<[f64; 3]>,
    kind: FilmKind,
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
    let doubt = |x: usize, y: usize| {
        let known = x < doubtful.width() as usize && y < doubtful.height() as usize;
        if known { doubtful.at(x as u32, y as u32) } else { 0 }
    };
    for y0 in (0..height).step_by(side) {
        let y1 = (y0 + side).min(height);
        for x0 in (0..width).step_by(side) {
            let x1 = (x0 + side).min(width);
            // Skip slivers at the far edges, which would weigh as much as full cells.
            if (x1 - x0) * 2 < side || (y1 - y0) * 2 < side {
                continue;
            }
            let (mut sums, mut count) = ([0_u64; 3], 0_usize);
            for y in y0..y1 {
                let row = linear.row(y as u32);
                for (x, pixel) in (x0..).zip(row[x0 * channels..x1 * channels].chunks_exact(channels)) {
                    if doubt(x, y) > 1 {
                        continue;
                    }
                    count += 1;
                    for (sum, &code) in sums.iter_mut().zip(&pixel[..used]) {
                        *sum += u64::from(code);
                    }
                    open += u64::from(pixel[..used].contains(&u16::MAX));
                }
            }
            // Skip cells with less than half of their pixels left.
            if 2 * count < (x1 - x0) * (y1 - y0) {
                continue;
            }
            let mut cell = [0.0_f32; 3];
            for (channel, value) in cell.iter_mut().enumerate() {
                let code = sums[channel.min(used - 1)] as f64 / count as f64;
                *value = (density_of_mean(code) - base[channel]) as f32;
            }
            cells_d.push(cell);
        }
    }
    let density_of_pixel =
        |pixel: &[u16]| [0, 1, 2].map(|c| (density_of_code(pixel[c.min(used - 1)]) - base[c]) as f32);
    let stride = (width * height).div_ceil(MOST_SAMPLES).max(1);
    let (samples_d, sample_weights) = linear
        .data()
        .chunks_exact(channels)
        .enumerate()
        .step_by(stride)
        .map(|(idx, pixel)| (idx % width, idx / width, pixel))
        .filter(|(x, y, _)| doubt(*x, *y) == 0)
        .map(|(x, y, pixel)| (density_of_pixel(pixel), weight_of_place([x, y], [width, height])))
        .unzip();
    FrameStatistics { cells_d, samples_d, sample_weights, open_share: open as f32 / (width * height) as f32 }
}

/// Weight of a pixel for exposure: falls with the square of the distance from the centre, which is 1 in a corner.
fn weight_of_place(at: [usize; 2], size: [usize; 2]) -> f32 {
    let square: f32 = [0, 1]
        .map(|axis| {
            let centred = (at[axis] as f32 + 0.5) / size[axis] as f32 * 2.0 - 1.0;
            centred * centred / 2.0
        })
        .iter()
        .sum();
    1.0 - (1.0 - CORNER_WEIGHT) * square
}

fn density_of_mean(code: f64) -> f64 {
    if code < 0.5 { density_of_code(0) } else { -crate::maths::log10(code / 65_535.0) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 40 x 30 pixels of one code, with a square of another.
    fn picture() -> (Samples16, Plane<u8>) {
        let mut samples = Samples16::from_vec(40, 30, 1, vec![20_000; 1200]).expect("length fits");
        let mut doubtful = Plane::filled(40, 30, 0_u8);
        for y in 10..13 {
            for x in 7..12 {
                samples.data_mut()[y * 40 + x] = 900;
                doubtful.set(x as u32, y as u32, 2);
            }
        }
        (samples, doubtful)
    }

    #[test]
    fn what_is_left_out_counts_neither_in_cells_nor_in_samples() {
        let (samples, doubtful) = picture();
        let kind = FilmKind::BlackAndWhite;
        let without = measure_frame_without(&samples, &doubtful, None, kind);
        let clear = density_of_code(20_000) as f32;
        assert!(without.samples_d.iter().chain(&without.cells_d).all(|d| (d[0] - clear).abs() < 1e-4));
        assert_eq!(without.samples_d.len(), 1200 - 15);
        let with = measure_frame(&samples, None, kind, crate::default_stock(kind));
        assert!(with.samples_d.iter().any(|d| d[0] > clear + 1.0));
    }

    #[test]
    fn slivers_at_the_far_edges_are_no_cells_and_corners_count_a_quarter() {
        // 130 pixels are 43 cells of 3 and one pixel.
        let samples = Samples16::from_vec(130, 130, 1, vec![20_000; 130 * 130]).expect("length fits");
        let kind = FilmKind::BlackAndWhite;
        let measured = measure_frame(&samples, None, kind, crate::default_stock(kind));
        assert_eq!(measured.cells(), 43 * 43);
        assert!((weight_of_place([65, 65], [131, 131]) - 1.0).abs() < 1e-6);
        assert!((weight_of_place([0, 999], [1000, 1000]) - CORNER_WEIGHT).abs() < 2e-3);
        assert!((weight_of_place([0, 65], [131, 131]) - (1.0 + CORNER_WEIGHT) / 2.0).abs() < 0.01);
    }

    #[test]
    fn repaired_pixels_count_in_averages_alone() {
        let (samples, mut doubtful) = picture();
        doubtful.data_mut().iter_mut().for_each(|doubt| *doubt /= 2);
        let measured = measure_frame_without(&samples, &doubtful, None, FilmKind::BlackAndWhite);
        let clear = density_of_code(20_000) as f32;
        assert!(measured.samples_d.iter().all(|d| (d[0] - clear).abs() < 1e-4));
        assert!(measured.cells_d.iter().any(|d| d[0] > clear + 0.1));
    }
}
