//! Planning a scan before it is made: what a resolution gives, and which resolution a print needs.

use egui::containers::menu::{MenuButton, MenuConfig};
use egui::{DragValue, PopupCloseBehavior, Ui};
use glassine_layout::{Format, format_by_id, formats};
use glassine_sharpness::plan::{PRINT_PPI, SampleLayout, ScanPlan, need_for_print};

use crate::model::number_text::parse_number;
use crate::views::ViewCx;
use crate::widgets::parts::{choice_row_ui, fact_row_ui, sub_head_ui, warning_ui};
use crate::widgets::value_row::{label_ui, number_field_ui};

/// Input of the planner; kept while the window is open.
#[derive(Debug, Clone, PartialEq)]
struct Wish {
    format: &'static str,
    scan_ppi: f64,
    print_mm: [f64; 2],
    /// Measured resolution of the scanner, 0 if unknown.
    measured_ppi: f64,
}

/// A button that opens the planner.
pub(super) fn planner_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let config = MenuConfig::new().close_behavior(PopupCloseBehavior::CloseOnClickOutside);
    let (response, menu) = MenuButton::new("plan a scan").config(config).ui(ui, |ui| {
        ui.set_min_width(330.0);
        let id = egui::Id::unique("planner");
        let mut wish = ui.data(|data| data.get_temp::<Wish>(id)).unwrap_or_else(|| first_wish(cx));
        rows_ui(ui, &mut wish);
        holder_ui(ui, cx);
        ui.data_mut(|data| data.insert_temp(id, wish));
    });
    let places = std::iter::once(response.rect).chain(menu.map(|menu| menu.response.rect));
    cx.ui_state.guide.places.extend(places.map(|rect| (rect, "scanning-well")));
    response.on_hover_text("pixels, file size and largest print of a resolution, and what a print needs");
}

/// Initial input: the format and resolution of the current strip.
fn first_wish(cx: &ViewCx<'_>) -> Wish {
    let strip = cx.strip();
    let format = strip.and_then(|strip| format_by_id(strip.format_id.as_deref()?));
    let scan_ppi = strip.and_then(|strip| cx.session.scan(strip.scan)).and_then(|scan| scan.ppi);
    Wish {
        format: format.map_or("135", |format| format.id),
        scan_ppi: scan_ppi.unwrap_or(2400.0),
        print_mm: [300.0, 200.0],
        measured_ppi: cx.status.sharpness.scanner.resolution_ppi.unwrap_or(0.0),
    }
}

fn rows_ui(ui: &mut Ui, wish: &mut Wish) {
    let choices = formats().iter().map(|format| (format.id, format.label.to_owned()));
    let shown = format_by_id(wish.format).map_or(wish.format, |format| format.label);
    let current = wish.format;
    if let Some(chosen) = choice_row_ui(ui, "frame", shown, Some(&current), choices) {
        wish.format = chosen;
    }
    let Some(format) = format_by_id(wish.format) else { return };
    number_row(ui, "resolution", &mut wish.scan_ppi, " ppi", 50.0..=20_000.0);
    measured_row(ui, &mut wish.measured_ppi);
    if let Some(plan) = ScanPlan::new(format.along_mm, format.across_mm, wish.scan_ppi) {
        plan_ui(ui, &plan, wish.measured_ppi);
    }
    sub_head_ui(ui, "for a print");
    number_row(ui, "print width", &mut wish.print_mm[0], " mm", 1.0..=10_000.0);
    number_row(ui, "print height", &mut wish.print_mm[1], " mm", 1.0..=10_000.0);
    print_ui(ui, format, wish);
}

/// The holder height that a comparison of scans found best.
fn holder_ui(ui: &mut Ui, cx: &ViewCx<'_>) {
    let scanner = &cx.status.sharpness.scanner;
    if let Some(height) = scanner.holder_height_mm {
        let error = scanner.holder_height_error_mm.map_or_else(String::new, |error| format!(" ± {error:.2}"));
        sub_head_ui(ui, "the scanner");
        fact_row_ui(ui, "holder height", &format!("{height:+.2}{error} mm"));
    }
}

fn plan_ui(ui: &mut Ui, plan: &ScanPlan, measured_ppi: f64) {
    fact_row_ui(
        ui,
        "picture",
        &format!("{} × {} px, {:.1} MP", plan.width_px, plan.height_px, plan.megapixels()),
    );
    for (name, layout) in
        [("16-bit RGB", SampleLayout::Rgb16), ("with infrared", SampleLayout::RgbInfrared16)]
    {
        let big = if plan.needs_big_tiff(layout) { ", needs BigTIFF" } else { "" };
        fact_row_ui(ui, name, &format!("{:.1} MiB{big}", plan.mebibytes(layout)));
    }
    for print in plan.largest_prints() {
        fact_row_ui(
            ui,
            &format!("print at {:.0} ppi", print.print_ppi),
            &format!("{:.0} × {:.0} mm", print.width_mm, print.height_mm),
        );
    }
    if let Some(above) = plan.above_measured(measured_ppi) {
        warning_ui(
            ui,
            &format!(
                "above the measured {:.0} ppi: {:.0} % of the pixels hold nothing new",
                above.measured_ppi,
                above.empty_share * 100.0
            ),
        );
    }
}

fn print_ui(ui: &mut Ui, format: &Format, wish: &Wish) {
    let image = (format.along_mm, format.across_mm);
    for ppi in PRINT_PPI {
        if let Some(need) = need_for_print(image, (wish.print_mm[0], wish.print_mm[1]), ppi) {
            let above = wish.measured_ppi > 0.0 && need.scan_ppi > wish.measured_ppi;
            let note = if above { ", more than was measured" } else { "" };
            fact_row_ui(
                ui,
                &format!("at {ppi:.0} ppi"),
                &format!("scan at {:.0} ppi or more{note}", need.whole_ppi()),
            );
        }
    }
}

/// The measured resolution of the scanner; 0 stands for one that is not known.
fn measured_row(ui: &mut Ui, measured_ppi: &mut f64) {
    ui.horizontal(|ui| {
        label_ui(ui, "measured", false).on_hover_text("what the scanner really resolves, if it was measured");
        let text = |ppi: f64| if ppi == 0.0 { "not known".to_owned() } else { format!("{ppi:.0} ppi") };
        let drag = DragValue::new(measured_ppi).range(0.0..=20_000.0).speed(5.0).max_decimals(0);
        let drag = drag.custom_formatter(move |ppi, _| text(ppi)).custom_parser(parse_number);
        number_field_ui(ui, drag, "measured resolution", 110.0);
    });
}

fn number_row(ui: &mut Ui, name: &str, value: &mut f64, suffix: &str, range: std::ops::RangeInclusive<f64>) {
    ui.horizontal(|ui| {
        label_ui(ui, name, false);
        let drag = DragValue::new(value).range(range).speed(5.0).max_decimals(0).suffix(suffix);
        number_field_ui(ui, drag, name, 110.0);
    });
}
