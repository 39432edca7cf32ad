//! Tools of the session: open, save, undo, find, solve, export.

use egui::{Align, Button, Key, Label, Layout, Modifiers, RichText, Separator, Ui};

use crate::commands::{EditCommand, FileCommand, JobCommand, ScannerCommand, ViewCommand};
use crate::commands::{command_list, key_table};
use crate::model::guide;
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, IconButton};
use crate::widgets::theme;

pub(super) fn toolbar_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    ui.horizontal_centered(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        let has_scans = !cx.session.scans.is_empty();
        if tool(ui, "open…", "open scans or a session", true).clicked() {
            cx.push(FileCommand::AskOpen);
        }
        if tool(ui, "save", "save the session", has_scans).clicked() {
            cx.push(FileCommand::Save);
        }
        separator(ui);
        history_ui(ui, cx);
        separator(ui);
        if tool(ui, "box the frames", "find the frames of this scan again and draw their boxes", has_scans)
            .clicked()
        {
            cx.out.extend(command_list::find_frames(cx.session, cx.ui_state));
        }
        if tool(ui, "solve this strip", "balance and expose the strip from its own film", has_scans).clicked()
            && let Some(strip) = cx.strip()
        {
            cx.push(JobCommand::SolveStrip(strip.id));
        }
        if cx.session.strips.len() > 1
            && tool(ui, "solve roll", "balance and expose every strip from its own film", has_scans).clicked()
        {
            cx.push(JobCommand::SolveRoll);
        }
        separator(ui);
        let is_open = cx.ui_state.scanner.is_open;
        let scanner = tool(ui, "scanner", "scan film: overview, boxes, then every frame", true);
        cx.ui_state.guide.places.push((scanner.rect, "scanner"));
        if scanner.clicked() {
            cx.push(ScannerCommand::Show(!is_open));
        }
        super::planner::planner_ui(ui, cx);
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| right_ui(ui, cx, has_scans));
    });
}

fn history_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let key = |text: &str, more| key_text(ui, text, more);
    let (undo_key, redo_key) = (key("undo", None), key("redo", None));
    let undo_label = cx.status.undo_label.clone().unwrap_or_default();
    let undo = IconButton::new(Icon::Undo, "undo").enabled(cx.status.undo_label.is_some());
    if undo.tip(format!("{undo_label}   {undo_key}").trim()).show(ui).clicked() {
        cx.push(EditCommand::Undo);
    }
    let redo_label = cx.status.redo_label.clone().unwrap_or_default();
    let redo = IconButton::new(Icon::Redo, "redo").enabled(cx.status.redo_label.is_some());
    if redo.tip(format!("{redo_label}   {redo_key}").trim()).show(ui).clicked() {
        cx.push(EditCommand::Redo);
    }
}

fn right_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, has_scans: bool) {
    let p = theme::palette(ui);
    if IconButton::new(Icon::Help, "guide").tip("F1").show(ui).clicked() {
        cx.push(ViewCommand::ShowGuide(Some(guide::INDEX)));
    }
    let light = cx.ui_state.light;
    let name = if light { "dark surround" } else { "light surround" };
    if IconButton::new(Icon::Surround, name).tip("D").show(ui).clicked() {
        cx.push(ViewCommand::SetDark(light));
    }
    let export = Button::new(RichText::new("export roll…").color(p.on_accent)).fill(p.accent);
    let tip =
        format!("write the pictures of every strip at once   {}", key_text(ui, "export the roll", None));
    if ui.add_enabled(has_scans, export).on_hover_text(tip).clicked() {
        cx.push(ViewCommand::ShowExport(true));
    }
    ui.add_space(6.0);
    if has_scans {
        title_ui(ui, cx);
    }
}

/// Name of the roll, its file, and whether there are unsaved changes.
fn title_ui(ui: &mut Ui, cx: &ViewCx<'_>) {
    let p = theme::palette(ui);
    let file = cx.status.path.as_ref().and_then(|path| path.file_name());
    let file = file.map_or_else(|| "not saved yet".to_owned(), |name| name.to_string_lossy().into_owned());
    let state = if cx.status.is_unsaved && cx.status.path.is_some() { ", changed" } else { "" };
    let text = RichText::new(format!("{file}{state}")).color(p.text_weak);
    let label = ui.add(Label::new(text).truncate());
    if let Some(path) = &cx.status.path {
        label.on_hover_text(path.display().to_string());
    }
    if !cx.session.title.is_empty() {
        let title = RichText::new(&cx.session.title).text_style(theme::strong_style()).color(p.text_strong);
        ui.add_space(4.0);
        ui.add(Label::new(title).truncate());
    }
}

fn tool(ui: &mut Ui, text: &str, help: &str, is_enabled: bool) -> egui::Response {
    let key = key_text(ui, help, None);
    ui.add_enabled(is_enabled, Button::new(text)).on_hover_text(format!("{help}   {key}").trim().to_owned())
}

pub(super) fn separator(ui: &mut Ui) {
    ui.add(Separator::default().vertical().spacing(10.0).shrink(11.0));
}

/// The key of a row of the table, as text; `more` adds a modifier.
pub(super) fn key_text(ui: &Ui, text: &str, more: Option<Modifiers>) -> String {
    key_table::shortcut_of(text).map_or_else(String::new, |mut shortcut| {
        if let Some(more) = more {
            shortcut.modifiers = shortcut.modifiers.plus(more);
        }
        if shortcut.logical_key == Key::Questionmark {
            return "?".to_owned();
        }
        ui.ctx().format_shortcut(&shortcut)
    })
}
