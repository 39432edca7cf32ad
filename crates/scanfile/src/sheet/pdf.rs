//! Sheets as PDF: text stays text in an embedded font, pictures are JPEG.

use std::io::Write as _;
use std::path::Path;

use glassine_raster::MM_PER_INCH;
use image::ExtendedColorType;
use image::codecs::jpeg::JpegEncoder;
use krilla::color::rgb;
use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::image::Image;
use krilla::metadata::Metadata;
use krilla::page::PageSettings;
use krilla::paint::{Fill, Stroke};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document, SerializeSettings};

use super::font::{Weight, glyphs};
use super::{Sheet, SheetArea, SheetItem, SheetPage, SheetPicture};
use crate::numbers::to_f32;
use crate::{AtomicFile, Error, Overwrite};

/// Points in an inch: the unit of PDF. Source: ISO 32000-1, 8.3.2.3.
const POINTS_PER_INCH: f64 = 72.0;
/// Quality of the pictures; our choice: no visible blocks at the size of a contact print, a tenth of the bytes.
const JPEG_QUALITY: u8 = 88;

fn pt(mm: f64) -> f32 {
    to_f32(mm / MM_PER_INCH * POINTS_PER_INCH)
}

/// Write a sheet as PDF; returns its length in bytes.
pub fn write_sheet_pdf(path: &Path, sheet: &Sheet, overwrite: Overwrite) -> Result<u64, Error> {
    let mut file = AtomicFile::create(path, overwrite)?;
    // Colours are those of sRGB, not of whatever device shows them.
    let settings = SerializeSettings { no_device_cs: true, ..SerializeSettings::default() };
    let mut document = Document::new_with(settings);
    let about = Metadata::new().title(sheet.title.clone()).creator(sheet.software.clone());
    document.set_metadata(about.language("en".to_owned()));
    let font = |weight: Weight| {
        Font::new(weight.data().into(), 0).ok_or_else(|| Error::usage(path, "the font can't be embedded"))
    };
    let fonts = Fonts { regular: font(Weight::Regular)?, semibold: font(Weight::SemiBold)? };
    for page in &sheet.pages {
        draw_page(&mut document, page, &fonts).map_err(|what| Error::usage(path, what))?;
    }
    let bytes = document
        .finish()
        .map_err(|error| Error::usage(path, format!("the PDF can't be made ({error:?})")))?;
    file.write_all(&bytes).map_err(Error::io(path, "write the file"))?;
    file.commit()
}

struct Fonts {
    regular: Font,
    semibold: Font,
}

fn draw_page(document: &mut Document, page: &SheetPage, fonts: &Fonts) -> Result<(), String> {
    let size = PageSettings::from_wh(pt(page.width_mm), pt(page.height_mm));
    let mut sheet = document.start_page_with(size.ok_or("a page needs a width and a height")?);
    let mut surface = sheet.surface();
    for item in &page.items {
        draw(&mut surface, item, fonts)?;
    }
    surface.finish();
    sheet.finish();
    Ok(())
}

fn draw(surface: &mut Surface<'_>, item: &SheetItem, fonts: &Fonts) -> Result<(), String> {
    match item {
        SheetItem::Text { x_mm, baseline_mm, size_mm, weight, grey, text } => {
            let font = match weight {
                Weight::Regular => &fonts.regular,
                Weight::SemiBold => &fonts.semibold,
            };
            let placed: Vec<_> = glyphs(text, *weight)
                .into_iter()
                .map(|glyph| {
                    let id = GlyphId::new(glyph.id);
                    KrillaGlyph::new(id, glyph.advance_em, 0.0, 0.0, 0.0, glyph.range, None)
                })
                .collect();
            surface.set_stroke(None);
            surface.set_fill(Some(Fill { paint: grey_of(*grey).into(), ..Fill::default() }));
            let start = Point::from_xy(pt(*x_mm), pt(*baseline_mm));
            surface.draw_glyphs(start, &placed, font.clone(), text, pt(*size_mm), false);
        }
        SheetItem::Picture { area, picture } => {
            let image = Image::from_jpeg(jpeg_of(picture)?.into(), true)?;
            let size =
                Size::from_wh(pt(area.width_mm), pt(area.height_mm)).ok_or("a picture needs an area")?;
            surface.push_transform(&Transform::from_translate(pt(area.x_mm), pt(area.y_mm)));
            surface.draw_image(image, size);
            surface.pop();
        }
        SheetItem::Outline { area, stroke_mm, grey } => {
            let mut path = PathBuilder::new();
            path.push_rect(rect_of(area).ok_or("an outline needs an area")?);
            stroke(surface, path, *stroke_mm, *grey);
        }
        SheetItem::Line { from_mm, to_mm, stroke_mm, grey } => {
            let mut path = PathBuilder::new();
            path.move_to(pt(from_mm[0]), pt(from_mm[1]));
            path.line_to(pt(to_mm[0]), pt(to_mm[1]));
            stroke(surface, path, *stroke_mm, *grey);
        }
    }
    Ok(())
}

fn stroke(surface: &mut Surface<'_>, path: PathBuilder, stroke_mm: f64, grey: u8) {
    surface.set_fill(None);
    let width = pt(stroke_mm);
    surface.set_stroke(Some(Stroke { paint: grey_of(grey).into(), width, ..Stroke::default() }));
    if let Some(path) = path.finish() {
        surface.draw_path(&path);
    }
}

fn grey_of(grey: u8) -> rgb::Color {
    rgb::Color::new(grey, grey, grey)
}

fn rect_of(area: &SheetArea) -> Option<Rect> {
    Rect::from_xywh(pt(area.x_mm), pt(area.y_mm), pt(area.width_mm), pt(area.height_mm))
}

fn jpeg_of(picture: &SheetPicture) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, JPEG_QUALITY)
        .encode(&picture.rgb, picture.width_px, picture.height_px, ExtendedColorType::Rgb8)
        .map_err(|error| format!("a picture could not be encoded ({error})"))?;
    Ok(bytes)
}
