//! Reads scans of a session in another way: other encoding, page, fourth sample or infrared file. Boxes and settings
//! stay.

use std::path::Path;
use std::sync::Arc;

use glassine_film::SolveHints;
use glassine_raster::RegionSource as _;
use glassine_session::file::resolve_path;
use glassine_session::{
    BaseSource, Edit, Fingerprint, Frame, ScanId, ScanRef, Session, StripId, frame_problem,
};

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::build::films::sharing;
use crate::error::{EngineError, Notice, Severity};
use crate::scans::shown;

/// What reading scans in another way changes in a session.
#[derive(Debug, Default)]
pub struct Reread {
    /// The changes, in order.
    pub edits: Vec<Edit>,
    /// Strips whose film base and solve were redone.
    pub strips: Vec<StripId>,
    /// What the files say, and what the new measurements found.
    pub notices: Vec<Notice>,
}

impl AnalysisContext<'_> {
    /// Take size, planes and resolution of a scan from its file as read now; a known resolution stays.
    pub(crate) fn take_what_is_there(
        &self,
        builder: &mut EditBuilder,
        scan: &mut ScanRef,
    ) -> Result<(), EngineError> {
        let open = self.scans.get(scan, self.folder)?;
        let info = open.info();
        scan.width_px = info.width_px;
        scan.height_px = info.height_px;
        scan.ppi = scan.ppi.or_else(|| info.ppi.map(|[x, y]| f64::midpoint(x.ppi(), y.ppi())));
        scan.planes = info.planes.iter().map(|plane| plane.key().to_owned()).collect();
        scan.scanned_at.clone_from(&info.scanned_at);
        for note in &info.notes {
            builder.notices.push(Notice::new(Severity::Info, note.clone(), "").about(&scan.path));
        }
        Ok(())
    }

    /// Fill in missing fingerprints. Samples tell one file from another at once; the hash of the whole file comes
    /// later.
    pub(crate) fn fingerprint(&self, scan: &mut ScanRef) {
        scan.fingerprint = scan.fingerprint.take().or_else(|| self.sampled_print(&scan.path));
        let infrared = scan.infrared_path.as_deref();
        let known = scan.infrared_fingerprint.take();
        scan.infrared_fingerprint = infrared.and_then(|path| known.or_else(|| self.sampled_print(path)));
    }

    fn sampled_print(&self, path: &Path) -> Option<Fingerprint> {
        let path = resolve_path(path, self.folder);
        let prints = &self.scans.prints;
        let (state, sampled) = prints.sampled(&path).ok()?;
        let blake3 = prints.whole_if_known(&state);
        Some(Fingerprint { bytes: state.bytes(), sampled_blake3: Some(sampled), blake3 })
    }

    /// Read a scan with other choices. It keeps the fingerprints of the files that were measured; a missing one is
    /// taken from the file as it is now. Warns about frames whose boxes no longer fit the scan.
    pub(crate) fn read_scan(&self, builder: &mut EditBuilder, mut scan: ScanRef) -> Result<(), EngineError> {
        let Some(known) = builder.session.scan(scan.id) else {
            return Err(EngineError::user_error("the scan is not in this session", "open the session again"));
        };
        if known.infrared_path != scan.infrared_path {
            scan.infrared_fingerprint = None;
        }
        self.take_what_is_there(builder, &mut scan)?;
        self.fingerprint(&mut scan);
        let id = scan.id;
        builder.push(Edit::UpdateScan(scan))?;
        self.find_reading(builder, id)?;
        let session = &builder.session;
        let is_off = |frame: &&Arc<Frame>| frame_problem(session, frame).is_some();
        let frames: Vec<String> =
            frames_on(session, id).filter(is_off).map(|frame| session.number_text(frame)).collect();
        if !frames.is_empty() {
            let headline = format!("these boxes no longer fit the scan: {}", frames.join(", "));
            builder.warn(headline, "move the boxes, or find the frames again");
        }
        Ok(())
    }
}

fn frames_on(session: &Session, scan: ScanId) -> impl Iterator<Item = &Arc<Frame>> {
    let is_on_it =
        move |frame: &&Arc<Frame>| session.strip(frame.strip).is_some_and(|strip| strip.scan == scan);
    session.frames.iter().filter(is_on_it)
}

impl AnalysisContext<'_> {
    /// Read scans of a session as these entries say, and redo film bases and solves.
    ///
    /// Typed film bases stay, and drawn ones are measured in their boxes. Strips that were solved together are solved
    /// together again. Fails if a picture has another size than the one the boxes were drawn for.
    pub(crate) fn reread(&self, session: &Session, scans: &[ScanRef]) -> Result<Reread, EngineError> {
        let mut builder = EditBuilder::new(session.clone());
        for scan in scans {
            self.cancel.check()?;
            self.check_size(session, scan)?;
            self.read_scan(&mut builder, scan.clone())?;
        }
        let strips = solve_again(self, &mut builder, scans)?;
        Ok(Reread { edits: builder.edits, strips, notices: builder.notices })
    }

    /// Fails if frames were drawn on a picture of another size, because their boxes would not fit.
    fn check_size(&self, session: &Session, scan: &ScanRef) -> Result<(), EngineError> {
        let Some(known) = session.scan(scan.id) else { return Ok(()) };
        let open = self.scans.get(scan, self.folder)?;
        let has_frames = frames_on(session, scan.id).next().is_some();
        if !has_frames || (known.width_px, known.height_px) == (open.width(), open.height()) {
            return Ok(());
        }
        let headline = format!(
            "the picture has {} x {} px, and the boxes were drawn for {} x {} px",
            open.width(),
            open.height(),
            known.width_px,
            known.height_px
        );
        let what_to_do =
            "nothing was changed; choose the page that was used, or start a new session from this page";
        Err(EngineError::Permanent(Notice::new(Severity::Error, headline, what_to_do).about(open.path())))
    }
}

/// Measure and solve the strips of some scans again, and those that were solved together with them.
fn solve_again(
    analysis: &AnalysisContext<'_>,
    builder: &mut EditBuilder,
    scans: &[ScanRef],
) -> Result<Vec<StripId>, EngineError> {
    let on_scans =
        builder.session.strips.iter().filter(|strip| scans.iter().any(|scan| scan.id == strip.scan));
    let asked: Vec<StripId> = on_scans.map(|strip| strip.id).collect();
    // Strips that share a solve share a film.
    let mut groups: Vec<Vec<StripId>> = Vec::new();
    for strip in asked {
        if groups.iter().flatten().any(|done| *done == strip) {
            continue;
        }
        groups.push(sharing(&builder.session, strip));
    }
    let count = groups.iter().map(Vec::len).sum::<usize>().max(1);
    let mut strips = Vec::new();
    for group in groups {
        for id in &group {
            let scan = builder.session.strip(*id).and_then(|strip| builder.session.scan(strip.scan));
            let name = scan.map(|scan| shown(&scan.path).into_owned()).unwrap_or_default();
            (analysis.progress)(strips.len() as f32 / count as f32, &format!("measuring {name}"));
            measure_again(analysis, builder, *id)?;
            strips.push(*id);
        }
        if group.len() > 1 {
            analysis.solve_one_film(builder, &group)?;
        } else {
            analysis.solve(builder, &group, &SolveHints::default())?;
        }
    }
    (analysis.progress)(1.0, "done");
    Ok(strips)
}

fn measure_again(
    analysis: &AnalysisContext<'_>,
    builder: &mut EditBuilder,
    id: StripId,
) -> Result<(), EngineError> {
    let source = builder.session.strip(id).and_then(|strip| strip.base.as_ref()).map(|base| base.source);
    match source {
        Some(BaseSource::Typed) => Ok(()),
        Some(BaseSource::Box(area)) => analysis.measure(builder, id, Some(area)),
        Some(BaseSource::Rebate | BaseSource::ClearestParts) | None => analysis.measure(builder, id, None),
    }
}
