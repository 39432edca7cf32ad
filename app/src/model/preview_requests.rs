//! The pictures that the views show, so that they can be made.

use glassine_engine::{Overlay, PictureSide, ScanMarks, UnitRect, ViewKey};
use glassine_raster::PixelRect;
use glassine_session::{Edit, ScanId};

/// One picture a view has room for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Viewport {
    /// Part of the upright picture.
    pub region: UnitRect,
    /// Part of the scan, for scan regions.
    pub scan_rect: PixelRect,
    /// Room on screen, in physical pixels.
    pub size_px: [u32; 2],
    /// Which version of the picture.
    pub side: PictureSide,
    /// Overlay on it.
    pub overlay: Overlay,
}

/// What the views showed in the last frame.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PreviewRequests {
    /// Pictures, by their place on screen.
    pub pictures: Vec<(ViewKey, Viewport)>,
    /// Pictures of a frame with some edits that the session itself does not have.
    pub variations: Vec<(ViewKey, Viewport, Vec<Edit>)>,
    /// Scans whose overview is shown.
    pub overviews: Vec<ScanId>,
    /// Marks that are shown over scans.
    pub marks: Vec<(ScanId, ScanMarks)>,
}

impl PreviewRequests {
    pub fn mark(&mut self, scan: ScanId, marks: ScanMarks) {
        if !self.marks.contains(&(scan, marks)) {
            self.marks.push((scan, marks));
        }
    }

    pub fn picture(&mut self, key: ViewKey, viewport: Viewport) {
        self.pictures.push((key, viewport));
    }
}
