//! Dialogs about a session and its file: a save that met another version, another program that works on the session,
//! unsaved work of earlier runs; and the last problem above any dialog.

use std::time::{Duration, UNIX_EPOCH};

use egui::{
    Align, Align2, Area, Button, Frame, Id, Label, Layout, Margin, Modal, Order, Panel, RichText, ScrollArea,
    Sense, Ui, pos2, vec2,
};
use glassine_engine::session_files::UnsavedWork;
use glassine_engine::{ScanCheck, Severity, counted};

use crate::commands::{Command, FileCommand, ViewCommand};
use crate::platform::clock::ago_text;
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, paint_icon};
use crate::widgets::parts::{main_button_ui, note_ui, title_ui};
use crate::widgets::theme;

const WIDTH: f32 = 560.0;
/// Differences shown before the user asks to compare.
const FEW: usize = 2;
const BUTTON: egui::Vec2 = vec2(0.0, 28.0);
const BANNER_HEIGHT: f32 = 34.0;
/// Width of a problem above a dialog.
const PROBLEM_WIDTH: f32 = 620.0;

/// Draws the open dialogs, one at a time.
pub(super) fn session_files_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    // The guide about a dialog takes its place until it is closed.
    if cx.ui_state.question.is_some() || cx.ui_state.guide.open.is_some() {
        return;
    }
    if cx.status.conflict.is_some() {
        cx.ui_state.guide.of_dialog = Some("sessions");
        conflict_ui(ui, cx);
    } else if cx.ui_state.files.shows_unsaved
        && !cx.status.unsaved_work.is_empty()
        && !cx.session.scans.is_empty()
    {
        // The page before anything is open has the same list.
        cx.ui_state.guide.of_dialog = Some("sessions");
        unsaved_ui(ui, cx);
    }
}

/// A pane over the window; returns whether to close it.
fn pane_ui(ui: &Ui, name: &str, content: impl FnOnce(&mut Ui)) -> bool {
    let frame = Frame::popup(ui.style()).inner_margin(20);
    let modal = Modal::new(Id::unique(name)).frame(frame).show(ui.ctx(), |ui| {
        ui.set_width(WIDTH.min(ui.ctx().content_rect().width() - 60.0));
        content(ui);
    });
    modal.should_close()
}

fn wrapped(ui: &mut Ui, text: &str) {
    let ink = theme::palette(ui).text;
    ui.add(Label::new(RichText::new(text).color(ink)).wrap());
}

/// The save was refused because the file is not the one that was opened.
fn conflict_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    let Some(conflict) = &cx.status.conflict else { return };
    let closes = pane_ui(ui, "save conflict", |ui| {
        title_ui(ui, "not saved: the file has changed");
        ui.add_space(6.0);
        wrapped(ui, &conflict.headline);
        note_ui(ui, &conflict.path.display().to_string());
        let count = conflict.differences.len();
        let shown = if cx.ui_state.files.compares { count } else { count.min(FEW) };
        if count > 0 {
            ui.add_space(8.0);
            wrapped(ui, "what differs:");
            ScrollArea::vertical().max_height(ui.ctx().content_rect().height() * 0.4).show(ui, |ui| {
                for difference in conflict.differences.iter().take(shown) {
                    wrapped(ui, &format!("–  {difference}"));
                }
            });
            if shown < count {
                note_ui(ui, &format!("and {} more", count - shown));
            }
        }
        ui.add_space(8.0);
        let name = conflict.path.file_name().unwrap_or_default().to_string_lossy();
        note_ui(
            ui,
            &format!(
                "save beside: your version gets another name, nothing is replaced. take over: your version is saved \
                 here, and the other one is kept beside it as {name}.theirs-1 (or the next free number)."
            ),
        );
        ui.add_space(14.0);
        ui.horizontal(|ui| {
            if main_button_ui(ui, "save beside…", true).clicked() {
                cx.out.push(Command::File(FileCommand::AskSaveAs));
                cx.out.push(Command::File(FileCommand::LeaveConflict));
            }
            if ui.add_enabled(shown < count, Button::new("compare").min_size(BUTTON)).clicked() {
                cx.ui_state.files.compares = true;
            }
            if ui.add(Button::new("take over").min_size(BUTTON)).clicked() {
                cx.out.push(Command::File(FileCommand::TakeOver));
            }
            if ui.add(Button::new("cancel").min_size(BUTTON)).clicked() {
                cx.out.push(Command::File(FileCommand::LeaveConflict));
            }
        });
    });
    if closes {
        cx.push(FileCommand::LeaveConflict);
    }
}

/// Autosaves of earlier runs: the user can open or discard each; it stays until then.
fn unsaved_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    let closes = pane_ui(ui, "unsaved work", |ui| {
        title_ui(ui, "unsaved work of earlier runs");
        ui.add_space(6.0);
        wrapped(ui, "autosaved but never saved; it is kept until you save or discard it");
        ui.add_space(8.0);
        ScrollArea::vertical().max_height(ui.ctx().content_rect().height() * 0.5).show(ui, |ui| {
            unsaved_list_ui(ui, cx);
        });
        ui.add_space(6.0);
        if ui.add(Button::new("not now").min_size(BUTTON)).clicked() {
            cx.push(ViewCommand::ShowUnsavedWork(false));
        }
    });
    if closes {
        cx.push(ViewCommand::ShowUnsavedWork(false));
    }
}

/// All unsaved work, with buttons to open and to discard each.
pub(super) fn unsaved_list_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    for work in &cx.status.unsaved_work {
        one_unsaved_ui(ui, cx, work);
        ui.add_space(8.0);
    }
}

/// Name of the session that an autosave belongs to.
fn session_name(work: &UnsavedWork) -> String {
    let file = work.session_path.as_ref().and_then(|path| path.file_name());
    file.map_or_else(|| "not saved to a file yet".to_owned(), |name| name.to_string_lossy().into_owned())
}

fn one_unsaved_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, work: &UnsavedWork) {
    let p = theme::palette(ui);
    let name = session_name(work);
    ui.horizontal(|ui| {
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if cx.ui_state.files.discards.as_ref() == Some(&work.autosave) {
                if ui.add(Button::new("keep it").min_size(BUTTON)).clicked() {
                    cx.ui_state.files.discards = None;
                }
                if ui.add(Button::new("discard for good").min_size(BUTTON)).clicked() {
                    cx.ui_state.files.discards = None;
                    cx.push(FileCommand::DiscardAutosave(work.autosave.clone()));
                }
            } else {
                if ui.add(Button::new("discard").min_size(BUTTON)).clicked() {
                    cx.ui_state.files.discards = Some(work.autosave.clone());
                }
                if ui.add(Button::new("open").min_size(BUTTON)).clicked() {
                    cx.push(ViewCommand::ShowUnsavedWork(false));
                    cx.push(FileCommand::Open(vec![work.autosave.clone()]));
                }
            }
            ui.with_layout(Layout::top_down(Align::Min), |ui| {
                ui.spacing_mut().item_spacing.y = 1.0;
                let title = if work.title.trim().is_empty() { "without a title" } else { &work.title };
                let title = RichText::new(title).text_style(theme::strong_style()).color(p.text_strong);
                ui.add(Label::new(title).truncate());
                let host = work.other_host.as_ref().map(|host| format!("  ·  on {host}")).unwrap_or_default();
                let later = if work.is_saved_later { "  ·  the session was saved since" } else { "" };
                let ago = ago_text(work.changed);
                let frames = counted(work.frames, "frame");
                let facts = format!("{name}  ·  {frames}  ·  {ago}{host}{later}");
                ui.add(Label::new(RichText::new(facts).small().color(p.text_weak)).truncate())
                    .on_hover_text(work.autosave.display().to_string());
            });
        });
    });
}

/// While a dialog dims the window, the last problem is repeated above it, so that it is never seen only through the dimming.
pub(super) fn problem_over_dialogs_ui(ui: &Ui, cx: &ViewCx<'_>) {
    let ctx = ui.ctx();
    if ctx.memory(|memory| memory.top_modal_layer().is_none()) {
        return;
    }
    let said = cx.status.open_notice().filter(|notice| notice.severity != Severity::Info).cloned();
    let Some(notice) = said.or_else(|| cx.status.scan_problems.iter().find_map(ScanCheck::notice)) else {
        return;
    };
    let window = ctx.content_rect();
    let area = Area::new(Id::unique("problem over dialogs")).order(Order::Tooltip);
    let top = pos2(window.center().x, window.top() + theme::TOOLBAR_HEIGHT + 8.0);
    area.fixed_pos(top).pivot(Align2::CENTER_TOP).show(ctx, |ui| {
        let p = theme::palette(ui);
        Frame::popup(ui.style()).inner_margin(Margin::symmetric(14, 8)).show(ui, |ui| {
            ui.set_width(PROBLEM_WIDTH.min(window.width() - 60.0));
            ui.horizontal_top(|ui| {
                let (rect, _) = ui.allocate_exact_size(vec2(16.0, 16.0), Sense::hover());
                paint_icon(ui.painter(), rect, Icon::Warn, p.warn);
                ui.vertical(|ui| {
                    ui.spacing_mut().item_spacing.y = 2.0;
                    ui.add(Label::new(RichText::new(&notice.headline).color(p.text_strong)).wrap());
                    if !notice.what_to_do.is_empty() {
                        ui.add(Label::new(RichText::new(&notice.what_to_do).color(p.text)).wrap());
                    }
                    if let Some(path) = &notice.path {
                        note_ui(ui, &path.display().to_string());
                    }
                });
            });
        });
    });
}

/// A line under the tool bar while another program works on the session.
pub(super) fn held_banner_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let Some(holder) = &cx.status.held_by else { return };
    let p = theme::palette(ui);
    let frame = Frame::new().fill(p.panel).inner_margin(Margin::symmetric(10, 0));
    Panel::top("held elsewhere").exact_size(BANNER_HEIGHT).frame(frame).show(ui, |ui| {
        ui.horizontal_centered(|ui| {
            ui.spacing_mut().item_spacing.x = 8.0;
            let (rect, _) = ui.allocate_exact_size(vec2(16.0, 16.0), egui::Sense::hover());
            paint_icon(ui.painter(), rect, Icon::Warn, p.warn);
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                if cx.status.is_free_again && ui.button("work on it").clicked() {
                    cx.push(FileCommand::WorkOnIt);
                }
                if ui.button("save under another name…").clicked() {
                    cx.push(FileCommand::AskSaveAs);
                }
                let text = if cx.status.is_free_again {
                    "view only: the program that worked on this session has closed it".to_owned()
                } else {
                    format!("view only: {holder} works on this session{}", since_text(holder.since_unix_s))
                };
                ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
                    ui.add(Label::new(RichText::new(text).color(p.text_strong)).truncate());
                });
            });
        });
    });
}

fn since_text(since_unix_s: u64) -> String {
    let since = UNIX_EPOCH.checked_add(Duration::from_secs(since_unix_s)).filter(|_| since_unix_s > 0);
    since.map(|since| format!(", begun {}", ago_text(since))).unwrap_or_default()
}
