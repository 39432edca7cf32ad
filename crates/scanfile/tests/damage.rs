//! Damaged picture data: reported whenever the format makes it possible, never silently padded.

use crate::common::{any_size, in_folder, noise, read_all};
use glassine_raster::{CancelToken, ResolutionPpi, Samples16};
use glassine_scanfile::{
    Compression, Error, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter, Scan,
};
use glassine_testdata::tiff::{Form, Pack, Page, make_tiff};

const LITTLE: Form = Form { big_endian: false, big: false };

/// A picture with soft shapes and grain, as the program writes it.
fn picture(format: PictureFormat, channels: u8, (width, height): (u32, u32)) -> Vec<u8> {
    let folder = tempfile::tempdir().expect("temporary folder");
    let path = folder.path().join("seed");
    let bits = if matches!(format, PictureFormat::Jpeg { .. }) { 8 } else { 16 };
    let spec = PictureSpec {
        width_px: width,
        height_px: height,
        channels,
        bits,
        ppi: ResolutionPpi::new(300.0),
        icc: None,
        metadata: Metadata::default(),
        format,
        overwrite: Overwrite::Never,
    };
    let mut noise = noise(5);
    let row = width as usize * usize::from(channels);
    let codes: Vec<u16> = (0..row * height as usize)
        .map(|i| {
            let (x, y) = ((i % row) as f64, (i / row) as f64);
            let soft = 110.0 + 70.0 * (x / 31.0).sin() + 50.0 * (y / 17.0).cos();
            soft as u16 + noise.below(20) as u16
        })
        .collect();
    let mut writer = PictureWriter::begin(&path, &spec).expect("begun");
    let done = if bits == 8 {
        writer.write_rows_u8(&codes.iter().map(|v| *v as u8).collect::<Vec<_>>())
    } else {
        writer.write_rows_u16(&codes.iter().map(|v| v * 200).collect::<Vec<_>>())
    };
    done.and_then(|()| writer.finish()).expect("written");
    std::fs::read(&path).expect("readable")
}

/// Result of reading a file: its pixels, and whether damage was reported.
fn read(bytes: &[u8]) -> Result<(Samples16, bool), Error> {
    let (_folder, path) = in_folder("scan", bytes);
    let (scan, all) = read_all(&path, &any_size())?;
    let told = scan.info().damage.is_some() || scan.info().notes.iter().any(|n| n.contains("damaged"));
    Ok((all, told))
}

/// First byte and end of the coded data of a JPEG with one scan.
fn coded(jpeg: &[u8]) -> std::ops::Range<usize> {
    let header = jpeg.windows(2).position(|w| w == [0xFF, 0xDA]).expect("a scan");
    let length = usize::from(jpeg[header + 2]) << 8 | usize::from(jpeg[header + 3]);
    header + 2 + length..jpeg.len() - 2
}

#[test]
fn sound_jpegs_of_many_sizes_are_read_without_a_word_of_damage() {
    for channels in [1, 3] {
        for size in [(8, 8), (17, 9), (100, 33), (333, 251)] {
            for quality in [30, 90, 100] {
                let (_, told) =
                    read(&picture(PictureFormat::Jpeg { quality }, channels, size)).expect("sound");
                assert!(!told, "{channels} {size:?} {quality}");
            }
        }
    }
    // A progressive picture with every kind of scan, 61 x 43 px, made with `convert -interlace JPEG -quality 85`.
    for bytes in [include_bytes!("data/progressive.jpg").as_slice(), include_bytes!("data/halved-chroma.jpg")]
    {
        let (all, told) = read(bytes).expect("sound");
        assert_eq!((all.width(), all.height(), told), (61, 43, false));
    }
}

#[test]
fn a_jpeg_with_missing_moved_or_zeroed_data_is_told() {
    let seeds = [
        picture(PictureFormat::Jpeg { quality: 85 }, 3, (400, 300)),
        picture(PictureFormat::Jpeg { quality: 85 }, 1, (400, 300)),
    ];
    for seed in seeds {
        let data = coded(&seed);
        let n = data.len();
        let half = [&seed[..data.start + n / 2], &seed[data.end..]].concat();
        let hole = [&seed[..data.start + n / 3], &seed[data.start + n / 3 + n / 4..]].concat();
        let mut zeroed = seed.clone();
        zeroed[data.start + n / 2..data.start + n / 2 + 200].fill(0);
        for (what, bytes) in [("half", half), ("hole", hole), ("zeroed", zeroed)] {
            let told = read(&bytes).map_or(true, |(_, told)| told);
            assert!(told, "{what} passed in silence");
        }
    }
}

#[test]
fn a_progressive_jpeg_cut_anywhere_in_its_data_is_told() {
    let seed = include_bytes!("data/progressive.jpg");
    let (whole, _) = read(seed).expect("sound");
    for cut in coded(seed).start..seed.len() - 2 {
        let bytes = [&seed[..cut], &[0xFF, 0xD9]].concat();
        let Ok((all, told)) = read(&bytes) else { continue };
        assert!(told || all == whole, "cut at {cut} of {}", seed.len());
    }
}

#[test]
fn most_random_changes_of_a_jpeg_are_told() {
    let seed = picture(PictureFormat::Jpeg { quality: 85 }, 3, (400, 300));
    let data = coded(&seed);
    let mut noise = noise(9);
    let told = (0..60)
        .filter(|_| {
            let mut bytes = seed.clone();
            for _ in 0..20 {
                bytes[data.start + noise.below(data.len() as u64) as usize] = noise.next_u64() as u8;
            }
            read(&bytes).map_or(true, |(_, told)| told)
        })
        .count();
    // There is no checksum, so a few changes pass; without this check, six of sixty were reported.
    assert!(told >= 57, "{told} of 60");
}

#[test]
fn a_changed_bit_in_deflate_data_is_told_by_every_way_of_reading() {
    let mut page = Page { pack: Pack::Deflate, rows: 40, ..Page::new(90, 80, 3, 16) };
    // Few literals in a row make long matches and noise makes literals, so both kinds of data are there.
    for (i, code) in page.codes.iter_mut().enumerate() {
        if i / 2000 % 2 == 0 {
            *code = (i / 500) as u16;
        }
    }
    let seed = make_tiff(LITTLE, std::slice::from_ref(&page));
    let first = u32::from_le_bytes([seed[4], seed[5], seed[6], seed[7]]) as usize;
    // The strips and the values of tags come before the directory.
    let data = 8..first - 64;
    let mut noise = noise(21);
    for round in 0..400 {
        let mut bytes = seed.clone();
        let at = data.start + noise.below(data.len() as u64) as usize;
        bytes[at] ^= 1 << noise.below(8);
        if let Ok((all, told)) = read(&bytes) {
            assert!(told || all.data() == page.codes, "round {round}: byte {at} passed in silence");
        }
        let (_folder, path) = in_folder("scan", &bytes);
        let Ok(scan) = Scan::open(&path, &any_size()) else { continue };
        let reduced = scan.reduced(1, None, &CancelToken::new(), &|_| {});
        assert!(
            reduced.is_err() || reduced.is_ok_and(|all| all.data() == page.codes),
            "round {round}: byte {at} passed in silence in the overview"
        );
    }
}

#[test]
fn our_own_deflate_files_and_strips_that_are_filled_up_are_sound() {
    let compression = Compression::Deflate;
    read(&picture(PictureFormat::Tiff { compression }, 3, (301, 77))).expect("sound");
    // The last strip holds 7 rows although only 3 are left, as some writers do.
    let full = Page { pack: Pack::Deflate, rows: 7, ..Page::new(50, 14, 1, 16) };
    let mut bytes = make_tiff(LITTLE, std::slice::from_ref(&full));
    let first = u32::from_le_bytes([bytes[4], bytes[5], bytes[6], bytes[7]]) as usize;
    let entry = first + 2 + 12;
    assert_eq!(bytes[entry..entry + 2], 257_u16.to_le_bytes());
    bytes[entry + 8] = 10;
    let (all, _) = read(&bytes).expect("sound");
    assert_eq!(all.data(), &full.codes[..500]);
    let (_folder, path) = in_folder("scan", &bytes);
    let scan = Scan::open(&path, &any_size()).expect("sound");
    let reduced = scan.reduced(1, None, &CancelToken::new(), &|_| {}).expect("sound");
    assert_eq!(reduced.data(), &full.codes[..500]);
}

#[test]
fn packed_strips_that_end_too_early_are_told() {
    for pack in [Pack::Lzw, Pack::Runs, Pack::Deflate] {
        let page = Page { pack, rows: 80, ..Page::new(90, 80, 1, 16) };
        let seed = make_tiff(LITTLE, std::slice::from_ref(&page));
        let first = u32::from_le_bytes([seed[4], seed[5], seed[6], seed[7]]) as usize;
        let entries = usize::from(u16::from_le_bytes([seed[first], seed[first + 1]]));
        let count = (0..entries)
            .map(|i| first + 2 + 12 * i)
            .find(|at| seed[*at..*at + 2] == 279_u16.to_le_bytes())
            .expect("strip byte counts")
            + 8;
        let whole = u32::from_le_bytes([seed[count], seed[count + 1], seed[count + 2], seed[count + 3]]);
        for keep in [whole / 2, whole - 40] {
            let mut bytes = seed.clone();
            bytes[count..count + 4].copy_from_slice(&keep.to_le_bytes());
            let error = read(&bytes).expect_err("data are missing");
            assert!(matches!(error, Error::Malformed { .. }), "{pack:?} {keep}: {error}");
        }
    }
}

#[test]
fn a_changed_bit_anywhere_in_a_png_is_told() {
    let seed = picture(PictureFormat::Png, 3, (120, 90));
    let (whole, _) = read(&seed).expect("sound");
    let mut noise = noise(33);
    for round in 0..300 {
        let mut bytes = seed.clone();
        let at = noise.below(bytes.len() as u64) as usize;
        bytes[at] ^= 1 << noise.below(8);
        if let Ok((all, told)) = read(&bytes) {
            assert!(told && all == whole, "round {round}: byte {at} passed in silence");
        }
    }
}

#[test]
fn a_file_that_ends_early_says_after_how_much_of_it_and_no_more() {
    let plain = PictureFormat::Tiff { compression: Compression::None };
    for (format, knows_its_length) in
        [(plain, true), (PictureFormat::Png, false), (PictureFormat::Jpeg { quality: 90 }, false)]
    {
        let whole = picture(format, 3, (400, 300));
        let part = &whole[..whole.len() / 3];
        let headline = match read(part) {
            Err(error) => error.headline(),
            Ok(_) => panic!("a third of a file was read: {format:?}"),
        };
        let kilobytes = |bytes: usize| format!("{:.1}", bytes as f64 / 1e3);
        let told = if knows_its_length {
            // 400 x 300 px of six bytes; the directory of tags lies before or behind them.
            let all = 400 * 300 * 6;
            assert!((all..all + 2_000).contains(&whole.len()), "{}", whole.len());
            format!("the file ends after {} of 72", kilobytes(part.len()))
        } else {
            format!("the file ends after {} kB, before its picture is complete", kilobytes(part.len()))
        };
        assert!(headline.starts_with(&told), "{format:?}: {headline}, not {told}");
    }
}
