//! Mutated scans: small pictures of every readable kind, opened and read completely.

use glassine_testdata::random::SplitMix64;
use std::path::{Path, PathBuf};

use glassine_raster::{CancelToken, PixelRect, RegionSource as _, ResolutionPpi};
use glassine_scanfile::{
    Compression, Metadata, OpenOptions, Overwrite, PictureFormat, PictureSpec, PictureWriter, Scan,
};

use super::{Target, Verdict, bytes, tiff};

/// Longest seed in bytes; longer ones would only slow down the run.
const LONGEST_SEED: u64 = 6_000;
/// Side of the part to read from a picture that claims to be large.
const MOST_PX: u32 = 256;

pub(super) struct Scans {
    seeds: Vec<Vec<u8>>,
}

impl Scans {
    /// Starts from pictures of our own writers, and the small files of the open corpus if available.
    pub(super) fn new() -> Self {
        let mut seeds = written();
        if let Some(corpus) = glassine_testdata::folder("tiff-corpus/valid") {
            collect(&corpus, &mut seeds);
        }
        Self { seeds }
    }
}

fn collect(folder: &Path, seeds: &mut Vec<Vec<u8>>) {
    let mut paths: Vec<PathBuf> =
        std::fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path()).collect();
    paths.sort();
    for path in paths {
        if path.is_dir() {
            collect(&path, seeds);
        } else if std::fs::metadata(&path).is_ok_and(|meta| meta.len() < LONGEST_SEED)
            && path.extension().is_some_and(|ending| ending == "tif" || ending == "tiff")
        {
            seeds.extend(std::fs::read(&path));
        }
    }
}

/// One small picture of each kind that the program writes.
fn written() -> Vec<Vec<u8>> {
    let Ok(folder) = tempfile::tempdir() else { return Vec::new() };
    let formats = [
        PictureFormat::Tiff { compression: Compression::None },
        PictureFormat::Tiff { compression: Compression::Deflate },
        PictureFormat::Tiff { compression: Compression::Lzw },
        PictureFormat::Png,
        PictureFormat::Jpeg { quality: 80 },
    ];
    let mut seeds = Vec::new();
    for format in formats {
        for (channels, bits) in [(1, 8), (1, 16), (3, 8), (3, 16)] {
            let (width_px, height_px) = (23, 17);
            let spec = PictureSpec {
                width_px,
                height_px,
                channels,
                bits,
                ppi: ResolutionPpi::new(300.0),
                icc: None,
                metadata: Metadata::default(),
                format,
                overwrite: Overwrite::Replace,
            };
            let path = folder.path().join("seed");
            let row = width_px * u32::from(channels);
            let codes: Vec<u16> =
                (0..row * height_px).map(|i| ((i % row) * 900 + i / row * 13) as u16).collect();
            let eight: Vec<u8> = codes.iter().map(|code| (code >> 8) as u8).collect();
            let done = PictureWriter::begin(&path, &spec).and_then(|mut writer| {
                if bits == 8 {
                    writer.write_rows_u8(&eight)?
                } else {
                    writer.write_rows_u16(&codes)?
                }
                writer.finish()
            });
            if done.is_ok() {
                seeds.extend(std::fs::read(&path));
            }
        }
    }
    seeds
}

impl Target for Scans {
    fn seeds(&self) -> Vec<Vec<u8>> {
        self.seeds.clone()
    }

    fn input(&self, random: &mut SplitMix64) -> Vec<u8> {
        let mut input = random.pick(&self.seeds).cloned().unwrap_or_default();
        let is_tiff = input.starts_with(b"II") || input.starts_with(b"MM");
        let by_structure = random.below(3) > 0;
        if is_tiff && by_structure {
            tiff::mutate(&mut input, random);
            if random.below(4) == 0 {
                bytes::mutate(&mut input, random);
            }
            return input;
        }
        bytes::mutate(&mut input, random);
        if by_structure && input.starts_with(b"\x89PNG") {
            mend_png_sums(&mut input);
        }
        input
    }

    fn read(&self, input: &[u8], place: &Path) -> Result<Verdict, String> {
        std::fs::write(place, input).map_err(|error| format!("the bench could not write: {error}"))?;
        let any_size = OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() };
        let Ok(scan) = Scan::open(place, &any_size) else { return Ok(Verdict::Refused) };
        let (width, height) = (scan.width(), scan.height());
        let (x, y) = (width.saturating_sub(MOST_PX) / 2, height.saturating_sub(MOST_PX) / 2);
        let rect = PixelRect::new(x, y, width.min(x + MOST_PX), height.min(y + MOST_PX));
        let light = scan.linearisation();
        match scan.read_region(rect, &CancelToken::new()) {
            Err(_) => Ok(Verdict::Refused),
            Ok(samples) => {
                let first = samples.data().first().copied().unwrap_or(0);
                if light.light(0, first).is_finite() {
                    Ok(Verdict::Taken)
                } else {
                    Err("a code that is no light".to_owned())
                }
            }
        }
    }
}

/// Corrects the checksum of every chunk, so that readers look at the content.
fn mend_png_sums(bytes: &mut [u8]) {
    let mut at = 8;
    while let Some(head) = bytes.get(at..at + 4) {
        let length = head.iter().fold(0_usize, |sum, byte| sum << 8 | usize::from(*byte));
        let Some(covered) = bytes.get(at + 4..(at + 8).saturating_add(length)) else { return };
        let sum = crc32(covered).to_be_bytes();
        let Some(place) = bytes.get_mut(at + 8 + length..at + 12 + length) else { return };
        place.copy_from_slice(&sum);
        at += 12 + length;
    }
}

/// CRC-32 of ISO 3309, bit by bit: the pictures are small.
fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0_u32, |sum, byte| {
        (0..8).fold(sum ^ u32::from(*byte), |sum, _| (sum >> 1) ^ (0xEDB8_8320 & (sum & 1).wrapping_neg()))
    })
}
