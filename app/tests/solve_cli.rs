//! `glassine solve`: solving the balance again, with what the user knows about the frames.

use std::path::{Path, PathBuf};

use crate::program::{code, glassine, json, said, scan_in, text};
use glassine_film::{FilmKind, Stock, default_stock};
use glassine_filmsim::{demo_spec, render_strip};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _, ResolutionPpi};
use glassine_scanfile::{
    Compression, Metadata, OpenOptions, Overwrite, PictureFormat, PictureSpec, PictureWriter, Scan,
    write_rgbi,
};
use serde_json::Value;

fn session_in(folder: &Path) -> PathBuf {
    let scan = scan_in(folder);
    let session = folder.join("roll.session.json");
    let made = glassine(&["new", text(&session), "--scan", text(&scan), "--format", "6x4.5"]);
    assert_eq!(code(&made), 0, "{}", said(&made));
    session
}

fn show(session: &Path) -> Value {
    json(&glassine(&["show", text(session), "--json"]))
}

fn solve(session: &Path, more: &[&str]) -> Value {
    let mut args = vec!["solve", text(session), "--json"];
    args.extend(more);
    let solved = glassine(&args);
    assert_eq!(code(&solved), 0, "{args:?}: {}", said(&solved));
    json(&solved)
}

/// Centre of the box of a frame, scan pixels.
fn middle(shown: &Value, frame: usize) -> (f64, f64) {
    let corners = shown["frames"][frame]["corners_px"].as_array().expect("corners").clone();
    let mean = |axis: usize| {
        corners.iter().map(|corner| corner[axis].as_f64().expect("a number")).sum::<f64>()
            / corners.len() as f64
    };
    (mean(0), mean(1))
}

/// Mean code of each channel in the centre of the first exported picture.
fn middle_codes(session: &Path, folder: &Path) -> [f64; 3] {
    let exported = glassine(&[
        "export",
        text(session),
        "--to",
        text(folder),
        "--render",
        "straight",
        "--space",
        "srgb",
        "--frames",
        "1",
    ]);
    assert_eq!(code(&exported), 0, "{}", said(&exported));
    let file = std::fs::read_dir(folder).expect("a folder").flatten().map(|entry| entry.path()).next();
    let picture = Scan::open(&file.expect("a picture"), &OpenOptions::default()).expect("opens");
    let (x, y) = (picture.width() / 2, picture.height() / 2);
    let part = picture.read(PixelRect::new(x - 2, y - 2, x + 3, y + 3), &CancelToken::new()).expect("reads");
    let of = |c: usize| part.data().chunks_exact(3).map(move |px| f64::from(px[c])).sum::<f64>() / 25.0;
    [of(0), of(1), of(2)]
}

#[test]
fn a_grey_point_comes_out_grey_and_settles_the_strip() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session_in(folder.path());
    let (x, y) = middle(&show(&session), 0);
    let spread = |codes: [f64; 3]| {
        let [least, most] = [f64::min, f64::max].map(|pick| codes.into_iter().reduce(pick).expect("three"));
        (most - least) / most
    };
    let before = spread(middle_codes(&session, &folder.path().join("before")));
    let solved = solve(&session, &["--grey-point", &format!("1:{x},{y}")]);
    let after = spread(middle_codes(&session, &folder.path().join("after")));
    assert!(after < 0.02 && after < before, "{before} {after}");
    let stored = show(&session);
    assert_eq!(stored["strips"][0]["confidence"], solved["strips"][0]["confidence"]);
}

#[test]
fn strips_of_one_film_share_a_balance_over_scans() {
    let folder = tempfile::tempdir().expect("a folder");
    let scans = ["harbour", "headland", "breakwater"].map(|name| {
        let spec = demo_spec(name, 150.0).expect("the demo has this strip");
        let strip = render_strip(&spec, &|_| (), &CancelToken::new()).expect("renders");
        let path = folder.path().join(format!("{name}.tif"));
        write_rgbi(&path, &strip.samples, strip.ppi, "strip", Overwrite::Never).expect("writes");
        path
    });
    let session = folder.path().join("roll.session.json");
    let mut args = vec!["new", text(&session)];
    args.extend(scans.iter().flat_map(|scan| ["--scan", text(scan)]));
    let made = glassine(&args);
    assert_eq!(code(&made), 0, "{}", said(&made));
    // The first two are the same film, the third is another.
    let neutrals = |document: &Value| {
        let strips = document["strips"].as_array().expect("strips").clone();
        strips.iter().map(|strip| strip["solve"]["neutral_log"].clone()).collect::<Vec<_>>()
    };
    let first = neutrals(&show(&session));
    assert_eq!(first.len(), 3);
    assert!(first[0].is_array() && first[0] == first[1] && first[0] != first[2], "{first:?}");
    let (x, y) = middle(&show(&session), 0);
    solve(&session, &["--grey-point", &format!("1:{x},{y}")]);
    let pointed = neutrals(&show(&session));
    assert!(pointed[0] != first[0] && pointed[0] == pointed[1] && pointed[2] == first[2], "{pointed:?}");
}

#[test]
fn balance_and_stock_are_changed_and_kept() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session_in(folder.path());
    assert_eq!(solve(&session, &["--balance", "frame", "--daylight", "2"])["strips"][0]["balance"], "frame");
    let stock = Stock {
        id: "quay".into(),
        name: "quay film".into(),
        ..default_stock(FilmKind::ColourNegative).clone()
    };
    let file = folder.path().join("quay.stock.json");
    std::fs::write(&file, stock.to_json()).expect("writes");
    let solved = solve(&session, &["--stock", text(&file)]);
    assert_eq!(
        (&solved["strips"][0]["stock"], &solved["strips"][0]["balance"]),
        (&"quay".into(), &"frame".into())
    );
    assert_eq!(show(&session)["strips"][0]["balance"], "frame");
}

#[test]
fn what_makes_no_sense_is_refused_and_changes_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let session = session_in(folder.path());
    let before = std::fs::read(&session).expect("reads");
    for (args, expected) in [
        (["--grey-point", "9:100,100"], "frame 9"),
        (["--grey-point", "1:left"], "1:left"),
        (["--grey-point", "1:1e6,10"], "outside frame 1"),
        (["--daylight", "nine"], "nine"),
        (["--balance", "roll"], "strip, group or frame"),
        (["--stock", "missing.json"], "missing.json"),
    ] {
        let mut all = vec!["solve", text(&session)];
        all.extend(args);
        let refused = glassine(&all);
        assert_eq!(code(&refused), 2, "{args:?}: {}", said(&refused));
        assert!(said(&refused).contains(expected), "{args:?}: {}", said(&refused));
    }
    assert_eq!(std::fs::read(&session).expect("reads"), before);
}

#[test]
fn a_negative_in_8_bits_is_told_how_few_tones_it_keeps() {
    let folder = tempfile::tempdir().expect("a folder");
    let scan = Scan::open(&scan_in(folder.path()), &OpenOptions::default()).expect("opens");
    let whole = PixelRect::of_size(scan.width(), scan.height());
    let samples = scan.read(whole, &CancelToken::new()).expect("reads");
    let spec = PictureSpec {
        width_px: scan.width(),
        height_px: scan.height(),
        channels: 3,
        bits: 8,
        ppi: ResolutionPpi::new(150.0),
        icc: None,
        metadata: Metadata::default(),
        format: PictureFormat::Tiff { compression: Compression::None },
        overwrite: Overwrite::Never,
    };
    let narrow = folder.path().join("narrow.tif");
    let mut writer = PictureWriter::begin(&narrow, &spec).expect("the folder is writable");
    let encode = |code: u16| (255.0 * (f64::from(code) / 65_535.0).powf(1.0 / 2.2)).round() as u8;
    let codes: Vec<u8> =
        samples.data().chunks_exact(4).flat_map(|px| [px[0], px[1], px[2]].map(encode)).collect();
    writer.write_rows_u8(&codes).expect("the rows have the right length");
    writer.finish().expect("the picture is complete");
    let make = |name: &str, scan: &Path| {
        let session = folder.path().join(name);
        said(&glassine(&["new", text(&session), "--scan", text(scan), "--format", "6x4.5"]))
    };
    assert!(make("wide.session.json", &folder.path().join("strip.tif")).find("8 bits").is_none());
    let told = make("narrow.session.json", &narrow);
    assert!(told.contains("with 8 bits the blue of this film has"), "{told}");
}
