//! The output section and the export pane: which files an export writes, where, and under which names.

use std::path::PathBuf;

use egui::{
    Align, Button, DragValue, Id, Label, Layout, Modal, ProgressBar, Response, RichText, ScrollArea,
    TextEdit, Ui, vec2,
};
use glassine_engine::ExportReport;
use glassine_film::{OutputSpace, Rendering};
use glassine_session::{
    DensityEncoding, Frame, OutputKind, OutputSettings, PrintSettings, TiffCompression, WebFormat,
};

use crate::commands::{ExportCommand, FactsCommand, JobCommand, ViewCommand};
use crate::model::app_status::{JobKind, JobStatus};
use crate::model::exact_counts::CountState;
use crate::model::number_text::parse_number;
use crate::model::ui_state::is_in;
use crate::views::ViewCx;
use crate::views::export_names::names_ui;
use crate::views::export_printer::printer_rows_ui;
use crate::views::export_recipes::{
    change_edited, edited_settings, name_rows_ui, number_text_row_ui, recipes_ui,
};
use crate::views::export_sheet::sheet_rows_ui;
use crate::widgets::histogram_plot::{CLIP_MENTION, percent_text};
use crate::widgets::parts::{
    choice_row_ui, main_button_ui, note_ui, sub_head_ui, switch_row_ui, title_ui, warning_ui,
};
use crate::widgets::theme;
use crate::widgets::value_row::{label_ui, number_field_ui};

const PANE_WIDTH: f32 = 800.0;
const LEFT_WIDTH: f32 = 420.0;
pub(super) const LIST_HEIGHT: f32 = 400.0;

pub(super) fn export_button_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    ui.add_space(4.0);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "", false);
        let can_export = !cx.session.frames.is_empty();
        if main_button_ui(ui, "export roll…", can_export).clicked() {
            cx.push(ViewCommand::ShowExport(true));
        }
    });
}

/// The export pane, over the window while it is open.
pub(crate) fn export_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    if !cx.ui_state.show_export {
        return;
    }
    let frame = egui::Frame::popup(ui.style()).inner_margin(20);
    let modal = Modal::new(Id::unique("export pane")).frame(frame).show(ui.ctx(), |ui| {
        let room = ui.ctx().content_rect().size();
        ui.set_width(PANE_WIDTH.min(room.x - 80.0));
        ui.set_max_height(room.y - 80.0);
        title_ui(ui, "export");
        ui.add_space(theme::GAP);
        ui.horizontal_top(|ui| {
            ui.vertical(|ui| {
                ui.set_width(LEFT_WIDTH);
                ui.spacing_mut().item_spacing.y = 5.0;
                let room = (ui.ctx().content_rect().height() - 230.0).max(200.0);
                let rows = ScrollArea::vertical().id_salt("export settings").max_height(room);
                rows.show(ui, |ui| settings_ui(ui, cx));
            });
            ui.add_space(theme::GAP);
            ui.vertical(|ui| files_ui(ui, cx));
        });
        ui.add_space(12.0);
        foot_ui(ui, cx);
    });
    // Escape in an open list closes the list, not the pane.
    if modal.should_close() && !egui::Popup::is_any_open(ui.ctx()) {
        close(cx);
    }
}

fn settings_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    ui.set_width(LEFT_WIDTH - 12.0);
    where_ui(ui, cx);
    recipes_ui(ui, cx);
    sub_head_ui(ui, "files");
    name_rows_ui(ui, cx);
    let settings = edited_settings(cx);
    kind_rows_of_ui(ui, &settings, |with| change_edited(cx, with));
    detail_rows_ui(ui, cx);
    sheet_rows_ui(ui, cx);
    sub_head_ui(ui, "in every file");
    title_row_ui(ui, cx);
    text_row_ui(ui, cx, "caption", "what the pictures show", |output| &mut output.caption);
    text_row_ui(ui, cx, "creator", "who took the pictures", |output| &mut output.creator);
    text_row_ui(ui, cx, "copyright", "for example © 2024 the photographer", |output| &mut output.copyright);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "frame by frame", false);
        let hint = "place, date, film, camera and more, for each frame   Ctrl+T";
        if ui.button("facts of the frames…").on_hover_text(hint).clicked() {
            cx.push(ViewCommand::ShowExport(false));
            cx.push(FactsCommand::Show(true));
        }
    });
}

fn close(cx: &mut ViewCx<'_>) {
    cx.push(ViewCommand::ShowExport(false));
}

pub(super) fn change(cx: &mut ViewCx<'_>, with: impl FnOnce(&mut OutputSettings)) {
    let mut output = cx.session.output.clone();
    with(&mut output);
    if output != cx.session.output {
        cx.push(ExportCommand::SetOutput(output));
    }
}

/// A text of the output settings.
fn text_row_ui(
    ui: &mut Ui,
    cx: &mut ViewCx<'_>,
    label: &str,
    hint: &str,
    field: impl Fn(&mut OutputSettings) -> &mut String,
) {
    let mut output = cx.session.output.clone();
    if labelled_edit_ui(ui, label, hint, field(&mut output)).changed() && output != cx.session.output {
        cx.push(ExportCommand::SetOutput(output));
    }
}

/// Name of the roll, as the window shows it.
fn title_row_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let mut title = cx.session.title.clone();
    if labelled_edit_ui(ui, "title of the roll", "for example a place and a year", &mut title).changed() {
        cx.push(ExportCommand::SetTitle(title));
    }
}

pub(super) fn labelled_edit_ui(ui: &mut Ui, label: &str, hint: &str, text: &mut String) -> Response {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, label, false);
        let response = ui.add(TextEdit::singleline(text).hint_text(hint).desired_width(ui.available_width()));
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(label));
        response
    })
    .inner
}

fn where_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let folder = cx.session.output.folder.clone();
    let mut text = folder.map_or_else(String::new, |folder| folder.to_string_lossy().into_owned());
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "folder", false);
        let edit = TextEdit::singleline(&mut text)
            .hint_text("choose or type a folder")
            .desired_width(ui.available_width() - 84.0);
        let response = ui.add(edit);
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label("folder"));
        if response.changed() {
            change(cx, |output| {
                output.folder = Some(PathBuf::from(text.trim())).filter(|path| !path.as_os_str().is_empty());
            });
        }
        if ui.add_sized(vec2(78.0, theme::ROW_HEIGHT), Button::new("choose…")).clicked() {
            cx.push(ExportCommand::AskFolder);
        }
    });
    text_row_ui(ui, cx, "base name", "a name such as harbour", |output| &mut output.base_name);
    number_row_ui(ui, cx, "digits of the counter", "digits", (1, 6), |output| {
        (u32::from(output.digits), Box::new(|output, digits| output.digits = digits as u8))
    });
}

type SetNumber = Box<dyn Fn(&mut OutputSettings, u32)>;

fn number_row_ui(
    ui: &mut Ui,
    cx: &mut ViewCx<'_>,
    name: &str,
    label: &str,
    range: (u32, u32),
    field: impl Fn(&OutputSettings) -> (u32, SetNumber),
) {
    let (mut number, set) = field(&edited_settings(cx));
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, label, false).on_hover_text(name);
        let drag = DragValue::new(&mut number)
            .range(range.0..=range.1)
            .clamp_existing_to_range(false)
            .speed(f64::from(range.1 - range.0) / 400.0)
            .custom_parser(parse_number)
            .update_while_editing(false);
        let response = number_field_ui(ui, drag, name, theme::NUMBER_WIDTH);
        if response.changed() {
            change_edited(cx, |output| set(output, number));
        }
    });
}

/// Rows for the kind, colour space and rendering of the session's output.
pub(super) fn kind_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let settings = cx.session.output.clone();
    kind_rows_of_ui(ui, &settings, |with| change(cx, with));
}

/// A change of output settings.
type Change = Box<dyn FnOnce(&mut OutputSettings)>;

fn kind_rows_of_ui(ui: &mut Ui, output: &OutputSettings, mut change: impl FnMut(Change)) {
    let kinds = OutputKind::ALL.into_iter().map(|kind| (kind, lower_first(kind.label())));
    let shown = lower_first(output.kind.label());
    if let Some(kind) = choice_row_ui(ui, "kind", &shown, Some(&output.kind), kinds) {
        change(Box::new(move |output| output.kind = kind));
    }
    let space = OutputSpace::from_key(&output.space);
    let shown = space.map_or(output.space.as_str(), |space| space.label());
    let spaces = OutputSpace::ALL.into_iter().map(|space| (space, space.label().to_owned()));
    if let Some(space) = choice_row_ui(ui, "colour space", shown, space.as_ref(), spaces) {
        change(Box::new(move |output| output.space = space.key().to_owned()));
    }
    let choices = [
        (Rendering::Print, "print", "an S-shaped curve, as printing paper gives"),
        (Rendering::Straight, "straight", "in proportion to the scene, for master files"),
    ];
    let rendering = Rendering::from_key(&output.rendering).unwrap_or_default();
    if let Some(rendering) = switch_row_ui(ui, "rendering", rendering, &choices) {
        change(Box::new(move |output| output.rendering = rendering.key().to_owned()));
    }
}

fn detail_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let output = edited_settings(cx);
    if output.kind.is_tiff() {
        let choices = [
            (TiffCompression::None, "none", "fastest, opens everywhere"),
            (TiffCompression::Deflate, "deflate", "smallest, takes longest"),
            (TiffCompression::Lzw, "LZW", "smaller, opens nearly everywhere"),
        ];
        if let Some(choice) = switch_row_ui(ui, "compression", output.compression, &choices) {
            change_edited(cx, |output| output.compression = choice);
        }
    }
    match output.kind {
        OutputKind::Web => web_rows_ui(ui, cx, &output),
        OutputKind::Jpeg => quality_row_ui(ui, cx),
        OutputKind::Print => print_rows_ui(ui, cx, &output),
        OutputKind::Density => {
            let choices = [
                (
                    DensityEncoding::Log,
                    "log",
                    "8000 codes for a density of 1 above the base, which is at 1520",
                ),
                (
                    DensityEncoding::Linear,
                    "linear",
                    "light through the film, relative to that through its base",
                ),
            ];
            if let Some(choice) = switch_row_ui(ui, "encoding", output.density, &choices) {
                change_edited(cx, |output| output.density = choice);
            }
        }
        _ => {}
    }
    if matches!(output.kind, OutputKind::Web | OutputKind::Print) {
        let choices = [
            (true, "on", "restores what changing the size softens"),
            (false, "off", "changed in size and no more"),
        ];
        if let Some(choice) = switch_row_ui(ui, "sharpen after", output.sharpen_output, &choices) {
            change_edited(cx, |output| output.sharpen_output = choice);
        }
    }
}

fn quality_row_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    number_row_ui(ui, cx, "JPEG quality", "quality", (1, 100), |output| {
        (u32::from(output.jpeg_quality), Box::new(|output, quality| output.jpeg_quality = quality as u8))
    });
}

fn web_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, output: &OutputSettings) {
    let choices = [(WebFormat::Jpeg, "JPEG", "small"), (WebFormat::Png, "PNG", "without loss, large")];
    if let Some(choice) = switch_row_ui(ui, "format", output.web_format, &choices) {
        change_edited(cx, |output| output.web_format = choice);
    }
    if output.web_format == WebFormat::Jpeg {
        quality_row_ui(ui, cx);
    }
    number_row_ui(ui, cx, "longest side in pixels", "longest side, px", (64, 20_000), |output| {
        (output.web_long_side_px, Box::new(|output, side| output.web_long_side_px = side))
    });
    let is_size = |megapixels: f64| megapixels == 0.0 || (0.01..=1000.0).contains(&megapixels);
    let hint = "as the side";
    if let Some(megapixels) = number_text_row_ui(ui, "or megapixels", hint, output.web_megapixels, is_size) {
        change_edited(cx, |output| output.web_megapixels = megapixels);
    }
    let is_limit = |kb: f64| kb == 0.0 || (20.0..=1e6).contains(&kb);
    if let Some(kb) = number_text_row_ui(ui, "at most, kB", "no limit", output.most_kb.into(), is_limit) {
        change_edited(cx, |output| output.most_kb = kb.round() as u32);
    }
}

fn print_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, output: &OutputSettings) {
    let print = &output.print;
    let mut set = |changed: PrintSettings| {
        if changed != *print {
            change_edited(cx, |output| output.print = changed.held());
        }
    };
    let is_side = |mm: f64| PrintSettings::SIDES_MM.contains(&mm);
    for (idx, label) in ["longer side, mm", "shorter side, mm"].into_iter().enumerate() {
        if let Some(mm) = number_text_row_ui(ui, label, "", print.sides_mm[idx], is_side) {
            let mut sides_mm = print.sides_mm;
            sides_mm[idx] = mm;
            set(PrintSettings { sides_mm, ..print.clone() });
        }
    }
    if let Some(ppi) =
        number_text_row_ui(ui, "printer, ppi", "", print.ppi, |ppi| PrintSettings::PPI.contains(&ppi))
    {
        set(PrintSettings { ppi, ..print.clone() });
    }
    let percent = |value: f64| (value * 1000.0).round() / 10.0;
    let white = percent(print.paper_white);
    if let Some(white) =
        number_text_row_ui(ui, "white, %", "", white, |white| (80.0..=100.0).contains(&white))
    {
        set(PrintSettings { paper_white: white / 100.0, ..print.clone() });
    }
    let black = percent(print.paper_black);
    if let Some(black) = number_text_row_ui(ui, "black, %", "0", black, |black| (0.0..=20.0).contains(&black))
    {
        set(PrintSettings { paper_black: black / 100.0, ..print.clone() });
    }
    printer_rows_ui(ui, cx, output);
}

pub(super) fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_lowercase().chain(chars).collect())
}

/// Every file name before the export, or the result of each file after it.
fn files_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    if let Some(report) = cx.status.export_report.clone() {
        sub_head_ui(ui, "last export");
        report_ui(ui, cx, &report);
        return;
    }
    sub_head_ui(ui, "names");
    names_ui(ui, cx);
    count_ui(ui, cx);
}

/// Clipping of a frame on every pixel: the worse channel of each end, and whether it deserves a warning.
pub(super) fn clipping_of(cx: &ViewCx<'_>, frame: &Frame) -> Option<(String, bool)> {
    match cx.status.counts.state(frame.id) {
        CountState::Exact(count) => {
            let worst = |shares: [f64; 3]| shares.into_iter().fold(0.0, f64::max);
            let (low, high) = (worst(count.clip_low), worst(count.clip_high));
            let ends = [("black", low), ("white", high)];
            let parts: Vec<String> = ends
                .into_iter()
                .filter(|(_, share)| *share > 0.0)
                .map(|(sign, share)| format!("{sign} {} %", percent_text(share)))
                .collect();
            let text = if parts.is_empty() { "nothing clips".to_owned() } else { parts.join("  ") };
            Some((text, low.max(high) >= CLIP_MENTION))
        }
        CountState::Counting(share) => Some((format!("counting, {:.0} %", share * 100.0), false)),
        CountState::Failed(why) => Some((why.to_owned(), true)),
        CountState::Waiting | CountState::Stopped => None,
    }
}

/// Progress of counting the clipping of every file.
fn count_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let scope = &cx.status.export_names.scope;
    let frames = || cx.session.frames.iter().filter(|frame| is_in(scope, frame));
    let (count, counted) = (frames().count(), cx.status.counts.counted(frames().map(|frame| frame.id)));
    if count == 0 {
        return;
    }
    if counted == count {
        note_ui(ui, "clipping at black and at white, counted on every pixel of every file");
        return;
    }
    let all = glassine_engine::counted(count, "file");
    let text = if cx.status.counts.is_stopped() {
        format!("clipping counted on every pixel: {counted} of {all}, stopped")
    } else {
        let job = cx.status.jobs.iter().find(|job| job.kind == JobKind::Count);
        let remaining = job.and_then(|job| job.remaining.as_deref());
        let remaining = remaining.map_or_else(String::new, |text| format!(", {text}"));
        format!("counting clipping on every pixel: {counted} of {all}{remaining}")
    };
    ui.horizontal(|ui| {
        let (label, go_on) = if cx.status.counts.is_stopped() { ("count", true) } else { ("stop", false) };
        let button = Button::new(RichText::new(label).small());
        let name = if go_on { "count every pixel" } else { "stop counting" };
        let response = ui.add(button);
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(name));
        if response.on_hover_text(name).clicked() {
            cx.push(JobCommand::CountExactly(go_on));
        }
        note_ui(ui, &text);
    });
}

fn report_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, report: &ExportReport) {
    let p = theme::palette(ui);
    let (written, failed) = (report.written.len(), report.failed.len());
    let mut summary = format!("{written} {} written", if written == 1 { "file" } else { "files" });
    if failed > 0 {
        summary.push_str(&format!(", {failed} failed"));
    }
    if !report.skipped.is_empty() {
        summary.push_str(&format!(", {} left out", report.skipped.len()));
    }
    if !report.unchanged.is_empty() {
        summary.push_str(&format!(", {} unchanged", report.unchanged.len()));
    }
    if report.cancelled {
        summary.push_str(", stopped on request");
    }
    ui.horizontal(|ui| {
        ui.label(RichText::new(summary).text_style(theme::strong_style()).color(p.text_strong));
        let folder = report.written.first().and_then(|file| file.path.parent());
        if let Some(folder) = folder
            && ui.button("open folder").clicked()
        {
            cx.push(ExportCommand::ShowFolder(folder.to_path_buf()));
        }
        if failed > 0 && ui.button("try again").on_hover_text("the frames that failed").clicked() {
            let frames = report.failed.iter().map(|failure| failure.frame).collect();
            cx.push(ExportCommand::TryAgain(frames));
        }
    });
    ScrollArea::vertical().id_salt("report").max_height(LIST_HEIGHT - 24.0).auto_shrink([false, true]).show(
        ui,
        |ui| {
            ui.spacing_mut().item_spacing.y = 3.0;
            for failure in &report.failed {
                warning_ui(ui, &format!("frame {}: {}", failure.number, failure.notice.headline));
                note_ui(ui, &failure.notice.what_to_do);
            }
            for file in &report.written {
                let name = file.path.file_name().unwrap_or_default().to_string_lossy().into_owned();
                ui.horizontal(|ui| {
                    ui.spacing_mut().item_spacing.x = 6.0;
                    ui.label(RichText::new("✓").small().color(p.accent));
                    ui.add(Label::new(name).truncate());
                    let size = format!("{} × {} px, {:.1} s", file.width_px, file.height_px, file.seconds);
                    ui.label(RichText::new(size).small().color(p.text_weak));
                });
                let clipped = file.clip_low.iter().chain(&file.clip_high).any(|share| *share >= CLIP_MENTION);
                if clipped {
                    warning_ui(ui, "clips more than 0.1 % of a channel");
                }
                file.notes.iter().for_each(|note| note_ui(ui, note));
            }
        },
    );
}

/// Why an export cannot start, if it cannot.
fn obstacle(cx: &ViewCx<'_>, in_the_way: usize) -> Option<String> {
    if cx.session.frames.is_empty() {
        return Some("there is no frame to export".to_owned());
    }
    let files = &cx.status.export_names.files;
    if files.is_empty() {
        return Some("no frame is chosen: every one is left out or none is selected".to_owned());
    }
    if let Some(trouble) = files.iter().find_map(|file| file.path.as_ref().err()) {
        return Some(trouble.clone());
    }
    if cx.session.output.folder.is_none() {
        return Some("choose a folder first".to_owned());
    }
    if in_the_way > 0 && !cx.ui_state.panels.replace_existing && !cx.ui_state.panels.update_existing {
        return Some(format!("{in_the_way} of these files exist: choose another name or allow replacing"));
    }
    None
}

fn foot_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    if let Some(job) = cx.status.exporting().cloned() {
        progress_ui(ui, cx, &job);
        return;
    }
    let several = cx.ui_state.selected.len();
    let names = &cx.status.export_names;
    let in_the_way = names.paths().filter(|path| cx.status.existing_files.contains(*path)).count();
    let obstacle = obstacle(cx, in_the_way);
    ui.horizontal(|ui| {
        let text = format!("only the selected frames ({several})");
        ui.checkbox(&mut cx.ui_state.panels.export_selected_only, text);
        if in_the_way > 0 || cx.ui_state.panels.replace_existing {
            ui.checkbox(&mut cx.ui_state.panels.replace_existing, "replace files that exist");
        }
        let hint = "files of an earlier export stay if they would be the same again, and are replaced if something has \
                    changed; the folder gets a list with checksums";
        ui.checkbox(&mut cx.ui_state.panels.update_existing, "only what has changed").on_hover_text(hint);
        ui.checkbox(&mut cx.ui_state.panels.export_sheet, "contact sheet");
    });
    ui.add_space(4.0);
    ui.horizontal(|ui| {
        if let Some(obstacle) = &obstacle {
            warning_ui(ui, obstacle);
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let count = names.files.len();
            let noun = match (cx.session.output.chosen().len(), count) {
                (1, 1) => "picture",
                (1, _) => "pictures",
                _ => "files",
            };
            if main_button_ui(ui, &format!("export {count} {noun}"), obstacle.is_none()).clicked() {
                let replace = cx.ui_state.panels.replace_existing;
                cx.push(ExportCommand::Start { scope: names.scope.clone(), replace });
            }
            if ui.add(Button::new("close").min_size(vec2(80.0, 28.0))).clicked() {
                close(cx);
            }
        });
    });
}

fn progress_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, job: &JobStatus) {
    let p = theme::palette(ui);
    ui.horizontal(|ui| {
        let width = (ui.available_width() - 280.0).max(120.0);
        let bar = ProgressBar::new(job.share).desired_width(width).fill(p.accent).desired_height(10.0);
        let response = ui.add(bar);
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label("export progress"));
        ui.add_sized(vec2(60.0, 20.0), Label::new(format!("{:.0} %", job.share * 100.0)));
        let (label, is_paused) = if job.is_paused { ("go on", false) } else { ("pause", true) };
        let pause = Button::new(label).min_size(vec2(70.0, 28.0));
        if ui.add(pause).clicked() {
            cx.push(JobCommand::PauseExport(is_paused));
        }
        if ui.add(Button::new("stop export").min_size(vec2(100.0, 28.0))).clicked() {
            cx.push(JobCommand::Cancel);
        }
    });
    let detail = job.detail_text();
    ui.horizontal(|ui| {
        note_ui(ui, if detail.is_empty() { "waiting to start" } else { &detail });
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let button = Button::new("go on working").min_size(vec2(110.0, 28.0));
            if ui.add(button).on_hover_text("the export goes on; the status line shows it").clicked() {
                close(cx);
            }
        });
    });
}
