//! A scan with an infrared channel as a plain TIFF, in the layout that film scanners write.

use std::io::Write as _;
use std::path::Path;

use glassine_raster::Samples16;

use crate::{AtomicFile, Error, Overwrite};

/// Rows in one TIFF strip.
const ROWS_PER_STRIP: u32 = 64;

/// Write linear red, green, blue and infrared as one 16-bit little-endian TIFF, infrared as a fourth sample of
/// unspecified meaning (ExtraSamples 0), uncompressed, in strips. Returns the length in bytes.
///
/// Tags and types: TIFF 6.0, sections 2 to 8; ExtraSamples in section 18.
pub fn write_rgbi(
    path: &Path,
    samples: &Samples16,
    ppi: f64,
    description: &str,
    overwrite: Overwrite,
) -> Result<u64, Error> {
    let (width, height) = (samples.width(), samples.height());
    let bytes = u64::from(width) * u64::from(height) * 8;
    if samples.channels() != 4 || bytes == 0 || bytes > u64::from(u32::MAX) - (1 << 20) {
        return Err(Error::usage(
            path,
            "a scan with infrared has 4 channels and fewer than 4 GiB of samples",
        ));
    }
    if !(ppi.is_finite() && ppi > 0.0 && ppi < 1e6) {
        let found = format!("a resolution of {ppi} ppi");
        return Err(Error::unsupported(path, found, "choose one between 1 and 1 000 000 ppi"));
    }
    let mut file = AtomicFile::create(path, overwrite)?;
    let mut write = |part: &[u8]| file.write_all(part).map_err(Error::io(path, "write the file"));
    write(&header(width, height, ppi, description))?;
    let mut row_bytes = Vec::with_capacity(width as usize * 8 * ROWS_PER_STRIP as usize);
    for first in (0..height).step_by(ROWS_PER_STRIP as usize) {
        row_bytes.clear();
        for y in first..(first + ROWS_PER_STRIP).min(height) {
            row_bytes.extend(samples.row(y).iter().flat_map(|code| code.to_le_bytes()));
        }
        write(&row_bytes)?;
    }
    file.commit()
}

/// Header, directory and everything it points to; samples follow directly.
fn header(width: u32, height: u32, ppi: f64, description: &str) -> Vec<u8> {
    let n_strips = height.div_ceil(ROWS_PER_STRIP);
    let mut text: Vec<u8> = description.bytes().filter(|b| (32..127).contains(b)).collect();
    text.push(0);
    text.resize(text.len().max(5), 0);
    const ENTRIES: u32 = 15;
    let directory_end = 8 + 2 + 12 * ENTRIES + 4;
    let bits_at = directory_end;
    let resolution_at = bits_at + 8;
    let text_at = resolution_at + 8;
    let offsets_at = (text_at + text.len() as u32).next_multiple_of(4);
    let counts_at = offsets_at + 4 * n_strips;
    let data_at = (counts_at + 4 * n_strips).next_multiple_of(8);
    let strip_bytes = |i: u32| width * 8 * (height - i * ROWS_PER_STRIP).min(ROWS_PER_STRIP);
    // A single strip's offset and length are stored in the directory itself.
    let (offsets, counts) = if n_strips == 1 { (data_at, strip_bytes(0)) } else { (offsets_at, counts_at) };

    let mut out = Vec::with_capacity(data_at as usize);
    out.extend_from_slice(b"II*\0");
    out.extend_from_slice(&8u32.to_le_bytes());
    out.extend_from_slice(&(ENTRIES as u16).to_le_bytes());
    let (short, long, rational, ascii) = (3u16, 4u16, 5u16, 2u16);
    for (tag, kind, count, value) in [
        (254u16, long, 1, 0),
        (256, long, 1, width),
        (257, long, 1, height),
        (258, short, 4, bits_at),
        (259, short, 1, 1),
        (262, short, 1, 2),
        (270, ascii, text.len() as u32, text_at),
        (273, long, n_strips, offsets),
        (277, short, 1, 4),
        (278, long, 1, ROWS_PER_STRIP),
        (279, long, n_strips, counts),
        (282, rational, 1, resolution_at),
        (283, rational, 1, resolution_at),
        (296, short, 1, 2),
        (338, short, 1, 0),
    ] {
        out.extend_from_slice(&tag.to_le_bytes());
        out.extend_from_slice(&kind.to_le_bytes());
        out.extend_from_slice(&u32::to_le_bytes(count));
        out.extend_from_slice(&u32::to_le_bytes(value));
    }
    out.extend_from_slice(&0u32.to_le_bytes());
    out.extend([16u16; 4].iter().flat_map(|b| b.to_le_bytes()));
    out.extend_from_slice(&((ppi * 1000.0).round() as u32).to_le_bytes());
    out.extend_from_slice(&1000u32.to_le_bytes());
    out.extend_from_slice(&text);
    out.resize(offsets_at as usize, 0);
    let mut at = data_at;
    for i in 0..n_strips {
        out.extend_from_slice(&at.to_le_bytes());
        at += strip_bytes(i);
    }
    for i in 0..n_strips {
        out.extend_from_slice(&strip_bytes(i).to_le_bytes());
    }
    out.resize(data_at as usize, 0);
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{InfraredSource, OpenOptions, Scan};
    use glassine_raster::{CancelToken, PixelRect};

    #[test]
    fn written_scan_is_read_back_exactly_with_its_infrared() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        for (w, h) in [(31u32, 7u32), (40, 150)] {
            let data = (0..w * h * 4).map(|i| (i * 7919 % 65_536) as u16).collect();
            let samples = Samples16::from_vec(w, h, 4, data).expect("the length fits");
            let path = folder.path().join(format!("scan-{h}.tif"));
            let bytes =
                write_rgbi(&path, &samples, 900.0, "two words", Overwrite::Never).expect("it is written");
            assert_eq!(bytes, std::fs::metadata(&path).expect("the file is there").len());
            let scan = Scan::open(&path, &OpenOptions { least_sides_px: (1, 1), ..OpenOptions::default() })
                .expect("it opens");
            assert_eq!(scan.info().infrared, InfraredSource::ExtraSample);
            assert_eq!(scan.info().ppi, Some([900.0, 900.0]));
            let back = scan.read_region(PixelRect::of_size(w, h), &CancelToken::new()).expect("it reads");
            assert_eq!(back, samples);
        }
    }
}
