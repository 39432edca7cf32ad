//! How the window is divided.

use egui::{CentralPanel, Frame, Panel, Ui};

use crate::state::ViewCx;
use crate::theme;

use super::frame::frame_ui;
use super::prints::prints_ui;
use super::questions::questions_ui;
use super::status::status_ui;
use super::strip::strip_ui;
use super::toolbar::toolbar_ui;

/// The whole window.
pub fn root_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    Panel::top("toolbar").exact_size(theme::TOOLBAR_HEIGHT).frame(Frame::new().fill(p.bar)).show(ui, |ui| toolbar_ui(ui, cx));
    Panel::bottom("status").exact_size(theme::STATUS_HEIGHT).frame(Frame::new().fill(p.bar)).show(ui, |ui| status_ui(ui, cx));
    Panel::top("strip").frame(Frame::new().fill(p.surround)).show(ui, |ui| {
        strip_ui(ui, cx);
        prints_ui(ui, cx);
    });
    Panel::right("settings").exact_size(theme::SETTINGS_WIDTH).show(ui, |_ui| {});
    CentralPanel::default().frame(Frame::new().fill(p.surround)).show(ui, |ui| frame_ui(ui, cx));
    questions_ui(ui, cx);
}
