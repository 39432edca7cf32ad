//! The box guard at the only entry to the session: it holds a box whether pointer, keys, typing or a script moves it.

use glassine_layout::SafeArea;
use glassine_raster::TiltedBox;
use glassine_session::{Edit, Frame, FrameId, Session};

/// Where the box of a frame may be: inside its guarded image area while it is held, anywhere on the scan otherwise.
pub fn safe_area(session: &Session, frame: &Frame) -> Option<SafeArea> {
    if let Some(area) = frame.image_area.as_ref().filter(|area| frame.held && area.is_sane()) {
        return Some(SafeArea::new(area, frame.guard_margin_px));
    }
    let (_, scan) = session.context(frame)?;
    let whole = TiltedBox::from_edges(0.0, 0.0, f64::from(scan.width_px), f64::from(scan.height_px));
    whole.is_sane().then(|| SafeArea::new(&whole, 0.0))
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

/// The edit that sets another margin: a box that filled its safe area fills the new one, any other is held inside it.
pub fn with_margin(session: &Session, frames: &[FrameId], margin_px: f64) -> Edit {
    const FILLS_PX: f64 = 0.51;
    let change = |id: &FrameId| {
        let frame = session.frame(*id)?;
        let Some(area) = &frame.image_area else { return Some((*id, margin_px, frame.crop)) };
        let old = SafeArea::new(area, frame.guard_margin_px).fit_default();
        let new = SafeArea::new(area, margin_px);
        let filled = (frame.crop.width_px - old.width_px).abs() < FILLS_PX
            && (frame.crop.height_px - old.height_px).abs() < FILLS_PX;
        let crop = match (frame.held, filled) {
            (false, _) => frame.crop,
            (true, true) => new.fit_default(),
            (true, false) if new.contains(&frame.crop) => frame.crop,
            (true, false) => new.hold_moved(&frame.crop),
        };
        Some((*id, margin_px, crop))
    };
    Edit::SetGuardMargin { frames: frames.iter().filter_map(change).collect() }
}

/// The box after holding is switched on again, if the present one is outside its safe area.
pub fn hold_again(frame: &Frame) -> Option<TiltedBox> {
    let area = frame.image_area.as_ref().filter(|area| area.is_sane())?;
    let safe = SafeArea::new(area, frame.guard_margin_px);
    (!safe.contains(&frame.crop)).then(|| safe.hold_moved(&frame.crop))
}
