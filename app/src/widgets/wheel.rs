//! The balance wheel: one point on a disc, warm to the right, magenta up.
//!
//! The disc is grey like every surface; only a thin rim shows the direction of each colour. The hexagon of a
//! ring-around uses the same directions.

use egui::accesskit::Role;
use egui::{
    Align2, Color32, CursorIcon, Mesh, Pos2, Rect, Response, Sense, Shape, Stroke, TextStyle, Ui, Vec2,
    WidgetInfo, vec2,
};

use crate::model::gesture::ValueGesture;
use crate::model::number_text::number_text;
use crate::widgets::drag_value::point_gestures;
use crate::widgets::theme;

/// Step of an arrow key, CC.
const STEP_CC: f64 = 1.0;
/// Thickness of the coloured rim, points.
const RIM: f32 = 4.0;
/// Corners of the drawn circles.
const CORNERS: u16 = 96;

/// A wheel and its content.
#[derive(Debug, Clone, PartialEq)]
pub struct Wheel<'a> {
    /// Accessible name.
    pub name: &'a str,
    /// Warm and magenta, CC.
    pub value_cc: [f64; 2],
    /// Values at the rim, CC.
    pub reach_cc: f64,
}

impl Wheel<'_> {
    /// Shows the wheel as a square of this side; adds events in order.
    pub fn show(&self, ui: &mut Ui, side: f32, events: &mut Vec<ValueGesture<[f64; 2]>>) -> Response {
        let (rect, mut response) = ui.allocate_exact_size(vec2(side, side), Sense::click_and_drag());
        let radius = side / 2.0 - RIM - 14.0;
        let cc_per_point = self.reach_cc / f64::from(radius.max(1.0));
        let count = events.len();
        if response.double_clicked() {
            events.push(ValueGesture::Reset);
        } else if response.clicked() {
            response.request_focus();
            if let Some(at) = response.interact_pointer_pos()
                && (at - self.point(rect.center(), radius)).length() > 8.0
            {
                let way = at - rect.center();
                let cc = [f64::from(way.x), -f64::from(way.y)].map(|way| way * cc_per_point);
                events.push(ValueGesture::Set(cc));
            }
        }
        let per_point = [cc_per_point, -cc_per_point];
        point_gestures(ui, &response, self.value_cc, per_point, [STEP_CC; 2], events);
        for event in &mut events[count..] {
            if let ValueGesture::Set(cc) = event {
                *cc = cc.map(|cc| (cc * 10.0).round() / 10.0);
            }
        }
        if events.len() > count {
            response.mark_changed();
        }
        if ui.is_rect_visible(rect) {
            self.paint(ui, rect, radius, &response);
        }
        let text = self.value_text();
        response.widget_info(|| {
            let mut info = WidgetInfo::labeled(Role::Slider, ui.is_enabled(), self.name);
            info.current_text_value = Some(text.clone());
            info
        });
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_value(text));
        response.on_hover_cursor(CursorIcon::Crosshair)
    }

    /// The value in words.
    pub fn value_text(&self) -> String {
        balance_text(self.value_cc)
    }

    /// Position of the point; values beyond the rim stay on it.
    fn point(&self, center: Pos2, radius: f32) -> Pos2 {
        let way = vec2(self.value_cc[0] as f32, -self.value_cc[1] as f32) / self.reach_cc as f32;
        center + way * radius * (1.0 / way.length().max(1.0))
    }

    fn paint(&self, ui: &Ui, rect: Rect, radius: f32, response: &Response) {
        let p = theme::palette(ui);
        let painter = ui.painter();
        let center = rect.center();
        painter.add(rim(center, radius + 1.0, radius + 1.0 + RIM, p.dark));
        painter.circle_filled(center, radius, p.field);
        let hair = Stroke::new(1.0, p.line);
        painter.circle_stroke(center, radius * 0.5, hair);
        painter.line_segment([center - vec2(radius, 0.0), center + vec2(radius, 0.0)], hair);
        painter.line_segment([center - vec2(0.0, radius), center + vec2(0.0, radius)], hair);
        let font = TextStyle::Small.resolve(ui.style());
        let inside = radius - 4.0;
        for (align, way, text) in [
            (Align2::RIGHT_BOTTOM, vec2(inside, -1.0), "warm"),
            (Align2::LEFT_BOTTOM, vec2(-inside, -1.0), "cool"),
            (Align2::CENTER_TOP, vec2(0.0, -inside), "magenta"),
            (Align2::CENTER_BOTTOM, vec2(0.0, inside), "green"),
        ] {
            painter.text(center + way, align, text, font.clone(), p.text_weak);
        }
        let at = self.point(center, radius);
        let is_moved = self.value_cc != [0.0; 2];
        if is_moved {
            painter.line_segment([center, at], Stroke::new(1.5, p.accent));
        }
        let is_active = response.hovered() || response.dragged() || response.has_focus();
        let ink = if is_active { p.text_strong } else { p.text };
        painter.circle_filled(at, 6.5, p.field);
        painter.circle_filled(at, 4.5, ink);
        if response.has_focus() {
            painter.circle_stroke(at, 8.0, Stroke::new(1.5, p.accent));
        }
    }
}

/// A balance in words: `+3.0 warm, −2.0 magenta CC`.
pub fn balance_text([warm, magenta]: [f64; 2]) -> String {
    let part = |value: f64, plus: &str, minus: &str| {
        let name = if value < 0.0 { minus } else { plus };
        format!("{} {name}", number_text(value.abs(), 1, false))
    };
    match (warm.abs() >= 0.05, magenta.abs() >= 0.05) {
        (false, false) => "neutral".to_owned(),
        (true, false) => format!("{} CC", part(warm, "warm", "cool")),
        (false, true) => format!("{} CC", part(magenta, "magenta", "green")),
        (true, true) => format!("{}, {} CC", part(warm, "warm", "cool"), part(magenta, "magenta", "green")),
    }
}

/// A ring whose colour at each angle is the one the picture moves towards there.
fn rim(center: Pos2, inner: f32, outer: f32, dark: bool) -> Shape {
    let mut mesh = Mesh::default();
    for corner in 0..=CORNERS {
        let angle = f32::from(corner) / f32::from(CORNERS) * std::f32::consts::TAU;
        let way = Vec2::angled(angle);
        let colour = rim_colour(way, dark);
        mesh.colored_vertex(center + way * inner, colour);
        mesh.colored_vertex(center + way * outer, colour);
        if corner > 0 {
            let at = u32::from(corner) * 2;
            mesh.add_triangle(at - 2, at - 1, at);
            mesh.add_triangle(at - 1, at + 1, at);
        }
    }
    Shape::mesh(mesh)
}

/// Colour of the rim in a direction (right, down): the three layers moved as the balance moves them, muted.
fn rim_colour(way: Vec2, dark: bool) -> Color32 {
    let (warm, magenta) = (way.x, -way.y);
    let layers = [0.5 * warm + magenta / 3.0, -2.0 / 3.0 * magenta, -0.5 * warm + magenta / 3.0];
    let (level, depth) = if dark { (120.0, 95.0) } else { (140.0, 95.0) };
    let [r, g, b] = layers.map(|layer| (level + depth * layer).clamp(0.0, 255.0) as u8);
    Color32::from_rgb(r, g, b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_balance_is_said_in_words() {
        assert_eq!(balance_text([0.0, 0.0]), "neutral");
        assert_eq!(balance_text([3.0, -2.0]), "3.0 warm, 2.0 green CC");
        assert_eq!(balance_text([-3.0, 0.0]), "3.0 cool CC");
    }

    #[test]
    fn the_rim_is_warm_on_the_right_and_magenta_above() {
        let right = rim_colour(vec2(1.0, 0.0), true);
        assert!(right.r() > right.g() && right.g() > right.b());
        let above = rim_colour(vec2(0.0, -1.0), true);
        assert!(above.r() > above.g() && above.b() > above.g());
    }
}
