//! The rail: the names of the sections of settings, of which at most one is open beside it.

use egui::{Align2, FontSelection, Rect, Role, Sense, Stroke, StrokeKind, Ui, WidgetInfo, pos2, vec2};

use super::summary;
use crate::commands::ViewCommand;
use crate::model::guide::page_of_section;
use crate::model::panels::Section;
use crate::views::ViewCx;
use crate::views::toolbar::key_text;
use crate::widgets::theme;

/// Height of an entry in a small and in a large window, points.
const ENTRY: (f32, f32) = (44.0, 72.0);

/// Draws one entry for each section.
pub(crate) fn rail_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    ui.spacing_mut().item_spacing.y = 0.0;
    let height = (ui.available_height() / Section::ALL.len() as f32).clamp(ENTRY.0, ENTRY.1).floor();
    for section in Section::ALL {
        entry_ui(ui, cx, section, height);
    }
}

fn entry_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, section: Section, height: f32) {
    let p = theme::palette(ui);
    let is_open = cx.ui_state.panels.is_open(section);
    let summary = summary(cx, section);
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), height), Sense::click());
    let name = format!("section {}", section.title());
    response.widget_info(|| WidgetInfo::selected(Role::Tab, ui.is_enabled(), is_open, &name));
    ui.ctx().accesskit_node_builder(response.id, |node| {
        node.set_value(if is_open { "open" } else { "closed" });
        node.set_expanded(is_open);
    });
    cx.ui_state.guide.places.push((rect, page_of_section(section)));
    let painter = ui.painter();
    if is_open || response.hovered() {
        painter.rect_filled(rect, 0.0, if is_open { p.panel } else { p.button });
    }
    if is_open {
        // The open entry and its pane are one surface.
        painter.rect_filled(rect.with_max_x(rect.left() + 3.0), 0.0, p.accent);
    }
    if response.has_focus() {
        painter.rect_stroke(rect.shrink(1.0), 3.0, Stroke::new(1.0, p.accent), StrokeKind::Inside);
    }
    let ink = if is_open { p.text_strong } else { p.text };
    let font = FontSelection::Style(theme::strong_style()).resolve(ui.style());
    let clip = painter.with_clip_rect(rect.shrink2(vec2(2.0, 0.0)).intersect(painter.clip_rect()));
    let left = rect.left() + 12.0;
    if summary.is_empty() {
        clip.text(pos2(left, rect.center().y), Align2::LEFT_CENTER, section.title(), font, ink);
    } else {
        let middle = rect.center().y;
        clip.text(pos2(left, middle + 1.0), Align2::LEFT_BOTTOM, section.title(), font, ink);
        let small = egui::TextStyle::Small.resolve(ui.style());
        clip.text(pos2(left, middle + 1.0), Align2::LEFT_TOP, short(&summary), small, p.text_weak);
    }
    painter.hline(rect.x_range(), rect.bottom(), Stroke::new(1.0, p.line));
    let line = Rect::from_min_max(pos2(rect.right() - 1.0, rect.top()), rect.max);
    if !is_open {
        painter.rect_filled(line, 0.0, p.line);
    }
    let key = key_text(ui, &format!("section {}", section.title()), None);
    let tip = if summary.is_empty() { section.purpose() } else { &summary };
    if response.on_hover_text(format!("{tip}   {key}")).clicked() {
        cx.push(ViewCommand::ToggleSection(section));
    }
}

/// The first words of a summary, which is all that the rail has room for.
fn short(summary: &str) -> &str {
    summary.split(',').next().unwrap_or(summary)
}
