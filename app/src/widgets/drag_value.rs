//! One drag with the pointer, or one press of keys held down, as one gesture: begin, any number of values, commit.

use egui::{Event, EventFilter, InputState, Key, Response, Ui, Vec2, vec2};

use crate::model::gesture::ValueGesture;

/// Steps of a key press with Shift.
const COARSE_STEPS: f32 = 10.0;
/// Speed factor of a drag with Shift.
pub(crate) const FINE: f32 = 0.1;

/// A drag or a held key.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct DragState<T> {
    dragging: bool,
    dropped: bool,
    by_keys: bool,
    /// The value that the pointer asks for, before a control rounds or limits it.
    wish: T,
}

/// What the keyboard and assistive software do to a value.
pub(crate) struct KeySteps<'a, T> {
    /// Arrow keys that change it.
    pub(crate) arrows: &'a [Key],
    /// The value after steps to the right and up.
    pub(crate) stepped: &'a dyn Fn(Vec2) -> T,
    /// The value that assistive software asks for.
    pub(crate) requested: Option<T>,
}

impl<T> std::fmt::Debug for KeySteps<'_, T> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("KeySteps").field("arrows", &self.arrows).finish_non_exhaustive()
    }
}

/// Arrow keys for a value with one side.
pub(crate) const HORIZONTAL: &[Key] = &[Key::ArrowLeft, Key::ArrowRight];
/// Arrow keys for a value with two sides.
const ALL_ARROWS: &[Key] = &[Key::ArrowLeft, Key::ArrowRight, Key::ArrowUp, Key::ArrowDown];

/// Turns pointer and keys into gestures on a value.
///
/// `dragged` gets the wish so far, the way of the pointer in this frame, and whether the drag is fine; it changes the
/// wish and returns the new value, if there is one. A plain click is left to the caller.
pub(crate) fn value_gestures<T>(
    ui: &Ui,
    response: &Response,
    value: T,
    keys: &KeySteps<'_, T>,
    dragged: impl FnOnce(&mut T, Vec2, bool) -> Option<T>,
    events: &mut Vec<ValueGesture<T>>,
) where
    T: Copy + Default + PartialEq + Send + Sync + 'static,
{
    let id = response.id;
    let mut drag: DragState<T> = ui.data(|data| data.get_temp(id)).unwrap_or_default();
    let before = drag;
    let (escape, shift) = ui.input(|input| (input.key_pressed(Key::Escape), input.modifiers.shift));
    if response.drag_started() {
        drag = DragState { dragging: true, wish: value, ..DragState::default() };
        events.push(ValueGesture::Begin);
    }
    if drag.dragging && !drag.dropped && escape {
        drag.dropped = true;
        events.push(ValueGesture::Cancel);
    }
    if response.dragged() && drag.dragging && !drag.dropped {
        events.extend(dragged(&mut drag.wish, response.drag_delta(), shift).map(ValueGesture::Set));
    }
    if response.drag_stopped() && drag.dragging {
        if !drag.dropped {
            events.push(ValueGesture::Commit);
        }
        drag = DragState::default();
    }
    react_to_keys(ui, response, &mut drag, keys, events);
    if drag != before {
        ui.data_mut(|data| data.insert_temp(id, drag));
    }
}

fn react_to_keys<T>(
    ui: &Ui,
    response: &Response,
    drag: &mut DragState<T>,
    keys: &KeySteps<'_, T>,
    events: &mut Vec<ValueGesture<T>>,
) where
    T: Copy,
{
    let held = ui.input(|input| keys.arrows.iter().any(|key| input.key_down(*key)));
    let mut steps = Vec2::ZERO;
    if response.has_focus() {
        let vertical_arrows = keys.arrows.contains(&Key::ArrowUp);
        let filter = EventFilter { horizontal_arrows: true, vertical_arrows, ..EventFilter::default() };
        ui.memory_mut(|memory| memory.set_focus_lock_filter(response.id, filter));
        steps = ui.input(arrow_steps) * vec2(1.0, if vertical_arrows { 1.0 } else { 0.0 });
        if ui.input(|input| input.key_pressed(Key::Backspace)) {
            events.push(ValueGesture::Reset);
        }
    }
    let wish = keys.requested.or_else(|| (steps != Vec2::ZERO).then(|| (keys.stepped)(steps)));
    if let Some(wish) = wish {
        if held && !drag.by_keys {
            drag.by_keys = true;
            events.push(ValueGesture::Begin);
        }
        events.push(ValueGesture::Set(wish));
    }
    if drag.by_keys && !(held && response.has_focus()) {
        drag.by_keys = false;
        events.push(ValueGesture::Commit);
    }
}

/// Gestures on a value of two sides that moves with the pointer, wherever it was taken.
///
/// `per_point` is the change for one point right and down, `step` that of one arrow key right and up.
pub fn point_gestures(
    ui: &Ui,
    response: &Response,
    value: [f64; 2],
    per_point: [f64; 2],
    step: [f64; 2],
    events: &mut Vec<ValueGesture<[f64; 2]>>,
) {
    let stepped = |steps: Vec2| {
        let steps = [f64::from(steps.x), f64::from(steps.y)];
        [0, 1].map(|side| value[side] + steps[side] * step[side])
    };
    let keys = KeySteps { arrows: ALL_ARROWS, stepped: &stepped, requested: None };
    let dragged = |wish: &mut [f64; 2], moved: Vec2, is_fine: bool| {
        let way = moved * if is_fine { FINE } else { 1.0 };
        let way = [f64::from(way.x), f64::from(way.y)];
        *wish = [0, 1].map(|side| wish[side] + way[side] * per_point[side]);
        (moved != Vec2::ZERO).then_some(*wish)
    };
    value_gestures(ui, response, value, &keys, dragged, events);
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
