//! What an export will write: every file with its name, and whether it has to be made.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_scanfile::{Metadata, Overwrite};
use glassine_session::Frame;

use super::inputs::Printers;
use super::manifest::{Entry, Manifest, digest_in};
use super::paths::paths_of_kinds;
use super::record::Record;
use crate::error::{EngineError, Notice, Severity};
use crate::types::{ExportRequest, PlannedFile, PlannedState};

/// A file of an export.
#[derive(Debug, Clone)]
pub(super) struct PlannedEntry {
    /// Position of its frame.
    pub(super) place: usize,
    /// Position of its kind.
    pub(super) kind: usize,
    pub(super) frame: Arc<Frame>,
    pub(super) path: Result<PathBuf, Notice>,
    pub(super) state: PlannedState,
    /// What the manifest will say of it, if there is one.
    pub(super) entry: Option<Entry>,
    record: Option<Record>,
}

/// Every file of an export with its name, not yet compared with what is there.
pub(super) fn plan(request: &ExportRequest, frames: &[Arc<Frame>]) -> Vec<PlannedEntry> {
    let date = request.written_at.split(' ').next().unwrap_or_default().replace(':', "-");
    let kinds = request.kinds();
    let paths = paths_of_kinds(&request.at.session, frames, &request.folder, &kinds, &date);
    let planned = paths.into_iter().enumerate().map(|(idx, path)| PlannedEntry {
        place: idx % frames.len(),
        kind: idx / frames.len(),
        frame: Arc::clone(&frames[idx % frames.len()]),
        state: if path.is_ok() { PlannedState::New } else { PlannedState::Refused },
        path,
        entry: None,
        record: None,
    });
    planned.collect()
}

impl PlannedEntry {
    /// Compare with the file that is there, if there is one.
    pub(super) fn decide(
        &mut self,
        request: &ExportRequest,
        printers: &Printers,
        manifest: Option<&Manifest>,
    ) {
        let Ok(path) = &self.path else { return };
        let kinds = request.kinds();
        let output = kinds[self.kind];
        self.record =
            Record::of(request, output, printers.get(self.kind).and_then(Option::as_deref), &self.frame);
        let record = self.record.as_ref();
        self.state = match path.symlink_metadata() {
            Err(_) => PlannedState::New,
            Ok(_) if !request.update => on_conflict(request.replace),
            // What the file says of itself comes first: the manifest of a run that was killed knows less.
            Ok(_) if record.is_some_and(|record| digest_in(path).as_ref() == Some(&record.digest)) => {
                PlannedState::Unchanged
            }
            Ok(_) if manifest.zip(record).is_some_and(|(manifest, record)| manifest.wrote(path, record)) => {
                PlannedState::Changed
            }
            // Of another frame or session, or written to since.
            Ok(_) => on_conflict(request.replace),
        };
        self.entry = manifest.map(|_| Entry::new(self.frame.id, output.recipe_name(), record));
    }

    pub(super) fn path(&self) -> Result<&Path, EngineError> {
        match &self.path {
            Ok(path) => Ok(path),
            Err(notice) => Err(EngineError::Permanent(notice.clone())),
        }
    }

    pub(super) fn overwrite(&self) -> Overwrite {
        match self.state {
            PlannedState::Changed | PlannedState::Replaced => Overwrite::Replace,
            _ => Overwrite::Never,
        }
    }

    /// Add the record of the settings to what is written into the file.
    pub(super) fn describe(&self, metadata: &mut Metadata) {
        if let Some(record) = &self.record {
            metadata.settings_digest.clone_from(&record.digest);
            metadata.settings.clone_from(&record.settings);
        }
    }

    /// For the user.
    pub(super) fn shown(self, request: &ExportRequest) -> PlannedFile {
        let kinds = request.kinds();
        let output = kinds[self.kind];
        let (path, notice) = match self.path {
            Ok(path) if self.state == PlannedState::Refused => {
                let what_to_do = "choose another folder or name, or have files replaced";
                let notice = Notice::new(Severity::Error, "the file exists", what_to_do).about(&path);
                (Some(path), Some(notice))
            }
            Ok(path) => (Some(path), None),
            Err(notice) => (None, Some(notice)),
        };
        PlannedFile {
            frame: self.frame.id,
            number: output.number_of(&self.frame, 1),
            recipe: output.recipe_name().to_owned(),
            path,
            state: self.state,
            notice,
        }
    }
}

fn on_conflict(replace: bool) -> PlannedState {
    if replace { PlannedState::Replaced } else { PlannedState::Refused }
}
