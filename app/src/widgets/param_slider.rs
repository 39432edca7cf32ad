//! A horizontal slider that shows its default, an optional recommended value, and how far it was moved.
//!
//! Showing it never changes a value. One drag is one gesture: begin, any number of values, commit; Escape undoes the
//! drag. Keys held down are one gesture too.

use egui::accesskit::{Action, ActionData};
use egui::{
    Align2, CursorIcon, Rect, Response, Sense, Shape, Stroke, StrokeKind, TextStyle, Ui, Vec2, WidgetInfo,
    pos2, vec2,
};

use crate::model::gesture::ValueGesture;
use crate::widgets::drag_value::{FINE, HORIZONTAL, KeySteps, value_gestures};
use crate::widgets::theme;

const HANDLE: Vec2 = vec2(7.0, 15.0);
const RAIL_THICKNESS: f32 = 3.0;

/// A slider and its content.
#[derive(Debug, Clone, PartialEq)]
pub struct ParamSlider<'a> {
    /// Accessible name.
    pub name: &'a str,
    /// Value as text, for users who do not see the slider.
    pub value_text: String,
    /// Range of the rail.
    pub soft: (f64, f64),
    /// Accepted range.
    pub hard: (f64, f64),
    /// Value that a double click restores, marked on the rail.
    pub default: Option<f64>,
    /// A recommended value, marked above the rail, with its reason.
    pub mark: Option<(f64, &'a str)>,
    /// Step of a key press.
    pub step: f64,
    /// Decimals to which a drag is rounded.
    pub decimals: u8,
    /// The value; for several frames at once, that of the first.
    pub value: f64,
    /// Smallest and largest value of several frames.
    pub spread: Option<(f64, f64)>,
}

impl ParamSlider<'_> {
    /// Shows the slider in an area allocated before; adds events to `events` in order.
    pub fn show(&self, ui: &mut Ui, rect: Rect, events: &mut Vec<ValueGesture<f64>>) -> Response {
        let mut response = ui.interact(rect, ui.scope_id().with("slider"), Sense::click_and_drag());
        let count = events.len();
        self.react_to_clicks(rect, &response, events);
        let keys = KeySteps {
            arrows: HORIZONTAL,
            stepped: &|steps| self.rounded(self.value + f64::from(steps.x) * self.step),
            requested: self.requested(ui, &response),
        };
        let dragged = |wish: &mut f64, moved, is_fine| self.dragged(rect, &response, wish, moved, is_fine);
        value_gestures(ui, &response, self.value, &keys, dragged, events);
        if events.len() > count {
            response.mark_changed();
        }
        if ui.is_rect_visible(rect) {
            self.paint(ui, rect, &response);
        }
        self.describe(ui, &response);
        response.on_hover_cursor(CursorIcon::ResizeHorizontal)
    }

    fn share(&self, value: f64) -> f32 {
        let (low, high) = self.soft;
        (((value - low) / (high - low)) as f32).clamp(0.0, 1.0)
    }

    fn rail(rect: Rect) -> (f32, f32) {
        let inset = HANDLE.x / 2.0 + 1.0;
        (rect.left() + inset, (rect.right() - inset).max(rect.left() + inset + 1.0))
    }

    fn x_of(&self, rect: Rect, value: f64) -> f32 {
        let (left, right) = Self::rail(rect);
        left + (right - left) * self.share(value)
    }

    fn value_at(&self, rect: Rect, x: f32) -> f64 {
        let (left, right) = Self::rail(rect);
        let share = f64::from(((x - left) / (right - left)).clamp(0.0, 1.0));
        self.soft.0 + (self.soft.1 - self.soft.0) * share
    }

    fn rounded(&self, value: f64) -> f64 {
        let grid = 10f64.powi(i32::from(self.decimals));
        let value = (value * grid).round() / grid;
        value.clamp(self.hard.0, self.hard.1)
    }

    /// A double click resets; a pull or a click takes the keyboard, and beside the handle sets the value there.
    fn react_to_clicks(&self, rect: Rect, response: &Response, events: &mut Vec<ValueGesture<f64>>) {
        if response.drag_stopped() {
            // After a pull the arrow keys go on with the value.
            response.request_focus();
        }
        if response.double_clicked() {
            events.push(ValueGesture::Reset);
        } else if response.clicked() {
            response.request_focus();
            if let Some(at) = response.interact_pointer_pos()
                && (at.x - self.x_of(rect, self.value)).abs() > HANDLE.x
            {
                events.push(ValueGesture::Set(self.rounded(self.value_at(rect, at.x))));
            }
        }
    }

    /// The handle follows the pointer; a fine drag moves it from where it is.
    fn dragged(
        &self,
        rect: Rect,
        response: &Response,
        wish: &mut f64,
        moved: Vec2,
        is_fine: bool,
    ) -> Option<f64> {
        if moved.x == 0.0 {
            return None;
        }
        let next = if is_fine {
            let (left, right) = Self::rail(rect);
            let per_point = (self.soft.1 - self.soft.0) / f64::from(right - left);
            *wish + f64::from(moved.x * FINE) * per_point
        } else {
            self.value_at(rect, response.interact_pointer_pos()?.x)
        };
        *wish = next.clamp(self.hard.0, self.hard.1);
        Some(self.rounded(next)).filter(|value| *value != self.value)
    }

    /// The value that assistive software asks for.
    fn requested(&self, ui: &Ui, response: &Response) -> Option<f64> {
        let id = response.id;
        let (asked, steps) = ui.input(|input| {
            let asked = input.accesskit_action_requests(id, Action::SetValue);
            let asked = asked.filter_map(|request| match request.data {
                Some(ActionData::NumericValue(value)) => Some(value),
                _ => None,
            });
            let up = input.num_accesskit_action_requests(id, Action::Increment) as f64;
            (asked.last(), up - input.num_accesskit_action_requests(id, Action::Decrement) as f64)
        });
        let wish = asked.or((steps != 0.0).then_some(self.value + steps * self.step));
        wish.filter(|wish| wish.is_finite()).map(|wish| self.rounded(wish))
    }

    fn paint(&self, ui: &Ui, rect: Rect, response: &Response) {
        let p = theme::palette(ui);
        let painter = ui.painter();
        let enabled = ui.is_enabled();
        let (left, right) = Self::rail(rect);
        let middle = rect.center().y;
        let thick = RAIL_THICKNESS / 2.0;
        let bar = |x0: f32, x1: f32| {
            Rect::from_min_max(pos2(x0.min(x1), middle - thick), pos2(x0.max(x1), middle + thick))
        };
        painter.rect_filled(bar(left, right), thick, p.line);
        let at = self.x_of(rect, self.value);
        let origin = self.default.map_or(left, |default| self.x_of(rect, default));
        if let Some((low, high)) = self.spread {
            painter.rect_filled(bar(self.x_of(rect, low), self.x_of(rect, high)), thick, p.text_weak);
        } else if enabled && (at - origin).abs() > 0.5 {
            painter.rect_filled(bar(origin, at), thick, p.accent);
        }
        if self.default.is_some_and(|default| default > self.soft.0 && default < self.soft.1) {
            let tick = [pos2(origin, middle + 5.0), pos2(origin, middle + 9.0)];
            painter.line_segment(tick, Stroke::new(1.0, p.text_weak));
        }
        if let Some((value, _)) = self.mark {
            let x = self.x_of(rect, value);
            let tip = pos2(x, middle - 3.5);
            let corners = vec![tip, tip + vec2(-3.5, -5.5), tip + vec2(3.5, -5.5)];
            painter.add(Shape::convex_polygon(corners, p.text_strong, Stroke::NONE));
        }
        let handle = Rect::from_center_size(pos2(at, middle), HANDLE);
        let fill = match (enabled, response.hovered() || response.dragged() || response.has_focus()) {
            (false, _) => p.line,
            (true, false) => p.text,
            (true, true) => p.text_strong,
        };
        painter.rect_filled(handle.expand(1.0), 3.5, p.panel);
        painter.rect_filled(handle, 2.5, fill);
        if response.has_focus() {
            painter.rect_stroke(handle.expand(2.0), 4.0, Stroke::new(1.5, p.accent), StrokeKind::Middle);
        }
        let beyond = |sign: f32, x: f32| {
            painter.text(
                pos2(x, middle),
                Align2([if sign > 0.0 { egui::Align::Min } else { egui::Align::Max }, egui::Align::Center]),
                if sign > 0.0 { "›" } else { "‹" },
                TextStyle::Body.resolve(ui.style()),
                p.accent,
            );
        };
        if self.value > self.soft.1 {
            beyond(1.0, handle.right());
        } else if self.value < self.soft.0 {
            beyond(-1.0, handle.left());
        }
    }

    fn describe(&self, ui: &Ui, response: &Response) {
        response.widget_info(|| WidgetInfo::slider(ui.is_enabled(), self.value, self.name));
        ui.ctx().accesskit_node_builder(response.id, |node| {
            node.set_min_numeric_value(self.hard.0);
            node.set_max_numeric_value(self.hard.1);
            node.set_numeric_value_step(self.step);
            node.set_value(self.value_text.clone());
            node.add_action(Action::SetValue);
            node.add_action(Action::Increment);
            node.add_action(Action::Decrement);
        });
    }
}
