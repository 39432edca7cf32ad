//! Edits of a small session.

use super::*;
use crate::model::{Join, JoinPart, Session};
use crate::stroke::StrokeKind;
use glassine_layout::join::Affine;
use glassine_raster::Point;
use std::path::PathBuf;

pub(crate) fn new_frame(x: f64) -> NewFrame {
    NewFrame {
        crop: TiltedBox::from_edges(x, 10.0, x + 80.0, 60.0),
        image_area: Some(TiltedBox::from_edges(x - 2.0, 8.0, x + 82.0, 62.0)),
        guard_margin_px: 2.0,
        orientation: Orientation::default(),
        film_number: None,
        confidence: 0.9,
        reason: "all four edges measured".to_owned(),
        flags: vec![],
    }
}

/// One scan with one strip of three frames.
pub(crate) fn sample_session() -> Session {
    let scan = ScanRef {
        id: ScanId(0),
        path: PathBuf::from("roll.tif"),
        infrared_path: None,
        width_px: 400,
        height_px: 80,
        ppi: Some(600.0),
        planes: ["red", "green", "blue", "infrared"].map(String::from).to_vec(),
        fingerprint: None,
        encoding: Default::default(),
        fourth_sample: Default::default(),
        ..ScanRef::default()
    };
    let session = Edit::AddScans(vec![scan]).apply(&Session::default()).expect("adds");
    let film = TiltedBox { angle_rad: 0.0123, ..TiltedBox::from_edges(0.0, 0.0, 400.0, 70.0) };
    let strip = FoundStripEdit {
        film_area: Some(film),
        format_id: Some("135".to_owned()),
        perforations: vec![],
        edge_code: None,
        notes: vec![],
        frames: [10.0, 110.0, 310.0].map(new_frame).to_vec(),
    };
    Edit::ReplaceStrips {
        scan: session.scans[0].id,
        film: FilmKind::ColourNegative,
        stock_id: "masked".to_owned(),
        strips: vec![strip],
        keep: vec![],
    }
    .apply(&session)
    .expect("replaces")
}

fn numbers(session: &Session) -> Vec<(u32, f64)> {
    session.frames.iter().map(|f| (f.number, f.crop.center.x)).collect()
}

#[test]
fn an_added_frame_takes_its_place_along_the_strip_and_numbers_follow() {
    let session = sample_session();
    let edit = Edit::AddFrame { strip: session.strips[0].id, frame: new_frame(210.0), look: Look::default() };
    let after = edit.apply(&session).expect("adds");
    assert_eq!(numbers(&after), vec![(1, 50.0), (2, 150.0), (3, 250.0), (4, 350.0)]);
    assert_eq!(session.frames.len(), 3);
}

#[test]
fn ids_are_never_reused_after_a_deletion() {
    let session = sample_session();
    let last = session.frames[2].id;
    let without = Edit::DeleteFrames(vec![last]).apply(&session).expect("deletes");
    let edit = Edit::AddFrame { strip: session.strips[0].id, frame: new_frame(210.0), look: Look::default() };
    let after = edit.apply(&without).expect("adds");
    assert!(after.frames.iter().all(|frame| frame.id != last));
}

#[test]
fn finding_again_replaces_only_the_strips_of_that_scan() {
    let session = sample_session();
    let other = ScanRef { path: PathBuf::from("second.tif"), ..(*session.scans[0]).clone() };
    let session = Edit::AddScans(vec![other]).apply(&session).expect("adds");
    let found = FoundStripEdit {
        film_area: None,
        format_id: None,
        perforations: vec![],
        edge_code: None,
        notes: vec![],
        frames: vec![new_frame(20.0)],
    };
    let replace = |scan: ScanId, session: &Session| {
        Edit::ReplaceStrips {
            scan,
            film: FilmKind::Slide,
            stock_id: "slide".to_owned(),
            strips: vec![found.clone()],
            keep: vec![],
        }
        .apply(session)
        .expect("replaces")
    };
    let both = replace(session.scans[1].id, &session);
    assert_eq!(both.frames.len(), 4);
    let again = replace(session.scans[0].id, &both);
    assert_eq!(again.frames.len(), 2);
    assert_eq!(again.strip(again.frames[0].strip).map(|s| s.scan), Some(session.scans[0].id));
}

#[test]
fn an_edit_of_a_missing_frame_is_an_error_and_changes_nothing() {
    let session = sample_session();
    let gone = FrameId(9999);
    let edit = Edit::SetParam { frames: vec![gone], param: Param::ExposureStops, value: 1.0 };
    assert_eq!(edit.apply(&session), Err(EditError::NoFrame(gone)));
    let bad = TiltedBox { width_px: f64::NAN, ..session.frames[0].crop };
    let edit = Edit::SetCrops(vec![(session.frames[0].id, bad)]);
    assert_eq!(edit.apply(&session), Err(EditError::BadBox));
}

#[test]
fn pasting_copies_only_the_named_groups() {
    let session = sample_session();
    let look = Look::default().with(Param::ExposureStops, 1.0).with(Param::WarmthCc, 12.0);
    let id = session.frames[1].id;
    let edit = Edit::PasteLook { frames: vec![id], look, groups: vec![ParamGroup::Colour] };
    let after = edit.apply(&session).expect("pastes");
    let pasted = &after.frame(id).expect("there").look;
    assert_eq!((pasted.get(Param::WarmthCc), pasted.get(Param::ExposureStops)), (12.0, 0.0));
}

#[test]
fn a_box_that_leaves_the_image_area_is_noticed() {
    let session = sample_session();
    let mut frame = (*session.frames[0]).clone();
    assert!(!frame.reaches_rebate());
    frame.crop.center.x -= 10.0;
    assert!(frame.reaches_rebate());
}

#[test]
fn strokes_pile_up_on_their_frame_and_are_cleared_together() {
    let session = sample_session();
    let (first, second) = (session.frames[0].id, session.frames[1].id);
    let stroke = BrushStroke::new(StrokeKind::PaintIn, &[Point::new(20.0, 20.0)], 4.0).expect("is sane");
    let edit = Edit::AddStroke { frame: first, stroke };
    assert_eq!(edit.label(), "paint dust in");
    let painted = edit.apply(&edit.apply(&session).expect("applies")).expect("applies");
    assert_eq!((painted.frames[0].strokes.len(), painted.frames[1].strokes.len()), (2, 0));
    let cleared = Edit::ClearStrokes(vec![first, second]).apply(&painted).expect("applies");
    assert_eq!(cleared, session);
}

#[test]
fn numbers_on_the_film_are_used_while_they_are_complete_and_distinct() {
    let numbered = |numbers: [Option<(u8, bool)>; 3]| {
        let session = sample_session();
        let frames = numbers.iter().zip([10.0, 110.0, 310.0]).map(|(number, x)| NewFrame {
            film_number: number.map(|(number, is_half)| FilmNumber { number, is_half }),
            ..new_frame(x)
        });
        let strip = FoundStripEdit { frames: frames.collect(), ..FoundStripEdit::default() };
        Edit::ReplaceStrips {
            scan: session.scans[0].id,
            film: FilmKind::ColourNegative,
            stock_id: "masked".to_owned(),
            strips: vec![strip],
            keep: vec![],
        }
        .apply(&session)
        .expect("applies")
    };
    let texts = |session: &Session| -> Vec<String> {
        session.frames.iter().map(|frame| session.number_text(frame)).collect()
    };
    let read = numbered([Some((12, false)), Some((12, true)), Some((13, true))]);
    assert_eq!(texts(&read), ["12", "12A", "13A"]);
    let typed = Edit::Renumber { first: 5 }.apply(&read).expect("applies");
    assert_eq!(texts(&typed), ["5", "6", "7"], "a number that was typed is not overwritten");
    let halves = Edit::SetHalfNumbers(true).apply(&read).expect("applies");
    assert_eq!(texts(&halves), ["1", "1A", "2"], "a way of counting that was chosen is used");
    assert_eq!(texts(&numbered([Some((12, false)), None, Some((13, false))])), ["1", "2", "3"]);
    assert_eq!(texts(&numbered([Some((12, false)), Some((12, false)), Some((13, false))])), ["1", "2", "3"]);
    for (text, number) in [("12A", Some((12, true))), (" 7 ", Some((7, false))), ("A", None), ("12AA", None)]
    {
        let number = number.map(|(number, is_half)| FilmNumber { number, is_half });
        assert_eq!(FilmNumber::from_text(text), number, "{text}");
    }
}

#[test]
fn another_film_kind_drops_the_solve_that_was_made_for_the_old_one() {
    let mut session = sample_session();
    let strip = session.strips[0].id;
    let solve = StripSolve {
        gamma_ratio: [0.9, 1.0, 1.1],
        toe_ratio: [1.0; 3],
        colour_strength: 1.0,
        neutral_log: [0.1, 0.0, -0.1],
        confidence: 0.8,
        provenance: "test".to_owned(),
    };
    let frame_solve = FrameSolve {
        log_offset: [0.1; 3],
        exposure_stops: 0.3,
        balance_cc: [0.0; 2],
        cast_suggestion_cc: [0.0; 2],
        confidence: 0.8,
        notes: Vec::new(),
    };
    let frames = session.frames.iter().map(|frame| (frame.id, frame_solve.clone())).collect();
    session = Edit::ApplySolve { strip, solve, frames }.apply(&session).expect("applies");
    assert!(session.strips[0].solve.is_some());
    let film = Edit::SetFilm { strip, film: FilmKind::Slide, stock_id: "slide".to_owned() };
    let session = film.apply(&session).expect("applies");
    assert!(session.strips[0].solve.is_none());
    assert!(session.frames.iter().all(|frame| frame.solve.is_none()));
}

#[test]
fn boxing_again_keeps_what_was_decided_about_the_pictures_under_the_new_boxes() {
    let session = sample_session();
    let ids: Vec<FrameId> = session.frames.iter().map(|frame| frame.id).collect();
    let edits = [
        Edit::SetParam { frames: vec![ids[1]], param: Param::ExposureStops, value: 0.5 },
        Edit::SetMark { frames: vec![ids[2]], mark: FrameMark::LookAgain },
        Edit::SetFrameName { frame: ids[0], name: Some("pier".to_owned()) },
    ];
    let session = edits.iter().fold(session, |session, edit| edit.apply(&session).expect("fits"));
    // The second box moved a little; where the third was, nothing is found, and a box is found where none was.
    let again = Edit::ReplaceStrips {
        scan: session.scans[0].id,
        film: FilmKind::ColourNegative,
        stock_id: "masked".to_owned(),
        strips: vec![FoundStripEdit {
            frames: [11.0, 106.0, 210.0].map(new_frame).to_vec(),
            ..FoundStripEdit::default()
        }],
        keep: vec![],
    };
    let after = again.apply(&session).expect("replaces");
    let shown =
        |frame: &crate::model::Frame| (frame.name.clone(), frame.look.get(Param::ExposureStops), frame.mark);
    let shown: Vec<_> = after.frames.iter().map(|frame| shown(frame)).collect();
    assert_eq!(
        shown,
        [
            (Some("pier".to_owned()), 0.0, FrameMark::Unmarked),
            (None, 0.5, FrameMark::Unmarked),
            (None, 0.0, FrameMark::Unmarked)
        ]
    );
}

#[test]
fn a_turned_strip_reverses_its_frames_and_twice_is_as_before() {
    let session = sample_session();
    let strip = session.strips[0].id;
    for (mirror, half_turn) in [(true, false), (false, true)] {
        let edit = Edit::TurnStrip { strip, mirror, half_turn };
        let once = edit.apply(&session).expect("turns");
        assert_eq!(numbers(&once), vec![(1, 350.0), (2, 150.0), (3, 50.0)]);
        let frame = &once.frames[0];
        assert_eq!(
            (frame.orientation.is_mirrored(), frame.orientation.quarter_turns()),
            (mirror, if half_turn { 2 } else { 0 })
        );
        let added = Edit::AddFrame { strip, frame: new_frame(210.0), look: Look::default() };
        let added = added.apply(&once).expect("adds");
        assert_eq!(numbers(&added), vec![(1, 350.0), (2, 250.0), (3, 150.0), (4, 50.0)]);
        let mut twice = edit.apply(&once).expect("turns");
        twice.next_id = session.next_id;
        assert_eq!(twice, session);
    }
    // Mirrored and turned, the film runs as it did; its pictures are seen from behind and upside down.
    let both = Edit::TurnStrip { strip, mirror: true, half_turn: true }.apply(&session).expect("turns");
    assert_eq!(numbers(&both), numbers(&session));
}

#[test]
fn joined_scans_take_the_place_of_their_parts_and_each_part_is_relinked_alone() {
    let session = sample_session();
    let scan = |name: &str| ScanRef { path: PathBuf::from(name), ..(*session.scans[0]).clone() };
    let session = Edit::AddScans(vec![scan("second.tif"), scan("other.tif")]).apply(&session).expect("adds");
    let ids: Vec<_> = session.scans.iter().map(|scan| scan.id).collect();
    let part = |nth: usize| JoinPart {
        scan: (*session.scans[nth]).clone(),
        to_joined: Affine::shift(300.0 * nth as f64, 0.0),
        light: Vec::new(),
        seams: Vec::new(),
    };
    let join = Join { parts: vec![part(0), part(1)] };
    let joined = ScanRef { width_px: 700, join: Some(join.into()), ..(*session.scans[0]).clone() };
    let edit = Edit::JoinScans { scans: vec![ids[1], ids[0]], joined };
    let after = edit.apply(&session).expect("joins");
    assert_eq!((after.strips.len(), after.frames.len()), (0, 0), "strips leave with their scans");
    assert_eq!(after.scans.iter().map(|scan| scan.width_px).collect::<Vec<_>>(), [700, 400]);
    assert!(!ids.contains(&after.scans[0].id) && after.scans[1].id == ids[2]);

    let moved = |from: &str, to: &str| {
        let (scan, infrared_path) = (after.scans[0].id, None);
        let edit = Relink { scan, from: Some(from.into()), path: Some(to.into()), infrared_path };
        let session = Edit::RelinkScans(vec![edit]).apply(&after).expect("relinks");
        let scan = &session.scans[0];
        scan.parts().chain([&**scan]).map(|scan| scan.path.display().to_string()).collect::<Vec<_>>()
    };
    assert_eq!(moved("second.tif", "new/b.tif"), ["roll.tif", "new/b.tif", "roll.tif"]);
    // The entry of the whole names the file of its first part.
    assert_eq!(moved("roll.tif", "new/a.tif"), ["new/a.tif", "second.tif", "new/a.tif"]);
    assert_eq!(edit.apply(&after), Err(EditError::NoScan(ids[1])), "they have left");
}

#[test]
fn strips_are_ordered_by_the_numbers_on_their_films_and_belong_to_rolls() {
    use crate::model::{FilmNumber, ReadCode, Roll, StripCode};
    let session = sample_session();
    let second = ScanRef { path: PathBuf::from("second.tif"), ..(*session.scans[0]).clone() };
    let mut session = Edit::AddScans(vec![second]).apply(&session).expect("adds");
    let code = |number: u8| StripCode {
        film_code: [32, 4],
        is_mirrored: false,
        is_turned: false,
        confidence: 1.0,
        codes: vec![ReadCode {
            number: Some(FilmNumber { number, is_half: false }),
            center: Point::new(50.0, 5.0),
        }],
    };
    for (scan, number) in [(session.scans[0].id, 7), (session.scans[1].id, 1)] {
        let found = FoundStripEdit {
            edge_code: Some(code(number)),
            frames: [10.0, 110.0].map(new_frame).to_vec(),
            ..FoundStripEdit::default()
        };
        session = Edit::ReplaceStrips {
            scan,
            film: FilmKind::ColourNegative,
            stock_id: "masked".to_owned(),
            strips: vec![found],
            keep: vec![],
        }
        .apply(&session)
        .expect("replaces");
    }
    let [first, second] = [session.strips[0].id, session.strips[1].id];
    let on_film = session.order_on_film().expect("the second strip comes first");
    let first_number = |session: &Session| {
        session
            .strip(session.frames[0].strip)
            .and_then(|strip| strip.edge_code.clone())
            .map(|c| c.codes[0].number)
    };
    let ordered = Edit::OrderStrips(on_film).apply(&session).expect("orders");
    assert_eq!(first_number(&ordered).flatten().map(|number| number.number), Some(1));
    assert_eq!(ordered.frames.iter().map(|frame| frame.number).collect::<Vec<_>>(), [1, 2, 3, 4]);
    assert_eq!(ordered.order_on_film(), None);
    // Facts of a roll, which goes with its last strip.
    let roll = Roll {
        title: "pier".to_owned(),
        facts: crate::Facts { date_shot: "about 1987".to_owned(), ..crate::Facts::default() },
        ..Roll::default()
    };
    let told = Edit::AddRoll { roll, strips: vec![first] }.apply(&ordered).expect("adds");
    let id = told.strip(first).and_then(|strip| strip.roll).expect("assigned");
    assert_eq!(told.roll(id).map(|roll| roll.facts.date_shot.as_str()), Some("about 1987"));
    assert_eq!(told.strip(second).and_then(|strip| strip.roll), None);
    let gone = Edit::AssignRoll { strips: vec![first], roll: None }.apply(&told).expect("assigns");
    assert!(gone.rolls.is_empty());
    let unknown = Edit::AssignRoll { strips: vec![first], roll: Some(crate::RollId(9999)) };
    assert_eq!(unknown.apply(&told), Err(EditError::NoRoll(crate::RollId(9999))));
}

#[test]
fn frames_scanned_again_move_with_everything_that_was_decided_about_them() {
    let mut session = sample_session();
    let ids: Vec<FrameId> = session.frames.iter().map(|frame| frame.id).collect();
    let (overview, old_strip) = (session.scans[0].id, session.strips[0].id);
    let stroke = BrushStroke::new(StrokeKind::Spot, &[Point::new(130.0, 30.0)], 2.0).expect("is sane");
    for edit in [
        Edit::AddStroke { frame: ids[1], stroke },
        Edit::SetParam { frames: vec![ids[1]], param: Param::ExposureStops, value: 0.5 },
        Edit::SetFrameName { frame: ids[1], name: Some("pier".to_owned()) },
    ] {
        session = edit.apply(&session).expect("applies");
    }
    let fine = ScanRef {
        path: PathBuf::from("frame-2.tif"),
        width_px: 400,
        height_px: 260,
        ppi: Some(2400.0),
        ..(*session.scans[0]).clone()
    };
    // The new scan begins at (105, 5) of the first one and has four times its resolution.
    let to_new = ScaleShift { scale: 4.0, dx_px: -420.0, dy_px: -20.0 };
    let frames = vec![Rescanned { frame: ids[1], image_area: None }];
    let after = Edit::Rescan { scan: fine.clone(), to_new, frames }.apply(&session).expect("moves");
    assert_eq!(after.frames.iter().map(|frame| frame.id).collect::<Vec<_>>(), ids, "order and ids stay");
    assert_eq!((after.scans.len(), after.strips.len()), (2, 2));
    let moved = after.frame(ids[1]).expect("stays");
    assert_eq!(moved.crop, TiltedBox::from_edges(20.0, 20.0, 340.0, 220.0));
    assert_eq!(moved.image_area, Some(TiltedBox::from_edges(12.0, 12.0, 348.0, 228.0)));
    assert_eq!((moved.guard_margin_px, moved.number), (8.0, 2));
    assert_eq!((moved.strokes[0].points()[0], moved.strokes[0].radius_px()), (Point::new(100.0, 100.0), 8.0));
    assert_eq!((moved.look.get(Param::ExposureStops), moved.name.as_deref()), (0.5, Some("pier")));
    let (strip, scan) = after.context(moved).expect("a strip and a scan");
    assert_eq!((scan.path.as_path(), scan.ppi), (std::path::Path::new("frame-2.tif"), Some(2400.0)));
    assert!(strip.id != old_strip && (strip.angle_deg() - 0.0123_f64.to_degrees()).abs() < 1e-9);

    // Found 6 px further right than the millimetres say: box and strokes go there too.
    let beside = TiltedBox::from_edges(18.0, 12.0, 354.0, 228.0);
    let frames = vec![Rescanned { frame: ids[1], image_area: Some(beside) }];
    let found = Edit::Rescan { scan: fine.clone(), to_new, frames }.apply(&session).expect("moves");
    let moved = found.frame(ids[1]).expect("stays");
    assert_eq!(moved.crop, TiltedBox::from_edges(26.0, 20.0, 346.0, 220.0));
    assert_eq!(moved.strokes[0].points()[0], Point::new(106.0, 100.0));

    // When the last frames have moved too, the strip and the scan that they were on go.
    let frames = [0, 2].map(|nth| Rescanned { frame: ids[nth], image_area: None }).to_vec();
    let all = Edit::Rescan { scan: fine.clone(), to_new, frames }.apply(&after).expect("moves");
    assert!(all.scan(overview).is_none() && all.strip(old_strip).is_none());
    assert_eq!((all.scans.len(), all.strips.len(), all.frames.len()), (2, 2, 3));

    let frames = vec![Rescanned { frame: ids[0], image_area: None }];
    let senseless = ScaleShift { scale: 0.0, ..to_new };
    let refused = Edit::Rescan { scan: fine, to_new: senseless, frames }.apply(&session);
    assert_eq!(refused, Err(EditError::BadBox));
}
