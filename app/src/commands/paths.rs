//! The paths that the user is asked for, and what is done with them.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use egui::Context;
use glassine_engine::jobs::Job;
use glassine_session::ScanRef;

use super::files::ends_with;
use super::program::GlassineApp;
use super::saving::SESSION_ENDING;
use crate::model::questions::{PathPurpose, Question};
use crate::services::file_dialogs::{PickAnswer, PickOutcome, PickRequest};

impl GlassineApp {
    pub(super) fn ask_path(&mut self, ctx: &Context, purpose: PathPurpose) {
        let session = self.history.current();
        let title = if session.title.trim().is_empty() { "roll" } else { session.title.trim() };
        let request = PickRequest {
            purpose,
            folder: self.begin_folder(purpose),
            suggested_name: match purpose {
                PathPurpose::SaveStock => self.stock_file_name(),
                PathPurpose::WriteJoined(_) => format!("{title}.tif"),
                PathPurpose::SaveRecipe => self.recipe_file_name(),
                PathPurpose::SaveTable => self.table_file_name(),
                _ => match self.free_name() {
                    Some(path) => path.file_name().unwrap_or_default().to_string_lossy().into_owned(),
                    None => format!("{title}.{SESSION_ENDING}"),
                },
            },
        };
        let ctx = ctx.clone();
        self.picker.ask(request, Arc::new(move || ctx.request_repaint()));
    }

    /// Folder that a dialog begins in: that of what it is about, else the one used last. The demo's is never offered.
    fn begin_folder(&self, purpose: PathPurpose) -> Option<PathBuf> {
        let session = self.history.current();
        let last = &self.remembered.folders;
        let is_own = !self.status.is_demo;
        let of_scan = |scan: &Arc<ScanRef>| scan.path.parent().map(Path::to_path_buf);
        let scans = || session.scans.first().and_then(of_scan).filter(|_| is_own);
        let own = || self.status.folder().map(|folder| folder.to_path_buf()).filter(|_| is_own);
        // Of a session that is gone, the nearest folder that is left.
        let sought = || self.files.sought.as_ref()?.ancestors().skip(1).find(|folder| folder.is_dir());
        match purpose {
            PathPurpose::Open if self.files.sought.is_some() => sought().map(Path::to_path_buf),
            PathPurpose::Open | PathPurpose::FocusScans => {
                last.scans.clone().or_else(|| last.sessions.clone()).or_else(own).or_else(scans)
            }
            PathPurpose::SaveAs
            | PathPurpose::SaveStock
            | PathPurpose::LoadStock
            | PathPurpose::SaveRecipe
            | PathPurpose::LoadRecipe
            | PathPurpose::SaveTable
            | PathPurpose::LoadTable => own().or_else(|| last.sessions.clone()).or_else(scans),
            PathPurpose::FocusFolder => last.scans.clone().or_else(scans).or_else(own),
            PathPurpose::ExportFolder => {
                session.output.folder.clone().or_else(|| last.exports.clone()).or_else(own).or_else(scans)
            }
            PathPurpose::ScanFolder => {
                let missing = self.status.scan_problems.first().and_then(|check| check.path.parent());
                missing.map(Path::to_path_buf).or_else(own).or_else(|| last.scans.clone())
            }
            PathPurpose::WatchedFolder => last.scans.clone().or_else(own),
            PathPurpose::ScansInto => {
                let chosen = self.remembered.scanner_habits.folder.clone();
                chosen.or_else(own).or_else(|| last.scans.clone())
            }
            PathPurpose::Infrared(id) | PathPurpose::WriteJoined(id) => {
                session.scan(id).and_then(of_scan).or_else(own)
            }
            // The system's dialog knows best where profiles are kept.
            PathPurpose::ScreenProfile | PathPurpose::PrinterProfile | PathPurpose::RecipePrinter => None,
        }
    }

    /// Takes answers of the file dialog and of the lookup of existing files.
    pub(crate) fn poll_files(&mut self, ctx: &Context) {
        if let Some(PickAnswer { purpose, outcome }) = self.picker.poll() {
            match outcome {
                PickOutcome::Chosen(paths) => self.use_paths(ctx, purpose, paths),
                PickOutcome::NoDialog => {
                    let text = self.typed_suggestion(purpose);
                    self.ui_state.question = Some(Question::TypePath { purpose, text });
                }
                PickOutcome::Cancelled => {
                    self.files.after_naming = None;
                    self.files.sought = None;
                    self.forget_what_waits_for_a_folder();
                }
            }
        }
        if let Some(notice) = self.files.folder_trouble.as_ref().and_then(|trouble| trouble.try_recv().ok()) {
            self.files.folder_trouble = None;
            self.notify_of_program(notice);
        }
        if let Some(found) = self.files.lookup.as_ref().and_then(|lookup| lookup.try_recv().ok()) {
            self.files.lookup = None;
            self.status.existing_files = found;
        }
    }

    fn typed_suggestion(&self, purpose: PathPurpose) -> String {
        let folder = self.begin_folder(purpose).unwrap_or_default();
        let path = match purpose {
            PathPurpose::Open
            | PathPurpose::LoadStock
            | PathPurpose::LoadRecipe
            | PathPurpose::Infrared(_)
            | PathPurpose::ScreenProfile
            | PathPurpose::PrinterProfile
            | PathPurpose::RecipePrinter
            | PathPurpose::LoadTable
            | PathPurpose::FocusScans => return String::new(),
            PathPurpose::ScanFolder
            | PathPurpose::ScansInto
            | PathPurpose::WatchedFolder
            | PathPurpose::ExportFolder
            | PathPurpose::FocusFolder => folder,
            PathPurpose::SaveStock => folder.join(self.stock_file_name()),
            PathPurpose::WriteJoined(_) => folder.join("joined.tif"),
            PathPurpose::SaveRecipe => folder.join(self.recipe_file_name()),
            PathPurpose::SaveTable => folder.join(self.table_file_name()),
            PathPurpose::SaveAs => match self.free_name() {
                Some(path) => path,
                None => {
                    let title = self.history.current().title.trim();
                    folder.join(format!("{}.{SESSION_ENDING}", if title.is_empty() { "roll" } else { title }))
                }
            },
        };
        path.display().to_string()
    }

    fn recipe_file_name(&self) -> String {
        format!("{}.recipe.json", self.ui_state.panels.export_recipe)
    }

    pub(super) fn use_paths(&mut self, ctx: &Context, purpose: PathPurpose, paths: Vec<PathBuf>) {
        match purpose {
            PathPurpose::Open => {
                let is_session = paths.iter().any(|path| ends_with(path, ".json"));
                if let Some(gone) = self.files.sought.take().filter(|_| is_session) {
                    self.remembered.forget_session(&gone);
                }
                self.open(paths);
            }
            PathPurpose::SaveAs => {
                if let Some(path) = paths.into_iter().next() {
                    let Some(id) = self.save_as(ctx, path) else { return };
                    self.files.after_save = self.files.after_naming.take().map(|action| (id, action));
                }
            }
            PathPurpose::SaveStock => {
                if let Some(path) = paths.into_iter().next() {
                    self.save_stock(path);
                }
            }
            PathPurpose::WriteJoined(scan) => {
                if let Some(path) = paths.into_iter().next() {
                    let path = if path.extension().is_some() { path } else { path.with_extension("tif") };
                    self.submit(Job::WriteScan { scan, path });
                }
            }
            PathPurpose::SaveRecipe
            | PathPurpose::LoadRecipe
            | PathPurpose::RecipePrinter
            | PathPurpose::LoadTable
            | PathPurpose::SaveTable => {
                let Some(path) = paths.into_iter().next() else { return };
                match purpose {
                    PathPurpose::SaveRecipe => self.save_recipe(&path),
                    PathPurpose::LoadRecipe => self.load_recipe(&path),
                    PathPurpose::LoadTable => self.load_table(&path),
                    PathPurpose::SaveTable => self.save_table(&path),
                    _ => self.use_recipe_printer(path),
                }
            }
            PathPurpose::LoadStock => {
                if let Some(path) = paths.into_iter().next() {
                    self.submit(Job::LoadStock { path });
                }
            }
            PathPurpose::ScanFolder => {
                self.submit(Job::Relink { folders: paths });
            }
            PathPurpose::WatchedFolder => {
                if let Some(folder) = paths.first() {
                    self.watch_folder(ctx, folder);
                }
            }
            PathPurpose::ScansInto => self.use_scans_folder(ctx, paths.into_iter().next()),
            PathPurpose::Infrared(scan) => self.use_infrared(scan, paths.into_iter().next()),
            PathPurpose::ScreenProfile => self.ui_state.screen.profile_file = paths.into_iter().next(),
            PathPurpose::PrinterProfile => {
                if let Some(path) = paths.into_iter().next() {
                    self.use_printer_profile(path);
                }
            }
            PathPurpose::FocusScans => self.open_focus(paths),
            PathPurpose::FocusFolder => {
                if let Some(folder) = paths.first() {
                    self.save_focus(ctx, folder);
                }
            }
            PathPurpose::ExportFolder => {
                let mut output = self.history.current().output.clone();
                output.folder = paths.into_iter().next();
                self.set_output(output);
                self.ui_state.show_export = true;
            }
        }
    }
}
