//! Codes along the film edge of the strips of an independent simulator, as scanned, mirrored and turned.

use glassine_layout::{
    CodedStrip, EdgeCodes, FilmTone, FindOptions, Overview, find, format_by_id, read_edge_codes,
};
use glassine_raster::{CancelToken, PixelRect, RegionSource as _, Samples16, TiltedBox, box_reduce};
use glassine_scanfile::{OpenOptions, Scan};
use glassine_tests::say;
use serde_json::Value;

/// Strip and its codes, with the boxes of its pictures.
struct Read {
    codes: EdgeCodes,
    pictures: Vec<TiltedBox>,
    area: TiltedBox,
    px_per_mm: f64,
}

fn read(samples: &Samples16, ppi: f64) -> Read {
    let factor = samples.width().max(samples.height()).div_ceil(1800);
    let small = box_reduce(samples, factor);
    let overview = Overview {
        samples: &small,
        colour_channels: 3,
        factor,
        scan_width_px: samples.width(),
        scan_height_px: samples.height(),
    };
    let options = FindOptions {
        tone: FilmTone::Negative,
        format: format_by_id("135"),
        ppi: Some(ppi),
        ..FindOptions::default()
    };
    let cancel = CancelToken::new();
    let found = find(&overview, Some(samples), &options, &cancel, &|_| ()).expect("in memory");
    let strip = &found.strips[0];
    let px_per_mm = ppi / 25.4;
    let coded = CodedStrip {
        film_area: &strip.film_area,
        axis: strip.axis,
        tone: strip.tone,
        px_per_mm,
        colour_channels: 3,
    };
    let start = std::time::Instant::now();
    let codes = read_edge_codes(samples, &coded, &cancel).expect("in memory");
    say(&format!("{:?} {:?} {} turned {} mirrored {} conf {}", start.elapsed(), codes.film_code, codes.codes.len(), codes.is_turned, codes.is_mirrored, codes.confidence));
    for c in &codes.codes { say(&format!("{c:?}")); }
    let pictures = strip.frames.iter().map(|frame| frame.image_area).collect();
    Read { codes, pictures, area: strip.film_area, px_per_mm }
}

fn check(name: &str) {
    let Some(folder) = glassine_testdata::practice(name) else { return };
    let text = std::fs::read_to_string(folder.join("truth.json")).expect("truth is there");
    let truth: Value = serde_json::from_str(&text).expect("truth is JSON");
    let scan = Scan::open(&folder.join("scan.tif"), &OpenOptions::default()).expect("opens");
    let samples = scan.read(PixelRect::of_size(scan.width(), scan.height()), &CancelToken::new()).expect("reads");
    let read = read(&samples, truth["ppi"].as_f64().expect("ppi"));
    let numbers: Vec<String> = read.pictures.iter().map(|p| {
        let at = read.area.unit_from_scan(p.center);
        let along_mm = at.x * read.area.width_px / read.px_per_mm;
        read.codes.number_at(along_mm).map_or("none".into(), |n| format!("{n} {:.2} {}", n.distance_mm, n.is_sure))
    }).collect();
    say(&format!("{numbers:?} {:?}", truth["frames"].as_array().expect("frames").iter().map(|f| f["number"].clone()).collect::<Vec<_>>()));
}

#[test]
fn try_practice() {
    check("practice_135_coded");
    check("practice_135_coded_mirrored");
}
