//! A box on the strip: which part of it the pointer holds, what a drag does, and how it is drawn.

use egui::{Color32, CursorIcon, Painter, Pos2, Shape, Stroke, Vec2, pos2};
use glassine_raster::{Point, Scan, TiltedBox};

use crate::model::box_edges::moved_edges;
use crate::model::ui_state::BoxPart;

/// Reach of a corner, points: its handle is 24 points wide.
const CORNER_REACH: f32 = 12.0;
/// Reach of a side to either side, points.
const SIDE_REACH: f32 = 9.0;
/// Distance of the turning knob from the upper side, points.
const KNOB_INSET: f32 = 20.0;
/// Boxes smaller than this on screen have no knob, points.
const KNOB_MIN_SIDE: f32 = 84.0;

/// Corner signs in the order of [`TiltedBox::corners`].
const CORNERS: [(i8, i8); 4] = [(-1, -1), (1, -1), (1, 1), (-1, 1)];
/// Sides from each corner to the next.
const SIDES: [(i8, i8); 4] = [(0, -1), (1, 0), (0, 1), (-1, 0)];

/// A box on screen: corners in the order of [`TiltedBox::corners`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScreenBox {
    pub corners: [Pos2; 4],
}

impl ScreenBox {
    pub fn center(&self) -> Pos2 {
        self.corners[0] + (self.corners[2] - self.corners[0]) * 0.5
    }

    fn shortest_side(&self) -> f32 {
        let [a, b, _, d] = self.corners;
        (b - a).length().min((d - a).length())
    }

    /// Position of the turning knob, if the box is large enough for one: inside, near its uppermost side.
    pub fn knob(&self) -> Option<Pos2> {
        if self.shortest_side() < KNOB_MIN_SIDE {
            return None;
        }
        let middle = |i: usize| self.corners[i] + (self.corners[(i + 1) % 4] - self.corners[i]) * 0.5;
        let top = (0..4).map(middle).min_by(|a, b| a.y.total_cmp(&b.y))?;
        let inwards = (self.center() - top).normalized();
        Some(top + inwards * KNOB_INSET)
    }

    pub fn contains(&self, at: Pos2) -> bool {
        let mut signs = (0..4).map(|i| {
            let (a, b) = (self.corners[i], self.corners[(i + 1) % 4]);
            let (side, to) = (b - a, at - a);
            side.x * to.y - side.y * to.x
        });
        let first = signs.next().unwrap_or(0.0);
        signs.all(|s| s * first >= 0.0)
    }

    /// The part under the pointer. Sides and corners respond only if the box is selected.
    pub fn part_at(&self, at: Pos2, is_selected: bool) -> Option<BoxPart> {
        if is_selected {
            if self.knob().is_some_and(|knob| knob.distance(at) <= CORNER_REACH) {
                return Some(BoxPart::Knob);
            }
            // A small box keeps room in its middle for moving it.
            let scale = (self.shortest_side() / (3.5 * CORNER_REACH)).min(1.0);
            for (corner, (x, y)) in self.corners.iter().zip(CORNERS) {
                if corner.distance(at) <= CORNER_REACH * scale * std::f32::consts::SQRT_2 {
                    return Some(BoxPart::Edge(x, y));
                }
            }
            for (i, (x, y)) in SIDES.into_iter().enumerate() {
                let (a, b) = (self.corners[i], self.corners[(i + 1) % 4]);
                if distance_to_segment(at, a, b) <= SIDE_REACH * scale {
                    return Some(BoxPart::Edge(x, y));
                }
            }
        }
        self.contains(at).then_some(BoxPart::Body)
    }

    /// Direction on screen that a side or corner points to.
    fn outwards(&self, (x, y): (i8, i8)) -> Vec2 {
        let [a, b, _, d] = self.corners;
        (b - a).normalized() * f32::from(x) + (d - a).normalized() * f32::from(y)
    }

    /// Pointer shape over a part.
    pub fn cursor(&self, part: BoxPart, is_dragged: bool) -> CursorIcon {
        match part {
            BoxPart::Body if is_dragged => CursorIcon::Grabbing,
            BoxPart::Body => CursorIcon::Move,
            BoxPart::Knob => CursorIcon::Alias,
            BoxPart::Edge(x, y) => {
                let towards = self.outwards((x, y));
                // Eighths of a turn from the right, clockwise on screen.
                match (towards.angle() / std::f32::consts::FRAC_PI_4).round().rem_euclid(4.0) as u8 {
                    0 => CursorIcon::ResizeHorizontal,
                    1 => CursorIcon::ResizeNwSe,
                    2 => CursorIcon::ResizeVertical,
                    _ => CursorIcon::ResizeNeSw,
                }
            }
        }
    }
}

fn distance_to_segment(at: Pos2, a: Pos2, b: Pos2) -> f32 {
    let side = b - a;
    let t = ((at - a).dot(side) / side.length_sq().max(1e-6)).clamp(0.0, 1.0);
    at.distance(a + side * t)
}

/// The box a drag requests, before the guard limits it: `from` is where the pointer went down, `to` where it is now.
pub fn dragged(before: &TiltedBox, part: BoxPart, from: Point<Scan>, to: Point<Scan>) -> TiltedBox {
    let (dx, dy) = (to.x - from.x, to.y - from.y);
    match part {
        BoxPart::Body => {
            TiltedBox { center: Point::new(before.center.x + dx, before.center.y + dy), ..*before }
        }
        BoxPart::Edge(x, y) => {
            let (sin, cos) = before.angle_rad.sin_cos();
            moved_edges(before, (x, y), (cos * dx + sin * dy, cos * dy - sin * dx))
        }
        BoxPart::Knob => {
            let angle = |p: Point<Scan>| (p.y - before.center.y).atan2(p.x - before.center.x);
            let turn = angle(to) - angle(from);
            let turn = turn - std::f64::consts::TAU * (turn / std::f64::consts::TAU).round();
            TiltedBox { angle_rad: before.angle_rad + turn, ..*before }
        }
    }
}

/// The scan position of the dragged side or corner.
pub fn dragged_point(b: &TiltedBox, part: BoxPart) -> Option<Point<Scan>> {
    let BoxPart::Edge(x, y) = part else { return None };
    let unit = |edge: i8| f64::midpoint(f64::from(edge), 1.0);
    Some(b.scan_from_unit(unit(x), unit(y)))
}

/// Colours of a drawn box.
#[derive(Debug, Clone, Copy)]
pub struct BoxInk {
    pub line: Color32,
    /// Width of the line, points.
    pub width: f32,
    /// Whether handles are shown.
    pub handles: bool,
}

/// Draws a box: a light line on a dark one, so that it is visible on clear and on dense film.
pub fn paint(painter: &Painter, shape: &ScreenBox, ink: BoxInk) {
    let closed = || shape.corners.to_vec();
    painter.add(Shape::closed_line(closed(), Stroke::new(ink.width + 2.0, Color32::from_black_alpha(120))));
    painter.add(Shape::closed_line(closed(), Stroke::new(ink.width, ink.line)));
    if !ink.handles {
        return;
    }
    let arm = (shape.shortest_side() * 0.2).clamp(4.0, 14.0);
    for (i, corner) in shape.corners.iter().enumerate() {
        let next = (shape.corners[(i + 1) % 4] - *corner).normalized() * arm;
        let previous = (shape.corners[(i + 3) % 4] - *corner).normalized() * arm;
        let bracket = vec![*corner + next, *corner, *corner + previous];
        painter.add(Shape::line(bracket.clone(), Stroke::new(5.0, Color32::from_black_alpha(140))));
        painter.add(Shape::line(bracket, Stroke::new(3.0, ink.line)));
    }
    for i in 0..4 {
        let (a, b) = (shape.corners[i], shape.corners[(i + 1) % 4]);
        let (middle, along) = (a + (b - a) * 0.5, (b - a).normalized() * arm * 0.6);
        painter
            .line_segment([middle - along, middle + along], Stroke::new(5.0, Color32::from_black_alpha(140)));
        painter.line_segment([middle - along, middle + along], Stroke::new(3.0, ink.line));
    }
    if let Some(knob) = shape.knob() {
        paint_knob(painter, knob, ink.line);
    }
}

/// Draws a ring with an arrow: it turns the box.
fn paint_knob(painter: &Painter, at: Pos2, line: Color32) {
    const RADIUS: f32 = 5.5;
    painter.circle_filled(at, RADIUS + 4.0, Color32::from_black_alpha(150));
    let points: Vec<Pos2> = (0..=14_u8)
        .map(|step| {
            let angle = -2.2 + 4.6 * f32::from(step) / 14.0;
            at + Vec2::angled(angle) * RADIUS
        })
        .collect();
    let end = points.last().copied().unwrap_or(at);
    painter.add(Shape::line(points, Stroke::new(1.6, line)));
    let head =
        [pos2(end.x - 3.6, end.y - 1.2), pos2(end.x + 2.2, end.y - 2.6), pos2(end.x - 0.2, end.y + 3.2)];
    painter.add(Shape::convex_polygon(head.to_vec(), line, Stroke::NONE));
}

/// Draws a thin broken line around an area, for measured edges.
pub fn paint_area(painter: &Painter, shape: &ScreenBox, line: Color32) {
    let mut corners = shape.corners.to_vec();
    corners.push(shape.corners[0]);
    painter.extend(Shape::dashed_line(&corners, Stroke::new(1.0, line), 5.0, 4.0));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square() -> ScreenBox {
        ScreenBox { corners: [pos2(0.0, 0.0), pos2(200.0, 0.0), pos2(200.0, 100.0), pos2(0.0, 100.0)] }
    }

    #[test]
    fn parts_answer_where_they_are_drawn() {
        let shape = square();
        assert_eq!(shape.part_at(pos2(198.0, 97.0), true), Some(BoxPart::Edge(1, 1)));
        assert_eq!(shape.part_at(pos2(-5.0, 50.0), true), Some(BoxPart::Edge(-1, 0)));
        assert_eq!(shape.part_at(pos2(60.0, 60.0), true), Some(BoxPart::Body));
        assert_eq!(shape.part_at(pos2(100.0, KNOB_INSET), true), Some(BoxPart::Knob));
        assert_eq!(shape.part_at(pos2(199.0, 98.0), false), Some(BoxPart::Body));
        assert_eq!(shape.part_at(pos2(230.0, 50.0), true), None);
    }

    #[test]
    fn a_dragged_corner_moves_alone_on_a_turned_box() {
        let before =
            TiltedBox { center: Point::new(50.0, 40.0), width_px: 60.0, height_px: 40.0, angle_rad: 0.3 };
        let corner = before.corners()[2];
        let to = Point::new(corner.x + 5.0, corner.y + 3.0);
        let after = dragged(&before, BoxPart::Edge(1, 1), corner, to);
        assert!(after.corners()[2].distance(to) < 1e-9);
        assert!(after.corners()[0].distance(before.corners()[0]) < 1e-9);
    }

    #[test]
    fn turning_by_the_knob_follows_the_pointer_about_the_centre() {
        let before = TiltedBox::from_edges(0.0, 0.0, 100.0, 60.0);
        let after = dragged(&before, BoxPart::Knob, Point::new(50.0, 0.0), Point::new(80.0, 30.0));
        assert!((after.angle_rad - std::f64::consts::FRAC_PI_2).abs() < 1e-12);
        assert_eq!(after.center, before.center);
    }

    #[test]
    fn the_cursor_shows_the_direction_of_the_drag() {
        let shape = square();
        assert_eq!(shape.cursor(BoxPart::Edge(1, 0), false), CursorIcon::ResizeHorizontal);
        assert_eq!(shape.cursor(BoxPart::Edge(0, -1), false), CursorIcon::ResizeVertical);
        assert_eq!(shape.cursor(BoxPart::Edge(1, 1), false), CursorIcon::ResizeNwSe);
        assert_eq!(shape.cursor(BoxPart::Edge(-1, 1), false), CursorIcon::ResizeNeSw);
    }
}
