//! Draws the window on the processor: no display, no graphics driver, the same pixels on every machine.
//!
//! It paints what the toolkit hands to
//! any graphics back end: triangles with a colour and a texture position for each corner, blended with premultiplied
//! alpha in coded (gamma) values. Drawing with graphics callbacks is not supported; this program uses none.

use std::collections::HashMap;

use egui::epaint::{ClippedPrimitive, ImageDelta, Mesh, Primitive, Vertex};
use egui::{Context, FullOutput, ImageData, TextureFilter, TextureId, TexturesDelta};
use rayon::prelude::*;

/// Rows drawn by one task.
const BAND_ROWS: usize = 32;
/// Corners are snapped to this part of a pixel, so that triangles with a common edge neither overlap nor leave a gap.
const SUB_PIXELS: f32 = 256.0;

/// A picture with four bytes a pixel: red, green, blue, 255.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct WindowPicture {
    pub(crate) width_px: u32,
    pub(crate) height_px: u32,
    /// Pixels, row by row.
    pub(crate) rgba: Vec<u8>,
}

impl WindowPicture {
    /// Red, green, blue and alpha of one pixel; `None` outside.
    pub(crate) fn pixel(&self, x: u32, y: u32) -> Option<[u8; 4]> {
        if x >= self.width_px || y >= self.height_px {
            return None;
        }
        let at = (y as usize * self.width_px as usize + x as usize) * 4;
        self.rgba.get(at..at + 4)?.try_into().ok()
    }
}

#[derive(Debug)]
struct Texture {
    width: usize,
    height: usize,
    texels: Vec<[u8; 4]>,
    nearest: bool,
}

/// A back end that draws without graphics hardware.
#[derive(Debug, Default)]
pub(crate) struct CpuRenderer {
    textures: HashMap<TextureId, Texture>,
    to_free: Vec<TextureId>,
}

impl CpuRenderer {
    pub(crate) fn new() -> Self {
        Self::default()
    }

    /// Takes new and changed textures, in any order. Freed ones are dropped at the next call, because this frame still paints them.
    #[expect(clippy::iter_over_hash_type, reason = "textures do not depend on each other")]
    pub(crate) fn take_textures(&mut self, delta: &mut TexturesDelta) {
        for id in self.to_free.drain(..) {
            self.textures.remove(&id);
        }
        for (id, changes) in delta.set.drain() {
            for change in changes {
                self.change_texture(id, &change);
            }
        }
        self.to_free.extend(delta.free.drain());
        delta.clear();
    }

    fn change_texture(&mut self, id: TextureId, change: &ImageDelta) {
        let ImageData::Color(image) = &change.image;
        let [width, height] = image.size;
        match change.pos {
            None => {
                let texels = image.pixels.iter().map(egui::Color32::to_array).collect();
                let nearest = change.options.magnification == TextureFilter::Nearest;
                self.textures.insert(id, Texture { width, height, texels, nearest });
            }
            Some([left, top]) => {
                let Some(texture) = self.textures.get_mut(&id) else { return };
                if left + width > texture.width || top + height > texture.height || width == 0 {
                    return;
                }
                for (row, source) in image.pixels.chunks_exact(width).enumerate() {
                    let start = (top + row) * texture.width + left;
                    for (texel, pixel) in texture.texels[start..start + width].iter_mut().zip(source) {
                        *texel = pixel.to_array();
                    }
                }
            }
        }
    }

    /// Paints one finished frame of the toolkit on a background colour.
    ///
    /// The textures of the frame must already have been given to [`Self::take_textures`].
    pub(crate) fn paint(
        &self,
        ctx: &Context,
        output: &FullOutput,
        background: egui::Color32,
    ) -> WindowPicture {
        let scale = output.pixels_per_point;
        let screen = ctx.content_rect();
        let whole = |points: f32| (points * scale).round().clamp(1.0, 16_384.0) as usize;
        let (width, height) = (whole(screen.width()), whole(screen.height()));
        let primitives = ctx.tessellate(output.shapes.clone(), scale);
        let mut canvas = vec![background.to_array(); width * height];
        canvas.par_chunks_mut(width * BAND_ROWS).enumerate().for_each(|(idx, rows)| {
            let mut band = Band { rows, width, top: idx * BAND_ROWS };
            for primitive in &primitives {
                self.paint_primitive(&mut band, primitive, scale);
            }
        });
        WindowPicture {
            width_px: width as u32,
            height_px: height as u32,
            rgba: canvas.into_iter().flat_map(|[r, g, b, _]| [r, g, b, 255]).collect(),
        }
    }

    fn paint_primitive(&self, band: &mut Band<'_>, primitive: &ClippedPrimitive, scale: f32) {
        let Primitive::Mesh(mesh) = &primitive.primitive else { return };
        let Some(texture) = self.textures.get(&mesh.texture_id) else { return };
        let clip = primitive.clip_rect;
        let edge = |points: f32| (points * scale).round().max(0.0) as usize;
        let clip = Clip {
            x0: edge(clip.min.x).min(band.width),
            x1: edge(clip.max.x).min(band.width),
            y0: edge(clip.min.y).max(band.top),
            y1: edge(clip.max.y).min(band.top + band.rows.len() / band.width),
        };
        if clip.x0 >= clip.x1 || clip.y0 >= clip.y1 {
            return;
        }
        for corners in triangles(mesh) {
            band.paint_triangle(corners, texture, clip, scale);
        }
    }
}

fn triangles(mesh: &Mesh) -> impl Iterator<Item = [&Vertex; 3]> {
    mesh.indices.chunks_exact(3).filter_map(|triple| {
        let corner = |at: u32| mesh.vertices.get(at as usize);
        Some([corner(triple[0])?, corner(triple[1])?, corner(triple[2])?])
    })
}

#[derive(Clone, Copy)]
struct Clip {
    x0: usize,
    x1: usize,
    y0: usize,
    y1: usize,
}

/// Some whole rows of the picture.
struct Band<'a> {
    rows: &'a mut [[u8; 4]],
    width: usize,
    top: usize,
}

/// Signed distance of pixel centres from one edge of a triangle, in whole numbers, so that it is exact.
#[derive(Clone, Copy)]
struct EdgeFunction {
    step_x: i64,
    step_y: i64,
    constant: i64,
}

impl EdgeFunction {
    fn new(from: (i64, i64), to: (i64, i64)) -> Self {
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        // A pixel centre on an edge belongs to the triangle below or right of it, and to no other.
        let is_top_left = dy < 0 || (dy == 0 && dx > 0);
        let constant = dy * from.0 - dx * from.1 - i64::from(!is_top_left);
        Self { step_x: -dy, step_y: dx, constant }
    }

    fn at(&self, x: i64, y: i64) -> i64 {
        self.step_x * x + self.step_y * y + self.constant
    }
}

impl Band<'_> {
    fn paint_triangle(&mut self, corners: [&Vertex; 3], texture: &Texture, clip: Clip, scale: f32) {
        let [a, mut b, mut c] = corners;
        let snap = |v: &Vertex| {
            let grid = |points: f32| (f64::from(points) * f64::from(scale * SUB_PIXELS)).round() as i64;
            (grid(v.pos.x), grid(v.pos.y))
        };
        let (pa, mut pb, mut pc) = (snap(a), snap(b), snap(c));
        let limit = 1 << 24;
        if [pa, pb, pc].iter().any(|p| p.0.abs() > limit || p.1.abs() > limit) {
            return;
        }
        let mut area = (pb.0 - pa.0) * (pc.1 - pa.1) - (pb.1 - pa.1) * (pc.0 - pa.0);
        if area == 0 {
            return;
        }
        if area < 0 {
            std::mem::swap(&mut b, &mut c);
            std::mem::swap(&mut pb, &mut pc);
            area = -area;
        }
        let (sub, half) = (SUB_PIXELS as i64, SUB_PIXELS as i64 / 2);
        let low = |p: i64, q: i64, r: i64| p.min(q).min(r).div_euclid(sub).max(0) as usize;
        let high = |p: i64, q: i64, r: i64| (p.max(q).max(r).div_euclid(sub) + 1).max(0) as usize;
        let (x0, x1) = (low(pa.0, pb.0, pc.0).max(clip.x0), high(pa.0, pb.0, pc.0).min(clip.x1));
        let (y0, y1) = (low(pa.1, pb.1, pc.1).max(clip.y0), high(pa.1, pb.1, pc.1).min(clip.y1));
        let edges = [EdgeFunction::new(pb, pc), EdgeFunction::new(pc, pa), EdgeFunction::new(pa, pb)];
        let paint = Paint::new([a, b, c], texture);
        let per_area = 1.0 / area as f32;
        for y in y0..y1 {
            let row = &mut self.rows[(y - self.top) * self.width..][..self.width];
            let centre_y = y as i64 * sub + half;
            for (x, pixel) in row.iter_mut().enumerate().take(x1).skip(x0) {
                let centre_x = x as i64 * sub + half;
                let weights = edges.map(|edge| edge.at(centre_x, centre_y));
                if weights[0] >= 0 && weights[1] >= 0 && weights[2] >= 0 {
                    let [_, wb, wc] = weights.map(|w| w as f32 * per_area);
                    blend(pixel, paint.at(wb, wc));
                }
            }
        }
    }
}

/// Colour over one triangle: constant where its corners agree, as in most of a window.
enum Paint<'a> {
    Flat([f32; 4]),
    Shaded { corners: [&'a Vertex; 3], texture: &'a Texture },
}

impl<'a> Paint<'a> {
    fn new(corners: [&'a Vertex; 3], texture: &'a Texture) -> Self {
        let [a, b, c] = corners;
        if a.uv == b.uv && b.uv == c.uv && a.color == b.color && b.color == c.color {
            Self::Flat(modulate(texture.at(a.uv.x, a.uv.y), a.color.to_array().map(f32::from)))
        } else {
            Self::Shaded { corners, texture }
        }
    }

    fn at(&self, wb: f32, wc: f32) -> [f32; 4] {
        match self {
            Self::Flat(colour) => *colour,
            Self::Shaded { corners: [a, b, c], texture } => {
                let mix = |pa: f32, pb: f32, pc: f32| pa + (pb - pa) * wb + (pc - pa) * wc;
                let texel = texture.at(mix(a.uv.x, b.uv.x, c.uv.x), mix(a.uv.y, b.uv.y, c.uv.y));
                let [ca, cb, cc] = [a, b, c].map(|v| v.color.to_array().map(f32::from));
                modulate(texel, [0, 1, 2, 3].map(|i| mix(ca[i], cb[i], cc[i])))
            }
        }
    }
}

fn modulate(texel: [f32; 4], colour: [f32; 4]) -> [f32; 4] {
    [0, 1, 2, 3].map(|i| texel[i] * colour[i] / 255.0)
}

fn blend(pixel: &mut [u8; 4], source: [f32; 4]) {
    let keep = 1.0 - source[3] / 255.0;
    for (below, above) in pixel.iter_mut().zip(source) {
        // Casts of floats saturate, so additive colours end at 255.
        *below = (above + f32::from(*below) * keep + 0.5) as u8;
    }
}

impl Texture {
    /// Texture value at a position of its unit square; edges are repeated.
    fn at(&self, u: f32, v: f32) -> [f32; 4] {
        let texel = |x: f32, y: f32| {
            let column = (x.max(0.0) as usize).min(self.width.saturating_sub(1));
            let row = (y.max(0.0) as usize).min(self.height.saturating_sub(1));
            self.texels.get(row * self.width + column).copied().unwrap_or_default().map(f32::from)
        };
        let (x, y) = (u * self.width as f32, v * self.height as f32);
        if self.nearest {
            return texel(x.floor(), y.floor());
        }
        let (x, y) = (x - 0.5, y - 0.5);
        let (left, top) = (x.floor(), y.floor());
        let (fx, fy) = (x - left, y - top);
        let (a, b) = (texel(left, top), texel(left + 1.0, top));
        let (c, d) = (texel(left, top + 1.0), texel(left + 1.0, top + 1.0));
        [0, 1, 2, 3].map(|i| {
            let upper = a[i] + (b[i] - a[i]) * fx;
            let lower = c[i] + (d[i] - c[i]) * fx;
            upper + (lower - upper) * fy
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::{Color32, Pos2, RawInput, Rect, pos2, vec2};

    fn painted(scale: f32, draw: impl Fn(&egui::Painter)) -> WindowPicture {
        let ctx = Context::default();
        let mut input = RawInput {
            screen_rect: Some(Rect::from_min_size(Pos2::ZERO, vec2(40.0, 20.0))),
            ..RawInput::default()
        };
        input.viewports.entry(egui::ViewportId::ROOT).or_default().native_pixels_per_point = Some(scale);
        let mut output = ctx.run_ui(input, |ui| draw(ui.painter()));
        let mut renderer = CpuRenderer::new();
        renderer.take_textures(&mut output.textures_delta);
        renderer.paint(&ctx, &output, Color32::from_gray(10))
    }

    #[test]
    fn a_filled_rectangle_covers_its_pixels_and_no_others() {
        let picture = painted(1.0, |painter| {
            let rect = Rect::from_min_max(pos2(4.0, 3.0), pos2(12.0, 9.0));
            painter.rect_filled(rect, 0.0, Color32::from_rgb(200, 100, 50));
        });
        assert_eq!((picture.width_px, picture.height_px), (40, 20));
        assert_eq!(picture.pixel(4, 3), Some([200, 100, 50, 255]));
        assert_eq!(picture.pixel(11, 8), Some([200, 100, 50, 255]));
        assert_eq!(picture.pixel(3, 3), Some([10, 10, 10, 255]));
        assert_eq!(picture.pixel(12, 8), Some([10, 10, 10, 255]));
        assert_eq!(picture.pixel(40, 0), None);
    }

    #[test]
    fn a_half_covering_colour_is_blended_once_along_the_common_edge_of_two_triangles() {
        let picture = painted(1.0, |painter| {
            let rect = Rect::from_min_max(pos2(2.0, 2.0), pos2(18.0, 18.0));
            painter.rect_filled(rect, 0.0, Color32::from_white_alpha(128));
        });
        let expected = picture.pixel(3, 12);
        for at in 4..16 {
            assert_eq!(picture.pixel(at, at), expected, "pixel {at} on the diagonal");
            assert_eq!(picture.pixel(at, 19 - at), expected, "pixel {at} on the other diagonal");
        }
    }

    #[test]
    fn a_dense_screen_has_more_pixels_for_the_same_points() {
        let picture = painted(2.0, |painter| {
            let rect = Rect::from_min_max(pos2(4.0, 3.0), pos2(12.0, 9.0));
            painter.rect_filled(rect, 0.0, Color32::WHITE);
        });
        assert_eq!((picture.width_px, picture.height_px), (80, 40));
        assert_eq!(picture.pixel(8, 6), Some([255; 4]));
        assert_eq!(picture.pixel(7, 6), Some([10, 10, 10, 255]));
    }

    #[test]
    fn text_leaves_marks() {
        let picture = painted(1.0, |painter| {
            painter.text(
                pos2(2.0, 2.0),
                egui::Align2::LEFT_TOP,
                "strip",
                egui::FontId::proportional(14.0),
                Color32::WHITE,
            );
        });
        let bright = picture.rgba.chunks_exact(4).filter(|p| p[0] > 128).count();
        assert!(bright > 20, "{bright} bright pixels");
    }
}
