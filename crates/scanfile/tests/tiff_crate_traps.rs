//! Behaviours of the `tiff` crate that would lose or corrupt a scan, which is why this crate reads TIFF and packs strips
//! itself. A test that fails one day only shows that the `tiff` crate has changed.

use std::io::Cursor;

use crate::common::{any_size, in_folder, read_all};
use glassine_testdata::tiff::{Form, Pack, Page, make_tiff};
use tiff::ColorType;
use tiff::decoder::{Decoder, DecodingResult};
use tiff::encoder::{TiffEncoder, colortype};

const LITTLE: Form = Form { big_endian: false, big: false };

fn crate_pixels(bytes: &[u8]) -> (ColorType, Vec<u16>) {
    let mut decoder = Decoder::new(Cursor::new(bytes)).expect("a TIFF");
    let kind = decoder.colortype().expect("a colour type");
    match decoder.read_image().expect("readable") {
        DecodingResult::U16(v) => (kind, v),
        _ => panic!("unexpected kind of sample"),
    }
}

#[test]
fn the_crate_drops_an_infrared_sample_with_the_honest_tag() {
    let page = Page { extra: Some(0), ..Page::new(20, 10, 4, 16) };
    let bytes = make_tiff(LITTLE, std::slice::from_ref(&page));
    let (kind, pixels) = crate_pixels(&bytes);
    assert_eq!(kind, ColorType::RGB(16));
    assert_ne!(pixels, page.codes);
    let (_folder, path) = in_folder("scan.tif", &bytes);
    let (_, all) = read_all(&path, &any_size()).expect("readable");
    assert_eq!(all.data(), page.codes);
}

#[test]
fn the_crate_garbles_colour_beside_an_infrared_sample_under_a_predictor() {
    let page = Page { extra: Some(0), pack: Pack::Deflate, predictor: true, ..Page::new(20, 10, 4, 16) };
    let bytes = make_tiff(LITTLE, std::slice::from_ref(&page));
    let (_, pixels) = crate_pixels(&bytes);
    let colour: Vec<u16> = page.codes.chunks(4).flat_map(|px| [px[0], px[1], px[2]]).collect();
    assert!(pixels != colour && pixels != page.codes);
    let (_folder, path) = in_folder("scan.tif", &bytes);
    let (_, all) = read_all(&path, &any_size()).expect("readable");
    assert_eq!(all.data(), page.codes);
}

#[test]
fn the_crate_writes_raw_strips_under_a_compression_tag_when_streaming() {
    let mut file = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut file)
        .expect("memory")
        .with_compression(tiff::encoder::Compression::Deflate(tiff::encoder::DeflateLevel::Fast));
    let mut image = encoder.new_image::<colortype::Gray16>(8, 4).expect("memory");
    image.rows_per_strip(4).expect("before the first strip");
    image.write_strip(&[7; 32]).expect("memory");
    image.finish().expect("memory");
    let (_folder, path) = in_folder("picture.tif", file.get_ref());
    assert!(read_all(&path, &any_size()).is_err(), "the strip is really packed now");
}

#[test]
fn the_crate_differences_four_samples_with_the_stride_of_three() {
    let page = Page::new(12, 6, 4, 16);
    let mut file = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut file)
        .expect("memory")
        .with_compression(tiff::encoder::Compression::Deflate(tiff::encoder::DeflateLevel::Fast))
        .with_predictor(tiff::tags::Predictor::Horizontal);
    let mut image = encoder.new_image::<colortype::RGB16>(12, 6).expect("memory");
    image.extra_samples(&[tiff::tags::ExtraSamples::Unspecified]).expect("before the data");
    image.write_data(&page.codes).expect("memory");
    let (_folder, path) = in_folder("picture.tif", file.get_ref());
    let (_, all) = read_all(&path, &any_size()).expect("readable");
    assert_ne!(all.data(), page.codes);
}

#[test]
fn the_crate_refuses_a_whole_file_for_a_circle_in_its_page_list() {
    let mut bytes = make_tiff(LITTLE, &[Page::new(12, 6, 3, 16)]);
    let first = u32::from_le_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]);
    let at = bytes.len() - 4;
    bytes[at..].copy_from_slice(&first.to_le_bytes());
    assert!(Decoder::new(Cursor::new(&bytes)).is_err());
    let (_folder, path) = in_folder("scan.tif", &bytes);
    let (scan, _) = read_all(&path, &any_size()).expect("the first page is sound");
    assert!(scan.info().notes.iter().any(|n| n.contains("page list loops")), "{:?}", scan.info().notes);
}

#[test]
fn the_crate_writes_a_directory_that_was_only_dropped_and_at_an_odd_position() {
    let mut file = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut file).expect("memory");
    let mut page = encoder.image_directory().expect("memory");
    page.write_data(1_u8).expect("memory");
    drop(page);
    let bytes = file.into_inner();
    assert_eq!(u32::from_ne_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]), 9);
    assert_eq!(bytes.len(), 9 + 2 + 4);
}

#[test]
fn the_crate_refuses_text_beyond_ascii() {
    let mut file = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut file).expect("memory");
    let mut page = encoder.image_directory().expect("memory");
    assert!(page.write_tag(tiff::tags::Tag::Artist, "Ö").is_err());
}
