//! Sharpness in the window: a measured edge, what sharpening does to the shown part, and the comparison of scans.

use std::path::PathBuf;
use std::sync::Arc;

use glassine_engine::{FocusReport, FocusRequest, Notice, UnitRect};
use glassine_raster::PixelRect;
use glassine_session::{FrameId, ScanId};
use glassine_sharpness::{EdgeReport, SharpeningEffect};

use crate::model::remembered::MeasuredScanner;

/// A part of a scan in which an edge was measured, or why it was not.
#[derive(Debug, Clone)]
pub struct MeasuredEdge {
    pub scan: ScanId,
    pub area: PixelRect,
    pub report: Result<Box<EdgeReport>, Notice>,
}

/// What sharpening does to a part of a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShownEffect {
    pub frame: FrameId,
    pub region: UnitRect,
    pub effect: Option<SharpeningEffect>,
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
}

impl FocusPane {
    pub fn new(files: Vec<PathBuf>) -> Self {
        let scans = files.into_iter().map(|file| (file, String::new())).collect();
        Self { scans, place: None, scale: 2.0, center: (0.5, 0.5) }
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
}
