//! The status line: running work with its progress, and the last message with what to do about it.

use egui::{
    Align, Area, Button, Frame, Id, Key, Label, Layout, Margin, ProgressBar, RichText, ScrollArea, Ui, pos2,
    vec2,
};
use glassine_engine::{Notice, Severity};

use super::screen_pane::screen_entry_ui;
use crate::commands::{JobCommand, ViewCommand};
use crate::model::ui_state::StripTool;
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, IconButton, paint_icon};
use crate::widgets::theme;

const BAR_WIDTH: f32 = 140.0;
const LIST_WIDTH: f32 = 560.0;

pub(super) fn status_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    ui.horizontal_centered(|ui| {
        ui.spacing_mut().item_spacing.x = 8.0;
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            screen_entry_ui(ui, cx);
            jobs_ui(ui, cx);
            ui.with_layout(Layout::left_to_right(Align::Center), |ui| message_ui(ui, cx));
        });
    });
}

fn jobs_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let count = cx.status.notices.len();
    let list_tip = format!("{count} {}", if count == 1 { "message" } else { "messages" });
    if !cx.status.notices.is_empty() {
        let open = cx.ui_state.show_notices;
        let count = RichText::new(list_tip).small();
        if ui.add(Button::selectable(open, count)).on_hover_text("list of messages").clicked() {
            cx.push(ViewCommand::ShowNotices(!open));
        }
    }
    let unsaved = cx.status.unsaved_work.len();
    if unsaved > 0 && !cx.session.scans.is_empty() {
        let text = RichText::new(format!("unsaved work ({unsaved})")).small();
        if ui.button(text).on_hover_text("unsaved work of earlier runs").clicked() {
            cx.push(ViewCommand::ShowUnsavedWork(true));
        }
    }
    let Some((job, more)) = cx.status.shown_job() else { return };
    if cx.session.scans.is_empty() {
        // The empty window shows the progress large, with its own button.
        return;
    }
    if job.can_stop() && IconButton::new(Icon::Close, "cancel").show(ui).clicked() {
        cx.push(JobCommand::Cancel);
    }
    if job.share > 0.0 {
        let bar = ProgressBar::new(job.share).desired_width(BAR_WIDTH).desired_height(8.0).fill(p.accent);
        let response = ui.add(bar);
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label("progress"));
    }
    let detail = job.detail_text();
    let detail = if detail.is_empty() { detail } else { format!(", {detail}") };
    let waiting = if more > 0 { format!("  (+{more})") } else { String::new() };
    ui.add(Label::new(RichText::new(format!("{}{detail}{waiting}", job.label)).color(p.text)).truncate());
}

fn message_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let Some(notice) = cx.status.open_notice() else {
        hint_ui(ui, cx);
        return;
    };
    if IconButton::new(Icon::Close, "dismiss message").tip("Esc").show(ui).clicked() {
        cx.push(ViewCommand::DismissNotice);
    }
    sign_ui(ui, notice);
    let ink = if notice.severity == Severity::Info { p.text } else { p.text_strong };
    ui.add(Label::new(RichText::new(&notice.headline).color(ink)).truncate())
        .on_hover_text(notice.to_string());
    if !notice.what_to_do.is_empty() {
        ui.add(Label::new(RichText::new(&notice.what_to_do).color(p.text_weak)).truncate())
            .on_hover_text(notice.to_string());
    }
}

/// Without a message, the line says what the pointer can do.
fn hint_ui(ui: &mut Ui, cx: &ViewCx<'_>) {
    if let Some((frame, since_s)) = cx.ui_state.held_back_for(ui.input(|input| input.time)) {
        let number = cx.session.frame(frame).map_or_else(String::new, |frame| cx.session.number_text(frame));
        let text = format!(
            "box {number} is held inside its image area; let it go with “hold in image” above the strip"
        );
        ui.ctx().request_repaint_after_secs((3.0 - since_s).max(0.1) as f32);
        ui.add(Label::new(RichText::new(text).color(theme::palette(ui).text_strong)).truncate());
        return;
    }
    let selected = cx.ui_state.selected.len();
    let is_grey = cx.ui_state.tool == StripTool::GreyPoint;
    let text = match (cx.session.scans.is_empty(), selected) {
        (true, _) => return,
        _ if is_grey => {
            "click something grey in the large picture, or move the square with the arrow keys and \
                         press Enter"
                .to_owned()
        }
        _ if cx.ui_state.colour.chart.is_some() => {
            "pull the numbered corners onto the outer corners of the chart, or use Tab and the arrow keys"
                .to_owned()
        }
        (false, 0) => "click a box or a print to work on it".to_owned(),
        (false, 1) => {
            "drag a box to move it, its sides to size it, its ring to turn it; F1 opens the guide".to_owned()
        }
        (false, _) => format!("{selected} frames selected: what you change goes to all of them"),
    };
    let ink = theme::palette(ui).text_weak;
    ui.add(Label::new(RichText::new(text).color(ink)).truncate());
}

fn sign_ui(ui: &mut Ui, notice: &Notice) {
    if notice.severity == Severity::Info {
        return;
    }
    let p = theme::palette(ui);
    let (rect, _) = ui.allocate_exact_size(vec2(16.0, 16.0), egui::Sense::hover());
    paint_icon(ui.painter(), rect, Icon::Warn, p.warn);
}

/// The list of messages, over the lower right corner, while it is open.
pub(super) fn notices_ui(ui: &Ui, cx: &mut ViewCx<'_>) {
    if !cx.ui_state.show_notices {
        return;
    }
    let window = ui.ctx().content_rect();
    let corner = pos2(window.right() - 12.0, window.bottom() - theme::STATUS_HEIGHT - 8.0);
    let area = Area::new(Id::unique("messages")).fixed_pos(corner).pivot(egui::Align2::RIGHT_BOTTOM);
    area.show(ui.ctx(), |ui| {
        Frame::popup(ui.style()).inner_margin(Margin::same(14)).show(ui, |ui| {
            ui.set_width(LIST_WIDTH.min(window.width() - 60.0));
            ui.horizontal(|ui| {
                ui.label(RichText::new("messages").text_style(theme::section_style()));
                ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                    if IconButton::new(Icon::Close, "close the list").tip("Esc").show(ui).clicked() {
                        cx.push(ViewCommand::ShowNotices(false));
                    }
                });
            });
            ScrollArea::vertical().max_height(window.height() * 0.45).show(ui, |ui| {
                for notice in cx.status.notices.iter().rev() {
                    one_ui(ui, notice);
                }
            });
        });
    });
    if ui.input(|input| input.key_pressed(Key::Escape)) {
        cx.push(ViewCommand::ShowNotices(false));
    }
}

fn one_ui(ui: &mut Ui, notice: &Notice) {
    let p = theme::palette(ui);
    ui.add_space(6.0);
    ui.horizontal_top(|ui| {
        sign_ui(ui, notice);
        ui.vertical(|ui| {
            ui.spacing_mut().item_spacing.y = 2.0;
            ui.add(Label::new(RichText::new(&notice.headline).color(p.text_strong)).wrap());
            if !notice.what_to_do.is_empty() {
                ui.add(Label::new(RichText::new(&notice.what_to_do).color(p.text)).wrap());
            }
            if let Some(path) = &notice.path {
                let text = RichText::new(path.display().to_string()).small().color(p.text_weak);
                ui.add(Label::new(text).wrap());
            }
        });
    });
}
