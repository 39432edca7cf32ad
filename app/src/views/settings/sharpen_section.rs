//! Sharpening of the selected frames, what it does to the shown part, the resolution at an edge, and the comparison of
//! scans.

use egui::{Button, Ui};
use glassine_engine::{Overlay, ViewKey};
use glassine_film::{Param, ParamGroup};
use glassine_raster::PixelRect;
use glassine_session::{Frame, ScanRef};
use glassine_sharpness::{ChannelSfr, EdgeReport};

use super::frame_section::{params_of, rows_ui};
use crate::commands::{JobCommand, SharpnessCommand, ViewCommand};
use crate::model::number_text::number_text;
use crate::model::sharpness_state::EffectFound;
use crate::model::ui_state::StripTool;
use crate::views::ViewCx;
use crate::widgets::parts::{fact_row_ui, note_ui, sub_head_ui, warning_ui};
use crate::widgets::sfr_plot::{channel_name, sfr_plot_ui};
use crate::widgets::value_row::label_ui;

/// Side of the part that “measure here” searches, scan pixels.
const HERE_PX: f64 = 600.0;

/// Amount of sharpening, for the head of the section.
pub(super) fn sharpen_summary(cx: &ViewCx<'_>) -> String {
    let Some(frame) = cx.primary() else { return String::new() };
    let amount = frame.look.get(Param::SharpenAmount);
    if amount == 0.0 { "off".to_owned() } else { format!("amount {}", number_text(amount, 2, false)) }
}

pub(super) fn sharpen_section_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    rows_ui(ui, cx, params_of(ParamGroup::Sharpen));
    let Some(frame) = cx.primary() else { return };
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "measured", false);
        let hint = "radius and amount from the blur of the edges in this scan, with its grain left as it is";
        if ui.button("take suggestion").on_hover_text(hint).clicked() {
            cx.push(JobCommand::SuggestSharpening);
        }
        let on = cx.ui_state.frame.overlay == Overlay::OvershootLimit;
        let hint = "mark where the overshoot limit acts: yellow where it held a bright rim, blue a dark one";
        let button = Button::selectable(on, "mark limit").frame_when_inactive(true);
        if ui.add(button).on_hover_text(hint).clicked() {
            let next = if on { Overlay::None } else { Overlay::OvershootLimit };
            cx.push(ViewCommand::SetOverlay(next));
        }
    });
    if frame.look.get(Param::SharpenAmount) == 0.0 {
        note_ui(ui, "off while the amount is 0");
    } else {
        effect_ui(ui, cx, frame);
    }
    edge_ui(ui, cx, frame);
    sub_head_ui(ui, "holder height");
    ui.horizontal(|ui| {
        label_ui(ui, "several scans", false);
        let hint = "which of several scans of the same film is sharpest, by how much and where";
        if ui.button("compare focus…").on_hover_text(hint).clicked() {
            cx.push(SharpnessCommand::AskFocusScans);
        }
    });
    kept_ui(ui, cx, frame);
}

/// What sharpening does to the shown part.
fn effect_ui(ui: &mut Ui, cx: &ViewCx<'_>, frame: &Frame) {
    let part = if cx.ui_state.frame.loupe { "in the shown part" } else { "in the middle" };
    sub_head_ui(ui, part);
    let shown = cx.status.sharpness.effect.filter(|shown| shown.frame == frame.id);
    match shown.map(|shown| shown.found) {
        None => note_ui(ui, "measuring what sharpening does"),
        Some(EffectFound::Failed) => warning_ui(ui, "what sharpening does could not be measured"),
        Some(EffectFound::Nothing) => note_ui(ui, "no edge and no flat area to measure at"),
        Some(EffectFound::Measured(effect)) => {
            let of_edges = match effect.edges {
                1 => " at 1 edge".to_owned(),
                count => format!(" at {count} edges"),
            };
            let none = || "no edge here".to_owned();
            let overshoot = effect.overshoot.map_or_else(none, |v| format!("{:.1} %{of_edges}", 100.0 * v));
            let gain = effect.mtf50_gain.map_or_else(none, |v| format!("{v:.2} times"));
            let noise =
                effect.noise_gain.map_or_else(|| "no flat area".to_owned(), |v| format!("{v:.2} times"));
            fact_row_ui(ui, "overshoot", &overshoot);
            fact_row_ui(ui, "MTF50", &gain);
            fact_row_ui(ui, "noise", &noise);
        }
    }
    if cx.ui_state.frame.overlay == Overlay::OvershootLimit
        && let Some((_, preview)) = cx.previews.picture(ViewKey::Frame(frame.id))
    {
        fact_row_ui(
            ui,
            "held by the limit",
            &format!("{:.1} % of the pixels", 100.0 * preview.overlay_share),
        );
    }
}

/// The response at an edge that the user shows.
fn edge_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &Frame) {
    sub_head_ui(ui, "resolution at an edge");
    let Some((_, scan)) = cx.session.context(frame) else { return };
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "slanted edge", false);
        let on = cx.ui_state.tool == StripTool::Edge;
        let hint = "draw a box around one straight edge, about five degrees off the pixel grid";
        let button = Button::selectable(on, "draw a box").frame_when_inactive(true);
        if ui.add(button).on_hover_text(hint).clicked() {
            cx.push(ViewCommand::SetTool(cx.ui_state.toggled_tool(StripTool::Edge)));
        }
        let hint = "find an edge in the middle of the shown part";
        if ui.button("measure here").on_hover_text(hint).clicked() {
            cx.push(SharpnessCommand::MeasureEdge(scan.id, here(cx, frame)));
        }
    });
    let Some(measured) = cx.status.sharpness.edge_of(scan) else { return };
    match &measured.report {
        Ok(report) => report_ui(ui, scan, report),
        Err(notice) => {
            warning_ui(ui, &notice.headline);
            if !notice.what_to_do.is_empty() {
                note_ui(ui, &notice.what_to_do);
            }
        }
    }
}

/// The middle of what is shown, in scan pixels.
fn here(cx: &ViewCx<'_>, frame: &Frame) -> PixelRect {
    let (u, v) = if cx.ui_state.frame.loupe { cx.ui_state.frame.center } else { (0.5, 0.5) };
    let (u, v) = frame.orientation.box_from_upright(u, v);
    let middle = frame.crop.scan_from_unit(u, v);
    let side = HERE_PX.min(frame.crop.width_px).min(frame.crop.height_px);
    let px = |at: f64| at.max(0.0).round() as u32;
    let (half_x, half_y) = (side / 2.0, side / 2.0);
    PixelRect::new(px(middle.x - half_x), px(middle.y - half_y), px(middle.x + half_x), px(middle.y + half_y))
}

fn report_ui(ui: &mut Ui, scan: &ScanRef, report: &EdgeReport) {
    sfr_plot_ui(ui, report);
    let region = report.region;
    let angle = report.channels.first().map_or(0.0, |channel| channel.sfr.angle_rad.to_degrees());
    fact_row_ui(ui, "edge", &format!("{angle:.1}° in {} × {} px", region.width(), region.height()));
    let number = |value: Option<f64>| value.map_or_else(|| "none".to_owned(), |value| format!("{value:.3}"));
    for (nth, channel) in report.channels.iter().enumerate() {
        let name = channel_name(nth, report.channels.len());
        let error = channel.error_cy_px().map_or_else(String::new, |error| format!(" ± {error:.3}"));
        let half = number(channel.sfr.mtf50_cy_px());
        fact_row_ui(ui, &format!("{name} MTF50"), &format!("{half}{error} cycles/px"));
        let mut more = format!("MTF10 {}", number(channel.sfr.mtf10_cy_px()));
        if let Some(efficiency) = channel.sampling_efficiency() {
            more += &format!(", efficiency {:.0} %", 100.0 * efficiency);
        }
        fact_row_ui(ui, "", &more);
        if report.channels.len() > 1 {
            fact_row_ui(ui, "", &format!("shift {:+.2} px", channel.shift_px));
        }
    }
    if report.parts == 0 {
        note_ui(ui, "the edge is short: its uncertainty is that of the noise beside it alone");
    }
    resolution_ui(ui, scan, report);
}

/// Resolution that the scan really has there.
fn resolution_ui(ui: &mut Ui, scan: &ScanRef, report: &EdgeReport) {
    let middle = report.channels.get(report.channels.len() / 2);
    let Some(found) = middle.and_then(ChannelSfr::sampling_efficiency).zip(scan.ppi) else { return };
    fact_row_ui(ui, "real resolution", &format!("{:.0} of {:.0} ppi", found.0 * found.1, found.1));
}

/// What the user kept of the scanner, and what could be kept.
fn kept_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, frame: &Frame) {
    let measured = cx.session.context(frame).and_then(|(_, scan)| {
        let report = cx.status.sharpness.edge_of(scan)?.report.as_ref().ok()?;
        let channel = report.channels.get(report.channels.len() / 2)?;
        Some(channel.sampling_efficiency()? * scan.ppi?)
    });
    let kept = cx.status.sharpness.scanner.clone();
    if let Some(height) = kept.holder_height_mm {
        let error = kept.holder_height_error_mm.map_or_else(String::new, |error| format!(" ± {error:.2}"));
        fact_row_ui(ui, "best height kept", &format!("{height:+.2}{error} mm"));
    }
    if let Some(ppi) = kept.resolution_ppi {
        fact_row_ui(ui, "resolution kept", &format!("{ppi:.0} ppi"));
    }
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        if let Some(ppi) = measured.filter(|ppi| kept.resolution_ppi != Some(ppi.round())) {
            let hint = "the planner then warns of resolutions that add no detail";
            if ui.button(format!("keep {ppi:.0} ppi")).on_hover_text(hint).clicked() {
                cx.push(SharpnessCommand::KeepResolution(ppi));
            }
        }
        if kept != Default::default() && ui.button("forget").on_hover_text("drop what was kept").clicked() {
            cx.push(SharpnessCommand::ForgetScanner);
        }
    });
}
