//! The curves of a slanted-edge response.

use egui::{Align2, Color32, Rect, Role, Sense, Stroke, TextStyle, Ui, WidgetInfo, pos2, vec2};
use glassine_sharpness::EdgeReport;

use crate::widgets::theme;

/// Height of the plot, points.
const HEIGHT: f32 = 132.0;
/// Highest frequency shown, cycles per pixel.
const FREQUENCY_MAX: f64 = 0.75;

/// Name of a channel of a report.
pub fn channel_name(nth: usize, count: usize) -> &'static str {
    if count == 1 { "grey" } else { ["red", "green", "blue", "infrared"][nth.min(3)] }
}

/// Response over frequency, with the levels of MTF50 and MTF10 and half the sampling frequency.
pub fn sfr_plot_ui(ui: &mut Ui, report: &EdgeReport) {
    let p = theme::palette(ui);
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), HEIGHT), Sense::hover());
    response.widget_info(|| WidgetInfo::labeled(Role::Image, true, "response at the edge over frequency"));
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 2.0, p.field);
    let plot = Rect::from_min_max(rect.min + vec2(26.0, 8.0), rect.max - vec2(8.0, 18.0));
    let highest = report.channels.iter().map(|channel| channel.sfr.peak()).fold(1.05, f64::max);
    let at = |f: f64, value: f64| {
        pos2(
            plot.left() + plot.width() * (f / FREQUENCY_MAX) as f32,
            plot.bottom() - plot.height() * (value / highest) as f32,
        )
    };
    let font = TextStyle::Small.resolve(ui.style());
    for (level, text) in [(1.0, "1"), (0.5, "0.5"), (0.1, "0.1")] {
        let y = at(0.0, level).y;
        painter.hline(plot.x_range(), y, Stroke::new(1.0, p.line));
        painter.text(pos2(plot.left() - 4.0, y), Align2::RIGHT_CENTER, text, font.clone(), p.text_weak);
    }
    for (f, text) in [(0.0, "0"), (0.25, "0.25"), (0.5, "0.5 cycles/px")] {
        let x = at(f, 0.0).x;
        painter.vline(x, plot.y_range(), Stroke::new(1.0, p.line));
        painter.text(pos2(x, plot.bottom() + 9.0), Align2::CENTER_CENTER, text, font.clone(), p.text_weak);
    }
    let inks = match report.channels.len() {
        1 => vec![p.text_strong],
        _ => vec![
            Color32::from_rgb(225, 90, 75),
            Color32::from_rgb(80, 175, 95),
            Color32::from_rgb(90, 135, 235),
            p.text_weak,
        ],
    };
    for (channel, ink) in report.channels.iter().zip(inks) {
        let curve = channel.sfr.frequency_cy_px.iter().zip(&channel.sfr.response);
        let points =
            curve.take_while(|(f, _)| **f <= FREQUENCY_MAX).map(|(f, value)| at(*f, *value)).collect();
        painter.line(points, Stroke::new(1.5, ink));
        if let Some(half) = channel.sfr.mtf50_cy_px() {
            painter.circle_filled(at(half, 0.5), 2.5, ink);
        }
    }
}
