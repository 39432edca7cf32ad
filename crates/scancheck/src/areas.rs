//! What each overview pixel shows: picture, clear rebate, open light, holder; and the light of the bands.

use glassine_layout::{RebateStrip, paint_box, rebate_mask};
use glassine_raster::{Plane, Point, TiltedBox};
use rayon::prelude::*;

use crate::ScanUnderCheck;
use crate::statistics::quantile;

/// Nothing certain: edges, dust at the film's edge, perforation rows.
pub(crate) const OTHER: u8 = 0;
pub(crate) const HOLDER: u8 = 1;
pub(crate) const OPEN: u8 = 2;
pub(crate) const REBATE: u8 = 3;
pub(crate) const PICTURE: u8 = 4;

/// Light against the brightest above which a pixel off the film is open light, and below which it is holder. Our
/// choice: a lamp's fall-off stays above, glow and 8 % of stray light below.
const OPEN_FROM: f64 = 0.7;
const HOLDER_TO: f64 = 0.12;

/// Classes of all overview pixels.
#[derive(Debug)]
pub(crate) struct Areas {
    pub(crate) class: Plane<u8>,
    pub(crate) factor: u32,
    /// Light of the brightest parts, 0 to 1.
    pub(crate) bright: f64,
    /// Pictures, in scan pixels.
    pub(crate) pictures: Vec<TiltedBox>,
    /// Light of every band for each colour channel, 0 to 1.
    pub(crate) light: Vec<Vec<Plane<f32>>>,
}

/// Grounds that have nothing in common: open light, rebate, one picture. What is on all of them comes from the scanner.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Ground {
    Open,
    Rebate,
    /// Index among the pictures.
    Picture(usize),
}

impl Areas {
    pub(crate) fn of(scan: &ScanUnderCheck<'_>) -> Self {
        let overview = scan.overview;
        let (width, height) = (overview.width(), overview.height());
        let channels = usize::from(overview.channels()).max(1);
        let colours = usize::from(scan.colour_channels).max(1);
        let factor = f64::from(scan.factor);
        let lows = |row: &[u16]| -> Vec<u16> {
            row.chunks_exact(channels).map(|px| px.iter().take(colours).copied().min().unwrap_or(0)).collect()
        };
        let mut sampled: Vec<f64> = (0..height)
            .step_by(4)
            .flat_map(|y| lows(overview.row(y)).into_iter().step_by(4))
            .map(|code| f64::from(code) / 65_535.0)
            .collect();
        // A few specular pixels do not count.
        let bright = quantile(&mut sampled, 0.998).unwrap_or(1.0).max(1e-4);
        let (open, holder) = ((65_535.0 * OPEN_FROM * bright) as u16, (65_535.0 * HOLDER_TO * bright) as u16);
        let mut class = Plane::filled(width, height, OTHER);
        let film_is_found = !scan.found.strips.is_empty();
        let row_px = (width as usize).max(1);
        class.data_mut().par_chunks_mut(row_px).enumerate().for_each(|(y, row)| {
            for (out, px) in row.iter_mut().zip(overview.row(y as u32).chunks_exact(channels)) {
                let (low, high) =
                    px.iter().take(colours).fold((u16::MAX, 0), |(l, h), c| (l.min(*c), h.max(*c)));
                *out = match () {
                    () if !film_is_found => PICTURE,
                    () if low > open => OPEN,
                    () if high < holder => HOLDER,
                    () => OTHER,
                };
            }
        });
        let margin = 3.0 * factor;
        for strip in &scan.found.strips {
            paint_box(&mut class, &strip.film_area.inset(-margin), factor, |class| {
                if class == OPEN { OPEN } else { OTHER }
            });
            // Whatever is bright inside the film is a perforation or film without a density: not told apart.
            paint_box(&mut class, &strip.film_area.inset(margin), factor, |_| OTHER);
            let images: Vec<TiltedBox> = strip.frames.iter().map(|frame| frame.image_area).collect();
            let rebate = RebateStrip {
                film_area: &strip.film_area,
                image_areas: &images,
                perforations: &strip.perforations,
            };
            let mask = rebate_mask(width, height, scan.factor, rebate, margin);
            for (class, is_rebate) in class.data_mut().iter_mut().zip(mask.data()) {
                if *is_rebate == 1 {
                    *class = REBATE;
                }
            }
            for frame in &strip.frames {
                let inside = frame.image_area.inset(frame.guard_margin_px + 2.0 * factor);
                paint_box(&mut class, &inside, factor, |_| PICTURE);
            }
            for hole in &strip.perforations {
                let grown = hole.inset(-2.0 * factor);
                paint_box(&mut class, &grown, factor, |class| if class == PICTURE { class } else { OTHER });
            }
        }
        let frames = scan.found.strips.iter().flat_map(|strip| &strip.frames);
        let pictures = frames.map(|frame| frame.image_area).collect();
        Self { class, factor: scan.factor, bright, pictures, light: scan.light_of_bands() }
    }

    /// Class at a scan position.
    pub(crate) fn at(&self, x: u32, y: u32) -> u8 {
        let (x, y) = (x / self.factor, y / self.factor);
        if x < self.class.width() && y < self.class.height() { self.class.at(x, y) } else { OTHER }
    }

    /// The ground at a scan position; `None` on holder, edges and whatever is not certain.
    pub(crate) fn ground(&self, x: u32, y: u32) -> Option<Ground> {
        match self.at(x, y) {
            OPEN => Some(Ground::Open),
            REBATE => Some(Ground::Rebate),
            PICTURE => {
                let at = Point::new(f64::from(x) + 0.5, f64::from(y) + 0.5);
                self.pictures.iter().position(|picture| picture.contains(at)).map(Ground::Picture)
            }
            _ => None,
        }
    }

    pub(crate) fn is_film(&self, x: u32, y: u32) -> bool {
        matches!(self.at(x, y), REBATE | PICTURE)
    }
}
