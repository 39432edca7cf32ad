//! Sharpness in the window: a measured edge, what sharpening does to the shown part, and the comparison of scans.

use std::path::PathBuf;
use std::sync::Arc;

use glassine_engine::jobs::JobId;
use glassine_engine::{FocusReport, FocusRequest, Notice};
use glassine_raster::PixelRect;
use glassine_session::{FrameId, ScanRef};
use glassine_sharpness::{EdgeReport, SharpeningEffect};

use crate::model::picture_inputs::same_scan;
use crate::model::remembered::MeasuredScanner;

/// A part of a scan in which an edge was measured, or why it was not.
#[derive(Debug, Clone)]
pub struct MeasuredEdge {
    /// The scan as it was read.
    pub scan: Arc<ScanRef>,
    pub area: PixelRect,
    pub report: Result<Box<EdgeReport>, Notice>,
}

/// What sharpening does to a part of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShownEffect {
    pub frame: FrameId,
    pub found: EffectFound,
}

/// What was found of the effect of sharpening.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum EffectFound {
    Measured(SharpeningEffect),
    /// There is neither an edge nor a flat area.
    Nothing,
    /// It could not be measured.
    Failed,
}

/// Facts about sharpness.
#[derive(Debug, Clone, Default)]
pub struct SharpnessFacts {
    pub edge: Option<MeasuredEdge>,
    pub effect: Option<ShownEffect>,
    /// The last comparison of scans.
    pub focus: Option<Arc<FocusReport>>,
    /// What the user kept of the scanner.
    pub scanner: MeasuredScanner,
}

impl SharpnessFacts {
    /// The edge measured last, if it is one of this scan as it is read now.
    pub(crate) fn edge_of(&self, scan: &ScanRef) -> Option<&MeasuredEdge> {
        self.edge.as_ref().filter(|edge| edge.scan.id == scan.id && same_scan(&edge.scan, scan))
    }
}

/// The pane that compares scans.
#[derive(Debug, Clone)]
pub struct FocusPane {
    /// Scans in the order chosen, each with its height as typed; empty if unknown.
    pub scans: Vec<(PathBuf, String)>,
    /// The place shown of the last comparison; `None` shows the richest.
    pub place: Option<usize>,
    /// Screen pixels for one scan pixel, and the middle of the view in the cell's unit square.
    pub scale: f32,
    pub center: (f32, f32),
    /// What was asked and not answered.
    pub asked: Option<(JobId, FocusRequest)>,
    /// What the shown report answers.
    pub answered: Option<FocusRequest>,
}

impl FocusPane {
    pub fn new(files: Vec<PathBuf>) -> Self {
        let scans = files.into_iter().map(|file| (file, String::new())).collect();
        Self { scans, place: None, scale: 2.0, center: (0.5, 0.5), asked: None, answered: None }
    }

    /// Whether this job's report is the one waited for, which then is the shown one.
    pub(crate) fn take_answer(&mut self, id: JobId) -> bool {
        let Some((_, request)) = self.asked.take_if(|(asked, _)| *asked == id) else { return false };
        (self.place, self.answered) = (None, Some(request));
        true
    }

    /// Whether the heights were changed after those of the shown report.
    pub(crate) fn is_outdated(&self) -> bool {
        self.answered.is_some() && self.answered != self.request().ok()
    }

    /// What the engine is asked for; `Err` says what is wrong with the heights.
    pub fn request(&self) -> Result<FocusRequest, String> {
        let typed = || self.scans.iter().map(|(_, height)| height.trim());
        let files = self.scans.iter().map(|(file, _)| file.clone()).collect();
        if typed().all(str::is_empty) {
            return Ok(FocusRequest { files, ..FocusRequest::default() });
        }
        let height = |text: &str| text.replace(',', ".").parse::<f64>().ok().filter(|h| h.is_finite());
        match typed().map(height).collect::<Option<Vec<f64>>>() {
            Some(heights_mm) => Ok(FocusRequest { files, heights_mm, ..FocusRequest::default() }),
            None => Err("give every scan a height in mm, or none".to_owned()),
        }
    }
}

#[cfg(test)]
mod tests {
    use glassine_session::EncodingChoice;

    use super::*;

    #[test]
    fn heights_are_all_or_none() {
        let mut pane = FocusPane::new(vec!["a.tif".into(), "b.tif".into()]);
        assert_eq!(pane.request().map(|request| request.heights_mm), Ok(Vec::new()));
        pane.scans[0].1 = " -0,5".to_owned();
        assert!(pane.request().is_err());
        pane.scans[1].1 = "+0.5".to_owned();
        assert_eq!(pane.request().map(|request| request.heights_mm), Ok(vec![-0.5, 0.5]));
    }

    #[test]
    fn only_the_report_that_was_asked_for_is_shown_and_new_heights_make_it_outdated() {
        let mut pane = FocusPane::new(vec!["a.tif".into(), "b.tif".into()]);
        assert!(!pane.take_answer(JobId(1)) && !pane.is_outdated());
        pane.asked = pane.request().ok().map(|request| (JobId(2), request));
        assert!(!pane.take_answer(JobId(1)), "a report of an earlier comparison");
        assert!(pane.take_answer(JobId(2)) && !pane.is_outdated());
        pane.scans[0].1 = "0".to_owned();
        assert!(pane.is_outdated());
        pane.scans[0].1.clear();
        assert!(!pane.is_outdated());
    }

    #[test]
    fn an_edge_counts_only_while_its_scan_is_read_alike() {
        let scan = ScanRef { path: "a.tif".into(), ..ScanRef::default() };
        let report = Err(Notice::new(glassine_engine::Severity::Error, "no edge", ""));
        let edge = MeasuredEdge { scan: Arc::new(scan.clone()), area: PixelRect::default(), report };
        let facts = SharpnessFacts { edge: Some(edge), ..SharpnessFacts::default() };
        assert!(facts.edge_of(&ScanRef { ppi: Some(2400.0), ..scan.clone() }).is_some());
        assert!(facts.edge_of(&ScanRef { encoding: EncodingChoice::Srgb, ..scan.clone() }).is_none());
        assert!(facts.edge_of(&ScanRef { path: "b.tif".into(), ..scan }).is_none());
    }
}
