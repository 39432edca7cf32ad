//! Tests of sheets: what other programs find in the PDF, and where ink lies on the picture.

use std::path::Path;
use std::process::Command;

use super::*;
use crate::{Metadata, OpenOptions, Overwrite, PictureFormat, Scan};
use glassine_raster::{CancelToken, PixelRect, ResolutionPpi};

fn page() -> SheetPage {
    let rgb = [200, 40, 40].repeat(30 * 20);
    let picture = Arc::new(SheetPicture { width_px: 30, height_px: 20, rgb });
    let area = SheetArea { x_mm: 20.0, y_mm: 30.0, width_mm: 30.0, height_mm: 20.0 };
    let text = |text: &str, baseline_mm, weight| SheetItem::Text {
        x_mm: 10.0,
        baseline_mm,
        size_mm: 5.0,
        weight,
        grey: 0,
        text: text.to_owned(),
    };
    SheetPage {
        width_mm: 100.0,
        height_mm: 80.0,
        items: vec![
            text("Küste 12A (strip 3)", 15.0, Weight::SemiBold),
            text("frame 01.tif", 22.0, Weight::Regular),
            SheetItem::Picture { area, picture },
            SheetItem::Outline { area, stroke_mm: 1.0, grey: 0 },
            SheetItem::Line { from_mm: [60.0, 70.0], to_mm: [90.0, 70.0], stroke_mm: 1.0, grey: 128 },
        ],
    }
}

/// What a program of the system prints about a file; `None` with a notice where it is not installed.
fn printed(program: &str, args: &[&str], path: &Path) -> Option<String> {
    let Ok(output) = Command::new(program).args(args).arg(path).output() else {
        glassine_testdata::skipped(&format!("{program} is not installed"));
        return None;
    };
    assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
    Some(String::from_utf8_lossy(&output.stdout).into_owned())
}

#[test]
fn other_programs_find_a_sound_pdf_with_text_an_embedded_font_and_a_jpeg() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("sheet.pdf");
    let sheet = Sheet { title: "Küste".into(), software: "Test 1".into(), pages: vec![page(), page()] };
    let bytes = write_sheet_pdf(&path, &sheet, Overwrite::Never).expect("written");
    let file = std::fs::read(&path).expect("there");
    assert_eq!(bytes, file.len() as u64);
    assert!(file.starts_with(b"%PDF-"));
    let has = |what: &[u8]| file.windows(what.len()).any(|part| part == what);
    // ISO 32000-1: the filter of JPEG, and the stream of an embedded compact font.
    assert!(has(b"DCTDecode") && has(b"FontFile3"));
    if let Some(about) = printed("pdfinfo", &[], &path) {
        assert!(about.contains("Pages:           2"), "{about}");
        assert!(about.contains("Title:           Küste"), "{about}");
        assert!(about.contains("283.465 x 226.772 pts"), "{about}");
    }
    if let Some(fonts) = printed("pdffonts", &[], &path) {
        assert_eq!(fonts.matches("CID Type 0C").count(), 2, "{fonts}");
    }
    if let Some(output) = printed("qpdf", &["--check"], &path) {
        assert!(output.contains("No syntax or stream encoding errors"), "{output}");
    }
    let text = folder.path().join("text.txt");
    if printed("pdftotext", &["-layout", path.to_str().expect("plain")], &text).is_some() {
        let text = std::fs::read_to_string(&text).expect("text");
        assert!(text.contains("Küste 12A (strip 3)") && text.contains("frame 01.tif"), "{text}");
    }
    assert!(write_sheet_pdf(&path, &sheet, Overwrite::Never).is_err(), "nothing is replaced unasked");
}

#[test]
fn the_picture_of_a_page_has_ink_where_the_items_are() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("sheet.png");
    let (page, about) = (page(), Metadata::default());
    // 254 ppi are 10 pixels for each millimetre.
    let ppi = ResolutionPpi::new(254.0).expect("positive");
    write_sheet_picture(&path, &page, (ppi, PictureFormat::Png), about, None, Overwrite::Never)
        .expect("written");
    let scan = Scan::open(&path, &OpenOptions::default()).expect("opens");
    assert_eq!((scan.info().width_px, scan.info().height_px), (1000, 800));
    let all = scan.read_region(PixelRect::of_size(1000, 800), &CancelToken::new()).expect("reads");
    let at = |x_mm: u32, y_mm: u32| {
        let px = all.pixel(x_mm * 10, y_mm * 10);
        [px[0] >> 8, px[1] >> 8, px[2] >> 8]
    };
    assert_eq!(at(35, 40), [200, 40, 40], "picture");
    assert_eq!(at(20, 40), [0, 0, 0], "outline");
    assert_eq!(at(75, 70), [128, 128, 128], "line");
    assert_eq!(at(95, 5), [255, 255, 255], "paper");
    let ink = |x0: u32, x1: u32, y0: u32, y1: u32| {
        (y0..y1)
            .flat_map(|y| (x0..x1).map(move |x| (x, y)))
            .filter(|(x, y)| all.pixel(*x, *y)[0] < 30_000)
            .count()
    };
    let end = (100.0 + 10.0 * text_width_mm("frame 01.tif", 5.0, Weight::Regular)).ceil() as u32;
    assert!(ink(100, end, 180, 222) > 500, "text on its baseline");
    assert_eq!(ink(end, 1000, 180, 222), 0, "and nothing behind its end");
}

#[test]
fn text_that_is_too_long_keeps_its_beginning_and_end() {
    let short = fitted_text("a very long name of a roll 0012.tif", 3.0, Weight::Regular, 25.0);
    assert!(text_width_mm(&short, 3.0, Weight::Regular) <= 25.0, "{short}");
    assert!(short.starts_with("a ve") && short.ends_with("12.tif") && short.contains('…'), "{short}");
    assert_eq!(fitted_text("short", 3.0, Weight::Regular, 25.0), "short");
    assert_eq!(fitted_text("anything", 3.0, Weight::Regular, 0.0), "");
    // Digits have one width, so that numbers stand below each other.
    let width = |text: &str| text_width_mm(text, 1.0, Weight::Regular);
    assert!((width("1") - width("8")).abs() < 1e-6 && width("i") < width("m"));
}
