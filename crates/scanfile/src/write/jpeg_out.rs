//! JPEG, encoded with the whole picture in memory.

use std::io::Write as _;
use std::path::Path;

use image::codecs::jpeg::{JpegEncoder, PixelDensity};
use image::{ExtendedColorType, ImageEncoder as _};

use super::directory::write_failed;
use super::metadata::exif_block;
use super::spec::{Metadata, PictureSpec};
use super::xmp::xmp_packet;
use crate::numbers::{to_u16, whole_u16};
use crate::{AtomicFile, Error};

/// Most bytes that one application segment can hold after its length field.
const SEGMENT_LIMIT: usize = 65_533;

/// Lowest quality that a limit of the size leads to: below it, blocks show in every sky. Our choice.
const LEAST_QUALITY: u8 = 30;

/// Encode the picture and write it with profile, resolution, Exif and XMP; also returns the hash of the bytes. With a
/// limit, it gets the highest quality up to the one asked for whose file is not larger.
pub(super) fn write_jpeg(
    mut file: AtomicFile,
    spec: &PictureSpec,
    (quality, most_bytes): (u8, Option<u64>),
    pixels: &[u8],
) -> Result<(AtomicFile, blake3::Hash), Error> {
    let path = file.path().to_owned();
    let (exif, xmp) = if spec.metadata.is_empty() {
        (Vec::new(), Vec::new())
    } else {
        (segment(b"Exif\0\0", &exif_block(spec).map_err(write_failed(&path))?), xmp_segment(&spec.metadata))
    };
    let about = exif.len() + xmp.len();
    let fits = |encoded: &[u8]| most_bytes.is_none_or(|most| (encoded.len() + about) as u64 <= most);
    let mut encoded = encode(&path, spec, quality, pixels)?;
    if !fits(&encoded) {
        // The largest quality that fits lies between them; the lowest is taken if none does, and refused by the caller.
        let (mut low, mut high) = (LEAST_QUALITY.min(quality), quality);
        encoded = encode(&path, spec, low, pixels)?;
        while high - low > 1 {
            let middle = low.midpoint(high);
            let tried = encode(&path, spec, middle, pixels)?;
            if fits(&tried) {
                (low, encoded) = (middle, tried);
            } else {
                high = middle;
            }
        }
    }
    let at = end_of_first_segment(&encoded, &path)?;
    let mut hasher = blake3::Hasher::new();
    for part in [&encoded[..at], &exif, &xmp, &encoded[at..]] {
        hasher.update(part);
        file.write_all(part).map_err(Error::io(&path, "write the file"))?;
    }
    Ok((file, hasher.finalize()))
}

/// The JPEG with profile and resolution.
fn encode(path: &Path, spec: &PictureSpec, quality: u8, pixels: &[u8]) -> Result<Vec<u8>, Error> {
    let mut encoded = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut encoded, quality);
    if let Some(ppi) = spec.ppi {
        encoder.set_pixel_density(PixelDensity::dpi(whole_u16(ppi.ppi().round().max(1.0))));
    }
    if let Some(icc) = &spec.icc {
        encoder.set_icc_profile(icc.to_vec()).map_err(|e| Error::usage(path, e.to_string()))?;
    }
    let kind = if spec.channels == 3 { ExtendedColorType::Rgb8 } else { ExtendedColorType::L8 };
    encoder
        .write_image(pixels, spec.width_px, spec.height_px, kind)
        .map_err(|e| Error::usage(path, format!("the picture could not be encoded ({e})")))?;
    Ok(encoded)
}

/// Position after the start marker and the JFIF segment, where application segments belong.
fn end_of_first_segment(encoded: &[u8], path: &Path) -> Result<usize, Error> {
    match encoded {
        [0xFF, 0xD8, 0xFF, 0xE0, high, low, ..] => Ok(4 + (usize::from(*high) << 8 | usize::from(*low))),
        [0xFF, 0xD8, ..] => Ok(2),
        _ => Err(Error::usage(path, "the encoder produced no JPEG")),
    }
    .and_then(|at| {
        if at <= encoded.len() { Ok(at) } else { Err(Error::usage(path, "the encoder produced no JPEG")) }
    })
}

/// The XMP packet as far as a segment holds it: without the record of the settings, and at last with their digest alone,
/// by which a later export knows the file.
fn xmp_segment(metadata: &Metadata) -> Vec<u8> {
    let without_settings = Metadata { settings: String::new(), ..metadata.clone() };
    let digest_alone = Metadata { settings_digest: metadata.settings_digest.clone(), ..Metadata::default() };
    let segment = |metadata| segment(b"http://ns.adobe.com/xap/1.0/\0", xmp_packet(metadata).as_bytes());
    let segments = [metadata, &without_settings, &digest_alone].into_iter().map(segment);
    segments.into_iter().find(|segment| !segment.is_empty()).unwrap_or_default()
}

/// An APP1 segment; left out if it would not fit, because a reader must never find half of it.
fn segment(name: &[u8], body: &[u8]) -> Vec<u8> {
    let len = name.len() + body.len();
    if len > SEGMENT_LIMIT {
        return Vec::new();
    }
    let mut out = vec![0xFF, 0xE1];
    out.extend(to_u16(len + 2).to_be_bytes());
    out.extend_from_slice(name);
    out.extend_from_slice(body);
    out
}
