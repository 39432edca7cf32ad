//! The box guard: a held box stays inside its image area.
//!
//! [`Edit::apply`](crate::Edit::apply) holds every box that it sets, so that no edit leads outside, wherever it comes
//! from. [`hold_box`] also knows the box before the change, and answers a drag with the nearest box that is allowed.

use glassine_layout::SafeArea;
use glassine_raster::TiltedBox;

use crate::model::{Frame, Session};

/// Largest distance that a held box can keep from the image edges.
pub(crate) const MOST_MARGIN_PX: f64 = 1000.0;

/// The guarded image area of a held box; `None` while the box is released or its image area is unknown.
fn held_area(frame: &Frame) -> Option<SafeArea> {
    let area = frame.image_area.as_ref().filter(|area| frame.held && area.is_sane())?;
    Some(SafeArea::new(area, frame.guard_margin_px))
}

/// Where the box of a frame may be: inside its guarded image area while it is held, anywhere on the scan otherwise.
fn safe_area(session: &Session, frame: &Frame) -> Option<SafeArea> {
    held_area(frame).or_else(|| {
        let (_, scan) = session.context(frame)?;
        let whole = TiltedBox::from_edges(0.0, 0.0, f64::from(scan.width_px), f64::from(scan.height_px));
        whole.is_sane().then(|| SafeArea::new(&whole, 0.0))
    })
}

/// Whether the box of a frame is inside its image area, or need not be.
pub(crate) fn is_held_inside(frame: &Frame) -> bool {
    held_area(frame).is_none_or(|safe| safe.contains(&frame.crop))
}

/// Bring the box of a frame inside its image area if it is held. Returns whether there is room for a box.
#[must_use]
pub(crate) fn hold(frame: &mut Frame) -> bool {
    if let Some(safe) = held_area(frame).filter(|safe| !safe.contains(&frame.crop)) {
        frame.crop = safe.hold_moved(&frame.crop);
    }
    frame.crop.is_sane()
}

/// Set the margin of a frame: a held box that filled its safe area fills the new one, any other is held inside it.
/// Returns whether there is room for a box.
#[must_use]
pub(crate) fn set_margin(frame: &mut Frame, margin_px: f64) -> bool {
    const FILLS_PX: f64 = 0.51;
    let fills = |safe: SafeArea| {
        let whole = safe.fit_default();
        (frame.crop.width_px - whole.width_px).abs() < FILLS_PX
            && (frame.crop.height_px - whole.height_px).abs() < FILLS_PX
    };
    let filled = held_area(frame).is_some_and(fills);
    frame.guard_margin_px = margin_px.clamp(0.0, MOST_MARGIN_PX);
    if let Some(safe) = held_area(frame).filter(|_| filled) {
        frame.crop = safe.fit_default();
    }
    hold(frame)
}

/// The box nearest to `wish` that the guard of a frame allows.
///
/// `before` is the box before the change, which tells a move from a resize. `keep_aspect` is the proportion (width
/// divided by height) that a resize keeps.
pub fn hold_box(
    session: &Session,
    frame: &Frame,
    before: &TiltedBox,
    wish: &TiltedBox,
    keep_aspect: Option<f64>,
) -> TiltedBox {
    const SAME_PX: f64 = 1e-6;
    let same = |a: f64, b: f64| (a - b).abs() < SAME_PX;
    let Some(safe) = safe_area(session, frame).filter(|_| wish.is_sane()) else { return *wish };
    let is_resize = !(same(wish.width_px, before.width_px) && same(wish.height_px, before.height_px));
    if !same(wish.angle_rad, before.angle_rad) {
        safe.hold_rotated(wish)
    } else if is_resize {
        safe.hold_resized(before, wish, keep_aspect)
    } else {
        safe.hold_moved(wish)
    }
}
