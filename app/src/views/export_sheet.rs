//! The contact sheet of an export: its paper, and what is on it.

use egui::Ui;
use glassine_engine::{PAPERS_MM, SheetArrangement};

use crate::views::ViewCx;
use crate::widgets::parts::{choice_row_ui, sub_head_ui, switch_row_ui};

/// Rows about the contact sheet, while one is wanted.
pub(super) fn sheet_rows_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let panels = &mut cx.ui_state.panels;
    if !panels.export_sheet {
        return;
    }
    sub_head_ui(ui, "contact sheet");
    let layout = &mut panels.sheet_layout;
    let [width_mm, height_mm] = layout.paper_mm;
    let is_wide = width_mm > height_mm;
    let upright_mm = [width_mm.min(height_mm), width_mm.max(height_mm)];
    let current = PAPERS_MM.iter().position(|(_, size_mm)| *size_mm == upright_mm);
    let papers = PAPERS_MM.iter().enumerate().map(|(idx, (key, _))| (idx, paper_label(key)));
    let shown = current.map_or_else(String::new, |idx| paper_label(PAPERS_MM[idx].0));
    let turned = |[short, long]: [f64; 2], is_wide: bool| if is_wide { [long, short] } else { [short, long] };
    if let Some(idx) = choice_row_ui(ui, "paper", &shown, current.as_ref(), papers) {
        layout.paper_mm = turned(PAPERS_MM[idx].1, is_wide);
    }
    let ways = [(false, "upright", "the short side below"), (true, "wide", "the long side below")];
    if let Some(is_wide) = switch_row_ui(ui, "way round", is_wide, &ways) {
        layout.paper_mm = turned(upright_mm, is_wide);
    }
    let arrangements = [
        (
            SheetArrangement::Auto,
            "as it fits",
            "a strip a row if its frames fit, else one frame after the other",
        ),
        (SheetArrangement::Strips, "by strip", "every strip begins a row"),
        (SheetArrangement::Grid, "in a grid", "one frame after the other"),
    ];
    if let Some(arrangement) = switch_row_ui(ui, "frames", layout.arrangement, &arrangements) {
        layout.arrangement = arrangement;
    }
    let shows =
        [(false, "prints", "as exported"), (true, "prints and film", "the film as scanned above each print")];
    if let Some(negatives) = switch_row_ui(ui, "shows", layout.negatives, &shows) {
        layout.negatives = negatives;
    }
}

/// Name of a paper, as people write it.
fn paper_label(key: &str) -> String {
    match key.split_once('x') {
        Some((width, height)) => format!("{width} × {height} in"),
        None if key.starts_with('a') => key.to_uppercase(),
        None => key.to_owned(),
    }
}
