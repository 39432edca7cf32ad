//! Sharpness of the pictures on a scan, for comparing holder heights.

use glassine_raster::{CancelToken, PixelRect, Plane, RegionSource as _};
use glassine_sharpness::{FocusError, FocusMeasure, measure_focus};

use crate::error::EngineError;
use crate::scans::{OpenScan, ScanStore};
use crate::types::SessionAt;

/// Largest side of the part of a picture that is measured, px: 64 MB as one plane.
const PART_PX: u32 = 4096;
/// Pictures found with less confidence are not measured; with none left, the middle of the scan is.
const CONFIDENCE_MIN: f64 = 0.5;
/// Share of a picture's sides left out: gates and box edges are not on the plane of the film.
const EDGE_SHARE: f64 = 0.03;

/// Sharpness of all pictures of the first scan of a session, in linear light.
pub(crate) fn focus_of(
    at: &SessionAt,
    scans: &ScanStore,
    cancel: &CancelToken,
) -> Result<FocusMeasure, EngineError> {
    let Some(scan) = at.session.scans.first() else {
        return Err(EngineError::user_error("there is no scan to measure", "give a scan file"));
    };
    let open = scans.get(scan, at.folder.as_deref())?;
    let whole = PixelRect::of_size(open.width(), open.height());
    let pictures = at.session.frames.iter().filter(|frame| frame.confidence >= CONFIDENCE_MIN);
    let mut parts: Vec<PixelRect> = pictures
        .filter_map(|frame| frame.image_area)
        .map(|area| area.inset(EDGE_SHARE * area.width_px.min(area.height_px)))
        .map(|area| middle_of(area.pixel_bounds(open.width(), open.height())))
        .collect();
    if parts.is_empty() {
        parts.push(middle_of(whole));
    }
    let mut measured = Vec::new();
    let mut problem = FocusError::NoDetail;
    for part in parts {
        match measure_focus(&light(&open, part, cancel)?, cancel) {
            Ok(measure) => measured.push(measure),
            Err(FocusError::Cancelled(cancelled)) => return Err(cancelled.into()),
            Err(other) => problem = other,
        }
    }
    FocusMeasure::pooled(&measured).ok_or_else(|| {
        EngineError::user_error(problem.to_string(), "scan a frame with fine detail, or a target")
    })
}

fn middle_of(rect: PixelRect) -> PixelRect {
    let shorter = |from: u32, to: u32| {
        let surplus = (to - from).saturating_sub(PART_PX);
        (from + surplus / 2, to - surplus.div_ceil(2))
    };
    let ((x0, x1), (y0, y1)) = (shorter(rect.x0, rect.x1), shorter(rect.y0, rect.y1));
    PixelRect::new(x0, y0, x1, y1)
}

/// Mean linear light of the colours, 0 to 1.
fn light(open: &OpenScan, rect: PixelRect, cancel: &CancelToken) -> Result<Plane<f32>, EngineError> {
    let samples = open.read(rect, cancel)?;
    let colours = usize::from(open.colour_channels()).clamp(1, usize::from(samples.channels()));
    let scale = 1.0 / (65_535.0 * colours as f32);
    let mean = |pixel: &[u16]| pixel[..colours].iter().map(|code| f32::from(*code)).sum::<f32>() * scale;
    let light = samples.data().chunks_exact(usize::from(samples.channels())).map(mean).collect();
    Plane::from_vec(rect.width(), rect.height(), light)
        .ok_or_else(|| EngineError::user_error("the scan could not be read whole", "check the file"))
}
