//! Pictures of whole scans for the strip view.

use std::sync::Arc;

use glassine_film::base_mask;
use glassine_raster::{CancelToken, Point};
use glassine_session::ScanId;

use crate::error::EngineError;
use crate::preview::overlay::{Mark, paint};
use crate::preview::renderer::scan_rgba;
use crate::scans::{OpenScan, OverviewData, ScanStore, zeroed};
use crate::types::{FoundReading, ScanPicture, SessionAt, SessionKey};

/// A scan as it is, from its overview or a coarse one.
pub(crate) fn shown_as_scanned(
    session: SessionKey,
    scan: ScanId,
    open: &OpenScan,
    overview: &OverviewData,
    gain: f32,
) -> ScanPicture {
    ScanPicture {
        session,
        scan,
        width_px: overview.samples.width(),
        height_px: overview.samples.height(),
        factor: overview.factor,
        rgba: Arc::new(scan_rgba(&overview.samples, open.colour_channels(), gain)),
        reading: FoundReading::of(open.info()),
    }
}

/// Base pixels of every strip on a scan: tinted where they count, clear elsewhere.
pub(crate) fn base_overlay(
    scans: &ScanStore,
    at: &SessionAt,
    scan: ScanId,
    cancel: &CancelToken,
) -> Result<(ScanPicture, u64), EngineError> {
    let scan_ref = at.session.scan(scan).ok_or_else(EngineError::no_scan)?;
    let open = scans.get(scan_ref, at.folder.as_deref())?;
    let overview = open.overview(cancel, &|_| {})?;
    let (width_px, height_px, factor) =
        (overview.samples.width(), overview.samples.height(), overview.factor);
    let mut rgba = zeroed::<u8>(u64::from(width_px) * u64::from(height_px) * 4, "a picture")?;
    let mut pixels = 0;
    for strip in at.session.strips.iter().filter(|strip| strip.scan == scan) {
        let (Some(base), Some(film)) = (&strip.base, &strip.film_area) else { continue };
        let mask = base_mask(&overview.samples, base.density_d, strip.mask_tolerance_d);
        for y in 0..height_px {
            cancel.check()?;
            for x in 0..width_px {
                let center = |v: u32| (f64::from(v) + 0.5) * f64::from(factor);
                if mask.at(x, y) != 0 && film.contains(Point::new(center(x), center(y))) {
                    let at = (y as usize * width_px as usize + x as usize) * 4;
                    paint(&mut rgba[at..at + 4], Mark::Base, x, y);
                    rgba[at + 3] = 200;
                    pixels += 1;
                }
            }
        }
    }
    let rgba = Arc::new(rgba);
    let reading = FoundReading::of(open.info());
    Ok((ScanPicture { session: at.key, scan, width_px, height_px, factor, rgba, reading }, pixels))
}
