//! Text about a picture as XMP packet, which also carries the properties of IPTC Core and Extension.
//!
//! IPTC is written as XMP alone: IPTC itself recommends it over the older IIM block, and two copies would have to be kept
//! equal. Source of the property names: XMP specification part 1 and 2, CIPA DC-010 (Exif in XMP), IPTC Photo Metadata
//! Standard 2022.1, IPTC `NewsCodes` `digitalsourcetype` (the URI starts with http).

use super::spec::Metadata;

const NAMESPACES: &[(&str, &str)] = &[
    ("dc", "http://purl.org/dc/elements/1.1/"),
    ("xmp", "http://ns.adobe.com/xap/1.0/"),
    ("exif", "http://ns.adobe.com/exif/1.0/"),
    ("exifEX", "http://cipa.jp/exif/1.0/"),
    ("tiff", "http://ns.adobe.com/tiff/1.0/"),
    ("Iptc4xmpCore", "http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/"),
    ("Iptc4xmpExt", "http://iptc.org/std/Iptc4xmpExt/2008-02-29/"),
    ("glassine", "urn:glassine:1.0:"),
];

/// Property that holds the digest of the settings.
const DIGEST: &str = "glassine:SettingsDigest";

fn alternatives(name: &str, text: &str) -> String {
    let text = escape(text);
    format!("<{name}><rdf:Alt><rdf:li xml:lang=\"x-default\">{text}</rdf:li></rdf:Alt></{name}>")
}

fn list(name: &str, kind: &str, texts: &[String]) -> String {
    let items: String = texts.iter().map(|text| format!("<rdf:li>{}</rdf:li>", escape(text))).collect();
    format!("<{name}><rdf:{kind}>{items}</rdf:{kind}></{name}>")
}

fn plain(name: &str, text: &str) -> String {
    format!("<{name}>{}</{name}>", escape(text))
}

/// The XMP packet of a picture, UTF-8.
pub(crate) fn xmp_packet(metadata: &Metadata) -> String {
    let mut lines = Vec::new();
    for (name, text) in [
        ("dc:title", &metadata.title),
        ("dc:description", &metadata.description),
        ("dc:rights", &metadata.copyright),
    ] {
        if !text.is_empty() {
            lines.push(alternatives(name, text));
        }
    }
    if !metadata.creator.is_empty() {
        lines.push(list("dc:creator", "Seq", std::slice::from_ref(&metadata.creator)));
    }
    if !metadata.keywords.is_empty() {
        lines.push(list("dc:subject", "Bag", &metadata.keywords));
    }
    let original = metadata.original_date.as_deref().and_then(iso_date).unwrap_or_default();
    let modified = metadata.modified.as_deref().and_then(iso_date);
    let (digitised, zone) = metadata.digitised_parts();
    let digitised = digitised.and_then(iso_date).map(|date| date + zone.unwrap_or_default());
    let source = metadata.source.digital_source_uri().unwrap_or_default();
    for (name, text) in [
        ("xmp:CreatorTool", &metadata.software),
        ("xmp:CreateDate", &digitised.clone().unwrap_or_default()),
        (
            "xmp:ModifyDate",
            &modified.map(|date| date + metadata.zone().unwrap_or_default()).unwrap_or_default(),
        ),
        ("exif:DateTimeOriginal", &original),
        ("exif:DateTimeDigitized", &digitised.unwrap_or_default()),
        ("tiff:Model", &metadata.camera),
        ("exifEX:LensModel", &metadata.lens),
        ("Iptc4xmpCore:Location", &metadata.place),
        ("Iptc4xmpExt:DigitalSourceType", &source.to_owned()),
        ("glassine:Roll", &metadata.roll),
        ("glassine:Film", &metadata.film),
        ("glassine:DateShot", &metadata.original_date_text),
        ("glassine:Notes", &metadata.notes),
        ("glassine:Settings", &metadata.settings),
        (DIGEST, &metadata.settings_digest),
    ] {
        if !text.is_empty() {
            lines.push(plain(name, text));
        }
    }
    let body: String = lines.iter().map(|line| format!("   {line}\n")).collect();
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

/// The digest of the settings in a part of a file, if it holds the whole property.
pub fn settings_digest_in(bytes: &[u8]) -> Option<String> {
    let start = format!("<{DIGEST}>");
    let at = bytes.windows(start.len()).position(|part| part == start.as_bytes())? + start.len();
    let rest = &bytes[at..];
    let end = rest.iter().take(200).position(|byte| *byte == b'<')?;
    String::from_utf8(rest[..end].to_vec()).ok()
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
pub(super) fn iso_date(exif: &str) -> Option<String> {
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
