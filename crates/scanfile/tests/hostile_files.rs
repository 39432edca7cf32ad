//! Files that are cut, mutated, inflated or removed while open give an error in words, never a crash, a hang, or memory
//! allocated on a false promise.

use std::io::{Seek as _, Write as _};
use std::time::{Duration, Instant};

use crate::common::{any_size, in_folder, noise, read_all};
use glassine_raster::{CancelToken, PixelRect, RegionError, RegionSource as _, ResolutionPpi};
use glassine_scanfile::{Error, OpenOptions, Scan};
use glassine_testdata::tiff::{Form, Pack, Page, make_tiff, pack};

const LITTLE: Form = Form { big_endian: false, big: false };
const BIG: Form = Form { big_endian: true, big: true };

fn seeds() -> Vec<Vec<u8>> {
    let plain = Page { extra: Some(0), ..Page::new(13, 9, 4, 16) };
    let packed = |pack, tile| Page { pack, tile, predictor: pack != Pack::Runs, ..Page::new(21, 17, 3, 16) };
    vec![
        make_tiff(LITTLE, std::slice::from_ref(&plain)),
        make_tiff(BIG, &[packed(Pack::Deflate, None), Page::new(21, 17, 1, 16)]),
        make_tiff(LITTLE, &[packed(Pack::Lzw, Some((16, 16)))]),
        make_tiff(LITTLE, &[Page { planar: true, ..packed(Pack::Runs, None) }]),
        // The grey page is also its own inner picture.
        make_tiff(
            BIG,
            &[Page { more: vec![(330, 4, 1, vec![0, 0, 0, 16])], ..Page::new(21, 17, 3, 8) }, plain],
        ),
        png_seed(),
        jpeg_seed(),
        include_bytes!("data/progressive.jpg").to_vec(),
    ]
}

fn picture(format: glassine_scanfile::PictureFormat, bits: u8) -> Vec<u8> {
    use glassine_scanfile::{Metadata, Overwrite, PictureSpec, PictureWriter};
    let folder = tempfile::tempdir().expect("temporary folder");
    let path = folder.path().join("seed");
    let spec = PictureSpec {
        width_px: 19,
        height_px: 11,
        channels: 3,
        bits,
        ppi: ResolutionPpi::new(300.0),
        icc: None,
        metadata: Metadata::default(),
        format,
        overwrite: Overwrite::Never,
    };
    let mut writer = PictureWriter::begin(&path, &spec).expect("begun");
    let done = if bits == 8 {
        writer.write_rows_u8(&[90; 19 * 11 * 3])
    } else {
        writer.write_rows_u16(&[9000; 19 * 11 * 3])
    };
    done.and_then(|()| writer.finish()).expect("written");
    std::fs::read(&path).expect("readable")
}

fn png_seed() -> Vec<u8> {
    picture(glassine_scanfile::PictureFormat::Png, 16)
}

fn jpeg_seed() -> Vec<u8> {
    picture(glassine_scanfile::PictureFormat::Jpeg { quality: 80 }, 8)
}

#[test]
fn a_file_cut_at_any_length_is_an_error_or_whole() {
    for seed in &seeds() {
        let (_folder, path) = in_folder("scan.tif", seed);
        let (_, whole) = read_all(&path, &any_size()).expect("the seed is sound");
        let file = std::fs::OpenOptions::new().write(true).open(&path).expect("writable");
        for cut in (0..seed.len()).rev() {
            file.set_len(cut as u64).expect("cut");
            match read_all(&path, &any_size()) {
                Ok((_, all)) => {
                    assert_eq!(all.channel(0), whole.channel(0), "silently other pixels at {cut}")
                }
                Err(e) => assert!(e.to_string().contains("scan.tif"), "{e}"),
            }
        }
    }
}

#[test]
fn cut_and_mutated_files_of_every_kind_never_crash() {
    let options = OpenOptions { max_pixels: 1 << 20, max_decoded_bytes: 1 << 22, ..any_size() };
    // Longer runs: GLASSINE_MUTATIONS=100000 and another GLASSINE_SEED.
    let number = |name: &str, usual: u64| {
        std::env::var(name).ok().and_then(|v| v.parse::<u64>().ok()).unwrap_or(usual)
    };
    let (rounds, start_seed) = (number("GLASSINE_MUTATIONS", 1000), number("GLASSINE_SEED", 77));
    let mut noise = noise(start_seed);
    let (_folder, path) = in_folder("scan", b"");
    let mut file = std::fs::OpenOptions::new().write(true).open(&path).expect("writable");
    for (kind, seed) in seeds().iter().enumerate() {
        for round in 0..rounds {
            let mut bad = seed.clone();
            for _ in 0..=noise.below(3) {
                // Headers and directories are hit more often than pixels.
                let at = if noise.below(2) == 0 { noise.below(bad.len() as u64) } else { noise.below(64) }
                    as usize;
                let values = [0, 1, 0x7F, 0x80, 0xFF, noise.next_u64() as u8];
                let at = at.min(bad.len() - 1);
                bad[at] = values[noise.below(6) as usize];
            }
            if noise.below(8) == 0 {
                bad.truncate(noise.below(bad.len() as u64) as usize);
            }
            file.rewind().and_then(|()| file.write_all(&bad)).expect("written");
            file.set_len(bad.len() as u64).expect("cut");
            let start = Instant::now();
            drop(read_all(&path, &options));
            assert!(start.elapsed() < Duration::from_secs(1), "kind {kind} seed {start_seed} round {round}");
        }
    }
}

#[test]
fn a_small_file_that_promises_a_huge_picture_is_refused_at_once() {
    for packing in [Pack::None, Pack::Deflate, Pack::Lzw, Pack::Runs] {
        for side in [60_000_u32, 0x7FFF_FFFF, 0] {
            let page = Page { pack: packing, rows: 1 << 20, ..Page::new(16, 16, 3, 16) };
            let mut bytes = make_tiff(LITTLE, &[page]);
            for (i, tag) in [(0, 256_u16), (1, 257)] {
                let first = u32::from_le_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]) as usize;
                let entry = first + 2 + 12 * i;
                assert_eq!(u16::from_le_bytes([bytes[entry], bytes[entry + 1]]), tag);
                bytes[entry + 8..entry + 12].copy_from_slice(&side.to_le_bytes());
            }
            let (_folder, path) = in_folder("scan.tif", &bytes);
            let start = Instant::now();
            let error = Scan::open(&path, &any_size()).expect_err("a false promise");
            assert!(matches!(error, Error::Malformed { .. } | Error::OverBudget { .. }), "{error}");
            assert!(start.elapsed() < Duration::from_millis(200));
        }
    }
}

#[test]
fn a_small_png_or_jpeg_that_promises_a_huge_picture_is_refused_at_once() {
    let mut files = Vec::new();
    let mut png = png_seed();
    png[16..24].copy_from_slice(&[0, 0, 0x3A, 0x98, 0, 0, 0x3A, 0x98]);
    let mut crc = flate2::Crc::new();
    crc.update(&png[12..29]);
    png[29..33].copy_from_slice(&crc.sum().to_be_bytes());
    files.push(png);
    for seed in [jpeg_seed(), include_bytes!("data/progressive.jpg").to_vec()] {
        for side in [20_000_u16, 65_500] {
            let mut jpeg = seed.clone();
            let frame =
                jpeg.windows(2).position(|w| w == [0xFF, 0xC0] || w == [0xFF, 0xC2]).expect("a frame");
            for at in [frame + 5, frame + 7] {
                jpeg[at..at + 2].copy_from_slice(&side.to_be_bytes());
            }
            files.push(jpeg);
        }
    }
    for (i, bytes) in files.iter().enumerate() {
        let (_folder, path) = in_folder("scan", bytes);
        let start = Instant::now();
        let error = Scan::open(&path, &any_size()).expect_err("a false promise");
        assert!(matches!(error, Error::Malformed { .. } | Error::OverBudget { .. }), "{i}: {error}");
        assert!(start.elapsed() < Duration::from_millis(200), "{i}: {:?}", start.elapsed());
    }
}

#[test]
fn a_strip_that_unpacks_to_more_than_declared_stops_at_the_declared_size() {
    let mut page = Page { pack: Pack::Deflate, rows: 8, ..Page::new(64, 8, 1, 16) };
    page.codes.iter_mut().for_each(|v| *v = 0);
    let bytes = make_tiff(LITTLE, &[page]);
    // The same picture, but its only strip would unpack to 64 MiB.
    let bomb = pack(Pack::Deflate, &vec![0; 64 << 20]);
    let mut file = bytes.clone();
    let at = file.len() as u32;
    file.extend(&bomb);
    for (old, new) in [(8_u32, at), (strip_bytes(&bytes), bomb.len() as u32)] {
        let entry = file.windows(4).rposition(|w| w == old.to_le_bytes()).expect("the tag is there");
        file[entry..entry + 4].copy_from_slice(&new.to_le_bytes());
    }
    let (_folder, path) = in_folder("scan.tif", &file);
    if let Ok((_, all)) = read_all(&path, &any_size()) {
        assert_eq!(all.data().len(), 64 * 8);
    }
}

fn strip_bytes(bytes: &[u8]) -> u32 {
    let first = u32::from_le_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]);
    first - 8
}

#[test]
fn a_file_that_shrinks_or_is_replaced_while_open_gives_an_error_or_its_old_pixels() {
    let page = Page { rows: 4, ..Page::new(200, 160, 3, 16) };
    let bytes = make_tiff(LITTLE, std::slice::from_ref(&page));
    let (_folder, path) = in_folder("scan.tif", &bytes);
    let scan = Scan::open(&path, &any_size()).expect("sound");
    std::fs::OpenOptions::new().write(true).open(&path).and_then(|f| f.set_len(5_000)).expect("cut");
    let whole = PixelRect::of_size(200, 160);
    match scan.read(whole, &CancelToken::new()) {
        Err(RegionError::Unreadable { what: words, what_to_do, path: about, .. }) => {
            assert!(!what_to_do.is_empty());
            // 200 x 160 pixels of six bytes are 192 kB.
            assert!(words.starts_with("the file ends after 5.0 of 19") && words.contains("strip"), "{words}");
            assert_eq!(about.as_ref(), Some(&path));
        }
        other => panic!("{other:?}"),
    }
    std::fs::write(&path, &bytes).expect("written again");
    let scan = Scan::open(&path, &any_size()).expect("sound");
    std::fs::remove_file(&path).expect("removed");
    if let Ok(all) = scan.read(whole, &CancelToken::new()) {
        assert_eq!(all.data(), page.codes);
    }
}

#[test]
fn a_cancelled_read_stops_with_that_reason() {
    let (_folder, path) = in_folder("scan.tif", &seeds()[0]);
    let scan = Scan::open(&path, &any_size()).expect("sound");
    let cancel = CancelToken::new();
    cancel.cancel();
    let stopped = scan.read(PixelRect::of_size(13, 9), &cancel);
    assert!(matches!(stopped, Err(RegionError::Cancelled(_))));
}

#[test]
fn foreign_files_are_refused_with_what_they_are_and_what_to_do() {
    for (bytes, word) in [
        (b"%PDF-1.7 ...............".as_slice(), "PDF"),
        (b"GIF89a..........", "GIF"),
        (b"hello, this is text", "no TIFF"),
    ] {
        let (_folder, path) = in_folder("scan.tif", bytes);
        match Scan::open(&path, &any_size()) {
            Err(Error::Unsupported { found, hint, .. }) => {
                assert!(found.contains(word) && !hint.is_empty(), "{found}");
            }
            other => panic!("{other:?}"),
        }
    }
    let (folder, path) = in_folder("empty.tif", b"");
    assert!(matches!(Scan::open(&path, &any_size()), Err(Error::Malformed { .. })));
    assert!(matches!(Scan::open(folder.path(), &any_size()), Err(Error::Unsupported { .. })));
    assert!(matches!(Scan::open(&folder.path().join("none"), &any_size()), Err(Error::Io { .. })));
}
