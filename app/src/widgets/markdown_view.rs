//! Draws blocks of Markdown: wrapped text with links, lists, tables whose cells wrap, code and pictures.

use std::ops::Range;
use std::sync::Arc;

use egui::text::{LayoutJob, TextFormat, TextWrapping};
use egui::{
    Align, Color32, FontFamily, FontId, FontSelection, Galley, Pos2, Rect, Role, Sense, Stroke,
    TextureHandle, Ui, Vec2, WidgetInfo, pos2, vec2,
};
use pulldown_cmark::HeadingLevel;

use crate::model::markdown::{Block, Query, SearchBlock, Span, plain};
use crate::widgets::theme::{self, Palette};

/// Sizes of letters, points: easier to read at length than those of the controls.
const BODY: f32 = 14.0;
const SMALL: f32 = 12.0;
const CODE: f32 = 12.5;
/// Height of a line, as a multiple of the letters.
const LINE: f32 = 1.45;
const INDENT: f32 = 20.0;
/// Room around the text of a table's cell.
const CELL: Vec2 = vec2(8.0, 4.0);
/// Least width that a column of a table is cut to.
const COLUMN_LEAST: f32 = 70.0;

/// What drawing a page needs besides its blocks.
pub(crate) struct Reading<'a> {
    /// What was searched for; blocks with so many of its words are marked.
    pub(crate) query: &'a Query,
    pub(crate) least: usize,
    /// Whether the first marked block is brought into view.
    pub(crate) scrolls: bool,
    /// The picture of a file, if there is one.
    pub(crate) picture: &'a dyn Fn(&str) -> Option<TextureHandle>,
}

/// Draws the blocks in the available width; returns the target of a link that was clicked.
pub(crate) fn markdown_ui(ui: &mut Ui, blocks: &[SearchBlock], reading: &Reading<'_>) -> Option<String> {
    let mut clicked = None;
    let mut scrolls = reading.scrolls;
    ui.spacing_mut().item_spacing.y = 0.0;
    for read in blocks {
        let block = &read.block;
        ui.add_space(space_before(block));
        let top = ui.cursor().top();
        let under = ui.painter().add(egui::Shape::Noop);
        clicked = block_ui(ui, block, reading).or(clicked);
        if reading.least > 0 && read.count(reading.query) >= reading.least {
            let place = Rect::from_min_max(
                pos2(ui.max_rect().left() - 6.0, top - 2.0),
                pos2(ui.max_rect().right() + 2.0, ui.cursor().top() + 2.0),
            );
            let fill = theme::palette(ui).accent_surface;
            ui.painter().set(under, egui::Shape::rect_filled(place, 3.0, fill));
            if std::mem::take(&mut scrolls) {
                ui.scroll_to_rect(place.expand(8.0), Some(Align::Min));
            }
        }
    }
    clicked
}

fn space_before(block: &Block) -> f32 {
    match block {
        Block::Heading { level: HeadingLevel::H1, .. } => 0.0,
        Block::Heading { .. } => 18.0,
        Block::Item { .. } => 4.0,
        Block::Paragraph(_) | Block::Code(_) | Block::Table(_) | Block::Picture { .. } => 9.0,
    }
}

fn block_ui(ui: &mut Ui, block: &Block, reading: &Reading<'_>) -> Option<String> {
    let p = theme::palette(ui);
    match block {
        Block::Heading { level, spans } => {
            let size = if *level == HeadingLevel::H1 { 20.0 } else { 15.5 };
            let strong: Vec<Span> =
                spans.iter().map(|span| Span { is_strong: true, ..span.clone() }).collect();
            spans_ui(ui, &strong, size, Role::Heading)
        }
        Block::Paragraph(spans) => {
            let size = if spans.iter().all(|span| span.is_emphasised) { SMALL } else { BODY };
            spans_ui(ui, spans, size, Role::Label)
        }
        Block::Item { depth, mark, spans } => {
            ui.horizontal_top(|ui| {
                ui.spacing_mut().item_spacing.x = 0.0;
                let (rect, _) = ui.allocate_exact_size(vec2(INDENT * *depth as f32, BODY), Sense::hover());
                let font = FontId::new(BODY, FontFamily::Proportional);
                let at = pos2(rect.right() - 6.0, rect.top() + 0.5 * LINE * BODY);
                ui.painter().text(at, egui::Align2::RIGHT_CENTER, mark, font, p.text_weak);
                ui.vertical(|ui| spans_ui(ui, spans, BODY, Role::Label)).inner
            })
            .inner
        }
        Block::Code(text) => {
            code_ui(ui, text.trim_end(), &p);
            None
        }
        Block::Table(rows) => table_ui(ui, rows, &p),
        Block::Picture { file, words } => {
            picture_ui(ui, (reading.picture)(file), words);
            None
        }
    }
}

fn format_of(ui: &Ui, span: &Span, size: f32) -> TextFormat {
    let p = theme::palette(ui);
    let regular = FontId::new(size, FontFamily::Proportional);
    let (font_id, mut color) = match (span.is_code, span.is_strong) {
        (true, _) => (FontId::new(size * CODE / BODY, FontFamily::Monospace), p.text_strong),
        (_, true) => {
            let style = FontSelection::Style(theme::strong_style()).resolve(ui.style());
            (FontId::new(size, style.family), p.text_strong)
        }
        _ => (regular, p.text),
    };
    if span.is_emphasised {
        color = if size < BODY { p.text_weak } else { p.text_strong };
    }
    let mut format = TextFormat {
        font_id,
        color,
        italics: span.is_emphasised,
        line_height: Some(size * LINE),
        ..TextFormat::default()
    };
    if span.link.is_some() {
        format.color = p.accent;
        format.underline = Stroke::new(1.0, p.accent.gamma_multiply(0.5));
    }
    format
}

fn laid_out(ui: &Ui, spans: &[Span], size: f32, width: f32) -> Arc<Galley> {
    let mut job = LayoutJob {
        wrap: TextWrapping { max_width: width, ..TextWrapping::default() },
        break_on_newline: true,
        ..LayoutJob::default()
    };
    for span in spans {
        job.append(&span.text, 0.0, format_of(ui, span, size));
    }
    ui.painter().layout_job(job)
}

/// Wrapped text; its links can be clicked and have the keyboard.
fn spans_ui(ui: &mut Ui, spans: &[Span], size: f32, role: Role) -> Option<String> {
    let galley = laid_out(ui, spans, size, ui.available_width());
    let (rect, response) = ui.allocate_exact_size(galley.size(), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(role, true, plain(spans)));
    text_ui(ui, spans, galley, rect.min)
}

/// Paints laid-out spans at a place.
fn text_ui(ui: &Ui, spans: &[Span], galley: Arc<Galley>, at: Pos2) -> Option<String> {
    let mut clicked = None;
    let mut begin = 0;
    for (idx, span) in spans.iter().enumerate() {
        let letters = begin..begin + span.text.chars().count();
        begin = letters.end;
        let Some(target) = &span.link else { continue };
        let parts = places_of(&galley, letters);
        for (nth, part) in parts.into_iter().enumerate() {
            let part = part.translate(at.to_vec2());
            let id = ui.scope_id().with(("link", idx, nth, at.x as i32, galley.text()));
            let response = ui.interact(part, id, Sense::click());
            response.widget_info(|| WidgetInfo::labeled(Role::Link, true, &span.text));
            if response.hovered() {
                ui.ctx().set_cursor_icon(egui::CursorIcon::PointingHand);
            }
            if response.has_focus() {
                let focus = Stroke::new(1.5, theme::palette(ui).accent);
                ui.painter().rect_stroke(part.expand(1.0), 2.0, focus, egui::StrokeKind::Outside);
            }
            if response.clicked() {
                clicked = Some(target.clone());
            }
        }
    }
    ui.painter().galley(at, galley, Color32::PLACEHOLDER);
    clicked
}

/// Where some letters of the text stand: one rectangle for each row that they are on.
fn places_of(galley: &Galley, letters: Range<usize>) -> Vec<Rect> {
    let mut places = Vec::new();
    let mut nth = 0;
    for row in &galley.rows {
        let mut place = Rect::NOTHING;
        for glyph in &row.row.glyphs {
            if letters.contains(&nth) {
                place = place.union(glyph.logical_rect());
            }
            nth += 1;
        }
        nth += usize::from(row.ends_with_newline);
        if place.is_positive() {
            places.push(place.translate(row.pos.to_vec2()));
        }
    }
    places
}

fn code_ui(ui: &mut Ui, text: &str, p: &Palette) {
    let width = ui.available_width();
    let font = FontId::new(CODE, FontFamily::Monospace);
    let galley = ui.painter().layout(text.to_owned(), font, p.text_strong, width - 20.0);
    let (rect, response) = ui.allocate_exact_size(vec2(width, galley.size().y + 14.0), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Label, true, text));
    ui.painter().rect_filled(rect, 3.0, p.field);
    ui.painter().galley(rect.min + vec2(10.0, 7.0), galley, Color32::PLACEHOLDER);
}

/// Widths of columns within a width: as wide as their text where all fit, else the wide ones share what is left.
fn widths(natural: &[f32], whole: f32) -> Vec<f32> {
    let mut widths = natural.to_vec();
    let excess = |widths: &[f32]| widths.iter().sum::<f32>() - whole;
    // The widest give way first, down to the next widest, until all fit.
    while excess(&widths) > 0.5 {
        let most = widths.iter().copied().fold(0.0, f32::max);
        let next = widths.iter().copied().filter(|width| *width < most - 0.5).fold(COLUMN_LEAST, f32::max);
        let widest = widths.iter().filter(|width| **width >= most - 0.5).count().max(1);
        let to = (most - excess(&widths) / widest as f32).max(next.min(most));
        if to >= most - 0.01 {
            break;
        }
        widths.iter_mut().filter(|width| **width >= most - 0.5).for_each(|width| *width = to);
    }
    widths
}

fn table_ui(ui: &mut Ui, rows: &[Vec<Vec<Span>>], p: &Palette) -> Option<String> {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let whole = ui.available_width();
    let natural: Vec<f32> = (0..columns)
        .map(|column| {
            let cells = rows.iter().filter_map(|row| row.get(column));
            let width = |cell: &Vec<Span>| laid_out(ui, cell, SMALL + 1.0, f32::INFINITY).size().x;
            cells.map(width).fold(0.0, f32::max) + 2.0 * CELL.x
        })
        .collect();
    let widths = widths(&natural, whole);
    let mut clicked = None;
    for (nth, row) in rows.iter().enumerate() {
        let head: Vec<Vec<Span>>;
        let cells = if nth == 0 {
            let strong = |span: &Span| Span { is_strong: true, ..span.clone() };
            head = row.iter().map(|cell| cell.iter().map(strong).collect()).collect();
            &head
        } else {
            row
        };
        let texts: Vec<Arc<Galley>> = cells
            .iter()
            .zip(&widths)
            .map(|(cell, width)| laid_out(ui, cell, SMALL + 1.0, width - 2.0 * CELL.x))
            .collect();
        let height = texts.iter().map(|text| text.size().y).fold(0.0, f32::max) + 2.0 * CELL.y;
        let (rect, response) = ui.allocate_exact_size(vec2(whole, height), Sense::hover());
        let words: Vec<String> = cells.iter().map(|cell| plain(cell)).collect();
        response.widget_info(|| WidgetInfo::labeled(Role::Label, true, words.join(", ")));
        let mut left = rect.left();
        for ((cell, text), width) in cells.iter().zip(texts).zip(&widths) {
            clicked = text_ui(ui, cell, text, pos2(left, rect.top()) + CELL).or(clicked);
            left += width;
        }
        let ink = if nth == 0 { p.text_weak } else { p.line };
        ui.painter().hline(rect.left()..=left.min(rect.right()), rect.bottom(), Stroke::new(1.0, ink));
    }
    clicked
}

/// A picture in the width of the page, no larger than it is.
fn picture_ui(ui: &mut Ui, texture: Option<TextureHandle>, words: &str) {
    let Some(texture) = texture else { return };
    let size = texture.size_vec2();
    let scale = (ui.available_width() / size.x.max(1.0)).min(1.0);
    let (rect, response) = ui.allocate_exact_size(size * scale, Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, words));
    let whole = Rect::from_min_max(Pos2::ZERO, pos2(1.0, 1.0));
    ui.painter().image(texture.id(), rect, whole, Color32::WHITE);
    ui.painter().rect_stroke(rect, 0.0, Stroke::new(1.0, theme::palette(ui).line), egui::StrokeKind::Outside);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn narrow_columns_keep_their_width_and_wide_ones_share_the_rest() {
        assert_eq!(widths(&[50.0, 100.0], 200.0), [50.0, 100.0]);
        assert_eq!(widths(&[50.0, 400.0, 300.0], 350.0), [50.0, 150.0, 150.0]);
        let tight = widths(&[300.0, 300.0], 100.0);
        assert!(tight.iter().all(|width| *width >= COLUMN_LEAST), "{tight:?}");
    }
}
