//! Response of a scan at a slanted edge, and its light.

use glassine_raster::{CancelToken, PixelRect, Plane, RegionSource as _};
use glassine_session::ScanId;
use glassine_sharpness::{EdgeReport, MeterError, measure_edge};

use crate::error::EngineError;
use crate::scans::{OpenScan, ScanStore};
use crate::types::SessionAt;

/// Largest side of the part of a scan that is searched for an edge, px: 64 MB as one plane.
const PART_PX: u32 = 4096;

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
                "choose a part of it around the edge",
            ));
        }
        Some(area) if area.width() == 0 || area.height() == 0 => {
            return Err(EngineError::user_error(
                format!("the box lies outside the scan of {} x {} px", whole.width(), whole.height()),
                "choose a box inside it",
            ));
        }
        Some(area) if area.width().max(area.height()) > PART_PX => {
            return Err(EngineError::user_error(
                format!(
                    "a box of {} x {} px is too large to search for an edge",
                    area.width(),
                    area.height()
                ),
                format!("choose one of at most {PART_PX} px each way"),
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

/// Mean linear light of the colours, 0 to 1.
pub(crate) fn light(
    open: &OpenScan,
    rect: PixelRect,
    cancel: &CancelToken,
) -> Result<Plane<f32>, EngineError> {
    let samples = open.read(rect, cancel)?;
    let colours = usize::from(open.colour_channels()).clamp(1, usize::from(samples.channels()));
    let scale = 1.0 / (65_535.0 * colours as f32);
    let mean = |pixel: &[u16]| pixel[..colours].iter().map(|code| f32::from(*code)).sum::<f32>() * scale;
    let light = samples.data().chunks_exact(usize::from(samples.channels())).map(mean).collect();
    Plane::from_vec(rect.width(), rect.height(), light)
        .ok_or_else(|| EngineError::user_error("the scan could not be read whole", "check the file"))
}
