//! Frames that were scanned again: they move, with all that was decided about them, to the new scan.

use std::collections::HashSet;
use std::sync::Arc;

use glassine_raster::{Point, Scan, TiltedBox};

use super::EditError;
use crate::crop_guard;
use crate::model::{BaseSource, Frame, FrameId, ScanId, ScanRef, Session, Strip, StripId};
use crate::stroke::BrushStroke;

/// Where places of one scan lie on another one of the same film in the same place:
///
/// ```text
/// x' = scale x + dx_px        y' = scale y + dy_px
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScaleShift {
    /// Ratio of the resolutions, positive.
    pub scale: f64,
    /// Place of the first scan's corner on the other, pixels of the other.
    pub dx_px: f64,
    pub dy_px: f64,
}

impl ScaleShift {
    /// Where a point lies on the other scan.
    pub fn point(&self, at: Point<Scan>) -> Point<Scan> {
        Point::new(self.scale * at.x + self.dx_px, self.scale * at.y + self.dy_px)
    }

    /// Where a box lies on the other scan.
    pub fn tilted_box(&self, at: &TiltedBox) -> TiltedBox {
        TiltedBox {
            center: self.point(at.center),
            width_px: self.scale * at.width_px,
            height_px: self.scale * at.height_px,
            ..*at
        }
    }

    fn is_sane(&self) -> bool {
        self.scale.is_finite() && self.scale > 0.0 && self.dx_px.is_finite() && self.dy_px.is_finite()
    }
}

/// A frame on the new scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Rescanned {
    pub frame: FrameId,
    /// The image area as it was found on the new scan; `None` takes over the one known before.
    pub image_area: Option<TiltedBox>,
}

/// Move frames to a new scan: each group that shared a strip shares a new one. Strips and scans that are left without
/// frames go.
pub(super) fn apply(
    session: &mut Session,
    scan: &ScanRef,
    to_new: &ScaleShift,
    frames: &[Rescanned],
) -> Result<(), EditError> {
    if !to_new.is_sane() {
        return Err(EditError::BadBox);
    }
    let mut strips: Vec<StripId> = Vec::new();
    for rescanned in frames {
        let frame = session.frame(rescanned.frame).ok_or(EditError::NoFrame(rescanned.frame))?;
        if !strips.contains(&frame.strip) {
            strips.push(frame.strip);
        }
    }
    let scan_id = ScanId(session.take_id());
    let old_scans: HashSet<ScanId> =
        session.strips.iter().filter(|strip| strips.contains(&strip.id)).map(|strip| strip.scan).collect();
    // Before the old scan, so that scans that follow each other keep their order.
    let before = session.scans.iter().position(|known| old_scans.contains(&known.id));
    let at = before.unwrap_or(session.scans.len());
    session.scans.insert(at, Arc::new(ScanRef { id: scan_id, ..scan.clone() }));
    for old_id in strips.iter().copied() {
        let place = session.strips.iter().position(|strip| strip.id == old_id);
        let place = place.ok_or(EditError::NoStrip(old_id))?;
        let strip_id = StripId(session.take_id());
        let strip = moved_strip(&session.strips[place], strip_id, scan_id, scan, to_new);
        session.strips.insert(place, Arc::new(strip));
        for rescanned in frames {
            let frame = session.frames.iter_mut().find(|frame| frame.id == rescanned.frame);
            let Some(frame) = frame.filter(|frame| frame.strip == old_id) else { continue };
            move_frame(Arc::make_mut(frame), strip_id, to_new, rescanned.image_area)?;
        }
    }
    let used: HashSet<StripId> = session.frames.iter().map(|frame| frame.strip).collect();
    session.strips.retain(|strip| used.contains(&strip.id) || !strips.contains(&strip.id));
    let used: HashSet<ScanId> = session.strips.iter().map(|strip| strip.scan).collect();
    session.scans.retain(|scan| used.contains(&scan.id) || !old_scans.contains(&scan.id));
    Ok(())
}

fn moved_strip(old: &Strip, id: StripId, scan_id: ScanId, scan: &ScanRef, to_new: &ScaleShift) -> Strip {
    let whole = TiltedBox::from_edges(0.0, 0.0, f64::from(scan.width_px), f64::from(scan.height_px));
    let is_there = |area: &TiltedBox| whole.contains(area.center);
    let mut strip = Strip { id, scan: scan_id, ..old.clone() };
    strip.film_area = old.film_area.map(|area| to_new.tilted_box(&area));
    strip.perforations =
        old.perforations.iter().map(|area| to_new.tilted_box(area)).filter(is_there).collect();
    if let Some(code) = &mut strip.edge_code {
        code.codes.iter_mut().for_each(|code| code.center = to_new.point(code.center));
        code.codes.retain(|code| whole.contains(code.center));
    }
    if let Some(base) = &mut strip.base {
        // A surface belongs to its scan.
        base.field = None;
        if let BaseSource::Box(area) = &mut base.source {
            *area = to_new.tilted_box(area);
        }
    }
    strip
}

fn move_frame(
    frame: &mut Frame,
    strip: StripId,
    to_new: &ScaleShift,
    found: Option<TiltedBox>,
) -> Result<(), EditError> {
    let expected = frame.image_area.map(|area| to_new.tilted_box(&area));
    // The film may lie a little beside the place that the scanner's millimetres say.
    let beside = found
        .zip(expected)
        .map(|(found, expected)| (found.center.x - expected.center.x, found.center.y - expected.center.y));
    let (dx_px, dy_px) = beside.unwrap_or_default();
    let to_new = ScaleShift { dx_px: to_new.dx_px + dx_px, dy_px: to_new.dy_px + dy_px, ..*to_new };
    frame.strip = strip;
    frame.crop = to_new.tilted_box(&frame.crop);
    frame.image_area = found.or(expected);
    frame.guard_margin_px = (frame.guard_margin_px * to_new.scale).min(crop_guard::MOST_MARGIN_PX);
    for stroke in &mut frame.strokes {
        let points: Vec<_> = stroke.points().iter().map(|point| to_new.point(*point)).collect();
        let radius_px = stroke.radius_px() * to_new.scale;
        if let Some(moved) = BrushStroke::new(stroke.kind(), &points, radius_px) {
            *stroke = Arc::new(moved);
        }
    }
    if frame.crop.is_sane() && crop_guard::hold(frame) { Ok(()) } else { Err(EditError::BadBox) }
}
