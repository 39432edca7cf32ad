//! Text about a picture as Exif block.
//!
//! The date of the photograph is written only when it is known. Source of the property names and of the digital-source
//! vocabulary: XMP specification part 1 and 2, CIPA DC-010 (Exif in XMP), IPTC `NewsCodes` `digitalsourcetype` (the URI
//! starts with http).

use std::io::{Cursor, Seek, Write};

use glassine_raster::ResolutionPpi;
use tiff::TiffResult;
use tiff::encoder::{TiffEncoder, TiffKind};
use tiff::tags::{ResolutionUnit, Tag};

use super::directory::Fields;
use super::spec::{FilmSourceKind, Metadata, PictureFormat, PictureSpec};
use super::xmp::iso_date;
use crate::info::UNKNOWN_PPI;

impl FilmSourceKind {
    /// The IPTC digital source type; there is none for pictures that are not of film.
    pub fn digital_source_uri(self) -> Option<&'static str> {
        match self {
            Self::None => None,
            Self::Negative => Some("http://cv.iptc.org/newscodes/digitalsourcetype/negativeFilm"),
            Self::Positive => Some("http://cv.iptc.org/newscodes/digitalsourcetype/positiveFilm"),
        }
    }
}

/// A date in the 19-character form of Exif, else `None`.
pub(super) fn exif_date(text: &Option<String>) -> Option<&str> {
    text.as_deref().filter(|t| t.len() == 19 && t.contains(' ') && iso_date(t).is_some())
}

/// Fill in the text and dates that belong in the first directory.
pub(crate) fn describe_page<W: Write + Seek, K: TiffKind>(
    page: &mut Fields<'_, W, K>,
    metadata: &Metadata,
) -> TiffResult<()> {
    for (tag, text) in [
        (Tag::ImageDescription, &metadata.description),
        (Tag::Software, &metadata.software),
        (Tag::Artist, &metadata.creator),
        (Tag::Copyright, &metadata.copyright),
        (Tag::Model, &metadata.camera),
    ] {
        if !text.is_empty() {
            page.text(tag, text)?;
        }
    }
    match exif_date(&metadata.modified) {
        Some(date) => page.text(Tag::DateTime, date),
        None => Ok(()),
    }
}

impl Metadata {
    /// Whether there is nothing to write.
    pub(crate) fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// Date and zone of the scan, as far as they are sound.
    pub(super) fn digitised_parts(&self) -> (Option<&str>, Option<&str>) {
        let Some(text) = self.digitised.as_deref() else { return (None, None) };
        let (date, zone) = text.split_at_checked(19).unwrap_or((text, ""));
        let date = Some(date).filter(|date| date.len() == 19 && iso_date(date).is_some());
        (date, date.and(Some(zone)).filter(|zone| is_zone(zone)))
    }

    /// The time zone of `modified`, if both are sound.
    pub(super) fn zone(&self) -> Option<&str> {
        let zone = self.modified_utc_offset.as_deref()?;
        (is_zone(zone) && exif_date(&self.modified).is_some()).then_some(zone)
    }
}

/// Whether a text is a zone such as `+01:00`.
fn is_zone(zone: &str) -> bool {
    match zone.as_bytes() {
        [b'+' | b'-', h @ .., b':', m1, m2] => {
            h.len() == 2 && h.iter().chain([m1, m2]).all(u8::is_ascii_digit)
        }
        _ => false,
    }
}

/// Tags of the Exif directory. Source of numbers, types and required fields: Exif 2.32, tables 4 to 8 and 18 to 21.
mod exif_tag {
    use tiff::tags::Tag;

    pub(super) const DATE_TIME_ORIGINAL: Tag = Tag::Unknown(36867);
    pub(super) const DATE_TIME_DIGITIZED: Tag = Tag::Unknown(36868);
    pub(super) const OFFSET_TIME: Tag = Tag::Unknown(36880);
    pub(super) const OFFSET_TIME_DIGITIZED: Tag = Tag::Unknown(36882);
    pub(super) const COMPONENTS_CONFIGURATION: Tag = Tag::Unknown(37121);
    pub(super) const FLASHPIX_VERSION: Tag = Tag::Unknown(40960);
    pub(super) const COLOR_SPACE: Tag = Tag::Unknown(40961);
    pub(super) const PIXEL_X_DIMENSION: Tag = Tag::Unknown(40962);
    pub(super) const PIXEL_Y_DIMENSION: Tag = Tag::Unknown(40963);
    pub(super) const FILE_SOURCE: Tag = Tag::Unknown(41728);
    pub(super) const LENS_MODEL: Tag = Tag::Unknown(42036);
}

/// Write the Exif directory; returns its position.
pub(crate) fn exif_directory<W: Write + Seek, K: TiffKind>(
    encoder: &mut TiffEncoder<W, K>,
    spec: &PictureSpec,
) -> TiffResult<K::OffsetType> {
    let metadata = &spec.metadata;
    let mut exif = Fields::of_part(encoder)?;
    exif.undefined(Tag::ExifVersion, b"0232")?;
    if let Some(date) = exif_date(&metadata.original_date) {
        exif.text(exif_tag::DATE_TIME_ORIGINAL, date)?;
    }
    let (digitised, zone) = metadata.digitised_parts();
    if let Some(date) = digitised {
        exif.text(exif_tag::DATE_TIME_DIGITIZED, date)?;
    }
    if let Some(zone) = metadata.zone() {
        exif.text(exif_tag::OFFSET_TIME, zone)?;
    }
    if let Some(zone) = zone {
        exif.text(exif_tag::OFFSET_TIME_DIGITIZED, zone)?;
    }
    exif.undefined(exif_tag::FLASHPIX_VERSION, b"0100")?;
    // 1 is sRGB; 65535 leaves it to the colour profile.
    exif.set(exif_tag::COLOR_SPACE, if is_srgb(spec) { 1_u16 } else { 65_535 })?;
    if metadata.source != FilmSourceKind::None {
        // 1: transparency scanner.
        exif.undefined(exif_tag::FILE_SOURCE, &[1])?;
    }
    if matches!(spec.format, PictureFormat::Jpeg { .. }) {
        // Y Cb Cr, or Y alone.
        let components = if spec.channels == 3 { [1, 2, 3, 0] } else { [1, 0, 0, 0] };
        exif.undefined(exif_tag::COMPONENTS_CONFIGURATION, &components)?;
        exif.set(exif_tag::PIXEL_X_DIMENSION, spec.width_px)?;
        exif.set(exif_tag::PIXEL_Y_DIMENSION, spec.height_px)?;
    }
    if !metadata.lens.is_empty() {
        exif.text(exif_tag::LENS_MODEL, &metadata.lens)?;
    }
    exif.finish()
}

fn is_srgb(spec: &PictureSpec) -> bool {
    spec.channels == 3 && spec.icc.as_deref().is_none_or(crate::icc::is_srgb)
}

/// A whole Exif block (a small TIFF) for formats that carry one.
pub(crate) fn exif_block(spec: &PictureSpec) -> TiffResult<Vec<u8>> {
    let mut block = Vec::new();
    let mut encoder = TiffEncoder::new(Cursor::new(&mut block))?;
    let exif_at = exif_directory(&mut encoder, spec)?;
    let mut page = Fields::of_page(&mut encoder)?;
    page.set(Tag::Orientation, 1_u16)?;
    if matches!(spec.format, PictureFormat::Jpeg { .. }) {
        let ppi = spec.ppi.map_or(UNKNOWN_PPI, ResolutionPpi::ppi);
        page.rational(Tag::XResolution, ppi)?;
        page.rational(Tag::YResolution, ppi)?;
        page.set(Tag::ResolutionUnit, ResolutionUnit::Inch)?;
        // Chroma samples are in the middle of their pixels.
        page.set(Tag::ChromaPositioning, 1_u16)?;
    }
    describe_page(&mut page, &spec.metadata)?;
    page.set(Tag::ExifDirectory, exif_at)?;
    page.finish()?;
    Ok(block)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::write::xmp::xmp_packet;

    fn sample() -> Metadata {
        Metadata {
            title: "Boats <& harbour>".into(),
            creator: "Ana \u{1}Ö".into(),
            software: "Glassine 0.1".into(),
            modified: Some("2026:03:05 14:30:00".into()),
            modified_utc_offset: Some("-03:30".into()),
            original_date: Some("1974:08".into()),
            source: FilmSourceKind::Positive,
            ..Metadata::default()
        }
    }

    fn spec(metadata: Metadata) -> PictureSpec {
        PictureSpec {
            width_px: 30,
            height_px: 20,
            channels: 3,
            bits: 8,
            ppi: ResolutionPpi::new(300.0),
            icc: None,
            metadata,
            format: PictureFormat::Jpeg { quality: 90 },
            overwrite: crate::Overwrite::Never,
        }
    }

    #[test]
    fn the_packet_escapes_text_and_keeps_dates_apart() {
        let xmp = xmp_packet(&sample());
        for part in [
            "Boats &lt;&amp; harbour&gt;",
            "<rdf:li>Ana Ö</rdf:li>",
            "<xmp:ModifyDate>2026-03-05T14:30:00-03:30</xmp:ModifyDate>",
            "<exif:DateTimeOriginal>1974-08</exif:DateTimeOriginal>",
            "digitalsourcetype/positiveFilm",
        ] {
            assert!(xmp.contains(part), "{part} is missing in {xmp}");
        }
    }

    #[test]
    fn the_packet_names_no_namespace_but_those_of_the_standards() {
        let full = Metadata {
            description: "d".into(),
            copyright: "c".into(),
            original_date: Some("1974:08:09 10:11:12".into()),
            ..sample()
        };
        let xmp = xmp_packet(&full);
        let used: Vec<&str> = xmp.split("xmlns:").skip(1).filter_map(|part| part.split('"').nth(1)).collect();
        // XMP part 1 (core schemas), CIPA DC-010 (Exif and TIFF), IPTC photo metadata standard (core and extension), and
        // the program's own for what none of them has a property for.
        let standard = [
            "adobe:ns:meta/",
            "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
            "http://purl.org/dc/elements/1.1/",
            "http://ns.adobe.com/xap/1.0/",
            "http://ns.adobe.com/exif/1.0/",
            "http://cipa.jp/exif/1.0/",
            "http://ns.adobe.com/tiff/1.0/",
            "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/",
            "http://iptc.org/std/Iptc4xmpExt/2008-02-29/",
            "urn:glassine:1.0:",
        ];
        assert!(used.len() > 3 && used.iter().all(|uri| standard.contains(uri)), "{used:?}");
    }

    #[test]
    fn odd_dates_are_left_out() {
        for bad in ["yesterday", "74:1:2", "2026:03:05 late", "2026:03:05 14:30", ""] {
            assert_eq!(iso_date(bad), None, "{bad}");
        }
        assert_eq!(iso_date("1974").as_deref(), Some("1974"));
    }

    #[test]
    fn the_exif_block_is_read_back_by_a_general_reader() {
        let block = exif_block(&spec(sample())).expect("memory");
        let exif = exif::Reader::new().read_raw(block).expect("sound Exif");
        let text = |tag| exif.get_field(tag, exif::In::PRIMARY).map(|f| f.display_value().to_string());
        assert_eq!(text(exif::Tag::DateTime).as_deref(), Some("2026-03-05 14:30:00"));
        assert_eq!(text(exif::Tag::OffsetTime).as_deref(), Some("\"-03:30\""));
        assert_eq!(text(exif::Tag::XResolution).as_deref(), Some("300"));
        assert_eq!(text(exif::Tag::PixelXDimension).as_deref(), Some("30"));
        assert_eq!(text(exif::Tag::PixelYDimension).as_deref(), Some("20"));
        assert_eq!(text(exif::Tag::ColorSpace).as_deref(), Some("sRGB"));
        assert_eq!(text(exif::Tag::FlashpixVersion).as_deref(), Some("1.0"));
        assert_eq!(text(exif::Tag::DateTimeOriginal), None);
        assert_eq!(text(exif::Tag::FileSource).as_deref(), Some("transparency scanner"));
    }
}
