//! Joins overlapping scans of one film: they leave the session, and the joined scan comes in their place.

use std::path::Path;
use std::sync::Arc;

use glassine_film::FilmKind;
use glassine_layout::join::{JoinError, JoinPlan, PartView, plan_join};
use glassine_raster::{PixelRect, RegionSource as _};
use glassine_scanfile::{Overwrite, write_linear_scan};
use glassine_session::{
    Edit, EncodingChoice, Join, JoinPart, RollId, ScanId, ScanRef, Session, StrayLightChoice, StripId,
};

use crate::build::context::{AnalysisContext, EditBuilder};
use crate::build::import::FindRequest;
use crate::error::{EngineError, Notice, Severity};
use crate::scans::{OpenScan, OverviewData, shown};

impl AnalysisContext<'_> {
    /// Join scans in the given order of preference: the first keeps its pixels and its light. Finds the frames of the
    /// joined scan, measures and solves. Returns its id.
    pub(crate) fn join_scans(
        &self,
        builder: &mut EditBuilder,
        ids: &[ScanId],
        find: &FindRequest,
    ) -> Result<ScanId, EngineError> {
        let scans = parts_of(&builder.session, ids)?;
        let mut opened = Vec::with_capacity(scans.len());
        for (nth, scan) in scans.iter().enumerate() {
            let open = self.scans.get(scan, self.folder)?;
            let share = |share: f32| {
                let done = 0.2 * (nth as f32 + share) / scans.len() as f32;
                (self.progress)(done, &format!("reading {}", shown(&scan.path)));
            };
            let overview = open.overview(self.cancel, &share)?;
            opened.push((open, overview));
        }
        let progress = |share: f32| (self.progress)(0.2 + 0.3 * share, "joining the scans");
        let plan = plan_join(&views(&opened), self.cancel, &progress).map_err(|why| refused(&why, &scans))?;
        let joined = self.joined(&scans, &plan);
        let headline = format!(
            "{} scans were joined to {} x {} px; places in the overlap agree within {:.2} px",
            scans.len(),
            plan.width_px,
            plan.height_px,
            plan.sigma_px
        );
        builder.notices.push(Notice::new(Severity::Info, headline, ""));
        let roll = common_roll(&builder.session, ids);
        let film = find.film.or_else(|| common_film(&builder.session, ids));
        builder.push(Edit::JoinScans { scans: ids.to_vec(), joined })?;
        // The newest id is that of the joined scan.
        let id = builder.session.scans.iter().map(|scan| scan.id).max().ok_or_else(EngineError::no_scan)?;
        let part = |share: f32, what: &str| (self.progress)(0.5 + 0.5 * share, what);
        let analysis = AnalysisContext { progress: &part, ..*self };
        analysis.find_frames(builder, id, &FindRequest { film, ..find.clone() })?;
        let strips = builder.session.strips.iter().filter(|strip| strip.scan == id);
        let strips: Vec<StripId> = strips.map(|strip| strip.id).collect();
        if !strips.is_empty() {
            builder.push(Edit::AssignRoll { strips, roll })?;
        }
        Ok(id)
    }

    /// The entry of the joined scan.
    fn joined(&self, scans: &[Arc<ScanRef>], plan: &JoinPlan) -> ScanRef {
        let part = |planned: &glassine_layout::join::PlannedPart| {
            let mut scan = ScanRef::clone(&scans[planned.part]);
            self.fingerprint(&mut scan);
            JoinPart {
                scan,
                to_joined: planned.to_joined,
                light: planned.light.clone(),
                seams: planned.seams.clone(),
            }
        };
        let parts: Vec<JoinPart> = plan.parts.iter().map(part).collect();
        let first = parts.first().map(|part| part.scan.clone()).unwrap_or_default();
        ScanRef {
            path: first.path,
            fingerprint: first.fingerprint,
            width_px: plan.width_px,
            height_px: plan.height_px,
            ppi: first.ppi,
            planes: first.planes,
            scanned_at: first.scanned_at,
            // Each part is read in its own way; what is joined is linear and without stray light.
            encoding: EncodingChoice::Linear,
            stray_light: StrayLightChoice::Off,
            join: Some(Arc::new(Join { parts })),
            ..ScanRef::default()
        }
    }

    /// Write a scan as it is read, in linear codes with its infrared, as one TIFF.
    pub(crate) fn write_scan(
        &self,
        scan: &ScanRef,
        path: &Path,
        overwrite: Overwrite,
    ) -> Result<u64, EngineError> {
        let open = self.scans.get(scan, self.folder)?;
        let samples = open.read(PixelRect::of_size(open.width(), open.height()), self.cancel)?;
        self.cancel.check()?;
        let names: Vec<_> = scan.parts().map(|part| shown(&part.path).into_owned()).collect();
        let description = format!("joined from {}", names.join(", "));
        let ppi = scan.resolution();
        Ok(write_linear_scan(path, &samples, open.has_infrared(), ppi, &description, overwrite)?)
    }
}

/// The scans to join; fails if they are fewer than two, or joined already.
fn parts_of(session: &Session, ids: &[ScanId]) -> Result<Vec<Arc<ScanRef>>, EngineError> {
    let mut scans: Vec<Arc<ScanRef>> = Vec::new();
    for id in ids {
        let scan = session.scan(*id).ok_or_else(EngineError::no_scan)?;
        if scan.join.is_some() {
            let headline = format!("scan {id} is joined already");
            return Err(EngineError::user_error(headline, "name all its parts at once in a new session"));
        }
        if scans.iter().all(|other| other.id != *id) {
            scans.push(Arc::clone(scan));
        }
    }
    if scans.len() < 2 {
        let what_to_do = "name at least two scans that overlap";
        return Err(EngineError::user_error("one scan can't be joined", what_to_do));
    }
    Ok(scans)
}

fn views(opened: &[(Arc<OpenScan>, Arc<OverviewData>)]) -> Vec<PartView<'_>> {
    let view = opened.iter().map(|(open, overview)| PartView {
        full: open,
        overview: &overview.samples,
        overview_factor: overview.factor,
        colours: open.colour_channels(),
    });
    view.collect()
}

/// The kind of film on all of some scans, if it was recognised on all of them.
fn common_film(session: &Session, scans: &[ScanId]) -> Option<FilmKind> {
    let mut strips = session.strips.iter().filter(|strip| scans.contains(&strip.scan));
    let first = strips.next().filter(|strip| !strip.film_is_guessed())?.film;
    strips.all(|strip| !strip.film_is_guessed() && strip.film == first).then_some(first)
}

/// The roll that all strips on some scans belong to.
fn common_roll(session: &Session, scans: &[ScanId]) -> Option<RollId> {
    let mut strips = session.strips.iter().filter(|strip| scans.contains(&strip.scan));
    let first = strips.next()?.roll;
    first.filter(|_| strips.all(|strip| strip.roll == first))
}

fn refused(why: &JoinError, scans: &[Arc<ScanRef>]) -> EngineError {
    let about = |part: usize, what: String, what_to_do: &str| {
        let notice = Notice::new(Severity::Error, what, what_to_do);
        let path = scans.get(part).map(|scan| scan.path.clone());
        EngineError::Permanent(path.into_iter().fold(notice, |notice, path| notice.about(path)))
    };
    match why {
        JoinError::Region(error) => error.clone().into(),
        JoinError::OtherPlanes { part } => about(
            *part,
            "the scans have unlike planes".to_owned(),
            "scan all parts alike, all with infrared or all without, or leave it out with read-as --fourth ignore",
        ),
        JoinError::Apart { part, why } => about(
            *part,
            format!("this scan does not fit the others: {why}"),
            "scan the parts again with more overlap, a quarter of their length or so, and the film flat",
        ),
        other => EngineError::user_error(other.to_string(), "check that the scans show one film"),
    }
}
