//! PNG and JPEG scans: opacity, palettes, stated encodings, orientation, and what is refused.

use std::path::Path;

use crate::common::{any_size, in_folder, read_all};
use glassine_raster::{Orientation, RegionSource as _, Samples16};
use glassine_scanfile::{Encoding, Error, FourthSample, InfraredSource, OpenOptions, PlaneKind, Scan};
use glassine_testdata::tiff::{Pack, pack};
use image::{ExtendedColorType, ImageEncoder as _};

fn png(kind: ExtendedColorType, width: u32, height: u32, bytes: &[u8]) -> Vec<u8> {
    let mut file = Vec::new();
    image::codecs::png::PngEncoder::new(&mut file)
        .write_image(bytes, width, height, kind)
        .expect("sound pixels");
    file
}

/// Put a chunk right after the header of a PNG.
fn with_chunk(png: &[u8], kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let mut crc = flate2::Crc::new();
    crc.update(kind);
    crc.update(body);
    let chunk = [&(body.len() as u32).to_be_bytes()[..], kind, body, &crc.sum().to_be_bytes()].concat();
    [&png[..33], &chunk, &png[33..]].concat()
}

#[test]
fn sixteen_bit_png_codes_come_back_exactly_and_opacity_is_left_out_with_a_note() {
    let codes: Vec<u16> = (0..6 * 5 * 4).map(|i| (i * 541) as u16).collect();
    let bytes: Vec<u8> = codes.iter().flat_map(|v| v.to_ne_bytes()).collect();
    let (_folder, path) = in_folder("scan.png", &png(ExtendedColorType::Rgba16, 6, 5, &bytes));
    let (scan, all) = read_all(&path, &any_size()).expect("readable");
    assert_eq!((scan.channels(), scan.info().infrared), (3, InfraredSource::None));
    assert_eq!(all.pixel(2, 1), &codes[(6 + 2) * 4..][..3]);
    assert!(scan.info().notes.iter().any(|n| n.contains("opacity")), "{:?}", scan.info().notes);
    let told = OpenOptions { fourth_sample: FourthSample::Infrared, ..any_size() };
    let (scan, all) = read_all(&path, &told).expect("readable");
    assert_eq!(scan.info().planes.last(), Some(&PlaneKind::Infrared));
    assert_eq!(all.data(), codes);
}

#[test]
fn a_png_says_how_its_codes_relate_to_light() {
    let plain = png(ExtendedColorType::L8, 2, 1, &[0, 128]);
    for (kind, body, encoding) in [
        (b"sRGB", vec![0], Encoding::Srgb),
        (b"gAMA", 100_000_u32.to_be_bytes().to_vec(), Encoding::Linear),
        (b"gAMA", 45_455_u32.to_be_bytes().to_vec(), Encoding::Srgb),
        (b"gAMA", 50_000_u32.to_be_bytes().to_vec(), Encoding::Gamma(2.0)),
    ] {
        let (_folder, path) = in_folder("scan.png", &with_chunk(&plain, kind, &body));
        let scan = Scan::open(&path, &any_size()).expect("readable");
        assert_eq!(scan.info().encoding, encoding);
        assert!(scan.info().notes.is_empty(), "{:?}", scan.info().notes);
    }
    let (_folder, path) = in_folder("scan.png", &plain);
    let scan = Scan::open(&path, &any_size()).expect("readable");
    assert_eq!((scan.info().encoding, scan.info().notes.len()), (Encoding::Srgb, 1));
}

#[test]
fn a_palette_png_is_expanded() {
    // 2 x 1 pixels, indices 1 and 0, colours (10, 20, 30) and (200, 100, 50), one zlib stored block.
    let mut file = b"\x89PNG\r\n\x1a\n\0\0\0\x0dIHDR\0\0\0\x02\0\0\0\x01\x08\x03\0\0\0".to_vec();
    let mut crc = flate2::Crc::new();
    crc.update(&file[12..]);
    file.extend(crc.sum().to_be_bytes());
    let packed = pack(Pack::Deflate, &[0, 1, 0]);
    for (kind, body) in [(b"IEND", &[][..]), (b"IDAT", &packed), (b"PLTE", &[10, 20, 30, 200, 100, 50])] {
        file = with_chunk(&file, kind, body);
    }
    let (_folder, path) = in_folder("scan.png", &file);
    let (scan, all) = read_all(&path, &any_size()).expect("readable");
    let wanted: Vec<u16> = [200, 100, 50, 10, 20, 30].iter().map(|v| v * 257).collect();
    assert_eq!(all.data(), wanted);
    assert!(scan.info().container.contains("palette"));
}

/// Brightness on a coarse grid of the picture as displayed after `turn`.
fn seen_grid(all: &Samples16, turn: Orientation) -> Vec<f64> {
    (0..12 * 16)
        .map(|i| {
            let (u, v) = ((f64::from(i % 12) + 0.5) / 12.0, (f64::from(i / 12) + 0.5) / 16.0);
            let (bu, bv) = turn.box_from_upright(u, v);
            let x = (bu * f64::from(all.width())) as u32;
            let y = (bv * f64::from(all.height())) as u32;
            all.pixel(x, y).iter().map(|c| f64::from(*c)).sum::<f64>() / 3.0 / 257.0
        })
        .collect()
}

#[test]
fn the_orientation_that_a_file_tells_is_the_one_that_shows_the_portrait_upright() {
    let Some(samples) = glassine_testdata::folder("orientation-samples") else { return };
    let open = |n: u32| {
        let path = samples.join(format!("portrait_{n}.jpg"));
        read_all(&path, &any_size()).expect("readable")
    };
    let (first, pixels) = open(1);
    assert_eq!(first.info().orientation, Orientation::default());
    let upright = seen_grid(&pixels, Orientation::default());
    for n in 2..=8 {
        let (scan, all) = open(n);
        let told = scan.info().orientation;
        assert_eq!(told.swaps_sides(), all.width() > all.height(), "{n}");
        let difference = |turn: Orientation| -> f64 {
            seen_grid(&all, turn).iter().zip(&upright).map(|(a, b)| (a - b).abs()).sum()
        };
        let every = (0..8).map(|k| Orientation::new(k % 4, k >= 4));
        let best = every.min_by(|a, b| difference(*a).total_cmp(&difference(*b)));
        assert_eq!(best, Some(told), "{n}");
    }
}

#[test]
fn a_cmyk_jpeg_and_a_png_bomb_are_refused() {
    let mut cmyk = vec![0xFF, 0xD8, 0xFF, 0xEE, 0, 14];
    cmyk.extend(b"Adobe\0\x64\0\0\0\0\x02");
    cmyk.extend([
        0xFF, 0xC0, 0, 20, 8, 0, 8, 0, 8, 4, 1, 0x11, 0, 2, 0x11, 0, 3, 0x11, 0, 4, 0x11, 0, 0xFF, 0xDA,
    ]);
    let (_folder, path) = in_folder("scan.jpg", &cmyk);
    match Scan::open(&path, &any_size()) {
        Err(Error::Unsupported { found, .. }) => assert!(found.contains("CMYK"), "{found}"),
        other => panic!("{other:?}"),
    }
    let mut bomb = png(ExtendedColorType::L8, 2, 1, &[0, 128]);
    bomb[16..20].copy_from_slice(&60_000_u32.to_be_bytes());
    bomb[20..24].copy_from_slice(&60_000_u32.to_be_bytes());
    let mut crc = flate2::Crc::new();
    crc.update(&bomb[12..29]);
    let sum = crc.sum().to_be_bytes();
    bomb[29..33].copy_from_slice(&sum);
    let (_folder, path) = in_folder("scan.png", &bomb);
    let error = Scan::open(&path, &any_size()).expect_err("too little data for its size");
    assert!(matches!(error, Error::Malformed { .. }), "{error}");
    assert!(!error.hint().is_empty());
}

#[test]
fn the_kind_of_file_comes_from_its_bytes_and_not_from_its_name() {
    let (_folder, path) = in_folder("scan.tif", &png(ExtendedColorType::L8, 2, 1, &[0, 128]));
    let scan = Scan::open(Path::new(&path), &any_size()).expect("readable");
    assert!(scan.info().container.starts_with("PNG"));
}
