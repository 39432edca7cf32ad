//! The frame part of the window.

use egui::Ui;

use crate::state::ViewCx;

pub(crate) fn frame_ui(_ui: &mut Ui, _cx: &mut ViewCx<'_>) {}
