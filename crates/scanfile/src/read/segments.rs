//! The few facts of PNG chunks and JPEG segments that decoders do not pass on: resolution, stated encoding, components.

use crate::error::ends_early;
use crate::numbers::{to_f64, to_u8, to_usize};

/// Most bytes that one byte of Deflate data can unpack to: 258 for two bits, with some margin.
const DEFLATE_MOST: u64 = 1040;

/// Facts of a PNG before its pixel data.
#[derive(Debug, Default, PartialEq)]
pub(super) struct PngFacts {
    pub(super) ppi: Option<[f64; 2]>,
    pub(super) srgb: bool,
    /// The gAMA value: encoded = light ^ gamma.
    pub(super) gamma: Option<f64>,
    pub(super) palette: bool,
}

/// Facts of a JPEG, and whether it is whole.
#[derive(Debug, Default, PartialEq)]
pub(super) struct JpegFacts {
    pub(super) ppi: Option<[f64; 2]>,
    pub(super) components: Option<u8>,
    /// Whether the end marker is there; decoders silently fill the rest of a cut file with grey.
    pub(super) ended: bool,
}

pub(super) fn be(bytes: &[u8], at: usize, n: usize) -> Option<u64> {
    Some(bytes.get(at..at.checked_add(n)?)?.iter().fold(0, |v, b| (v << 8) | u64::from(*b)))
}

fn sane(x: f64, y: f64) -> Option<[f64; 2]> {
    let ok = |v: f64| (2.0..1e6).contains(&v);
    (ok(x) && ok(y)).then_some([x, y])
}

/// Walk the chunks up to the pixel data. Source: PNG specification (IHDR, gAMA, sRGB, pHYs).
pub(super) fn png_facts(bytes: &[u8]) -> PngFacts {
    let mut facts = PngFacts::default();
    let mut at = 8;
    while let (Some(len), Some(kind)) = (be(bytes, at, 4), bytes.get(at + 4..at + 8)) {
        let body = at + 8;
        match kind {
            b"IHDR" => facts.palette = be(bytes, body + 9, 1) == Some(3),
            b"sRGB" => facts.srgb = true,
            b"gAMA" => {
                let value = to_f64(be(bytes, body, 4).unwrap_or(0)) / 100_000.0;
                facts.gamma = (0.05..=20.0).contains(&value).then_some(value);
            }
            b"pHYs" => {
                if let (Some(x), Some(y), Some(1)) =
                    (be(bytes, body, 4), be(bytes, body + 4, 4), be(bytes, body + 8, 1))
                {
                    // Pixels per metre; whole numbers of ppi stay whole after rounding to a hundredth.
                    let ppi = |v: u64| (to_f64(v) * 0.0254 * 100.0).round() / 100.0;
                    facts.ppi = sane(ppi(x), ppi(y));
                }
            }
            b"IDAT" | b"IEND" => break,
            _ => {}
        }
        at = body.saturating_add(to_usize(len)).saturating_add(4);
    }
    facts
}

/// Compare the checksum of every PNG chunk. `Ok` has a sentence for each damaged chunk that the picture does not need;
/// `Err` names the fault of one that it needs. Source: PNG specification (chunk layout, naming, CRC).
pub(super) fn check_png(bytes: &[u8]) -> Result<Vec<String>, String> {
    let mut notes = Vec::new();
    let (mut at, mut packed_bytes, mut needed_bytes) = (8_usize, 0_u64, 0_u64);
    while at < bytes.len() {
        let cut = || ends_early(bytes.len() as u64, None);
        let len = to_usize(be(bytes, at, 4).ok_or_else(cut)?);
        let end = at.checked_add(8).and_then(|body| body.checked_add(len)).ok_or_else(cut)?;
        let (Some(covered), Some(stored)) = (bytes.get(at + 4..end), be(bytes, end, 4)) else {
            return Err(cut());
        };
        let (kind, body) = covered.split_at(4);
        let mut crc = flate2::Crc::new();
        crc.update(covered);
        if u64::from(crc.sum()) != stored {
            let name = String::from_utf8_lossy(kind);
            // A lower-case first letter marks a chunk that a reader may leave out.
            if !kind.iter().all(u8::is_ascii_alphabetic) || kind.first().is_some_and(u8::is_ascii_uppercase) {
                return Err(format!("the PNG is damaged: the checksum of its {name} data is wrong"));
            }
            notes.push(format!("the {name} data of the PNG are damaged (wrong checksum) and were left out"));
        }
        match kind {
            b"IHDR" => {
                let side = |at| be(body, at, 4).unwrap_or(0);
                let bits = be(body, 8, 1).unwrap_or(0);
                needed_bytes = side(0).saturating_mul(side(4)).saturating_mul(bits) / 8;
            }
            b"IDAT" => packed_bytes += len as u64,
            b"IEND" if packed_bytes.saturating_mul(DEFLATE_MOST) < needed_bytes => {
                let found = format!("the PNG has {packed_bytes} bytes for {needed_bytes} bytes of pixels");
                return Err(format!("{found}, which is too little"));
            }
            b"IEND" => return Ok(notes),
            _ => {}
        }
        at = end + 4;
    }
    Err(ends_early(bytes.len() as u64, None))
}

/// Walk the segments to the end. Source: JFIF 1.02 (APP0 density), ITU-T T.81 (frame header).
pub(super) fn jpeg_facts(bytes: &[u8]) -> JpegFacts {
    let mut facts = JpegFacts::default();
    let mut at = 2;
    while let Some([0xFF, marker]) = bytes.get(at..at + 2).map(|b| [b[0], b[1]]) {
        if marker == 0xFF {
            at += 1;
            continue;
        }
        if matches!(marker, 0xD0..=0xD7 | 0x01) {
            at += 2;
            continue;
        }
        if marker == 0xD9 {
            facts.ended = true;
            break;
        }
        let Some(len) = be(bytes, at + 2, 2) else { break };
        let body = at + 4;
        match marker {
            0xE0 if bytes.get(body..body + 5) == Some(b"JFIF\0") => {
                let unit = be(bytes, body + 7, 1);
                if let (Some(x), Some(y)) = (be(bytes, body + 8, 2), be(bytes, body + 10, 2)) {
                    let k = match unit {
                        Some(1) => 1.0,
                        Some(2) => 2.54,
                        _ => 0.0,
                    };
                    facts.ppi = sane(to_f64(x) * k, to_f64(y) * k);
                }
            }
            // Frame headers are C0 to CF without C4 (tables), C8 (reserved) and CC (conditioning).
            0xC0..=0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF => {
                facts.components = be(bytes, body + 5, 1).map(to_u8);
            }
            _ => {}
        }
        at = at.saturating_add(2).saturating_add(to_usize(len).max(2));
        if marker == 0xDA {
            at = end_of_scan(bytes, at);
        }
    }
    facts
}

/// Position of the first marker after entropy-coded data: a byte FF that is followed by neither a stuffed zero, nor a
/// restart marker, nor another FF.
fn end_of_scan(bytes: &[u8], from: usize) -> usize {
    let data = bytes.get(from..).unwrap_or_default();
    data.windows(2)
        .position(|w| w[0] == 0xFF && !matches!(w[1], 0x00 | 0xD0..=0xD7 | 0xFF))
        .map_or(bytes.len(), |i| from + i)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chunks_of_a_png_are_read_up_to_the_pixels() {
        let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
        for (kind, body) in [
            (b"IHDR", [0, 0, 0, 1, 0, 0, 0, 1, 8, 3, 0, 0, 0].as_slice()),
            (b"gAMA", &[0, 1, 0x86, 0xA0]),
            (b"pHYs", &[0, 0, 0x2E, 0x23, 0, 0, 0x2E, 0x23, 1]),
            (b"IDAT", &[]),
            (b"sRGB", &[0]),
        ] {
            png.extend((body.len() as u32).to_be_bytes());
            png.extend(kind);
            png.extend(body);
            png.extend([0; 4]);
        }
        let facts = png_facts(&png);
        assert_eq!(
            facts,
            PngFacts { ppi: Some([300.0, 300.0]), srgb: false, gamma: Some(1.0), palette: true }
        );
        for cut in 0..png.len() {
            png_facts(&png[..cut]);
        }
    }

    #[test]
    fn a_png_of_impossible_size_and_depth_is_refused_in_words() {
        let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
        for (kind, body) in [(b"IHDR", [0x7F; 13].as_slice()), (b"IEND", &[])] {
            png.extend((body.len() as u32).to_be_bytes());
            let covered = [kind.as_slice(), body].concat();
            let mut crc = flate2::Crc::new();
            crc.update(&covered);
            png.extend(&covered);
            png.extend(crc.sum().to_be_bytes());
        }
        let error = check_png(&png).expect_err("is refused");
        assert!(error.contains("too little"), "{error}");
    }

    #[test]
    fn segments_of_a_jpeg_are_read_up_to_the_pixels() {
        let mut jpeg = vec![0xFF, 0xD8, 0xFF, 0xE0, 0, 16];
        jpeg.extend(b"JFIF\0\x01\x02\x02\0\x76\0\x76\0\0");
        jpeg.extend([0xFF, 0xC2, 0, 8, 8, 0, 1, 0, 1, 4, 0xFF, 0xDA, 0, 3, 9]);
        jpeg.extend([1, 2, 0xFF, 0, 3, 0xFF, 0xD4, 5, 0xFF, 0xFF, 0xD9]);
        let facts = jpeg_facts(&jpeg);
        assert_eq!((facts.components, facts.ended), (Some(4), true));
        let [x, _] = facts.ppi.expect("density is there");
        assert!((x - 118.0 * 2.54).abs() < 1e-9);
        for cut in 0..jpeg.len() {
            assert!(!jpeg_facts(&jpeg[..cut]).ended, "{cut}");
        }
    }
}
