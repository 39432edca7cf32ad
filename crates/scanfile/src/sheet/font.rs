//! The font of sheets: the one of the window, cut to Latin text. Glyphs are placed one after the other by their own
//! widths, without kerning.

use std::ops::Range;
use std::sync::OnceLock;

use skrifa::instance::{LocationRef, Size};
use skrifa::outline::{DrawSettings, OutlinePen};
use skrifa::{FontRef, GlyphId, MetadataProvider as _};
use vello_cpu::kurbo::BezPath;

const REGULAR: &[u8] = include_bytes!("../../../../assets/fonts/inter-regular-latin.otf");
const SEMIBOLD: &[u8] = include_bytes!("../../../../assets/fonts/inter-semibold-latin.otf");

/// Drawn for a character that the font does not have.
const STAND_IN: char = '?';

/// Thickness of text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weight {
    Regular,
    SemiBold,
}

impl Weight {
    /// The font file.
    pub(super) fn data(self) -> &'static [u8] {
        match self {
            Self::Regular => REGULAR,
            Self::SemiBold => SEMIBOLD,
        }
    }

    fn font(self) -> &'static FontRef<'static> {
        static FONTS: [OnceLock<FontRef<'static>>; 2] = [OnceLock::new(), OnceLock::new()];
        let place = match self {
            Self::Regular => &FONTS[0],
            Self::SemiBold => &FONTS[1],
        };
        place.get_or_init(|| FontRef::new(self.data()).expect("the font of the program is sound"))
    }
}

/// A glyph of a line of text.
#[derive(Debug, Clone)]
pub(super) struct PlacedGlyph {
    pub(super) id: u32,
    /// Distance to the next glyph, in em.
    pub(super) advance_em: f32,
    /// Bytes of the text that it stands for.
    pub(super) range: Range<usize>,
}

/// The glyphs of a text, one for each character.
pub(super) fn glyphs(text: &str, weight: Weight) -> Vec<PlacedGlyph> {
    let font = weight.font();
    let (characters, widths) = (font.charmap(), font.glyph_metrics(Size::new(1.0), LocationRef::default()));
    let stand_in = characters.map(STAND_IN).unwrap_or_default();
    let mut placed = Vec::new();
    for (start, character) in text.char_indices() {
        let shown = if character.is_control() { ' ' } else { character };
        let id = characters.map(shown).unwrap_or(stand_in);
        placed.push(PlacedGlyph {
            id: id.to_u32(),
            advance_em: widths.advance_width(id).unwrap_or(0.5),
            range: start..start + character.len_utf8(),
        });
    }
    placed
}

/// Length of a line of text at a size of font.
pub fn text_width_mm(text: &str, size_mm: f64, weight: Weight) -> f64 {
    glyphs(text, weight).iter().map(|glyph| f64::from(glyph.advance_em)).sum::<f64>() * size_mm
}

/// The text, or as much of its beginning and end as fits a width, with an ellipsis between.
pub fn fitted_text(text: &str, size_mm: f64, weight: Weight, width_mm: f64) -> String {
    if text_width_mm(text, size_mm, weight) <= width_mm {
        return text.to_owned();
    }
    let characters: Vec<char> = text.chars().collect();
    let shortened = |kept: usize| {
        // The end of a file name tells frames of a roll apart.
        let tail = kept.div_ceil(2);
        let head: String = characters[..kept - tail].iter().collect();
        let tail: String = characters[characters.len() - tail..].iter().collect();
        format!("{}…{}", head.trim_end(), tail.trim_start())
    };
    let fits = |kept: &usize| text_width_mm(&shortened(*kept), size_mm, weight) <= width_mm;
    (0..characters.len()).rev().find(fits).map_or_else(String::new, shortened)
}

/// Outline of a glyph at a size of em in pixels, with its origin at a place in pixels; y points down.
pub(super) fn add_outline(path: &mut BezPath, id: u32, weight: Weight, em_px: f32, origin_px: [f64; 2]) {
    let Some(outline) = weight.font().outline_glyphs().get(GlyphId::new(id)) else { return };
    let settings = DrawSettings::unhinted(Size::new(em_px), LocationRef::default());
    // A glyph that can't be drawn leaves a gap as wide as itself.
    drop(outline.draw(settings, &mut Pen { path, origin_px }));
}

/// Collects the outline of one glyph.
struct Pen<'a> {
    path: &'a mut BezPath,
    origin_px: [f64; 2],
}

impl Pen<'_> {
    fn at(&self, x: f32, y: f32) -> (f64, f64) {
        (self.origin_px[0] + f64::from(x), self.origin_px[1] - f64::from(y))
    }
}

impl OutlinePen for Pen<'_> {
    fn move_to(&mut self, x: f32, y: f32) {
        self.path.move_to(self.at(x, y));
    }

    fn line_to(&mut self, x: f32, y: f32) {
        self.path.line_to(self.at(x, y));
    }

    fn quad_to(&mut self, cx: f32, cy: f32, x: f32, y: f32) {
        self.path.quad_to(self.at(cx, cy), self.at(x, y));
    }

    fn curve_to(&mut self, ax: f32, ay: f32, bx: f32, by: f32, x: f32, y: f32) {
        self.path.curve_to(self.at(ax, ay), self.at(bx, by), self.at(x, y));
    }

    fn close(&mut self) {
        self.path.close_path();
    }
}
