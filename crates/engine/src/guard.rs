//! The box guard at the only door to the session: whoever moves a box (pointer, keys, typing, script), it is held.

use glassine_layout::SafeArea;
use glassine_raster::TiltedBox;
use glassine_session::{Edit, Frame, FrameId, NewFrame, Session};

/// The safe area of a frame that is held and has measured edges.
pub fn safe_area(frame: &Frame) -> Option<SafeArea> {
    let area = frame.image_area.as_ref().filter(|_| frame.held)?;
    Some(SafeArea::new(area, frame.guard_margin_px))
}

/// The nearest box to the wish that the guard of a frame allows.
pub fn hold_box(frame: &Frame, wish: &TiltedBox) -> TiltedBox {
    let Some(safe) = safe_area(frame) else { return *wish };
    if safe.contains(wish) {
        return *wish;
    }
    let before = &frame.crop;
    let same = |a: f64, b: f64| (a - b).abs() < 1e-6;
    if !same(wish.angle_rad, before.angle_rad) {
        safe.hold_rotated(wish)
    } else if same(wish.width_px, before.width_px) && same(wish.height_px, before.height_px) {
        safe.hold_moved(wish)
    } else {
        safe.hold_resized(before, wish, None)
    }
}

/// The same edit with every box held.
pub fn hold(session: &Session, edit: Edit) -> Edit {
    match edit {
        Edit::SetCrops(crops) => Edit::SetCrops(
            crops
                .into_iter()
                .map(|(id, wish)| (id, session.frame(id).map_or(wish, |frame| hold_box(frame, &wish))))
                .collect(),
        ),
        Edit::AddFrame { strip, frame, look } => {
            let crop = match &frame.image_area {
                Some(area) => SafeArea::new(area, frame.guard_margin_px).hold_moved(&frame.crop),
                None => frame.crop,
            };
            Edit::AddFrame { strip, frame: NewFrame { crop, ..frame }, look }
        }
        other => other,
    }
}

/// The edit that gives frames another margin: a box that filled its safe area fills the new one, others are held by it.
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

/// What switching the holding on must do to a box that is outside by then.
pub fn hold_again(frame: &Frame) -> Option<TiltedBox> {
    let area = frame.image_area.as_ref()?;
    let safe = SafeArea::new(area, frame.guard_margin_px);
    (!safe.contains(&frame.crop)).then(|| safe.hold_moved(&frame.crop))
}
