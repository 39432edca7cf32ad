//! The status part of the window.

use egui::Ui;

use crate::state::ViewCx;

pub(crate) fn status_ui(_ui: &mut Ui, _cx: &mut ViewCx<'_>) {}
