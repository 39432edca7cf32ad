//! Everything the window can request, as values: views push commands, only the app carries them out.
//!
//! Each domain has a file: its commands, and the code that carries them out.

mod answers;
mod autosave;
pub(crate) mod boxes;
mod clean;
pub(crate) mod closing;
mod colour;
pub mod command_list;
mod edit;
mod export;
mod facts;
pub(crate) mod files;
pub(crate) mod job_events;
mod jobs;
pub mod key_page;
pub mod key_table;
mod notices;
mod paths;
pub mod program;
mod remember;
mod saving;
pub(crate) mod scanner;
pub(crate) mod scans;
mod screen;
mod select;
pub(crate) mod sharpness;
mod view;

use egui::Context;

pub use boxes::BoxCommand;
pub use clean::CleanCommand;
pub use colour::ColourCommand;
pub use edit::{EditCommand, GesturePhase};
pub use export::ExportCommand;
pub use facts::FactsCommand;
pub use files::FileCommand;
pub use jobs::JobCommand;
pub use scanner::ScannerCommand;
pub use scans::ScanCommand;
pub use screen::ScreenCommand;
pub use select::{SelectCommand, SelectHow};
pub use sharpness::SharpnessCommand;
pub use view::ViewCommand;

use program::GlassineApp;

/// One request of a view or a key.
#[derive(Debug, Clone)]
pub enum Command {
    /// Change the session, undo, redo.
    Edit(EditCommand),
    /// Place, size, add or delete boxes.
    Box(BoxCommand),
    /// Change the selection.
    Select(SelectCommand),
    /// Open and save; close the window.
    File(FileCommand),
    /// Check scans, read them in another way.
    Scan(ScanCommand),
    /// Start or stop work of the engine.
    Job(JobCommand),
    /// Output settings and exports.
    Export(ExportCommand),
    /// Change what the window shows.
    View(ViewCommand),
    /// Variations of a frame, measured stocks.
    Colour(ColourCommand),
    /// Repair brush, view without repair.
    Clean(CleanCommand),
    /// Profile of the screen, soft proof.
    Screen(ScreenCommand),
    /// Edges, what sharpening does, scans at several heights.
    Sharpness(SharpnessCommand),
    /// The table of what is written about the frames.
    Facts(FactsCommand),
    /// Devices, overviews, a file for each frame.
    Scanner(ScannerCommand),
}

macro_rules! command_from {
    ($($domain:ident $command:ident),*) => {
        $(impl From<$command> for Command {
            fn from(command: $command) -> Self {
                Self::$domain(command)
            }
        })*
    };
}

command_from!(
    Edit EditCommand, Box BoxCommand, Select SelectCommand, File FileCommand, Scan ScanCommand, Job JobCommand,
    Export ExportCommand, View ViewCommand, Colour ColourCommand, Clean CleanCommand,
    Screen ScreenCommand, Sharpness SharpnessCommand,
    Facts FactsCommand, Scanner ScannerCommand
);

impl GlassineApp {
    /// Carries out one command.
    pub(crate) fn apply_command(&mut self, ctx: &Context, command: Command) {
        if !matches!(&command, Command::Box(command) if command.key_verb().is_some()) {
            self.end_key_presses();
        }
        match command {
            Command::Edit(command) => self.apply_edit(ctx, command),
            Command::Box(command) => self.apply_box(ctx, command),
            Command::Select(command) => self.apply_select(command),
            Command::File(command) => self.apply_file(ctx, command),
            Command::Scan(command) => self.apply_scan(ctx, command),
            Command::Job(command) => self.apply_job(command),
            Command::Export(command) => self.apply_export(ctx, command),
            Command::View(command) => self.apply_view(command),
            Command::Colour(command) => self.apply_colour(ctx, command),
            Command::Clean(command) => self.apply_clean(command),
            Command::Screen(command) => self.apply_screen(ctx, command),
            Command::Sharpness(command) => self.apply_sharpness(ctx, command),
            Command::Facts(command) => self.apply_facts(ctx, command),
            Command::Scanner(command) => self.apply_scanner(ctx, command),
        }
    }
}
