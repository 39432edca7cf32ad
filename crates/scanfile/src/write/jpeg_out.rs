//! JPEG, encoded with the whole picture in memory.

use std::io::Write as _;
use std::path::Path;

use image::codecs::jpeg::{JpegEncoder, PixelDensity};
use image::{ExtendedColorType, ImageEncoder as _};

use super::directory::write_failed;
use super::metadata::{exif_block, xmp_packet};
use super::spec::PictureSpec;
use crate::numbers::{to_u16, whole_u16};
use crate::{AtomicFile, Error};

/// Most bytes that one application segment can hold after its length field.
const SEGMENT_LIMIT: usize = 65_533;

/// Encode the picture and write it with profile, resolution, Exif and XMP; also returns the hash of the bytes.
pub(super) fn write_jpeg(
    mut file: AtomicFile,
    spec: &PictureSpec,
    quality: u8,
    pixels: &[u8],
) -> Result<(AtomicFile, blake3::Hash), Error> {
    let path = file.path().to_owned();
    let mut encoded = Vec::new();
    let mut encoder = JpegEncoder::new_with_quality(&mut encoded, quality);
    if let Some(ppi) = spec.ppi {
        encoder.set_pixel_density(PixelDensity::dpi(whole_u16(ppi.round().max(1.0))));
    }
    if let Some(icc) = &spec.icc {
        encoder.set_icc_profile(icc.to_vec()).map_err(|e| Error::usage(&path, e.to_string()))?;
    }
    let kind = if spec.channels == 3 { ExtendedColorType::Rgb8 } else { ExtendedColorType::L8 };
    encoder
        .write_image(pixels, spec.width_px, spec.height_px, kind)
        .map_err(|e| Error::usage(&path, format!("the picture could not be encoded ({e})")))?;
    let at = end_of_first_segment(&encoded, &path)?;
    let (exif, xmp) = if spec.metadata.is_empty() {
        (Vec::new(), Vec::new())
    } else {
        let xmp = xmp_packet(&spec.metadata);
        (
            segment(b"Exif\0\0", &exif_block(spec).map_err(write_failed(&path))?),
            segment(b"http://ns.adobe.com/xap/1.0/\0", xmp.as_bytes()),
        )
    };
    let mut hasher = blake3::Hasher::new();
    for part in [&encoded[..at], &exif, &xmp, &encoded[at..]] {
        hasher.update(part);
        file.write_all(part).map_err(Error::io(&path, "write the file"))?;
    }
    Ok((file, hasher.finalize()))
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
