//! The histogram of the current frame, counted inside its box only.

use egui::{Align, Button, Label, Layout, RichText, Ui, vec2};
use glassine_engine::Overlay;
use glassine_film::OutputSpace;

use crate::commands::ViewCommand;
use crate::model::exact_counts::CountState;
use crate::views::ViewCx;
use crate::widgets::histogram_plot::{ExactLine, histogram_plot};
use crate::widgets::parts::grouped;
use crate::widgets::theme;

/// Height of the part in a small and in a large window, points.
const HEIGHT: (f32, f32) = (124.0, 184.0);
/// Share of the picture's height for it, within [`HEIGHT`].
const SHARE: f32 = 0.26;
/// Height of the line over the plot, points.
const HEAD: f32 = 24.0;

/// Height of the tones under a picture with this room for both, points.
pub(crate) fn tones_height(room: f32) -> f32 {
    (room * SHARE).clamp(HEIGHT.0, HEIGHT.1).round()
}

/// Histogram with its figures; a click shows where the picture loses detail.
pub(crate) fn tones_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let p = theme::palette(ui);
    ui.spacing_mut().item_spacing.y = 2.0;
    let plot_height = ui.available_height() - HEAD - 2.0;
    let frame = cx.primary();
    let histogram = frame.and_then(|frame| cx.previews.histogram(frame.id)).map(|histogram| &**histogram);
    let shows_clipping = cx.ui_state.frame.overlay == Overlay::Clipping;
    let mut toggle = false;
    ui.allocate_ui_with_layout(
        vec2(ui.available_width(), HEAD),
        Layout::left_to_right(Align::Center),
        |ui| {
            let title = RichText::new("tones").text_style(theme::section_style()).color(p.text_strong);
            ui.label(title);
            if let Some(frame) = frame {
                let counted = histogram.map_or_else(String::new, |histogram| {
                    format!(", {} px counted", grouped(histogram.pixels))
                });
                let text = RichText::new(format!("frame {}{counted}", cx.session.number_text(frame)))
                    .small()
                    .color(p.text_weak);
                ui.add(Label::new(text).truncate());
            }
            ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
                let button = Button::selectable(shows_clipping, RichText::new("mark lost detail").small());
                let hint = "mark clipped and nearly clipped pixels in the picture   C";
                toggle |= ui.add(button.frame_when_inactive(true)).on_hover_text(hint).clicked();
            });
        },
    );
    let state = frame.map(|frame| cx.status.counts.state(frame.id));
    let words = exact_words(state, cx.status.exporting().is_some());
    let exact = match state {
        Some(CountState::Exact(count)) => ExactLine::Counted(count.clip_low, count.clip_high),
        _ => ExactLine::Words(&words),
    };
    let transfer = OutputSpace::from_key(&cx.session.output.space).unwrap_or_default().transfer();
    let response = histogram_plot(ui, histogram, transfer, exact, plot_height).on_hover_text(
        "counts inside the box, height as a square root, over the tones of the print; the figures are per cent of \
         pixels at black and at white in each channel, in the picture on screen and in every pixel of the file",
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
