//! Selects the overview pixels that may be film base: on the film, clear of every image and of the perforations.

use glassine_raster::{Plane, Point, TiltedBox};
use rayon::prelude::*;

/// The parts of a strip that the mask needs; see [`crate::FoundStrip`].
#[derive(Debug, Clone, Copy)]
pub struct RebateStrip<'a> {
    /// The film with its rebate.
    pub film_area: &'a TiltedBox,
    pub image_areas: &'a [TiltedBox],
    /// Perforations, as rows or single holes: never base.
    pub perforations: &'a [TiltedBox],
}

/// Candidate base pixels of one strip on an overview.
///
/// 1 where the pixel's centre is on the film, at least `margin_px` (scan pixels) inside its edges, outside every image
/// area grown by `margin_px`, and off the perforations.
///
/// | quantity | unit | domain | outside |
/// |---|---|---|---|
/// | `factor` | scan pixels per overview pixel | 1 and up | 0 counts as 1 |
/// | `margin_px` | scan pixels | 0 and up | negative counts as 0 |
pub fn rebate_mask(
    width: u32,
    height: u32,
    factor: u32,
    strip: RebateStrip<'_>,
    margin_px: f64,
) -> Plane<u8> {
    let factor = f64::from(factor.max(1));
    let margin = if margin_px.is_finite() { margin_px.max(0.0) } else { 0.0 };
    let mut mask = Plane::filled(width, height, 0_u8);
    let film = strip.film_area.inset(margin);
    if !film.is_sane() {
        return mask;
    }
    paint_box(&mut mask, &film, factor, |_| 1);
    for image in strip.image_areas {
        paint_box(&mut mask, &image.inset(-margin), factor, |_| 0);
    }
    for hole in strip.perforations {
        paint_box(&mut mask, &hole.inset(-margin), factor, |_| 0);
    }
    mask
}

/// Changes the overview pixels whose centres are in a box of the scan; `factor` is scan pixels per overview pixel.
pub fn paint_box(mask: &mut Plane<u8>, area: &TiltedBox, factor: f64, change: impl Fn(u8) -> u8 + Sync) {
    if !area.is_sane() {
        return;
    }
    let small = TiltedBox {
        center: Point::new(area.center.x / factor, area.center.y / factor),
        width_px: area.width_px / factor,
        height_px: area.height_px / factor,
        angle_rad: area.angle_rad,
    };
    let bounds = small.pixel_bounds(mask.width(), mask.height());
    // As `TiltedBox::contains`, which finds the sine for every point.
    let (sin, cos) = small.angle_rad.sin_cos();
    let (half_width, half_height) = (small.width_px / 2.0, small.height_px / 2.0);
    let width = (mask.width() as usize).max(1);
    let rows = mask.data_mut().par_chunks_mut(width).enumerate().skip(bounds.y0 as usize);
    rows.take(bounds.height() as usize).for_each(|(y, row)| {
        for (x, value) in row.iter_mut().enumerate().take(bounds.x1 as usize).skip(bounds.x0 as usize) {
            let (dx, dy) = (x as f64 + 0.5 - small.center.x, y as f64 + 0.5 - small.center.y);
            if (dx * cos + dy * sin).abs() <= half_width && (dy * cos - dx * sin).abs() <= half_height {
                *value = change(*value);
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base_pixels_are_film_without_images_and_holes() {
        let film = TiltedBox::from_edges(100.0, 100.0, 900.0, 500.0);
        let images = [TiltedBox::from_edges(200.0, 160.0, 500.0, 440.0)];
        let holes = [TiltedBox::from_edges(100.0, 110.0, 900.0, 130.0)];
        let strip = RebateStrip { film_area: &film, image_areas: &images, perforations: &holes };
        let mask = rebate_mask(100, 60, 10, strip, 10.0);
        assert_eq!(mask.at(5, 30), 0, "off the film");
        assert_eq!(mask.at(10, 30), 0, "within the margin of the edge");
        assert_eq!(mask.at(11, 30), 1);
        assert_eq!(mask.at(19, 30), 0, "within the margin of the image");
        assert_eq!(mask.at(30, 30), 0, "image");
        assert_eq!(mask.at(30, 12), 0, "perforations");
        assert_eq!(mask.at(30, 14), 1);
    }
}
