//! One drag with the pointer, or one press of keys held down, as one gesture: begin, any number of values, commit.

use egui::{Event, EventFilter, Id, InputState, Key, Response, Ui, Vec2, vec2};

/// Steps of a key press with Shift.
const COARSE_STEPS: f32 = 10.0;
/// Speed factor of a drag with Shift.
pub(crate) const FINE: f32 = 0.1;

/// A user action on a value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ValueGesture<T> {
    /// A gesture begins.
    Begin,
    /// The current value of the gesture.
    Set(T),
    /// The gesture ends.
    Commit,
    /// The gesture is undone.
    Cancel,
    /// Back to the default.
    Reset,
}

/// A drag or a held key.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct DragState {
    dragging: bool,
    dropped: bool,
    by_keys: bool,
    /// Distance from the start, points.
    way: Vec2,
    /// The value at the start.
    from: [f64; 2],
}

/// Reads pointer and arrow keys for a value of one or two sides.
///
/// `per_point` is the change for one point right and down, `step` that of one arrow key right and up. A plain click is
/// left to the caller.
pub fn drag_value_gestures(
    ui: &Ui,
    response: &Response,
    value: [f64; 2],
    per_point: [f64; 2],
    step: [f64; 2],
    events: &mut Vec<ValueGesture<[f64; 2]>>,
) {
    let id = response.id;
    let mut drag: DragState = ui.data(|data| data.get_temp(id)).unwrap_or_default();
    let before = drag;
    let (escape, shift) = ui.input(|input| (input.key_pressed(Key::Escape), input.modifiers.shift));
    if response.drag_started() {
        drag = DragState { dragging: true, from: value, ..DragState::default() };
        events.push(ValueGesture::Begin);
    }
    if drag.dragging && !drag.dropped && escape {
        drag.dropped = true;
        events.push(ValueGesture::Cancel);
    }
    if response.dragged() && drag.dragging && !drag.dropped {
        let moved = response.drag_delta();
        drag.way += moved * if shift { FINE } else { 1.0 };
        if moved != Vec2::ZERO {
            let way = [f64::from(drag.way.x), f64::from(drag.way.y)];
            events.push(ValueGesture::Set([0, 1].map(|side| drag.from[side] + way[side] * per_point[side])));
        }
    }
    if response.drag_stopped() && drag.dragging {
        if !drag.dropped {
            events.push(ValueGesture::Commit);
        }
        drag = DragState::default();
    }
    react_to_keys(ui, response, id, &mut drag, value, step, events);
    if drag != before {
        ui.data_mut(|data| data.insert_temp(id, drag));
    }
}

fn react_to_keys(
    ui: &Ui,
    response: &Response,
    id: Id,
    drag: &mut DragState,
    value: [f64; 2],
    step: [f64; 2],
    events: &mut Vec<ValueGesture<[f64; 2]>>,
) {
    let arrows = [Key::ArrowLeft, Key::ArrowRight, Key::ArrowUp, Key::ArrowDown];
    let held = ui.input(|input| arrows.iter().any(|key| input.key_down(*key)));
    if response.has_focus() {
        let filter = EventFilter { horizontal_arrows: true, vertical_arrows: true, ..EventFilter::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(id, filter));
        let steps = ui.input(arrow_steps);
        if steps != Vec2::ZERO {
            if held && !drag.by_keys {
                drag.by_keys = true;
                events.push(ValueGesture::Begin);
            }
            let steps = [f64::from(steps.x), f64::from(steps.y)];
            events.push(ValueGesture::Set([0, 1].map(|side| value[side] + steps[side] * step[side])));
        }
        if ui.input(|input| input.key_pressed(Key::Backspace)) {
            events.push(ValueGesture::Reset);
        }
    }
    if drag.by_keys && !(held && response.has_focus()) {
        drag.by_keys = false;
        events.push(ValueGesture::Commit);
    }
}

/// Steps of the arrow keys pressed this frame, right and up; Shift makes them large, Alt small.
pub fn arrow_steps(input: &InputState) -> Vec2 {
    let mut steps = Vec2::ZERO;
    for event in &input.events {
        let Event::Key { key, pressed: true, modifiers, .. } = event else { continue };
        let size = match (modifiers.shift, modifiers.alt) {
            (true, _) => COARSE_STEPS,
            (_, true) => 1.0 / COARSE_STEPS,
            _ => 1.0,
        };
        steps += size
            * match key {
                Key::ArrowRight => vec2(1.0, 0.0),
                Key::ArrowLeft => vec2(-1.0, 0.0),
                Key::ArrowUp => vec2(0.0, 1.0),
                Key::ArrowDown => vec2(0.0, -1.0),
                _ => Vec2::ZERO,
            };
    }
    steps
}
