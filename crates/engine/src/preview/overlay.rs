//! Marks painted over pictures: clipping, base pixels, dust, held overshoot. They differ by pattern as well as by colour.

use glassine_raster::Plane;

use crate::types::DIFFERENCE_GAIN;

/// Spacing of hatch lines in screen pixels.
const HATCH_PX: u32 = 6;
/// Side of a check in screen pixels.
const CHECK_PX: u32 = 3;

/// Marks on rows of RGBA; their colours differ in lightness, so that they read with any colour vision.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mark {
    /// White end: dark lines falling to the right.
    High,
    /// Black end: light lines rising to the right.
    Low,
    /// Near the white end: single dark lines falling to the right.
    NearHigh,
    /// Near the black end: single light lines rising to the right.
    NearLow,
    /// Film base: an even tint.
    Base,
    /// Dust: a solid colour.
    Dust,
    /// Outline of marks that the user painted out.
    PaintedOut,
    /// Held by the overshoot limit: a solid colour, light where a bright rim was held, dark where a dark one was.
    HeldBright,
    HeldDark,
    /// Out of gamut: checks of two neutral greys.
    OutOfGamut,
}

/// Paint one pixel.
pub(crate) fn paint(px: &mut [u8], mark: Mark, x: u32, y: u32) {
    let colour = match mark {
        Mark::High if (x + y) % HATCH_PX < HATCH_PX / 2 => [20, 20, 20],
        Mark::High => [255, 236, 120],
        Mark::Low if (x + HATCH_PX * 1024 - y % (HATCH_PX * 1024)) % HATCH_PX < HATCH_PX / 2 => {
            [235, 240, 255]
        }
        Mark::Low => [30, 60, 150],
        Mark::NearHigh if (x + y).is_multiple_of(HATCH_PX) => [60, 50, 10],
        Mark::NearLow if (x + HATCH_PX * 1024 - y % (HATCH_PX * 1024)).is_multiple_of(HATCH_PX) => {
            [150, 170, 235]
        }
        Mark::NearHigh | Mark::NearLow => return,
        Mark::Base => {
            for (value, tint) in px.iter_mut().zip([90_u16, 200, 210]) {
                *value = u16::midpoint(u16::from(*value), tint) as u8;
            }
            return;
        }
        Mark::Dust => [255, 110, 60],
        Mark::HeldBright => [255, 190, 60],
        Mark::HeldDark => [60, 80, 220],
        Mark::PaintedOut => [120, 235, 255],
        Mark::OutOfGamut if (x / CHECK_PX + y / CHECK_PX).is_multiple_of(2) => [105; 3],
        Mark::OutOfGamut => [150; 3],
    };
    px[..3].copy_from_slice(&colour);
}

/// Paint where `plane` is not zero; returns the share of pixels painted, 0 to 1.
pub(crate) fn paint_plane(rgba: &mut [u8], plane: &Plane<u8>, mark: Mark) -> f64 {
    let width = plane.width();
    let mut painted = 0_u64;
    for (at, (px, flag)) in rgba.chunks_exact_mut(4).zip(plane.data()).enumerate() {
        if *flag != 0 {
            paint(px, mark, at as u32 % width, at as u32 / width);
            painted += 1;
        }
    }
    painted as f64 / (plane.data().len().max(1)) as f64
}

/// The marked pixels of a plane that have an unmarked neighbour or lie on its edge.
pub(crate) fn outline(plane: &Plane<u8>) -> Plane<u8> {
    let (w, h) = (plane.width(), plane.height());
    let mut rim = Plane::filled(w, h, 0);
    for y in 0..h {
        for x in (0..w).filter(|&x| plane.at(x, y) != 0) {
            let inside = x > 0 && y > 0 && x + 1 < w && y + 1 < h;
            let around = || [(x - 1, y), (x + 1, y), (x, y - 1), (x, y + 1)];
            if !inside || around().iter().any(|&(x, y)| plane.at(x, y) == 0) {
                rim.set(x, y, 1);
            }
        }
    }
    rim
}

/// Paint a row of RGBA that shows how far two encoded rows differ, on black; returns how many pixels differ.
pub(crate) fn paint_difference([before, after]: [[&[f32]; 3]; 2], line: &mut [u8]) -> u64 {
    // Less than half a code of a 16-bit picture is no difference.
    const LEAST: f32 = 0.5 / 65535.0;
    let mut differing = 0;
    for (x, px) in line.chunks_exact_mut(4).enumerate() {
        let off = [0, 1, 2].map(|c| (after[c][x] - before[c][x]).abs());
        differing += u64::from(off.iter().any(|v| *v > LEAST));
        let [r, g, b] = off.map(|v| (v * DIFFERENCE_GAIN * 255.0 + 0.5).clamp(0.0, 255.0) as u8);
        px.copy_from_slice(&[r, g, b, u8::MAX]);
    }
    differing
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_outline_of_a_disc_is_a_ring() {
        let mut disc = Plane::filled(21, 21, 0_u8);
        for (x, y) in (0..21_u32).flat_map(|y| (0..21_u32).map(move |x| (x, y))) {
            let (dx, dy) = (x.abs_diff(10), y.abs_diff(10));
            disc.set(x, y, u8::from(dx * dx + dy * dy <= 49));
        }
        let rim = outline(&disc);
        assert_eq!((rim.at(10, 10), rim.at(3, 10), rim.at(10, 17), rim.at(0, 0)), (0, 1, 1, 0));
        assert!(rim.data().iter().zip(disc.data()).all(|(r, d)| r <= d));
    }

    #[test]
    fn a_difference_is_amplified_and_equal_pixels_stay_black() {
        let mut line = [0; 8];
        let before: [&[f32]; 3] = [&[0.5, 0.2], &[0.5, 0.2], &[0.5, 0.2]];
        let differing = paint_difference([before, [&[0.5, 0.25], &[0.5, 0.2], &[0.5, 0.9]]], &mut line);
        assert_eq!(line, [0, 0, 0, 255, 102, 0, 255, 255]);
        assert_eq!(differing, 1);
    }
}
