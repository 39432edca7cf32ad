//! Finds spots in visible light alone, for scans without infrared: cautious, and only ever a suggestion.
//!
//! A speck of dust is compact, darker than its surroundings in every channel by the same density, and isolated on a
//! quiet ground. Whatever belongs to a texture or comes in numbers, such as stars, is left to the user.

use glassine_raster::{CancelToken, PixelRect, Plane, RegionSource, Samples16};
use rayon::prelude::*;

use crate::density::density_d;
use crate::label::{Component, components};
use crate::region::{Region, row_pieces};
use crate::robust::mad_sigma;
use crate::types::{DustClass, DustError, DustMap, Mark, Refusal};

/// Radius of the ring that represents the surroundings. Our choice.
const RING_PX: i32 = 12;
/// Largest side of a spot. Our choice: larger shapes belong to pictures.
const SIDE_MAX_PX: u32 = 16;
/// Least density at medium sensitivity, D, and least multiple of the spread of the ground. Our choice: only what is
/// surely no grain, because nothing confirms it.
const CONTRAST_D: f32 = 0.10;
const CONTRAST_SIGMA: f32 = 9.0;
/// Channels may differ by this share of the spot's density. Our choice: dust is grey.
const COLOUR_MAX: f32 = 0.3;
/// Distance within which another candidate makes both doubtful. Our choice.
const LONE_PX: u32 = 40;
/// More candidates than this per megapixel are a texture, not dust. Our choice.
const CROWD_PER_MEGAPIXEL: f64 = 60.0;

/// Rows processed together, and how many neighbouring rows are read with them: a ring and the largest spot. Our choice.
const PIECE_ROWS: u32 = 256;
const HALO_PX: u32 = 2 * RING_PX as u32 + SIDE_MAX_PX;

/// Finds isolated compact specks in visible light; all of them are filled from their surroundings.
///
/// `rect` is the part of the scan to search, piece by piece. `sensitivity` runs from 0 to 1. Hairs, scratches and
/// groups are not searched for.
pub fn find_spots(
    source: &dyn RegionSource,
    rect: PixelRect,
    colour_channels: u8,
    sensitivity: f64,
    cancel: &CancelToken,
) -> Result<DustMap, DustError> {
    let region = Region::new(source, rect, cancel);
    let (width, height) = (region.width(), region.height());
    let side = 4 * RING_PX as u32;
    if width < side || height < side || colour_channels == 0 || region.channels() < colour_channels {
        return Err(Refusal::TooSmall { width, height }.into());
    }
    let colours = colour_channels.min(3);
    let s = if sensitivity.is_finite() { sensitivity.clamp(0.0, 1.0) as f32 } else { 0.5 };
    let scale = 2.0_f32.powf(1.0 - 2.0 * s);
    let found: Vec<Vec<Component>> = row_pieces(height, PIECE_ROWS)
        .into_par_iter()
        .map(|(y0, y1)| {
            let top = y0.saturating_sub(HALO_PX);
            let linear = region.read(PixelRect::new(0, top, width, (y1 + HALO_PX).min(height)))?;
            let mask = candidates(&linear, colours, CONTRAST_D * scale);
            let spots = components(&mask, 1).into_iter().filter(|c| {
                (y0..y1).contains(&(c.bounds().y0 + top))
                    && is_spot(&linear, colours, c, CONTRAST_SIGMA * scale)
            });
            Ok(spots.map(|spot| spot.lowered(top)).collect())
        })
        .collect::<Result<_, DustError>>()?;
    let found: Vec<Component> = found.into_iter().flatten().collect();
    let mut map = DustMap::clean(width, height);
    let crowd = CROWD_PER_MEGAPIXEL * (f64::from(width) * f64::from(height) / 1e6).max(0.1);
    if found.len() as f64 <= crowd {
        for (i, spot) in found.iter().enumerate() {
            let near = spot.bounds().grown(LONE_PX, width, height);
            let lone = found
                .iter()
                .enumerate()
                .all(|(j, other)| i == j || near.intersect(other.bounds()).is_empty());
            if lone {
                mark(&mut map, spot);
            }
        }
    }
    map.recount();
    Ok(map)
}

/// Pixels darker than all sides of the ring around them, in every channel.
fn candidates(linear: &Samples16, colours: u8, contrast_d: f32) -> Plane<u8> {
    let (w, h) = (linear.width(), linear.height());
    let channels = linear.channels() as usize;
    let margin = RING_PX as u32;
    let mut mask = Plane::filled(w, h, 0_u8);
    mask.data_mut().par_chunks_mut(w as usize).enumerate().for_each(|(y, out)| {
        let y = y as u32;
        if y < margin || y + margin >= h {
            return;
        }
        let rows = [-RING_PX, -8, 0, 8, RING_PX].map(|d| linear.row((y as i32 + d) as u32));
        let ring = [(0, 0), (1, -8), (1, 8), (2, -RING_PX), (2, RING_PX), (3, -8), (3, 8), (4, 0)];
        for x in margin..w - margin {
            let at = |row: &[u16], dx: i32, c: usize| density_d(row[(x as i32 + dx) as usize * channels + c]);
            let stands_out = (0..colours as usize).all(|c| {
                let here = at(rows[2], 0, c);
                let highest = ring.iter().map(|&(r, dx)| at(rows[r], dx, c)).fold(0.0, f32::max);
                here > highest + 0.5 * contrast_d
            });
            out[x as usize] = u8::from(stands_out);
        }
    });
    mask
}

/// Whether a component is compact, on a quiet ground, and of the same density in every channel.
fn is_spot(linear: &Samples16, colours: u8, component: &Component, sigmas: f32) -> bool {
    let bounds = component.bounds();
    let long = bounds.width().max(bounds.height());
    // A disc fills 0.79 of its square, a diagonal hair far less than 0.45; two pixels are grain. Our choice.
    let compact = f64::from(component.area()) > 0.45 * f64::from(bounds.width() * bounds.height());
    if component.area() < 3 || long > SIDE_MAX_PX || !compact {
        return false;
    }
    let around = bounds.grown(RING_PX as u32, linear.width(), linear.height());
    let inner = bounds.grown(3, linear.width(), linear.height());
    let mut contrasts = Vec::new();
    for c in 0..colours as usize {
        let mut ground = ground(linear, around, inner, c);
        let (middle, spread) = mad_sigma(&mut ground);
        let peak = component.pixels().map(|(x, y)| density_d(linear.pixel(x, y)[c])).fold(f32::MIN, f32::max);
        // 0.002 D: ground without grain still has code steps. Our choice.
        if peak - middle < sigmas * spread.max(0.002) {
            return false;
        }
        contrasts.push(peak - middle);
    }
    let mean = contrasts.iter().sum::<f32>() / contrasts.len().max(1) as f32;
    contrasts.iter().all(|c| (c - mean).abs() <= COLOUR_MAX * mean)
}

fn ground(linear: &Samples16, around: PixelRect, inner: PixelRect, c: usize) -> Vec<f32> {
    let inside = |x: u32, y: u32| (inner.x0..inner.x1).contains(&x) && (inner.y0..inner.y1).contains(&y);
    (around.y0..around.y1)
        .flat_map(|y| (around.x0..around.x1).map(move |x| (x, y)))
        .filter(|&(x, y)| !inside(x, y))
        .map(|(x, y)| density_d(linear.pixel(x, y)[c]))
        .collect()
}

/// Marks a spot two pixels wider than its core, without using its own light.
fn mark(map: &mut DustMap, spot: &Component) {
    let whole = Mark { severity: u8::MAX, class: DustClass::Speck as u8, attenuation: 0 };
    for (x, y) in spot.pixels() {
        let rect = PixelRect::new(x, y, x + 1, y + 1).grown(2, map.width(), map.height());
        for yy in rect.y0..rect.y1 {
            (rect.x0..rect.x1).for_each(|xx| map.set_mark(xx, yy, whole));
        }
    }
}
