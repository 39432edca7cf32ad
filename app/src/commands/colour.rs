//! Commands of the colour panes: tools on the large view, matching, measured stocks.

use std::path::PathBuf;
use std::sync::Arc;

use egui::Context;
use glassine_engine::jobs::Job;
use glassine_engine::{ChartPlace, Notice, Severity, StockReport, StockTarget};
use glassine_film::ChartEdition;
use glassine_raster::{Point, Scan};
use glassine_session::{Frame, StripId};

use super::program::GlassineApp;
use crate::model::colour_tools::{ChartTool, TargetKind, VariationKind, parse_densities};
use crate::model::questions::PathPurpose;
use crate::model::ui_state::StripTool;

/// Share of the box left free around a chart before the user moves its corners.
const CHART_INSET: f64 = 0.12;
/// Densities of a wedge's steps before the user types any: a common reflection wedge of half-stop steps.
const WEDGE_TEXT: &str = "0.05 0.20 0.35 0.50 0.65 0.80 0.95 1.10 1.25 1.40 1.55 1.70";

/// Requests of the colour panes.
#[derive(Debug, Clone, PartialEq)]
pub enum ColourCommand {
    /// Open or close a grid of variations.
    ShowVariations(Option<VariationKind>),
    /// Open the pane that measures a stock on the current frame, or close it.
    ShowChart(bool),
    /// Fit a stock to the chart.
    MeasureStock,
    /// Use the measured stock.
    UseStock {
        /// For every strip of this kind of film, not only the chart's strip.
        everywhere: bool,
    },
    /// Ask where to write the measured stock.
    AskSaveStock,
    /// Ask for a stock file.
    AskLoadStock,
}

impl GlassineApp {
    /// Carries out a command of the colour panes.
    pub(crate) fn apply_colour(&mut self, ctx: &Context, command: ColourCommand) {
        match command {
            ColourCommand::ShowVariations(kind) => {
                self.ui_state.tool = StripTool::Boxes;
                self.ui_state.colour.variations = kind.filter(|_| self.ui_state.primary.is_some());
            }
            ColourCommand::ShowChart(show) => self.show_chart(show),
            ColourCommand::MeasureStock => self.measure_stock(),
            ColourCommand::UseStock { everywhere } => self.use_stock(everywhere),
            ColourCommand::AskSaveStock => self.ask_path(ctx, PathPurpose::SaveStock),
            ColourCommand::AskLoadStock => self.ask_path(ctx, PathPurpose::LoadStock),
        }
    }

    fn show_chart(&mut self, show: bool) {
        let session = self.history.current();
        let frame = self.ui_state.primary.and_then(|id| session.frame(id)).filter(|_| show);
        let colour = &mut self.ui_state.colour;
        if let Some(chart) = colour.chart.take() {
            colour.last_chart = Some(chart);
        }
        let known = colour.last_chart.clone();
        let chart = frame.map(|frame| {
            if let Some(known) = known.filter(|known| known.frame == frame.id) {
                return known;
            }
            let roll = session.title.trim();
            ChartTool {
                frame: frame.id,
                corners: inset_corners(frame),
                kind: TargetKind::default(),
                edition: ChartEdition::default(),
                densities_text: WEDGE_TEXT.to_owned(),
                name: if roll.is_empty() { "own stock".to_owned() } else { format!("stock of {roll}") },
                report: None,
            }
        });
        self.ui_state.tool = StripTool::Boxes;
        self.ui_state.colour.variations = None;
        self.ui_state.frame.show_before = false;
        self.ui_state.colour.chart = chart;
    }

    fn measure_stock(&mut self) {
        let Some(chart) = &mut self.ui_state.colour.chart else { return };
        let target = match chart.kind {
            TargetKind::Chart24 => StockTarget::Chart24(chart.edition),
            TargetKind::Wedge => match parse_densities(&chart.densities_text) {
                Some(densities_d) => StockTarget::Wedge { densities_d },
                None => {
                    self.notify(Notice::new(
                        Severity::Error,
                        "the steps of the wedge can't be read",
                        "type one density for each step, for example 0.05 0.20 0.35",
                    ));
                    return;
                }
            },
        };
        chart.report = None;
        let name = if chart.name.trim().is_empty() { "own stock" } else { chart.name.trim() }.to_owned();
        let (frame, place) = (chart.frame, ChartPlace { corners: chart.corners });
        self.submit(Job::MeasureStock { frame, place, target, name });
    }

    /// Shows a measured stock in its pane, without changing anything yet.
    pub(crate) fn stock_measured(&mut self, report: StockReport) {
        if let Some(chart) = &mut self.ui_state.colour.chart {
            chart.report = Some(Arc::new(report));
        }
    }

    fn use_stock(&mut self, everywhere: bool) {
        let session = self.history.current();
        let Some(chart) = &self.ui_state.colour.chart else { return };
        let Some(report) = chart.report.clone() else { return };
        let own = session.frame(chart.frame).map(|frame| frame.strip);
        let strips: Vec<StripId> = session
            .strips
            .iter()
            .filter(|strip| strip.film == report.stock.kind && (everywhere || Some(strip.id) == own))
            .map(|strip| strip.id)
            .collect();
        self.submit(Job::ApplyStock { stock: Box::new(report.stock.clone()), strips });
    }

    /// Name offered for the file of the measured stock.
    pub(crate) fn stock_file_name(&self) -> String {
        let report = self.ui_state.colour.chart.as_ref().and_then(|chart| chart.report.as_ref());
        format!("{}.stock.json", report.map_or("own-stock", |report| report.stock.id.as_str()))
    }

    /// Writes the measured stock to a file.
    pub(super) fn save_stock(&mut self, path: PathBuf) {
        let chart = self.ui_state.colour.chart.as_ref();
        let Some(report) = chart.and_then(|chart| chart.report.clone()) else { return };
        let path = if path.extension().is_some() { path } else { path.with_extension("json") };
        self.submit(Job::SaveStock { stock: Box::new(report.stock.clone()), path });
    }

    /// Closes tools whose frame is gone.
    pub(crate) fn prune_tools(&mut self) {
        let session = self.history.current();
        let colour = &mut self.ui_state.colour;
        if self.ui_state.primary.is_none() {
            colour.variations = None;
        }
        if colour.chart.as_ref().is_some_and(|chart| session.frame(chart.frame).is_none()) {
            colour.chart = None;
        }
    }
}

/// Corners of a chart that fills most of a frame: in its proportion of six to four, its rows along the longer side.
fn inset_corners(frame: &Frame) -> [Point<Scan>; 4] {
    let (mut width, mut height) = (frame.crop.width_px, frame.crop.height_px);
    if frame.orientation.swaps_sides() {
        std::mem::swap(&mut width, &mut height);
    }
    let is_tall = height > width;
    let shape = if is_tall { 4.0 / 6.0 } else { 6.0 / 4.0 };
    let chart_height = (height.min(width / shape)) * (1.0 - 2.0 * CHART_INSET);
    let (du, dv) = (chart_height * shape / width / 2.0, chart_height / height / 2.0);
    let mut corners = [(-du, -dv), (du, -dv), (du, dv), (-du, dv)].map(|(u, v)| {
        let (u, v) = frame.orientation.box_from_upright(0.5 + u, 0.5 + v);
        frame.crop.scan_from_unit(u, v)
    });
    if is_tall {
        corners.rotate_left(1);
    }
    corners
}
