//! What is left of an answer once unusable frames are gone, and the promise of one frame for a file.

use glassine_raster::TiltedBox;

use super::{FilmTone, FindOptions, Found, FoundFrame, FoundStrip, FrameFlag};
use crate::StripAxis;

/// A frame whose safe area is narrower than this has no room for a box.
const LEAST_SIDE_PX: f64 = 1.0;
/// A lone frame that covers less of its file is a piece of the picture.
const LEAST_SHARE: f64 = 0.3;
/// Beside a frame that covers this much of the file, others are scraps.
const MOST_OF_FILE: f64 = 0.6;
/// Sides of the file that a frame may stick out by, as a share of the shorter side; rounding stays below.
const MOST_EXCESS: f64 = 0.02;

/// Leave out frames without room for a box, and strips that have nothing but those.
pub(super) fn drop_scraps(found: &mut Found) {
    let mut dropped = 0;
    found.strips.retain_mut(|strip| {
        let before = strip.frames.len();
        strip.frames.retain(has_room);
        dropped += before - strip.frames.len();
        before == 0 || !strip.frames.is_empty()
    });
    if dropped > 0 {
        let pieces = if dropped == 1 { "a piece" } else { "pieces" };
        found.notes.push(format!("{pieces} too small to be a frame left out: {dropped}"));
    }
}

fn has_room(frame: &FoundFrame) -> bool {
    let safe = frame.safe_area().area;
    safe.is_sane() && safe.width_px >= LEAST_SIDE_PX && safe.height_px >= LEAST_SIDE_PX
}

/// Exactly one frame, inside the file: the one that was found when it is most of the picture, else the whole picture.
pub(super) fn keep_one_frame(found: Found, (width, height): (u32, u32), options: &FindOptions<'_>) -> Found {
    let file_px2 = f64::from(width) * f64::from(height);
    let share = |frame: &FoundFrame| frame.image_area.area_px2() / file_px2;
    let count: usize = found.strips.iter().map(|strip| strip.frames.len()).sum();
    let least = if count == 1 { LEAST_SHARE } else { MOST_OF_FILE };
    let tone = found.strips.first().map_or(options.tone, |strip| strip.tone);
    let best = found
        .strips
        .into_iter()
        .flat_map(|strip| strip.frames.clone().into_iter().map(move |frame| (strip.clone(), frame)))
        .filter(|(_, frame)| share(frame) >= least)
        .max_by(|a, b| share(&a.1).total_cmp(&share(&b.1)))
        .and_then(|(strip, frame)| Some((strip, inside_file(frame, (width, height))?)));
    match best {
        Some((strip, frame)) => {
            Found { strips: vec![FoundStrip { frames: vec![frame], ..strip }], notes: found.notes }
        }
        None => Found { strips: vec![whole_picture((width, height), tone, options)], notes: Vec::new() },
    }
}

/// The frame with its sides moved in by what sticks out; `None` when that is more than rounding.
fn inside_file(mut frame: FoundFrame, (width, height): (u32, u32)) -> Option<FoundFrame> {
    let (w, h) = (f64::from(width), f64::from(height));
    let excess = frame
        .image_area
        .corners()
        .iter()
        .flat_map(|corner| [-corner.x, corner.x - w, -corner.y, corner.y - h])
        .fold(0.0, f64::max);
    if excess > MOST_EXCESS * w.min(h) {
        return None;
    }
    frame.image_area = frame.image_area.inset(excess);
    has_room(&frame).then_some(frame)
}

fn whole_picture((width, height): (u32, u32), tone: FilmTone, options: &FindOptions<'_>) -> FoundStrip {
    let area = TiltedBox::from_edges(0.0, 0.0, f64::from(width), f64::from(height));
    let frame = FoundFrame {
        image_area: area,
        edge_blur_px: 0.0,
        guard_margin_px: options.guard_margin_px.unwrap_or(0.0),
        confidence: 0.35,
        reason: "no single frame stands out; the whole picture is taken as the image".to_owned(),
        flags: vec![FrameFlag::LowConfidence],
    };
    FoundStrip {
        film_area: area,
        angle_rad: 0.0,
        axis: StripAxis::Across,
        format_id: options.format.map(|format| format.id.to_owned()),
        confidence: frame.confidence,
        frames: vec![frame],
        notes: vec!["no film base is visible here; measure it elsewhere or type it".to_owned()],
        perforations: Vec::new(),
        tone,
    }
}
