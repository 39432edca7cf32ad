//! The printer that prints are made for: its profile, how it is used, and the way to the soft proof.

use egui::{Label, RichText, Ui};
use glassine_film::OutputSpace;
use glassine_scanfile::icc::Intent;
use glassine_session::{OutputSettings, PrintIntent, Printer};

use crate::commands::{ExportCommand, ScreenCommand, ViewCommand};
use crate::model::screen_state::{ProofChoice, ProofOf};
use crate::views::ViewCx;
use crate::views::export_recipes::change_edited;
use crate::widgets::parts::{note_ui, switch_row_ui};
use crate::widgets::theme;
use crate::widgets::value_row::label_ui;

/// Rows about the printer of a recipe for prints.
pub(super) fn printer_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, output: &OutputSettings) {
    let printer = output.print.printer.clone();
    let p = theme::palette(ui);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "printer", false);
        if ui.button("profile…").on_hover_text("choose the ICC profile of printer and paper").clicked() {
            cx.push(ExportCommand::AskPrinter);
        }
        if printer.is_some() && ui.button("none").on_hover_text("the printer is not known").clicked() {
            change_edited(cx, |output| output.print.printer = None);
        }
        let name = printer.as_ref().and_then(|printer| printer.profile.file_name());
        let name = name.map_or_else(|| "not known".to_owned(), |name| name.to_string_lossy().into_owned());
        let label = ui.add(Label::new(RichText::new(name).color(p.text_weak)).truncate());
        if let Some(printer) = &printer {
            label.on_hover_text(printer.profile.display().to_string());
        }
    });
    let Some(printer) = printer else { return };
    let mut set = |changed: Printer| change_edited(cx, |output| output.print.printer = Some(changed));
    let uses = [
        (false, "proof", "the file keeps its colour space; the profile serves the soft proof"),
        (true, "convert", "the file has the values of the printer and its profile"),
    ];
    if let Some(converts) = switch_row_ui(ui, "profile is for", printer.converts, &uses) {
        set(Printer { converts, ..printer.clone() });
    }
    let intents = [
        (PrintIntent::RelativeColorimetric, "colorimetric", "the nearest colour of the printer"),
        (PrintIntent::Perceptual, "perceptual", "all colours move to make room"),
        (PrintIntent::Saturation, "saturation", "strong colours stay strong"),
    ];
    if let Some(intent) = switch_row_ui(ui, "intent", printer.intent, &intents) {
        set(Printer { intent, ..printer.clone() });
    }
    if printer.converts {
        note_ui(ui, "print such a file without another conversion by the printer");
    }
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "", false);
        let hint = "show the frames as this printer will print them";
        if ui.button("soft proof").on_hover_text(hint).clicked() {
            let proof = proof_of(output, &printer, &cx.ui_state.proof);
            cx.push(ScreenCommand::SetProof(proof));
            cx.push(ViewCommand::ShowExport(false));
        }
    });
}

/// The soft proof of a recipe for a printer.
fn proof_of(output: &OutputSettings, printer: &Printer, now: &ProofChoice) -> ProofChoice {
    ProofChoice {
        is_on: true,
        of: ProofOf::Print,
        printer_file: Some(printer.profile.clone()),
        intent: match printer.intent {
            PrintIntent::RelativeColorimetric => Intent::RelativeColorimetric,
            PrintIntent::Perceptual => Intent::Perceptual,
            PrintIntent::Saturation => Intent::Saturation,
        },
        printed: OutputSpace::from_key(&output.space),
        ..now.clone()
    }
}
