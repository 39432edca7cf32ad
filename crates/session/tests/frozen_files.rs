//! Files of every version must open forever: these samples are never changed.

use glassine_film::{FilmKind, LayerCurve, Param, Stock, ToeShoulder};
use glassine_session::{BaseSource, OutputKind, file};

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

#[test]
fn a_stock_file_of_the_first_version_is_read_with_every_number() {
    let text = include_str!("files/version-1.stock.json");
    let stock = Stock::from_json(text).expect("reads");
    let curve = ToeShoulder {
        gamma: 0.55,
        foot_log: -1.8,
        toe_width_log: 0.2,
        shoulder_d: Some(2.4),
        shoulder_width_d: 0.15,
    };
    let endless = ToeShoulder {
        gamma: 0.6,
        foot_log: -1.9,
        toe_width_log: 0.25,
        shoulder_d: None,
        shoulder_width_d: 0.0,
    };
    assert_eq!(
        stock,
        Stock {
            id: "harbour-200".to_owned(),
            name: "Harbour 200".to_owned(),
            kind: FilmKind::ColourNegative,
            curves: [LayerCurve::Curve(curve), LayerCurve::Curve(endless), LayerCurve::Gamma(0.65)],
            unmix: [[1.1, -0.06, -0.04], [-0.1, 1.2, -0.1], [-0.02, -0.18, 1.2]],
            working_matrix: [[1.3, -0.2, -0.1], [-0.1, 1.25, -0.15], [0.0, -0.2, 1.2]],
            typical_base_d: [0.25, 0.62, 0.9],
            notes: "measured at home".to_owned(),
            measured_on: "a 24-patch chart, frame 4".to_owned(),
        }
    );
}

#[test]
fn a_recipe_file_of_the_first_version_is_read_with_every_choice() {
    let recipe = file::recipe_from_json(include_bytes!("files/version-1.recipe.json"), None).expect("reads");
    assert_eq!(
        (recipe.name.as_str(), recipe.kind, recipe.is_chosen),
        ("for the wall", OutputKind::Print, false)
    );
    assert_eq!((recipe.space.as_deref(), recipe.rendering.as_deref()), (Some("display-p3"), Some("print")));
    assert_eq!(recipe.folder.as_deref(), Some("prints"));
    assert_eq!(recipe.name_template.as_deref(), Some("{roll} {number}"));
    let print = recipe.print.as_ref().expect("has a print");
    assert_eq!((print.sides_mm, print.ppi, print.sharpen_amount), ([300.0, 200.0], 360.0, 0.4));
    assert_eq!((print.paper_white, print.paper_black), (0.96, 0.02));
    assert_eq!((recipe.compression, recipe.web_format, recipe.most_kb), (None, None, None));
    assert_eq!(
        file::recipe_from_json(&file::recipe_to_json(&recipe, None), None).expect("reads again"),
        recipe
    );
}
