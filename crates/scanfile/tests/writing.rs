//! Written pictures, read back by this crate, by a second decoder and by general tools.

#![allow(clippy::print_stdout, reason = "a skipped check says so, and measured figures are shown")]

use std::fs::File;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;

use crate::common::{any_size, noise, read_all};
use glassine_raster::{CancelToken, RegionSource as _, ResolutionPpi};
use glassine_scanfile::icc::{TransferCurve, build_grey_profile, build_rgb_profile};
use glassine_scanfile::{
    Compression, Encoding, Error, FilmSourceKind, Metadata, Overwrite, PictureFormat, PictureSpec,
    PictureWriter, PlaneKind, Scan,
};

const SRGB_D50: [[f64; 3]; 3] =
    [[0.43607, 0.38515, 0.14307], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.7141]];

fn spec(format: PictureFormat, channels: u8, bits: u8) -> PictureSpec {
    let icc = if channels == 3 {
        build_rgb_profile("sRGB", SRGB_D50, [0.95046, 1.0, 1.08906], &TransferCurve::srgb())
    } else {
        build_grey_profile("Grey", &TransferCurve::Gamma(2.2))
    };
    PictureSpec {
        width_px: 301,
        height_px: 2003,
        channels,
        bits,
        ppi: ResolutionPpi::new(2400.0),
        icc: Some(Arc::from(icc)),
        metadata: Metadata {
            title: "Frame 7".into(),
            description: "Harbour, evening".into(),
            creator: "A. Person".into(),
            copyright: "free".into(),
            software: "Glassine".into(),
            original_date: Some("1974:08:09 10:11:12".into()),
            modified: Some("2026:03:06 09:00:00".into()),
            modified_utc_offset: Some("+02:00".into()),
            source: FilmSourceKind::Negative,
            ..Metadata::default()
        },
        format,
        overwrite: Overwrite::Never,
    }
}

fn codes(spec: &PictureSpec) -> Vec<u16> {
    let mut noise = noise(3);
    let top = if spec.bits == 8 { 255 } else { 65_535 };
    let row = spec.row_samples();
    (0..row * spec.height_px as usize)
        .map(|i| ((i / row * 30 + i % row * 9) as u64 + noise.below(40)) % top)
        .map(|v| v as u16)
        .collect()
}

/// Write `codes` in uneven portions of rows.
fn write(path: &Path, spec: &PictureSpec, codes: &[u16]) -> Result<u64, Error> {
    let mut writer = PictureWriter::begin(path, spec)?;
    let mut rest = codes;
    let mut rows = 1;
    while !rest.is_empty() {
        let (part, after) = rest.split_at((rows * spec.row_samples()).min(rest.len()));
        if spec.bits == 16 {
            writer.write_rows_u16(part)?;
        } else {
            let bytes: Vec<u8> = part.iter().map(|v| *v as u8).collect();
            writer.write_rows_u8(&bytes)?;
        }
        rest = after;
        rows = rows * 3 % 701 + 1;
    }
    Ok(writer.finish()?.bytes)
}

fn tiff_formats() -> [PictureFormat; 3] {
    [Compression::None, Compression::Deflate, Compression::Lzw]
        .map(|compression| PictureFormat::Tiff { compression })
}

#[test]
fn a_written_tiff_or_png_reads_back_exactly_with_profile_and_resolution() {
    let folder = tempfile::tempdir().expect("temporary folder");
    for format in tiff_formats().into_iter().chain([PictureFormat::Png]) {
        for (channels, bits) in [(1, 8), (1, 16), (3, 8), (3, 16)] {
            let spec = spec(format, channels, bits);
            let path = folder.path().join(format!("{format:?}-{channels}-{bits}.pic"));
            let put = codes(&spec);
            let bytes = write(&path, &spec, &put).expect("written");
            assert_eq!(bytes, std::fs::metadata(&path).expect("is there").len());
            let (scan, all) = read_all(&path, &any_size()).expect("readable");
            let factor = if bits == 8 { 257 } else { 1 };
            assert!(
                all.data().iter().zip(&put).all(|(a, b)| *a == b * factor),
                "{format:?} {channels} {bits}"
            );
            let info = scan.info();
            assert_eq!((scan.width(), scan.height()), (301, 2003));
            assert_eq!(info.icc.as_deref(), spec.icc.as_deref());
            assert!((info.ppi.expect("resolution")[0].ppi() - 2400.0).abs() < 0.02, "{:?}", info.ppi);
            assert_eq!(info.encoding, Encoding::Profile);
            assert_eq!(info.bits_per_sample, bits);
        }
    }
}

#[test]
fn a_second_decoder_reads_the_same_pixels_from_our_tiffs() {
    use tiff::decoder::{Decoder, DecodingResult};
    let folder = tempfile::tempdir().expect("temporary folder");
    for format in tiff_formats() {
        for (channels, bits) in [(1, 8), (1, 16), (3, 8), (3, 16)] {
            let spec = spec(format, channels, bits);
            let path = folder.path().join(format!("{format:?}-{channels}-{bits}.tif"));
            let put = codes(&spec);
            write(&path, &spec, &put).expect("written");
            let mut decoder = Decoder::new(File::open(&path).expect("is there")).expect("a TIFF");
            let got = match decoder.read_image().expect("readable") {
                DecodingResult::U8(v) => v.into_iter().map(u16::from).collect(),
                DecodingResult::U16(v) => v,
                _ => panic!("unexpected kind of sample"),
            };
            assert!(got == put, "{format:?} {channels} {bits}");
        }
    }
}

#[test]
fn a_written_jpeg_keeps_profile_resolution_and_words() {
    let folder = tempfile::tempdir().expect("temporary folder");
    for channels in [1, 3] {
        let spec = PictureSpec {
            overwrite: Overwrite::Replace,
            ..spec(PictureFormat::Jpeg { quality: 92 }, channels, 8)
        };
        let path = folder.path().join("picture.jpg");
        let row = spec.row_samples();
        let put: Vec<u16> = (0..row * 2003).map(|i| (i % row / 4 + i / row / 20) as u16 & 255).collect();
        write(&path, &spec, &put).expect("written");
        let (scan, all) = read_all(&path, &any_size()).expect("readable");
        assert_eq!(scan.info().planes.contains(&PlaneKind::Grey), channels == 1);
        assert_eq!(scan.info().icc.as_deref(), spec.icc.as_deref());
        assert_eq!(scan.info().ppi, ResolutionPpi::new(2400.0).map(|ppi| [ppi; 2]));
        let error = |(a, b): (&u16, &u16)| (f64::from(*a) / 257.0 - f64::from(*b)).abs();
        let mean = all.data().iter().zip(&put).map(error).sum::<f64>() / put.len() as f64;
        assert!(mean < 2.0, "mean error {mean}");
        let bytes = std::fs::read(&path).expect("readable");
        let has = |text: &[u8]| bytes.windows(text.len()).any(|w| w == text);
        assert!(has(b"negativeFilm") && has(b"1974:08:09 10:11:12") && has(b"<dc:title>"));
    }
}

#[test]
fn a_jpeg_keeps_the_digest_of_its_settings_whatever_else_is_too_long() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let long = "x".repeat(70_000);
    for (name, settings, notes) in [("settings", &long, ""), ("notes", &long, long.as_str())] {
        let mut spec = spec(PictureFormat::Jpeg { quality: 92 }, 3, 8);
        spec.metadata.settings.clone_from(settings);
        spec.metadata.notes = notes.to_owned();
        spec.metadata.settings_digest = "abc123".to_owned();
        let path = folder.path().join(format!("{name}.jpg"));
        write(&path, &spec, &codes(&spec)).expect("written");
        let bytes = std::fs::read(&path).expect("readable");
        let has = |text: &[u8]| bytes.windows(text.len()).any(|w| w == text);
        assert_eq!(glassine_scanfile::settings_digest_in(&bytes).as_deref(), Some("abc123"), "{name}");
        assert!(!has(b"<glassine:Settings>"));
        assert_eq!(has(b"<dc:title>"), notes.is_empty(), "the title is left out only with the notes");
        read_all(&path, &any_size()).expect("readable");
    }
}

#[test]
fn another_reader_finds_creator_and_copyright_in_their_own_fields() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let path = folder.path().join("picture.tif");
    let spec = spec(PictureFormat::Tiff { compression: Compression::None }, 3, 16);
    write(&path, &spec, &codes(&spec)).expect("written");
    let mut decoder = tiff::decoder::Decoder::new(File::open(&path).expect("is there")).expect("a TIFF file");
    let mut text = |tag| decoder.get_tag_ascii_string(tag).expect("text");
    assert_eq!(text(tiff::tags::Tag::Artist), "A. Person");
    assert_eq!(text(tiff::tags::Tag::Copyright), "free");
}

#[test]
fn a_higher_jpeg_quality_gives_a_larger_and_closer_picture() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let measure = |quality: u8| {
        let path = folder.path().join(format!("{quality}.jpg"));
        let spec = spec(PictureFormat::Jpeg { quality }, 3, 8);
        let put = codes(&spec);
        write(&path, &spec, &put).expect("written");
        let (_, all) = read_all(&path, &any_size()).expect("readable");
        let square = |(a, b): (&u16, &u16)| (f64::from(*a) / 257.0 - f64::from(*b)).powi(2);
        let squares = all.data().iter().zip(&put).map(square).sum::<f64>();
        (std::fs::metadata(&path).expect("there").len() as f64, squares)
    };
    let (low, high) = (measure(30), measure(95));
    assert!(high.0 > 2.0 * low.0 && high.1 < 0.5 * low.1, "{low:?} {high:?}");
}

#[test]
fn packing_does_not_depend_on_the_number_of_threads() {
    let folder = tempfile::tempdir().expect("temporary folder");
    for format in tiff_formats() {
        let spec = spec(format, 3, 16);
        let put = codes(&spec);
        let mut files = Vec::new();
        for threads in [1, 3] {
            let path = folder.path().join(format!("{format:?}-{threads}.tif"));
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
            pool.install(|| write(&path, &spec, &put)).expect("written");
            files.push(std::fs::read(&path).expect("readable"));
        }
        assert!(files[0] == files[1], "{format:?}");
    }
}

#[test]
fn an_unfinished_picture_leaves_nothing_and_wrong_rows_are_refused() {
    let folder = tempfile::tempdir().expect("temporary folder");
    for format in tiff_formats().into_iter().chain([PictureFormat::Png]) {
        let spec = spec(format, 3, 16);
        let path = folder.path().join("a.tif");
        let mut writer = PictureWriter::begin(&path, &spec).expect("begun");
        assert!(writer.write_rows_u16(&vec![0; spec.row_samples() + 1]).is_err());
        assert!(writer.write_rows_u8(&vec![0; spec.row_samples()]).is_err());
        writer.write_rows_u16(&vec![0; spec.row_samples() * 2000]).expect("whole rows");
        assert!(writer.write_rows_u16(&vec![0; spec.row_samples() * 4]).is_err());
        assert!(matches!(writer.finish(), Err(Error::Usage { .. })));
        assert_eq!(std::fs::read_dir(folder.path()).expect("folder").count(), 0);
    }
    let narrow = PictureSpec { channels: 2, ..spec(PictureFormat::Png, 3, 16) };
    assert!(PictureWriter::begin(&folder.path().join("b.png"), &narrow).is_err());
}

#[test]
fn an_earlier_picture_is_refused_or_replaced_as_asked() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let path = folder.path().join("a.tif");
    let mut spec = spec(tiff_formats()[0], 1, 8);
    let put = codes(&spec);
    write(&path, &spec, &put).expect("written");
    assert!(matches!(write(&path, &spec, &put), Err(Error::AlreadyExists { .. })));
    spec.overwrite = Overwrite::Replace;
    write(&path, &spec, &put).expect("replaced");
    assert!(Scan::open(&path, &any_size()).is_ok());
}

#[test]
fn general_tools_read_our_tiffs_without_a_warning() {
    if Command::new("tiffinfo").arg("-h").output().is_err() {
        glassine_testdata::skipped("tiffinfo is not installed");
        return;
    }
    let folder = tempfile::tempdir().expect("temporary folder");
    for format in tiff_formats() {
        let spec = spec(format, 3, 16);
        let path = folder.path().join(format!("{format:?}.tif"));
        write(&path, &spec, &codes(&spec)).expect("written");
        let out = Command::new("tiffinfo").arg("-D").arg(&path).output().expect("tiffinfo runs");
        let (said, complaints) = (String::from_utf8_lossy(&out.stdout), String::from_utf8_lossy(&out.stderr));
        assert!(out.status.success() && complaints.is_empty(), "{complaints}");
        for part in [
            "Image Width: 301 Image Length: 2003",
            "Resolution: 2400, 2400 pixels/inch",
            "ICC Profile: <present>",
        ] {
            assert!(said.contains(part), "{part} is missing in {said}");
        }
    }
}

#[test]
fn an_independent_python_reader_finds_the_same_pixels_and_tags() {
    let python = std::env::var("GLASSINE_PYTHON").unwrap_or_else(|_| "python3".into());
    let ready = Command::new(&python).args(["-c", "import tifffile, imagecodecs"]).output();
    if !ready.is_ok_and(|o| o.status.success()) {
        glassine_testdata::skipped("no Python with tifffile and imagecodecs (set GLASSINE_PYTHON)");
        return;
    }
    let folder = tempfile::tempdir().expect("temporary folder");
    let script = "import sys, zlib, tifffile\n\
        t = tifffile.TiffFile(sys.argv[1]); p = t.pages[0]; a = p.asarray()\n\
        print(f'{zlib.crc32(a.astype(\"<u2\").tobytes()):08x}', p.tags[305].value, ord(p.tags[34665].value['FileSource']),\
        p.tags[34665].value['DateTimeOriginal'], len(p.tags[34675].value), int(p.tags[34675].dtype))";
    for format in tiff_formats() {
        for (channels, bits) in [(1, 8), (3, 16)] {
            let spec = spec(format, channels, bits);
            let path = folder.path().join(format!("{format:?}-{channels}.tif"));
            let put = codes(&spec);
            write(&path, &spec, &put).expect("written");
            let out = Command::new(&python).args(["-c", script]).arg(&path).output().expect("python runs");
            let said = String::from_utf8_lossy(&out.stdout);
            let icc = spec.icc.as_ref().map_or(0, |i| i.len());
            let wanted = format!("{} Glassine 1 1974:08:09 10:11:12 {icc} 7", crate::common::crc32(&put));
            assert_eq!(said.trim(), wanted, "{}", String::from_utf8_lossy(&out.stderr));
        }
    }
}

/// Flip one bit of the only unnamed file in a folder.
fn damage(folder: &Path, at_share: f64) {
    let part = std::fs::read_dir(folder)
        .expect("folder")
        .map(|entry| entry.expect("entry").path())
        .find(|path| path.extension().is_some_and(|extension| extension == "part"))
        .expect("a file without its name");
    let mut bytes = std::fs::read(&part).expect("readable");
    let at = (bytes.len() as f64 * at_share) as usize;
    bytes[at] ^= 0x10;
    std::fs::write(&part, bytes).expect("written");
}

#[test]
fn a_picture_that_is_not_what_was_meant_is_found_before_it_gets_its_name() {
    let jpeg = PictureFormat::Jpeg { quality: 90 };
    let formats = tiff_formats().into_iter().chain([PictureFormat::Png, jpeg]);
    for (format, bits) in formats.flat_map(|format| [(format, 8), (format, 16)]) {
        if format == jpeg && bits == 16 {
            continue;
        }
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("a");
        std::fs::write(&path, b"earlier").expect("written");
        let spec = PictureSpec { overwrite: Overwrite::Replace, ..spec(format, 3, bits) };
        let put = codes(&spec);
        let bytes: Vec<u8> = put.iter().map(|v| *v as u8).collect();
        for share in [0.2, 0.5, 0.8] {
            let mut writer = PictureWriter::begin(&path, &spec).expect("begun");
            if bits == 16 { writer.write_rows_u16(&put) } else { writer.write_rows_u8(&bytes) }
                .expect("written");
            let closed = writer.close().expect("closed");
            closed.check(&CancelToken::new()).expect("what was meant");
            damage(folder.path(), share);
            let told = closed.check(&CancelToken::new());
            assert!(matches!(told, Err(Error::ReadBack { .. })), "{format:?} {bits} {share}: {told:?}");
            drop(closed);
            assert_eq!(std::fs::read(&path).expect("still there"), b"earlier");
            assert_eq!(std::fs::read_dir(folder.path()).expect("folder").count(), 1);
        }
    }
}

#[test]
fn rows_packed_elsewhere_make_the_same_file() {
    let folder = tempfile::tempdir().expect("temporary folder");
    for (format, bits) in tiff_formats().into_iter().flat_map(|format| [(format, 8), (format, 16)]) {
        let spec = spec(format, 3, bits);
        let put = codes(&spec);
        let (whole, parts) = (folder.path().join("whole"), folder.path().join("parts"));
        write(&whole, &spec, &put).expect("written");
        let mut writer = PictureWriter::begin(&parts, &spec).expect("begun");
        let packer = writer.packer();
        let portion = spec.row_samples() * packer.granule_rows() as usize;
        let pack = |part: &[u16]| match bits {
            16 => packer.pack_u16(part.to_vec()).expect("packed"),
            _ => packer.pack_u8(part.iter().map(|v| *v as u8).collect()).expect("packed"),
        };
        for part in put.chunks(2 * portion) {
            writer.write_packed(&pack(part)).expect("written");
        }
        let closed = writer.close().expect("closed");
        closed.check(&CancelToken::new()).expect("what was meant");
        closed.commit().expect("named");
        assert!(std::fs::read(&whole).expect("read") == std::fs::read(&parts).expect("read"), "{format:?}");
        let mut wrong = PictureWriter::begin(&folder.path().join("wrong"), &spec).expect("begun");
        assert!(
            wrong.write_packed(&pack(&put[..portion / 2 / spec.row_samples() * spec.row_samples()])).is_err()
        );
        std::fs::remove_file(whole).and_then(|()| std::fs::remove_file(parts)).expect("removed");
    }
}
