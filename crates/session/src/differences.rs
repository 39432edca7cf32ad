//! What differs between two states of a session, in words.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::model::{Frame, FrameMark, OutputSettings, ScanRef, Session, Strip};

/// More sentences than this do not help; the rest is counted.
const MOST_SENTENCES: usize = 12;

/// How `there` differs from `here`, one sentence for each difference: “frame 3: turned”, “2 frames only there”.
pub fn differences(here: &Session, there: &Session) -> Vec<String> {
    let mut out = Vec::new();
    let mut note = |differs: bool, sentence: &str| {
        if differs {
            out.push(sentence.to_owned());
        }
    };
    let Session { title, notes, scans, rolls, strips, frames, stocks, output, next_id: _, extra } = here;
    note(*title != there.title, &format!("the title there is “{}”", there.title));
    note(*notes != there.notes, "the notes differ");
    note(*rolls != there.rolls, "what is written about the rolls differs");
    note(*stocks != there.stocks, "the own stocks differ");
    note(*extra != there.extra, "entries of a newer program differ");
    if let Some(what) = changed_output(output, &there.output) {
        out.push(format!("output: {what}"));
    }
    compare(&mut out, "scan", (scans, &there.scans), |s| s.id.0, scan_name, changed_scan);
    let strip_place = |session: &Session, strip: &Strip| {
        session.strips.iter().position(|s| s.id == strip.id).map_or(0, |idx| idx + 1)
    };
    let strip_name = |strip: &Strip| format!("strip {}", strip_place(here, strip));
    compare(&mut out, "strip", (strips, &there.strips), |s| s.id.0, strip_name, changed_strip);
    let frame_name = |frame: &Frame| format!("frame {}", here.number_text(frame));
    compare(&mut out, "frame", (frames, &there.frames), |f| f.id.0, frame_name, changed_frame);
    let ids = |frames: &[Arc<Frame>]| frames.iter().map(|frame| frame.id).collect::<Vec<_>>();
    let (mut one, mut other) = (ids(frames), ids(&there.frames));
    one.retain(|id| there.frame(*id).is_some());
    other.retain(|id| here.frame(*id).is_some());
    if one != other {
        out.push("the frames are in another order".to_owned());
    }
    if out.len() > MOST_SENTENCES {
        let more = out.len() - MOST_SENTENCES;
        out.truncate(MOST_SENTENCES);
        out.push(format!("and {more} more"));
    }
    out
}

/// Compare two lists part by part, by id.
fn compare<T: PartialEq>(
    out: &mut Vec<String>,
    noun: &str,
    (here, there): (&[Arc<T>], &[Arc<T>]),
    id: impl Fn(&T) -> u32,
    name: impl Fn(&T) -> String,
    changed: impl Fn(&T, &T) -> Vec<&'static str>,
) {
    let by_id: BTreeMap<u32, &Arc<T>> = there.iter().map(|part| (id(part), part)).collect();
    let mut only_here = 0;
    for part in here {
        match by_id.get(&id(part)) {
            None => only_here += 1,
            Some(other) if Arc::ptr_eq(part, other) || part == *other => {}
            Some(other) => {
                let mut what = changed(part, other);
                if what.is_empty() {
                    what.push("other details");
                }
                out.push(format!("{}: {}", name(part), what.join(", ")));
            }
        }
    }
    let only_there = (there.len() + only_here).saturating_sub(here.len());
    for (count, place) in [(only_here, "only here"), (only_there, "only there")] {
        match count {
            0 => {}
            1 => out.push(format!("1 {noun} {place}")),
            count => out.push(format!("{count} {noun}s {place}")),
        }
    }
}

/// The names of the pairs that differ.
fn unlike<const N: usize>(pairs: [(bool, &'static str); N]) -> Vec<&'static str> {
    pairs.into_iter().filter(|(differs, _)| *differs).map(|(_, what)| what).collect()
}

fn scan_name(scan: &ScanRef) -> String {
    format!("scan “{}”", scan.path.file_name().unwrap_or_default().to_string_lossy())
}

fn changed_scan(here: &ScanRef, there: &ScanRef) -> Vec<&'static str> {
    unlike([
        (here.path != there.path, "another place"),
        (here.infrared_path != there.infrared_path, "another infrared file"),
        ((here.width_px, here.height_px) != (there.width_px, there.height_px), "another size"),
        (!here.reads_like(there) && here.page == there.page, "read differently"),
        (here.page != there.page, "another page"),
        (here.ppi != there.ppi, "another resolution"),
        (here.fingerprint != there.fingerprint, "another content"),
    ])
}

fn changed_strip(here: &Strip, there: &Strip) -> Vec<&'static str> {
    unlike([
        (here.film != there.film, "another film kind"),
        (here.stock_id != there.stock_id, "another stock"),
        (here.format_id != there.format_id, "another format"),
        (here.base != there.base, "another film base"),
        (here.mask_tolerance_d != there.mask_tolerance_d, "another mask tolerance"),
        (here.unmix_strength != there.unmix_strength, "another dye unmixing"),
        (here.balance != there.balance, "another balance mode"),
        (here.solve != there.solve, "solved differently"),
        (here.film_area != there.film_area, "another outline"),
        (here.edge_code != there.edge_code, "another edge code"),
        (here.roll != there.roll, "on another roll"),
        (
            (here.is_mirrored, here.is_turned) != (there.is_mirrored, there.is_turned),
            "shown the other way round",
        ),
    ])
}

fn changed_frame(here: &Frame, there: &Frame) -> Vec<&'static str> {
    unlike([
        (here.number != there.number || here.film_number != there.film_number, "another number"),
        (here.name != there.name, "another name"),
        (here.orientation != there.orientation, "turned"),
        (here.crop != there.crop, "another box"),
        (here.held != there.held || here.guard_margin_px != there.guard_margin_px, "held differently"),
        (here.look != there.look, "other settings"),
        (here.strokes != there.strokes, "other brush strokes"),
        (here.solve != there.solve, "solved differently"),
        (here.mark != there.mark, marked(there.mark)),
        (here.facts != there.facts, "described differently"),
        (here.strip != there.strip, "on another strip"),
    ])
}

fn marked(there: FrameMark) -> &'static str {
    match there {
        FrameMark::Unmarked => "not marked there",
        FrameMark::Keep => "kept there",
        FrameMark::LookAgain => "to be looked at again there",
        FrameMark::LeaveOut => "left out there",
    }
}

fn changed_output(here: &OutputSettings, there: &OutputSettings) -> Option<String> {
    let what = unlike([
        (here.folder != there.folder, "another folder"),
        (here.base_name != there.base_name || here.digits != there.digits, "another name"),
        (
            here.half_numbers != there.half_numbers || here.film_numbers != there.film_numbers,
            "numbered differently",
        ),
        (here.kind != there.kind, "another kind"),
        (here.space != there.space, "another colour space"),
        (here.rendering != there.rendering, "another rendering"),
        (here.compression != there.compression, "another compression"),
        (here.jpeg_quality != there.jpeg_quality, "another JPEG quality"),
        (here.web_long_side_px != there.web_long_side_px, "another web size"),
        (here.sharpen_output != there.sharpen_output, "another output sharpening"),
        (here.recipes != there.recipes, "other recipes"),
        (
            (&here.creator, &here.copyright, &here.caption)
                != (&there.creator, &there.copyright, &there.caption),
            "another creator or rights line",
        ),
    ]);
    (!what.is_empty()).then(|| what.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Edit;
    use crate::edit::tests::sample_session;

    #[test]
    fn equal_sessions_do_not_differ_and_changes_are_told_by_frame() {
        let here = sample_session();
        assert!(differences(&here, &here.clone()).is_empty());
        let turned = here.frames[2].orientation.turned_clockwise();
        let edits = [
            Edit::SetOrientations(vec![(here.frames[2].id, turned)]),
            Edit::SetMark { frames: vec![here.frames[1].id], mark: FrameMark::LeaveOut },
            Edit::DeleteFrames(vec![here.frames[0].id]),
            Edit::SetTitle("sea wall".to_owned()),
        ];
        let there = edits.iter().fold(here.clone(), |session, edit| edit.apply(&session).expect("applies"));
        assert_eq!(
            differences(&here, &there),
            [
                "the title there is “sea wall”",
                "frame 2: left out there",
                "frame 3: turned",
                "1 frame only here"
            ]
        );
        assert!(differences(&there, &here).contains(&"1 frame only there".to_owned()));
    }

    #[test]
    fn many_differences_are_counted() {
        let here = sample_session();
        let mut there = here.clone();
        let frame = here.frames[0].clone();
        let many: Vec<_> = (0..40)
            .map(|idx| Arc::new(Frame { id: crate::FrameId(100 + idx), ..(*frame).clone() }))
            .collect();
        let mut here = here;
        here.frames = many.clone();
        there.frames = many
            .iter()
            .map(|frame| Arc::new(Frame { mark: FrameMark::LeaveOut, ..(**frame).clone() }))
            .collect();
        let told = differences(&here, &there);
        assert_eq!((told.len(), told.last().map(String::as_str)), (13, Some("and 28 more")));
    }
}
