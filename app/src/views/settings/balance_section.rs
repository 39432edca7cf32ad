//! Balance: a wheel for each tone band, the three tone curves that result, and tools that set the balance.

use egui::{Button, Ui, vec2};
use glassine_film::Param;
use glassine_session::FrameId;

use super::frame_section::rows_ui;
use crate::commands::{ColourCommand, EditCommand, JobCommand, ViewCommand};
use crate::model::colour_tools::{Band, VariationKind, band_edits};
use crate::model::gesture::ValueGesture;
use crate::model::ui_state::StripTool;
use crate::views::ViewCx;
use crate::widgets::band_plot::BandPlot;
use crate::widgets::parts::choice_ui;
use crate::widgets::theme;
use crate::widgets::value_row::label_ui;
use crate::widgets::wheel::Wheel;

/// Side of the wheel, points.
const WHEEL_SIDE: f32 = 156.0;

/// The wheel, the curves, and the two numbers of the chosen band.
pub(super) fn balance_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    band_switch_ui(ui, cx);
    let Some(frame) = cx.primary() else {
        rows_ui(ui, cx, Band::All.params().into_iter());
        return;
    };
    let band = cx.ui_state.colour.band;
    let [warm, tint] = band.params();
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        let name = format!("balance wheel of {}", band.in_words());
        let wheel = Wheel {
            name: &name,
            value_cc: [frame.look.kept(warm), frame.look.kept(tint)],
            reach_cc: warm.spec().soft.1,
        };
        let mut pulls = Vec::new();
        let side = WHEEL_SIDE.min(ui.available_width() * 0.45);
        let hint = format!(
            "{}\npull the point, or use the arrow keys; Shift while pulling: fine; double click or Backspace: neutral",
            wheel.value_text()
        );
        wheel.show(ui, side, &mut pulls).on_hover_text(hint);
        apply_gestures(cx, band, pulls);
        let all_cc = Band::All.params().map(|param| frame.look.kept(param));
        let plot = BandPlot { look: &frame.look, all_cc, band };
        let mut events = Vec::new();
        let size = vec2(ui.available_width(), side);
        plot.show(ui, size, &mut events);
        for (band, pull) in events {
            if matches!(pull, ValueGesture::Begin) {
                cx.ui_state.colour.band = band;
            }
            apply_gestures(cx, band, vec![pull]);
        }
    });
    rows_ui(ui, cx, [warm, tint].into_iter());
    tools_ui(ui, cx);
}

/// Buttons for the tones the wheel moves; a band that differs from neutral has a mark.
fn band_switch_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let selected = cx.selected();
    let is_moved = |band: Band| {
        band.params().iter().any(|param| selected.iter().any(|frame| frame.look.is_changed(*param)))
    };
    let moved = Band::ALL.map(is_moved);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 2.0;
        let width = (ui.available_width() - 6.0) / 4.0;
        for (band, is_moved) in Band::ALL.into_iter().zip(moved) {
            let mark = if is_moved { " •" } else { "" };
            let button =
                Button::selectable(cx.ui_state.colour.band == band, format!("{}{mark}", band.label()))
                    .min_size(vec2(width, theme::ROW_HEIGHT))
                    .frame_when_inactive(true);
            let response = ui.add(button).on_hover_text(format!("balance {}", band.in_words()));
            let state = if is_moved { "changed" } else { "neutral" };
            ui.ctx().accesskit_node_builder(response.id, |node| {
                node.set_label(format!("balance {}", band.in_words()));
                node.set_value(state);
            });
            if response.clicked() {
                cx.ui_state.colour.band = band;
            }
        }
    });
}

/// Turns the events of a drag into commands for the selected frames.
fn apply_gestures(cx: &mut ViewCx<'_>, band: Band, gestures: Vec<ValueGesture<[f64; 2]>>) {
    let frames: Vec<FrameId> = cx.ui_state.selected_in_order(cx.session);
    let label = format!("balance {}", band.in_words());
    let edits = |cc| EditCommand::ApplyAll { label: label.clone(), edits: band_edits(&frames, band, cc) };
    let reset = || edits(band.params().map(|param: Param| param.spec().default));
    for gesture in gestures {
        cx.push(gesture.into_command(&label, edits, reset));
    }
}

/// Other ways to set the balance: a grey point, grids of variations, another frame.
fn tools_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "choose from", false);
        let picks = cx.ui_state.tool == StripTool::GreyPoint;
        let button = Button::selectable(picks, "grey point").frame_when_inactive(true);
        if ui.add(button).on_hover_text("click something grey in the large picture   G").clicked() {
            cx.push(ViewCommand::SetTool(cx.ui_state.toggled_tool(StripTool::GreyPoint)));
        }
        let hint = "the frame with six colour steps around its balance   R";
        if ui.button("ring-around…").on_hover_text(hint).clicked() {
            cx.push(ColourCommand::ShowVariations(Some(VariationKind::RingAround)));
        }
    });
    match_ui(ui, cx);
}

/// Choice of the frame that the selected ones should match.
pub(super) fn match_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let Some(primary) = cx.primary() else { return };
    let several = cx.ui_state.selected.len() > 1;
    let film = cx.session.strip(primary.strip).map(|strip| strip.film);
    let same_film = |strip| cx.session.strip(strip).map(|strip| strip.film) == film;
    let mut choices: Vec<(FrameId, String)> = Vec::new();
    if several {
        choices.push((primary.id, format!("frame {}, clicked last", cx.session.number_text(primary))));
    }
    let others = cx.session.frames.iter().filter(|frame| frame.id != primary.id && same_film(frame.strip));
    choices.extend(others.map(|frame| (frame.id, format!("frame {}", cx.session.number_text(frame)))));
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        let hint = "bring the selected frames to exposure and balance of another one; Ctrl + M takes the one clicked last";
        label_ui(ui, "match to", false).on_hover_text(hint);
        let shown = if several { "choose the frame to follow" } else { "choose another frame" };
        let width = ui.available_width();
        if let Some(target) = choice_ui(ui, "match to", shown, width, None, choices.into_iter()) {
            cx.push(JobCommand::MatchFrames { target: Some(target) });
        }
    });
}
