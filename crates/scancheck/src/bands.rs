//! Bands of whole rows at full resolution, on which fine structure is measured.

use glassine_layout::Found;
use glassine_raster::{PixelRect, Plane, Samples16};
use rayon::prelude::*;

use crate::ScanUnderCheck;

/// Pixels in all bands together. Our choice: a small scan is read whole, and of 150 megapixels a twentieth, which takes
/// a fraction of the time of the overview.
const MOST_PIXELS: u64 = 8_000_000;
/// Bands of a large scan, and fewest rows of one: an edge profile takes 40 rows, a slight turn of the film some more.
/// Our choice.
const MOST_BANDS: u32 = 8;
const LEAST_ROWS: u32 = 64;

/// Rows of a scan at full resolution.
#[derive(Debug, Clone)]
pub struct Band {
    pub rect: PixelRect,
    /// Codes of the file, all channels.
    pub codes: Samples16,
}

/// Which bands to read for a check: the whole of a small scan; of a large one the edges of its film and rows between.
pub fn band_rects(width: u32, height: u32, found: &Found) -> Vec<PixelRect> {
    let rows = (MOST_PIXELS / u64::from(width.max(1))).min(u64::from(height)) as u32;
    if rows >= height || height <= LEAST_ROWS {
        return vec![PixelRect::of_size(width, height)];
    }
    let count = (rows / LEAST_ROWS).clamp(1, MOST_BANDS);
    let side = (rows / count).max(LEAST_ROWS).min(height);
    let mut middles: Vec<u32> = (0..count)
        .map(|k| ((u64::from(2 * k + 1) * u64::from(height)) / u64::from(2 * count)) as u32)
        .collect();
    // The nearest bands move onto film edges that lie along the rows.
    let edges = found.strips.iter().flat_map(|strip| {
        let area = &strip.film_area;
        let is_along = area.angle_rad.sin().abs() * area.width_px < f64::from(side);
        let half = area.height_px / 2.0;
        [area.center.y - half, area.center.y + half].map(|y| (is_along, y))
    });
    for (_, y) in edges.filter(|(is_along, y)| *is_along && (0.0..f64::from(height)).contains(y)).take(4) {
        if let Some(near) = middles.iter_mut().min_by_key(|middle| middle.abs_diff(y as u32)) {
            *near = y as u32;
        }
    }
    middles.sort_unstable();
    let mut rects: Vec<PixelRect> = Vec::new();
    for middle in middles {
        let least = rects.last().map_or(0, |last| last.y1);
        let top = middle.saturating_sub(side / 2).clamp(0, height - side).max(least);
        let below = (top + side).min(height);
        if below > top {
            rects.push(PixelRect::new(0, top, width, below));
        }
    }
    rects
}

impl ScanUnderCheck<'_> {
    /// Light of every band for each colour channel, 0 to 1.
    pub(crate) fn light_of_bands(&self) -> Vec<Vec<Plane<f32>>> {
        let of_channel = |channel| self.bands.iter().map(|band| self.light_of(band, channel)).collect();
        (0..usize::from(self.colour_channels)).map(of_channel).collect()
    }

    fn light_of(&self, band: &Band, channel: usize) -> Plane<f32> {
        let channels = usize::from(band.codes.channels()).max(1);
        let table = self.light.get(channel).copied();
        let mut out = Plane::filled(band.codes.width(), band.codes.height(), 0.0_f32);
        let width = (band.codes.width() as usize).max(1);
        out.data_mut().par_chunks_mut(width).zip(band.codes.data().par_chunks(width * channels)).for_each(
            |(out, row)| {
                for (out, px) in out.iter_mut().zip(row.chunks_exact(channels)) {
                    let code = px.get(channel).copied().unwrap_or(0);
                    *out = match table {
                        Some(table) => table.get(usize::from(code)).copied().unwrap_or(0.0),
                        None => f32::from(code) / 65_535.0,
                    };
                }
            },
        );
        out
    }
}

/// Rows become columns.
pub(crate) fn transposed(plane: &Plane<f32>) -> Plane<f32> {
    /// Columns that are read together; their cache lines serve as many rows of the result.
    const TILE: usize = 16;
    let (width, height) = (plane.width() as usize, plane.height() as usize);
    let mut out = Plane::filled(plane.height(), plane.width(), 0.0_f32);
    out.data_mut().par_chunks_mut((TILE * height).max(1)).enumerate().for_each(|(tile, rows)| {
        let columns = tile * TILE..((tile + 1) * TILE).min(width);
        for (y, line) in plane.data().chunks_exact(width).enumerate() {
            for (row, v) in rows.chunks_exact_mut(height).zip(&line[columns.clone()]) {
                row[y] = *v;
            }
        }
    });
    out
}
