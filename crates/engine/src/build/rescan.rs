//! Takes frames over to a scan of their own: boxes follow by the scanner's millimetres, then by what is found.

use std::sync::Arc;

use glassine_raster::{MM_PER_INCH, TiltedBox};
use glassine_session::{BaseSource, Edit, FilmBase, FrameId, Rescanned, ScanRef, StripId};

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::build::films::strips_on;
use crate::build::import::FindRequest;
use crate::error::EngineError;
use crate::types::{NewSessionRequest, RescanRequest};

/// Largest distance of a found picture from the place that the scanner's millimetres say. Our choice: carriages return to
/// within a millimetre; the next picture of a strip is 18 mm away or more.
const FARTHEST_MM: f64 = 2.0;
/// Range of the area of a found picture against the one known from the first scan. Our choice: another cut of the same
/// picture stays within it, two pictures taken for one do not.
const SAME_AREA: std::ops::RangeInclusive<f64> = 0.85..=1.18;

impl AnalysisContext<'_> {
    /// Take frames over to a new scan of the same film in the same place; measures the film base there. The solve stays
    /// until all are scanned.
    pub(crate) fn rescan(
        &self,
        builder: &mut EditBuilder,
        request: &RescanRequest,
    ) -> Result<(), EngineError> {
        (self.progress)(0.0, "reading the scan");
        let reading = NewSessionRequest { ppi: request.ppi, ..NewSessionRequest::default() };
        let mut scan = self.describe(builder, &request.file, None, &reading)?;
        self.fingerprint(&mut scan);
        let frames = self.found_again(builder, &scan, request)?;
        let to_new = request.to_new;
        builder.push(Edit::Rescan { scan, to_new, frames })?;
        let id = builder.session.scans.iter().map(|scan| scan.id).max().ok_or_else(EngineError::no_scan)?;
        self.find_reading(builder, id)?;
        let strips: Vec<StripId> = strips_on(&builder.session, &[id]);
        for (nth, strip) in strips.iter().enumerate() {
            (self.progress)(0.8 + 0.2 * nth as f32 / strips.len() as f32, "measuring the film base");
            self.measure_again(builder, *strip, request.exposure_ratio)?;
        }
        (self.progress)(1.0, "done");
        Ok(())
    }

    /// Where the pictures of the frames are on the new scan.
    fn found_again(
        &self,
        builder: &EditBuilder,
        scan: &ScanRef,
        request: &RescanRequest,
    ) -> Result<Vec<Rescanned>, EngineError> {
        let session = &builder.session;
        let first = request.frames.first().and_then(|id| session.frame(*id));
        let strip = first.and_then(|frame| session.strip(frame.strip));
        let find = FindRequest {
            film: strip.map(|strip| strip.film),
            format_id: strip.and_then(|strip| strip.format_id.clone()),
            one_frame_per_file: request.frames.len() == 1,
            roll: None,
        };
        let open = self.scans.get(scan, self.folder)?;
        let overview =
            open.overview(self.cancel, &|share| (self.progress)(0.4 * share, "reading the scan"))?;
        // A scan of little more than one picture may show too little of the film; the millimetres are enough then.
        let found = match self.found_on(&open, &overview, scan.resolution(), &find, None) {
            Ok(found) => found,
            Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
            Err(_none) => glassine_layout::Found { strips: Vec::new(), notes: Vec::new() },
        };
        let areas: Vec<TiltedBox> =
            found.strips.iter().flat_map(|strip| &strip.frames).map(|frame| frame.image_area).collect();
        let farthest_px = FARTHEST_MM * scan.ppi.unwrap_or(300.0) / MM_PER_INCH;
        let at = |id: &FrameId| {
            let known = session.frame(*id).and_then(|frame| frame.image_area);
            let expected = known.map(|area| request.to_new.tilted_box(&area));
            let image_area = expected.and_then(|expected| nearest(&areas, &expected, farthest_px));
            Rescanned { frame: *id, image_area }
        };
        Ok(request.frames.iter().map(at).collect())
    }

    /// Measure the base of a strip on the new scan: on its rebate, or in the box that the user drew. What cannot be
    /// measured there stays; longer exposure takes `log10(ratio)` off its density.
    fn measure_again(
        &self,
        builder: &mut EditBuilder,
        id: StripId,
        exposure_ratio: Option<[f64; 3]>,
    ) -> Result<(), EngineError> {
        let Some(strip) = builder.session.strip(id).map(Arc::clone) else { return Ok(()) };
        let Some(known) = &strip.base else { return self.measure(builder, id, None) };
        let scan = builder.session.scan(strip.scan).ok_or_else(EngineError::no_scan)?;
        let open = self.scans.get(scan, self.folder)?;
        let whole = TiltedBox::from_edges(0.0, 0.0, f64::from(scan.width_px), f64::from(scan.height_px));
        let is_there = |area: &TiltedBox| area.corners().iter().all(|corner| whole.contains(*corner));
        let measured = match known.source {
            BaseSource::Box(area) if is_there(&area) => Some(self.base_in_box(&open, &area, strip.film)?),
            BaseSource::Rebate | BaseSource::ClearestParts => self.base_on_rebate(builder, &strip, &open)?,
            BaseSource::Box(_) | BaseSource::Typed => None,
        };
        let kept = || {
            let ratio = exposure_ratio.unwrap_or([1.0; 3]);
            let density_d = [0, 1, 2].map(|c| known.density_d[c] - ratio[c].log10());
            FilmBase { density_d, ..known.clone() }
        };
        builder.push(Edit::SetBase { strip: id, base: Some(measured.unwrap_or_else(kept)) })
    }
}

/// The found area that is the expected one.
fn nearest(found: &[TiltedBox], expected: &TiltedBox, farthest_px: f64) -> Option<TiltedBox> {
    let distance = |area: &TiltedBox| area.center.distance(expected.center);
    let is_same = |area: &&TiltedBox| {
        distance(area) <= farthest_px && SAME_AREA.contains(&(area.area_px2() / expected.area_px2().max(1.0)))
    };
    found.iter().filter(is_same).min_by(|a, b| distance(a).total_cmp(&distance(b))).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_is_the_same_if_it_lies_within_two_millimetres_and_is_about_as_large() {
        let expected = TiltedBox::from_edges(100.0, 100.0, 460.0, 340.0);
        let beside = TiltedBox::from_edges(112.0, 95.0, 472.0, 335.0);
        let far = TiltedBox::from_edges(480.0, 100.0, 840.0, 340.0);
        let double = TiltedBox::from_edges(100.0, 100.0, 820.0, 340.0);
        assert_eq!(nearest(&[far, beside, double], &expected, 20.0), Some(beside));
        assert_eq!(nearest(&[far, double], &expected, 20.0), None);
        assert_eq!(nearest(&[beside], &expected, 10.0), None);
    }
}
