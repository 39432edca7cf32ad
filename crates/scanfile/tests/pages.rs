//! Which page of a TIFF is opened, and which one is taken as infrared.

use crate::common::{any_size, in_folder, read_all};
use glassine_raster::{RegionSource as _, ResolutionPpi};
use glassine_scanfile::{Error, InfraredSource, OpenOptions, Scan};
use glassine_testdata::tiff::{Form, Page, make_tiff};

const LITTLE: Form = Form { big_endian: false, big: false };

fn page(width: usize, height: usize, samples: usize) -> Page {
    Page::new(width, height, samples, 16)
}

fn marked(page: Page, tag: u16, value: u8) -> Page {
    Page { more: vec![(tag, 3, 1, vec![value, 0])], ..page }
}

/// Make the second page of a little-endian file a picture inside the first, which must have tag 330.
fn nest(bytes: &mut [u8]) {
    let u16_at = |bytes: &[u8], at: usize| usize::from(u16::from_le_bytes([bytes[at], bytes[at + 1]]));
    let first = u32::from_le_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]) as usize;
    let entries = u16_at(bytes, first);
    let next = first + 2 + 12 * entries;
    let inner: [u8; 4] = bytes[next..next + 4].try_into().expect("four bytes");
    bytes[next..next + 4].fill(0);
    let entry = (0..entries).map(|i| first + 2 + 12 * i).find(|at| u16_at(bytes, *at) == 330);
    let value = entry.expect("the tag is there") + 8;
    bytes[value..value + 4].copy_from_slice(&inner);
}

fn opened(bytes: &[u8], options: &OpenOptions) -> (Scan, glassine_raster::Samples16) {
    let (_folder, path) = in_folder("scan.tif", bytes);
    read_all(&path, options).expect("readable")
}

#[test]
fn a_colour_page_wins_over_a_grey_one_before_it_which_becomes_its_infrared() {
    let (grey, colour) = (page(40, 30, 1), page(40, 30, 3));
    let (scan, all) = opened(&make_tiff(LITTLE, &[grey.clone(), colour.clone()]), &any_size());
    assert_eq!((scan.info().page, scan.channels()), (2, 4));
    assert_eq!(all.channel(3).data(), grey.codes);
    assert_eq!(all.first_channels(3).data(), colour.codes);
    let notes = scan.info().notes.join("; ");
    assert!(notes.contains("page 2 (40 x 30 px, colour)") && notes.contains("page 1"), "{notes}");
}

#[test]
fn infrared_is_a_page_of_the_same_size_and_never_a_thumbnail() {
    let (colour, thumb, infrared) = (page(40, 30, 3), page(8, 6, 1), page(40, 30, 1));
    let (scan, all) =
        opened(&make_tiff(LITTLE, &[colour.clone(), thumb.clone(), infrared.clone()]), &any_size());
    assert_eq!(scan.info().infrared, InfraredSource::SecondPage);
    assert_eq!(all.channel(3).data(), infrared.codes);
    assert!(scan.info().notes.iter().any(|n| n.contains("left out: page 2 (8 x 6 px")), "{:?}", scan.info());
    let half = page(20, 15, 1);
    let (scan, all) = opened(&make_tiff(LITTLE, &[colour.clone(), half, infrared.clone()]), &any_size());
    assert_eq!(scan.info().infrared, InfraredSource::SecondPage);
    assert_eq!(all.channel(3).data(), infrared.codes, "the exact size wins over a smaller one before it");
    let (scan, _) = opened(&make_tiff(LITTLE, &[colour, thumb]), &any_size());
    assert_eq!(scan.info().infrared, InfraredSource::None);
}

#[test]
fn a_thumbnail_in_front_is_not_taken_as_the_scan() {
    let (thumb, full) = (page(8, 6, 3), page(40, 30, 3));
    let cases = [thumb.clone(), marked(thumb.clone(), 255, 2), marked(thumb, 254, 1)];
    for front in cases {
        let (scan, all) = opened(&make_tiff(LITTLE, &[front, full.clone()]), &any_size());
        assert_eq!((scan.info().page, all.data()), (2, full.codes.as_slice()));
    }
}

#[test]
fn pictures_inside_a_page_are_looked_at() {
    let full = page(40, 30, 3);
    let link = (330, 4, 1, vec![0; 4]);
    let mut front = marked(page(8, 6, 3), 254, 1);
    front.more.push(link.clone());
    let mut bytes = make_tiff(LITTLE, &[front, full.clone()]);
    nest(&mut bytes);
    let (scan, all) = opened(&bytes, &any_size());
    assert_eq!((scan.info().page, all.data()), (2, full.codes.as_slice()));
    assert!(scan.info().notes.iter().any(|n| n.contains("inside page 1")), "{:?}", scan.info().notes);

    let infrared = page(40, 30, 1);
    let front = Page { more: vec![link], ..full };
    let mut bytes = make_tiff(LITTLE, &[front, infrared.clone()]);
    nest(&mut bytes);
    let (scan, all) = opened(&bytes, &any_size());
    assert_eq!(scan.info().infrared, InfraredSource::SecondPage);
    assert_eq!(all.channel(3).data(), infrared.codes);
}

#[test]
fn a_page_that_is_asked_for_is_opened_and_an_impossible_one_is_refused_with_a_list() {
    let bytes = make_tiff(LITTLE, &[page(40, 30, 3), page(16, 12, 3)]);
    let (scan, _) = opened(&bytes, &OpenOptions { page: Some(2), ..any_size() });
    assert_eq!((scan.info().page, scan.width()), (2, 16));
    let (_folder, path) = in_folder("scan.tif", &bytes);
    for wrong in [0, 3, u32::MAX] {
        match Scan::open(&path, &OpenOptions { page: Some(wrong), ..any_size() }) {
            Err(Error::Unsupported { hint, .. }) => {
                assert!(hint.contains("page 1 (40 x 30 px, colour), page 2 (16 x 12 px, colour)"), "{hint}");
            }
            other => panic!("page {wrong}: {other:?}"),
        }
    }
}

#[test]
fn uneven_resolution_is_kept_and_told() {
    let rational = |n: u32| [n.to_le_bytes(), 1_u32.to_le_bytes()].concat();
    let uneven =
        Page { more: vec![(282, 5, 1, rational(2400)), (283, 5, 1, rational(1200))], ..page(40, 30, 3) };
    let (scan, _) = opened(&make_tiff(LITTLE, &[uneven]), &any_size());
    assert_eq!(scan.info().ppi.expect("stated").map(ResolutionPpi::ppi), [2400.0, 1200.0]);
    let notes = scan.info().notes.join("; ");
    assert!(notes.contains("2400 ppi across and 1200 ppi down"), "{notes}");
}
