//! Cards over the strip: scans that are missing or do not match the session's record, and boxes that are outside their
//! scan.

use egui::{Align, Frame, Label, Layout, Margin, RichText, ScrollArea, Ui, vec2};
use glassine_engine::{ScanCheck, ScanState};
use glassine_session::{BoxProblem, Frame as SessionFrame, ScanRef, frame_problem};

use crate::commands::{ScanCommand, SelectCommand, SelectHow};
use crate::views::ViewCx;
use crate::widgets::icon::{Icon, paint_icon};
use crate::widgets::theme;

/// Room for two cards and a part of the third, to show that there are more.
const MOST_HEIGHT: f32 = 84.0;
const CARD_HEIGHT: f32 = 34.0;

/// Draws the cards; without a problem they take no room.
pub(super) fn scan_cards_ui(ui: &mut Ui, cx: &mut ViewCx<'_>) {
    let lost = lost_frames(cx);
    if cx.status.scan_problems.is_empty() && lost.is_empty() {
        return;
    }
    ScrollArea::vertical().id_salt("scan cards").max_height(MOST_HEIGHT).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        for problem in &cx.status.scan_problems {
            scan_card_ui(ui, cx, problem);
        }
        if !lost.is_empty() {
            boxes_card_ui(ui, cx, &lost);
        }
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
        ScanState::Missing { why } => format!("missing: {why}"),
        ScanState::Changed { what } => format!("changed since: {what}"),
        ScanState::SizeDiffers { what } => format!("another picture: {what}"),
    }
}

fn buttons_ui(ui: &mut Ui, cx: &mut ViewCx<'_>, problem: &ScanCheck, name: &str) {
    let named = |ui: &Ui, response: &egui::Response, text: &str| {
        let name = format!("{text} {name}");
        ui.ctx().accesskit_node_builder(response.id, |node| node.set_label(name));
    };
    let is_missing = matches!(problem.state, ScanState::Missing { .. });
    if !is_missing {
        let tip = "use the file as it is now; boxes that do not fit are reported";
        let response = ui.button("take it as it is").on_hover_text(tip);
        named(ui, &response, "take as it is");
        if response.clicked()
            && let Some(scan) = cx.session.scan(problem.scan)
        {
            let label = "accept the changed scan".to_owned();
            let taken = ScanRef { fingerprint: None, infrared_fingerprint: None, ..(**scan).clone() };
            cx.push(ScanCommand::Read { label, scan: Box::new(taken) });
        }
    }
    let response = ui.button("look again").on_hover_text("check again whether the right file is there");
    named(ui, &response, "look again for");
    if response.clicked() {
        cx.push(ScanCommand::Check);
    }
    let tip = "choose the folder it is in now; all missing scans are searched for there";
    let response = ui.button("find it…").on_hover_text(tip);
    named(ui, &response, "find");
    if response.clicked() {
        cx.push(ScanCommand::AskFolder);
    }
}
