//! Every sample layout that scanners write, made byte by byte and read back, whole and in regions.

use crate::common::{any_size, in_folder, noise, read_all};
use glassine_raster::{CancelToken, Orientation, PixelRect, RegionSource as _, ResolutionPpi};
use glassine_scanfile::{
    Encoding, Error, FourthSample, InfraredSource, OpenOptions, PlaneKind, Scan, fingerprint,
};
use glassine_testdata::tiff::{Form, Pack, Page, make_tiff};

const LITTLE: Form = Form { big_endian: false, big: false };

fn check(form: Form, page: &Page) {
    let (_folder, path) = in_folder("scan.tif", &make_tiff(form, std::slice::from_ref(page)));
    let (scan, all) = read_all(&path, &any_size()).unwrap_or_else(|e| panic!("{page:?}: {e}"));
    assert_eq!(all.data(), page.expected(), "{form:?} {}", scan.info().container);
    let mut noise = noise(9);
    for _ in 0..10 {
        let mut side = |n: usize| {
            let a = noise.below(n as u64) as u32;
            (a, a + 1 + noise.below(n as u64 - u64::from(a)) as u32)
        };
        let ((x0, x1), (y0, y1)) = (side(page.width), side(page.height));
        let rect = PixelRect::new(x0, y0, x1, y1);
        let part = scan.read_region(rect, &CancelToken::new()).expect("inside the scan");
        assert_eq!(
            part,
            all.read(rect, &CancelToken::new()).expect("in memory"),
            "{rect:?} {:?}",
            scan.info()
        );
    }
}

#[test]
fn every_packing_block_shape_and_byte_order_gives_the_same_pixels() {
    let packs = [Pack::None, Pack::Lzw, Pack::Deflate, Pack::OldDeflate, Pack::Runs];
    for (big_endian, big) in [(false, false), (true, false), (false, true), (true, true)] {
        for (samples, extra) in [(1, None), (2, Some(0)), (3, None), (4, Some(0))] {
            for pack in packs {
                for (planar, tile, predictor, bits) in [
                    (false, None, false, 16),
                    (false, None, true, 16),
                    (true, None, true, 16),
                    (false, Some((32, 16)), true, 16),
                    (true, Some((16, 32)), false, 16),
                    (false, None, true, 8),
                    (true, Some((32, 16)), true, 8),
                    (false, Some((64, 64)), false, 8),
                ] {
                    let mut page = Page::new(53, 41, samples, bits);
                    let predicts = !matches!(pack, Pack::None | Pack::Runs);
                    page = Page { planar, tile, pack, extra, predictor: predictor && predicts, ..page };
                    check(Form { big_endian, big }, &page);
                }
            }
        }
    }
}

#[test]
fn the_fourth_sample_is_infrared_whatever_its_tag_says() {
    for extra in [Some(0), Some(1), Some(2), None] {
        let page = Page { extra, ..Page::new(40, 30, 4, 16) };
        let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, std::slice::from_ref(&page)));
        let (scan, all) = read_all(&path, &any_size()).expect("readable");
        assert_eq!(scan.info().planes.last(), Some(&PlaneKind::Infrared));
        assert_eq!(scan.info().infrared, InfraredSource::ExtraSample);
        assert_eq!(scan.info().notes.len(), usize::from(extra != Some(0)), "{:?}", scan.info().notes);
        assert_eq!(all.data(), page.expected());
        let ignore = OpenOptions { fourth_sample: FourthSample::Ignore, ..any_size() };
        let (scan, all) = read_all(&path, &ignore).expect("readable");
        assert_eq!(scan.channels(), 3);
        assert_eq!(all.pixel(3, 2), &page.expected()[(2 * 40 + 3) * 4..][..3]);
    }
}

#[test]
fn a_full_opacity_plane_is_left_out_unless_the_user_says_infrared() {
    let mut page = Page { extra: Some(2), ..Page::new(40, 30, 4, 16) };
    page.codes.iter_mut().skip(3).step_by(4).for_each(|v| *v = 65_535);
    let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[page]));
    let (scan, _) = read_all(&path, &any_size()).expect("readable");
    assert_eq!((scan.channels(), scan.info().infrared), (3, InfraredSource::None));
    assert!(scan.info().notes[0].contains("65535 everywhere"), "{:?}", scan.info().notes);
    let told = OpenOptions { fourth_sample: FourthSample::Infrared, ..any_size() };
    assert_eq!(Scan::open(&path, &told).expect("readable").channels(), 4);
}

#[test]
fn a_second_grey_page_is_infrared_and_is_stretched_when_it_is_smaller() {
    let colour = Page::new(40, 30, 3, 16);
    for (w, h) in [(40, 30), (20, 15)] {
        let mut infrared = Page::new(w, h, 1, 16);
        for (i, v) in infrared.codes.iter_mut().enumerate() {
            *v = (1000 * (i % w) + 100 * (i / w)) as u16;
        }
        let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[colour.clone(), infrared.clone()]));
        let (scan, all) = read_all(&path, &any_size()).expect("readable");
        assert_eq!(scan.info().infrared, InfraredSource::SecondPage);
        assert_eq!(scan.channels(), 4);
        if w == 40 {
            assert_eq!(all.channel(3).data(), infrared.codes);
            continue;
        }
        // Column 10 of the scan has its centre at 5.25 of the plane, 4.75 from the first centre; row 7 at 3.75.
        assert_eq!(all.pixel(10, 7)[3], (1000.0 * 4.75 + 100.0 * 3.25) as u16);
        assert_eq!(all.pixel(0, 0)[3], 0);
        let rect = PixelRect::new(9, 5, 23, 17);
        let part = scan.read_region(rect, &CancelToken::new()).expect("inside");
        assert_eq!(part, all.read(rect, &CancelToken::new()).expect("in memory"));
        let plane = &scan.info().notes;
        assert!(plane.iter().any(|n| n.contains("20 x 15 px")), "{plane:?}");
    }
}

#[test]
fn a_separate_infrared_file_is_joined_and_a_foreign_one_is_refused() {
    let form = LITTLE;
    let (folder, path) = in_folder("scan.tif", &make_tiff(form, &[Page::new(40, 30, 3, 16)]));
    let infrared = Page::new(40, 30, 1, 16);
    let side = folder.path().join("scan-ir.tif");
    std::fs::write(&side, make_tiff(form, std::slice::from_ref(&infrared))).expect("written");
    let options = OpenOptions { infrared_file: Some(side.clone()), ..any_size() };
    let (scan, all) = read_all(&path, &options).expect("readable");
    assert_eq!(scan.info().infrared, InfraredSource::SeparateFile);
    assert_eq!(all.channel(3).data(), infrared.codes);
    for foreign in [Page::new(40, 30, 3, 16), Page::new(40, 90, 1, 16)] {
        std::fs::write(&side, make_tiff(form, &[foreign])).expect("written");
        assert!(matches!(Scan::open(&path, &options), Err(Error::Unsupported { .. })));
    }
}

#[test]
fn white_is_zero_counts_down_and_leaves_infrared_alone() {
    for planar in [false, true] {
        for pack in [Pack::None, Pack::Deflate] {
            let page = Page { photometric: 0, extra: Some(0), planar, pack, ..Page::new(30, 20, 2, 16) };
            let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, std::slice::from_ref(&page)));
            let (_, all) = read_all(&path, &any_size()).expect("readable");
            for (got, put) in all.data().chunks(2).zip(page.codes.chunks(2)) {
                assert_eq!(got, [65_535 - put[0], put[1]]);
            }
        }
    }
}

#[test]
fn resolution_orientation_and_encoding_come_from_the_tags() {
    let rational = |tag, n: u32, d: u32| (tag, 5, 1, [n.to_le_bytes(), d.to_le_bytes()].concat());
    let short = |tag, v: u16| (tag, 3, 1, v.to_le_bytes().to_vec());
    let mut page = Page::new(20, 10, 3, 16);
    page.more = vec![rational(282, 9449, 10), rational(283, 9449, 10), short(296, 3), short(274, 6)];
    let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, std::slice::from_ref(&page)));
    let scan = Scan::open(&path, &any_size()).expect("readable");
    let [x, y] = scan.info().ppi.expect("resolution is there").map(ResolutionPpi::ppi);
    assert!((x - 2400.046).abs() < 1e-3 && x == y, "{x}");
    assert_eq!(scan.info().orientation, Orientation::new(1, false));
    assert_eq!(scan.info().encoding, Encoding::Linear);
    page.more = vec![rational(282, 0, 0), rational(283, 1, 0), short(296, 2), short(274, 77)];
    let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[page]));
    let scan = Scan::open(&path, &any_size()).expect("readable");
    assert_eq!((scan.info().ppi, scan.info().orientation), (None, Orientation::default()));
    let eight = Page::new(20, 10, 1, 8);
    let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[eight]));
    let scan = Scan::open(&path, &any_size()).expect("readable");
    assert_eq!(scan.info().encoding, Encoding::Srgb);
    let told = OpenOptions { encoding: Some(Encoding::Gamma(2.0)), ..any_size() };
    let light = Scan::open(&path, &told).expect("readable").linearisation();
    assert!((light.light(0, 32_768) - 0.25).abs() < 1e-4);
}

#[test]
fn reading_leaves_the_file_as_it_was() {
    let page = Page { pack: Pack::Lzw, ..Page::new(60, 50, 4, 16) };
    let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[page]));
    let look = || {
        let print = fingerprint(&path, &CancelToken::new(), &|_| {}).expect("readable");
        (print, std::fs::metadata(&path).and_then(|m| m.modified()).expect("has a time"))
    };
    let before = look();
    read_all(&path, &any_size()).expect("readable");
    assert_eq!(look(), before);
}

#[test]
fn an_open_scan_can_be_shared_between_threads() {
    fn shared<T: Send + Sync>(_: &T) {}
    let page = Page { pack: Pack::Deflate, predictor: true, rows: 3, ..Page::new(90, 80, 3, 16) };
    let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, std::slice::from_ref(&page)));
    // A cache that holds little more than one strip, so that blocks come and go while others read.
    let options = OpenOptions { cache_bytes: 2000, ..any_size() };
    let scan = Scan::open(&path, &options).expect("readable");
    shared(&scan);
    std::thread::scope(|threads| {
        for k in 0..4_u32 {
            let (scan, page) = (&scan, &page);
            threads.spawn(move || {
                for round in 0..40 {
                    let y = (round * 7 + k * 13) % 70;
                    let rect = PixelRect::new(0, y, 90, y + 10);
                    let part = scan.read(rect, &CancelToken::new()).expect("inside");
                    assert_eq!(part.data(), &page.codes[y as usize * 270..][..2700]);
                }
            });
        }
    });
}

#[test]
fn a_region_outside_or_empty_gives_no_pixels() {
    let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[Page::new(20, 10, 3, 16)]));
    let scan = Scan::open(&path, &any_size()).expect("readable");
    for rect in [PixelRect::new(5, 5, 5, 9), PixelRect::new(20, 0, 40, 10), PixelRect::new(3, 30, 9, 40)] {
        let none = scan.read(rect, &CancelToken::new()).expect("nothing to read");
        assert!(none.data().is_empty());
    }
}
