//! Session files of every version must open forever: these samples are never changed.

use glassine_film::{FilmKind, Param};
use glassine_session::{BaseSource, file};

#[test]
fn a_file_of_the_first_version_opens_with_all_it_says() {
    let bytes = include_bytes!("files/version-1.session.json");
    let file::OpenedFile { session, stamp, notes } = file::from_json(bytes).expect("opens");
    assert_eq!((stamp.generation, notes), (0, vec![]));
    assert_eq!(session.title, "Sallow Quay");
    assert_eq!((session.scans.len(), session.strips.len(), session.frames.len()), (1, 1, 4));
    assert!(session.scans[0].has_infrared());
    let strip = &session.strips[0];
    assert_eq!((strip.film, strip.format_id.as_deref()), (FilmKind::ColourNegative, Some("6x4.5")));
    let base = strip.base.as_ref().expect("has a base");
    assert_eq!(base.source, BaseSource::Rebate);
    assert!((base.density_d[1] - 0.558).abs() < 0.001);
    // Entries added later take the value that their absence means.
    assert!(base.field.is_none());
    assert_eq!(strip.solve.as_ref().expect("is solved").toe_ratio, [1.0; 3]);
    assert_eq!(strip.solve.as_ref().expect("is solved").colour_strength, 1.0);
    let frame = &session.frames[0];
    assert!(frame.held && frame.image_area.is_some() && !frame.reaches_rebate());
    assert_eq!(frame.look.get(Param::Contrast), 1.0);
    assert_eq!(session.output.base_name, "harbour");
    // Saved by this program it opens again as the same session.
    let saved = file::to_json(&session, None, &stamp).expect("saves");
    assert_eq!(file::from_json(&saved).expect("opens again").session, session);
}

#[test]
fn a_file_of_the_second_version_opens_with_its_joined_scan() {
    let bytes = include_bytes!("files/version-2.session.json");
    let file::OpenedFile { session, stamp, notes } = file::from_json(bytes).expect("opens");
    assert_eq!(notes, Vec::<String>::new());
    let join = session.scans[0].join.as_ref().expect("is joined");
    assert_eq!(join.parts.len(), 2);
    assert_eq!(join.parts[1].to_joined.0, [[0.9999, -0.002, 698.25], [0.002, 0.9999, 7.5]]);
    assert_eq!(join.parts[1].light[0], [1.02, -0.001]);
    assert_eq!(join.parts[1].seams[0].places_px, [800.0, 804.0, 804.0, 800.0]);
    assert_eq!(join.parts[1].scan.path, std::path::Path::new("second.tif"));
    // What is joined keeps its version; what is not stays readable by programs of version 1.
    let version = |bytes: &[u8]| {
        let value: serde_json::Value = serde_json::from_slice(bytes).expect("json");
        value["version"].as_u64()
    };
    let saved = file::to_json(&session, None, &stamp).expect("saves");
    assert_eq!(version(&saved), Some(2));
    assert_eq!(file::from_json(&saved).expect("opens again").session, session);
    let first = file::from_json(include_bytes!("files/version-1.session.json")).expect("opens").session;
    assert_eq!(version(&file::to_json(&first, None, &stamp).expect("saves")), Some(1));
    // A place that no pixel can be read from is refused.
    let broken = String::from_utf8_lossy(bytes).replace("698.25", "1e999");
    assert!(file::from_json(broken.as_bytes()).is_err());
    let broken = String::from_utf8_lossy(bytes).replace("0.9999", "0.0");
    assert!(file::from_json(broken.as_bytes()).is_err());
}
