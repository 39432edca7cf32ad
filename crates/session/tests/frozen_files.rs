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
