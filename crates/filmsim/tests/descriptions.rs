//! Descriptions of strips and stocks: what a person wrote is drawn, or the message says what is wrong and what to do.

use std::path::{Path, PathBuf};

use glassine_filmsim::{FilmStock, Light, StripDescription, demo_stock, demo_strips, render_strip};
use glassine_raster::CancelToken;
use serde_json::{Value, json};

fn demo_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-sessions")
}

fn json_of(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).expect("a description")).expect("JSON")
}

/// The description of the strip "islands", changed.
fn read_changed(change: impl FnOnce(&mut Value)) -> Result<StripDescription, String> {
    let mut value = json_of(&demo_folder().join("islands.json"));
    change(&mut value);
    read_text(&value.to_string())
}

fn read_text(text: &str) -> Result<StripDescription, String> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("mine.json");
    std::fs::write(&path, text).expect("written");
    StripDescription::read(&path).map_err(|error| error.to_string())
}

/// Checks that a message names the file and contains all these words.
fn assert_says(result: Result<StripDescription, String>, words: &[&str]) {
    let message = result.expect_err("the description is refused");
    assert!(message.contains(".json: "), "{message}");
    for word in words {
        assert!(message.contains(word), "{word:?} is missing in: {message}");
    }
}

#[test]
fn the_files_in_the_checkout_are_the_bundled_strips() {
    for strip in demo_strips() {
        let path = demo_folder().join(format!("{}.json", strip.id));
        assert_eq!(StripDescription::read(&path).expect("it is read"), *strip);
    }
}

#[test]
fn a_copied_strip_with_a_stock_of_ones_own_is_drawn() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::create_dir(folder.path().join("stocks")).expect("a folder");
    let mut stock = json_of(&demo_folder().join("stocks/lantern-200.json"));
    stock["support"]["density_d"]["level"] = json!(0.4);
    std::fs::write(folder.path().join("stocks/dense.json"), stock.to_string()).expect("written");
    let mut strip = json_of(&demo_folder().join("headland.json"));
    strip["stock"] = json!("dense");
    strip["frames"][0]["light"] = json!({ "kelvin": 2856 });
    let path = folder.path().join("mine.json");
    std::fs::write(&path, strip.to_string()).expect("written");

    let mine = StripDescription::read(&path).expect("it is read").at_ppi(60.0);
    assert_eq!((mine.id.as_str(), mine.process.film_kind_key()), ("mine", "colour-negative"));
    let base =
        |spec| render_strip(&spec, &|_| (), &CancelToken::new()).expect("it renders").truth.base_density;
    let mut plain = mine.spec();
    plain.stock = demo_stock("lantern-200").expect("a stock of the demo");
    for (dense, plain) in base(mine.spec()).into_iter().zip(base(plain)).take(3) {
        assert!((dense - plain - 0.21).abs() < 0.02, "{dense} {plain}");
    }
    assert_eq!(mine.spec().frames[0].light, Light { kelvin: 2856.0, green_line: 0.0 });
}

#[test]
fn warm_light_reddens_the_frame_it_falls_on() {
    let strip = demo_strips()[0].clone().at_ppi(60.0);
    let mean = |spec| {
        let drawn = render_strip(&spec, &|_| (), &CancelToken::new()).expect("it renders");
        let p = drawn.truth.frames[3].area.center;
        drawn.samples.pixel(p.x as u32, p.y as u32 - 20).to_vec()
    };
    let daylight = mean(strip.spec());
    let mut spec = strip.spec();
    spec.frames[3].light = Light { kelvin: 2856.0, green_line: 0.0 };
    let lamps = mean(spec);
    // More red light makes the red layer denser, less blue light the blue one thinner.
    assert!(lamps[0] < daylight[0] && lamps[2] > daylight[2], "{daylight:?} {lamps:?}");
}

#[test]
fn a_wrong_key_or_value_is_named_with_its_place() {
    assert_says(
        read_changed(|strip| strip["frames"][2]["stop"] = json!(1)),
        &["frames[2]", "unknown field `stop`", "`stops`", "README.md"],
    );
    assert_says(
        read_changed(|strip| strip["frames"][1]["scene"] = json!("castle")),
        &["frames[1].scene", "unknown variant `castle`", "`harbour-noon`"],
    );
    assert_says(read_changed(|strip| strip["ppi"] = json!("many")), &["ppi", "invalid type", "README.md"]);
    let removed = read_changed(|strip| drop(strip.as_object_mut().map(|keys| keys.remove("film_mm"))));
    assert_says(removed, &["missing field `film_mm`", "README.md"]);
}

#[test]
fn broken_json_is_told_with_line_and_column() {
    assert_says(read_text("{\n  \"title\": \"A\"\n  \"about\": \"\"\n}"), &["line 3, column", "comma"]);
    assert_says(read_text(""), &["line 1", "bracket"]);
    let twice = std::fs::read_to_string(demo_folder().join("islands.json")).expect("a description").repeat(2);
    assert_says(read_text(&twice), &["line", "surplus"]);
}

#[test]
fn impossible_figures_are_told_with_their_limits() {
    let frame = |key: &'static str, value: Value| read_changed(move |strip| strip["frames"][0][key] = value);
    assert_says(frame("size_mm", json!([36, 0])), &["frames[0].size_mm[1]", "0 mm", "from 1 to 600 mm"]);
    assert_says(frame("center_mm", json!([100, 0])), &["frames[0].center_mm[0]", "from -77 to 77 mm"]);
    assert_says(frame("quarter_turns", json!(4)), &["frames[0].quarter_turns", "from 0 to 3"]);
    assert_says(frame("light", json!({ "kelvin": 20 })), &["frames[0].light.kelvin", "from 1000"]);
    assert_says(read_changed(|strip| strip["ppi"] = json!(0)), &["ppi", "from 20 to 10000"]);
    assert_says(read_changed(|strip| strip["dirt"]["specks"] = json!(4_000_000)), &["dirt.specks"]);
    let veil = read_changed(|strip| strip["scanner"] = json!({ "veil_frac": 3 }));
    assert_says(veil, &["scanner.veil_frac", "from 0 to 1"]);
    for name in ["", "../up.tif", "a/b.tif", "..", "scan.png"] {
        assert_says(read_changed(|strip| strip["scan_file"] = json!(name)), &["scan_file", "ends in .tif"]);
    }
}

#[test]
fn a_missing_stock_or_file_is_told() {
    let unknown = read_changed(|strip| strip["stock"] = json!("sepia"));
    assert_says(unknown, &["stock", "\"sepia\"", "lantern-200, fathom-400, meridian-50", "stocks/NAME.json"]);
    let error = StripDescription::read(Path::new("/nowhere/mine.json")).expect_err("there is no file");
    assert!(error.to_string().contains("/nowhere/mine.json"), "{error}");
}

#[test]
fn a_bad_stock_is_told_with_its_own_file() {
    let read_with = |change: &dyn Fn(&mut Value)| {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::create_dir(folder.path().join("stocks")).expect("a folder");
        let mut stock = json_of(&demo_folder().join("stocks/lantern-200.json"));
        change(&mut stock);
        std::fs::write(folder.path().join("stocks/lantern-200.json"), stock.to_string()).expect("written");
        std::fs::copy(demo_folder().join("harbour.json"), folder.path().join("mine.json")).expect("copied");
        StripDescription::read(&folder.path().join("mine.json")).map_err(|error| error.to_string())
    };
    let unchanged = read_with(&|_| ()).expect("it is read").spec().stock;
    assert!(matches!(unchanged, FilmStock::Described(_)) && Some(unchanged) == demo_stock("lantern-200"));
    assert_says(
        read_with(&|stock| stock["layers"][1]["crystals"]["sizes"] = json!(0)),
        &["stocks/lantern-200.json", "layers[1].crystals.sizes", "from 1 to 50"],
    );
    assert_says(
        read_with(&|stock| stock["layers"][0]["sensitivity"] = json!({})),
        &["layers[0].sensitivity", "sees no light", "give it"],
    );
    assert_says(read_with(&|stock| stock["edge_print"] = json!("Quay")), &["edge_print", "'Q'", "ADEF"]);
    assert_says(read_with(&|stock| stock["layers"] = json!([])), &["layers", "invalid length 0"]);
    let lobe = |stock: &mut Value| stock["support"]["density_d"]["lobes"][0]["short_nm"] = json!(0);
    assert_says(read_with(&lobe), &["support.density_d.lobes[0].short_nm", "0 nm"]);
}
