//! The table of what is written about the frames: opening it, and tables of other programs.

use std::path::Path;

use egui::Context;
use glassine_engine::{Notice, Severity};
use glassine_scanfile::{Overwrite, write_bytes_atomic};

use super::program::GlassineApp;
use crate::model::facts_table::FactsPane;
use crate::model::questions::PathPurpose;
use crate::services::facts_csv::{edits_of, table_of};

/// What can be done with the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FactsCommand {
    /// Open or close it.
    Show(bool),
    /// Ask for a table to take the facts from.
    AskLoad,
    /// Ask where to write it.
    AskSave,
}

impl GlassineApp {
    /// Opens the table, or asks for a file.
    pub(super) fn apply_facts(&mut self, ctx: &Context, command: FactsCommand) {
        match command {
            FactsCommand::Show(show) => self.ui_state.facts = show.then(FactsPane::default),
            FactsCommand::AskLoad => self.ask_path(ctx, PathPurpose::LoadTable),
            FactsCommand::AskSave => self.ask_path(ctx, PathPurpose::SaveTable),
        }
    }

    /// Takes the facts of the frames from a table, as one step.
    pub(super) fn load_table(&mut self, path: &Path) {
        let read = std::fs::read(path).map_err(|error| format!("it can't be read: {error}"));
        match read.and_then(|bytes| edits_of(self.history.current(), &bytes)) {
            Ok(edits) if edits.is_empty() => {
                let what_to_do = "the frames have these facts already";
                self.notify(Notice::new(Severity::Info, "the table changes nothing", what_to_do).about(path));
            }
            Ok(edits) => self.edit_all("take facts from a table", &edits),
            Err(why) => {
                let what_to_do = "nothing was changed; correct the table, or write a new one";
                self.notify(
                    Notice::new(Severity::Error, format!("the table: {why}"), what_to_do).about(path),
                );
            }
        }
    }

    /// Writes the facts of the frames as a table.
    pub(super) fn save_table(&mut self, path: &Path) {
        let table = table_of(self.history.current());
        if let Err(error) = write_bytes_atomic(path, table.as_bytes(), Overwrite::Replace, None) {
            self.notify(Notice::new(Severity::Error, error.headline(), error.hint()).about(path));
        }
    }

    pub(super) fn table_file_name(&self) -> String {
        let title = self.history.current().title.trim();
        format!("{}.csv", if title.is_empty() { "roll" } else { title })
    }
}
