//! Small drawn signs for buttons without room for a word. Each button still has a name and a tool tip.

use egui::{
    Color32, Painter, Pos2, Rect, Response, Role, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo, pos2, vec2,
};

use crate::widgets::theme;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Icon {
    Undo,
    Redo,
    /// Quarter turn clockwise.
    TurnRight,
    /// Quarter turn counter-clockwise.
    TurnLeft,
    /// Flip left to right.
    Flip,
    Plus,
    /// Duplicate.
    Copy,
    /// Delete.
    Bin,
    /// A box inside an area: the guard.
    Hold,
    /// A level line.
    Level,
    /// Everything in view.
    Fit,
    /// Light or dark surround.
    Surround,
    /// Question mark.
    Help,
    /// Close.
    Close,
    /// Warning.
    Warn,
}

/// A square button with a sign.
#[derive(Debug)]
pub struct IconButton<'a> {
    icon: Icon,
    name: &'a str,
    tip: String,
    is_on: Option<bool>,
    is_enabled: bool,
}

impl<'a> IconButton<'a> {
    /// A button with this sign and accessible name.
    pub fn new(icon: Icon, name: &'a str) -> Self {
        Self { icon, name, tip: name.to_owned(), is_on: None, is_enabled: true }
    }

    /// Adds a key or sentence to the tool tip, after the name.
    #[must_use]
    pub fn tip(mut self, tip: impl AsRef<str>) -> Self {
        if !tip.as_ref().is_empty() {
            self.tip = format!("{}   {}", self.name, tip.as_ref());
        }
        self
    }

    /// Makes the button a switch.
    #[must_use]
    pub fn on(mut self, is_on: bool) -> Self {
        self.is_on = Some(is_on);
        self
    }

    #[must_use]
    pub fn enabled(mut self, is_enabled: bool) -> Self {
        self.is_enabled = is_enabled;
        self
    }

    /// Draws the button.
    pub fn show(self, ui: &mut Ui) -> Response {
        let Self { icon, name, tip, is_on, is_enabled } = self;
        let response = ui.add_enabled_ui(is_enabled, |ui| {
            let (rect, response) =
                ui.allocate_exact_size(Vec2::splat(theme::ROW_HEIGHT + 2.0), Sense::click());
            if ui.is_rect_visible(rect) {
                let p = theme::palette(ui);
                let on = is_on == Some(true);
                let fill = match (on, response.hovered()) {
                    (true, _) => p.accent_surface,
                    (false, true) => p.button_hover,
                    (false, false) => Color32::TRANSPARENT,
                };
                ui.painter().rect_filled(rect, 4.0, fill);
                if response.has_focus() {
                    let focus = Stroke::new(1.5, p.accent);
                    ui.painter().rect_stroke(rect, 4.0, focus, egui::StrokeKind::Inside);
                }
                let ink = match (ui.is_enabled(), on) {
                    (false, _) => p.line,
                    (true, true) => p.accent,
                    (true, false) => p.text,
                };
                paint_icon(ui.painter(), rect, icon, ink);
            }
            response
        });
        let response = response.inner;
        response.widget_info(|| match is_on {
            Some(on) => WidgetInfo::selected(Role::Button, is_enabled, on, name),
            None => WidgetInfo::labeled(Role::Button, is_enabled, name),
        });
        response.on_hover_text(tip.clone()).on_disabled_hover_text(tip)
    }
}

/// The hook of a question mark, points from the middle of the square.
const QUESTION_MARK: [(f32, f32); 8] =
    [(-3.0, -3.2), (-2.2, -5.2), (0.0, -6.0), (2.4, -5.0), (2.8, -3.0), (1.6, -1.2), (0.0, 0.2), (0.0, 2.2)];

/// Draws a sign in the middle of a square.
pub fn paint_icon(painter: &Painter, rect: Rect, icon: Icon, ink: Color32) {
    let c = rect.center();
    let at = |x: f32, y: f32| pos2(c.x + x, c.y + y);
    let line = |points: &[(f32, f32)]| {
        let points = points.iter().map(|(x, y)| at(*x, *y)).collect();
        painter.add(Shape::line(points, Stroke::new(1.5, ink)));
    };
    let frame = |x: f32, y: f32, w: f32, h: f32| {
        let rect = Rect::from_min_size(at(x, y), vec2(w, h));
        painter.rect_stroke(rect, 1.0, Stroke::new(1.4, ink), egui::StrokeKind::Middle);
    };
    match icon {
        Icon::Undo => arc_arrow(painter, c + vec2(0.5, 1.0), 5.0, ink, false, 3.4),
        Icon::Redo => arc_arrow(painter, c + vec2(-0.5, 1.0), 5.0, ink, true, 3.4),
        Icon::TurnRight => {
            frame(-6.5, -1.0, 8.0, 7.0);
            arc_arrow(painter, c + vec2(0.5, 0.5), 6.5, ink, true, 1.7);
        }
        Icon::TurnLeft => {
            frame(-1.5, -1.0, 8.0, 7.0);
            arc_arrow(painter, c + vec2(-0.5, 0.5), 6.5, ink, false, 1.7);
        }
        Icon::Flip => {
            line(&[(0.0, -7.0), (0.0, 7.0)]);
            line(&[(-2.5, -5.0), (-7.0, 4.5), (-2.5, 4.5), (-2.5, -5.0)]);
            line(&[(2.5, -5.0), (7.0, 4.5), (2.5, 4.5), (2.5, -5.0)]);
        }
        Icon::Plus => {
            line(&[(-5.5, 0.0), (5.5, 0.0)]);
            line(&[(0.0, -5.5), (0.0, 5.5)]);
        }
        Icon::Copy => {
            frame(-6.0, -5.5, 7.5, 8.0);
            line(&[(-1.5, 5.5), (6.0, 5.5), (6.0, -2.5), (4.0, -2.5)]);
        }
        Icon::Bin => {
            line(&[(-6.0, -4.0), (6.0, -4.0)]);
            line(&[(-2.0, -4.0), (-2.0, -6.0), (2.0, -6.0), (2.0, -4.0)]);
            line(&[(-4.5, -4.0), (-3.7, 6.0), (3.7, 6.0), (4.5, -4.0)]);
        }
        Icon::Hold => {
            frame(-7.0, -5.5, 14.0, 11.0);
            painter.rect_filled(Rect::from_min_size(at(-4.0, -2.5), vec2(8.0, 5.0)), 1.0, ink);
        }
        Icon::Level => {
            line(&[(-7.0, 2.5), (7.0, -2.5)]);
            painter.circle_filled(at(-7.0, 2.5), 2.0, ink);
            painter.circle_filled(at(7.0, -2.5), 2.0, ink);
        }
        Icon::Fit => {
            for (x, y) in [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)] {
                line(&[(x * 7.0, y * 2.0), (x * 7.0, y * 5.5), (x * 3.0, y * 5.5)]);
            }
        }
        Icon::Surround => {
            painter.circle_stroke(c, 5.5, Stroke::new(1.4, ink));
            half_disc(painter, c, 5.5, ink);
        }
        Icon::Help => {
            line(&QUESTION_MARK);
            painter.circle_filled(at(0.0, 5.2), 1.2, ink);
        }
        Icon::Close => {
            line(&[(-4.0, -4.0), (4.0, 4.0)]);
            line(&[(-4.0, 4.0), (4.0, -4.0)]);
        }
        Icon::Warn => {
            line(&[(0.0, -6.0), (6.5, 5.5), (-6.5, 5.5), (0.0, -6.0), (0.4, -5.4)]);
            line(&[(0.0, -2.2), (0.0, 2.0)]);
            painter.circle_filled(at(0.0, 3.8), 0.9, ink);
        }
    }
}

/// The left half of a disc.
fn half_disc(painter: &Painter, center: Pos2, radius: f32, ink: Color32) {
    let half: Vec<Pos2> = (0..=12_u8)
        .map(|step| {
            let angle = std::f32::consts::FRAC_PI_2 + std::f32::consts::PI * f32::from(step) / 12.0;
            center + Vec2::angled(angle) * radius
        })
        .collect();
    painter.add(Shape::convex_polygon(half, ink, Stroke::NONE));
}

/// Part of a circle that ends in an arrow head; `sweep` is its length in radians, ending near the top.
fn arc_arrow(painter: &Painter, center: Pos2, radius: f32, ink: Color32, clockwise: bool, sweep: f32) {
    const STEPS: u8 = 16;
    let sign = if clockwise { 1.0 } else { -1.0 };
    // The arrow ends a little past the top, on the side it turns to.
    let end = -std::f32::consts::FRAC_PI_2 + sign * 0.75;
    let at = |t: f32| center + Vec2::angled(end - sign * sweep * (1.0 - t)) * radius;
    let points = (0..=STEPS).map(|step| at(f32::from(step) / f32::from(STEPS))).collect();
    painter.add(Shape::line(points, Stroke::new(1.5, ink)));
    let tip = at(1.0);
    let along = Vec2::angled(end + sign * std::f32::consts::FRAC_PI_2);
    let across = along.rot90();
    let head = vec![tip + along * 4.2, tip + across * 3.2, tip - across * 3.2];
    painter.add(Shape::convex_polygon(head, ink, Stroke::NONE));
}
