//! Scans of a session read in another way: other encoding, page, fourth sample or infrared file. Boxes and settings stay.

use glassine_raster::{CancelToken, RegionSource as _};
use glassine_session::{BaseSource, Edit, ScanId, ScanRef, StripId};

use crate::prepare::{Bench, Draft};
use crate::scans::{OpenScan, shown};
use crate::types::SessionAt;
use crate::{Engine, EngineError, Notice, Severity};

/// What reading scans in another way changes in a session.
#[derive(Debug, Default)]
pub struct Reread {
    /// The changes, in order.
    pub edits: Vec<Edit>,
    /// Strips whose film base and solve were made again.
    pub strips: Vec<StripId>,
    /// What the files say, and what the new measurements found.
    pub notices: Vec<Notice>,
}

impl Engine {
    /// Read scans of a session as these entries say, and make film bases and solves again.
    ///
    /// Typed film bases stay, and drawn ones are measured in their boxes. Strips that were solved together are solved
    /// together again. A picture of another size is refused: the boxes were drawn for the one before.
    pub fn reread(
        &self,
        at: &SessionAt,
        scans: &[ScanRef],
        cancel: &CancelToken,
        progress: &(dyn Fn(f32, &str) + Sync),
    ) -> Result<Reread, EngineError> {
        let bench = self.bench(at.folder.as_deref(), cancel, progress);
        let mut draft = Draft::new(at.session.clone());
        for scan in scans {
            cancel.check()?;
            let open = self.scans.get(scan, at.folder.as_deref())?;
            check_size(at, scan, &open)?;
            let mut scan = scan.clone();
            (scan.width_px, scan.height_px) = (open.width(), open.height());
            scan.planes = open.info().planes.iter().map(|plane| plane.key().to_owned()).collect();
            scan.infrared_fingerprint = match &scan.infrared_path {
                Some(path) => Some(self.fingerprint(path, cancel, &|_| {})?),
                None => None,
            };
            let notes = open.info().notes.iter();
            draft
                .notices
                .extend(notes.map(|note| Notice::new(Severity::Info, note.clone(), "").about(open.path())));
            draft.push(Edit::UpdateScan(scan))?;
        }
        let strips = solve_again(&bench, &mut draft, scans, progress)?;
        Ok(Reread { edits: draft.edits, strips, notices: draft.notices })
    }
}

/// Boxes that were drawn for another size fit nothing.
fn check_size(at: &SessionAt, scan: &ScanRef, open: &OpenScan) -> Result<(), EngineError> {
    let Some(known) = at.session.scan(scan.id) else {
        return Err(EngineError::told("the scan is not in this session", "open the session again"));
    };
    let has_frames = at
        .session
        .frames
        .iter()
        .any(|frame| at.session.strip(frame.strip).is_some_and(|strip| strip.scan == scan.id));
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
    let what_to_do = "nothing was changed; choose the page that was used, or make a new session of this page";
    Err(EngineError::Told(Notice::new(Severity::Error, headline, what_to_do).about(open.path())))
}

/// Measure and solve the strips of some scans again, and those that were solved together with them.
fn solve_again(
    bench: &Bench<'_>,
    draft: &mut Draft,
    scans: &[ScanRef],
    progress: &(dyn Fn(f32, &str) + Sync),
) -> Result<Vec<StripId>, EngineError> {
    let on_scans = draft.session.strips.iter().filter(|strip| scans.iter().any(|scan| scan.id == strip.scan));
    let asked: Vec<StripId> = on_scans.map(|strip| strip.id).collect();
    // Strips that share a solve share a film.
    let mut groups: Vec<Vec<StripId>> = Vec::new();
    for strip in asked {
        if groups.iter().flatten().any(|done| *done == strip) {
            continue;
        }
        let solve = draft.session.strip(strip).and_then(|strip| strip.solve.clone());
        let together = draft
            .session
            .strips
            .iter()
            .filter(|other| other.id == strip || (solve.is_some() && other.solve == solve));
        groups.push(together.map(|strip| strip.id).collect());
    }
    let count = groups.iter().map(Vec::len).sum::<usize>().max(1);
    let mut strips = Vec::new();
    for group in groups {
        for id in &group {
            let scan = draft.session.strip(*id).and_then(|strip| draft.session.scan(strip.scan));
            let name = scan.map(|scan| shown(&scan.path).into_owned()).unwrap_or_default();
            progress(strips.len() as f32 / count as f32, &format!("measuring {name}"));
            measure_again(bench, draft, *id)?;
            strips.push(*id);
        }
        match group.as_slice() {
            [one] => bench.solve(draft, &[*one])?,
            group => {
                let scans: Vec<ScanId> =
                    group.iter().filter_map(|id| draft.session.strip(*id)).map(|strip| strip.scan).collect();
                bench.solve_together(draft, &scans)?;
            }
        }
    }
    progress(1.0, "done");
    Ok(strips)
}

fn measure_again(bench: &Bench<'_>, draft: &mut Draft, id: StripId) -> Result<(), EngineError> {
    let source = draft.session.strip(id).and_then(|strip| strip.base.as_ref()).map(|base| base.source);
    match source {
        Some(BaseSource::Typed) => Ok(()),
        Some(BaseSource::Box(area)) => bench.measure(draft, id, Some(area)),
        Some(BaseSource::Rebate | BaseSource::ClearestParts) | None => bench.measure(draft, id, None),
    }
}
