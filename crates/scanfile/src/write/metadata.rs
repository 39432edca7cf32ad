//! Text about a picture as XMP packet and as Exif block.
//!
//! The date of the photograph is written only when it is known. Source of the property names and of the digital-source
//! vocabulary: XMP specification part 1 and 2, CIPA DC-010 (Exif in XMP), IPTC `NewsCodes` `digitalsourcetype` (the URI
//! starts with http).

use std::io::{Cursor, Seek, Write};

use tiff::TiffResult;
use tiff::encoder::{TiffEncoder, TiffKind};
use tiff::tags::{ResolutionUnit, Tag};

use super::directory::Fields;
use super::spec::{FilmSourceKind, Metadata, PictureFormat, PictureSpec};
use crate::info::UNKNOWN_PPI;

const NAMESPACES: &[(&str, &str)] = &[
    ("dc", "http://purl.org/dc/elements/1.1/"),
    ("xmp", "http://ns.adobe.com/xap/1.0/"),
    ("exif", "http://ns.adobe.com/exif/1.0/"),
    ("Iptc4xmpExt", "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"),
];

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

/// The XMP packet of a picture, UTF-8.
pub(crate) fn xmp_packet(metadata: &Metadata) -> String {
    let Metadata { title, description, creator, copyright, software, .. } = metadata;
    let mut body = String::new();
    let mut add = |line: String| {
        body.push_str("   ");
        body.push_str(&line);
        body.push('\n');
    };
    let alternatives = |name: &str, text: &str| {
        let text = escape(text);
        format!("<{name}><rdf:Alt><rdf:li xml:lang=\"x-default\">{text}</rdf:li></rdf:Alt></{name}>")
    };
    for (name, text) in [("dc:title", title), ("dc:description", description), ("dc:rights", copyright)] {
        if !text.is_empty() {
            add(alternatives(name, text));
        }
    }
    if !creator.is_empty() {
        let text = escape(creator);
        add(format!("<dc:creator><rdf:Seq><rdf:li>{text}</rdf:li></rdf:Seq></dc:creator>"));
    }
    let plain = |name: &str, text: &str| format!("<{name}>{}</{name}>", escape(text));
    if !software.is_empty() {
        add(plain("xmp:CreatorTool", software));
    }
    if let Some(date) = metadata.modified.as_deref().and_then(iso_date) {
        add(plain("xmp:ModifyDate", &(date + metadata.zone().unwrap_or_default())));
    }
    if let Some(date) = metadata.original_date.as_deref().and_then(iso_date) {
        add(plain("exif:DateTimeOriginal", &date));
    }
    if let Some(uri) = metadata.source.digital_source_uri() {
        add(plain("Iptc4xmpExt:DigitalSourceType", uri));
    }
    let spaces: String =
        NAMESPACES.iter().map(|(prefix, uri)| format!("\n    xmlns:{prefix}=\"{uri}\"")).collect();
    format!(
        "<?xpacket begin=\"\u{feff}\" id=\"W5M0MpCehiHzreSzNTczkc9d\"?>\n\
         <x:xmpmeta xmlns:x=\"adobe:ns:meta/\">\n \
         <rdf:RDF xmlns:rdf=\"http://www.w3.org/1999/02/22-rdf-syntax-ns#\">\n  \
         <rdf:Description rdf:about=\"\"{spaces}>\n{body}  </rdf:Description>\n </rdf:RDF>\n</x:xmpmeta>\n\
         <?xpacket end=\"w\"?>"
    )
}

/// Text escaped for use between tags; characters that XML 1.0 cannot hold are dropped.
fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\n' | '\t' | '\r' => out.push(c),
            c if c < ' ' || matches!(c, '\u{fffe}' | '\u{ffff}') => {}
            c => out.push(c),
        }
    }
    out
}

/// `2026:03:05 14:30:00` as `2026-03-05T14:30:00`; shorter dates stay short; anything else is not written.
fn iso_date(exif: &str) -> Option<String> {
    let (date, time) = exif.trim().split_once(' ').map_or((exif.trim(), None), |(d, t)| (d, Some(t)));
    let digits = |text: &str, n: usize| text.len() == n && text.bytes().all(|b| b.is_ascii_digit());
    let parts: Vec<&str> = date.split([':', '-']).collect();
    let sane = parts.iter().zip([4, 2, 2]).all(|(p, n)| digits(p, n)) && (1..=3).contains(&parts.len());
    if !sane {
        return None;
    }
    let date = parts.join("-");
    match time {
        None => Some(date),
        Some(time) => {
            let clock: Vec<&str> = time.split(':').collect();
            let sane = clock.len() == 3 && clock.iter().all(|p| digits(p, 2)) && parts.len() == 3;
            sane.then(|| format!("{date}T{time}"))
        }
    }
}

/// A date in the 19-character form of Exif, else `None`.
fn exif_date(text: &Option<String>) -> Option<&str> {
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

    /// The time zone of `modified`, if both are sound.
    fn zone(&self) -> Option<&str> {
        let zone = self.modified_utc_offset.as_deref()?;
        let is_sound = match zone.as_bytes() {
            [b'+' | b'-', h @ .., b':', m1, m2] => {
                h.len() == 2 && h.iter().chain([m1, m2]).all(u8::is_ascii_digit)
            }
            _ => false,
        };
        (is_sound && exif_date(&self.modified).is_some()).then_some(zone)
    }
}

/// Tags of the Exif directory. Source of numbers, types and required fields: Exif 2.32, tables 4 to 8 and 18 to 21.
mod exif_tag {
    use tiff::tags::Tag;

    pub(super) const DATE_TIME_ORIGINAL: Tag = Tag::Unknown(36867);
    pub(super) const OFFSET_TIME: Tag = Tag::Unknown(36880);
    pub(super) const COMPONENTS_CONFIGURATION: Tag = Tag::Unknown(37121);
    pub(super) const FLASHPIX_VERSION: Tag = Tag::Unknown(40960);
    pub(super) const COLOR_SPACE: Tag = Tag::Unknown(40961);
    pub(super) const PIXEL_X_DIMENSION: Tag = Tag::Unknown(40962);
    pub(super) const PIXEL_Y_DIMENSION: Tag = Tag::Unknown(40963);
    pub(super) const FILE_SOURCE: Tag = Tag::Unknown(41728);
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
    if let Some(zone) = metadata.zone() {
        exif.text(exif_tag::OFFSET_TIME, zone)?;
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
        let ppi = spec.ppi.unwrap_or(UNKNOWN_PPI);
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
            ppi: Some(300.0),
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
        // XMP part 1 (core schemas), CIPA DC-010 (Exif), IPTC photo metadata standard (extension schema).
        let standard = [
            "adobe:ns:meta/",
            "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
            "http://purl.org/dc/elements/1.1/",
            "http://ns.adobe.com/xap/1.0/",
            "http://ns.adobe.com/exif/1.0/",
            "http://iptc.org/std/Iptc4xmpExt/2008-02-29/",
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
