//! Small parts of the panes: section heads, rows with a choice, notes, the main button.

use egui::accesskit::Role;
use egui::{
    Align, Align2, Button, ComboBox, FontSelection, Label, Layout, Rect, Response, RichText, Sense, Shape,
    Stroke, Ui, WidgetInfo, pos2, vec2,
};

use crate::widgets::param_row::label_ui;
use crate::widgets::theme;

/// Height of a section head, points.
pub const HEAD_HEIGHT: f32 = 28.0;

/// Head of a section that opens and closes it; `summary` is at its right end. The response reports clicks.
pub fn section_head_ui(ui: &mut Ui, title: &str, summary: &str, is_open: bool) -> Response {
    let p = theme::palette(ui);
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), HEAD_HEIGHT), Sense::click());
    let state = if is_open { "open" } else { "closed" };
    response.widget_info(|| WidgetInfo::labeled(Role::Button, ui.is_enabled(), format!("section {title}")));
    ui.ctx().accesskit_node_builder(response.id, |node| {
        node.set_value(state);
        node.set_expanded(is_open);
    });
    let painter = ui.painter();
    let fill = if response.hovered() { p.button } else { p.bar };
    painter.rect_filled(rect, 4.0, fill);
    if response.has_focus() {
        painter.rect_stroke(rect, 4.0, Stroke::new(1.0, p.accent), egui::StrokeKind::Inside);
    }
    triangle(ui, pos2(rect.left() + 13.0, rect.center().y), is_open);
    let font = FontSelection::Style(theme::section_style()).resolve(ui.style());
    let at = pos2(rect.left() + 26.0, rect.center().y);
    let title = painter.text(at, Align2::LEFT_CENTER, title, font, p.text_strong);
    let small = egui::TextStyle::Small.resolve(ui.style());
    let room = rect.right() - 10.0 - title.right() - 12.0;
    let galley = painter.layout_no_wrap(summary.to_owned(), small, p.text_weak);
    if galley.size().x <= room {
        let at = pos2(rect.right() - 10.0 - galley.size().x, rect.center().y - galley.size().y / 2.0);
        painter.galley(at, galley, p.text_weak);
    }
    response
}

fn triangle(ui: &Ui, centre: egui::Pos2, points_down: bool) {
    let p = theme::palette(ui);
    let corners = if points_down {
        vec![centre + vec2(-4.0, -2.0), centre + vec2(4.0, -2.0), centre + vec2(0.0, 3.0)]
    } else {
        vec![centre + vec2(-2.0, -4.0), centre + vec2(3.0, 0.0), centre + vec2(-2.0, 4.0)]
    };
    ui.painter().add(Shape::convex_polygon(corners, p.text_weak, Stroke::NONE));
}

/// Title of a pane over the window.
pub fn title_ui(ui: &mut Ui, title: &str) {
    let colour = theme::palette(ui).text_strong;
    ui.label(RichText::new(title).text_style(egui::TextStyle::Heading).color(colour));
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
        let count = choices.len().max(1) as f32;
        let width = (ui.available_width() - 2.0 * (count - 1.0)) / count;
        for (value, text, help) in choices {
            let button = Button::selectable(*value == current, *text)
                .min_size(vec2(width, theme::ROW_HEIGHT))
                .frame_when_inactive(true);
            let response = ui.add(button).on_hover_text(*help);
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
