//! Sessions larger than the demo, made from it.

use std::sync::Arc;

use glassine_engine::SessionAt;
use glassine_film::Param;
use glassine_raster::{Point, TiltedBox};
use glassine_session::{Edit, Frame, FrameId, Session};

use crate::Problem;

/// Capture sharpening as a user would set it.
pub(crate) fn sharpened(session: &Session, frames: &[FrameId]) -> Result<Session, Problem> {
    let set = |param, value| Edit::SetParam { frames: frames.to_vec(), param, value };
    let session = set(Param::SharpenAmount, 1.0).apply(session)?;
    Ok(set(Param::SharpenRadiusPx, 1.5).apply(&session)?)
}

/// A copy of a frame with another box.
fn copy(frame: &Frame, id: u32, crop: TiltedBox) -> Arc<Frame> {
    Arc::new(Frame { id: FrameId(id), number: id, crop, name: None, ..frame.clone() })
}

/// This number of frames, repeated in turn, each box moved by a pixel so that no two are alike.
pub(crate) fn repeated(session: &Session, count: u32) -> Result<Session, Problem> {
    let sources = session.frames.clone();
    let mut session = session.clone();
    session.frames = (0..count)
        .zip(sources.iter().cycle())
        .map(|(idx, frame)| {
            let inset = frame.crop.inset(2.0 + f64::from(idx));
            copy(frame, 10_000 + idx, inset)
        })
        .collect();
    session.next_id = 20_000;
    if session.frames.len() == count as usize { Ok(session) } else { Err("the demo has no frame".into()) }
}

/// The demo's first strip as it is, and its second one cut into enough boxes for a roll of 60 frames.
pub(crate) fn of_sixty(at: &SessionAt) -> Result<SessionAt, Problem> {
    const COUNT: usize = 60;
    let mut session = at.session.clone();
    let [first, second, ..] = &session.strips[..] else { return Err("the demo has two strips".into()) };
    let kept: Vec<_> = session.frames.iter().filter(|frame| frame.strip == first.id).cloned().collect();
    let cut: Vec<_> = session.frames.iter().filter(|frame| frame.strip == second.id).cloned().collect();
    let wanted = COUNT.saturating_sub(kept.len());
    let per_frame = wanted.div_ceil(cut.len().max(1));
    let mut slices = Vec::new();
    for frame in &cut {
        let width_px = frame.crop.width_px / per_frame as f64;
        for slice in 0..per_frame {
            let share = (slice as f64 + 0.5) / per_frame as f64;
            let center: Point<_> = frame.crop.scan_from_unit(share, 0.5);
            let crop = TiltedBox { center, width_px: width_px * 0.9, ..frame.crop };
            slices.push(copy(frame, 10_000 + slices.len() as u32, crop));
        }
    }
    slices.truncate(wanted);
    session.frames = kept.into_iter().chain(slices).collect();
    session.next_id = 20_000;
    let numbered = Edit::Renumber { first: 1 }.apply(&session)?;
    let ids: Vec<_> = numbered.frames.iter().map(|frame| frame.id).collect();
    if ids.len() != COUNT {
        return Err("the demo is not what it was".into());
    }
    Ok(SessionAt::new(sharpened(&numbered, &ids)?, at.folder.clone()))
}
