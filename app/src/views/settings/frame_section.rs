//! Settings of each frame: rows generated from the table of adjustable values, with the facts that belong to them.

use std::sync::Arc;

use egui::Ui;
use glassine_film::{FilmKind, Param, ParamGroup};
use glassine_session::Frame;

use super::balance_section::{balance_ui, match_ui};
use super::cast_correction::cast_ui;
use super::param_row::param_row;
use crate::commands::{ColourCommand, Command, EditCommand, GesturePhase};
use crate::model::colour_tools::VariationKind;
use crate::model::number_text::number_text;
use crate::views::ViewCx;
use crate::widgets::parts::{fact_row_ui, note_ui, sub_head_ui};
use crate::widgets::value_row::{MixedValue, label_ui};

/// Shown values of a group, in the order of the table.
pub(super) fn params_of(group: ParamGroup) -> impl Iterator<Item = Param> {
    Param::all().filter(move |param| param.spec().group == group)
}

/// Whether any value of these groups differs from its default.
pub(super) fn any_changed(frames: &[&Arc<Frame>], groups: &[ParamGroup]) -> bool {
    let mut params = Param::all().filter(|param| groups.contains(&param.spec().group));
    params.any(|param| frames.iter().any(|frame| frame.look.is_changed(param)))
}

/// Resets every value of these groups, as one step.
pub(super) fn reset_commands(groups: &[ParamGroup], label: &str) -> Vec<Command> {
    let mut commands = vec![Command::Edit(EditCommand::Gesture(GesturePhase::Begin(label.to_owned())))];
    let params = Param::all().filter(|param| groups.contains(&param.spec().group));
    commands.extend(params.map(|param| Command::Edit(EditCommand::ResetParam(param))));
    commands.push(Command::Edit(EditCommand::Gesture(GesturePhase::Commit)));
    commands
}

/// Number of changed values of a group, for the head of its section.
pub(super) fn summary_of(cx: &ViewCx<'_>, group: ParamGroup) -> String {
    let frames = cx.selected();
    let changed = params_of(group).filter(|param| frames.iter().any(|frame| frame.look.is_changed(*param)));
    match changed.count() {
        0 => String::new(),
        1 => "1 change".to_owned(),
        count => format!("{count} changes"),
    }
}

pub(super) fn rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, params: impl Iterator<Item = Param>) {
    let frames = cx.selected();
    for param in params {
        let looks = frames.iter().map(|frame| &frame.look);
        match MixedValue::of(param, looks) {
            Some(value) => param_row(ui, cx.out, param.spec(), value),
            None => {
                ui.add_enabled_ui(false, |ui| {
                    let value = MixedValue::One(param.spec().default);
                    param_row(ui, cx.out, param.spec(), value);
                });
            }
        }
    }
}

pub(super) fn exposure_section_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    rows_ui(ui, cx, params_of(ParamGroup::Exposure));
    if cx.primary().is_some() {
        ui.horizontal(|ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            label_ui(ui, "choose from", false);
            let hint = "the frame in nine exposures side by side   T";
            if ui.button("test strip…").on_hover_text(hint).clicked() {
                cx.push(ColourCommand::ShowVariations(Some(VariationKind::Exposure)));
            }
        });
    }
    if let Some(solve) = cx.primary().and_then(|frame| frame.solve.as_ref()) {
        let stops = number_text(solve.exposure_stops, 2, true);
        fact_row_ui(ui, "solved", &format!("{stops} stops, {:.0} % sure", solve.confidence * 100.0));
        for note in &solve.notes {
            note_ui(ui, note);
        }
    }
}

pub(super) fn colour_section_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    if is_black_and_white(cx) {
        note_ui(ui, "black-and-white film has no colour to balance");
        match_ui(ui, cx);
        return;
    }
    balance_ui(ui, cx);
    rows_ui(ui, cx, [Param::Saturation, Param::WeakColourBoost].into_iter());
    sub_head_ui(ui, "cast");
    cast_ui(ui, cx);
}

fn is_black_and_white(cx: &ViewCx<'_>) -> bool {
    cx.strip().is_some_and(|strip| strip.film == FilmKind::BlackAndWhite)
}
