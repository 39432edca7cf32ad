//! The entry of the status line about the screen, and the pane behind it: the profile in use, and the soft proof.

use egui::{Button, Checkbox, Popup, PopupCloseBehavior, RectAlign, RichText, Ui};
use glassine_film::OutputSpace;
use glassine_scanfile::icc::Intent;

use crate::commands::ScreenCommand;
use crate::model::screen_state::{ProofChoice, ProofOf};
use crate::views::ViewCx;
use crate::widgets::parts::{note_ui, sub_head_ui, warning_ui};

const WIDTH: f32 = 340.0;
/// Longest text of the entry, points.
const MOST_ENTRY: f32 = 360.0;

/// The entry of the status line.
pub(super) fn screen_entry_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let facts = &cx.status.screen;
    let text = RichText::new(facts.short()).small();
    let button = Button::selectable(cx.ui_state.proof.is_on, text).truncate();
    let response = ui.scope(|ui| {
        ui.set_max_width(MOST_ENTRY);
        ui.add(button)
    });
    let response = response.inner.on_hover_text(facts.sentence());
    Popup::from_toggle_button_response(&response)
        .close_behavior(PopupCloseBehavior::CloseOnClickOutside)
        .align(RectAlign::TOP_END)
        .show(|ui| {
            ui.set_width(WIDTH);
            pane_ui(ui, cx);
        });
}

fn pane_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    sub_head_ui(ui, "screen");
    ui.label(cx.status.screen.sentence());
    ui.horizontal(|ui| {
        if ui.button("screen profile…").on_hover_text("use the profile in a file").clicked() {
            cx.push(ScreenCommand::AskProfile);
        }
        let names_one = cx.ui_state.screen.profile_file.is_some();
        if names_one && ui.button("use the system’s").clicked() {
            cx.push(ScreenCommand::UseSystemProfile);
        }
    });
    sub_head_ui(ui, "soft proof");
    let before = cx.ui_state.proof.clone();
    let mut proof = before.clone();
    ui.add(Checkbox::new(&mut proof.is_on, "show frames as they will come out"));
    let asks_printer = ui.add_enabled_ui(proof.is_on, |ui| proof_ui(ui, cx, &mut proof)).inner;
    if proof != before {
        cx.push(ScreenCommand::SetProof(proof));
    }
    if asks_printer {
        cx.push(ScreenCommand::AskPrinter);
    }
    if let Some(why) = &cx.status.screen.proof_failure {
        warning_ui(ui, why);
    }
}

/// What is proofed, and how; returns whether to ask for the profile of a printer.
fn proof_ui(ui: &mut Ui, cx: &ViewCx<'_>, proof: &mut ProofChoice) -> bool {
    let export = OutputSpace::from_key(&cx.session.output.space).unwrap_or_default();
    ui.radio_value(&mut proof.of, ProofOf::Export, format!("the export, {}", export.label()));
    for space in OutputSpace::ALL.into_iter().filter(|space| *space != OutputSpace::LinearSrgb) {
        ui.radio_value(&mut proof.of, ProofOf::Space(space), space.label());
    }
    let mut asks_printer = false;
    ui.horizontal(|ui| {
        let has_printer = proof.printer_file.is_some();
        ui.add_enabled_ui(has_printer, |ui| {
            ui.radio_value(&mut proof.of, ProofOf::Print, "a print of the export")
        });
        asks_printer = ui.button("printer profile…").clicked();
    });
    if proof.of == ProofOf::Print {
        if let Some(name) = proof.printer_file.as_deref().and_then(std::path::Path::file_name) {
            let printed = proof.printed.map(|space| format!(", of a file in {}", space.label()));
            note_ui(ui, &format!("{}{}", name.to_string_lossy(), printed.unwrap_or_default()));
        }
        ui.horizontal(|ui| {
            for intent in Intent::ALL {
                ui.selectable_value(&mut proof.intent, intent, intent.label());
            }
        });
        ui.add(Checkbox::new(&mut proof.shows_paper, "paper white and ink black"));
    }
    ui.add(Checkbox::new(&mut proof.marks, "mark colours out of gamut"));
    asks_printer
}
