//! Measuring a stock: what the frame shows, where it is, the result, and what to do with it.

use std::sync::Arc;

use egui::{
    Align, Align2, Button, Color32, DragValue, Layout, Rect, RichText, ScrollArea, Sense, Stroke, StrokeKind,
    TextEdit, TextStyle, Ui, UiBuilder, pos2, vec2,
};
use glassine_engine::StockReport;
use glassine_film::colour::{Lab, Transfer, encode, working_from_lab};
use glassine_film::{ChartEdition, FilmKind};

use crate::commands::{ColourCommand, ViewCommand};
use crate::model::colour_tools::{ChartTool, TargetKind, parse_densities};
use crate::model::number_text::{number_text, parse_number};
use crate::views::ViewCx;
use crate::widgets::parts::{
    fact_row_ui, main_button_ui, note_ui, sub_head_ui, switch_row_ui, title_ui, warning_ui,
};
use crate::widgets::theme;
use crate::widgets::value_row::{label_ui, number_field_ui};

/// Height of a row of the table, points.
const ROW: f32 = 18.0;
/// A difference that fills its bar, CIEDE2000.
const BAR_FULL: f64 = 12.0;
/// Mean difference after the fit from which something is probably wrong, CIEDE2000.
const DOUBTFUL: f64 = 4.0;
/// Density between two steps of a common reflection wedge.
const STEP_D: f64 = 0.15;
/// Density of its first step.
const FIRST_D: f64 = 0.05;
/// Smallest and largest number of steps.
const STEPS: (usize, usize) = (3, 40);

/// The pane, in place of the settings.
pub(super) fn stock_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let Some(mut chart) = cx.ui_state.colour.chart.clone() else { return };
    ui.horizontal(|ui| {
        title_ui(ui, "measure a stock");
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
            if ui.button("back to the settings").on_hover_text("Esc").clicked() {
                cx.push(ColourCommand::ShowChart(false));
            }
        });
    });
    let mut room = ui.available_rect_before_wrap();
    let width = room.width();
    room.max.x += ui.spacing().scroll.floating_allocated_width;
    let mut inside = ui.new_child(UiBuilder::new().max_rect(room));
    ScrollArea::vertical().id_salt("stock").auto_shrink([false, false]).show(&mut inside, |ui| {
        ui.set_max_width(width);
        ui.spacing_mut().item_spacing.y = 4.0;
        target_ui(ui, cx, &mut chart);
        place_ui(ui, cx, &mut chart);
        run_ui(ui, cx, &chart);
        if let Some(report) = chart.report.clone() {
            report_ui(ui, cx, &chart, &report);
        }
        ui.add_space(theme::GAP);
    });
    // A command of this frame may have closed the pane or be about to measure; only the typed input is kept here.
    if let Some(known) = &mut cx.ui_state.colour.chart {
        *known = chart;
    }
}

/// Rows about the target the frame shows.
fn target_ui(ui: &mut Ui, cx: &ViewCx<'_>, chart: &mut ChartTool) {
    let number =
        cx.session.frame(chart.frame).map_or_else(String::new, |frame| cx.session.number_text(frame));
    fact_row_ui(ui, "on frame", &number.to_string());
    if cx.ui_state.primary != Some(chart.frame) {
        warning_ui(ui, &format!("select frame {number} to see the corners"));
    }
    let choices = [
        (TargetKind::Chart24, "24 patches", "the colour chart of six by four patches"),
        (TargetKind::Wedge, "neutral wedge", "one row of grey steps with known densities"),
    ];
    let film = cx.session.frame(chart.frame).and_then(|frame| cx.session.strip(frame.strip)).map(|s| s.film);
    if film == Some(FilmKind::BlackAndWhite) && chart.kind == TargetKind::Chart24 {
        note_ui(ui, "on black-and-white film a neutral wedge says more than a colour chart");
    }
    if let Some(kind) = switch_row_ui(ui, "it shows", chart.kind, &choices) {
        chart.kind = kind;
        chart.report = None;
    }
    match chart.kind {
        TargetKind::Chart24 => {
            let choices = [
                (
                    ChartEdition::Iso17321,
                    "ISO 17321",
                    "the colours that ISO 17321-1 tabulates: charts made until 2014",
                ),
                (
                    ChartEdition::Since2014,
                    "since 2014",
                    "the maker's table for charts made since November 2014",
                ),
            ];
            if let Some(edition) = switch_row_ui(ui, "chart made", chart.edition, &choices) {
                chart.edition = edition;
                chart.report = None;
            }
        }
        TargetKind::Wedge => wedge_ui(ui, chart),
    }
}

/// Number of steps and their densities.
fn wedge_ui(ui: &mut Ui, chart: &mut ChartTool) {
    let parsed = parse_densities(&chart.densities_text);
    let mut count = parsed.as_ref().map_or(12, Vec::len);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "steps", false);
        let drag = DragValue::new(&mut count)
            .range(STEPS.0..=STEPS.1)
            .speed(0.1)
            .custom_parser(parse_number)
            .update_while_editing(false);
        let response = number_field_ui(ui, drag, "number of steps", theme::NUMBER_WIDTH);
        if response.changed() {
            let known = parsed.clone().unwrap_or_default();
            // Further steps continue with the step between the last two.
            let step = match known.as_slice() {
                [.., before, last] => last - before,
                _ => STEP_D,
            };
            let mut densities = known;
            densities.truncate(count);
            while densities.len() < count {
                densities.push(densities.last().map_or(FIRST_D, |last| last + step));
            }
            let texts: Vec<String> = densities.iter().map(|d| format!("{d:.2}")).collect();
            chart.densities_text = texts.join(" ");
            chart.report = None;
        }
    });
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "densities, D", false)
            .on_hover_text("printed density of each step, from corner 1 to corner 2");
        let edit = TextEdit::multiline(&mut chart.densities_text)
            .desired_rows(2)
            .desired_width(ui.available_width())
            .hint_text("0.05 0.20 0.35 …");
        let response = ui.add(edit);
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label("densities of the steps"));
        if response.changed() {
            chart.report = None;
        }
    });
    if parsed.is_none() {
        warning_ui(ui, "type one density for each step, separated by blanks");
    }
}

/// Corners of the chart, and its orientation.
fn place_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, chart: &mut ChartTool) {
    note_ui(
        ui,
        match chart.kind {
            TargetKind::Chart24 => {
                "pull the numbered corners onto the outer corners of the chart; the small squares show which patch \
                 is meant where"
            }
            TargetKind::Wedge => {
                "pull the numbered corners onto the ends of the wedge, its first step at 1 and 4"
            }
        },
    );
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        label_ui(ui, "corners", false);
        if ui.button("turn").on_hover_text("turn the chart by a quarter").clicked() {
            chart.corners.rotate_right(1);
            chart.report = None;
        }
        if ui
            .button("mirror")
            .on_hover_text("the chart is mirrored: the film was scanned from its other side")
            .clicked()
        {
            chart.corners.swap(0, 1);
            chart.corners.swap(2, 3);
            chart.report = None;
        }
        let loupe = cx.ui_state.frame.loupe;
        let zoom = Button::selectable(loupe, "1 : 1").frame_when_inactive(true);
        if ui.add(zoom).on_hover_text("scan pixels one to one, to place the corners well   End").clicked() {
            cx.push(ViewCommand::SetLoupe(!loupe));
        }
    });
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "name", false);
        let edit = TextEdit::singleline(&mut chart.name).desired_width(ui.available_width()).char_limit(80);
        let response = ui.add(edit);
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label("name of the stock"));
        if response.changed() {
            chart.report = None;
        }
    });
}

fn run_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, chart: &ChartTool) {
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 6.0;
        label_ui(ui, "", false);
        let can_run = chart.kind == TargetKind::Chart24 || parse_densities(&chart.densities_text).is_some();
        let text = if chart.report.is_some() { "measure again" } else { "measure" };
        if main_button_ui(ui, text, can_run).clicked() {
            cx.push(ColourCommand::MeasureStock);
        }
    });
    if chart.report.is_none() {
        note_ui(
            ui,
            "curves, dye unmixing and colour matrix of the film are fitted to the known colours; nothing changes \
             until you use the stock",
        );
    }
}

fn report_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, chart: &ChartTool, report: &Arc<StockReport>) {
    sub_head_ui(ui, "found");
    let (before, after) = report.mean;
    if report.patches.is_empty() {
        let text = |log: f64| format!("{} log exposure", number_text(log, 3, false));
        fact_row_ui(ui, "error before", &text(before));
        fact_row_ui(ui, "error after", &text(after));
    } else {
        let worst = report.patches.iter().map(|(.., after)| *after).fold(0.0, f64::max);
        let number = |v: f64| number_text(v, 2, false);
        fact_row_ui(ui, "mean difference", &format!("{} before, {} with it", number(before), number(after)));
        fact_row_ui(ui, "largest", &format!("{} with it, CIEDE2000", number(worst)));
    }
    if !report.patches.is_empty() && after > DOUBTFUL {
        warning_ui(ui, "large differences remain: check the corners and the orientation of the chart");
    }
    uses_ui(ui, cx, chart, report);
    if !report.patches.is_empty() {
        sub_head_ui(ui, "patches, CIEDE2000 before and with it");
        for (idx, (name, before, after)) in report.patches.iter().enumerate() {
            patch_row_ui(ui, chart.edition.lab_d50().get(idx), name, *before, *after);
        }
    }
}

/// Buttons that use or save the stock.
fn uses_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, chart: &ChartTool, report: &StockReport) {
    let kind = report.stock.kind;
    let others = cx.session.strips.iter().filter(|strip| strip.film == kind).count();
    let own = cx.session.frame(chart.frame).and_then(|frame| cx.session.strip(frame.strip));
    let is_used = own.is_some_and(|strip| strip.stock_id == report.stock.id);
    ui.horizontal_wrapped(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        if ui
            .button("use for this strip")
            .on_hover_text("its frames are solved again with the stock")
            .clicked()
        {
            cx.push(ColourCommand::UseStock { everywhere: false });
        }
        let hint = "every strip of this kind of film in the session is solved again with it";
        let text = format!("use for all strips of this film ({others})");
        if ui.add_enabled(others > 1, Button::new(text)).on_hover_text(hint).clicked() {
            cx.push(ColourCommand::UseStock { everywhere: true });
        }
    });
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 4.0;
        if ui.button("save as file…").on_hover_text("a small file that any session can load").clicked() {
            cx.push(ColourCommand::AskSaveStock);
        }
        if is_used {
            let ink = theme::palette(ui).accent;
            ui.label(RichText::new("✓ used for this strip").color(ink));
        }
    });
}

/// Name, expected colour, both numbers and a bar for each.
fn patch_row_ui(ui: &mut Ui, reference: Option<&Lab>, name: &str, before: f64, after: f64) {
    let p = theme::palette(ui);
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), ROW), Sense::hover());
    let words =
        format!("{name}, {} before, {} with it", number_text(before, 2, false), number_text(after, 2, false));
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Label, true, &words));
    let painter = ui.painter();
    let swatch = Rect::from_center_size(pos2(rect.left() + 8.0, rect.center().y), vec2(14.0, 14.0));
    if let Some(lab) = reference {
        painter.rect_filled(swatch, 2.0, patch_colour(*lab));
        painter.rect_stroke(swatch, 2.0, Stroke::new(1.0, p.line), StrokeKind::Outside);
    }
    let font = TextStyle::Body.resolve(ui.style());
    let y = rect.center().y;
    painter.text(pos2(rect.left() + 24.0, y), Align2::LEFT_CENTER, name, font.clone(), p.text);
    let bars = Rect::from_x_y_ranges(rect.left() + 150.0..=rect.right() - 104.0, rect.y_range());
    for (value, dy, ink) in [(before, -3.0, p.text_weak), (after, 3.0, p.accent)] {
        let width = bars.width() * ((value / BAR_FULL) as f32).clamp(0.0, 1.0);
        let bar = Rect::from_min_size(pos2(bars.left(), y + dy - 2.0), vec2(width.max(1.0), 4.0));
        painter.rect_filled(bar, 1.0, ink);
    }
    let at = |x: f32| pos2(rect.right() - x, y);
    let worse = after > before;
    let ink = if worse { p.warn } else { p.text_strong };
    let mark = if worse { "▲ " } else { "" };
    painter.text(at(52.0), Align2::RIGHT_CENTER, number_text(before, 1, false), font.clone(), p.text_weak);
    painter.text(at(4.0), Align2::RIGHT_CENTER, format!("{mark}{}", number_text(after, 1, false)), font, ink);
}

/// A colour of the chart as the screen shows it.
pub(super) fn patch_colour(lab: Lab) -> Color32 {
    let [r, g, b] = working_from_lab(lab)
        .map(|light| (encode(Transfer::Srgb, light.clamp(0.0, 1.0)) * 255.0).round().clamp(0.0, 255.0) as u8);
    Color32::from_rgb(r, g, b)
}
