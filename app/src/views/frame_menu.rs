//! The menu of a box or print.

use egui::{Response, Ui};
use glassine_film::ParamGroup;
use glassine_session::{Frame, FrameMark};

use super::toolbar::key_text;
use crate::commands::{BoxCommand, Command, EditCommand, JobCommand, SelectCommand, SelectHow, ViewCommand};
use crate::views::ViewCx;

/// Adds the menu to a box or print. A frame that is not selected is selected first.
pub(super) fn frame_menu(cx: &mut ViewCx<'_>, frame: &Frame, response: &Response) {
    if response.secondary_clicked() && !cx.ui_state.is_selected(frame.id) {
        cx.push(SelectCommand::Frame(frame.id, SelectHow::Only));
    }
    response.context_menu(|ui| {
        ui.set_min_width(220.0);
        let mut entry = |ui: &mut Ui, text: &str, key: &str, command: Command| {
            let key = if key.is_empty() { String::new() } else { key_text(ui, key, None) };
            if ui.add(egui::Button::new(text).shortcut_text(key)).clicked() {
                cx.out.push(command);
                ui.close();
            }
        };
        for mark in [FrameMark::Keep, FrameMark::LookAgain, FrameMark::LeaveOut] {
            let key = match mark {
                FrameMark::Keep => "mark: keep",
                FrameMark::LookAgain => "mark: look again",
                _ => "mark: leave out of the export",
            };
            entry(ui, mark.label(), key, EditCommand::SetMark(mark).into());
        }
        ui.separator();
        let copy = "copy the settings of the box or print";
        entry(ui, "copy settings", copy, EditCommand::CopyLook.into());
        if cx.ui_state.copied_look.is_some() {
            let paste = EditCommand::PasteLook(ParamGroup::ALL.to_vec());
            entry(ui, "paste settings", "paste settings onto the selected frames", paste.into());
        }
        let matched = JobCommand::MatchFrames { target: Some(frame.id) };
        if cx.ui_state.selected.len() > 1 {
            entry(ui, "match the other selected frames to this one", "", matched.into());
        }
        ui.separator();
        entry(ui, "turn clockwise", "quarter turn clockwise", EditCommand::QuarterTurn(1).into());
        let left = "quarter turn counter-clockwise";
        entry(ui, "turn counter-clockwise", left, EditCommand::QuarterTurn(-1).into());
        entry(ui, "flip left to right", "flip left to right", EditCommand::FlipHorizontally.into());
        ui.separator();
        let held = frame.held;
        let text = if held { "let the box go" } else { "hold the box in the image area" };
        entry(ui, text, "", BoxCommand::SetHeld(!held).into());
        entry(ui, "select the strip", "select the frames of the strip", SelectCommand::Strip.into());
        let contact = cx.ui_state.strip.contact;
        let text = if contact { "open the strip large" } else { "show all strips" };
        entry(ui, text, "all strips, or one", ViewCommand::ShowContact(!contact).into());
        entry(ui, "delete", "delete the selected frames", BoxCommand::Delete.into());
    });
}
