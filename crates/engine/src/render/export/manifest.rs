//! The manifest of an export folder: what was written with which settings, with checksums.

use std::collections::BTreeMap;
use std::io::{Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, open_regular, write_bytes_atomic};
use glassine_session::FrameId;
use serde::{Deserialize, Serialize};

use super::record::Record;
use crate::checksum::{compare, sha256};
use crate::error::{EngineError, Notice, Severity};
use crate::types::FolderCheck;

const NAME: &str = "export-manifest.json";
const FORMAT: &str = "glassine-export-manifest";
const VERSION: u32 = 1;
/// Metadata are at the beginning or at the end of a file; this much of each end is searched.
const SEARCHED_BYTES: u64 = 256 * 1024;

/// A file in the manifest.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Entry {
    frame: u32,
    recipe: String,
    bytes: u64,
    sha256: String,
    /// Digest of everything that the file depends on.
    #[serde(rename = "settings")]
    digest: String,
    /// Digest of what the picture is of ([`super::record::Record::source`]).
    #[serde(default)]
    source: Option<String>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Content {
    format: String,
    version: u32,
    /// By path below the folder, with `/`.
    files: BTreeMap<String, Entry>,
}

/// The manifest of a folder.
#[derive(Debug)]
pub(super) struct Manifest {
    folder: PathBuf,
    files: BTreeMap<String, Entry>,
}

impl Entry {
    pub(super) fn new(frame: FrameId, recipe: &str, record: Option<&Record>) -> Self {
        Self {
            frame: frame.0,
            recipe: recipe.to_owned(),
            bytes: 0,
            sha256: String::new(),
            digest: record.map_or_else(String::new, |record| record.digest.clone()),
            source: record.and_then(|record| record.source.clone()),
        }
    }

    /// Whether the file still has the content that was written.
    fn is_of(&self, path: &Path) -> bool {
        let is_as_long = path.symlink_metadata().is_ok_and(|there| there.len() == self.bytes);
        is_as_long && sha256(path, &CancelToken::new()).is_ok_and(|(found, _)| found == self.sha256)
    }

    /// With length and checksum of the written file.
    pub(super) fn of_file(self, path: &Path) -> Result<Self, EngineError> {
        let (sha256, bytes) = sha256(path, &CancelToken::new())?;
        Ok(Self { sha256, bytes, ..self })
    }
}

/// The manifest of a folder; `None` if it has none.
fn read(folder: &Path) -> Result<Option<Content>, EngineError> {
    let path = folder.join(NAME);
    if path.symlink_metadata().is_err() {
        return Ok(None);
    }
    let unusable = |why: String| {
        let headline = format!("the manifest of the export can't be used: {why}");
        EngineError::Permanent(Notice::new(Severity::Error, headline, "move the file away").about(&path))
    };
    let (mut file, _) = open_regular(&path)?;
    let mut bytes = Vec::new();
    file.read_to_end(&mut bytes).map_err(|error| unusable(error.to_string()))?;
    let content: Content = serde_json::from_slice(&bytes).map_err(|error| unusable(error.to_string()))?;
    match content.format == FORMAT && content.version <= VERSION {
        true => Ok(Some(content)),
        false => Err(unusable(format!("it is not a manifest of version {VERSION}"))),
    }
}

impl Manifest {
    /// The manifest of a folder, to update; empty if it has none.
    pub(super) fn of(folder: &Path) -> Result<Self, EngineError> {
        let files = read(folder)?.map(|content| content.files).unwrap_or_default();
        Ok(Self { folder: folder.to_owned(), files })
    }

    /// The manifest of a folder that has one.
    pub(super) fn existing(folder: &Path) -> Option<Self> {
        let files = read(folder).ok()??.files;
        Some(Self { folder: folder.to_owned(), files })
    }

    fn key(&self, path: &Path) -> Option<String> {
        let below = path.strip_prefix(&self.folder).ok()?;
        Some(below.iter().map(|part| part.to_string_lossy()).collect::<Vec<_>>().join("/"))
    }

    pub(super) fn lists(&self, path: &Path) -> bool {
        self.key(path).is_some_and(|key| self.files.contains_key(&key))
    }

    /// Whether a file is as an earlier run wrote it, of the same frame of the same scan.
    pub(super) fn wrote(&self, path: &Path, record: &Record) -> bool {
        self.key(path)
            .and_then(|key| self.files.get(&key))
            .is_some_and(|entry| entry.source.is_some() && entry.source == record.source && entry.is_of(path))
    }

    pub(super) fn add(&mut self, path: &Path, entry: Entry) {
        if let Some(key) = self.key(path) {
            self.files.insert(key, entry);
        }
    }

    /// Write it, without the files that are gone.
    pub(super) fn write(self) -> Result<(), EngineError> {
        let Self { folder, mut files } = self;
        files.retain(|name, _| folder.join(name).is_file());
        let content = Content { format: FORMAT.to_owned(), version: VERSION, files };
        let mut bytes = serde_json::to_vec_pretty(&content)
            .map_err(|error| EngineError::internal(&format!("a manifest could not be made: {error}")))?;
        bytes.push(b'\n');
        write_bytes_atomic(&folder.join(NAME), &bytes, Overwrite::Replace, None)?;
        Ok(())
    }
}

/// Recipe of a contact sheet in the manifest.
const SHEET: &str = "contact-sheet";

/// Add a contact sheet to the manifest of its folder.
pub(crate) fn add_sheet(folder: &Path, path: &Path) -> Result<(), EngineError> {
    let mut manifest = Manifest::of(folder)?;
    manifest.add(path, Entry::new(FrameId::default(), SHEET, None).of_file(path)?);
    manifest.write()
}

/// Whether files are pages of a contact sheet as an earlier run wrote them.
pub(crate) fn is_own_sheet(folder: &Path, pages: &[PathBuf]) -> bool {
    let Some(manifest) = Manifest::existing(folder) else { return false };
    !pages.is_empty()
        && pages.iter().all(|page| {
            let entry = manifest.key(page).and_then(|key| manifest.files.get(&key));
            entry.is_some_and(|entry| entry.recipe == SHEET && entry.is_of(page))
        })
}

/// The digest that a file of ours carries in its metadata.
pub(super) fn digest_in(path: &Path) -> Option<String> {
    let (mut file, _) = open_regular(path).ok()?;
    let length = file.metadata().ok()?.len();
    let mut found = None;
    for start in [0, length.saturating_sub(SEARCHED_BYTES)] {
        let mut part = Vec::new();
        file.seek(SeekFrom::Start(start)).ok()?;
        file.by_ref().take(SEARCHED_BYTES).read_to_end(&mut part).ok()?;
        found = found.or_else(|| glassine_scanfile::settings_digest_in(&part));
    }
    found
}

/// Compare a folder with its manifest, reading every file; `None` if it has none.
pub(crate) fn check(folder: &Path, cancel: &CancelToken) -> Result<Option<FolderCheck>, EngineError> {
    let Some(content) = read(folder)? else { return Ok(None) };
    let is_listed = |name: &str| name == NAME || content.files.contains_key(name);
    let files = content.files.iter().map(|(name, entry)| (name.as_str(), entry.sha256.as_str()));
    compare(folder, files, is_listed, cancel).map(Some)
}
