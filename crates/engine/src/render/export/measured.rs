//! Blur and grain of a frame, measured on rows of its own export, and what its sharpening does to it.

use glassine_raster::{CancelToken, Plane};
use glassine_session::OutputSettings;
use glassine_sharpness::{BlurAndGrain, Sharpening, SharpeningEffect};

use super::band::{BandGroup, BandMaker, Body, Purpose};
use super::job::FrameJob;
use crate::dust::Repair;
use crate::error::EngineError;
use crate::frame::FrameContext;
use crate::render::Lightness;
use crate::types::UnitRect;

/// Rows of a part, and the most parts of a frame. Our choice: a fifth of a frame of 19 megapixels, spread over its
/// height, has hundreds of edges and thousands of flat tiles, and takes a tenth of the time of the export.
const PART_ROWS: u32 = 192;
const PARTS: u32 = 4;
/// Largest side of a part whose sharpening is measured, px. Our choice: what a large screen shows one to one, in about
/// half a second.
const MEASURED_MAX_PX: u32 = 1600;

/// Blur and grain of the lightness that is sharpened, at full size.
pub(crate) fn blur_and_grain(
    output: &OutputSettings,
    context: &FrameContext,
    repair: Option<&Repair>,
    cancel: &CancelToken,
) -> Result<BlurAndGrain, EngineError> {
    let job = FrameJob::new(output, None, context, repair)?;
    let parts = parts_of(job.sampling.height());
    let parts: Result<Vec<_>, _> = parts.into_iter().map(|rows| lightness(&job, rows, cancel)).collect();
    Ok(BlurAndGrain::measure(&parts?, cancel)?)
}

/// What a sharpening does to a part of a frame's upright picture at full size; `None` if it shows neither edges nor flat
/// areas.
pub(crate) fn effect(
    output: &OutputSettings,
    context: &FrameContext,
    sharpening: Sharpening,
    region: UnitRect,
    cancel: &CancelToken,
) -> Result<Option<SharpeningEffect>, EngineError> {
    let plain = FrameJob::new(output, None, context, None)?;
    let part = |from: f64, to: f64, length: u32| {
        let px = |at: f64| (at.clamp(0.0, 1.0) * f64::from(length)).round() as u32;
        middle_of((px(from), px(to)), MEASURED_MAX_PX)
    };
    let rows = part(region.y0, region.y1, plain.sampling.height());
    let columns = part(region.x0, region.x1, plain.sampling.width());
    if rows.0 >= rows.1 || columns.0 >= columns.1 {
        return Ok(None);
    }
    let before = columns_of(&lightness(&plain, rows, cancel)?, columns);
    let after = lightness(&FrameJob::new(output, Some(sharpening), context, None)?, rows, cancel)?;
    let after = columns_of(&after, columns);
    let effect = SharpeningEffect::between(&before, &after, cancel)?;
    Ok(effect.filter(|effect| effect.edges > 0 || effect.noise_gain.is_some()))
}

/// At most so many of some pixels, those in the middle.
fn middle_of((from, to): (u32, u32), most: u32) -> (u32, u32) {
    let surplus = to.saturating_sub(from).saturating_sub(most);
    (from + surplus / 2, to.saturating_sub(surplus.div_ceil(2)))
}

fn columns_of(plane: &Plane<f32>, (x0, x1): (u32, u32)) -> Plane<f32> {
    let row = |y: u32| plane.row(y)[x0 as usize..x1 as usize].iter().copied();
    let data = (0..plane.height()).flat_map(row).collect();
    Plane::from_vec(x1 - x0, plane.height(), data).unwrap_or_else(|| Plane::filled(0, 0, 0.0))
}

/// Parts of a frame's rows: all of them if they are few, else evenly spread ones.
fn parts_of(height: u32) -> Vec<(u32, u32)> {
    if height <= PARTS * PART_ROWS {
        return vec![(0, height)];
    }
    let middle = |part: u32| (u64::from(2 * part + 1) * u64::from(height) / u64::from(2 * PARTS)) as u32;
    (0..PARTS).map(middle).map(|y| (y - PART_ROWS / 2, y + PART_ROWS / 2)).collect()
}

fn lightness(
    job: &FrameJob<'_>,
    (y0, y1): (u32, u32),
    cancel: &CancelToken,
) -> Result<Plane<f32>, EngineError> {
    let group = BandGroup::new(vec![BandMaker::new(job, Purpose::Encode)]);
    let band = group.bands((y0, y1), cancel)?.into_iter().next();
    let Some(Body::Values(pixels)) = band.map(|band| band.body) else {
        return Err(EngineError::internal("a band for measuring holds encoded values"));
    };
    let light = Lightness::of(job.space).of_pixels(&pixels);
    Plane::from_vec(job.sampling.width(), y1 - y0, light)
        .ok_or_else(|| EngineError::internal("a band has the width of its frame"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_lie_inside_the_frame_and_do_not_overlap() {
        for height in [1, 100, 768, 769, 1000, 3600, 60_000] {
            let parts = parts_of(height);
            assert!(parts.iter().all(|(y0, y1)| y0 < y1 && *y1 <= height), "{height}: {parts:?}");
            assert!(parts.windows(2).all(|pair| pair[0].1 <= pair[1].0), "{height}: {parts:?}");
        }
    }
}
