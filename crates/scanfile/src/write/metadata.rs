//! Words about a picture as XMP packet and as Exif block.
//!
//! The scan time is the *digitised* date; the date of the photograph is written only when it is known. Source of the
//! property names and of the digital-source vocabulary: XMP specification part 1 and 2, IPTC NewsCodes
//! `digitalsourcetype` (the URI starts with http).

use super::ifd_out::IfdBuilder;
use super::spec::{FilmSourceKind, Metadata};

const NAMESPACES: &[(&str, &str)] = &[
    ("dc", "http://purl.org/dc/elements/1.1/"),
    ("xmp", "http://ns.adobe.com/xap/1.0/"),
    ("xmpRights", "http://ns.adobe.com/xap/1.0/rights/"),
    ("xmpMM", "http://ns.adobe.com/xap/1.0/mm/"),
    ("photoshop", "http://ns.adobe.com/photoshop/1.0/"),
    ("Iptc4xmpCore", "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/"),
    ("Iptc4xmpExt", "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"),
    ("exif", "http://ns.adobe.com/exif/1.0/"),
];

impl FilmSourceKind {
    /// The IPTC digital source type.
    pub fn digital_source_uri(self) -> &'static str {
        match self {
            Self::Negative => "http://cv.iptc.org/newscodes/digitalsourcetype/negativeFilm",
            Self::Positive => "http://cv.iptc.org/newscodes/digitalsourcetype/positiveFilm",
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
    for (name, date) in [
        ("xmp:CreateDate", &metadata.digitized),
        ("xmp:ModifyDate", &metadata.modified),
        ("photoshop:DateCreated", &metadata.original_date),
    ] {
        if let Some(date) = date.as_deref().and_then(iso_date) {
            add(plain(name, &date));
        }
    }
    add(plain("Iptc4xmpExt:DigitalSourceType", metadata.source.digital_source_uri()));
    for (name, value) in &metadata.extra_xmp {
        if is_known_name(name) {
            add(plain(name, value));
        }
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

/// `prefix:Name` with one of our prefixes and plain letters, so that it is safe as an element name.
fn is_known_name(name: &str) -> bool {
    name.split_once(':').is_some_and(|(prefix, local)| {
        NAMESPACES.iter().any(|(known, _)| *known == prefix)
            && local.starts_with(|c: char| c.is_ascii_alphabetic())
            && local.chars().all(|c| c.is_ascii_alphanumeric())
    })
}

/// Text safe between tags; characters that XML 1.0 cannot hold are dropped.
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

/// A date in the 19-character form of Exif, or nothing.
fn exif_date(text: &Option<String>) -> Option<&str> {
    text.as_deref().filter(|t| t.len() == 19 && t.contains(' ') && iso_date(t).is_some())
}

/// Fill the words and dates that belong into the first directory.
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

/// The Exif directory: version, dates, and that a film scanner made the file.
pub(crate) fn exif_ifd(big: bool, metadata: &Metadata) -> IfdBuilder {
    let mut ifd = IfdBuilder::new(big);
    ifd.undefined(36864, b"0232");
    for (tag, date) in [(36867, &metadata.original_date), (36868, &metadata.digitized)] {
        if let Some(date) = exif_date(date) {
            ifd.ascii(tag, date);
        }
    }
    // FileSource 1: transparency scanner.
    ifd.undefined(41728, &[1]);
    ifd
}

/// A whole Exif block (a small TIFF) for formats that carry one.
pub(crate) fn exif_block(metadata: &Metadata) -> Vec<u8> {
    let mut page = IfdBuilder::new(false);
    page.short(274, &[1]);
    describe_page(&mut page, metadata);
    page.offset(34665, 0);
    let exif_at = 8 + page.len();
    page.offset(34665, exif_at);
    let mut block = b"II\x2a\0\x08\0\0\0".to_vec();
    block.extend(page.bytes(8));
    block.extend(exif_ifd(false, metadata).bytes(exif_at));
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
            digitized: Some("2026:03:05 14:30:00".into()),
            original_date: Some("1974:08".into()),
            source: FilmSourceKind::Positive,
            extra_xmp: vec![("dc:subject".into(), "sea".into()), ("bad name".into(), "x".into())],
            ..Metadata::default()
        }
    }

    #[test]
    fn the_packet_escapes_text_and_keeps_dates_apart() {
        let xmp = xmp_packet(&sample());
        for part in [
            "Boats &lt;&amp; harbour&gt;",
            "<rdf:li>Ana Ö</rdf:li>",
            "<xmp:CreateDate>2026-03-05T14:30:00</xmp:CreateDate>",
            "<photoshop:DateCreated>1974-08</photoshop:DateCreated>",
            "digitalsourcetype/positiveFilm",
            "<dc:subject>sea</dc:subject>",
        ] {
            assert!(xmp.contains(part), "{part} is missing in {xmp}");
        }
        assert!(!xmp.contains("bad name") && !xmp.contains("exif:DateTimeOriginal"));
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
        let block = exif_block(&sample());
        let exif = exif::Reader::new().read_raw(block).expect("sound Exif");
        let text = |tag| exif.get_field(tag, exif::In::PRIMARY).map(|f| f.display_value().to_string());
        assert_eq!(text(exif::Tag::DateTimeDigitized).as_deref(), Some("2026-03-05 14:30:00"));
        assert_eq!(text(exif::Tag::DateTimeOriginal), None);
        assert_eq!(text(exif::Tag::FileSource).as_deref(), Some("transparency scanner"));
    }
}
