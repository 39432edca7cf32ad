//! A small drawing surface for figures: lines and text in the program's own font, written as PNG.

use std::path::Path;

use egui::epaint::text::{Fonts, TextOptions};
use egui::{Color32, FontId};
use glassine_engine::EngineError;
use glassine_raster::Plane;
use glassine_scanfile::{Metadata, Overwrite, PictureFormat, PictureSpec, PictureWriter};

use crate::widgets::theme::font_definitions;

/// Red, green, blue, 0 to 1, sRGB.
pub(crate) type Ink = [f32; 3];
pub(crate) const BLACK: Ink = [0.1, 0.1, 0.1];
pub(crate) const GREY: Ink = [0.78, 0.78, 0.78];

/// How text lies about its position.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Align {
    Left,
    Centre,
    Right,
}

/// White paper to draw on, in pixels.
pub(crate) struct Canvas {
    width: usize,
    height: usize,
    pixels: Vec<Ink>,
    fonts: Fonts,
}

impl Canvas {
    pub(crate) fn new(width: usize, height: usize) -> Self {
        let fonts = Fonts::new(TextOptions::default(), font_definitions());
        Self { width, height, pixels: vec![[1.0; 3]; width * height], fonts }
    }

    fn blend(&mut self, x: usize, y: usize, ink: Ink, cover: f32) {
        if x < self.width && y < self.height {
            let pixel = &mut self.pixels[y * self.width + x];
            for (value, ink) in pixel.iter_mut().zip(ink) {
                *value += cover.clamp(0.0, 1.0) * (ink - *value);
            }
        }
    }

    /// Fill a rectangle between two corners, without a smooth edge.
    pub(crate) fn fill(&mut self, (x0, y0): (f32, f32), (x1, y1): (f32, f32), ink: Ink) {
        for y in y0.max(0.0).round() as usize..y1.max(0.0).round() as usize {
            for x in x0.max(0.0).round() as usize..x1.max(0.0).round() as usize {
                self.blend(x, y, ink, 1.0);
            }
        }
    }

    /// Show a grey picture one to one.
    pub(crate) fn picture(&mut self, (left, top): (usize, usize), grey: &Plane<u8>) {
        for y in 0..grey.height() {
            for (x, value) in grey.row(y).iter().enumerate() {
                self.blend(left + x, top + y as usize, [f32::from(*value) / 255.0; 3], 1.0);
            }
        }
    }

    /// Draw lines through points.
    pub(crate) fn lines(&mut self, points: &[(f32, f32)], width_px: f32, ink: Ink) {
        for pair in points.windows(2) {
            self.line(pair[0], pair[1], width_px, ink);
        }
    }

    fn line(&mut self, (ax, ay): (f32, f32), (bx, by): (f32, f32), width_px: f32, ink: Ink) {
        let (dx, dy) = (bx - ax, by - ay);
        let length2 = (dx * dx + dy * dy).max(1e-12);
        let reach = width_px / 2.0 + 1.0;
        let range =
            |a: f32, b: f32| (a.min(b) - reach).max(0.0) as usize..(a.max(b) + reach).max(0.0) as usize + 1;
        for y in range(ay, by) {
            for x in range(ax, bx) {
                let (px, py) = (x as f32 + 0.5 - ax, y as f32 + 0.5 - ay);
                let along = ((px * dx + py * dy) / length2).clamp(0.0, 1.0);
                let away = (px - along * dx).hypot(py - along * dy);
                self.blend(x, y, ink, width_px / 2.0 + 0.5 - away);
            }
        }
    }

    /// Write text, centred about `y`.
    pub(crate) fn text(&mut self, (x, y): (f32, f32), align: Align, size_px: f32, text: &str, ink: Ink) {
        let mut fonts = self.fonts.with_pixels_per_point(1.0);
        let galley = fonts.layout_no_wrap(text.to_owned(), FontId::proportional(size_px), Color32::WHITE);
        let atlas = fonts.image();
        let size = galley.size();
        let left = match align {
            Align::Left => x,
            Align::Centre => x - size.x / 2.0,
            Align::Right => x - size.x,
        };
        let top = y - size.y / 2.0;
        for row in &galley.rows {
            for glyph in &row.row.glyphs {
                let uv = glyph.uv_rect;
                let at = row.pos + glyph.pos.to_vec2() + uv.offset;
                let (gx, gy) =
                    ((left + at.x).round().max(0.0) as usize, (top + at.y).round().max(0.0) as usize);
                for v in uv.min[1]..uv.max[1] {
                    for u in uv.min[0]..uv.max[0] {
                        let cover = f32::from(atlas[(usize::from(u), usize::from(v))].a()) / 255.0;
                        let place = (gx + usize::from(u - uv.min[0]), gy + usize::from(v - uv.min[1]));
                        self.blend(place.0, place.1, ink, cover);
                    }
                }
            }
        }
    }

    /// Write the drawing as a PNG.
    pub(crate) fn write(&self, path: &Path, title: &str, replace: bool) -> Result<(), EngineError> {
        let spec = PictureSpec {
            width_px: self.width as u32,
            height_px: self.height as u32,
            channels: 3,
            bits: 8,
            ppi: None,
            icc: None,
            metadata: Metadata { title: title.to_owned(), ..Metadata::default() },
            format: PictureFormat::Png,
            overwrite: if replace { Overwrite::Replace } else { Overwrite::Never },
        };
        let codes: Vec<u8> = self.pixels.iter().flatten().map(|value| (value * 255.0 + 0.5) as u8).collect();
        let mut writer = PictureWriter::begin(path, &spec)?;
        writer.write_rows_u8(&codes)?;
        writer.finish()?;
        Ok(())
    }
}
