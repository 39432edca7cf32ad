//! Grids of variations over the window: the current frame in stepped exposures, balances or mask tolerances.
//!
//! Every picture comes from the same pipeline as the export; a click takes its step, and the grid is then built around
//! the new state.

use egui::{
    Align2, Button, Color32, Id, Key, Layout, Modal, Rect, Role, Sense, Stroke, StrokeKind, TextStyle, Ui,
    Vec2, WidgetInfo, pos2, vec2,
};
use glassine_engine::{Overlay, ViewKey};
use glassine_session::Frame;

use super::settings::variation_viewport;
use crate::commands::{ColourCommand, EditCommand};
use crate::model::colour_tools::VariationKind;
use crate::model::variations::{GRID_CELLS, Variation, cells, note};
use crate::views::ViewCx;
use crate::widgets::histogram_plot::{clip_text, percent_text};
use crate::widgets::parts::{note_ui, title_ui, warning_ui};
use crate::widgets::theme;

/// Largest size of the grid, points.
const MOST: Vec2 = vec2(1180.0, 760.0);
/// Height of title and buttons, points.
const AROUND: f32 = 150.0;
/// Height of the line under a picture, points.
const CAPTION: f32 = 20.0;
/// Room for the title, the kinds and the steps, points.
const HEAD_WIDTH: f32 = 660.0;
/// Gap between pictures, points.
const GAP: f32 = 10.0;

pub(super) fn variations_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    let Some(kind) = cx.ui_state.colour.variations else { return };
    let Some(frame) = cx.primary() else { return };
    let frame_style = egui::Frame::popup(ui.style()).inner_margin(20);
    let modal = Modal::new(Id::unique("proof grid")).frame(frame_style).show(ui.ctx(), |ui| {
        let room = ui.ctx().content_rect().size() - vec2(100.0, 60.0);
        let room = vec2(room.x, room.y - AROUND).min(MOST);
        let cell = cell_size(frame, room);
        ui.set_width((GRID_CELLS.0 * (cell.x + GAP) - GAP).max(HEAD_WIDTH));
        head_ui(ui, cx, frame, kind);
        ui.add_space(theme::GAP);
        match note(cx.session, frame, kind) {
            Ok(text) => {
                let selected = cx.ui_state.selected.len();
                let text = if selected > 1 && kind != VariationKind::MaskTolerance {
                    format!("{text}; the step goes to all {selected} selected frames")
                } else {
                    text.to_owned()
                };
                grid_ui(ui, cx, frame, kind, cell);
                ui.add_space(theme::GAP);
                foot_ui(ui, |ui| note_ui(ui, &text))
            }
            Err(why) => foot_ui(ui, |ui| warning_ui(ui, why)),
        }
    });
    if modal.inner || modal.should_close() {
        cx.push(ColourCommand::ShowVariations(None));
    }
}

/// Size of one cell: as large as the room allows without empty bands beside the pictures.
fn cell_size(frame: &Frame, room: Vec2) -> Vec2 {
    let (w, h) = (frame.crop.width_px as f32, frame.crop.height_px as f32);
    let (w, h) = if frame.orientation.swaps_sides() { (h, w) } else { (w, h) };
    let shape = (w / h.max(1.0)).clamp(0.2, 5.0);
    let height = ((room.y - 2.0 * GAP) / GRID_CELLS.1 - CAPTION).max(40.0);
    let width = ((room.x - 2.0 * GAP) / GRID_CELLS.0).max(40.0);
    let height = height.min(width / shape);
    vec2((height * shape).max(96.0).min(width), height + CAPTION).floor()
}

/// Title, kind and step.
fn head_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &Frame, kind: VariationKind) {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 2.0;
        title_ui(ui, &format!("frame {}", cx.session.number_text(frame)));
        ui.add_space(12.0);
        for other in VariationKind::ALL {
            let button = Button::selectable(kind == other, other.label()).frame_when_inactive(false);
            if ui.add(button).clicked() && other != kind {
                cx.push(ColourCommand::ShowVariations(Some(other)));
            }
        }
        ui.with_layout(Layout::right_to_left(egui::Align::Center), |ui| {
            ui.spacing_mut().item_spacing.x = 2.0;
            for (idx, step) in kind.steps().into_iter().enumerate().rev() {
                let on = cx.ui_state.colour.variation_step(kind) == step;
                let button = Button::selectable(on, kind.step_text(step)).frame_when_inactive(true);
                let response = ui.add(button);
                let name = format!("step {}", kind.step_text(step));
                ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(name));
                if response.clicked()
                    && let Some(chosen) = cx.ui_state.colour.variation_steps.get_mut(kind as usize)
                {
                    *chosen = idx;
                }
            }
        });
    });
}

/// A text and the close button; returns whether it was clicked.
fn foot_ui(ui: &mut Ui, text_ui: impl FnOnce(&mut Ui)) -> bool {
    let row = vec2(ui.available_width(), 28.0);
    ui.allocate_ui_with_layout(row, Layout::right_to_left(egui::Align::Center), |ui| {
        let is_closed = ui.add(Button::new("close").min_size(vec2(80.0, 28.0))).clicked();
        ui.add_space(theme::GAP);
        ui.with_layout(Layout::left_to_right(egui::Align::Center), text_ui);
        is_closed
    })
    .inner
}

fn grid_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &Frame, kind: VariationKind, cell: Vec2) {
    let selected: Vec<&Frame> = cx.selected().into_iter().map(AsRef::as_ref).collect();
    let step = cx.ui_state.colour.variation_step(kind);
    let cells = cells(cx.session, frame, &selected, kind, step);
    let size = vec2(GRID_CELLS.0 * (cell.x + GAP) - GAP, GRID_CELLS.1 * (cell.y + GAP) - GAP);
    let (area, _) = ui.allocate_exact_size(vec2(ui.available_width(), size.y), Sense::hover());
    let area = Align2::CENTER_TOP.align_size_within_rect(size, area);
    let mut ids = Vec::new();
    for (number, variation) in (0_u16..).zip(&cells) {
        let at = area.min + vec2(variation.place.0 * (cell.x + GAP), variation.place.1 * (cell.y + GAP));
        ids.push((
            cell_ui(ui, cx, frame, (kind, number), variation, Rect::from_min_size(at, cell)),
            variation.is_now,
        ));
    }
    // The grid has the keyboard focus from the start: arrows move from picture to picture.
    let is_new = ui.data(|data| data.get_temp::<VariationKind>(Id::unique("proof grid shown"))) != Some(kind)
        || ui.memory(|memory| memory.focused().is_none());
    if is_new && let Some((id, _)) = ids.iter().find(|(_, is_now)| *is_now) {
        ui.data_mut(|data| data.insert_temp(Id::unique("proof grid shown"), kind));
        ui.memory_mut(|memory| memory.request_focus(*id));
    }
}

fn cell_ui(
    ui: &Ui,
    cx: &mut ViewCx<'_>,
    frame: &Frame,
    (kind, number): (VariationKind, u16),
    variation: &Variation,
    rect: Rect,
) -> Id {
    let p = theme::palette(ui);
    let response = ui.interact(rect, ui.scope_id().with(("proof", kind, number)), Sense::click());
    let key = ViewKey::Proof(frame.id, number);
    let picture = cx.previews.picture(key);
    let remark = picture.map(|(_, preview)| remark(kind, preview)).unwrap_or_default();
    response.widget_info(|| {
        let mut info = WidgetInfo::selected(Role::Button, true, variation.is_now, &variation.words);
        info.current_text_value = Some(remark.clone());
        info
    });
    let room = Rect::from_min_max(rect.min, pos2(rect.right(), rect.bottom() - CAPTION));
    let mut viewport = variation_viewport(<[f32; 2]>::from(room.size() * ui.ctx().pixels_per_point()));
    if kind == VariationKind::MaskTolerance {
        viewport.overlay = Overlay::BasePixels;
    }
    let shown = variation.edits.iter().chain(&variation.only_shown).cloned().collect();
    cx.ui_state.requests.variations.push((key, viewport, shown));
    let painter = ui.painter();
    let mut place = room;
    match picture {
        Some((texture, preview)) => {
            let sides = vec2(preview.width_px.max(1) as f32, preview.height_px.max(1) as f32);
            let scale = (room.width() / sides.x).min(room.height() / sides.y);
            place = Align2::CENTER_CENTER.align_size_within_rect(sides * scale, room);
            let unit = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
            painter.image(texture.id(), place, unit, Color32::WHITE);
        }
        None => {
            painter.rect_filled(room, 0.0, p.field);
        }
    }
    let outline = match (variation.is_now, response.has_focus() || response.hovered()) {
        (_, true) => Some(Stroke::new(2.0, p.accent)),
        (true, false) => Some(Stroke::new(2.0, p.text_weak)),
        _ => None,
    };
    if let Some(outline) = outline {
        painter.rect_stroke(place.expand(1.0), 1.0, outline, StrokeKind::Outside);
    }
    let line = rect.bottom() - CAPTION / 2.0 + 2.0;
    let ink = if variation.is_now { p.text_strong } else { p.text };
    let font = theme::strong_style().resolve(ui.style());
    painter.text(pos2(place.left(), line), Align2::LEFT_CENTER, &variation.label, font, ink);
    let font = TextStyle::Small.resolve(ui.style());
    let remark_ink = if kind == VariationKind::MaskTolerance { p.text_weak } else { p.warn };
    painter.text(pos2(place.right(), line), Align2::RIGHT_CENTER, remark, font, remark_ink);
    let by_key = response.has_focus() && ui.input(|input| input.key_pressed(Key::Enter));
    if (response.clicked() || by_key) && !variation.edits.is_empty() {
        cx.push(EditCommand::ApplyAll { label: variation.words.clone(), edits: variation.edits.clone() });
    }
    response.id
}

/// Clipping of a picture, or the share of it that counts as base.
fn remark(kind: VariationKind, preview: &glassine_engine::Preview) -> String {
    if kind == VariationKind::MaskTolerance {
        return format!("{} % base", percent_text(preview.overlay_share));
    }
    preview.histogram.as_deref().map(clip_text).unwrap_or_default()
}
