//! Overviews: exact, the same for every layout of a scan in its file, and independent of threads.

use crate::common::{any_size, in_folder, read_all};
use glassine_raster::{CancelToken, RegionSource as _, Samples16, box_reduce};
use glassine_scanfile::{Error, Scan, overview_factor};
use glassine_testdata::tiff::{Form, Pack, Page, make_tiff};

const LITTLE: Form = Form { big_endian: false, big: false };

fn reduced(scan: &Scan, factor: u32) -> Result<Samples16, Error> {
    scan.reduced(factor, None, &CancelToken::new(), &|_| {})
}

/// Separate planes, size of tiles, rows of a strip.
type Shape = (bool, Option<(usize, usize)>, usize);

fn shapes() -> Vec<Shape> {
    vec![
        (false, None, 7),
        (false, None, 1),
        (false, None, 500),
        (true, None, 7),
        (true, None, 500),
        (false, Some((32, 16)), 7),
        (true, Some((16, 32)), 7),
        (false, Some((256, 256)), 7),
    ]
}

#[test]
fn an_overview_is_that_of_the_pixels_for_every_packing_shape_and_byte_order() {
    for (big_endian, big) in [(false, false), (true, false), (false, true), (true, true)] {
        for (samples, extra, photometric) in [(1, None, 0), (2, Some(0), 1), (3, None, 2), (4, Some(0), 2)] {
            for pack in [Pack::None, Pack::Lzw, Pack::Deflate, Pack::Runs] {
                for ((planar, tile, rows), bits) in shapes().into_iter().flat_map(|s| [(s, 16), (s, 8)]) {
                    let predictor = matches!(pack, Pack::Lzw | Pack::Deflate) && rows == 7;
                    let page = Page::new(83, 61, samples, bits);
                    let page = Page { planar, tile, rows, pack, extra, photometric, predictor, ..page };
                    let file = make_tiff(Form { big_endian, big }, std::slice::from_ref(&page));
                    let (_folder, path) = in_folder("scan.tif", &file);
                    let (scan, all) = read_all(&path, &any_size()).expect("readable");
                    for factor in [1, 3, 8, 100] {
                        let small = reduced(&scan, factor).expect("readable");
                        assert!(small == box_reduce(&all, factor), "{factor} {:?}", scan.info());
                    }
                }
            }
        }
    }
}

#[test]
fn any_number_of_threads_gives_the_same_overview() {
    for (planar, tile, rows) in shapes() {
        for pack in [Pack::None, Pack::Deflate] {
            let page = Page { planar, tile, rows, pack, ..Page::new(211, 307, 3, 16) };
            let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[page]));
            let scan = Scan::open(&path, &any_size()).expect("readable");
            let by = |threads: usize| {
                let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
                pool.install(|| reduced(&scan, 6)).expect("readable")
            };
            let one = by(1);
            assert!([2, 3, 8].into_iter().all(|threads| by(threads) == one), "{:?}", scan.info());
        }
    }
}

#[test]
fn an_infrared_page_comes_last_in_the_overview_at_any_size() {
    for (width, height) in [(90, 66), (45, 33)] {
        let colour = Page { pack: Pack::Lzw, ..Page::new(90, 66, 3, 16) };
        let infrared = Page { planar: false, ..Page::new(width, height, 1, 16) };
        let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[colour, infrared]));
        let (scan, all) = read_all(&path, &any_size()).expect("readable");
        assert_eq!(scan.channels(), 4);
        assert_eq!(reduced(&scan, 4).expect("readable"), box_reduce(&all, 4), "{width} x {height}");
    }
}

#[test]
fn codes_are_made_linear_before_they_are_averaged() {
    for (planar, tile, rows) in shapes() {
        let page = Page { planar, tile, rows, extra: Some(0), ..Page::new(50, 40, 4, 16) };
        let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[page]));
        let (scan, mut all) = read_all(&path, &any_size()).expect("readable");
        let tables: Vec<Vec<u16>> =
            (1..=3_u32).map(|c| (0..65_536_u32).map(|v| ((v * v) >> (16 + c)) as u16).collect()).collect();
        for px in all.data_mut().chunks_exact_mut(4) {
            px.iter_mut().zip(&tables).for_each(|(v, table)| *v = table[usize::from(*v)]);
        }
        let small = scan.reduced(7, Some(&tables), &CancelToken::new(), &|_| {}).expect("readable");
        assert_eq!(small, box_reduce(&all, 7), "{:?}", scan.info().container);
    }
}

#[test]
fn progress_rises_to_the_end_and_cancelling_stops() {
    let page = Page { planar: true, rows: 1, ..Page::new(300, 900, 3, 16) };
    let infrared = Page::new(300, 900, 1, 16);
    let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[page, infrared]));
    let scan = Scan::open(&path, &any_size()).expect("readable");
    let last = std::sync::Mutex::new(Vec::new());
    let note = |share: f32| last.lock().expect("sound").push(share);
    scan.reduced(9, None, &CancelToken::new(), &note).expect("readable");
    let told = last.into_inner().expect("sound");
    let most = told.iter().copied().fold(0.0, f32::max);
    assert!(most == 1.0 && told.iter().all(|share| (0.0..=1.0).contains(share)), "{told:?}");
    let cancel = CancelToken::new();
    cancel.cancel();
    assert!(matches!(scan.reduced(9, None, &cancel, &|_| {}), Err(Error::Cancelled(_))));
    assert!(matches!(scan.quick_overview(9, 1, None, &cancel), Ok(None) | Err(Error::Cancelled(_))));
}

#[test]
fn a_damaged_strip_is_named_by_the_overview() {
    let page = Page { pack: Pack::Deflate, ..Page::new(120, 90, 3, 16) };
    let mut file = make_tiff(LITTLE, &[page]);
    // The first strip begins right after the header.
    file[40..60].fill(0xFF);
    let (_folder, path) = in_folder("scan.tif", &file);
    let scan = Scan::open(&path, &any_size()).expect("the directory is sound");
    let error = reduced(&scan, 5).expect_err("damaged").to_string();
    assert!(error.contains("strip 1 of") && error.contains("scan.tif"), "{error}");
}

/// A picture that changes slowly, so that rows in between can be interpolated.
fn slow_page(width: usize, height: usize) -> Page {
    let code = |x: usize, y: usize, c: usize| (20_000 + 30 * x + 25 * y + 3000 * c) as u16;
    let codes = (0..width * height * 3).map(|i| code(i / 3 % width, i / 3 / width, i % 3)).collect();
    Page { codes, ..Page::new(width, height, 3, 16) }
}

#[test]
fn a_coarse_overview_reads_a_part_and_shows_the_whole() {
    let (width, height, factor) = (400, 640, 10);
    for ((planar, tile, rows), pack) in
        shapes().into_iter().flat_map(|shape| [(shape, Pack::None), (shape, Pack::Deflate)])
    {
        let page = Page { planar, tile, rows, pack, ..slow_page(width, height) };
        let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[page]));
        let (scan, all) = read_all(&path, &any_size()).expect("readable");
        let exact = box_reduce(&all, factor);
        let whole_bytes = (width * height * 6) as u64;
        let look = |budget| scan.quick_overview(factor, budget, None, &CancelToken::new()).expect("readable");
        assert!(look(whole_bytes).is_none(), "reading everything is as quick");
        let block_rows = tile.map_or(rows, |(_, h)| h);
        let few_places = height / block_rows < 8;
        let Some(seen) = look(whole_bytes / 8) else {
            assert!(few_places && pack != Pack::None, "{:?}", scan.info().container);
            continue;
        };
        assert_eq!((seen.width(), seen.height(), seen.channels()), (exact.width(), exact.height(), 3));
        // A strip gives only its first rows, so a position may be off by half of a strip: 25 codes a row.
        let reach = 25 * block_rows.max(factor as usize) as u32 + 25;
        let worst = seen.data().iter().zip(exact.data()).map(|(a, b)| u32::from(a.abs_diff(*b))).max();
        assert!(worst <= Some(reach), "{worst:?} of {reach}: {:?}", scan.info().container);
    }
}

#[test]
fn the_factor_brings_the_longer_side_under_the_limit() {
    for (w, h, most, factor) in
        [(33_000, 33_000, 4096, 9), (42_000, 4_700, 4096, 11), (3, 2, 4096, 1), (4097, 1, 4096, 2)]
    {
        assert_eq!(overview_factor(w, h, most), factor);
        assert!(w.max(h).div_ceil(factor) <= most);
    }
}
