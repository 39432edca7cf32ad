//! The scan check: gathers what it measures on, from a file or from a scan of a session.

use std::path::Path;

use glassine_film::{CodeCurve, find_kind};
use glassine_layout::{FilmTone, Found, FoundFrame, FoundStrip, StripAxis};
use glassine_raster::{PixelRect, RegionSource as _};
use glassine_scancheck::{Band, Report, ScanUnderCheck, band_rects};
use glassine_scanfile::Encoding;
use glassine_session::{Edit, EncodingChoice, ScanRef, Session, StrayLightChoice, Strip};
use rayon::prelude::*;

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::build::import::FindRequest;
use crate::error::EngineError;
use crate::scans::OpenScan;
use crate::types::NewSessionRequest;

impl AnalysisContext<'_> {
    /// Check a scan file; frames are found as for a new session.
    pub(crate) fn check_file(&self, path: &Path, request: &NewSessionRequest) -> Result<Report, EngineError> {
        let mut builder = EditBuilder::new(Session::default());
        let scan = self.describe(&mut builder, path, request.infrared.clone(), request)?;
        builder.push(Edit::AddScans(vec![scan]))?;
        let id = builder.session.scans.last().map(|scan| scan.id).ok_or_else(EngineError::no_scan)?;
        let scan = self.find_reading(&mut builder, id)?;
        self.check_scan(&scan, |context, open| {
            let overview = open.overview(context.cancel, &|_| ())?;
            let colours = find_kind(&overview.samples, open.colour_channels());
            context.found_on(open, &overview, scan.resolution(), &FindRequest::of(request), colours)
        })
    }

    /// Check a scan of a session, with its film and frames as they are.
    pub(crate) fn check_of_session(&self, session: &Session, scan: &ScanRef) -> Result<Report, EngineError> {
        let strips = session.strips.iter().filter(|strip| strip.scan == scan.id);
        let strips = strips.filter_map(|strip| found_again(session, strip)).collect();
        self.check_scan(scan, |_, _| Ok(Found { strips, notes: Vec::new() }))
    }

    fn check_scan(
        &self,
        scan: &ScanRef,
        find: impl FnOnce(&Self, &OpenScan) -> Result<Found, EngineError>,
    ) -> Result<Report, EngineError> {
        // Stray light is one of the faults, so it is left in.
        let scan = ScanRef { stray_light: StrayLightChoice::Off, ..scan.clone() };
        let open = self.scans.get(&scan, self.folder)?;
        let overview =
            open.overview(self.cancel, &|share| (self.progress)(0.6 * share, "reading the scan"))?;
        let found = find(self, &open)?;
        (self.progress)(0.8, "measuring the scan");
        let size_px = (open.width(), open.height());
        let bands: Vec<Band> = band_rects(size_px.0, size_px.1, &found)
            .into_par_iter()
            .map(|rect: PixelRect| Ok(Band { rect, codes: open.read_codes(rect, self.cancel)? }))
            .collect::<Result<_, EngineError>>()?;
        let light: Vec<&[f32]> = open.tables.linearisation.tables.iter().map(AsRef::as_ref).collect();
        let under_check = ScanUnderCheck {
            overview: &overview.samples,
            factor: overview.factor,
            size_px,
            colour_channels: open.colour_channels(),
            bits: open.info().bits_per_sample,
            curve: curve_of(&scan, &open),
            bands: &bands,
            light: &light,
            found: &found,
            ppi: scan.ppi,
        };
        let report = glassine_scancheck::check(&under_check, self.cancel)?;
        open.check_unchanged()?;
        (self.progress)(1.0, "done");
        Ok(report)
    }
}

/// The curve of the codes as they are read; `None` for that of a profile.
fn curve_of(scan: &ScanRef, open: &OpenScan) -> Option<CodeCurve> {
    match scan.encoding_in_use() {
        EncodingChoice::Linear => Some(CodeCurve::Linear),
        EncodingChoice::Srgb => Some(CodeCurve::Srgb),
        EncodingChoice::Gamma(power) => Some(CodeCurve::Gamma(power)),
        EncodingChoice::Auto => match open.info().encoding {
            Encoding::Linear => Some(CodeCurve::Linear),
            Encoding::Srgb => Some(CodeCurve::Srgb),
            Encoding::Gamma(power) => Some(CodeCurve::Gamma(power)),
            Encoding::Profile => None,
        },
    }
}

/// A strip of a session as frame finding would give it.
fn found_again(session: &Session, strip: &Strip) -> Option<FoundStrip> {
    let film_area = strip.film_area?;
    let frames = session.frames.iter().filter(|frame| frame.strip == strip.id);
    let frames = frames.map(|frame| FoundFrame {
        image_area: frame.image_area.unwrap_or(frame.crop),
        edge_blur_px: 0.0,
        guard_margin_px: frame.guard_margin_px,
        confidence: frame.confidence as f32,
        reason: String::new(),
        flags: Vec::new(),
    });
    Some(FoundStrip {
        film_area,
        angle_rad: film_area.angle_rad,
        axis: if film_area.width_px >= film_area.height_px { StripAxis::Across } else { StripAxis::Down },
        format_id: strip.format_id.clone(),
        frames: frames.collect(),
        confidence: 1.0,
        notes: Vec::new(),
        perforations: strip.perforations.clone(),
        tone: if strip.film.is_negative() { FilmTone::Negative } else { FilmTone::Slide },
    })
}
