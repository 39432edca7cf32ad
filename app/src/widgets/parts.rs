//! Small parts of the panes: section heads, rows with a choice, notes, the main button.

use egui::{
    Align, Align2, Button, Color32, ComboBox, FontSelection, Label, Layout, Rect, Response, RichText, Sense,
    Stroke, TextStyle, Ui, pos2, vec2,
};

use crate::widgets::theme;
use crate::widgets::value_row::label_ui;

/// Title of a pane over the window.
pub fn title_ui(ui: &mut Ui, title: &str) {
    let colour = theme::palette(ui).text_strong;
    ui.label(RichText::new(title).text_style(egui::TextStyle::Heading).color(colour));
}

/// Title of a section and what it is for, over a short bar in the accent colour; returns its place.
pub fn section_title_ui(ui: &mut Ui, title: &str, purpose: &str) -> Rect {
    let p = theme::palette(ui);
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 26.0), Sense::hover());
    let font = egui::TextStyle::Heading.resolve(ui.style());
    let base = rect.bottom() - 4.0;
    let title = ui.painter().text(pos2(rect.left(), base), Align2::LEFT_BOTTOM, title, font, p.text_strong);
    let small = egui::TextStyle::Small.resolve(ui.style());
    let at = pos2(title.right() + 10.0, base - 1.5);
    let room = Rect::from_min_max(rect.min, pos2(rect.right() - 90.0, rect.bottom()));
    let clip = ui.painter().with_clip_rect(room.intersect(ui.clip_rect()));
    clip.text(at, Align2::LEFT_BOTTOM, purpose, small, p.text_weak);
    let bar = Rect::from_min_max(pos2(rect.left(), base + 1.0), pos2(title.right(), base + 3.0));
    ui.painter().rect_filled(bar, 1.0, p.accent);
    let line = pos2(title.right(), base + 2.0);
    ui.painter().hline(line.x..=rect.right(), line.y, Stroke::new(1.0, p.line));
    rect
}

/// A head inside a section, with a hairline behind it.
pub fn sub_head_ui(ui: &mut Ui, title: &str) {
    let p = theme::palette(ui);
    ui.add_space(4.0);
    let (rect, _) = ui.allocate_exact_size(vec2(ui.available_width(), 18.0), Sense::hover());
    let font = egui::TextStyle::Small.resolve(ui.style());
    let at = pos2(rect.left(), rect.center().y);
    let text = ui.painter().text(at, Align2::LEFT_CENTER, title, font, p.text_weak);
    let line = Rect::from_min_max(pos2(text.right() + 8.0, at.y), pos2(rect.right(), at.y));
    ui.painter().hline(line.x_range(), at.y, Stroke::new(1.0, p.line));
}

/// A label and a list with one choice; returns a new choice.
pub fn choice_row_ui<T: Clone + PartialEq>(
    ui: &mut Ui,
    label: &str,
    shown: &str,
    current: Option<&T>,
    choices: impl Iterator<Item = (T, String)>,
) -> Option<T> {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, label, false);
        let width = ui.available_width();
        choice_ui(ui, label, shown, width, current, choices)
    })
    .inner
}

/// A list with one choice; returns a new choice.
pub fn choice_ui<T: Clone + PartialEq>(
    ui: &mut Ui,
    name: &str,
    shown: &str,
    width: f32,
    current: Option<&T>,
    choices: impl Iterator<Item = (T, String)>,
) -> Option<T> {
    let mut chosen = None;
    let combo = ComboBox::from_id_salt(name).width(width).truncate().selected_text(shown);
    let response = combo.show_ui(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 2.0;
        for (value, text) in choices {
            if ui.selectable_label(current == Some(&value), text).clicked() && current != Some(&value) {
                chosen = Some(value);
            }
        }
    });
    ui.ctx().accesskit_node_builder(response.response.id, |node| {
        node.set_label(name);
        node.set_value(shown);
    });
    chosen
}

/// A label and two or three buttons of which one is pressed; returns a new choice.
pub fn switch_row_ui<T: Copy + PartialEq>(
    ui: &mut Ui,
    label: &str,
    current: T,
    choices: &[(T, &str, &str)],
) -> Option<T> {
    let mut chosen = None;
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, label, false);
        ui.spacing_mut().item_spacing.x = 2.0;
        // Each has room for its text, and they share what is left, so that the row ends with the column.
        let count = choices.len().max(1) as f32;
        let font = FontSelection::Style(TextStyle::Button).resolve(ui.style());
        let width_of = |text: &str| {
            ui.painter().layout_no_wrap(text.to_owned(), font.clone(), Color32::PLACEHOLDER).size().x
        };
        let widths: Vec<f32> = choices.iter().map(|(_, text, _)| width_of(text).ceil()).collect();
        let spare = (ui.available_width() - 2.0 * (count - 1.0) - widths.iter().sum::<f32>()) / count;
        ui.spacing_mut().button_padding.x = (spare / 2.0).clamp(1.0, ui.spacing().button_padding.x);
        for ((value, text, help), width) in choices.iter().zip(widths) {
            let button = Button::selectable(*value == current, *text).truncate().frame_when_inactive(true);
            let size = vec2((width + spare).max(1.0), theme::ROW_HEIGHT);
            let response = ui.add_sized(size, button).on_hover_text(*help);
            ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(format!("{label} {text}")));
            if response.clicked() && *value != current {
                chosen = Some(*value);
            }
        }
    });
    chosen
}

/// A label and a value that cannot be changed here.
pub fn fact_row_ui(ui: &mut Ui, label: &str, fact: &str) {
    let p = theme::palette(ui);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, label, false);
        ui.add(Label::new(RichText::new(fact).color(p.text_weak)).truncate());
    });
}

/// An explanatory sentence.
pub fn note_ui(ui: &mut Ui, text: &str) {
    let p = theme::palette(ui);
    ui.add(Label::new(RichText::new(text).small().color(p.text_weak)).wrap());
}

/// A warning: with a mark, never by colour alone.
pub fn warning_ui(ui: &mut Ui, text: &str) {
    let p = theme::palette(ui);
    ui.with_layout(Layout::left_to_right(Align::TOP), |ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        ui.label(RichText::new("▲").small().color(p.warn));
        ui.add(Label::new(RichText::new(text).small().color(p.text)).wrap());
    });
}

/// The button for the main action of a pane.
pub fn main_button_ui(ui: &mut Ui, text: &str, is_enabled: bool) -> Response {
    let p = theme::palette(ui);
    ui.scope(|ui| {
        let widgets = &mut ui.visuals_mut().widgets;
        for state in [&mut widgets.inactive, &mut widgets.hovered, &mut widgets.active] {
            state.weak_bg_fill = p.accent;
            state.fg_stroke.color = p.on_accent;
        }
        widgets.hovered.bg_stroke = Stroke::new(1.0, p.text_strong);
        let text = RichText::new(text).text_style(theme::strong_style());
        ui.add_enabled(is_enabled, Button::new(text).min_size(vec2(96.0, 28.0)))
    })
    .inner
}

/// A whole number with a blank between groups of three digits.
pub fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (idx, digit) in digits.chars().enumerate() {
        if idx > 0 && (digits.len() - idx).is_multiple_of(3) {
            text.push('\u{a0}');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_are_grouped_by_three() {
        assert_eq!(grouped(0), "0");
        assert_eq!(grouped(999), "999");
        assert_eq!(grouped(12_345), "12\u{a0}345");
        assert_eq!(grouped(1_234_567), "1\u{a0}234\u{a0}567");
    }
}
