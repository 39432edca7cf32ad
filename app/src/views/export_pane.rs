//! The output section and the export pane: which files an export writes, where, and under which names.

use std::collections::HashSet;
use std::path::PathBuf;

use egui::{
    Align, Button, DragValue, Id, Label, Layout, Modal, ProgressBar, Response, RichText, ScrollArea,
    TextEdit, Ui, vec2,
};
use glassine_engine::{ExportReport, FrameScope};
use glassine_film::{OutputSpace, Rendering};
use glassine_session::{Frame, OutputKind, OutputSettings, TiffCompression, file_stem};

use crate::commands::{ExportCommand, JobCommand, ViewCommand};
use crate::model::app_status::{JobKind, JobStatus};
use crate::model::ui_state::is_in;
use crate::services::exact_counts::CountState;
use crate::views::ViewCx;
use crate::widgets::histogram_plot::{CLIP_MENTION, percent_text};
use crate::widgets::param_row::{label_ui, number_field_ui, parse_number};
use crate::widgets::parts::{
    choice_row_ui, main_button_ui, note_ui, sub_head_ui, switch_row_ui, title_ui, warning_ui,
};
use crate::widgets::theme;

const PANE_WIDTH: f32 = 800.0;
const LEFT_WIDTH: f32 = 420.0;
const LIST_HEIGHT: f32 = 400.0;

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
                where_ui(ui, cx);
                sub_head_ui(ui, "files");
                kind_rows_ui(ui, cx);
                detail_rows_ui(ui, cx);
                sub_head_ui(ui, "in every file");
                title_row_ui(ui, cx);
                text_row_ui(ui, cx, "caption", "what the pictures show", |output| &mut output.caption);
                text_row_ui(ui, cx, "creator", "who took the pictures", |output| &mut output.creator);
                text_row_ui(ui, cx, "copyright", "for example © 2024 the photographer", |output| {
                    &mut output.copyright
                });
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

fn close(cx: &mut ViewCx<'_>) {
    cx.push(ViewCommand::ShowExport(false));
}

fn change(cx: &mut ViewCx<'_>, with: impl FnOnce(&mut OutputSettings)) {
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

fn labelled_edit_ui(ui: &mut Ui, label: &str, hint: &str, text: &mut String) -> Response {
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
    let (mut number, set) = field(&cx.session.output);
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
            change(cx, |output| set(output, number));
        }
    });
}

/// Rows for the kind, colour space and rendering of the output.
pub(super) fn kind_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let output = &cx.session.output;
    let kinds = OutputKind::ALL.into_iter().map(|kind| (kind, lower_first(kind.label())));
    let shown = lower_first(output.kind.label());
    if let Some(kind) = choice_row_ui(ui, "kind", &shown, Some(&output.kind), kinds) {
        change(cx, |output| output.kind = kind);
    }
    let space = OutputSpace::from_key(&cx.session.output.space);
    let shown = space.map_or(cx.session.output.space.as_str(), |space| space.label());
    let spaces = OutputSpace::ALL.into_iter().map(|space| (space, space.label().to_owned()));
    if let Some(space) = choice_row_ui(ui, "colour space", shown, space.as_ref(), spaces) {
        change(cx, |output| output.space = space.key().to_owned());
    }
    let choices = [
        (Rendering::Print, "print", "an S-shaped curve, as printing paper gives"),
        (Rendering::Straight, "straight", "in proportion to the scene, for master files"),
    ];
    let rendering = Rendering::from_key(&cx.session.output.rendering).unwrap_or_default();
    if let Some(rendering) = switch_row_ui(ui, "rendering", rendering, &choices) {
        change(cx, |output| output.rendering = rendering.key().to_owned());
    }
}

fn detail_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let kind = cx.session.output.kind;
    if kind.is_tiff() {
        let choices = [
            (TiffCompression::None, "none", "fastest, opens everywhere"),
            (TiffCompression::Deflate, "deflate", "smallest, takes longest"),
            (TiffCompression::Lzw, "LZW", "smaller, opens nearly everywhere"),
        ];
        if let Some(choice) = switch_row_ui(ui, "compression", cx.session.output.compression, &choices) {
            change(cx, |output| output.compression = choice);
        }
    } else {
        number_row_ui(ui, cx, "JPEG quality", "quality", (1, 100), |output| {
            (u32::from(output.jpeg_quality), Box::new(|output, quality| output.jpeg_quality = quality as u8))
        });
    }
    if kind == OutputKind::Web {
        number_row_ui(ui, cx, "longest side in pixels", "longest side, px", (64, 20_000), |output| {
            (output.web_long_side_px, Box::new(|output, side| output.web_long_side_px = side))
        });
        let choices = [
            (true, "on", "restores what scaling down softens, with at most 2 % halo"),
            (false, "off", "scaled down and no more"),
        ];
        if let Some(choice) = switch_row_ui(ui, "sharpen smaller", cx.session.output.sharpen_output, &choices)
        {
            change(cx, |output| output.sharpen_output = choice);
        }
    }
}

fn lower_first(text: &str) -> String {
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
    let p = theme::palette(ui);
    sub_head_ui(ui, "names");
    let scope = cx.ui_state.export_scope(cx.session);
    let existing: HashSet<&PathBuf> = cx.status.existing_files.iter().collect();
    ScrollArea::vertical().id_salt("names").max_height(LIST_HEIGHT).auto_shrink([false, true]).show(
        ui,
        |ui| {
            ui.spacing_mut().item_spacing.y = 2.0;
            for frame in &cx.session.frames {
                let (mark, name, note) = name_of(cx, frame, &scope, &existing);
                let clipping = if is_in(&scope, frame) { clipping_of(cx, frame) } else { None };
                ui.horizontal(|ui| {
                    ui.spacing_mut().item_spacing.x = 6.0;
                    let colour = if mark == "▲" { p.warn } else { p.text_weak };
                    ui.add_sized(vec2(14.0, 18.0), Label::new(RichText::new(mark).small().color(colour)));
                    let is_left_out = !is_in(&scope, frame);
                    let colour = if is_left_out { p.text_weak } else { p.text };
                    ui.add(Label::new(RichText::new(name).color(colour)).truncate());
                    if !note.is_empty() {
                        ui.label(RichText::new(note).small().color(p.text_weak));
                    }
                    if let Some((text, is_warning)) = clipping {
                        let colour = if is_warning { p.warn } else { p.text_weak };
                        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                            ui.label(RichText::new(text).small().color(colour));
                        });
                    }
                });
            }
            if cx.session.frames.is_empty() {
                note_ui(ui, "there is no frame to export");
            }
        },
    );
    count_ui(ui, cx, &scope);
}

/// Clipping of a frame on every pixel: the worse channel of each end, and whether it deserves a warning.
fn clipping_of(cx: &ViewCx<'_>, frame: &Frame) -> Option<(String, bool)> {
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
fn count_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, scope: &FrameScope) {
    let frames = || cx.session.frames.iter().filter(|frame| is_in(scope, frame));
    let (count, counted) = (frames().count(), cx.status.counts.counted(frames().map(|frame| frame.id)));
    if count == 0 {
        return;
    }
    if counted == count {
        note_ui(ui, "clipping at black and at white, counted on every pixel of every file");
        return;
    }
    let text = if cx.status.counts.is_stopped() {
        format!("clipping counted on every pixel: {counted} of {count} files, stopped")
    } else {
        let job = cx.status.jobs.iter().find(|job| job.kind == JobKind::Count);
        let remaining = job.and_then(|job| job.remaining.as_deref());
        let remaining = remaining.map_or_else(String::new, |text| format!(", {text}"));
        format!("counting clipping on every pixel: {counted} of {count} files{remaining}")
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

fn name_of(
    cx: &ViewCx<'_>,
    frame: &Frame,
    scope: &FrameScope,
    existing: &HashSet<&PathBuf>,
) -> (&'static str, String, String) {
    let output = &cx.session.output;
    match file_stem(output, frame) {
        Err(error) => ("▲", format!("frame {}", output.number_of(frame, 1)), error.to_string()),
        Ok(stem) => {
            let name = format!("{stem}.{}", output.kind.extension());
            let exists = output.folder.as_ref().is_some_and(|folder| existing.contains(&folder.join(&name)));
            match (is_in(scope, frame), exists) {
                (false, _) => ("–", name, "left out".to_owned()),
                (true, true) => ("▲", name, "exists".to_owned()),
                (true, false) => ("", name, String::new()),
            }
        }
    }
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
fn obstacle(cx: &ViewCx<'_>, scope: &FrameScope) -> Option<String> {
    let output = &cx.session.output;
    if cx.session.frames.is_empty() {
        return Some("there is no frame to export".to_owned());
    }
    let frames: Vec<_> = cx.session.frames.iter().filter(|frame| is_in(scope, frame)).collect();
    if frames.is_empty() {
        return Some("no frame is chosen: every one is left out or none is selected".to_owned());
    }
    let error = frames.iter().find_map(|frame| file_stem(output, frame).err());
    if let Some(error) = error {
        return Some(error.to_string());
    }
    if output.folder.is_none() {
        return Some("choose a folder first".to_owned());
    }
    let in_the_way = count_in_the_way(cx, scope);
    if in_the_way > 0 && !cx.ui_state.panels.replace_existing {
        return Some(format!("{in_the_way} of these files exist: choose another name or allow replacing"));
    }
    None
}

fn count_in_the_way(cx: &ViewCx<'_>, scope: &FrameScope) -> usize {
    let existing: HashSet<&PathBuf> = cx.status.existing_files.iter().collect();
    let frames = cx.session.frames.iter().filter(|frame| is_in(scope, frame));
    frames.filter(|frame| name_of(cx, frame, scope, &existing).2 == "exists").count()
}

fn foot_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    if let Some(job) = cx.status.exporting().cloned() {
        progress_ui(ui, cx, &job);
        return;
    }
    let several = cx.ui_state.selected.len();
    let scope_now = cx.ui_state.export_scope(cx.session);
    let in_the_way = count_in_the_way(cx, &scope_now);
    let obstacle = obstacle(cx, &scope_now);
    ui.horizontal(|ui| {
        let text = format!("only the selected frames ({several})");
        ui.checkbox(&mut cx.ui_state.panels.export_selected_only, text);
        if in_the_way > 0 || cx.ui_state.panels.replace_existing {
            ui.checkbox(&mut cx.ui_state.panels.replace_existing, "replace files that exist");
        }
    });
    ui.add_space(4.0);
    ui.horizontal(|ui| {
        if let Some(obstacle) = &obstacle {
            warning_ui(ui, obstacle);
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let count = cx.session.frames.iter().filter(|frame| is_in(&scope_now, frame)).count();
            let noun = if count == 1 { "picture" } else { "pictures" };
            if main_button_ui(ui, &format!("export {count} {noun}"), obstacle.is_none()).clicked() {
                let replace = cx.ui_state.panels.replace_existing;
                cx.push(ExportCommand::Start { scope: scope_now, replace });
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
        let width = (ui.available_width() - 200.0).max(120.0);
        let bar = ProgressBar::new(job.share).desired_width(width).fill(p.accent).desired_height(10.0);
        let response = ui.add(bar);
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label("export progress"));
        ui.add_sized(vec2(60.0, 20.0), Label::new(format!("{:.0} %", job.share * 100.0)));
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
