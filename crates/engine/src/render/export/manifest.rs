//! The manifest of an export folder: what was written with which settings, with checksums.

use std::collections::BTreeMap;
use std::io::{Read as _, Seek as _, SeekFrom};
use std::path::{Path, PathBuf};

use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, open_regular, write_bytes_atomic};
use glassine_session::FrameId;
use serde::{Deserialize, Serialize};

use crate::checksum::sha256;
use crate::error::{EngineError, Notice, Severity};
use crate::types::{FolderCheck, FolderFault, FolderFinding};

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
    pub(super) bytes: u64,
    sha256: String,
    /// Digest of everything that the file depends on.
    #[serde(rename = "settings")]
    pub(super) digest: String,
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
    /// Why it can't be replaced.
    foreign: Option<Notice>,
    files: BTreeMap<String, Entry>,
}

impl Entry {
    pub(super) fn new(frame: FrameId, recipe: &str, digest: String) -> Self {
        Self { frame: frame.0, recipe: recipe.to_owned(), bytes: 0, sha256: String::new(), digest }
    }

    /// With length and checksum of the written file.
    pub(super) fn of_file(self, path: &Path) -> Result<Self, EngineError> {
        let (sha256, bytes) = sha256(path, &CancelToken::new())?;
        Ok(Self { sha256, bytes, ..self })
    }
}

fn read(folder: &Path) -> Result<Content, String> {
    let bytes = std::fs::read(folder.join(NAME)).map_err(|error| error.to_string())?;
    let content: Content = serde_json::from_slice(&bytes).map_err(|error| error.to_string())?;
    match content.format == FORMAT && content.version <= VERSION {
        true => Ok(content),
        false => Err(format!("it is no manifest of version {VERSION}")),
    }
}

impl Manifest {
    pub(super) fn of(folder: &Path) -> Self {
        let (files, foreign) = match read(folder) {
            Ok(content) => (content.files, None),
            Err(_) if !folder.join(NAME).exists() => (BTreeMap::new(), None),
            Err(why) => {
                let headline =
                    format!("the manifest of the export was not written: {NAME} is not readable, {why}");
                let what_to_do = "the pictures are complete; move that file away and export again";
                let notice = Notice::new(Severity::Error, headline, what_to_do).about(folder.join(NAME));
                (BTreeMap::new(), Some(notice))
            }
        };
        Self { folder: folder.to_owned(), foreign, files }
    }

    fn key(&self, path: &Path) -> Option<String> {
        let below = path.strip_prefix(&self.folder).ok()?;
        Some(below.iter().map(|part| part.to_string_lossy()).collect::<Vec<_>>().join("/"))
    }

    pub(super) fn get(&self, path: &Path) -> Option<&Entry> {
        self.files.get(&self.key(path)?)
    }

    pub(super) fn add(&mut self, path: &Path, entry: Entry) {
        if let Some(key) = self.key(path) {
            self.files.insert(key, entry);
        }
    }

    /// Write it, without the files that are gone.
    pub(super) fn write(self) -> Result<(), EngineError> {
        let Self { folder, foreign, mut files } = self;
        if let Some(notice) = foreign {
            return Err(EngineError::Permanent(notice));
        }
        files.retain(|name, _| folder.join(name).is_file());
        let content = Content { format: FORMAT.to_owned(), version: VERSION, files };
        let mut bytes = serde_json::to_vec_pretty(&content)
            .map_err(|error| EngineError::internal(&format!("a manifest could not be made: {error}")))?;
        bytes.push(b'\n');
        write_bytes_atomic(&folder.join(NAME), &bytes, Overwrite::Replace, None)?;
        Ok(())
    }
}

/// Add a file that is not of one frame to the manifest of its folder.
pub(crate) fn add_sheet(folder: &Path, path: &Path) -> Result<(), EngineError> {
    let mut manifest = Manifest::of(folder);
    let entry = Entry::new(FrameId::default(), "contact-sheet", String::new());
    manifest.add(path, entry.of_file(path)?);
    manifest.write()
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
    let Ok(content) = read(folder) else { return Ok(None) };
    let mut findings = Vec::new();
    for (name, entry) in &content.files {
        let path = folder.join(name);
        let mut parts = Path::new(name).components();
        let leads_out = parts.any(|part| !matches!(part, std::path::Component::Normal(_)));
        let fault = if leads_out || !path.is_file() {
            Some(FolderFault::Missing)
        } else {
            match sha256(&path, cancel) {
                Ok((found, bytes)) if found == entry.sha256 && bytes == entry.bytes => None,
                Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                _ => Some(FolderFault::Changed),
            }
        };
        findings.extend(fault.map(|fault| FolderFinding { path: PathBuf::from(name), fault }));
    }
    for name in crate::checksum::files_below(folder)? {
        if name != NAME && !content.files.contains_key(&name) {
            findings.push(FolderFinding { path: PathBuf::from(name), fault: FolderFault::Extra });
        }
    }
    Ok(Some(FolderCheck { files: content.files.len(), findings }))
}
