//! Cards about scans that are missing or do not match the session's record, and about boxes outside their scan. They
//! lie over the strip; that of a missing scan lies in place of its strip.

use std::path::{Path, PathBuf};

use egui::{
    Align, Frame, Label, Layout, Margin, Rect, RichText, ScrollArea, Stroke, StrokeKind, Ui, UiBuilder, vec2,
};
use glassine_engine::{ScanCheck, ScanState};
use glassine_session::{BoxProblem, Frame as SessionFrame, ScanId, ScanRef, frame_problem};

use super::strip_view::StripPlace;
use crate::commands::{ScanCommand, SelectCommand, SelectHow};
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, paint_icon};
use crate::widgets::theme;

/// Room for two cards and a part of the third, to show that there are more.
const MOST_HEIGHT: f32 = 84.0;
const CARD_HEIGHT: f32 = 34.0;
/// Size of a card in place of a strip, points.
const PLACE_SIZE: egui::Vec2 = vec2(520.0, 84.0);
/// Least room for such a card, points.
const PLACE_LEAST: egui::Vec2 = vec2(240.0, 60.0);

/// Draws the cards; without a problem they take no room.
pub(super) fn scan_cards_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let lost = lost_frames(cx);
    let current = cx.scan();
    // The card of the current scan is in place of its strip.
    let is_here =
        |problem: &&ScanCheck| Some(problem.scan) != current || !is_without_picture(cx, problem.scan);
    let problems: Vec<&ScanCheck> = cx.status.scan_problems.iter().filter(is_here).collect();
    if problems.is_empty() && lost.is_empty() {
        return;
    }
    ScrollArea::vertical().id_salt("scan cards").max_height(MOST_HEIGHT).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        let (gone, other): (Vec<&ScanCheck>, Vec<&ScanCheck>) =
            problems.into_iter().partition(|problem| is_gone(problem));
        for (folder, checks) in by_folder(&gone) {
            folder_card_ui(ui, cx, &folder, &checks);
        }
        for problem in other {
            scan_card_ui(ui, cx, problem);
        }
        if !lost.is_empty() {
            boxes_card_ui(ui, cx, &lost);
        }
    });
}

fn is_gone(problem: &ScanCheck) -> bool {
    matches!(problem.state, ScanState::Missing { is_gone: true, .. })
}

/// Whether a scan is missing and nothing of it can be shown.
pub(super) fn is_without_picture(cx: &ViewCx<'_>, scan: ScanId) -> bool {
    let is_missing =
        |problem: &ScanCheck| problem.scan == scan && matches!(problem.state, ScanState::Missing { .. });
    cx.previews.overview(scan).is_empty() && cx.status.scan_problems.iter().any(is_missing)
}

/// Missing scans by the folder they were in, in order.
fn by_folder<'a>(gone: &[&'a ScanCheck]) -> Vec<(PathBuf, Vec<&'a ScanCheck>)> {
    let mut folders: Vec<(PathBuf, Vec<&ScanCheck>)> = Vec::new();
    for check in gone {
        let folder = check.path.parent().unwrap_or(Path::new(""));
        match folders.iter_mut().find(|(known, _)| known == folder) {
            Some((_, checks)) => checks.push(check),
            None => folders.push((folder.to_owned(), vec![check])),
        }
    }
    folders
}

/// One card for all missing scans of a folder: one answer finds them all.
fn folder_card_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, folder: &Path, checks: &[&ScanCheck]) {
    let [check] = checks else {
        let name = format!("{} scans", checks.len());
        let what = format!("missing from {}", folder.display());
        card_ui(ui, &name, &what, |ui| find_ui(ui, cx, &name));
        return;
    };
    scan_card_ui(ui, cx, check);
}

/// Draws the cards of missing scans in place of their strips.
pub(super) fn missing_cards_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, place: &StripPlace) {
    let mut drawn: Vec<ScanId> = Vec::new();
    for piece in &place.space.pieces {
        let seen = place.view.piece_rect(piece).intersect(place.view.rect);
        let has_room = seen.width() >= PLACE_LEAST.x && seen.height() >= PLACE_LEAST.y;
        if drawn.contains(&piece.scan) || !has_room || !is_without_picture(cx, piece.scan) {
            continue;
        }
        drawn.push(piece.scan);
        let Some(problem) = cx.status.scan_problems.iter().find(|problem| problem.scan == piece.scan) else {
            continue;
        };
        let size = PLACE_SIZE.min(seen.size() - vec2(12.0, 8.0));
        missing_card_ui(ui, cx, problem, Rect::from_center_size(seen.center(), size));
    }
}

/// Name of the missing file, the folder where it was, and the button that finds it.
fn missing_card_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, problem: &ScanCheck, rect: Rect) {
    let p = theme::palette(ui);
    ui.painter().rect_filled(rect, 6.0, p.panel);
    ui.painter().rect_stroke(rect, 6.0, Stroke::new(1.0, p.line), StrokeKind::Inside);
    let name = problem.path.file_name().unwrap_or(problem.path.as_os_str()).to_string_lossy();
    let folder = problem.path.parent().unwrap_or(Path::new(""));
    let is_beside = |other: &&ScanCheck| is_gone(other) && other.path.parent() == Some(folder);
    let more = cx.status.scan_problems.iter().filter(is_beside).count().saturating_sub(1);
    let more = match more {
        0 => String::new(),
        1 => ", as was 1 more scan".to_owned(),
        more => format!(", as were {more} more scans"),
    };
    cx.ui_state.guide.places.push((rect, "sessions"));
    let inner = rect.shrink2(vec2(14.0, 6.0));
    let layout = Layout::right_to_left(Align::Center);
    ui.scope_builder(UiBuilder::new().max_rect(inner).layout(layout), |ui| {
        ui.spacing_mut().item_spacing.x = 10.0;
        find_ui(ui, cx, &name);
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            let (sign, _) = ui.allocate_exact_size(vec2(18.0, 18.0), egui::Sense::hover());
            paint_icon(ui.painter(), sign, Icon::Warn, p.warn);
            // Three lines, in the middle of the height.
            let line = ui.text_style_height(&egui::TextStyle::Body);
            let text = Rect::from_min_max(
                egui::pos2(ui.cursor().left(), inner.center().y - 1.5 * line - 2.0),
                egui::pos2(ui.max_rect().right(), inner.bottom()),
            );
            ui.scope_builder(UiBuilder::new().max_rect(text).layout(Layout::top_down(Align::Min)), |ui| {
                ui.spacing_mut().item_spacing.y = 2.0;
                let strong = RichText::new(&*name).text_style(theme::strong_style()).color(p.text_strong);
                ui.add(Label::new(strong).truncate());
                ui.add(Label::new(RichText::new(what_is_wrong(&problem.state)).color(p.text)).truncate());
                let was = format!("it was in {}{more}", folder.display());
                ui.add(Label::new(RichText::new(was).small().color(p.text_weak)).truncate());
            });
        });
    });
}

/// Frames that cannot have a picture: their boxes are not visible on the strip.
fn lost_frames<'a>(cx: &ViewCx<'a>) -> Vec<(&'a SessionFrame, BoxProblem)> {
    let frames = cx.session.frames.iter().map(AsRef::as_ref);
    let problems = frames.filter_map(|frame| Some((frame, frame_problem(cx.session, frame)?)));
    problems.filter(|(_, problem)| problem.is_fatal()).collect()
}

fn boxes_card_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, lost: &[(&SessionFrame, BoxProblem)]) {
    let numbers: Vec<String> = lost.iter().map(|(frame, _)| cx.session.number_text(frame)).collect();
    let frames = if lost.len() == 1 { "frame" } else { "frames" };
    let name = format!("{frames} {}", numbers.join(", "));
    let text = lost.first().map(|(_, problem)| problem.to_string()).unwrap_or_default();
    card_ui(ui, &name, &text, |ui| {
        if ui.button("select").on_hover_text("then move, delete or find them again").clicked() {
            for (nth, (frame, _)) in lost.iter().enumerate() {
                let how = if nth == 0 { SelectHow::Only } else { SelectHow::Toggle };
                cx.push(SelectCommand::Frame(frame.id, how));
            }
        }
    });
}

fn scan_card_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, problem: &ScanCheck) {
    let name = problem.path.file_name().unwrap_or(problem.path.as_os_str()).to_string_lossy();
    card_ui(ui, &name, &what_is_wrong(&problem.state), |ui| buttons_ui(ui, cx, problem, &name));
}

/// The subject and the problem, with buttons at the right end.
fn card_ui(ui: &mut Ui, name: &str, what: &str, buttons: impl FnOnce(&mut Ui)) {
    let p = theme::palette(ui);
    let width = ui.available_width();
    Frame::new().fill(p.panel).inner_margin(Margin::symmetric(10, 0)).show(ui, |ui| {
        let size = vec2(width - 20.0, CARD_HEIGHT);
        ui.allocate_ui_with_layout(size, Layout::right_to_left(Align::Center), |ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            buttons(ui);
            ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
                let (rect, _) = ui.allocate_exact_size(vec2(16.0, 16.0), egui::Sense::hover());
                paint_icon(ui.painter(), rect, Icon::Warn, p.warn);
                let name = RichText::new(name).text_style(theme::strong_style()).color(p.text_strong);
                ui.add(Label::new(name));
                ui.add(Label::new(RichText::new(what).color(p.text)).truncate());
            });
        });
    });
}

fn what_is_wrong(state: &ScanState) -> String {
    match state {
        ScanState::Same => String::new(),
        ScanState::Missing { why, is_gone: true } => format!("missing: {why}"),
        ScanState::Missing { why, is_gone: false } => format!("can't be read: {why}"),
        ScanState::Changed { what } => format!("changed since: {what}"),
        ScanState::SizeDiffers { what } => format!("another picture: {what}"),
    }
}

fn buttons_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, problem: &ScanCheck, name: &str) {
    let is_missing = matches!(problem.state, ScanState::Missing { .. });
    if !is_missing {
        let tip = "use the file as it is now; boxes that do not fit are reported";
        let response = ui.button("take it as it is").on_hover_text(tip);
        named(ui, &response, "take as it is", name);
        if response.clicked()
            && let Some(scan) = cx.session.scan(problem.scan)
        {
            let label = "accept the changed scan".to_owned();
            let taken = ScanRef { fingerprint: None, infrared_fingerprint: None, ..(**scan).clone() };
            cx.push(ScanCommand::Read { label, scan: Box::new(taken) });
        }
    }
    let response = ui.button("look again").on_hover_text("check again whether the right file is there");
    named(ui, &response, "look again for", name);
    if response.clicked() {
        cx.push(ScanCommand::Check);
    }
    find_ui(ui, cx, name);
}

/// Gives a button a name that says what it is about.
fn named(ui: &Ui, response: &egui::Response, text: &str, subject: &str) {
    let name = format!("{text} {subject}");
    ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(name));
}

fn find_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, name: &str) {
    let tip = "choose the folder it is in now; all missing scans are searched for there. It is found by itself when the \
               file comes back";
    let response = ui.button("find it…").on_hover_text(tip);
    named(ui, &response, "find", name);
    if response.clicked() {
        cx.push(ScanCommand::AskFolder);
    }
}
