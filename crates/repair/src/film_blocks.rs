//! Whether a region can be analysed, and which of its blocks show film: neither holder nor open light.

use glassine_raster::Plane;

use crate::density::Blocks;
use crate::region::Region;
use crate::robust::median_in_place;
use crate::types::Refusal;

/// Smallest side of a region for measuring background, noise and registration. Our choice: four blocks a side.
const SIDE_MIN_PX: u32 = 64;
/// Blocks clearer than the film base by more than this in every colour are not film, D.
///
/// Film is clearer than its base only by lamp fall-off (3 to 10 % from middle to edge: up to 0.05 D); open light is
/// clearer by at least the density of support and mask, 0.15 D and more. Ours.
const CLEARER_D: f32 = 0.06;
/// Least infrared density of film over open light, D: its two surfaces reflect 8 % of the light (0.035 D), less the
/// lamp fall-off. Source: Fresnel's law for a refractive index of 1.5.
const SURFACES_D: f32 = 0.02;

/// Checks size and channels of the input.
pub(crate) fn check_size(region: &Region<'_>, colours: u8) -> Result<(), Refusal> {
    if colours == 0 || region.channels() <= colours {
        return Err(Refusal::NoInfrared);
    }
    let (width, height) = (region.width(), region.height());
    if width < SIDE_MIN_PX || height < SIDE_MIN_PX {
        return Err(Refusal::TooSmall { width, height });
    }
    Ok(())
}

/// Refuses an infrared plane without a signal.
pub(crate) fn check_signal(blocks: &Blocks) -> Result<(), Refusal> {
    for (at_top, fraction) in [(true, blocks.infrared_top), (false, blocks.infrared_black)] {
        // Our choice: on film, infrared is neither clipped nor black.
        if fraction > 0.9 {
            return Err(Refusal::InfraredUnusable { at_top, fraction });
        }
    }
    Ok(())
}

/// Which blocks are holder: opaque ones connected to the border.
pub(crate) fn holder_blocks(blocks: &[Plane<f32>]) -> Vec<bool> {
    let (w, h) = (blocks[0].width() as usize, blocks[0].height() as usize);
    // 1.7 D in every plane: the densest dyes let infrared through. Our choice.
    let opaque = |i: usize| blocks.iter().all(|b| b.data()[i] > 1.7);
    let mut holder = vec![false; w * h];
    let mut queue: Vec<usize> =
        (0..w * h).filter(|i| i % w == 0 || i % w == w - 1 || i / w == 0 || i / w == h - 1).collect();
    queue.retain(|&i| opaque(i));
    while let Some(i) = queue.pop() {
        if std::mem::replace(&mut holder[i], true) {
            continue;
        }
        let (x, y) = (i % w, i / w);
        let near = [(x.wrapping_sub(1), y), (x + 1, y), (x, y.wrapping_sub(1)), (x, y + 1)];
        queue
            .extend(near.iter().filter(|n| n.0 < w && n.1 < h).map(|n| n.1 * w + n.0).filter(|&n| opaque(n)));
    }
    holder
}

/// Which blocks show open light: clearer than the base of a negative can be.
///
/// Without a base, as on slides, the clearest blocks are open light if the infrared agrees: all film holds back
/// infrared at least by its two surfaces, and no block is between these and the clearest of all others.
fn open_light_blocks(blocks: &[Plane<f32>], film_base_d: Option<[f64; 3]>) -> Vec<bool> {
    let (colours, infrared) = blocks.split_at(blocks.len() - 1);
    let count = infrared[0].data().len();
    let clearest: Vec<f32> = match film_base_d {
        Some(base) => base.iter().map(|base| *base as f32 - CLEARER_D).collect(),
        None => {
            let least = |b: &Plane<f32>| b.data().iter().copied().fold(f32::MAX, f32::min);
            colours.iter().map(|b| least(b) + CLEARER_D).collect()
        }
    };
    let is_clear = |i: usize| colours.iter().zip(&clearest).all(|(b, clearest)| b.data()[i] < *clearest);
    let clear: Vec<bool> = (0..count).map(is_clear).collect();
    if film_base_d.is_some() {
        return clear;
    }
    let levels = |open: bool| -> Vec<f32> {
        let pairs = infrared[0].data().iter().zip(&clear);
        pairs.filter(|(_, clear)| **clear == open).map(|(d, _)| *d).collect()
    };
    let (mut open, mut film) = (levels(true), levels(false));
    // Fewer blocks have no fiftieth. Our choice.
    if open.is_empty() || film.len() < 50 {
        return vec![false; count];
    }
    let open = median_in_place(&mut open);
    // The lowest values may be half open light themselves.
    let rank = film.len() / 50;
    let film = *film.select_nth_unstable_by(rank, f32::total_cmp).1;
    let between = 0.5 * (open + film);
    let gap = film - open > SURFACES_D;
    infrared[0].data().iter().zip(&clear).map(|(d, clear)| gap && (*clear || *d < between)).collect()
}

/// Which blocks show film for measurements: neither holder nor open light, nor next to them, where a block may be
/// mixed.
pub(crate) fn film_blocks(blocks: &[Plane<f32>], film_base_d: Option<[f64; 3]>) -> Vec<bool> {
    let (w, h) = (blocks[0].width() as usize, blocks[0].height() as usize);
    let mut other = holder_blocks(blocks);
    for (other, open) in other.iter_mut().zip(open_light_blocks(blocks, film_base_d)) {
        *other |= open;
    }
    (0..w * h)
        .map(|i| {
            let (x, y) = (i % w, i / w);
            !(y.saturating_sub(1)..=(y + 1).min(h - 1))
                .any(|yy| (x.saturating_sub(1)..=(x + 1).min(w - 1)).any(|xx| other[yy * w + xx]))
        })
        .collect()
}
