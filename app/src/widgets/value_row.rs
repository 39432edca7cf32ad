//! One row of the settings: label, slider, number, reset to the default.
//!
//! Showing a row never changes a value, even if it is outside the range of the slider.

use egui::{
    Align, DragValue, Layout, Rect, Response, RichText, Sense, Shape, Stroke, Ui, UiBuilder, WidgetInfo,
    pos2, vec2,
};
use glassine_film::{Look, Param};

use crate::model::gesture::ValueGesture;
use crate::model::number_text::{number_text, parse_number};
use crate::widgets::param_slider::ParamSlider;
use crate::widgets::theme;

const RESET_WIDTH: f32 = 16.0;

/// One value of one frame, or of several frames at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum MixedValue {
    /// All have this value.
    One(f64),
    /// They differ.
    Mixed {
        /// Value of the current frame.
        first: f64,
        low: f64,
        high: f64,
    },
}

impl MixedValue {
    /// The value of a parameter over some looks, the first one leading; `None` without looks.
    pub fn of<'a>(param: Param, looks: impl IntoIterator<Item = &'a Look>) -> Option<Self> {
        let mut values = looks.into_iter().map(|look| look.kept(param));
        let first = values.next()?;
        let (low, high) = values.fold((first, first), |(low, high), value| (low.min(value), high.max(value)));
        Some(if low == high { Self::One(first) } else { Self::Mixed { first, low, high } })
    }

    /// The value of the current frame.
    pub fn leading(self) -> f64 {
        match self {
            Self::One(value) | Self::Mixed { first: value, .. } => value,
        }
    }

    /// The same in a smaller unit.
    #[must_use]
    pub fn times(self, scale: f64) -> Self {
        match self {
            Self::One(value) => Self::One(value * scale),
            Self::Mixed { first, low, high } => {
                Self::Mixed { first: first * scale, low: low * scale, high: high * scale }
            }
        }
    }

    /// Lowest and highest value, if they differ.
    pub fn spread(self) -> Option<(f64, f64)> {
        match self {
            Self::One(_) => None,
            Self::Mixed { low, high, .. } => Some((low, high)),
        }
    }
}

/// A row with a slider.
#[derive(Debug, Clone, PartialEq)]
pub struct ValueRow<'a> {
    /// Stable name, unique within a panel.
    pub key: &'a str,
    /// Accessible name.
    pub name: &'a str,
    /// Label shown, usually the name.
    pub label: &'a str,
    /// Unit behind the number.
    pub unit: &'a str,
    /// Tool tip: what the value does.
    pub help: &'a str,
    /// Accepted range.
    pub hard: (f64, f64),
    /// Range of the slider.
    pub soft: (f64, f64),
    /// Value that a reset restores.
    pub default: f64,
    /// Step of a key press.
    pub step: f64,
    /// Decimals shown.
    pub decimals: u8,
    /// Recommended value, with the reason.
    pub mark: Option<(f64, &'a str)>,
}

impl ValueRow<'_> {
    /// Shows the row; adds the user's actions to `events` and returns the slider's response.
    pub fn show(&self, ui: &mut Ui, value: MixedValue, events: &mut Vec<ValueGesture<f64>>) -> Response {
        let changed = value != MixedValue::One(self.default);
        let size = vec2(ui.available_width(), theme::ROW_HEIGHT);
        let (rect, _) = ui.allocate_exact_size(size, Sense::hover());
        let columns = Columns::of(rect);
        let hint = self.hint(value);
        let mut inside = ui.new_child(UiBuilder::new().id_salt(self.key).max_rect(rect));
        let ui = &mut inside;
        label_at(ui, columns.label, self.label, changed).on_hover_text(&hint);
        let slider = self.slider(value).show(ui, columns.slider, events);
        // The tip never covers the value while it is being pulled.
        let slider = if slider.dragged() { slider } else { slider.on_hover_text(hint) };
        self.number_ui(ui, columns.number, value, events);
        if changed && ui.is_enabled() {
            self.reset_ui(ui, columns.reset, events);
        }
        slider
    }

    fn slider(&self, value: MixedValue) -> ParamSlider<'_> {
        ParamSlider {
            name: self.name,
            value_text: match value {
                MixedValue::One(value) => self.text_of(value),
                MixedValue::Mixed { low, high, .. } => {
                    format!("between {} and {}", self.text_of(low), self.text_of(high))
                }
            },
            soft: self.soft,
            hard: self.hard,
            default: Some(self.default),
            mark: self.mark,
            step: self.step,
            decimals: self.decimals,
            value: value.leading(),
            spread: value.spread(),
        }
    }

    fn hint(&self, value: MixedValue) -> String {
        let mut hint = self.help.to_owned();
        if let Some((mark, why)) = self.mark {
            hint.push_str(&format!("\n▼ {} {why}", self.text_of(mark)));
        }
        if let MixedValue::Mixed { low, high, .. } = value {
            hint.push_str(&format!(
                "\nthe selected frames lie between {} and {}",
                self.text_of(low),
                self.text_of(high)
            ));
        }
        hint.push_str(&format!(
            "\ndouble click or Backspace: back to {}; Shift: fine pull",
            self.text_of(self.default)
        ));
        hint
    }

    /// A value with its unit, and with its sign if the range includes both signs.
    pub fn text_of(&self, value: f64) -> String {
        let number = number_text(value, self.decimals, self.is_signed());
        if self.unit.is_empty() { number } else { format!("{number} {}", self.unit) }
    }

    fn is_signed(&self) -> bool {
        self.soft.0 < 0.0 && self.soft.1 > 0.0
    }

    fn number_ui(&self, ui: &mut Ui, rect: Rect, value: MixedValue, events: &mut Vec<ValueGesture<f64>>) {
        let name = format!("{} number", self.name);
        let mut number = value.leading();
        let is_mixed = value.spread().is_some();
        let (decimals, signed) = (self.decimals, self.is_signed());
        let has_unit = !(self.unit.is_empty() || is_mixed);
        let suffix = if has_unit { format!(" {}", self.unit) } else { String::new() };
        let drag = DragValue::new(&mut number)
            .range(self.hard.0..=self.hard.1)
            .clamp_existing_to_range(false)
            .speed((self.soft.1 - self.soft.0) / 400.0)
            .fixed_decimals(usize::from(decimals))
            .prefix(egui::Atom::grow())
            .suffix(suffix)
            .custom_formatter(move |value, _| {
                if is_mixed { "mixed".to_owned() } else { number_text(value, decimals, signed) }
            })
            .custom_parser(parse_number)
            .update_while_editing(false);
        let response = number_field_at(ui, rect, drag, &name);
        if response.drag_started() {
            events.push(ValueGesture::Begin);
        }
        if response.changed() && number.is_finite() {
            events.push(ValueGesture::Set(number));
        }
        if response.drag_stopped() {
            events.push(ValueGesture::Commit);
        }
    }

    fn reset_ui(&self, ui: &Ui, rect: Rect, events: &mut Vec<ValueGesture<f64>>) {
        let label = format!("reset {}", self.name);
        let hint = format!("back to {}", self.text_of(self.default));
        if reset_button(ui, rect, &label).on_hover_text(hint).clicked() {
            events.push(ValueGesture::Reset);
        }
    }
}

/// Areas of a row, the same in every row.
struct Columns {
    label: Rect,
    slider: Rect,
    number: Rect,
    reset: Rect,
}

impl Columns {
    fn of(row: Rect) -> Self {
        let part = |x0: f32, x1: f32| Rect::from_x_y_ranges(x0..=x1.max(x0), row.y_range());
        let reset = part(row.right() - RESET_WIDTH, row.right());
        let number =
            part(reset.left() - 3.0 - theme::NUMBER_WIDTH, reset.left() - 3.0).shrink2(vec2(0.0, 1.0));
        let label = part(row.left(), row.left() + theme::LABEL_WIDTH);
        let slider = part(label.right() + 6.0, (number.left() - 8.0).max(label.right() + 40.0));
        Self { label, slider, number, reset }
    }
}

/// Label in the column in front of the controls; strong if the value differs from its default.
pub fn label_ui(ui: &mut Ui, text: &str, strong: bool) -> Response {
    let (rect, _) = ui.allocate_exact_size(vec2(theme::LABEL_WIDTH, theme::ROW_HEIGHT), Sense::hover());
    label_at(ui, rect, text, strong)
}

fn label_at(ui: &mut Ui, rect: Rect, text: &str, strong: bool) -> Response {
    let p = theme::palette(ui);
    let colour = if strong { p.text_strong } else { p.text };
    let inside = UiBuilder::new().max_rect(rect).layout(Layout::left_to_right(Align::Center));
    let label = egui::Label::new(RichText::new(text).color(colour)).truncate();
    // A child that takes no room: the row keeps the whole width of the column.
    ui.new_child(inside).add(label)
}

/// A number field with an inset background and an accessible name.
pub fn number_field_ui(ui: &mut Ui, drag: DragValue<'_>, name: &str, width: f32) -> Response {
    let (rect, _) = ui.allocate_exact_size(vec2(width, theme::ROW_HEIGHT), Sense::hover());
    number_field_at(ui, rect.shrink2(vec2(0.0, 1.0)), drag, name)
}

fn number_field_at(ui: &mut Ui, rect: Rect, drag: DragValue<'_>, name: &str) -> Response {
    let p = theme::palette(ui);
    let inside = UiBuilder::new().max_rect(rect).layout(Layout::right_to_left(Align::Center));
    let mut inside = ui.new_child(inside);
    let visuals = inside.visuals_mut();
    visuals.widgets.inactive.weak_bg_fill = p.field;
    visuals.widgets.hovered.weak_bg_fill = p.field;
    visuals.widgets.hovered.bg_stroke = Stroke::new(1.0, p.text_weak);
    inside.spacing_mut().button_padding = vec2(6.0, 2.0);
    inside.spacing_mut().interact_size.y = rect.height();
    let response = inside.add(drag.min_size(rect.size()));
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(name));
    response
}

fn reset_button(ui: &Ui, rect: Rect, label: &str) -> Response {
    let response = ui.interact(rect, ui.scope_id().with("reset"), Sense::click());
    response.widget_info(|| WidgetInfo::labeled(egui::accesskit::Role::Button, ui.is_enabled(), label));
    let p = theme::palette(ui);
    let colour = if response.hovered() || response.has_focus() { p.accent } else { p.text_weak };
    let centre = rect.center();
    // Three quarters of a circle with an arrow head: back to the start.
    let radius = 4.2;
    let arc: Vec<_> = (0..=18u8)
        .map(|step| {
            let angle = (-150.0 + 285.0 * f32::from(step) / 18.0).to_radians();
            centre + radius * vec2(angle.cos(), angle.sin())
        })
        .collect();
    let start = arc.first().copied().unwrap_or(centre);
    ui.painter().add(Shape::line(arc, Stroke::new(1.3, colour)));
    let head = vec![start + vec2(-2.2, -3.4), start + vec2(2.8, 0.6), start + vec2(-3.0, 2.0)];
    ui.painter().add(Shape::convex_polygon(head, colour, Stroke::NONE));
    if response.has_focus() {
        let line = [pos2(rect.left(), rect.bottom() - 3.0), pos2(rect.right(), rect.bottom() - 3.0)];
        ui.painter().line_segment(line, Stroke::new(1.0, p.accent));
    }
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_of_several_frames_are_one_when_they_agree() {
        let looks = [
            Look::default().with(Param::Contrast, 1.2),
            Look::default().with(Param::Contrast, 0.8),
            Look::default().with(Param::Contrast, 1.5),
        ];
        assert_eq!(MixedValue::of(Param::Saturation, &looks), Some(MixedValue::One(1.0)));
        assert_eq!(
            MixedValue::of(Param::Contrast, &looks),
            Some(MixedValue::Mixed { first: 1.2, low: 0.8, high: 1.5 })
        );
        assert_eq!(MixedValue::of(Param::Contrast, &[]), None);
    }
}
