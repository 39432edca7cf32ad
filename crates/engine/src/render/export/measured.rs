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

/// Rows of a part, and the most parts of a frame. Our choice: a fifth of a frame of 19 megapixels, spread over its
/// height, has hundreds of edges and thousands of flat tiles, and takes a tenth of the time of the export.
const PART_ROWS: u32 = 192;
const PARTS: u32 = 4;

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

/// What a sharpening does to rows `rows` of a frame at full size; `None` if they show neither edges nor flat areas.
pub(crate) fn effect(
    output: &OutputSettings,
    context: &FrameContext,
    sharpening: Sharpening,
    (y0, y1): (u32, u32),
    cancel: &CancelToken,
) -> Result<Option<SharpeningEffect>, EngineError> {
    let plain = FrameJob::new(output, None, context, None)?;
    let rows = (y0.min(plain.sampling.height()), y1.min(plain.sampling.height()));
    if rows.0 >= rows.1 {
        return Ok(None);
    }
    let before = lightness(&plain, rows, cancel)?;
    let after = lightness(&FrameJob::new(output, Some(sharpening), context, None)?, rows, cancel)?;
    let effect = SharpeningEffect::between(&before, &after, cancel)?;
    Ok(effect.filter(|effect| effect.edges > 0 || effect.noise_gain.is_some()))
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
    let Some(Body::Encoded(pixels)) = band.map(|band| band.body) else {
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
