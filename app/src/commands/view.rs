//! What the window shows, where keys, buttons and Escape change the same state.
//!
//! State that a single view changes is written by that view.

use glassine_engine::{Notice, Overlay};

use super::program::GlassineApp;
use crate::model::panels::Section;
use crate::model::questions::Question;
use crate::model::ui_state::{CommandSearch, StripTool, StripViewState};

/// Changes of what the window shows.
#[derive(Debug, Clone)]
pub enum ViewCommand {
    /// Choose what the pointer does on the strip.
    SetTool(StripTool),
    /// Show the base pixels on the strip.
    ShowBasePixels(bool),
    /// Show in the overlaps of joined scans what their parts differ by.
    ShowPartDifferences(bool),
    /// Overlay of the large view.
    SetOverlay(Overlay),
    /// Show the frame before its settings, while a key or button is held.
    ShowBefore(bool),
    /// Fit the frame in its view, or show scan pixels one to one.
    SetLoupe(bool),
    /// Open this section of the settings in place of the other, or close it.
    ToggleSection(Section),
    /// Open the export pane.
    ShowExport(bool),
    /// Show a page of the guide, or close it.
    ShowGuide(Option<&'static str>),
    /// Open or close the list of commands.
    ShowCommands(bool),
    /// Show or hide the list of messages.
    ShowNotices(bool),
    /// Show or hide the list of unsaved work of earlier runs.
    ShowUnsavedWork(bool),
    /// Dark or light surround.
    SetDark(bool),
    /// Show the whole current strip.
    FitStrip,
    /// Show every strip of the session with its prints, as a contact print.
    ShowContact(bool),
    /// Show the large picture larger (above 1) or smaller, about its middle.
    ZoomPicture(f64),
    /// Divide the large picture into before and after at this share of its width; `None` shows it whole.
    Split(Option<f64>),
    /// Show the two frames selected last side by side.
    ShowBeside(bool),
    /// Show the strip larger (above 1) or smaller.
    ZoomStrip(f64),
    /// Show whole scans instead of one piece for each strip.
    ShowWholeScans(bool),
    /// Ask this in the window.
    Ask(Question),
    /// Show a message.
    Notify(Notice),
    /// Hide the message.
    DismissNotice,
}

impl GlassineApp {
    /// Changes what the window shows.
    pub(super) fn apply_view(&mut self, command: ViewCommand) {
        let state = &mut self.ui_state;
        match command {
            ViewCommand::SetTool(tool) => state.tool = tool,
            ViewCommand::ShowBasePixels(show) => state.show_base_pixels = show,
            ViewCommand::ShowPartDifferences(show) => state.show_part_differences = show,
            ViewCommand::SetOverlay(overlay) => state.frame.overlay = overlay,
            ViewCommand::ShowBefore(show) => state.frame.show_before = show,
            ViewCommand::SetLoupe(loupe) => {
                state.frame.loupe = loupe;
                state.frame.scale = 1.0;
            }
            ViewCommand::ToggleSection(section) => state.panels.toggle(section),
            ViewCommand::ShowExport(show) => {
                if state.show_export && !show {
                    // The user has seen the result of the last export.
                    self.status.export_report = None;
                }
                state.show_export = show;
            }
            ViewCommand::ShowGuide(page) => state.guide.show(page),
            ViewCommand::ShowCommands(show) => state.command_search = show.then(CommandSearch::default),
            ViewCommand::ShowNotices(show) => state.show_notices = show,
            ViewCommand::ShowUnsavedWork(show) => {
                state.files.shows_unsaved = show;
                state.files.discards = None;
            }
            ViewCommand::SetDark(dark) => state.light = !dark,
            ViewCommand::FitStrip => {
                state.strip.zoom_points = None;
                state.strip.contact = false;
            }
            ViewCommand::ShowContact(contact) => {
                state.strip.contact = contact;
                state.strip.follows_frame = None;
            }
            ViewCommand::ZoomPicture(factor) => state.frame.zoom_by(factor),
            ViewCommand::Split(at) => state.frame.split = at,
            ViewCommand::ShowBeside(beside) => state.frame.beside = beside,
            // Without a zoom setting the view fits, and zooming starts at the size shown.
            ViewCommand::ZoomStrip(factor) => {
                state.strip.contact = false;
                let points = state.strip.zoom_points.unwrap_or(state.strip.fitted_points);
                let next = StripViewState::zoomed(points, factor);
                state.strip.zoom_points = next.is_finite().then_some(next);
            }
            ViewCommand::ShowWholeScans(whole) => {
                state.strip.whole_scans = whole;
                state.strip.zoom_points = None;
            }
            ViewCommand::Ask(question) => state.question = Some(question),
            ViewCommand::Notify(notice) => self.notify(notice),
            ViewCommand::DismissNotice => self.status.notice_open = false,
        }
    }
}
