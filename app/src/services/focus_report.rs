//! A comparison of focus as lines, as figures and as a drawing.

use std::path::Path;

use glassine_engine::{EngineError, FocusReport, FocusScan};
use glassine_scanfile::{Overwrite, write_bytes_atomic};
use glassine_sharpness::{CellRank, FocusBasis, FocusSeries, Measured, ScanFocus, percent_text};
use serde_json::{Value, json};

use super::canvas::{Align, BLACK, Canvas, GREY, Ink};
use super::json::{failed_json, path_bytes_json, path_json};

/// One colour for each scan; the next scans begin again.
pub(crate) const INKS: [Ink; 6] = [
    [0.85, 0.45, 0.15],
    [0.2, 0.45, 0.8],
    [0.25, 0.6, 0.3],
    [0.6, 0.35, 0.7],
    [0.75, 0.65, 0.2],
    [0.35, 0.6, 0.65],
];
/// Width of the drawing, and its height without the cutouts, px.
const SIZE: (usize, usize) = (1120, 560);
/// Most cutouts beside each other.
const CUTOUTS: usize = 4;

/// Names of the scans, and the heights that are known.
pub(crate) fn names_of(report: &FocusReport) -> Vec<String> {
    report.scans.iter().map(|scan| name_of(&scan.path)).collect()
}

fn name_of(file: &Path) -> String {
    file.file_name().map_or_else(|| file.display().to_string(), |name| name.to_string_lossy().into_owned())
}

/// The answer: ranking, best height, shape of the film.
pub(crate) fn answers(report: &FocusReport) -> Vec<String> {
    let Some(series) = &report.series else {
        let failed: Vec<String> = report.failed.iter().map(|(file, _)| name_of(file)).collect();
        let left = report.scans.first().map(|scan| format!("only {}", name_of(&scan.path)));
        let left = format!("{} could be compared", left.as_deref().unwrap_or("no scan"));
        return vec![if failed.is_empty() { left } else { format!("{left}, not {}", failed.join(", ")) }];
    };
    let names = names_of(report);
    let mut lines = vec![series.verdict(&names.iter().map(String::as_str).collect::<Vec<_>>())];
    match series.best_height {
        Some(Ok(best)) => {
            lines.push(format!("best height {:+.2} mm ± {:.2} mm", best.height_mm, best.error_mm));
        }
        Some(Err(refusal)) => lines.push(refusal.to_string()),
        None => {}
    }
    lines.extend(series.shape.and_then(|shape| shape.verdict()));
    lines.extend(exposure_text(series, &names));
    lines
}

/// A difference of exposure that was matched, if it is worth a word.
fn exposure_text(series: &FocusSeries, names: &[String]) -> Option<String> {
    let stops = series.gains.iter().map(|gain| gain.max(1e-6).log2());
    let (idx, most) = stops.enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))?;
    (most.abs() > 0.05).then(|| {
        let side = if most > 0.0 { "lighter" } else { "darker" };
        format!("{} is {:.1} stops {side} than {}; light was matched", names[idx], most.abs(), names[0])
    })
}

/// What is known of the scan at a place of the ranking, 0 for the sharpest.
pub(crate) fn rank_text(name: &str, place: usize, rank: &ScanFocus) -> String {
    let percent = |m: Measured| (100.0 * m.value, 100.0 * m.error);
    let (value, error) = percent(rank.relative);
    let response = rank.mtf50_cy_px.map_or_else(String::new, |found| {
        format!(", half response at {:.3} ± {:.3} cycles per pixel", found.value, found.error)
    });
    if place == 0 {
        format!("{name}: sharpest{response}")
    } else {
        format!("{name}: {value:.0} % ± {error:.1} % of the sharpest{response}")
    }
}

pub(crate) fn text_lines(report: &FocusReport) -> Vec<String> {
    let names = names_of(report);
    let ranking = report.series.iter().flat_map(|series| &series.ranking);
    let ranked = ranking.enumerate().map(|(place, rank)| rank_text(&names[rank.index], place, rank));
    let mut lines: Vec<String> = ranked.collect();
    lines.extend(answers(report));
    lines
}

/// Every figure of a comparison.
pub(crate) fn report_json(report: &FocusReport) -> Value {
    let failed: Vec<Value> = report.failed.iter().map(|(file, notice)| failed_json(file, notice)).collect();
    let Some(series) = &report.series else {
        return json!({ "ranking": [], "verdict": answers(report).first(), "failed": failed });
    };
    let measured = |m: Measured| json!({ "value": m.value, "error": m.error });
    let ranking: Vec<Value> = series.ranking.iter().map(|rank| rank_json(rank, &report.scans)).collect();
    let best = series.best_height.map(|best| match best {
        Ok(best) => json!({ "height_mm": best.height_mm, "error_mm": best.error_mm }),
        Err(refusal) => json!({ "height_mm": null, "reason": refusal.to_string() }),
    });
    let shape = series.shape.map(|shape| {
        json!({
            "across_mm": shape.across_mm.map(measured),
            "down_mm": shape.down_mm.map(measured),
            "bow_mm": shape.bow_mm.map(measured),
        })
    });
    let steps: Vec<Value> = series
        .ranking
        .windows(2)
        .zip(&series.steps)
        .map(|(pair, step)| {
            json!({
                "sharper": path_json(&report.scans[pair[0].index].path),
                "softer": path_json(&report.scans[pair[1].index].path),
                "percent": percent_text(*step),
                "log_ratio": measured(*step),
            })
        })
        .collect();
    let part = report.part;
    json!({
        "ranking": ranking,
        "verdict": answers(report).first(),
        "steps": steps,
        "best_height": best,
        "shape": shape,
        "shape_in_words": series.shape.and_then(|shape| shape.verdict()),
        "edges": series.edges,
        "texture_tiles": series.tiles,
        "ppi": report.ppi,
        "part_px": [part.x0, part.y0, part.width(), part.height()],
        "cells": series.cells.iter().map(|cell| cell_json(cell, report)).collect::<Vec<_>>(),
        "failed": failed,
    })
}

fn rank_json(rank: &ScanFocus, scans: &[FocusScan]) -> Value {
    let scan = &scans[rank.index];
    json!({
        "file": path_json(&scan.path),
        "file_bytes": path_bytes_json(&scan.path),
        "height_mm": scan.height_mm,
        "relative": rank.relative.value,
        "uncertainty": rank.relative.error,
        "mtf50_cy_px": rank.mtf50_cy_px.map(|found| found.value),
        "mtf50_error_cy_px": rank.mtf50_cy_px.map(|found| found.error),
    })
}

fn cell_json(cell: &CellRank, report: &FocusReport) -> Value {
    let part = report.part;
    let px = |at: f64, from: u32, length: u32| f64::from(from) + at * f64::from(length);
    json!({
        "centre_px": [px(cell.at.0, part.x0, part.width()), px(cell.at.1, part.y0, part.height())],
        "basis": match cell.basis { FocusBasis::Edges => "edges", FocusBasis::Detail => "detail" },
        "sharpest": path_json(&report.scans[cell.best].path),
        "is_clear": cell.is_clear,
        "log_sharpness": cell.scores.iter().map(|score| score.value).collect::<Vec<_>>(),
        "log_sharpness_error": cell.scores.iter().map(|score| score.error).collect::<Vec<_>>(),
        "best_height_mm": cell.best_height_mm.map(|best| best.value),
        "best_height_error_mm": cell.best_height_mm.map(|best| best.error),
    })
}

/// What a cell of the map says: the best height there, or by how much the best scan leads.
pub(crate) fn cell_text(cell: &CellRank) -> String {
    if let Some(best) = cell.best_height_mm {
        return format!("{:+.2}", best.value);
    }
    let next = cell.scores.iter().enumerate().filter(|(idx, _)| *idx != cell.best);
    let next = next.map(|(_, score)| score.value).fold(f64::NEG_INFINITY, f64::max);
    format!("{:.0} %", 100.0 * (cell.scores[cell.best].value - next).exp_m1())
}

/// Writes the drawing and the figures of a comparison.
pub(crate) fn write_report(
    report: &FocusReport,
    document: &Value,
    (picture, text): (&Path, &Path),
    replace: bool,
) -> Result<(), EngineError> {
    if let Some(folder) = picture.parent() {
        std::fs::create_dir_all(folder).map_err(|source| glassine_scanfile::Error::Io {
            path: folder.to_owned(),
            action: "make the folder",
            source,
        })?;
    }
    let overwrite = if replace { Overwrite::Replace } else { Overwrite::Never };
    draw(report).write(picture, "comparison of focus", replace)?;
    let mut bytes = serde_json::to_vec_pretty(document).unwrap_or_default();
    bytes.push(b'\n');
    write_bytes_atomic(text, &bytes, overwrite, None)?;
    Ok(())
}

/// The map, the ranking and the same piece of film from each scan.
fn draw(report: &FocusReport) -> Canvas {
    let richest = report.places.iter().find(|place| place.is_richest);
    let pictures = richest.map_or(&[][..], |place| &place.pictures);
    let side = pictures.first().map_or(0, |picture| picture.height() as usize);
    let rows = pictures.len().div_ceil(CUTOUTS);
    let mut canvas = Canvas::new(SIZE.0, SIZE.1 + rows * (side + 34));
    let mut y = 24.0;
    // Long answers continue on the next line.
    for (nth, part) in answers(report).iter().flat_map(|line| line.split_inclusive("; ").enumerate()) {
        let left = if nth == 0 { 24.0 } else { 48.0 };
        canvas.text((left, y), Align::Left, 16.0, part, BLACK);
        y += 22.0;
    }
    let Some(series) = &report.series else { return canvas };
    draw_map(&mut canvas, report, series, y + 12.0);
    draw_ranking(&mut canvas, report, series, y + 12.0);
    for (idx, (scan, picture)) in report.scans.iter().zip(pictures).enumerate() {
        let left = 24 + idx % CUTOUTS * (SIZE.0 - 24) / CUTOUTS;
        let top = SIZE.1 + idx / CUTOUTS * (side + 34);
        let at = (left as f32, top as f32 - 12.0);
        canvas.text(at, Align::Left, 14.0, &label_of(scan), INKS[idx % INKS.len()]);
        canvas.picture((left, top), picture);
    }
    canvas
}

/// Name and height of a scan.
pub(crate) fn label_of(scan: &FocusScan) -> String {
    let name = name_of(&scan.path);
    scan.height_mm.map_or_else(|| name.clone(), |height| format!("{name}, {height:+.2} mm"))
}

fn draw_map(canvas: &mut Canvas, report: &FocusReport, series: &FocusSeries, top: f32) {
    let (part, room) = (report.part, (560.0_f32, SIZE.1 as f32 - top - 60.0));
    let (w, h) = (part.width().max(1) as f32, part.height().max(1) as f32);
    let scale = (room.0 / w).min(room.1 / h);
    let (w, h) = (w * scale, h * scale);
    let title = if series.shape.is_some() {
        "best height by place, mm"
    } else {
        "sharpest scan by place, and its lead"
    };
    canvas.text((24.0, top), Align::Left, 14.0, title, BLACK);
    let (left, top) = (24.0, top + 16.0);
    canvas.lines(
        &[(left, top), (left + w, top), (left + w, top + h), (left, top + h), (left, top)],
        1.0,
        GREY,
    );
    let half = (report.cell.0 as f32 * w / 2.0, report.cell.1 as f32 * h / 2.0);
    for cell in &series.cells {
        let (x, y) = (left + cell.at.0 as f32 * w, top + cell.at.1 as f32 * h);
        let own = INKS[cell.best % INKS.len()];
        let share = if cell.is_clear { 0.75 } else { 0.3 };
        let ink = own.map(|value| 1.0 - share * (1.0 - value));
        canvas.fill((x - half.0, y - half.1), (x + half.0, y + half.1), ink);
        if half.0 > 13.0 && half.1 > 6.0 {
            canvas.text((x, y), Align::Centre, 11.0, &cell_text(cell), BLACK);
        }
    }
}

/// Sharpness relative to the best, over height if heights are known.
fn draw_ranking(canvas: &mut Canvas, report: &FocusReport, series: &FocusSeries, top: f32) {
    let (left, right, bottom) = (680.0_f32, SIZE.0 as f32 - 40.0, SIZE.1 as f32 - 80.0);
    canvas.text((left - 44.0, top), Align::Left, 14.0, "sharpness, % of the best", BLACK);
    let top = top + 24.0;
    let lowest =
        series.ranking.iter().map(|rank| rank.relative.value - rank.relative.error).fold(1.0, f64::min);
    let lowest = (10.0 * lowest - 0.5).floor().max(0.0) / 10.0;
    let heights: Vec<f64> = report.scans.iter().filter_map(|scan| scan.height_mm).collect();
    let (low, high) = heights.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
    let by_height = heights.len() == report.scans.len() && high > low;
    let x_of = |place: f64| left + (right - left) * (0.08 + 0.84 * place) as f32;
    let y_of = |value: f64| bottom - (bottom - top) * ((value - lowest) / (1.05 - lowest)) as f32;
    for step in 0..=10 {
        let value = f64::from(step) / 10.0;
        if value >= lowest {
            canvas.lines(&[(left, y_of(value)), (right, y_of(value))], 1.0, GREY);
            canvas.text(
                (left - 8.0, y_of(value)),
                Align::Right,
                13.0,
                &format!("{:.0}", 100.0 * value),
                BLACK,
            );
        }
    }
    for (place, rank) in series.ranking.iter().enumerate() {
        let scan = &report.scans[rank.index];
        let at = match scan.height_mm.filter(|_| by_height) {
            Some(height) => (height - low) / (high - low),
            None => place as f64 / (series.ranking.len() - 1).max(1) as f64,
        };
        let (x, ink) = (x_of(at), INKS[rank.index % INKS.len()]);
        let (value, error) = (rank.relative.value, rank.relative.error);
        canvas.lines(&[(x, y_of(value - error)), (x, y_of(value + error))], 2.0, ink);
        canvas.fill((x - 5.0, y_of(value) - 5.0), (x + 5.0, y_of(value) + 5.0), ink);
        let text = scan
            .height_mm
            .filter(|_| by_height)
            .map_or_else(|| name_of(&scan.path), |h| format!("{h:+.2} mm"));
        canvas.text((x, bottom + 16.0 + 16.0 * (place % 2) as f32), Align::Centre, 13.0, &text, ink);
    }
    if let (true, Some(Ok(best))) = (by_height, series.best_height) {
        // The scores are logarithms; the parabola is drawn through the sharpest scan.
        let first = &series.ranking[0];
        let curve = |height: f64| best.bend_per_mm2 * (height - best.height_mm).powi(2);
        let peak = -report.scans[first.index].height_mm.map_or(0.0, curve);
        let points: Vec<(f32, f32)> = (0..=60)
            .map(|step| f64::from(step) / 60.0)
            .map(|t| (x_of(t), y_of((peak + curve(low + t * (high - low))).exp())))
            .filter(|(_, y)| *y <= bottom)
            .collect();
        canvas.lines(&points, 1.5, BLACK);
    }
}
