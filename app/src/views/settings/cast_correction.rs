//! The cast correction that the solve offers: its size, the frame without and with it, and how much of it is applied.
//!
//! None of it is applied until the user moves the slider or presses the button.

use egui::{Align2, Color32, Rect, Role, Sense, Stroke, StrokeKind, TextStyle, Ui, WidgetInfo, pos2, vec2};
use glassine_engine::{Overlay, PictureSide, UnitRect, ViewKey};
use glassine_film::Param;
use glassine_raster::PixelRect;
use glassine_session::{Edit, Frame};

use crate::commands::EditCommand;
use crate::model::doubts::is_unsure;
use crate::model::preview_requests::Viewport;
use crate::views::ViewCx;
use crate::widgets::parts::{fact_row_ui, note_ui, warning_ui};
use crate::widgets::theme;
use crate::widgets::value_row::{MixedValue, ValueRow};
use crate::widgets::wheel::balance_text;

/// Corrections smaller than this, in CC units, are not worth offering.
const LEAST_CAST_CC: f64 = 0.5;
/// Height of the small pictures, points.
const PICTURE_HEIGHT: f32 = 92.0;
/// Numbers of the two pictures among the variations of a frame; grids use lower numbers.
const WITHOUT: u16 = 100;
const WITH: u16 = 101;
/// The offer, two small pictures, and the slider.
pub(super) fn cast_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let Some(frame) = cx.primary() else { return };
    let Some(solve) = &frame.solve else {
        note_ui(ui, "solve the strip to see whether this frame has a cast");
        return;
    };
    let [warm, magenta] = solve.cast_suggestion_cc;
    let taken = frame.look.get(Param::CastStrength);
    if warm.hypot(magenta) < LEAST_CAST_CC && taken == 0.0 {
        note_ui(ui, "no cast worth correcting was found in this frame");
        return;
    }
    let parts = balance_text([warm, magenta]);
    let parts = parts.strip_suffix(" CC").unwrap_or(&parts);
    fact_row_ui(ui, "suggested", &format!("{:.1} CC: {parts}", warm.hypot(magenta)));
    if is_unsure(frame) {
        warning_ui(ui, "few grey tones in this frame: check before you apply it");
    }
    pictures_ui(ui, cx, frame, taken);
    strength_ui(ui, cx);
}

/// The frame without and with the whole correction; a click chooses one.
fn pictures_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &Frame, taken: f64) {
    let gap = 6.0;
    let width = ((ui.available_width() - gap) / 2.0).max(40.0);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = gap;
        for (key, strength, caption) in [(WITHOUT, 0.0, "without"), (WITH, 1.0, "with the correction")] {
            let size = vec2(width, PICTURE_HEIGHT + 18.0);
            let (rect, response) = ui.allocate_exact_size(size, Sense::click());
            let is_taken = taken == strength;
            response.widget_info(|| {
                let name = format!("cast {caption}");
                WidgetInfo::selected(Role::RadioButton, true, is_taken, name)
            });
            picture_ui(ui, cx, frame, (key, strength), rect, caption);
            let p = theme::palette(ui);
            if is_taken || response.hovered() || response.has_focus() {
                let ink = if response.has_focus() || is_taken { p.accent } else { p.text_weak };
                ui.painter().rect_stroke(rect, 3.0, Stroke::new(1.0, ink), StrokeKind::Inside);
            }
            if response.clicked() && !is_taken {
                cx.push(EditCommand::SetParam(Param::CastStrength, strength));
            }
        }
    });
}

fn picture_ui(
    ui: &Ui,
    cx: &mut ViewCx<'_>,
    frame: &Frame,
    (number, strength): (u16, f64),
    rect: Rect,
    caption: &str,
) {
    let p = theme::palette(ui);
    let painter = ui.painter_at(rect);
    let room = Rect::from_min_max(rect.min, pos2(rect.right(), rect.bottom() - 18.0)).shrink(3.0);
    let key = ViewKey::Proof(frame.id, number);
    let pixels = room.size() * ui.ctx().pixels_per_point();
    let edit = Edit::SetParam { frames: vec![frame.id], param: Param::CastStrength, value: strength };
    cx.ui_state.requests.variations.push((key, variation_viewport([pixels.x, pixels.y]), vec![edit]));
    match cx.previews.picture(key) {
        Some((texture, preview)) => {
            let sides = vec2(preview.width_px.max(1) as f32, preview.height_px.max(1) as f32);
            let scale = (room.width() / sides.x).min(room.height() / sides.y);
            let place = Align2::CENTER_CENTER.align_size_within_rect(sides * scale, room);
            let unit = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
            painter.image(texture.id(), place, unit, Color32::WHITE);
        }
        None => {
            painter.rect_filled(room, 0.0, p.field);
        }
    }
    let font = TextStyle::Small.resolve(ui.style());
    let at = pos2(rect.center().x, rect.bottom() - 10.0);
    painter.text(at, Align2::CENTER_CENTER, caption, font, p.text_weak);
}

/// Request for a picture that fits into this many physical pixels.
pub(in crate::views) fn variation_viewport(size_px: [f32; 2]) -> Viewport {
    const STEP_PX: u32 = 16;
    let side = |side: f32| (side.max(1.0) as u32).div_ceil(STEP_PX) * STEP_PX;
    Viewport {
        region: UnitRect::WHOLE,
        scan_rect: PixelRect::default(),
        size_px: size_px.map(side),
        side: PictureSide::Positive,
        overlay: Overlay::None,
    }
}

fn strength_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let spec = Param::CastStrength.spec();
    let frames = cx.selected();
    let Some(value) = MixedValue::of(Param::CastStrength, frames.iter().map(|frame| &frame.look)) else {
        return;
    };
    let row = ValueRow {
        key: spec.key,
        name: "cast correction",
        label: "strength",
        unit: "%",
        help: spec.help,
        hard: (0.0, 100.0),
        soft: (0.0, 100.0),
        default: 0.0,
        step: 5.0,
        decimals: 0,
        mark: None,
    };
    let mut events = Vec::new();
    row.show(ui, value.times(100.0), &mut events);
    let set = |value| EditCommand::SetParam(Param::CastStrength, value / 100.0);
    let reset = || EditCommand::ResetParam(Param::CastStrength);
    for event in events {
        cx.push(event.into_command("change cast correction", set, reset));
    }
}
