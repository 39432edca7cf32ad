//! Exporting: the request to the engine, its result, and existing files that an export would replace.

use std::collections::HashSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crossbeam_channel::bounded;
use egui::Context;
use glassine_engine::jobs::Job;
use glassine_engine::{
    ContactSheetRequest, ExportReport, ExportRequest, FrameScope, Notice, SessionKey, Severity,
};
use glassine_scanfile::{Overwrite, write_bytes_atomic};
use glassine_session::file::{recipe_from_json, recipe_to_json};
use glassine_session::{Edit, ExportRecipe, FrameId, OutputSettings, Printer};

use super::closing::ExportEnd;
use super::program::GlassineApp;
use crate::commands::{Command, ViewCommand};
use crate::model::export_names::ExportNames;
use crate::model::questions::PathPurpose;
use crate::platform::clock;

/// Output settings and exports.
#[derive(Debug, Clone)]
#[expect(clippy::large_enum_variant, reason = "a command lives for one frame of the window")]
pub enum ExportCommand {
    /// Change the output settings.
    SetOutput(OutputSettings),
    /// Export frames.
    Start {
        scope: FrameScope,
        /// Replace existing files.
        replace: bool,
    },
    /// Export frames that failed again.
    TryAgain(Vec<FrameId>),
    /// Ask for the target folder.
    AskFolder,
    /// Ask for the file of a recipe.
    AskRecipe,
    /// Ask where to write this recipe of the session.
    AskRecipeFile(String),
    /// Ask for the profile of the printer that the shown recipe makes prints for.
    AskPrinter,
    /// Name the roll.
    SetTitle(String),
    /// Show a folder in the system's file manager.
    ShowFolder(PathBuf),
}

/// What a change of output settings is about, and whether it may be one of several letters or numbers that are typed
/// or pulled one after another.
fn what_changes(before: &OutputSettings, after: &OutputSettings) -> (&'static str, bool) {
    let typed = |recipe: &ExportRecipe| (recipe.folder.clone(), recipe.name_template.clone());
    let is_typed = before.recipes.len() == after.recipes.len()
        && before.recipes.iter().zip(&after.recipes).any(|(old, new)| typed(old) != typed(new));
    let changes = [
        (before.rendering != after.rendering, "rendering", false),
        (before.kind != after.kind, "the kind of file", false),
        (before.space != after.space, "the colour space", false),
        (before.folder != after.folder, "the export folder", true),
        (before.base_name != after.base_name, "the base name", true),
        (before.name_template != after.name_template, "the file names", true),
        (before.caption != after.caption, "the caption", true),
        (before.creator != after.creator, "the creator", true),
        (before.copyright != after.copyright, "the copyright", true),
        (before.digits != after.digits, "the digits of the counter", true),
        (before.jpeg_quality != after.jpeg_quality, "the JPEG quality", true),
        (before.web_long_side_px != after.web_long_side_px, "the longest side", true),
        (before.recipes != after.recipes, "recipes", is_typed),
    ];
    let change = changes.into_iter().find(|(is_changed, ..)| *is_changed);
    change.map_or(("output", false), |(_, what, is_typed)| (what, is_typed))
}

impl GlassineApp {
    /// Changes the output settings, or exports.
    pub(super) fn apply_export(&mut self, ctx: &Context, command: ExportCommand) {
        match command {
            ExportCommand::SetOutput(output) => self.set_output(output),
            ExportCommand::Start { scope, replace } => self.export(ctx, scope, replace, false),
            ExportCommand::TryAgain(frames) => self.export(ctx, FrameScope::Only(frames), false, true),
            ExportCommand::AskRecipe => self.ask_path(ctx, PathPurpose::LoadRecipe),
            ExportCommand::AskRecipeFile(name) => {
                self.ui_state.panels.export_recipe = name;
                self.ask_path(ctx, PathPurpose::SaveRecipe);
            }
            ExportCommand::AskPrinter => self.ask_path(ctx, PathPurpose::RecipePrinter),
            ExportCommand::SetTitle(title) => self.edit_joined(&Edit::SetTitle(title), None),
            ExportCommand::ShowFolder(folder) => self.show_folder(ctx, folder),
            ExportCommand::AskFolder => self.ask_path(ctx, PathPurpose::ExportFolder),
        }
    }

    /// Changes the output settings as one step; letters and numbers typed one after another are one step together.
    pub(crate) fn set_output(&mut self, output: OutputSettings) {
        let (what, is_typed) = what_changes(&self.history.current().output, &output);
        let label = format!("change {what}");
        let edit = Edit::SetOutput(output);
        if is_typed {
            self.edit_joined(&edit, Some(&label));
        } else {
            self.apply_all(&label, &[edit]);
        }
    }

    /// Applies an edit that joins the step before it if that has the same label.
    fn edit_joined(&mut self, edit: &Edit, label: Option<&str>) {
        let label = label.map_or_else(|| edit.label(), str::to_owned);
        if let Some(session) = self.after(std::slice::from_ref(edit)) {
            self.history.apply_joined(&label, session);
            self.touched();
        }
    }

    /// Exports frames into the session's folder; asks for one if the session has none.
    fn export(&mut self, ctx: &Context, scope: FrameScope, replace: bool, again: bool) {
        let at = self.session_at();
        let output = at.session.output.clone();
        let Some(folder) = output.folder.clone() else {
            self.ask_path(ctx, PathPurpose::ExportFolder);
            return;
        };
        if self.status.exporting().is_some() {
            self.notify(Notice::new(
                Severity::Info,
                "an export is running",
                "wait for it or cancel it in the status line",
            ));
            return;
        }
        self.status.export_report = None;
        self.remember_export(&output);
        self.files.exporting = Some(at.clone());
        let update = again || self.ui_state.panels.update_existing;
        let sheet = self.ui_state.panels.export_sheet.then(|| {
            Box::new(ContactSheetRequest {
                output: output.clone(),
                at: at.clone(),
                path: folder.join("contact sheet.pdf"),
                layout: self.ui_state.panels.sheet_layout,
                replace,
                name: at.session.title.clone(),
                made_on: clock::today_text(),
            })
        });
        let request = ExportRequest {
            scope,
            sheet,
            replace,
            update,
            written_at: clock::now_text(),
            ..ExportRequest::new(at, folder)
        };
        self.submit(Job::Export(Box::new(request.in_kinds(output.chosen()))));
    }

    /// Adds the recipe of a file to the session, in place of one of the same name.
    pub(super) fn load_recipe(&mut self, path: &Path) {
        let read = std::fs::read(path).map_err(|error| error.to_string());
        match read
            .and_then(|bytes| recipe_from_json(&bytes, path.parent()).map_err(|error| error.to_string()))
        {
            Ok(recipe) => {
                let mut output = self.history.current().output.clone();
                self.ui_state.panels.export_recipe.clone_from(&recipe.name);
                output.recipes.retain(|other| other.name != recipe.name);
                output.recipes.push(recipe);
                self.set_output(output);
            }
            Err(why) => {
                let headline = format!("the recipe can't be used: {why}");
                self.notify(Notice::new(Severity::Error, headline, "choose a recipe file").about(path));
            }
        }
    }

    /// Has the recipe that the export pane shows make prints for the printer of a profile.
    pub(super) fn use_recipe_printer(&mut self, profile: PathBuf) {
        let mut output = self.history.current().output.clone();
        let shown = output.recipe_or_first(&self.ui_state.panels.export_recipe);
        let before = shown.map_or_else(|| output.clone(), |at| output.recipes[at].over(&output));
        let mut print = before.print.clone();
        print.printer = Some(match print.printer.take() {
            Some(printer) => Printer { profile, ..printer },
            None => Printer::proofed(profile),
        });
        match shown {
            Some(at) => output.recipes[at].take_changes(&before, &OutputSettings { print, ..before.clone() }),
            None => output.print = print,
        }
        self.set_output(output);
    }

    /// Writes the recipe that the export pane shows to a file.
    pub(super) fn save_recipe(&mut self, path: &Path) {
        let name = &self.ui_state.panels.export_recipe;
        let recipes = &self.history.current().output.recipes;
        let Some(recipe) = recipes.iter().find(|recipe| recipe.name == *name) else { return };
        let written =
            write_bytes_atomic(path, &recipe_to_json(recipe, path.parent()), Overwrite::Replace, None);
        if let Err(error) = written {
            let notice = Notice::new(Severity::Error, error.headline(), error.hint());
            self.notify(notice.about(path));
        }
    }

    /// Opens a folder in the system's file manager, which may take a while to answer.
    fn show_folder(&mut self, ctx: &Context, folder: PathBuf) {
        let (sender, receiver) = bounded(1);
        let ctx = ctx.clone();
        let open = move || {
            if let Err(error) = open::that_detached(&folder) {
                let notice = Notice::new(
                    Severity::Warning,
                    format!("the system could not show the folder: {error}"),
                    "open it in your file manager",
                );
                // If the window has closed meanwhile, nobody needs the answer.
                if sender.send(notice.about(folder)).is_ok() {
                    ctx.request_repaint();
                }
            }
        };
        if std::thread::Builder::new().name("glassine-folder".to_owned()).spawn(open).is_ok() {
            self.files.folder_trouble = Some(receiver);
        }
    }

    /// Reports the end of an export; the panes show only exports of the current session.
    pub(crate) fn exported(&mut self, key: SessionKey, report: Arc<ExportReport>) {
        self.export_ended(ExportEnd::of(&report));
        let (written, failed) = (report.written.len(), report.failed.len());
        let whose = if key == self.key { "" } else { " for the previous session" };
        let pictures = if written == 1 { "picture" } else { "pictures" };
        let what = format!("{written} {pictures} written{whose}");
        let notice = match (report.cancelled, report.failed.first()) {
            (_, Some(first)) => Notice::new(
                Severity::Error,
                format!("{what}, {failed} failed; frame {}: {}", first.number, first.notice.headline),
                first.notice.what_to_do.clone(),
            ),
            (false, None) if !report.notices.is_empty() => {
                let first = &report.notices[0];
                Notice::new(Severity::Error, format!("{what}; {}", first.headline), first.what_to_do.clone())
            }
            (true, None) => {
                Notice::new(Severity::Warning, format!("export stopped, {what}"), "finished files are kept")
            }
            (false, None) => Notice::new(Severity::Info, what, ""),
        };
        let folder = report.written.first().and_then(|file| file.path.parent().map(PathBuf::from));
        if let (ExportEnd::Finished, Some(folder)) = (ExportEnd::of(&report), &folder) {
            self.status.no_longer_about(folder);
        }
        self.notify_of_program(match folder {
            Some(folder) => notice.about(folder),
            None => notice,
        });
        if key != self.key {
            return;
        }
        if let Some(at) = self.files.exporting.take_if(|at| at.key == key) {
            self.status.counts.take_report(&at.session, &report);
        }
        self.status.export_report = Some(report);
        self.files.looked_up = false;
        self.commands.push(Command::View(ViewCommand::ShowExport(self.ui_state.show_export)));
    }

    /// Names the files of the export that the open pane shows, if something they depend on has changed.
    pub(crate) fn name_export_files(&mut self, ctx: &Context) {
        if !self.ui_state.show_export {
            (self.status.export_names, self.files.looked_up) = (ExportNames::default(), false);
            return;
        }
        let session = self.history.current();
        let (scope, date) = (self.ui_state.export_scope(session), clock::today_text());
        if !self.status.export_names.are_of(session, &scope, &date) {
            let names = ExportNames::of(session, scope, date);
            self.files.looked_up &= names.paths().eq(self.status.export_names.paths());
            self.status.export_names = names;
        }
        self.look_for_existing(ctx);
    }

    /// Checks on another thread whether files of an export with the present settings already exist.
    fn look_for_existing(&mut self, ctx: &Context) {
        if self.files.looked_up || self.files.lookup.is_some() {
            return;
        }
        self.files.looked_up = true;
        let targets: Vec<PathBuf> = self.status.export_names.paths().cloned().collect();
        let look = move || targets.into_iter().filter(|path| path.exists()).collect::<HashSet<_>>();
        if self.options.inline_jobs {
            self.status.existing_files = look();
            return;
        }
        let (sender, receiver) = bounded(1);
        let ctx = ctx.clone();
        let work = move || {
            // If the window has closed meanwhile, the answer is dropped.
            if sender.send(look()).is_ok() {
                ctx.request_repaint();
            }
        };
        if std::thread::Builder::new().name("glassine-names".to_owned()).spawn(work).is_ok() {
            self.files.lookup = Some(receiver);
        }
    }
}
