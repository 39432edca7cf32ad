//! Cleaning: on or off, how much counts as dust, what was found, the brush, and ways to view it.

use std::sync::Arc;

use egui::{Button, Ui};
use glassine_engine::{Overlay, RepairSummary};
use glassine_film::{Param, ParamGroup};
use glassine_session::{Frame, StrokeKind};

use super::frame_section::rows_ui;
use crate::commands::{CleanCommand, Command, EditCommand, GesturePhase, ViewCommand};
use crate::model::brush_state::{BRUSH_PX, area_text, marks_text, strokes_text};
use crate::model::gesture::ValueGesture;
use crate::model::ui_state::StripTool;
use crate::views::ViewCx;
use crate::widgets::parts::{fact_row_ui, note_ui, sub_head_ui, switch_row_ui, warning_ui};
use crate::widgets::theme;
use crate::widgets::value_row::{MixedValue, ValueRow, label_ui};

/// The dust repair's findings in the frame shown large, as long as its repair is on.
fn summary_of<'a>(cx: &ViewCx<'a>) -> Option<&'a Arc<RepairSummary>> {
    cx.primary().and_then(|frame| cx.previews.repair(frame.id))
}

fn is_on(frame: &Frame) -> bool {
    frame.look.get(Param::RepairStrength) > 0.5
}

fn has_infrared(cx: &ViewCx<'_>) -> bool {
    let scan = cx.strip().and_then(|strip| cx.session.scan(strip.scan));
    scan.is_some_and(|scan| scan.has_infrared())
}

/// Whether dust is repaired, for the head of the section.
pub(super) fn clean_summary(cx: &ViewCx<'_>) -> String {
    let Some(frame) = cx.primary() else { return String::new() };
    if !is_on(frame) {
        return "off".to_owned();
    }
    match summary_of(cx) {
        Some(summary) if summary.marks() > 0 => {
            let marks = summary.marks();
            let noun = if marks == 1 { "mark" } else { "marks" };
            format!("{marks} {noun}, {}", area_text(summary.area_fraction))
        }
        Some(summary) if summary.refusal.is_some() => "by hand only".to_owned(),
        Some(_) => "nothing to repair".to_owned(),
        None if !has_infrared(cx) => "by hand only".to_owned(),
        None => "on".to_owned(),
    }
}

pub(super) fn clean_section_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let frames = cx.selected();
    if frames.is_empty() {
        note_ui(ui, "select a frame to clean it");
        return;
    }
    switch_ui(
        ui,
        cx,
        "dust repair",
        Param::RepairStrength,
        ["keep every pixel as scanned", "fill dust and scratches"],
    );
    let summary = summary_of(cx).cloned();
    let refused = summary.as_ref().is_some_and(|summary| summary.refusal.is_some()) || !has_infrared(cx);
    let finds_spots = frames.iter().any(|frame| frame.look.get(Param::SpotFinder) > 0.5);
    // Without any dust detection the sensitivity has no effect.
    ui.add_enabled_ui(!refused || finds_spots, |ui| sensitivity_ui(ui, cx));
    if refused || finds_spots {
        let help = ["repair only what is painted in", "fill lone dark specks; doubtful ones are left alone"];
        switch_ui(ui, cx, "visible spots", Param::SpotFinder, help);
    }
    if cx.primary().is_some_and(|frame| is_on(frame)) {
        findings_ui(ui, cx, summary.as_deref());
    }
    strip_button_ui(ui, cx);
    sub_head_ui(ui, "by hand");
    brush_rows_ui(ui, cx);
    sub_head_ui(ui, "look");
    look_rows_ui(ui, cx);
    if summary.is_some_and(|summary| summary.marks() > 0) {
        note_ui(
            ui,
            "film that is cleaned before scanning needs less repair: a hand blower and a soft brush, no canned air, no \
             solvent on the emulsion; F1 tells more",
        );
    }
}

/// A row for a value that is on or off.
fn switch_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, label: &str, param: Param, help: [&str; 2]) {
    let frames = cx.selected();
    let first = frames.first().is_some_and(|frame| frame.look.get(param) > 0.5);
    let is_mixed = frames.iter().any(|frame| (frame.look.get(param) > 0.5) != first);
    let current = (!is_mixed).then_some(first);
    let choices = [(Some(false), "off", help[0]), (Some(true), "on", help[1])];
    if let Some(Some(on)) = switch_row_ui(ui, label, current, &choices) {
        cx.push(EditCommand::SetParam(param, f64::from(u8::from(on))));
    }
}

/// The sensitivity; while the user drags it, the large view shows the marks.
fn sensitivity_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let before = cx.out.len();
    rows_ui(ui, cx, std::iter::once(Param::RepairSensitivity));
    let begins =
        |command: &Command| matches!(command, Command::Edit(EditCommand::Gesture(GesturePhase::Begin(_))));
    if cx.out[before..].iter().any(begins) && ui.input(|input| input.pointer.any_down()) {
        cx.ui_state.clean.tuning = true;
    } else if !ui.input(|input| input.pointer.any_down()) {
        cx.ui_state.clean.tuning = false;
    }
}

fn findings_ui(ui: &mut Ui, cx: &ViewCx<'_>, summary: Option<&RepairSummary>) {
    let Some(summary) = summary else {
        let strokes = cx.primary().is_some_and(|frame| !frame.strokes.is_empty());
        let can_look = has_infrared(cx) || strokes;
        let text =
            if can_look { "looking for dust" } else { "this scan has no infrared plane to find dust with" };
        note_ui(ui, text);
        return;
    };
    if summary.refusal.is_none() || summary.marks() > 0 {
        fact_row_ui(ui, "found", &marks_text(summary));
        fact_row_ui(ui, "repaired", &format!("{} of the picture", area_text(summary.area_fraction)));
    }
    if let Some(strength) = summary.leakage_strength {
        let shift = match summary.shift_px {
            Some([x, y]) => format!("{x:+.2}, {y:+.2} px").replace('-', "−"),
            None => "no marks to line it up".to_owned(),
        };
        let leaks = format!("leaks {:.0} %", strength.max(0.0) * 100.0);
        fact_row_ui(ui, "infrared", &format!("{shift}, {leaks}"));
    }
    if summary.leaks_strongly {
        warning_ui(
            ui,
            "the dyes of this film stop much infrared, so parts of the picture may be taken for dust: look at the marks before you trust them, and lower the sensitivity or paint them out",
        );
    }
    match &summary.refusal {
        Some(refusal) if summary.has_infrared => warning_ui(ui, refusal),
        Some(refusal) => note_ui(ui, refusal),
        None => {}
    }
}

/// A button that gives the frame's cleaning to its strip.
fn strip_button_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let Some(frame) = cx.primary() else { return };
    let values = |other: &Frame| {
        Param::all()
            .filter(|param| param.spec().group == ParamGroup::Clean)
            .all(|param| other.look.get(param) == frame.look.get(param))
    };
    let is_alike = cx.session.frames_of(frame.strip).all(|other| values(other));
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "strip", false);
        let text = if is_alike { "already the same for the strip" } else { "same for the whole strip" };
        let button = Button::new(text).min_size(egui::vec2(ui.available_width(), theme::ROW_HEIGHT));
        let response = ui.add_enabled(!is_alike, button);
        if response
            .on_hover_text("switch, sensitivity and spot finder of this frame for every frame of its strip")
            .clicked()
        {
            cx.push(CleanCommand::WholeStrip);
        }
    });
}

fn brush_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let kinds = [
        (StrokeKind::Spot, "spot", "click a spot: what stands out in the circle is filled   S"),
        (StrokeKind::PaintIn, "paint in", "everything under the brush is filled   P"),
        (StrokeKind::PaintOut, "paint out", "nothing under the brush is touched   X"),
    ];
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "brush", false);
        ui.spacing_mut().item_spacing.x = 2.0;
        let width = (ui.available_width() - 2.0 * 2.0) / 3.0;
        for (kind, text, help) in kinds {
            let in_hand = cx.ui_state.tool == StripTool::Brush(kind);
            let size = egui::vec2(width, theme::ROW_HEIGHT);
            let button = Button::selectable(in_hand, text).min_size(size).frame_when_inactive(true);
            let response = ui.add(button).on_hover_text(help);
            ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(format!("brush {text}")));
            if response.clicked() {
                let next = cx.ui_state.toggled_tool(StripTool::Brush(kind));
                cx.push(ViewCommand::SetTool(next));
            }
        }
    });
    let row = ValueRow {
        key: "brush radius",
        name: "brush radius",
        label: "radius",
        unit: "px",
        help: "radius of the brush in scan pixels; + and − change it while the brush is in hand",
        hard: BRUSH_PX,
        soft: (BRUSH_PX.0, 80.0),
        default: {
            let unset = crate::model::brush_state::CleanState::default();
            unset.brush_radius_px(cx.session, cx.ui_state.primary)
        },
        step: 1.0,
        decimals: 0,
        mark: None,
    };
    let radius_px = cx.ui_state.clean.brush_radius_px(cx.session, cx.ui_state.primary);
    let mut events = Vec::new();
    row.show(ui, MixedValue::One(radius_px), &mut events);
    for event in events {
        match event {
            ValueGesture::Set(value) => cx.ui_state.clean.set_brush_radius(value),
            ValueGesture::Reset => cx.ui_state.clean.radius_px = None,
            _ => {}
        }
    }
    let frames = cx.selected();
    let count: usize = frames.iter().map(|frame| frame.strokes.len()).sum();
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, &strokes_text(count), count > 0);
        let button =
            Button::new("clear strokes").min_size(egui::vec2(ui.available_width(), theme::ROW_HEIGHT));
        if ui
            .add_enabled(count > 0, button)
            .on_hover_text("remove all strokes from the selected frames")
            .clicked()
        {
            let ids = frames.iter().map(|frame| frame.id).collect();
            cx.push(EditCommand::Apply(glassine_session::Edit::ClearStrokes(ids)));
        }
    });
}

fn look_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let choices = [
        (Overlay::None, "picture", "the repaired picture"),
        (Overlay::DustMap, "marks", "mark dust and scratches   K"),
        (Overlay::RepairDifference, "difference", "what repair changes, amplified   V"),
    ];
    if let Some(overlay) = switch_row_ui(ui, "show", cx.ui_state.frame.overlay, &choices) {
        cx.push(ViewCommand::SetOverlay(overlay));
    }
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "compare", false);
        let on = cx.ui_state.clean.show_unrepaired;
        let size = egui::vec2(ui.available_width(), theme::ROW_HEIGHT);
        let button = Button::selectable(on, "hold: without repair").min_size(size).frame_when_inactive(true);
        let response =
            ui.add(button).on_hover_text("the same picture without dust repair while it is held   U");
        let is_held = response.is_pointer_button_down_on();
        let id = response.id.with("held");
        let was_held = ui.data(|data| data.get_temp::<bool>(id)).unwrap_or(false);
        if is_held != was_held {
            ui.data_mut(|data| data.insert_temp(id, is_held));
            cx.push(CleanCommand::ShowUnrepaired(is_held));
        } else if response.clicked() && !is_held && !was_held {
            // Pressed by key or by a screen reader: no button to hold.
            cx.push(CleanCommand::ShowUnrepaired(!on));
        }
    });
}
