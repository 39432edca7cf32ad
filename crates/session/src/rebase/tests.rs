//! Jobs and the user change one session at the same time: random sessions, job edits and edits in between, with fixed
//! seeds.

use std::collections::BTreeSet;
use std::path::PathBuf;

use glassine_film::{BalanceMode, FilmKind, Look, Param, ParamGroup};
use glassine_raster::Orientation;
use proptest::collection::vec;
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed, TestRunner};

use super::*;
use crate::FrameMark;
use crate::crop_guard::is_held_inside;
use crate::edit::tests::{new_frame, sample_session};
use crate::edit::{NewFrame, Relink};
use crate::model::{Frame, FrameSolve, StripSolve};
use crate::{BrushStroke, Fingerprint, StrokeKind};

/// Numbers from which one random edit is made.
type Draw = (u8, u32, u32);

fn draws(most: usize) -> impl Strategy<Value = Vec<Draw>> {
    vec((0_u8..31, 0_u32..1000, 0_u32..1000), 0..most)
}

fn run<S: Strategy>(seed: u64, cases: u32, strategy: S, test: impl Fn(S::Value)) {
    let config =
        Config { cases, rng_seed: RngSeed::Fixed(seed), failure_persistence: None, ..Config::default() };
    let outcome = TestRunner::new(config).run(&strategy, |value| {
        test(value);
        Ok(())
    });
    outcome.unwrap_or_else(|failed| panic!("seed {seed}: {failed}"));
}

fn pick<T: Clone>(list: &[T], at: u32) -> Option<T> {
    list.get(at as usize % list.len().max(1)).cloned()
}

fn found(at: u32) -> FoundStripEdit {
    let x = f64::from(at % 7) * 40.0;
    FoundStripEdit {
        film_area: (!at.is_multiple_of(3)).then(|| TiltedBox::from_edges(0.0, 0.0, 400.0, 70.0)),
        format_id: None,
        perforations: vec![],
        edge_code: None,
        notes: vec![],
        frames: (0..at % 4).map(|idx| new_frame(x + 100.0 * f64::from(idx))).collect(),
    }
}

fn solve(at: u32) -> StripSolve {
    StripSolve {
        gamma_ratio: [f64::from(at); 3],
        toe_ratio: [1.0; 3],
        colour_strength: 1.0,
        neutral_log: [0.0; 3],
        confidence: 1.0,
        provenance: "test".to_owned(),
    }
}

fn frame_solve(at: u32) -> FrameSolve {
    FrameSolve {
        log_offset: [f64::from(at); 3],
        exposure_stops: 0.0,
        balance_cc: [0.0; 2],
        cast_suggestion_cc: [0.0; 2],
        confidence: 1.0,
        notes: vec![],
    }
}

/// An edit that fits the session, of any kind. `only` limits it to one strip.
fn edit(session: &Session, (kind, a, b): Draw, only: Option<StripId>) -> Option<Edit> {
    let strips: Vec<_> =
        session.strips.iter().map(|s| s.id).filter(|id| only.is_none_or(|o| o == *id)).collect();
    let on_strips = |f: &&Arc<Frame>| strips.contains(&f.strip);
    let frames: Vec<_> = session.frames.iter().filter(on_strips).map(|f| f.id).collect();
    let scans: Vec<_> = session.scans.iter().map(|s| s.id).filter(|_| only.is_none()).collect();
    let (frame, strip, scan) = (pick(&frames, a), pick(&strips, a), pick(&scans, a));
    let some: Vec<_> = frames.iter().copied().filter(|id| (id.0 + b) % 3 > 0).collect();
    let crop = TiltedBox::from_edges(f64::from(a), 5.0, f64::from(a) + 50.0, 55.0);
    let stock = || glassine_film::Stock {
        id: format!("own-{}", a % 3),
        name: format!("lantern {b}"),
        ..glassine_film::default_stock(FilmKind::ColourNegative).clone()
    };
    let whole = only.is_none();
    Some(match kind {
        0 if whole => Edit::SetTitle(format!("title {b}")),
        1 if whole => {
            Edit::AddScans(vec![ScanRef { path: PathBuf::from(format!("{b}.tif")), ..ScanRef::default() }])
        }
        2 => Edit::UpdateScan(ScanRef {
            fingerprint: Some(Fingerprint { bytes: u64::from(b), ..Fingerprint::default() }),
            ..(**session.scan(scan?)?).clone()
        }),
        3 => Edit::RelinkScans(vec![Relink {
            scan: scan?,
            path: Some(format!("{b}.tif").into()),
            infrared_path: None,
        }]),
        4 | 5 => Edit::ReplaceStrips {
            scan: scan?,
            film: FilmKind::Slide,
            stock_id: session.stocks.first().map_or_else(|| "slide".to_owned(), |stock| stock.id.clone()),
            strips: (0..b % 3).map(|idx| found(b + idx)).collect(),
            keep: vec![],
        },
        6 => Edit::SetParam { frames: some, param: Param::ExposureStops, value: f64::from(b % 5) },
        7 => Edit::PasteLook { frames: some, look: Look::default(), groups: vec![ParamGroup::Colour] },
        8 => Edit::SetCrops(some.into_iter().map(|id| (id, crop)).collect()),
        9 => Edit::SetHeld { frame: frame?, held: b % 2 > 0 },
        10 => Edit::SetOrientations(some.into_iter().map(|id| (id, Orientation::new(1, false))).collect()),
        11 | 12 => Edit::AddFrame { strip: strip?, frame: new_frame(f64::from(b)), look: Look::default() },
        13 => Edit::DeleteFrames(some.into_iter().take(2).collect()),
        14 => Edit::SetMark { frames: some, mark: FrameMark::ALL[b as usize % 4] },
        15 => Edit::SetFrameName { frame: frame?, name: Some(format!("name {b}")) },
        16 if whole => Edit::Renumber { first: b },
        17 if whole => Edit::SetHalfNumbers(b % 2 > 0),
        18 => Edit::SetGuardMargin { frames: some, margin_px: 3.0 },
        19 if whole => Edit::MoveFrame { frame: frame?, to: b as usize % frames.len().max(1) },
        20 => Edit::SetFilm { strip: strip?, film: FilmKind::Slide, stock_id: "slide".to_owned() },
        21 if whole => Edit::AddStock(Box::new(stock())),
        22 => Edit::SetStock { strip: strip?, stock_id: session.stocks.first()?.id.clone() },
        23 => Edit::SetFormat { strip: strip?, format_id: Some(format!("{b}mm")) },
        24 => Edit::SetBase { strip: strip?, base: None },
        25 => Edit::SetMaskTolerance { strip: strip?, tolerance_d: f64::from(b % 10) / 100.0 },
        26 => Edit::SetUnmixStrength { strip: strip?, strength: f64::from(b % 10) / 10.0 },
        27 => Edit::SetBalance { strip: strip?, balance: BalanceMode::Frame },
        28 => Edit::ApplySolve {
            strip: strip?,
            solve: solve(b),
            frames: session.frames_of(strip?).map(|f| (f.id, frame_solve(b))).collect(),
        },
        29 => Edit::AddStroke {
            frame: frame?,
            stroke: BrushStroke::new(StrokeKind::Spot, &[glassine_raster::Point::new(1.0, 2.0)], 3.0)?,
        },
        30 if whole => {
            Edit::SetOutput(OutputSettings { base_name: format!("n{b}"), ..session.output.clone() })
        }
        _ => Edit::ClearStrokes(some),
    })
}

/// Edits one after the other, and the session they lead to.
fn played(session: &Session, draws: &[Draw], only: Option<StripId>) -> (Vec<Edit>, Session) {
    let mut session = session.clone();
    let mut edits = Vec::new();
    for draw in draws {
        if let Some(edit) = edit(&session, *draw, only) {
            session = edit.apply(&session).expect("fits the session");
            check_boxes(&session, &edit.label());
            edits.push(edit);
        }
    }
    (edits, session)
}

/// Every box with its guard on is inside its image area.
fn check_boxes(session: &Session, after: &str) {
    for frame in &session.frames {
        assert!(is_held_inside(frame), "{after}: {:?} in {:?}", frame.crop, frame.image_area);
    }
}

fn ids(session: &Session) -> Vec<u32> {
    let mut ids: Vec<u32> = session.scans.iter().map(|s| s.id.0).collect();
    ids.extend(session.strips.iter().map(|s| s.id.0));
    ids.extend(session.frames.iter().map(|f| f.id.0));
    ids
}

fn check_links(session: &Session) {
    check_boxes(session, "rebased");
    let all = ids(session);
    assert_eq!(all.iter().collect::<BTreeSet<_>>().len(), all.len(), "an id is used twice");
    assert!(
        session.strips.iter().all(|strip| session.scan(strip.scan).is_some()),
        "a strip without its scan"
    );
    assert!(
        session.frames.iter().all(|frame| session.strip(frame.strip).is_some()),
        "a frame without its strip"
    );
}

#[test]
fn no_edit_undo_or_file_puts_a_box_outside_the_held_area_while_the_guard_is_on() {
    run(20_250, 1_000, (draws(16), 0_usize..16, 0.0..4.0_f64), |(before, back, turn)| {
        let (_, session) = played(&sample_session(), &before, None);
        let mut history = crate::History::new(session.clone());
        let wild = |id: FrameId| TiltedBox {
            angle_rad: turn,
            ..TiltedBox::from_edges(-f64::from(id.0), -5.0, 90.0 * turn + 1.0, 400.0)
        };
        let ids: Vec<FrameId> = session.frames.iter().map(|frame| frame.id).collect();
        let outside = NewFrame { crop: wild(FrameId(1)), ..new_frame(200.0) };
        let mut edits = vec![
            Edit::SetCrops(ids.iter().map(|id| (*id, wild(*id))).collect()),
            Edit::SetGuardMargin { frames: ids.clone(), margin_px: turn },
        ];
        edits.extend(ids.iter().map(|id| Edit::SetHeld { frame: *id, held: false }));
        edits.push(Edit::SetCrops(ids.iter().map(|id| (*id, wild(*id))).collect()));
        edits.extend(ids.iter().map(|id| Edit::SetHeld { frame: *id, held: true }));
        edits.extend(session.strips.iter().map(|strip| Edit::AddFrame {
            strip: strip.id,
            frame: outside.clone(),
            look: Look::default(),
        }));
        for edit in edits {
            let after = edit.apply(history.current()).expect("there is room");
            check_boxes(&after, &edit.label());
            history.apply(edit.label(), after);
        }
        for _ in 0..back {
            history.undo();
            check_boxes(history.current(), "undo");
        }
        // A file may say anything; a box that is not inside is no longer held.
        let mut edited = history.current().clone();
        for frame in &mut edited.frames {
            Arc::make_mut(frame).crop = wild(frame.id);
        }
        for scan in &mut edited.scans {
            let scan = Arc::make_mut(scan);
            (scan.width_px, scan.height_px) = (400, 80);
        }
        let bytes = crate::file::to_json(&edited, None, &Default::default()).expect("is sound");
        let opened = crate::file::from_json(&bytes).expect("opens").session;
        check_boxes(&opened, "opened");
        assert!(opened.frames.iter().zip(&edited.frames).all(|(a, b)| a.crop == b.crop), "pictures stay");
    });
}

#[test]
fn when_nothing_changed_meanwhile_the_result_is_that_of_the_edits_themselves() {
    run(20_251, 3_000, (draws(12), draws(8)), |(before, job)| {
        let (_, base) = played(&sample_session(), &before, None);
        let (edits, after) = played(&base, &job, None);
        let rebased = rebase(&base, &edits, &base);
        assert_eq!(rebased.session, after);
        assert_eq!((rebased.applied, rebased.dropped), (edits, vec![]));
    });
}

#[test]
fn ids_stay_unique_and_the_applied_edits_lead_to_the_result_whatever_happened_meanwhile() {
    run(20_252, 6_000, (draws(10), draws(8), draws(8)), |(before, job, meanwhile)| {
        let (_, base) = played(&sample_session(), &before, None);
        let (edits, _) = played(&base, &job, None);
        let (_, current) = played(&base, &meanwhile, None);
        let rebased = rebase(&base, &edits, &current);
        check_links(&rebased.session);
        let again = rebased.applied.iter().fold(current, |s, edit| edit.apply(&s).expect("applies"));
        assert_eq!(again, rebased.session);
    });
}

#[test]
fn frames_of_other_strips_are_never_touched() {
    run(20_253, 4_000, (draws(10), draws(8), draws(8), 0_u32..50), |(before, job, meanwhile, which)| {
        let (_, base) = played(&sample_session(), &before, None);
        let Some(strip) = pick(&base.strips, which).map(|strip| strip.id) else { return };
        let (edits, _) = played(&base, &job, Some(strip));
        let (_, current) = played(&base, &meanwhile, None);
        let rebased = rebase(&base, &edits, &current).session;
        for frame in current.frames.iter().filter(|frame| frame.strip != strip) {
            let after = rebased.frame(frame.id).expect("is still there");
            // Numbers follow the order of all frames.
            assert_eq!(Frame { number: frame.number, ..(**after).clone() }, **frame);
        }
        for other in current.strips.iter().filter(|other| other.id != strip) {
            assert_eq!(rebased.strip(other.id), Some(other));
        }
    });
}

#[test]
fn no_edit_is_lost_whose_frame_is_still_there_and_every_other_is_told() {
    run(20_254, 4_000, (draws(10), draws(10)), |(before, meanwhile)| {
        let (_, base) = played(&sample_session(), &before, None);
        let (_, current) = played(&base, &meanwhile, None);
        let all: Vec<_> = base.frames.iter().map(|frame| frame.id).collect();
        let solved: Vec<Edit> = base
            .strips
            .iter()
            .map(|strip| Edit::ApplySolve {
                strip: strip.id,
                solve: solve(strip.id.0),
                frames: base.frames_of(strip.id).map(|f| (f.id, frame_solve(f.id.0))).collect(),
            })
            .collect();
        let mut edits = vec![Edit::SetParam { frames: all.clone(), param: Param::Contrast, value: 1.25 }];
        edits.extend(solved);
        let rebased = rebase(&base, &edits, &current);
        let mut gone = 0;
        for id in &all {
            match (current.frame(*id), rebased.session.frame(*id)) {
                (Some(now), Some(frame)) => {
                    assert_eq!(frame.look.get(Param::Contrast), 1.25);
                    // A frame that moved to another strip is no longer on the solved one.
                    if base.frame(*id).is_some_and(|before| before.strip == now.strip) {
                        assert_eq!(frame.solve, Some(frame_solve(id.0)));
                    }
                }
                (None, None) => gone += 1,
                other => panic!("a frame came or went: {other:?}"),
            }
        }
        let gone_strips = base.strips.iter().filter(|strip| current.strip(strip.id).is_none()).count();
        assert_eq!(rebased.dropped.len(), gone + gone_strips, "{:?}", rebased.dropped);
    });
}

#[test]
fn frames_that_the_person_drew_meanwhile_survive_any_search() {
    run(20_255, 4_000, (draws(10), draws(8), draws(8)), |(before, job, meanwhile)| {
        let (_, base) = played(&sample_session(), &before, None);
        let (edits, _) = played(&base, &job, None);
        let (_, current) = played(&base, &meanwhile, None);
        let known: BTreeSet<_> = ids(&base).into_iter().collect();
        let rebased = rebase(&base, &edits, &current).session;
        for drawn in current.frames.iter().filter(|frame| !known.contains(&frame.id.0)) {
            let after = rebased.frame(drawn.id).expect("was drawn by the person and is lost");
            assert_eq!((after.crop, &after.look, &after.strokes), (drawn.crop, &drawn.look, &drawn.strokes));
        }
    });
}

#[test]
fn a_search_and_its_measurements_arrive_whole_although_a_frame_was_added_meanwhile() {
    let base = sample_session();
    let found = |x: f64| FoundStripEdit { frames: vec![new_frame(x), new_frame(x + 100.0)], ..found(1) };
    let search = Edit::ReplaceStrips {
        scan: base.scans[0].id,
        film: FilmKind::ColourNegative,
        stock_id: "masked".to_owned(),
        strips: vec![found(10.0)],
        keep: vec![],
    };
    let after = search.apply(&base).expect("replaces");
    let strip = after.strips[0].id;
    let frames: Vec<_> = after.frames.iter().map(|frame| (frame.id, frame_solve(frame.id.0))).collect();
    let edits = [
        search,
        Edit::SetMaskTolerance { strip, tolerance_d: 0.07 },
        Edit::ApplySolve { strip, solve: solve(3), frames },
    ];
    // The user adds a frame, so that every id the job expects is now another one.
    let drawn = NewFrame { reason: "drawn by hand".to_owned(), ..new_frame(310.0) };
    let current = Edit::AddFrame { strip: base.strips[0].id, frame: drawn, look: Look::default() }
        .apply(&base)
        .expect("adds");
    let rebased = rebase(&base, &edits, &current);
    assert_eq!(rebased.dropped, Vec::<String>::new());
    let session = rebased.session;
    assert_eq!((session.strips.len(), session.strips[0].mask_tolerance_d), (1, 0.07));
    assert_eq!(session.strips[0].solve, Some(solve(3)));
    assert_eq!(session.frames.iter().filter(|frame| frame.solve.is_some()).count(), 2);
    let kept = session.frames.iter().find(|frame| frame.reason == "drawn by hand").expect("stays");
    assert_eq!(kept.strip, session.strips[0].id);
}

#[test]
fn a_box_found_where_the_person_drew_one_gives_way_and_is_told() {
    let base = sample_session();
    let strips = vec![FoundStripEdit { frames: vec![new_frame(10.0), new_frame(210.0)], ..found(1) }];
    let scan = base.scans[0].id;
    let search = Edit::ReplaceStrips {
        scan,
        film: FilmKind::ColourNegative,
        stock_id: "masked".to_owned(),
        strips,
        keep: vec![],
    };
    let found = search.apply(&base).expect("replaces");
    let solved = Edit::ApplySolve {
        strip: found.strips[0].id,
        solve: solve(1),
        frames: found.frames.iter().map(|frame| (frame.id, frame_solve(1))).collect(),
    };
    let drawn = Edit::AddFrame { strip: base.strips[0].id, frame: new_frame(212.0), look: Look::default() };
    let current = drawn.apply(&base).expect("adds");
    let rebased = rebase(&base, &[search, solved], &current);
    assert_eq!(rebased.dropped, ["a box was found where you drew one meanwhile; yours stays"]);
    let places: Vec<_> =
        rebased.session.frames.iter().map(|f| (f.crop.center.x, f.solve.is_some())).collect();
    assert_eq!(places, [(50.0, true), (252.0, false)]);
}

#[test]
fn what_was_deleted_meanwhile_is_told_and_the_rest_of_the_solve_is_kept() {
    let base = sample_session();
    let strip = base.strips[0].id;
    let frames: Vec<_> = base.frames.iter().map(|frame| (frame.id, frame_solve(1))).collect();
    let edits = [Edit::ApplySolve { strip, solve: solve(1), frames }];
    let current = Edit::DeleteFrames(vec![base.frames[1].id]).apply(&base).expect("deletes");
    let rebased = rebase(&base, &edits, &current);
    assert_eq!(rebased.dropped, ["frame 2 was deleted in the meantime; its result was dropped"]);
    assert!(rebased.session.frames.iter().all(|frame| frame.solve.is_some()));
    assert_eq!(rebased.session.strips[0].solve, Some(solve(1)));
}

#[test]
fn what_the_person_set_meanwhile_survives_an_edit_that_only_carries_it_along() {
    let base = sample_session();
    let scan = ScanRef::clone(&base.scans[0]);
    let print = Some(Fingerprint { bytes: 9, ..Fingerprint::default() });
    let hashed = Edit::UpdateScan(ScanRef { fingerprint: print.clone(), ..scan.clone() });
    let chosen = ScanRef { encoding: crate::EncodingChoice::Srgb, page: Some(2), ..scan };
    let current = Edit::UpdateScan(chosen.clone()).apply(&base).expect("updates");
    let rebased = rebase(&base, &[hashed], &current).session;
    assert_eq!(*rebased.scans[0], ScanRef { fingerprint: print, ..chosen });
}

#[test]
fn a_measured_stock_does_not_replace_one_that_got_its_id_meanwhile() {
    let base = sample_session();
    let stock = |name: &str| {
        let usual = glassine_film::default_stock(FilmKind::ColourNegative).clone();
        glassine_film::Stock { id: "own".to_owned(), name: name.to_owned(), ..usual }
    };
    let strip = base.strips[0].id;
    let edits =
        [Edit::AddStock(Box::new(stock("job"))), Edit::SetStock { strip, stock_id: "own".to_owned() }];
    let current = Edit::AddStock(Box::new(stock("person"))).apply(&base).expect("adds");
    let session = rebase(&base, &edits, &current).session;
    let names: Vec<_> = session.stocks.iter().map(|s| (s.id.as_str(), s.name.as_str())).collect();
    assert_eq!(names, [("own", "person"), ("own-2", "job")]);
    assert_eq!(session.strips[0].stock_id, "own-2");
}
