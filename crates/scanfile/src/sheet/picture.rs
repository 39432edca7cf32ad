//! A page of a sheet as PNG or JPEG.

use std::path::Path;
use std::sync::Arc;

use glassine_raster::{MM_PER_INCH, ResolutionPpi};
use vello_cpu::color::AlphaColor;
use vello_cpu::kurbo::{BezPath, Line, Rect, Shape as _, Stroke};
use vello_cpu::{Pixmap, RenderContext, Resources};

use super::font::{Weight, add_outline, glyphs};
use super::{SheetArea, SheetItem, SheetPage, SheetPicture};
use crate::numbers::{to_f32, whole_u16, whole_u32};
use crate::{Error, Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter, WrittenFile};

/// Curves are flattened to this many pixels.
const FLATNESS_PX: f64 = 0.05;

/// Write one page as a picture of this resolution in sRGB.
pub fn write_sheet_picture(
    path: &Path,
    page: &SheetPage,
    (ppi, format): (ResolutionPpi, PictureFormat),
    metadata: Metadata,
    icc: Option<Arc<[u8]>>,
    overwrite: Overwrite,
) -> Result<WrittenFile, Error> {
    let px = |mm: f64| ppi.px_from_mm(mm).round();
    let (width, height) = (px(page.width_mm), px(page.height_mm));
    let most = f64::from(u16::MAX);
    if !((1.0..=most).contains(&width) && (1.0..=most).contains(&height)) {
        return Err(Error::usage(path, format!("a page of {width} x {height} px")));
    }
    let spec = PictureSpec {
        width_px: whole_u32(width),
        height_px: whole_u32(height),
        channels: 3,
        bits: 8,
        ppi: Some(ppi),
        icc,
        metadata,
        format,
        overwrite,
    };
    let mut writer = PictureWriter::begin(path, &spec)?;
    let pixels = Drawing::of(page, ppi.ppi(), (whole_u16(width), whole_u16(height)));
    let rgb: Vec<u8> = pixels.chunks_exact(4).flat_map(|px| [px[0], px[1], px[2]]).collect();
    writer.write_rows_u8(&rgb)?;
    writer.finish()
}

/// A page being drawn.
struct Drawing {
    context: RenderContext,
    px_per_mm: f64,
}

impl Drawing {
    /// Red, green, blue and 255 for each pixel.
    ///
    /// Pictures are copied into the page pixel by pixel and everything else is drawn over them, so no picture may cover
    /// what was put on the page before it.
    fn of(page: &SheetPage, ppi: f64, (width, height): (u16, u16)) -> Vec<u8> {
        let px_per_mm = ppi / MM_PER_INCH;
        let mut drawing = Self { context: RenderContext::new(width, height), px_per_mm };
        page.items.iter().for_each(|item| drawing.draw(item));
        let mut drawn = Pixmap::new(width, height);
        drawing.context.flush();
        drawing.context.render(&mut drawn, &mut Resources::new());
        let mut out = vec![255; usize::from(width) * usize::from(height) * 4];
        for item in &page.items {
            if let SheetItem::Picture { area, picture } = item {
                copy(&mut out, (width.into(), height.into()), area, picture, px_per_mm);
            }
        }
        for (under, over) in out.chunks_exact_mut(4).zip(drawn.data_as_u8_slice().chunks_exact(4)) {
            let clear = 255 - u16::from(over[3]);
            for (under, over) in under.iter_mut().zip(over).take(3) {
                let blended = (u16::from(*under) * clear + 127) / 255 + u16::from(*over);
                *under = u8::try_from(blended).unwrap_or(u8::MAX);
            }
        }
        out
    }

    fn draw(&mut self, item: &SheetItem) {
        let scale = self.px_per_mm;
        match item {
            SheetItem::Text { x_mm, baseline_mm, size_mm, weight, grey, text } => {
                self.paint(*grey);
                let path = text_path(text, *weight, size_mm * scale, [x_mm * scale, baseline_mm * scale]);
                self.context.fill_path(&path);
            }
            SheetItem::Outline { area, stroke_mm, grey } => {
                let corner = |x: f64, y: f64| (x * scale, y * scale);
                let far = corner(area.x_mm + area.width_mm, area.y_mm + area.height_mm);
                let rect = Rect::from_points(corner(area.x_mm, area.y_mm), far);
                self.stroke(&rect.to_path(FLATNESS_PX), *stroke_mm, *grey);
            }
            SheetItem::Line { from_mm, to_mm, stroke_mm, grey } => {
                let at = |[x, y]: [f64; 2]| (x * scale, y * scale);
                self.stroke(&Line::new(at(*from_mm), at(*to_mm)).to_path(FLATNESS_PX), *stroke_mm, *grey);
            }
            SheetItem::Picture { .. } => {}
        }
    }

    fn stroke(&mut self, path: &BezPath, stroke_mm: f64, grey: u8) {
        self.paint(grey);
        self.context.set_stroke(Stroke::new(stroke_mm * self.px_per_mm));
        self.context.stroke_path(path);
    }

    fn paint(&mut self, grey: u8) {
        self.context.set_paint(AlphaColor::from_rgba8(grey, grey, grey, 255));
    }
}

fn text_path(text: &str, weight: Weight, em_px: f64, [mut x, y]: [f64; 2]) -> BezPath {
    let mut path = BezPath::new();
    for glyph in glyphs(text, weight) {
        add_outline(&mut path, glyph.id, weight, to_f32(em_px), [x, y]);
        x += f64::from(glyph.advance_em) * em_px;
    }
    path
}

/// Put a picture on the page; each pixel takes the nearest one of the picture.
fn copy(
    out: &mut [u8],
    (width, height): (u32, u32),
    area: &SheetArea,
    picture: &SheetPicture,
    px_per_mm: f64,
) {
    let edge = |mm: f64, most: u32| whole_u32((mm * px_per_mm).round()).min(most);
    let (x0, x1) = (edge(area.x_mm, width), edge(area.x_mm + area.width_mm, width));
    let (y0, y1) = (edge(area.y_mm, height), edge(area.y_mm + area.height_mm, height));
    let nearest = |at: u32, first: u32, end: u32, side: u32| {
        let place = (f64::from(at - first) + 0.5) / f64::from(end - first) * f64::from(side);
        whole_u32(place).min(side.saturating_sub(1)) as usize
    };
    for y in y0..y1 {
        let row = nearest(y, y0, y1, picture.height_px) * picture.width_px as usize;
        for x in x0..x1 {
            let from = (row + nearest(x, x0, x1, picture.width_px)) * 3;
            let to = (y as usize * width as usize + x as usize) * 4;
            if let (Some(from), Some(to)) = (picture.rgb.get(from..from + 3), out.get_mut(to..to + 3)) {
                to.copy_from_slice(from);
            }
        }
    }
}
