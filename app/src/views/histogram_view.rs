//! The histogram of the current frame, counted inside its box only.

use egui::{Align, Button, Label, Layout, RichText, Ui};
use glassine_engine::Overlay;

use crate::commands::ViewCommand;
use crate::services::exact_counts::CountState;
use crate::views::ViewCx;
use crate::widgets::histogram_plot::{ExactLine, histogram_plot};
use crate::widgets::parts::grouped;
use crate::widgets::theme;

/// Height of the plot in the smallest and in a large window, points.
const PLOT_HEIGHT: (f32, f32) = (52.0, 108.0);
/// Share of the column's height for the plot, within [`PLOT_HEIGHT`].
const PLOT_SHARE: f32 = 0.2;

/// Histogram with clip figures; a click shows where the picture clips.
pub(crate) fn histogram_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    let plot_height = (ui.available_height() * PLOT_SHARE).clamp(PLOT_HEIGHT.0, PLOT_HEIGHT.1).round();
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
            let text = RichText::new(format!("frame {}{counted}", cx.session.number_text(frame)))
                .small()
                .color(p.text_weak);
            ui.add(Label::new(text).truncate());
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            let button = Button::selectable(shows_clipping, RichText::new("show clipping").small());
            let hint = "mark clipped pixels in the large view";
            toggle |= ui.add(button.frame_when_inactive(true)).on_hover_text(hint).clicked();
        });
    });
    let state = frame.map(|frame| cx.status.counts.state(frame.id));
    let words = exact_words(state, cx.status.exporting().is_some());
    let exact = match state {
        Some(CountState::Exact(count)) => ExactLine::Counted(count.clip_low, count.clip_high),
        _ => ExactLine::Words(&words),
    };
    let response = histogram_plot(ui, histogram, exact, plot_height).on_hover_text(
        "counts inside the box, height as a square root; figures are per cent of pixels at either end of each \
         channel: of the picture on screen, and of every pixel the file would have; click to mark them in the \
         large view",
    );
    if toggle || response.clicked() {
        cx.push(ViewCommand::SetOverlay(if shows_clipping { Overlay::None } else { Overlay::Clipping }));
    }
}

/// Text in place of the exact figures.
fn exact_words(state: Option<CountState<'_>>, is_exporting: bool) -> String {
    match state {
        None | Some(CountState::Exact(_)) => String::new(),
        Some(CountState::Counting(share)) => format!("exact: counting every pixel, {:.0} %", share * 100.0),
        Some(CountState::Waiting) if is_exporting => "exact: counted after the export".to_owned(),
        Some(CountState::Waiting) => "exact: counted in a moment".to_owned(),
        Some(CountState::Stopped) => "exact: stopped".to_owned(),
        Some(CountState::Failed(why)) => format!("exact: {why}"),
    }
}
