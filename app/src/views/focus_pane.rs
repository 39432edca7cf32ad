//! Scans of the same film compared: ranking, map, and the same place of all of them side by side, locked together.

use std::sync::Arc;

use egui::{
    Align2, Button, Color32, ColorImage, FontId, Id, Key, Layout, Modal, Rect, RichText, Role, Sense, Stroke,
    StrokeKind, TextEdit, TextureHandle, TextureOptions, Ui, Vec2, WidgetInfo, pos2, vec2,
};
use glassine_engine::{FocusReport, Notice};
use glassine_raster::Plane;

use crate::commands::SharpnessCommand;
use crate::model::sharpness_state::FocusPane;
use crate::services::focus_report::{INKS, answers, cell_text, label_of, names_of, rank_text};
use crate::views::ViewCx;
use crate::widgets::parts::{main_button_ui, note_ui, title_ui, warning_ui};
use crate::widgets::theme;

/// Largest size of the pane, points.
const MOST: Vec2 = vec2(1240.0, 860.0);
/// Height of the map, and of the pictures beside each other, points.
const MAP: f32 = 230.0;
/// Size of the text in the map, points.
const MAP_FONT: f32 = 9.0;
/// Scales of the pictures, screen pixels for one scan pixel.
const SCALES: [f32; 4] = [1.0, 2.0, 3.0, 4.0];

/// Pictures beside each other with their textures.
type Textures = Vec<(Arc<Plane<u8>>, TextureHandle)>;

fn textures_id() -> Id {
    Id::unique("focus pictures")
}

pub(super) fn focus_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    let Some(mut pane) = cx.ui_state.focus.take() else {
        return ui.data_mut(|data| data.remove::<Textures>(textures_id()));
    };
    let style = egui::Frame::popup(ui.style()).inner_margin(20);
    let modal = Modal::new(Id::unique("compare focus")).frame(style).show(ui.ctx(), |ui| {
        let room = (ui.ctx().content_rect().size() - vec2(100.0, 60.0)).min(MOST);
        ui.set_width(room.x - 40.0);
        ui.set_max_height(room.y - 40.0);
        title_ui(ui, "compare focus");
        ui.add_space(4.0);
        let report = cx.status.sharpness.focus.clone();
        let asked = pane.asked.as_ref().map(|(id, _)| *id);
        let is_busy = cx.status.jobs.iter().any(|job| Some(job.id) == asked);
        scans_ui(ui, cx, &mut pane, is_busy, report.is_some());
        if let Some(report) = report {
            ui.add_space(theme::GAP);
            if pane.is_outdated() {
                warning_ui(ui, "heights have changed; this is the comparison before that");
            }
            report_ui(ui, &mut pane, &report);
        }
        ui.add_space(theme::GAP);
        foot_ui(ui, cx, pane.is_outdated())
    });
    let is_closed = modal.inner || modal.should_close();
    cx.ui_state.focus = Some(pane);
    if is_closed {
        cx.push(SharpnessCommand::CloseFocus);
    }
}

/// The scans with their heights, and the button that compares them.
fn scans_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, pane: &mut FocusPane, is_busy: bool, is_done: bool) {
    if !is_done {
        note_ui(
            ui,
            "give each scan its holder height to learn the best one, and whether film or holder is tilted",
        );
    }
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing = vec2(14.0, 6.0);
        for (file, height) in &mut pane.scans {
            ui.horizontal(|ui| {
                ui.spacing_mut().item_spacing.x = 6.0;
                let name = file.file_name().unwrap_or(file.as_os_str()).to_string_lossy().into_owned();
                ui.label(&name);
                let edit = ui.add(TextEdit::singleline(height).desired_width(44.0).hint_text("mm"));
                ui.ctx()
                    .accesskit_node_builder(edit.id, |node| node.set_label(format!("height of {name}, mm")));
            });
        }
        let wrong = match pane.request() {
            Err(why) => Some(why),
            Ok(_) if pane.scans.len() < 2 => Some("choose two scans or more".to_owned()),
            Ok(_) => None,
        };
        if is_busy {
            note_ui(ui, "comparing the scans");
        } else {
            let text = if is_done { "compare again" } else { "compare" };
            if main_button_ui(ui, text, wrong.is_none()).clicked() {
                cx.push(SharpnessCommand::CompareFocus);
            }
            if ui.button("other scans…").clicked() {
                cx.push(SharpnessCommand::AskFocusScans);
            }
        }
        if let Some(why) = wrong {
            warning_ui(ui, &why);
        }
    });
}

fn report_ui(ui: &mut Ui, pane: &mut FocusPane, report: &FocusReport) {
    let p = theme::palette(ui);
    for (nth, line) in answers(report).into_iter().enumerate() {
        let ink = if nth == 0 { p.text_strong } else { p.text };
        ui.label(RichText::new(line).color(ink));
    }
    for (file, Notice { headline, .. }) in &report.failed {
        warning_ui(ui, &format!("{}: {headline}", file.display()));
    }
    let Some(series) = &report.series else { return };
    ui.add_space(6.0);
    let names = names_of(report);
    ui.horizontal_top(|ui| {
        map_ui(ui, pane, report);
        ui.add_space(14.0);
        ui.vertical(|ui| {
            for (place, rank) in series.ranking.iter().enumerate() {
                ui.horizontal(|ui| {
                    let (dot, _) = ui.allocate_exact_size(vec2(12.0, 12.0), Sense::hover());
                    ui.painter().rect_filled(dot, 2.0, ink_of(rank.index));
                    ui.label(rank_text(&names[rank.index], place, rank));
                });
            }
            let kinds = format!("{} edges, {} tiles of detail on all scans", series.edges, series.tiles);
            note_ui(ui, &kinds);
            scale_ui(ui, pane);
            note_ui(ui, "click a place of the map to see it; drag a picture to move all of them");
        });
    });
    ui.add_space(6.0);
    pictures_ui(ui, pane, report);
}

fn ink_of(scan: usize) -> Color32 {
    let [r, g, b] = INKS[scan % INKS.len()].map(|value| (255.0 * value) as u8);
    Color32::from_rgb(r, g, b)
}

fn scale_ui(ui: &mut Ui, pane: &mut FocusPane) {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 2.0;
        for scale in SCALES {
            let button = Button::selectable(pane.scale == scale, format!("{scale:.0} : 1"));
            if ui.add(button.frame_when_inactive(true)).clicked() {
                pane.scale = scale;
            }
        }
    });
}

/// Index of the shown place.
fn shown_place(pane: &FocusPane, report: &FocusReport) -> usize {
    pane.place.or_else(|| report.places.iter().position(|place| place.is_richest)).unwrap_or(0)
}

/// Which scan is sharpest where, or the best height there; a click shows the place.
fn map_ui(ui: &mut Ui, pane: &mut FocusPane, report: &FocusReport) {
    let p = theme::palette(ui);
    let Some(series) = &report.series else { return };
    let (w, h) = (report.part.width().max(1) as f32, report.part.height().max(1) as f32);
    let scale = (MAP / h).min(ui.available_width() * 0.6 / w);
    let (rect, response) = ui.allocate_exact_size(vec2(w, h) * scale, Sense::click());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, "sharpest scan by place"));
    let painter = ui.painter_at(rect.expand(2.0));
    painter.rect_filled(rect, 0.0, p.field);
    let half = vec2(report.cell.0 as f32 * rect.width(), report.cell.1 as f32 * rect.height()) / 2.0;
    let at =
        |place: (f64, f64)| rect.min + vec2(place.0 as f32 * rect.width(), place.1 as f32 * rect.height());
    let font = FontId::proportional(MAP_FONT);
    for cell in &series.cells {
        let own = Rect::from_center_size(at(cell.at), half * 2.0).shrink(0.5);
        painter.rect_filled(
            own,
            0.0,
            ink_of(cell.best).gamma_multiply(if cell.is_clear { 0.85 } else { 0.3 }),
        );
        if half.x > 14.0 && half.y > 6.0 {
            painter.text(own.center(), Align2::CENTER_CENTER, cell_text(cell), font.clone(), Color32::WHITE);
        }
    }
    let shown = shown_place(pane, report);
    if let Some(place) = report.places.get(shown) {
        let own = Rect::from_center_size(at(place.at), half * 2.0);
        painter.rect_stroke(own, 0.0, Stroke::new(2.0, p.accent), StrokeKind::Middle);
    }
    if let Some(click) = response.interact_pointer_pos().filter(|_| response.clicked()) {
        let away = |place: (f64, f64)| at(place).distance(click);
        let places = report.places.iter().enumerate();
        let nearest = places.min_by(|a, b| away(a.1.at).total_cmp(&away(b.1.at)));
        pane.place = nearest.map(|(nth, _)| nth);
    }
    let step = if response.has_focus() { ui.input(key_step) } else { 0 };
    if step != 0 && !report.places.is_empty() {
        pane.place = Some((shown as i64 + step).rem_euclid(report.places.len() as i64) as usize);
    }
}

/// The next place by comma and full stop.
fn key_step(input: &egui::InputState) -> i64 {
    i64::from(input.key_pressed(Key::Period)) - i64::from(input.key_pressed(Key::Comma))
}

/// The shown place of every scan, moved and sized together.
fn pictures_ui(ui: &mut Ui, pane: &mut FocusPane, report: &FocusReport) {
    let shown = shown_place(pane, report);
    let Some(place) = report.places.get(shown) else { return };
    let count = place.pictures.len().max(1) as f32;
    let gap = 8.0;
    let width = ((ui.available_width() - gap * (count - 1.0)) / count).floor();
    let height = (ui.available_height() - 70.0).clamp(120.0, width.max(120.0));
    let pixels = ui.ctx().pixels_per_point();
    let textures = textures_of(ui, &place.pictures);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = gap;
        for (nth, (picture, texture)) in textures.iter().enumerate() {
            ui.vertical(|ui| {
                ui.set_width(width);
                let label = report.scans.get(nth).map(label_of).unwrap_or_default();
                ui.label(RichText::new(&label).color(ink_of(nth)));
                let (rect, response) = ui.allocate_exact_size(vec2(width, height), Sense::drag());
                response.widget_info(|| WidgetInfo::labeled(Role::Image, true, &label));
                let size = vec2(picture.width() as f32, picture.height() as f32) * (pane.scale / pixels);
                if response.dragged() {
                    let delta = response.drag_delta() / size;
                    pane.center = (pane.center.0 - delta.x, pane.center.1 - delta.y);
                }
                let keep = |at: f32, size: f32, room: f32| {
                    let half = (room / size / 2.0).min(0.5);
                    at.clamp(half, 1.0 - half)
                };
                pane.center =
                    (keep(pane.center.0, size.x, rect.width()), keep(pane.center.1, size.y, rect.height()));
                let from = rect.center() - vec2(pane.center.0 * size.x, pane.center.1 * size.y);
                let from = pos2((from.x * pixels).round() / pixels, (from.y * pixels).round() / pixels);
                let unit = Rect::from_min_max(pos2(0.0, 0.0), pos2(1.0, 1.0));
                let painter = ui.painter_at(rect);
                painter.image(texture.id(), Rect::from_min_size(from, size), unit, Color32::WHITE);
            });
        }
    });
    note_ui(ui, "scan pixels as scanned, in the light of the first scan");
}

/// Textures of the shown pictures, made when they are first shown and kept until others are.
fn textures_of(ui: &Ui, pictures: &[Arc<Plane<u8>>]) -> Textures {
    let kept: Textures = ui.data(|data| data.get_temp(textures_id())).unwrap_or_default();
    let texture_of = |(nth, picture): (usize, &Arc<Plane<u8>>)| {
        if let Some(known) = kept.iter().find(|(known, _)| Arc::ptr_eq(known, picture)) {
            return known.clone();
        }
        let size = [picture.width() as usize, picture.height() as usize];
        let image = ColorImage::from_gray(size, picture.data());
        let texture = ui.ctx().load_texture(format!("focus {nth}"), image, TextureOptions::NEAREST);
        (picture.clone(), texture)
    };
    let textures: Textures = pictures.iter().enumerate().map(texture_of).collect();
    ui.data_mut(|data| data.insert_temp(textures_id(), textures.clone()));
    textures
}

/// What can be done with the comparison; returns whether the pane is to be closed.
fn foot_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, is_outdated: bool) -> bool {
    let report = cx.status.sharpness.focus.clone();
    let series = report.as_ref().and_then(|report| report.series.as_ref());
    let has_series = series.is_some();
    let kept = report.as_ref().map(|report| cx.status.sharpness.scanner.with_focus(report));
    let is_kept = kept.as_ref() == Some(&cx.status.sharpness.scanner);
    ui.horizontal(|ui| {
        let hint = "the best height and the measured resolution, for the scan planner";
        let text = if has_series && is_kept { "kept for my scanner" } else { "keep for my scanner" };
        let can_keep = has_series && !is_kept && !is_outdated;
        if ui.add_enabled(can_keep, Button::new(text)).on_hover_text(hint).clicked() {
            cx.push(SharpnessCommand::RememberFocus);
        }
        let hint = "a drawing and all figures, beside any earlier ones";
        if ui.add_enabled(has_series, Button::new("save report…")).on_hover_text(hint).clicked() {
            cx.push(SharpnessCommand::AskFocusFolder);
        }
        ui.with_layout(Layout::right_to_left(egui::Align::Center), |ui| {
            ui.add(Button::new("close").min_size(vec2(80.0, 28.0))).clicked()
        })
        .inner
    })
    .inner
}
