//! Session files: round trips, unknown values, damage.

use super::*;
use crate::edit::tests::sample_session;
use crate::{BaseSource, BrushStroke, Edit, FilmBase, FrameSolve, StripSolve, StrokeKind};
use glassine_film::Param;
use glassine_raster::Point;
use std::path::PathBuf;
use std::sync::Arc;

fn stamp() -> FileStamp {
    FileStamp { generation: 7, run: "desk-41-a".to_owned() }
}

fn stroke(kind: StrokeKind) -> BrushStroke {
    let points = [Point::new(30.0625, 21.5), Point::new(34.0, 22.0)];
    BrushStroke::new(kind, &points, 3.25).expect("is sane")
}

fn full_session() -> Session {
    let mut session = sample_session();
    let strip = session.strips[0].id;
    let frame = session.frames[0].id;
    let stock = glassine_film::Stock {
        id: "own-1".to_owned(),
        name: "lantern, summer".to_owned(),
        ..glassine_film::default_stock(glassine_film::FilmKind::ColourNegative).clone()
    };
    for edit in [
        Edit::AddStock(Box::new(stock)),
        Edit::SetStock { strip, stock_id: "own-1".to_owned() },
        Edit::SetParam { frames: vec![frame], param: Param::ExposureStops, value: 1.0 / 3.0 },
        Edit::SetBase {
            strip,
            base: Some(FilmBase {
                density_d: [0.1 + 0.2, 0.61, 0.83],
                pixels: 12_345,
                spread_d: [0.004; 3],
                recommended_tolerance_d: 0.021,
                confidence: 0.97,
                source: BaseSource::Box(session.frames[0].crop),
                field: glassine_film::BaseField::from_coefficients_d(
                    [[0.001, 0.002, 0.0, -0.003, 0.0, 0.1]; 3],
                ),
            }),
        },
        Edit::ApplySolve {
            strip,
            solve: StripSolve {
                gamma_ratio: [0.93, 1.0, 1.07],
                toe_ratio: [1.1, 1.0, 0.9],
                colour_strength: 0.9,
                neutral_log: [0.1, 0.0, -0.05],
                confidence: 0.8,
                provenance: "strip solver 1".to_owned(),
            },
            frames: vec![(
                frame,
                FrameSolve {
                    log_offset: [0.11, 0.02, 0.05],
                    exposure_stops: -0.4,
                    balance_cc: [3.0, -1.0],
                    cast_suggestion_cc: [0.0, 2.0],
                    confidence: 0.7,
                    notes: vec!["few neutral pixels".to_owned()],
                },
            )],
        },
        Edit::AddStroke { frame, stroke: stroke(StrokeKind::PaintIn) },
        Edit::AddStroke { frame, stroke: stroke(StrokeKind::PaintOut) },
    ] {
        session = edit.apply(&session).expect("applies");
    }
    let number = crate::FilmNumber { number: 12, is_half: true };
    Arc::make_mut(&mut session.frames[1]).film_number = Some(number);
    Arc::make_mut(&mut session.strips[0]).edge_code = Some(crate::StripCode {
        film_code: [115, 10],
        is_mirrored: true,
        is_turned: false,
        confidence: 0.99,
        codes: vec![
            crate::ReadCode { number: Some(number), center: Point::new(120.25, 66.5) },
            crate::ReadCode { number: None, center: Point::new(220.5, 66.25) },
        ],
    });
    session
}

#[test]
fn save_open_save_gives_the_same_bytes_and_the_same_session() {
    let session = full_session();
    let bytes = to_json(&session, None, &stamp()).expect("serialises");
    let opened = from_json(&bytes).expect("opens");
    assert_eq!((&opened.session, &opened.stamp, opened.notes.len()), (&session, &stamp(), 0));
    let again = opened.session;
    assert_eq!(to_json(&again, None, &stamp()).expect("serialises"), bytes);
}

#[test]
fn keys_of_a_newer_program_survive_a_round_trip() {
    let bytes = to_json(&full_session(), None, &stamp()).expect("serialises");
    let mut value: Value = serde_json::from_slice(&bytes).expect("parses");
    value["colour_of_the_sea"] = "green".into();
    value["frames"][1]["tide_m"] = 2.5.into();
    value["frames"][1]["settings"]["sparkle"] = 0.25.into();
    let opened = from_json(&serde_json::to_vec(&value).expect("serialises")).expect("opens").session;
    let saved: Value =
        serde_json::from_slice(&to_json(&opened, None, &stamp()).expect("serialises")).expect("parses");
    assert_eq!(saved["colour_of_the_sea"], "green");
    assert_eq!(saved["frames"][1]["tide_m"], 2.5);
    assert_eq!(saved["frames"][1]["settings"]["sparkle"], 0.25);
}

#[test]
fn strokes_are_optional_in_files_and_those_of_a_newer_program_are_kept() {
    let session = full_session();
    let mut value: Value =
        serde_json::from_slice(&to_json(&session, None, &stamp()).expect("serialises")).expect("parses");
    let frame = &mut value["frames"][0];
    assert_eq!(frame["strokes"][0]["kind"], "paint-in");
    frame["strokes"].as_array_mut().expect("is a list").push(serde_json::json!({ "kind": "glitter" }));
    let opened = from_json(&serde_json::to_vec(&value).expect("serialises")).expect("opens").session;
    assert_eq!(opened.frames[0].strokes, session.frames[0].strokes);
    let saved: Value =
        serde_json::from_slice(&to_json(&opened, None, &stamp()).expect("serialises")).expect("parses");
    assert_eq!(saved["frames"][0]["strokes"], value["frames"][0]["strokes"]);

    value["frames"][0].as_object_mut().expect("is an object").remove("strokes");
    let older = from_json(&serde_json::to_vec(&value).expect("serialises")).expect("opens").session;
    assert!(older.frames[0].strokes.is_empty());

    value["frames"][0]["strokes"] = serde_json::json!([{ "kind": "spot", "radius_px": 2, "points_px": [] }]);
    assert!(matches!(
        from_json(&serde_json::to_vec(&value).expect("serialises")),
        Err(FileError::Invalid { .. })
    ));
}

#[test]
fn a_newer_version_a_strange_file_and_damage_are_each_told_apart() {
    let mut value: Value =
        serde_json::from_slice(&to_json(&full_session(), None, &stamp()).expect("serialises"))
            .expect("parses");
    value["version"] = 7.into();
    let newer = from_json(&serde_json::to_vec(&value).expect("serialises"));
    assert!(matches!(newer, Err(FileError::Newer { found: 7, supported: 2 })));
    assert!(matches!(from_json(b"{\"frames\": []}"), Err(FileError::NotASession)));
    assert!(matches!(from_json(b"{\"format\": "), Err(FileError::Damaged { line: 1, .. })));
}

#[test]
fn a_file_cut_anywhere_is_refused_without_a_panic() {
    let bytes = to_json(&full_session(), None, &stamp()).expect("serialises");
    for end in (0..bytes.len() - 2).step_by(7) {
        assert!(from_json(&bytes[..end]).is_err(), "cut at {end} was accepted");
    }
}

#[test]
fn impossible_values_are_refused_by_name() {
    let mut value: Value =
        serde_json::from_slice(&to_json(&full_session(), None, &stamp()).expect("serialises"))
            .expect("parses");
    value["strips"][0]["film_area"]["width_px"] = (-5.0).into();
    let error = from_json(&serde_json::to_vec(&value).expect("serialises")).expect_err("refused");
    assert!(error.to_string().contains("strip"), "{error}");
}

#[test]
fn scans_near_the_session_are_stored_relative_and_resolve_back() {
    let mut session = full_session();
    Arc::make_mut(&mut session.scans[0]).path = PathBuf::from("/home/me/rolls/scans/a.tif");
    let folder = Path::new("/home/me/rolls/sessions");
    let bytes = to_json(&session, Some(folder), &stamp()).expect("serialises");
    let opened = from_json(&bytes).expect("opens").session;
    assert_eq!(opened.scans[0].path, Path::new("../scans/a.tif"));
    assert_eq!(
        resolve_path(&opened.scans[0].path, Some(folder)),
        Path::new("/home/me/rolls/sessions/../scans/a.tif")
    );
}

/// Saved, opened and saved again as JSON, after `change` was made by another program and `edits` by this one.
fn through(session: &Session, change: impl FnOnce(&mut Value), edits: &[Edit]) -> (OpenedFile, Value) {
    let bytes = to_json(session, None, &stamp()).expect("serialises");
    let mut value: Value = serde_json::from_slice(&bytes).expect("parses");
    change(&mut value);
    let mut opened = from_json(&serde_json::to_vec(&value).expect("serialises")).expect("opens");
    for edit in edits {
        opened.session = edit.apply(&opened.session).expect("applies");
    }
    let saved = to_json(&opened.session, None, &opened.stamp).expect("serialises");
    (opened, serde_json::from_slice(&saved).expect("parses"))
}

#[test]
fn unknown_keys_are_kept_in_every_entry() {
    let mut session = full_session();
    Arc::make_mut(&mut session.scans[0]).fingerprint =
        Some(crate::Fingerprint { bytes: 5, sampled_blake3: None, blake3: Some("ab".to_owned()) });
    let places = [
        "",
        "/output",
        "/scans/0",
        "/scans/0/fingerprint",
        "/strips/0",
        "/strips/0/base",
        "/strips/0/base/source/box",
        "/strips/0/solve",
        "/strips/0/film_area",
        "/stocks/0",
        "/frames/0",
        "/frames/0/box",
        "/frames/0/image_area",
        "/frames/0/solve",
        "/frames/0/settings",
        "/frames/0/strokes/1",
    ];
    let (opened, saved) = through(
        &session,
        |value| {
            for place in places {
                value.pointer_mut(place).unwrap_or_else(|| panic!("{place}"))["tide"] =
                    serde_json::json!({ "m": 2.5 });
            }
            value["frames"][0]["flags"] = serde_json::json!(["windy", "blank"]);
        },
        &[],
    );
    for place in places {
        assert_eq!(saved.pointer(place).map(|entry| &entry["tide"]["m"]), Some(&Value::from(2.5)), "{place}");
    }
    assert_eq!(saved["frames"][0]["flags"], serde_json::json!(["blank", "windy"]));
    assert_eq!(opened.session.frames[0].flags, [crate::FrameFlag::Blank]);
}

#[test]
fn unknown_keys_follow_their_frame_and_go_with_what_they_described() {
    let session = full_session();
    let (first, second) = (session.frames[0].id, session.frames[1].id);
    let edits = [
        Edit::MoveFrame { frame: first, to: 2 },
        Edit::SetBase { strip: session.strips[0].id, base: session.strips[0].base.clone() },
        Edit::ClearStrokes(vec![first]),
        Edit::DeleteFrames(vec![second]),
    ];
    let (_, saved) = through(
        &session,
        |value| {
            value["strips"][0]["base"]["lamp"] = 3.into();
            value["strips"][0]["solve"]["lamp"] = 4.into();
            value["frames"][0]["box"]["lens"] = 5.into();
            value["frames"][0]["strokes"][0]["pressure"] = 6.into();
            value["frames"][1]["tide"] = 7.into();
        },
        &edits,
    );
    assert_eq!(
        (saved["strips"][0]["base"].get("lamp"), &saved["strips"][0]["solve"]["lamp"]),
        (None, &4.into())
    );
    let frames = saved["frames"].as_array().expect("is a list");
    assert_eq!((frames.len(), &frames[1]["box"]["lens"]), (2, &5.into()));
    assert!(frames.iter().all(|frame| frame.get("strokes").is_none() && frame.get("tide").is_none()));
}

#[test]
fn unknown_choices_are_told_and_kept_until_another_is_made() {
    let session = full_session();
    let odd = |value: &mut Value| {
        for key in ["kind", "compression", "space", "rendering", "web_format", "density"] {
            value["output"][key] = format!("odd-{key}").into();
        }
        value["strips"][0]["stock"] = "odd-stock".into();
    };
    let (opened, saved) = through(&session, odd, &[]);
    for key in ["kind", "compression", "space", "rendering", "web_format", "density"] {
        assert_eq!(saved["output"][key], format!("odd-{key}"), "{key}");
    }
    assert_eq!(saved["strips"][0]["stock"], "odd-stock");
    for word in ["odd-kind", "odd-compression", "odd-space", "odd-stock", "odd-web_format", "odd-density"] {
        assert!(opened.notes.iter().any(|note| note.contains(word)), "{word}: {:?}", opened.notes);
    }
    assert!(opened.session.output.unknown_choice().is_some_and(|note| note.contains("odd-space")));

    let web = crate::OutputSettings { kind: crate::OutputKind::Web, ..opened.session.output.clone() };
    let master = crate::OutputSettings { kind: crate::OutputKind::Master, ..web.clone() };
    let (_, saved) = through(&session, odd, &[Edit::SetOutput(web), Edit::SetOutput(master)]);
    assert_eq!(saved["output"]["kind"], "master");
    assert_eq!(saved["output"]["compression"], "odd-compression");

    let png = crate::OutputSettings {
        web_format: crate::WebFormat::Png,
        density: crate::DensityEncoding::Linear,
        ..opened.session.output.clone()
    };
    let usual = crate::OutputSettings {
        web_format: crate::WebFormat::Jpeg,
        density: crate::DensityEncoding::Log,
        ..png.clone()
    };
    let (_, saved) = through(&session, odd, &[Edit::SetOutput(png), Edit::SetOutput(usual)]);
    assert_eq!((saved["output"].get("web_format"), saved["output"].get("density")), (None, None));
}

#[test]
fn a_recipe_with_an_unknown_choice_is_told_and_kept_beside_others_of_its_kind() {
    let mut session = full_session();
    let web = crate::ExportRecipe::of_kind(crate::OutputKind::Web);
    session.output.recipes = ["first", "second"].map(|name| web.clone().named(name)).to_vec();
    let (opened, saved) =
        through(&session, |value| value["output"]["recipes"][0]["web_format"] = "odd".into(), &[]);
    assert!(
        opened.notes.iter().any(|note| note.contains("first") && note.contains("odd")),
        "{:?}",
        opened.notes
    );
    assert_eq!(opened.session.output.recipes, session.output.recipes[1..]);
    let kept: Vec<_> = saved["output"]["recipes"].as_array().expect("is a list").iter().collect();
    let found =
        kept.iter().map(|recipe| (recipe["name"].as_str(), recipe.get("web_format").and_then(Value::as_str)));
    assert_eq!(found.collect::<Vec<_>>(), [(Some("second"), None), (Some("first"), Some("odd"))]);
}

#[test]
fn an_unknown_film_kind_is_refused_with_its_place() {
    let bytes = to_json(&full_session(), None, &stamp()).expect("serialises");
    let mut value: Value = serde_json::from_slice(&bytes).expect("parses");
    value["strips"][0]["film"] = "glass plate".into();
    let error = from_json(&serde_json::to_vec(&value).expect("serialises")).expect_err("is refused");
    let text = error.to_string();
    assert!(text.contains("strip") && text.contains("glass plate"), "{text}");
    value["strips"][0]["film"] = 3.into();
    let error = from_json(&serde_json::to_vec(&value).expect("serialises")).expect_err("is refused");
    assert!(error.to_string().contains("strips[0].film"), "{error}");
}

#[test]
fn no_number_that_is_not_finite_is_ever_written() {
    let good = full_session();
    let refused = |change: &dyn Fn(&mut Session), word: &str| {
        let mut session = good.clone();
        change(&mut session);
        let error = to_json(&session, None, &stamp()).expect_err(word).to_string();
        assert!(error.contains("can't be written") && error.contains(word), "{word}: {error}");
    };
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        refused(&|s| Arc::make_mut(&mut s.frames[1]).crop.width_px = bad, "frames[1].box.width_px");
        refused(&|s| Arc::make_mut(&mut s.frames[0]).confidence = bad, "frames[0].confidence");
        refused(&|s| Arc::make_mut(&mut s.scans[0]).ppi = Some(bad), "resolution of scan");
        refused(&|s| Arc::make_mut(&mut s.scans[0]).encoding = crate::EncodingChoice::Gamma(bad), "encoding");
        refused(&|s| Arc::make_mut(&mut s.strips[0]).mask_tolerance_d = bad, "mask_tolerance_d");
        refused(
            &|s| {
                if let Some(base) = &mut Arc::make_mut(&mut s.strips[0]).base {
                    base.density_d[2] = bad;
                }
            },
            "density_d[2]",
        );
    }
}

#[test]
fn an_own_stock_that_can_not_be_written_is_an_error_and_not_left_out() {
    let mut session = full_session();
    let mut stock = (*session.stocks[0]).clone();
    stock.typical_base_d[1] = f64::NAN;
    session.stocks[0] = Arc::new(stock);
    let error = to_json(&session, None, &stamp()).expect_err("is refused").to_string();
    assert!(error.contains("stock"), "{error}");
}

#[test]
fn a_frame_whose_box_makes_no_sense_does_not_keep_the_session_from_opening() {
    for (key, number) in [("width_px", -5.0), ("width_px", 0.0), ("height_px", 1e9), ("width_px", 1e300)] {
        let (opened, saved) =
            through(&full_session(), |value| value["frames"][2]["box"][key] = number.into(), &[]);
        let session = &opened.session;
        let problems: Vec<_> =
            session.frames.iter().map(|frame| crate::frame_problem(session, frame).is_some()).collect();
        assert_eq!(problems, [false, false, true], "{key} {number}");
        assert_eq!(saved["frames"][2]["box"][key], number);
    }
}

#[cfg(unix)]
#[test]
fn paths_that_are_not_utf_8_survive_a_round_trip() {
    let mut session = full_session();
    let odd = |name: &[u8]| path_from_bytes([b"/home/me/rolls/".as_slice(), name].concat());
    let scan = Arc::make_mut(&mut session.scans[0]);
    scan.path = odd(b"r\xf6ll/a.tif");
    scan.infrared_path = Some(odd(b"r\xf6ll/\xff.tif"));
    session.output.folder = Some(odd(b"pr\xefnts"));
    for folder in [None, Some(Path::new("/home/me/rolls/sessions"))] {
        let bytes = to_json(&session, folder, &stamp()).expect("serialises");
        let opened = from_json(&bytes).expect("opens").session;
        let resolved = resolve_path(&opened.scans[0].path, folder);
        let found = path_bytes(&resolved).to_vec();
        assert!(found.ends_with(b"r\xf6ll/a.tif"), "{resolved:?}");
        assert_eq!(opened.output.folder, session.output.folder);
        assert_eq!(to_json(&opened, None, &stamp()).expect("serialises"), bytes);
    }
}
