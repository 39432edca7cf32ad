//! Sharpness of the pictures on a scan, for comparing holder heights.

use glassine_raster::{CancelToken, PixelRect, Plane, RegionSource as _};
use glassine_session::ScanId;
use glassine_sharpness::{EdgeReport, FocusError, FocusMeasure, MeterError, measure_edge, measure_focus};

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

/// Response of every channel of a scan at the slanted edge in a part of it, in linear light.
pub(crate) fn sfr_of(
    at: &SessionAt,
    scan: ScanId,
    area: Option<PixelRect>,
    scans: &ScanStore,
    cancel: &CancelToken,
) -> Result<EdgeReport, EngineError> {
    let scan =
        at.session.scan(scan).ok_or_else(|| EngineError::internal("the scan is not in the session"))?;
    let open = scans.get(scan, at.folder.as_deref())?;
    let whole = PixelRect::of_size(open.width(), open.height());
    let area = match area.map(|area| area.intersect(whole)) {
        None if whole.width().max(whole.height()) > PART_PX => {
            return Err(EngineError::user_error(
                format!(
                    "a scan of {} x {} px is too large to search for an edge",
                    whole.width(),
                    whole.height()
                ),
                "give --box X,Y,W,H around the edge",
            ));
        }
        Some(area) if area.width() == 0 || area.height() == 0 => {
            return Err(EngineError::user_error(
                format!("the box lies outside the scan of {} x {} px", whole.width(), whole.height()),
                "give --box X,Y,W,H inside it",
            ));
        }
        Some(area) if area.width().max(area.height()) > PART_PX => {
            return Err(EngineError::user_error(
                format!(
                    "a box of {} x {} px is too large to search for an edge",
                    area.width(),
                    area.height()
                ),
                format!("give one of at most {PART_PX} px each way"),
            ));
        }
        area => area.unwrap_or(whole),
    };
    let samples = open.read(area, cancel)?;
    let channels = usize::from(samples.channels());
    let plane = |channel: usize| {
        let codes = samples.data().iter().skip(channel).step_by(channels);
        Plane::from_vec(area.width(), area.height(), codes.map(|code| f32::from(*code) / 65_535.0).collect())
            .ok_or_else(|| EngineError::user_error("the scan could not be read whole", "check the file"))
    };
    let colours = usize::from(open.colour_channels()).clamp(1, channels);
    let planes: Vec<_> = (0..colours).map(plane).collect::<Result<_, _>>()?;
    let report = measure_edge(&planes, colours / 2, PixelRect::of_size(area.width(), area.height()), cancel);
    let mut report = report.map_err(|refusal| match refusal {
        MeterError::Cancelled(cancelled) => cancelled.into(),
        other => EngineError::user_error(other.to_string(), "the edge was not measured"),
    })?;
    let region = report.region;
    let (x, y) = (area.x0, area.y0);
    report.region = PixelRect::new(region.x0 + x, region.y0 + y, region.x1 + x, region.y1 + y);
    Ok(report)
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
