//! Pictures of whole scans for the strip view.

use std::sync::Arc;

use glassine_film::base_mask;
use glassine_raster::{CancelToken, DensityD, PixelRect, Point, RegionSource as _};
use glassine_session::ScanId;

use crate::error::EngineError;
use crate::preview::overlay::{Mark, paint};
use crate::preview::renderer::scan_rgba;
use crate::scans::{OpenScan, OverviewData, ScanStore, zeroed};
use crate::types::{FoundReading, ScanMarks, ScanPicture, SessionAt, SessionKey};

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

/// Marks over a scan, clear where there are none, and how many of their pixels are not clear.
pub(crate) fn scan_marks(
    scans: &ScanStore,
    at: &SessionAt,
    (scan, marks): (ScanId, ScanMarks),
    cancel: &CancelToken,
) -> Result<(ScanPicture, u64), EngineError> {
    let scan_ref = at.session.scan(scan).ok_or_else(EngineError::no_scan)?;
    let open = scans.get(scan_ref, at.folder.as_deref())?;
    let overview = open.overview(cancel, &|_| {})?;
    let (width_px, height_px, factor) =
        (overview.samples.width(), overview.samples.height(), overview.factor);
    let mut rgba = zeroed::<u8>(u64::from(width_px) * u64::from(height_px) * 4, "a picture")?;
    let pixels = match marks {
        ScanMarks::BasePixels => mark_base(at, scan, &overview, &mut rgba, cancel)?,
        ScanMarks::PartDifferences => mark_differences(&open, &overview, &mut rgba, cancel)?,
    };
    let rgba = Arc::new(rgba);
    let reading = FoundReading::of(open.info());
    Ok((ScanPicture { session: at.key, scan, width_px, height_px, factor, rgba, reading }, pixels))
}

/// Base pixels of every strip on a scan: tinted where they count.
fn mark_base(
    at: &SessionAt,
    scan: ScanId,
    overview: &OverviewData,
    rgba: &mut [u8],
    cancel: &CancelToken,
) -> Result<u64, EngineError> {
    let (width_px, height_px, factor) =
        (overview.samples.width(), overview.samples.height(), overview.factor);
    let mut pixels = 0;
    for strip in at.session.strips.iter().filter(|strip| strip.scan == scan) {
        let (Some(base), Some(film)) = (&strip.base, &strip.film_area) else { continue };
        let tolerance = DensityD::new(strip.mask_tolerance_d).unwrap_or_default();
        let mask = base_mask(&overview.samples, base.density_d, tolerance);
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
    Ok(pixels)
}

/// The overlap of joined parts: grey where they agree, lighter or darker where the last part is.
fn mark_differences(
    open: &OpenScan,
    overview: &OverviewData,
    rgba: &mut [u8],
    cancel: &CancelToken,
) -> Result<u64, EngineError> {
    /// Difference shown as white, D. Our choice: a hundredth, which an even sky just shows, is then 13 of 255 codes.
    const WHITE_D: f32 = 0.1;
    /// Pixels compared at once. Our choice: they take 64 MB.
    const AT_ONCE: u32 = 1 << 22;
    let (width_px, height_px, factor) =
        (overview.samples.width(), overview.samples.height(), overview.factor);
    let rows = (AT_ONCE / open.width().max(1) / factor).max(1);
    let mut pixels = 0;
    for y0 in (0..height_px).step_by(rows as usize) {
        let y1 = (y0 + rows).min(height_px);
        let rect = PixelRect::new(0, y0 * factor, open.width(), (y1 * factor).min(open.height()));
        let Some(differences) = open.part_differences(rect, cancel)? else { return Ok(0) };
        for (x, y) in (y0..y1).flat_map(|y| (0..width_px).map(move |x| (x, y))) {
            let (mut sums, mut count) = ([0.0_f32; 3], 0.0_f32);
            let top = (y - y0) * factor;
            for row in top..(top + factor).min(differences.height()) {
                let cells = x * factor..((x + 1) * factor).min(differences.width());
                for d in cells.filter_map(|column| differences.at(column, row)) {
                    sums.iter_mut().zip(d).for_each(|(sum, d)| *sum += d);
                    count += 1.0;
                }
            }
            if count > 0.0 {
                let at = (y as usize * width_px as usize + x as usize) * 4;
                let code = |sum: f32| (127.5 + 127.5 * (sum / count / WHITE_D).clamp(-1.0, 1.0)) as u8;
                let [r, g, b] = sums.map(code);
                rgba[at..at + 4].copy_from_slice(&[r, g, b, 255]);
                pixels += 1;
            }
        }
    }
    Ok(pixels)
}
