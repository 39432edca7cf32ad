//! How the current scan is read: encoding, fourth sample, page, infrared file.

use egui::{Button, DragValue, Ui};
use glassine_session::{EncodingChoice, FourthSampleChoice, ScanRef, StrayLightChoice};

use crate::commands::{JobCommand, ScanCommand, ViewCommand};
use crate::model::number_text::{number_text, parse_number};
use crate::views::ViewCx;
use crate::views::guide_pane::about_ui;
use crate::widgets::parts::{choice_row_ui, fact_row_ui, note_ui, sub_head_ui, switch_row_ui, warning_ui};
use crate::widgets::value_row::{label_ui, number_field_ui};

/// Range of the power laws that scanners write.
const GAMMAS: (f64, f64) = (0.2, 5.0);
/// Initial value of a typed gamma.
const FIRST_GAMMA: f64 = 2.2;
const GAMMA_WIDTH: f32 = 64.0;

pub(super) fn scan_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let Some(scan) = cx.scan().and_then(|id| cx.session.scan(id)) else { return };
    sub_head_ui(ui, "scan");
    about_ui(ui, cx, "file-kinds", |ui, cx| encoding_ui(ui, cx, scan));
    about_ui(ui, cx, "stray-light", |ui, cx| stray_light_ui(ui, cx, scan));
    about_ui(ui, cx, "file-kinds", |ui, cx| file_rows_ui(ui, cx, scan));
    about_ui(ui, cx, "joining", |ui, cx| join_ui(ui, cx, scan));
    about_ui(ui, cx, "scan-check", |ui, cx| scan_check_ui(ui, cx, scan));
}

/// What the planes of the file are, its page, its infrared file.
fn file_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    let choices = [
        (FourthSampleChoice::Auto, "automatic", "infrared, unless it is an opacity that is full everywhere"),
        (FourthSampleChoice::Infrared, "infrared", "it is infrared"),
        (FourthSampleChoice::Ignore, "ignore", "it is left out"),
    ];
    if let Some(fourth_sample) = switch_row_ui(ui, "fourth sample", scan.fourth_sample, &choices) {
        read(cx, "change the fourth sample", ScanRef { fourth_sample, ..scan.clone() });
    }
    page_ui(ui, cx, scan);
    infrared_ui(ui, cx, scan);
    stale_ui(ui, cx, scan);
}

/// Joins the scans of the selected frames, if they are several; of a joined scan, what it is made of.
fn join_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    if let Some(join) = &scan.join {
        let names = join.parts.iter().filter_map(|part| part.scan.path.file_name());
        let names: Vec<_> = names.map(|name| name.to_string_lossy()).collect();
        fact_row_ui(ui, "joined from", &names.join(", "));
        joined_ui(ui, cx, scan);
        return;
    }
    if cx.session.scans.len() < 2 {
        return;
    }
    let scans = cx.ui_state.scans_to_join(cx.session);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "parts", false);
        let button = ui.add_enabled(scans.len() > 1, Button::new("join the selected scans"));
        let hint =
            "make one picture of scans that overlap: select a frame on each of them; undo takes it back";
        if button.on_hover_text(hint).on_disabled_hover_text(hint).clicked() {
            cx.push(JobCommand::JoinScans(scans));
        }
    });
}

/// How well the parts of a joined scan agree, and a file of them all.
fn joined_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    let mut shown = cx.ui_state.show_part_differences;
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "", false);
        let hint = "where the parts overlap: grey where they agree, lighter or darker where they do not; \
                    0.1 D is white or black";
        if ui.checkbox(&mut shown, "show differences").on_hover_text(hint).changed() {
            cx.push(ViewCommand::ShowPartDifferences(shown));
        }
    });
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "", false);
        let hint = "write the joined scan as a TIFF of linear codes, with its infrared; the session does not need it";
        if ui.button("write as one TIFF…").on_hover_text(hint).clicked() {
            cx.push(ScanCommand::AskWriteJoined(scan.id));
        }
    });
}

fn read(cx: &mut ViewCx<'_>, label: &str, scan: ScanRef) {
    cx.push(ScanCommand::Read { label: label.to_owned(), scan: Box::new(scan) });
}

/// The kinds of encoding, the power law without its number.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Kind {
    Auto,
    Linear,
    Srgb,
    Gamma,
}

fn encoding_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    let (kind, gamma) = match scan.encoding {
        EncodingChoice::Auto => (Kind::Auto, FIRST_GAMMA),
        EncodingChoice::Linear => (Kind::Linear, FIRST_GAMMA),
        EncodingChoice::Srgb => (Kind::Srgb, FIRST_GAMMA),
        EncodingChoice::Gamma(gamma) => (Kind::Gamma, gamma),
    };
    let found = cx.previews.reading(scan.id).filter(|_| kind == Kind::Auto);
    let automatic = match (&scan.found_encoding, found) {
        (Some(seen), _) => {
            let guess = if seen.is_guess { " (guess)" } else { "" };
            format!("detected: {}{guess}", encoding_words(seen.encoding))
        }
        (None, Some(reading)) => format!("automatic: {}", reading.encoding),
        (None, None) => "automatic".to_owned(),
    };
    let shown = match kind {
        Kind::Auto => automatic.clone(),
        Kind::Linear => "linear".to_owned(),
        Kind::Srgb => "sRGB".to_owned(),
        Kind::Gamma => format!("gamma {}", number_text(gamma, 2, false)),
    };
    let choices = [
        (Kind::Auto, automatic),
        (Kind::Linear, "linear".to_owned()),
        (Kind::Srgb, "sRGB".to_owned()),
        (Kind::Gamma, "gamma".to_owned()),
    ];
    if let Some(kind) = choice_row_ui(ui, "encoding", &shown, Some(&kind), choices.into_iter()) {
        let encoding = match kind {
            Kind::Auto => EncodingChoice::Auto,
            Kind::Linear => EncodingChoice::Linear,
            Kind::Srgb => EncodingChoice::Srgb,
            Kind::Gamma => EncodingChoice::Gamma(FIRST_GAMMA),
        };
        read(cx, "change the encoding", ScanRef { encoding, ..scan.clone() });
    }
    if kind == Kind::Gamma {
        gamma_ui(ui, cx, scan, gamma);
    }
}

fn encoding_words(encoding: EncodingChoice) -> String {
    match encoding {
        EncodingChoice::Auto => "automatic".to_owned(),
        EncodingChoice::Linear => "linear".to_owned(),
        EncodingChoice::Srgb => "sRGB".to_owned(),
        EncodingChoice::Gamma(gamma) => format!("gamma {}", number_text(gamma, 2, false)),
    }
}

/// Stray light measured on the holder, and whether it is subtracted.
fn stray_light_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    if scan.found_stray_light.is_none() && scan.stray_light == StrayLightChoice::Auto {
        return;
    }
    let choices = [
        (
            StrayLightChoice::Auto,
            "take off",
            "the light measured on the holder is subtracted from every pixel",
        ),
        (StrayLightChoice::Off, "leave", "the codes stay as they are in the file"),
    ];
    let label = scan.found_stray_light.map_or_else(
        || "stray light".to_owned(),
        |light| format!("stray light {} %", number_text(100.0 * light[1], 1, false)),
    );
    if let Some(stray_light) = switch_row_ui(ui, &label, scan.stray_light, &choices) {
        read(cx, "change the stray light", ScanRef { stray_light, ..scan.clone() });
    }
}

/// Applies the number only when the user leaves or releases the field, because each change reads the scan again.
fn gamma_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef, gamma: f64) {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "gamma", false).on_hover_text("light is code to this power");
        let id = ui.scope_id().with(("gamma", scan.id.0));
        let mut value = ui.data(|data| data.get_temp::<f64>(id)).unwrap_or(gamma);
        let drag = DragValue::new(&mut value)
            .range(GAMMAS.0..=GAMMAS.1)
            .speed(0.01)
            .custom_formatter(|value, _| number_text(value, 2, false))
            .custom_parser(parse_number)
            .update_while_editing(false);
        let response = number_field_ui(ui, drag, "scan gamma", GAMMA_WIDTH);
        if response.dragged() {
            ui.data_mut(|data| data.insert_temp(id, value));
        } else if value != gamma && !response.has_focus() {
            ui.data_mut(|data| data.remove_temp::<f64>(id));
            let encoding = EncodingChoice::Gamma(value);
            read(cx, "change the encoding", ScanRef { encoding, ..scan.clone() });
        }
    });
}

fn page_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    let reading = cx.previews.reading(scan.id);
    let pages = reading.map_or(1, |reading| reading.pages).max(scan.page.unwrap_or(1));
    if pages < 2 {
        return;
    }
    let automatic = match reading.filter(|_| scan.page.is_none()) {
        Some(reading) => format!("automatic: {} of {pages}", reading.page),
        None => "automatic".to_owned(),
    };
    let name = |page: Option<u32>| match page {
        Some(page) => format!("{page} of {pages}"),
        None => automatic.clone(),
    };
    let choices = std::iter::once(None).chain((1..=pages).map(Some)).map(|page| (page, name(page)));
    if let Some(page) = choice_row_ui(ui, "page", &name(scan.page), Some(&scan.page), choices) {
        read(cx, "change the page", ScanRef { page, ..scan.clone() });
    }
}

fn infrared_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "infrared", false);
        let inside = cx.previews.reading(scan.id).and_then(|reading| reading.infrared);
        let name = scan.infrared_path.as_ref().and_then(|path| path.file_name());
        let text = match name {
            Some(name) => name.to_string_lossy().into_owned(),
            None => inside.unwrap_or("none").to_owned(),
        };
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            if scan.infrared_path.is_some() && ui.button("no file").clicked() {
                read(cx, "leave the infrared file out", ScanRef { infrared_path: None, ..scan.clone() });
            }
            if ui.button("choose file…").on_hover_text("a grey file with the infrared of this scan").clicked()
            {
                cx.push(ScanCommand::AskInfrared(scan.id));
            }
            ui.with_layout(egui::Layout::left_to_right(egui::Align::Center), |ui| {
                ui.add(egui::Label::new(text).truncate());
            });
        });
    });
}

/// Warns about base and solve that belong to another reading of the scan.
fn stale_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    let before = cx.ui_state.files.measured_before.iter().filter(|before| before.strip.scan == scan.id);
    let strips: Vec<_> =
        before.filter(|before| before.is_stale(cx.session)).map(|before| before.strip.id).collect();
    if strips.is_empty() {
        return;
    }
    warning_ui(ui, "film base and solve come from a different reading of the scan");
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "", false);
        if ui.button("measure and solve again").clicked() {
            for strip in strips {
                cx.push(JobCommand::MeasureBase(strip, None));
            }
        }
    });
}

/// The scan check, and what it found; the places are marked on the strip.
fn scan_check_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scan: &ScanRef) {
    let report = cx.status.scan_reports.get(&scan.id);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "scan check", false);
        let text = if report.is_some() { "check again" } else { "check the scan" };
        let hint = "measure clipping, noise, stray light, shifts, streaks and other faults of the scan";
        if ui.button(text).on_hover_text(hint).clicked() {
            cx.push(JobCommand::MeasureScan(scan.id));
        }
        if report.is_some_and(|report| report.findings.is_empty()) {
            ui.label("nothing is wrong");
        }
    });
    for finding in report.iter().flat_map(|report| &report.findings) {
        let measure = finding.measure;
        let text = format!(
            "{}: {} {}; {}",
            measure.what.label(),
            number_text(measure.value, 2, false),
            measure.unit,
            measure.what.advice()
        );
        if finding.serious {
            warning_ui(ui, &text);
        } else {
            note_ui(ui, &text);
        }
    }
}
