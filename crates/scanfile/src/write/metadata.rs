//! Text about a picture as XMP packet and as Exif block.
//!
//! The date of the photograph is written only when it is known. Source of the property names and of the digital-source
//! vocabulary: XMP specification part 1 and 2, CIPA DC-010 (Exif in XMP), IPTC NewsCodes `digitalsourcetype` (the URI
//! starts with http).

use super::ifd_out::IfdBuilder;
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
pub(crate) fn describe_page(ifd: &mut IfdBuilder, metadata: &Metadata) {
    for (tag, text) in [
        (270, &metadata.description),
        (305, &metadata.software),
        (315, &metadata.creator),
        (33432, &metadata.copyright),
    ] {
        if !text.is_empty() {
            ifd.ascii(tag, text);
        }
    }
    if let Some(date) = exif_date(&metadata.modified) {
        ifd.ascii(306, date);
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

/// Source of tags, types and required fields: Exif 2.32, tables 4 to 8 and 18 to 21.
pub(crate) fn exif_ifd(big: bool, spec: &PictureSpec) -> IfdBuilder {
    let metadata = &spec.metadata;
    let mut ifd = IfdBuilder::new(big);
    ifd.undefined(36864, b"0232");
    if let Some(date) = exif_date(&metadata.original_date) {
        ifd.ascii(36867, date);
    }
    if let Some(zone) = metadata.zone() {
        ifd.ascii(36880, zone);
    }
    ifd.undefined(40960, b"0100");
    // 1 is sRGB; 65535 leaves it to the colour profile.
    ifd.short(40961, &[if is_srgb(spec) { 1 } else { 65_535 }]);
    if metadata.source != FilmSourceKind::None {
        // FileSource 1: transparency scanner.
        ifd.undefined(41728, &[1]);
    }
    if matches!(spec.format, PictureFormat::Jpeg { .. }) {
        // Y Cb Cr, or Y alone.
        ifd.undefined(37121, if spec.channels == 3 { &[1, 2, 3, 0] } else { &[1, 0, 0, 0] });
        ifd.long(40962, spec.width_px);
        ifd.long(40963, spec.height_px);
    }
    ifd
}

fn is_srgb(spec: &PictureSpec) -> bool {
    spec.channels == 3 && spec.icc.as_deref().is_none_or(crate::icc::is_srgb)
}

/// A whole Exif block (a small TIFF) for formats that carry one.
pub(crate) fn exif_block(spec: &PictureSpec) -> Vec<u8> {
    let mut page = IfdBuilder::new(false);
    page.short(274, &[1]);
    if matches!(spec.format, PictureFormat::Jpeg { .. }) {
        let ppi = spec.ppi.unwrap_or(UNKNOWN_PPI);
        page.rational(282, ppi);
        page.rational(283, ppi);
        page.short(296, &[2]);
        // Chroma samples are in the middle of their pixels.
        page.short(531, &[1]);
    }
    describe_page(&mut page, &spec.metadata);
    page.offset(34665, 0);
    let exif_at = 8 + page.len();
    page.offset(34665, exif_at);
    let mut block = b"II\x2a\0\x08\0\0\0".to_vec();
    block.extend(page.bytes(8));
    block.extend(exif_ifd(false, spec).bytes(exif_at));
    block
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
        let block = exif_block(&spec(sample()));
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
