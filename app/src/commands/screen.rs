//! The profile of the screen and the soft proof.

use egui::Context;

use super::program::GlassineApp;
use crate::model::questions::PathPurpose;
use crate::model::screen_state::{ProofChoice, ProofOf};
use crate::services::screen_colours::Wish;
use crate::services::screen_pixels::Conversion;

/// Changes of how pictures are brought to the screen.
#[derive(Debug, Clone, PartialEq)]
pub enum ScreenCommand {
    /// Ask for the profile of the screen.
    AskProfile,
    /// Use the profile that the system names.
    UseSystemProfile,
    /// Ask for the profile of a printer, then proof prints with it.
    AskPrinter,
    /// Proof pictures in this way.
    SetProof(ProofChoice),
}

impl GlassineApp {
    /// Changes how pictures are brought to the screen.
    pub(super) fn apply_screen(&mut self, ctx: &Context, command: ScreenCommand) {
        match command {
            ScreenCommand::AskProfile => self.ask_path(ctx, PathPurpose::ScreenProfile),
            ScreenCommand::UseSystemProfile => self.ui_state.screen.profile_file = None,
            ScreenCommand::AskPrinter => self.ask_path(ctx, PathPurpose::PrinterProfile),
            ScreenCommand::SetProof(choice) => self.ui_state.proof = choice,
        }
    }

    /// Proofs prints of this printer.
    pub(super) fn use_printer_profile(&mut self, path: std::path::PathBuf) {
        let proof = &mut self.ui_state.proof;
        (proof.is_on, proof.of, proof.printer_file) = (true, ProofOf::Print, Some(path));
        proof.printed = None;
    }

    /// Keeps the conversion to the screen up to date: with the screen the window is on, its profile, and the proof.
    pub(crate) fn follow_screen(&mut self, ctx: &Context) {
        let pixels = ctx.pixels_per_point();
        let center = ctx.input(|input| input.viewport().outer_rect).map(|rect| rect.center() * pixels);
        let output = &self.history.current().output;
        let export = glassine_film::OutputSpace::from_key(&output.space).unwrap_or_default();
        let printed = self.ui_state.proof.printed.filter(|_| self.ui_state.proof.of == ProofOf::Print);
        let wish = Wish {
            screen: self.ui_state.screen.clone(),
            center_px: center.map(|center| (center.x as i32, center.y as i32)),
            proof: self.ui_state.proof.clone(),
            export: printed.unwrap_or(export),
        };
        let inline = self.options.inline_jobs;
        if !self.screen.run(ctx, wish, inline) {
            return;
        }
        let tables = self.screen.tables();
        self.status.screen = tables.facts.clone();
        let wake_ctx = ctx.clone();
        self.previews.convert_with(tables.table.clone().map(|table| Conversion {
            table,
            wake: (!inline).then(|| -> std::sync::Arc<dyn Fn() + Send + Sync> {
                std::sync::Arc::new(move || wake_ctx.request_repaint())
            }),
        }));
    }
}
