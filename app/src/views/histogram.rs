//! The histogram of the frame under work, counted inside its box only.

use egui::{Align, Button, Label, Layout, RichText, Ui};
use glassine_engine::Overlay;

use crate::command::Command;
use crate::state::ViewCx;
use crate::theme;
use crate::widgets::histogram_plot::histogram_plot;
use crate::widgets::parts::grouped;

const PLOT_HEIGHT: f32 = 124.0;

/// Histogram with clip figures; a click shows where the picture clips.
pub(crate) fn histogram_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let frame = cx.primary();
    let histogram = frame.and_then(|frame| cx.previews.histogram(frame.id)).map(|histogram| &**histogram);
    let shows_clipping = cx.ui_state.frame.overlay == Overlay::Clipping;
    let mut toggle = false;
    ui.horizontal(|ui| {
        let title = RichText::new("histogram").text_style(theme::section_style()).color(p.text_strong);
        ui.label(title);
        if let Some(frame) = frame {
            let counted = histogram
                .map_or_else(String::new, |histogram| format!(", {} px counted", grouped(histogram.pixels)));
            let text = RichText::new(format!("frame {}{counted}", frame.number)).small().color(p.text_weak);
            ui.add(Label::new(text).truncate());
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let button = Button::selectable(shows_clipping, RichText::new("show clipping").small());
            let hint = "mark clipped pixels in the large view";
            toggle |= ui.add(button.frame_when_inactive(true)).on_hover_text(hint).clicked();
        });
    });
    let response = histogram_plot(ui, histogram, PLOT_HEIGHT).on_hover_text(
        "counts inside the box, height as a square root; figures are per cent of pixels at either end of each \
         channel; click to mark them in the large view",
    );
    if toggle || response.clicked() {
        cx.push(Command::SetOverlay(if shows_clipping { Overlay::None } else { Overlay::Clipping }));
    }
}
