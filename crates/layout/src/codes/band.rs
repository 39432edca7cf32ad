//! Density along one edge of a strip.

use glassine_raster::{CancelToken, PixelRect, Point, RegionSource, Samples16, Scan, TiltedBox};
use rayon::prelude::*;

use super::CodedStrip;
use crate::{LayoutError, StripAxis};

/// Width of the band inwards from the film edge and beyond it, mm. The tracks are within 1.9 mm of the edge, and the
/// measured edge of the film may be wrong by a few tenths.
const INWARDS_MM: f64 = 2.4;
const OUTWARDS_MM: f64 = 0.5;
/// Steps of the band along and across the film, mm. A module is about 0.42 mm long.
const ALONG_MM: f64 = 0.05;
const ACROSS_MM: f64 = 0.1;
/// Pixels of the scan averaged for one value, at most, in each direction.
const TAPS_MAX: usize = 8;
/// Lower resolutions do not show the modules: 4 pixels each.
const PX_PER_MM_MIN: f64 = 9.0;
/// Longest part read at once, pixels.
const PART_PX: f64 = 2048.0;

/// Density along one edge, sampled parallel to the film.
pub(super) struct Band {
    /// Lines from the film edge inwards, beginning outside the film.
    pub(super) lines: Vec<Vec<f32>>,
    pub(super) along_mm: f64,
    pub(super) across_mm: f64,
    pub(super) is_at_bottom: bool,
    lying: Lying,
    /// Direction from the film edge inwards.
    inwards: f64,
}

/// The strip seen lying: origin at the upper left corner, mm.
#[derive(Clone, Copy)]
struct Lying {
    origin: Point<Scan>,
    /// Scan pixels for a millimetre along and down.
    along: (f64, f64),
    down: (f64, f64),
    length_mm: f64,
    width_mm: f64,
}

impl Lying {
    fn new(area: &TiltedBox, axis: StripAxis, px_per_mm: f64) -> Self {
        let (sin, cos) = area.angle_rad.sin_cos();
        let (across, downwards) = ((cos * px_per_mm, sin * px_per_mm), (-sin * px_per_mm, cos * px_per_mm));
        let (origin, along, down, length_px, width_px) = match axis {
            StripAxis::Across => {
                (area.scan_from_unit(0.0, 0.0), across, downwards, area.width_px, area.height_px)
            }
            // Turned counter-clockwise: the upper right corner becomes the upper left one.
            StripAxis::Down => (
                area.scan_from_unit(1.0, 0.0),
                downwards,
                (-across.0, -across.1),
                area.height_px,
                area.width_px,
            ),
        };
        Self { origin, along, down, length_mm: length_px / px_per_mm, width_mm: width_px / px_per_mm }
    }

    fn at(&self, along_mm: f64, down_mm: f64) -> Point<Scan> {
        Point::new(
            self.origin.x + along_mm * self.along.0 + down_mm * self.down.0,
            self.origin.y + along_mm * self.along.1 + down_mm * self.down.1,
        )
    }
}

impl Band {
    /// Reads the band; `None` at a resolution that does not show the code.
    pub(super) fn read(
        scan: &dyn RegionSource,
        strip: &CodedStrip<'_>,
        is_at_bottom: bool,
        cancel: &CancelToken,
    ) -> Result<Option<Self>, LayoutError> {
        if !strip.px_per_mm.is_finite() || strip.px_per_mm < PX_PER_MM_MIN {
            return Ok(None);
        }
        let lying = Lying::new(strip.film_area, strip.axis, strip.px_per_mm);
        let columns = (lying.length_mm / ALONG_MM) as usize;
        let rows = ((INWARDS_MM + OUTWARDS_MM) / ACROSS_MM) as usize;
        let inwards = if is_at_bottom { -1.0 } else { 1.0 };
        let edge_mm = if is_at_bottom { lying.width_mm } else { 0.0 };
        let down_mm = |row: f64| edge_mm + inwards * (row * ACROSS_MM - OUTWARDS_MM);
        let part = ((PART_PX / strip.px_per_mm / ALONG_MM) as usize).max(1);
        let parts: Vec<(usize, usize)> =
            (0..columns).step_by(part).map(|first| (first, (first + part).min(columns))).collect();
        let read: Vec<Vec<Vec<f32>>> = parts
            .par_iter()
            .map(|&(first, end)| {
                let corner = |column: usize, row: f64| lying.at(column as f64 * ALONG_MM, down_mm(row));
                let corners = [
                    corner(first, 0.0),
                    corner(end, 0.0),
                    corner(first, rows as f64),
                    corner(end, rows as f64),
                ];
                let rect = bounds(&corners).intersect(PixelRect::of_size(scan.width(), scan.height()));
                if rect.is_empty() {
                    return Ok(vec![vec![0.0; end - first]; rows]);
                }
                let samples = scan.read(rect, cancel)?;
                let density = Density { samples: &samples, rect, colours: strip.colour_channels };
                let taps = |mm: f64| ((mm * strip.px_per_mm).round() as usize).clamp(1, TAPS_MAX);
                let (along_taps, across_taps) = (taps(ALONG_MM), taps(ACROSS_MM));
                let value = |column: usize, row: usize| {
                    let mut sum = 0.0;
                    for (i, j) in (0..across_taps).flat_map(|j| (0..along_taps).map(move |i| (i, j))) {
                        let share = |at: usize, of: usize| (at as f64 + 0.5) / of as f64;
                        let along = (column as f64 + share(i, along_taps)) * ALONG_MM;
                        sum += density.at(lying.at(along, down_mm(row as f64 + share(j, across_taps))));
                    }
                    sum / (along_taps * across_taps) as f32
                };
                Ok((0..rows).map(|row| (first..end).map(|column| value(column, row)).collect()).collect())
            })
            .collect::<Result<_, LayoutError>>()?;
        let mut lines: Vec<Vec<f32>> = (0..rows).map(|_| Vec::with_capacity(columns)).collect();
        for part in read {
            lines.iter_mut().zip(part).for_each(|(line, part)| line.extend(part));
        }
        Ok(Some(Self { lines, along_mm: ALONG_MM, across_mm: ACROSS_MM, is_at_bottom, lying, inwards }))
    }

    /// Position on the scan of a place in the band: column and row, both fractional.
    pub(super) fn position(&self, column: f64, row: f64) -> Point<Scan> {
        let edge_mm = if self.is_at_bottom { self.lying.width_mm } else { 0.0 };
        self.lying.at(column * ALONG_MM, edge_mm + self.inwards * (row * ACROSS_MM - OUTWARDS_MM))
    }
}

fn bounds(corners: &[Point<Scan>; 4]) -> PixelRect {
    let range = |values: [f64; 4]| {
        let low = values.into_iter().fold(f64::MAX, f64::min) - 2.0;
        let high = values.into_iter().fold(f64::MIN, f64::max) + 2.0;
        // Negative and huge positions saturate; the caller clips to the scan.
        (low.max(0.0) as u32, high.max(0.0) as u32)
    };
    let ((x0, x1), (y0, y1)) = (range(corners.map(|p| p.x)), range(corners.map(|p| p.y)));
    PixelRect::new(x0, y0, x1, y1)
}

/// Mean density of the colours, bilinear in density.
struct Density<'a> {
    samples: &'a Samples16,
    rect: PixelRect,
    colours: u8,
}

impl Density<'_> {
    fn at(&self, p: Point<Scan>) -> f32 {
        let (x, y) = (p.x - 0.5 - f64::from(self.rect.x0), p.y - 0.5 - f64::from(self.rect.y0));
        let (fx, fy) = ((x - x.floor()) as f32, (y - y.floor()) as f32);
        let pixel = |dx: f64, dy: f64| {
            let clamp = |v: f64, size: u32| v.clamp(0.0, f64::from(size) - 1.0) as u32;
            let (x, y) = (x.floor() + dx, y.floor() + dy);
            let codes = self.samples.pixel(clamp(x, self.samples.width()), clamp(y, self.samples.height()));
            let colours = &codes[..usize::from(self.colours).clamp(1, codes.len())];
            let product =
                colours.iter().fold(1.0_f32, |all, code| all * (f32::from(*code).max(1.0) / 65_535.0));
            -product.log10() / colours.len() as f32
        };
        let above = (1.0 - fx) * pixel(0.0, 0.0) + fx * pixel(1.0, 0.0);
        let below = (1.0 - fx) * pixel(0.0, 1.0) + fx * pixel(1.0, 1.0);
        (1.0 - fy) * above + fy * below
    }
}
