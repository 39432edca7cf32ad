//! PNG and JPEG: formats that can only be decoded from the start, so they are decoded once and kept.

use std::io::Cursor;
use std::path::Path;
use std::sync::Arc;

use glassine_raster::{CancelToken, Orientation, PixelRect, RegionSource as _, Samples16};
use image::codecs::{jpeg::JpegDecoder, png::PngDecoder};
use image::{ColorType, ExtendedColorType, ImageDecoder};

use super::bytes::{Positioned, zeroed};
use super::jpeg_check::check_jpeg;
use super::reduce::reduce_by_regions;
use super::segments::{check_png, jpeg_facts, png_facts};
use super::{BoxReducer, Opened, Picture, Reduction};
use crate::info::{UNKNOWN_PPI, moment, orientation_from_tag};
use crate::{Encoding, Error, FourthSample, InfraredSource, OpenOptions};

/// A decoded picture in memory.
#[derive(Debug)]
struct Decoded {
    path: std::path::PathBuf,
    samples: Samples16,
}

impl Picture for Decoded {
    fn size(&self) -> (u32, u32) {
        (self.samples.width(), self.samples.height())
    }

    fn channels(&self) -> u8 {
        self.samples.channels()
    }

    fn reduce(&self, how: &Reduction<'_>, reducer: &BoxReducer) -> Result<(), Error> {
        let read = |rect| self.read(rect, how.cancel);
        reduce_by_regions(&self.path, self.size(), self.channels(), &read, how, reducer)
    }

    fn read(&self, rect: PixelRect, cancel: &CancelToken) -> Result<Samples16, Error> {
        self.samples.read(rect, cancel).map_err(|e| match e {
            glassine_raster::RegionError::Cancelled(c) => Error::Cancelled(c),
            other => Error::malformed(&self.path, other.to_string()),
        })
    }
}

/// Output of a decoder, before it becomes an [`Opened`].
struct Raw {
    samples: Samples16,
    colours: u8,
    infrared: InfraredSource,
    icc: Option<Vec<u8>>,
    orientation: Orientation,
    scanned_at: Option<String>,
    exif_ppi: Option<[f64; 2]>,
    bits: u8,
    notes: Vec<String>,
}

pub(super) fn open_png(file: Arc<Positioned>, options: &OpenOptions) -> Result<Opened, Error> {
    let bytes = all_bytes(&file, options)?;
    let facts = png_facts(&bytes);
    let path = file.path();
    one_page_only(path, options)?;
    let damaged = check_png(&bytes).map_err(|found| Error::malformed(path, found))?;
    let decoder =
        PngDecoder::with_limits(Cursor::new(&bytes), limits(options)).map_err(|e| broken(path, &e))?;
    let mut raw = decode(path, decoder, options)?;
    raw.notes.extend(damaged);
    let palette = facts.palette;
    if palette {
        raw.notes.push("palette colours are expanded to RGB".into());
    }
    let (untagged, note) = match (facts.srgb, facts.gamma) {
        (true, _) => (Encoding::Srgb, None),
        (false, Some(gamma)) if (gamma - 1.0).abs() < 1e-3 => (Encoding::Linear, None),
        // The gAMA value that approximates sRGB. Source: PNG specification, sRGB chunk: gAMA 45455.
        (false, Some(gamma)) if (gamma - 0.45455).abs() < 1e-4 => (Encoding::Srgb, None),
        (false, Some(gamma)) => (Encoding::Gamma(1.0 / gamma), None),
        (false, None) => {
            (Encoding::Srgb, Some("PNG codes without a colour profile are taken as sRGB".to_owned()))
        }
    };
    let kind = if palette { "palette".to_owned() } else { format!("{}-bit", raw.bits) };
    Ok(finish(file, raw, format!("PNG, {kind}"), facts.ppi, untagged, note))
}

pub(super) fn open_jpeg(file: Arc<Positioned>, options: &OpenOptions) -> Result<Opened, Error> {
    let bytes = all_bytes(&file, options)?;
    let facts = jpeg_facts(&bytes);
    let path = file.path();
    if facts.components == Some(4) {
        return Err(Error::unsupported(path, "a CMYK JPEG", "save it as RGB, best as a 16-bit TIFF"));
    }
    if !facts.ended {
        return Err(Error::cut_short(path, bytes.len() as u64, None));
    }
    one_page_only(path, options)?;
    let damage = check_jpeg(&bytes).map_err(|found| Error::malformed(path, found))?;
    let decoder = JpegDecoder::new(Cursor::new(&bytes)).map_err(|e| broken(path, &e))?;
    let mut raw = decode(path, decoder, options)?;
    raw.notes.push("a JPEG has 8 bits and lost detail; scan to 16-bit TIFF for the best result".into());
    let note = Some("JPEG codes without a colour profile are taken as sRGB".to_owned());
    let opened = finish(Arc::clone(&file), raw, "JPEG, 8-bit".into(), facts.ppi, Encoding::Srgb, note);
    Ok(Opened { damage, ..opened })
}

/// A requested page must exist; these files have only one.
fn one_page_only(path: &Path, options: &OpenOptions) -> Result<(), Error> {
    match options.page {
        None | Some(1) => Ok(()),
        Some(page) => {
            let found = format!("page {page} of a file with one picture");
            Err(Error::unsupported(path, found, "choose page 1, or leave the page out"))
        }
    }
}

fn finish(
    file: Arc<Positioned>,
    raw: Raw,
    container: String,
    ppi: Option<[f64; 2]>,
    untagged: Encoding,
    untagged_note: Option<String>,
) -> Opened {
    Opened {
        picture: Box::new(Decoded { path: file.path().to_owned(), samples: raw.samples }),
        file,
        page: 1,
        pages: 1,
        damage: None,
        colours: raw.colours,
        infrared: raw.infrared,
        second_page: None,
        ppi: ppi.or(raw.exif_ppi),
        bits: raw.bits,
        container,
        icc: raw.icc,
        orientation: raw.orientation,
        scanned_at: raw.scanned_at,
        untagged,
        untagged_note,
        notes: raw.notes,
    }
}

fn all_bytes(file: &Positioned, options: &OpenOptions) -> Result<Vec<u8>, Error> {
    if file.len() > options.max_decoded_bytes {
        let what = "a picture that must be read in one piece (bytes)";
        return Err(Error::over(file.path(), what, file.len(), options.max_decoded_bytes));
    }
    file.bytes(0, file.len(), "the picture")
}

fn limits(options: &OpenOptions) -> image::Limits {
    let mut limits = image::Limits::no_limits();
    limits.max_alloc = Some(options.max_decoded_bytes);
    limits
}

fn broken(path: &Path, error: &image::ImageError) -> Error {
    match error {
        image::ImageError::Unsupported(e) => {
            Error::unsupported(path, e.to_string(), "save the scan as TIFF, or as a plain PNG or JPEG")
        }
        image::ImageError::Limits(_) => Error::malformed(path, "more data than its header allows"),
        _ => Error::malformed(path, "the picture data is damaged and can't be unpacked"),
    }
}

fn decode<D: ImageDecoder>(path: &Path, mut decoder: D, options: &OpenOptions) -> Result<Raw, Error> {
    let (width, height) = decoder.dimensions();
    let pixels = u64::from(width) * u64::from(height);
    if pixels > options.max_pixels {
        return Err(Error::over(
            path,
            format!("a picture of {width} x {height} px"),
            pixels,
            options.max_pixels,
        ));
    }
    if decoder.total_bytes() > options.max_decoded_bytes {
        let what = format!("a picture of {width} x {height} px in one piece (bytes)");
        return Err(Error::over(path, what, decoder.total_bytes(), options.max_decoded_bytes));
    }
    if matches!(decoder.original_color_type(), ExtendedColorType::Cmyk8 | ExtendedColorType::Cmyk16) {
        return Err(Error::unsupported(path, "a CMYK picture", "save it as RGB, best as a 16-bit TIFF"));
    }
    let icc = decoder.icc_profile().ok().flatten();
    let (orientation, exif_ppi, scanned_at) = exif_facts(decoder.exif_metadata().ok().flatten());
    let (colours, extra, bits) = match decoder.color_type() {
        ColorType::L8 => (1, 0, 8),
        ColorType::La8 => (1, 1, 8),
        ColorType::Rgb8 => (3, 0, 8),
        ColorType::Rgba8 => (3, 1, 8),
        ColorType::L16 => (1, 0, 16),
        ColorType::La16 => (1, 1, 16),
        ColorType::Rgb16 => (3, 0, 16),
        ColorType::Rgba16 => (3, 1, 16),
        other => {
            let hint = "save the scan as grey or RGB with 8 or 16 bits a sample";
            return Err(Error::unsupported(path, format!("a picture of kind {other:?}"), hint));
        }
    };
    let mut bytes: Vec<u8> = zeroed(path, "the picture", decoder.total_bytes())?;
    decoder.read_image(&mut bytes).map_err(|e| broken(path, &e))?;
    let mut notes = Vec::new();
    let infrared = match (extra, options.fourth_sample) {
        (1, FourthSample::Infrared) => InfraredSource::ExtraSample,
        (1, _) => {
            notes.push("the opacity plane is left out".into());
            InfraredSource::None
        }
        _ => InfraredSource::None,
    };
    let kept = colours + u8::from(infrared == InfraredSource::ExtraSample);
    let codes = codes_of(path, &bytes, bits, usize::from(colours + extra), usize::from(kept))?;
    let samples = Samples16::from_vec(width, height, kept, codes)
        .ok_or_else(|| Error::malformed(path, "a pixel count that differs from its header"))?;
    Ok(Raw { samples, colours, infrared, icc, orientation, scanned_at, exif_ppi, bits, notes })
}

/// The first `kept` of every `per_px` samples as 16-bit codes; the decoders give native byte order.
fn codes_of(path: &Path, bytes: &[u8], bits: u8, per_px: usize, kept: usize) -> Result<Vec<u16>, Error> {
    let size = usize::from(bits / 8);
    let pixels = bytes.len() / size / per_px;
    let mut codes: Vec<u16> = zeroed(path, "the picture", (pixels * kept) as u64)?;
    for (to, from) in codes.chunks_exact_mut(kept).zip(bytes.chunks_exact(per_px * size)) {
        for (v, b) in to.iter_mut().zip(from.chunks_exact(size)) {
            *v = match b {
                [one] => u16::from(*one) * 257,
                [a, b] => u16::from_ne_bytes([*a, *b]),
                _ => 0,
            };
        }
    }
    Ok(codes)
}

/// Orientation, resolution and date of an Exif block; a damaged block counts as absent.
fn exif_facts(block: Option<Vec<u8>>) -> (Orientation, Option<[f64; 2]>, Option<String>) {
    let Some(exif) = block.and_then(|raw| exif::Reader::new().read_raw(raw).ok()) else {
        return (Orientation::default(), None, None);
    };
    let number = |tag| exif.get_field(tag, exif::In::PRIMARY).and_then(|f| f.value.get_uint(0));
    let real = |tag| match exif.get_field(tag, exif::In::PRIMARY).map(|f| &f.value) {
        Some(exif::Value::Rational(v)) => v.first().map(|r| r.to_f64()).filter(|v| (2.0..1e6).contains(v)),
        _ => None,
    };
    let per_inch = match number(exif::Tag::ResolutionUnit) {
        None | Some(2) => Some(1.0),
        Some(3) => Some(2.54),
        _ => None,
    };
    let ppi = match (per_inch, real(exif::Tag::XResolution), real(exif::Tag::YResolution)) {
        // Exif writers put 72 if they do not know the resolution.
        (Some(_), Some(UNKNOWN_PPI), Some(UNKNOWN_PPI)) => None,
        (Some(k), Some(x), Some(y)) => Some([x * k, y * k]),
        _ => None,
    };
    let text = |tag| match exif.get_field(tag, exif::In::PRIMARY).map(|field| &field.value) {
        Some(exif::Value::Ascii(parts)) => {
            parts.first().map(|bytes| String::from_utf8_lossy(bytes).into_owned())
        }
        _ => None,
    };
    let date = text(exif::Tag::DateTimeDigitized).or_else(|| text(exif::Tag::DateTime));
    let scanned_at = moment(date, text(exif::Tag::OffsetTimeDigitized));
    (orientation_from_tag(number(exif::Tag::Orientation).unwrap_or(1)), ppi, scanned_at)
}
