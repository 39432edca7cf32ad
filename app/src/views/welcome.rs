//! The window before anything is open.

use egui::{Align, Button, Layout, RichText, Ui, vec2};

use crate::commands::{FileCommand, ViewCommand};
use crate::views::ViewCx;
use crate::widgets::theme;

pub(super) fn welcome_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let room = ui.available_size();
    ui.allocate_ui_with_layout(room, Layout::top_down(Align::Center), |ui| {
        ui.add_space((room.y * 0.34).max(40.0));
        if let Some((job, _)) = cx.status.shown_job() {
            ui.label(RichText::new(&job.label).text_style(egui::TextStyle::Heading).color(p.text_strong));
            ui.add_space(4.0);
            ui.label(RichText::new(job.detail_text()).color(p.text_weak));
            ui.add_space(12.0);
            let bar =
                egui::ProgressBar::new(job.share).desired_width(320.0).desired_height(8.0).fill(p.accent);
            ui.add(bar);
            return;
        }
        ui.label(
            RichText::new("open the scan of a strip")
                .text_style(egui::TextStyle::Heading)
                .color(p.text_strong),
        );
        ui.add_space(6.0);
        ui.label(RichText::new("drop scans or a session here, or choose them").color(p.text_weak));
        ui.add_space(18.0);
        let size = vec2(200.0, 32.0);
        let open = Button::new(RichText::new("open…").color(p.on_accent)).fill(p.accent).min_size(size);
        if ui.add(open).clicked() {
            cx.push(FileCommand::AskOpen);
        }
        ui.add_space(4.0);
        if ui.add(Button::new("look at the demo strips").min_size(size)).clicked() {
            cx.push(FileCommand::OpenDemo);
        }
        let unsaved = cx.status.unsaved_work.len();
        if unsaved > 0 {
            ui.add_space(4.0);
            let text = format!("unsaved work ({unsaved})");
            if ui.add(Button::new(text).min_size(size)).clicked() {
                cx.push(ViewCommand::ShowUnsavedWork(true));
            }
        }
    });
}
