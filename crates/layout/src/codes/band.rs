//! Density along one edge of a strip.

use std::sync::LazyLock;

use glassine_raster::{
    CancelToken, Kernel, Orientation, PixelRect, Point, RegionSource, Samples16, Scan, TiltedSampling,
};
use rayon::prelude::*;

use super::CodedStrip;
use crate::{LayoutError, StripAxis};

/// Width of the band inwards from the film edge and beyond it, mm. The tracks are within 1.9 mm of the edge (estimate),
/// and the measured edge of the film may be wrong by a few tenths. Our choice.
const INWARDS_MM: f64 = 2.4;
const OUTWARDS_MM: f64 = 0.5;
/// Steps of the band along and across the film, mm. Our choice: eight steps a module, about 0.42 mm (estimate).
const ALONG_MM: f64 = 0.05;
const ACROSS_MM: f64 = 0.1;
/// Samples averaged for one value, at most, in each direction. Our choice: bounds time.
const TAPS_MAX: f64 = 8.0;
/// Lower resolutions do not show the modules: 4 pixels each. Our choice.
const PX_PER_MM_MIN: f64 = 9.0;
/// Longest part read at once, mm. Our choice: bounds memory.
const PART_MM: f64 = 80.0;

/// Density along one edge, sampled parallel to the film.
pub(super) struct Band {
    /// Lines from the film edge inwards, beginning outside the film.
    pub(super) lines: Vec<Vec<f32>>,
    pub(super) along_mm: f64,
    pub(super) across_mm: f64,
    pub(super) is_at_bottom: bool,
    sampling: TiltedSampling,
    /// Samples of the sampling for one value, along and across.
    taps: (u32, u32),
}

impl Band {
    /// Reads the band; `None` at a resolution that does not show the code.
    pub(super) fn read(
        scan: &dyn RegionSource,
        strip: &CodedStrip<'_>,
        is_at_bottom: bool,
        cancel: &CancelToken,
    ) -> Result<Option<Self>, LayoutError> {
        let px_per_mm = strip.px_per_mm;
        if !px_per_mm.is_finite() || px_per_mm < PX_PER_MM_MIN {
            return Ok(None);
        }
        let area = strip.film_area.inset(-OUTWARDS_MM * px_per_mm);
        let (lying, length_px, width_px) = match strip.axis {
            StripAxis::Across => (Orientation::default(), area.width_px, area.height_px),
            StripAxis::Down => {
                (Orientation::default().turned_counter_clockwise(), area.height_px, area.width_px)
            }
        };
        let orientation = if is_at_bottom { lying.flipped_vertically() } else { lying };
        let steps = |side_px: f64, step_mm: f64| (side_px / px_per_mm / step_mm).max(1.0) as u32;
        let (columns, rows) = (steps(length_px, ALONG_MM), steps(width_px, ACROSS_MM));
        let taps = [ALONG_MM, ACROSS_MM].map(|mm| (mm * px_per_mm).round().clamp(1.0, TAPS_MAX) as u32);
        let taps = (taps[0], taps[1]);
        let sampling =
            TiltedSampling::new(&area, orientation, columns * taps.0, rows * taps.1, Kernel::Bilinear);
        let used = rows.min(((INWARDS_MM + OUTWARDS_MM) / ACROSS_MM) as u32);
        let part = (PART_MM / ALONG_MM) as u32;
        let parts: Vec<u32> = (0..columns).step_by(part as usize).collect();
        let read: Vec<Vec<Vec<f32>>> = parts
            .par_iter()
            .map(|&first| {
                let end = (first + part).min(columns);
                let out = PixelRect::new(first * taps.0, 0, end * taps.0, used * taps.1);
                let rect = sampling.source_rect(out, scan.width(), scan.height());
                let picture = sampling.read(&scan.read(rect, cancel)?, rect.x0, rect.y0, out);
                Ok((0..used).into_par_iter().map(|row| densities(&picture, row, taps, strip)).collect())
            })
            .collect::<Result<_, LayoutError>>()?;
        let mut lines: Vec<Vec<f32>> = (0..used).map(|_| Vec::with_capacity(columns as usize)).collect();
        for part in read {
            lines.iter_mut().zip(part).for_each(|(line, part)| line.extend(part));
        }
        let along_mm = length_px / px_per_mm / f64::from(columns);
        let across_mm = width_px / px_per_mm / f64::from(rows);
        Ok(Some(Self { lines, along_mm, across_mm, is_at_bottom, sampling, taps }))
    }

    /// Distance of a column from the beginning of the strip, mm.
    pub(super) fn strip_mm(&self, column: f64) -> f64 {
        column * self.along_mm - OUTWARDS_MM
    }

    /// Position on the scan of a place in the band, in columns and rows from its corner.
    pub(super) fn position(&self, column: f64, row: f64) -> Point<Scan> {
        let (x, y) = (column * f64::from(self.taps.0), row * f64::from(self.taps.1));
        self.sampling.scan_position_of(x - 0.5, y - 0.5)
    }
}

/// Mean density of the colours over the samples of each value of a row.
fn densities(picture: &Samples16, row: u32, taps: (u32, u32), strip: &CodedStrip<'_>) -> Vec<f32> {
    static DENSITY: LazyLock<Vec<f32>> =
        LazyLock::new(|| (0..=u16::MAX).map(|code| -(f32::from(code).max(1.0) / 65_535.0).log10()).collect());
    let table = &*DENSITY;
    let channels = usize::from(picture.channels()).max(1);
    let colours = usize::from(strip.colour_channels).clamp(1, channels);
    let of_value = taps.0 as usize * channels;
    let mut sums = vec![0.0_f32; picture.width() as usize * channels / of_value];
    for y in row * taps.1..(row + 1) * taps.1 {
        for (sum, value) in sums.iter_mut().zip(picture.row(y).chunks_exact(of_value)) {
            for code in value.chunks_exact(channels).flat_map(|px| &px[..colours]) {
                *sum += table[usize::from(*code)];
            }
        }
    }
    let count = (taps.0 * taps.1) as f32 * colours as f32;
    sums.iter().map(|sum| sum / count.max(1.0)).collect()
}
