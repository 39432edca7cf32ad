//! Pictures that the program carries itself, such as those of its guide and its icon.

use std::io::Cursor;

use image::codecs::png::PngDecoder;
use image::{DynamicImage, ImageDecoder as _};

/// Longest side of such a picture, pixels.
const SIDE_MAX_PX: u32 = 4096;

/// Columns, rows and bytes (red, green, blue, opacity) of a PNG in memory; `None` if it is none, or larger than any that a
/// program carries.
pub fn decode_own_png(bytes: &[u8]) -> Option<(u32, u32, Vec<u8>)> {
    let decoder = PngDecoder::new(Cursor::new(bytes)).ok()?;
    let (width, height) = decoder.dimensions();
    if width > SIDE_MAX_PX || height > SIDE_MAX_PX {
        return None;
    }
    let rgba = DynamicImage::from_decoder(decoder).ok()?.into_rgba8();
    Some((width, height, rgba.into_raw()))
}
