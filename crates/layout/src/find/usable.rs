//! Drops unusable frames from the result, and guarantees exactly one frame for a single-frame file.

use glassine_raster::TiltedBox;

use super::filled::format_of_size;
use super::{FilmTone, FindOptions, Found, FoundFrame, FoundStrip, FrameFlag};
use crate::StripAxis;

/// A frame whose safe area is narrower than this has no room for a box: a picture is a pixel at least.
const LEAST_SIDE_PX: f64 = 1.0;
/// A frame narrower than this share of the largest one surely found on a scan is lettering or a speck: 8 by 11 mm, the
/// smallest picture on film, beside 6 cm wide ones would be a seventh. Our choice.
const LEAST_PART: f64 = 0.125;
/// Confidence from which a frame counts as surely found. Our choice: four sides seen on two thirds of their length.
const SURE: f32 = 0.8;
/// A lone frame that covers less than this share of its file is only a piece of the picture. Our choice.
const LEAST_SHARE: f64 = 0.3;
/// If one frame covers this share of the file, the others are scraps. Our choice.
const MOST_OF_FILE: f64 = 0.6;
/// How far a frame may reach outside the file, as a share of the shorter side; rounding errors are smaller. Our choice.
const MOST_EXCESS: f64 = 0.02;

/// Leave out frames without room for a box and specks beside real frames, and strips that have nothing but those.
pub(super) fn drop_scraps(found: &mut Found) {
    let side_px = |frame: &FoundFrame| frame.image_area.width_px.min(frame.image_area.height_px);
    let frames = found.strips.iter().flat_map(|strip| &strip.frames);
    let largest_px = frames.filter(|frame| frame.confidence >= SURE).map(side_px).fold(0.0, f64::max);
    let mut dropped = 0;
    found.strips.retain_mut(|strip| {
        let before = strip.frames.len();
        strip.frames.retain(|frame| has_room(frame) && side_px(frame) >= LEAST_PART * largest_px);
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

/// Keeps exactly one frame, inside the file: the found one if it is most of the picture, else the whole picture.
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

/// Moves all sides in until the frame is inside the file; `None` if it reaches out by more than rounding.
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

/// Names the format of a strip with one frame and no known format, by the size of that frame.
pub(super) fn name_lone_frame(strip: &mut FoundStrip, options: &FindOptions<'_>) {
    if let ([frame], None) = (strip.frames.as_slice(), &strip.format_id) {
        let area = &frame.image_area;
        let format = format_of_size((area.width_px, area.height_px), options);
        strip.format_id = format.map(|format| format.id.to_owned());
    }
}

/// Describes a file that is all picture as one frame.
pub(super) fn filled_file(size_px: (u32, u32), options: &FindOptions<'_>) -> FoundStrip {
    let mut strip = whole_picture(size_px, options.tone, options);
    strip.axis = if size_px.0 >= size_px.1 { StripAxis::Across } else { StripAxis::Down };
    name_lone_frame(&mut strip, options);
    for frame in &mut strip.frames {
        frame.reason = "no side has a border; the whole picture is taken as the image".to_owned();
        // Our choice, not calibrated; so are the 0.35 and 0.5 in this file.
        frame.confidence = if options.single_frame_file { 0.7 } else { 0.5 };
        if options.single_frame_file {
            frame.flags.clear();
        }
    }
    strip.confidence = 0.5;
    strip
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
        notes: vec!["no film base is visible here; measure it on another strip or type it in".to_owned()],
        perforations: Vec::new(),
        tone,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strip(frames: &[[f64; 4]], guard_margin_px: f64) -> FoundStrip {
        let whole = whole_picture((400, 300), FilmTone::Negative, &FindOptions::default());
        let frame = |[x0, y0, x1, y1]: [f64; 4]| FoundFrame {
            image_area: TiltedBox::from_edges(x0, y0, x1, y1),
            guard_margin_px,
            ..whole.frames[0].clone()
        };
        FoundStrip { frames: frames.iter().copied().map(frame).collect(), ..whole.clone() }
    }

    #[test]
    fn a_piece_without_room_inside_its_guard_is_dropped_and_the_rest_is_kept() {
        let large = [20.0, 20.0, 180.0, 120.0];
        let scrap = [300.0, 200.0, 309.92, 201.95];
        let mut found = Found {
            strips: vec![strip(&[large, scrap], 1.05), strip(&[scrap], 1.05), strip(&[], 1.05)],
            notes: Vec::new(),
        };
        drop_scraps(&mut found);
        let counts: Vec<usize> = found.strips.iter().map(|strip| strip.frames.len()).collect();
        assert_eq!(counts, [1, 0], "the strip of nothing but a scrap goes, one without frames stays");
        assert!(found.notes[0].contains('2'), "{:?}", found.notes);
    }

    #[test]
    fn specks_beside_frames_that_were_surely_found_are_dropped() {
        let (frame, speck) = ([20.0, 20.0, 380.0, 280.0], [300.0, 200.0, 320.0, 230.0]);
        let with = |confidence: f32| {
            let mut large = strip(&[frame], 0.0);
            large.frames[0].confidence = confidence;
            let mut found = Found { strips: vec![large, strip(&[speck, speck], 0.0)], notes: Vec::new() };
            drop_scraps(&mut found);
            found.strips.len()
        };
        assert_eq!(with(0.9), 1);
        assert_eq!(with(0.5), 2, "a doubtful frame decides nothing about others");
    }

    #[test]
    fn of_several_frames_in_a_file_only_one_that_is_most_of_it_is_kept() {
        let one = |frames: &[[f64; 4]]| {
            let found = Found { strips: vec![strip(frames, 0.0)], notes: Vec::new() };
            let kept = keep_one_frame(found, (400, 300), &FindOptions::default());
            let frames: Vec<FoundFrame> = kept.strips.into_iter().flat_map(|strip| strip.frames).collect();
            assert_eq!(frames.len(), 1);
            (frames[0].image_area.width_px, frames[0].image_area.height_px)
        };
        assert_eq!(one(&[[10.0, 10.0, 390.0, 290.0]]), (380.0, 280.0));
        assert_eq!(one(&[[10.0, 10.0, 390.0, 290.0], [0.0, 0.0, 20.0, 20.0]]), (380.0, 280.0));
        assert_eq!(one(&[[10.0, 10.0, 190.0, 290.0], [210.0, 10.0, 390.0, 290.0]]), (400.0, 300.0));
        assert_eq!(one(&[[10.0, 10.0, 60.0, 60.0]]), (400.0, 300.0));
        assert_eq!(one(&[[-3.0, 10.0, 390.0, 290.0]]), (387.0, 274.0), "what sticks out a little is cut");
        assert_eq!(one(&[[-30.0, 10.0, 390.0, 290.0]]), (400.0, 300.0));
        assert_eq!(one(&[]), (400.0, 300.0));
    }
}
