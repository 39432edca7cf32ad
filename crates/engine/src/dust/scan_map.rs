//! The dust of a whole scan in one map.

use std::sync::Arc;

use glassine_raster::{CancelToken, Plane, Point, RegionSource as _};
use glassine_session::ScanId;

use crate::dust::repair_cache::RepairCache;
use crate::dust::{key_of, make};
use crate::error::EngineError;
use crate::frame::FrameContext;
use crate::scans::{ScanStore, zeroed};
use crate::types::SessionAt;

/// The dust of one scan, frame by frame.
#[derive(Debug)]
pub struct DustOfScan {
    /// Scan size: 0 clean, else severity 1 to 255.
    pub severity: Plane<u8>,
    /// Pixels marked.
    pub marked_px: u64,
    /// Connected marks.
    pub objects: u32,
    /// Why frames were left out, one sentence each.
    pub refusals: Vec<String>,
}

/// Dust maps of all frames of a scan in one plane of its size.
pub(crate) fn dust_of_scan(
    (scans, repairs): (&ScanStore, &RepairCache),
    at: &SessionAt,
    scan: ScanId,
    cancel: &CancelToken,
) -> Result<DustOfScan, EngineError> {
    let scan_ref = at.session.scan(scan).ok_or_else(EngineError::no_scan)?;
    // The size comes from the file, because the session may state any size.
    let open = scans.get(scan_ref, at.folder.as_deref())?;
    let (width, height) = (open.width(), open.height());
    let severity = zeroed(u64::from(width) * u64::from(height), "a dust map")?;
    let severity = Plane::from_vec(width, height, severity)
        .ok_or_else(|| EngineError::internal("a dust map was made in another size than asked"))?;
    let mut dust = DustOfScan { severity, marked_px: 0, objects: 0, refusals: Vec::new() };
    for frame in &at.session.frames {
        let context = FrameContext::new(&at.session, frame, at.folder.as_deref(), scans)?;
        if context.scan_ref.id != scan {
            continue;
        }
        if let Err(error) = context.check_box() {
            dust.refusals.push(error.notice().headline);
            continue;
        }
        let repair = match repairs.kept(&key_of(&context)) {
            Some(ready) => ready,
            None => Arc::new(make(&context, repairs, false, cancel, &|_| {})?),
        };
        if let Some(refusal) = repair.refusal {
            dust.refusals.push(format!("frame {}: {refusal}", frame.number));
        }
        let Some(found) = &repair.found else { continue };
        dust.objects += found.counts.iter().sum::<u32>();
        let area = frame.image_area.unwrap_or(frame.crop);
        for y in 0..found.map.height() {
            for (x0, x1) in found.map.marked_runs(y, 0, found.map.width()) {
                for x in x0..x1 {
                    let (px, py) = (found.region.x0 + x, found.region.y0 + y);
                    let center = Point::new(f64::from(px) + 0.5, f64::from(py) + 0.5);
                    let severity = found.map.severity(x, y);
                    if dust.severity.at(px, py) < severity && area.contains(center) {
                        dust.marked_px += u64::from(dust.severity.at(px, py) == 0);
                        dust.severity.set(px, py, severity);
                    }
                }
            }
        }
    }
    Ok(dust)
}
