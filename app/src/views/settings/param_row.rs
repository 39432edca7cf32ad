//! The row of one adjustable value of the selected frames, made from its entry in the table of values.

use egui::Ui;
use glassine_film::{Param, ParamSpec};

use crate::commands::{Command, EditCommand};
use crate::model::gesture::ValueGesture;
use crate::widgets::value_row::{MixedValue, ValueRow, label_ui};

/// The row of one value; the user's actions go out as commands.
pub(super) fn param_row(ui: &mut Ui, out: &mut Vec<Command>, spec: &ParamSpec, value: MixedValue) {
    let name = spec.label.to_lowercase();
    let label = short_label(&name);
    if spec.step >= spec.hard.1 - spec.hard.0 {
        switch_ui(ui, out, spec, &name, value);
        return;
    }
    // A share is shown in per cent.
    let (scale, unit, decimals) = match spec.param {
        Param::OvershootLimit => (100.0, "%", 0),
        _ => (1.0, spec.unit, spec.decimals),
    };
    let both = |(low, high): (f64, f64)| (low * scale, high * scale);
    let row = ValueRow {
        key: spec.key,
        name: &name,
        label,
        unit,
        help: spec.help,
        hard: both(spec.hard),
        soft: both(spec.soft),
        default: spec.default * scale,
        step: spec.step * scale,
        decimals,
        mark: None,
    };
    let mut events = Vec::new();
    let slider = row.show(ui, value.times(scale), &mut events);
    slider.context_menu(|ui| {
        if ui.button(format!("back to {}", row.text_of(row.default))).clicked() {
            events.push(ValueGesture::Reset);
            ui.close();
        }
        for (text, to_roll) in
            [("give this value to the strip", false), ("give this value to the roll", true)]
        {
            if ui.button(text).clicked() {
                out.push(Command::Edit(EditCommand::GiveParam { param: spec.param, to_roll }));
                ui.close();
            }
        }
    });
    let label = format!("change {name}");
    let set = |value| EditCommand::SetParam(spec.param, value / scale);
    let reset = || EditCommand::ResetParam(spec.param);
    out.extend(events.into_iter().map(|event| event.into_command(&label, set, reset).into()));
}

/// A row for a value that is only on or off.
fn switch_ui(ui: &mut Ui, out: &mut Vec<Command>, spec: &ParamSpec, name: &str, value: MixedValue) {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, name, value != MixedValue::One(spec.default)).on_hover_text(spec.help);
        let mut is_on = value.leading() > spec.hard.0;
        let text = match (value.spread().is_some(), is_on) {
            (true, _) => "mixed",
            (false, true) => "on",
            (false, false) => "off",
        };
        let response = ui.checkbox(&mut is_on, text).on_hover_text(spec.help);
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(name));
        if response.changed() {
            out.push(Command::Edit(EditCommand::SetParam(
                spec.param,
                if is_on { spec.hard.1 } else { spec.hard.0 },
            )));
        }
    });
}

/// Tone bands that have several values; the band is shown as a head above its rows.
const BANDS: [&str; 3] = ["shadows", "middle", "highlights"];

/// Band a label begins with, if it does.
fn band_of(label: &str) -> Option<&'static str> {
    let first = label.split(' ').next()?.to_lowercase();
    BANDS.into_iter().find(|band| *band == first)
}

fn short_label(name: &str) -> &str {
    match band_of(name) {
        Some(band) => name.get(band.len()..).map_or(name, str::trim_start),
        None => name,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_band_value_is_shown_under_its_band() {
        let banded: Vec<_> = Param::all().filter_map(|param| band_of(param.spec().label)).collect();
        assert_eq!(banded, ["shadows", "shadows", "middle", "middle", "highlights", "highlights"]);
        assert_eq!(short_label("shadows warm / cool"), "warm / cool");
        assert_eq!(short_label("warm / cool"), "warm / cool");
    }
}
