//! Overviews cached on disk, so that a scan that was read once is on screen at once the next time.
//!
//! They are kept in a folder beside the session, or in the user's cache folder while a session has no file. A cached
//! overview is used only if it belongs to the same file, read in the same way, and its checksums hold. Anything else is
//! ignored, as are write failures: the scan is then read again.

mod file;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::SystemTime;

use glassine_scanfile::SampledPrint;
use serde::{Deserialize, Serialize};

use crate::scans::OverviewData;

pub(crate) use file::CachedOverview;

/// Extension of cached overviews; other files in the folders are left alone.
const ENDING: &str = "overview";
/// Most bytes kept beside one session, and in the user's cache folder.
const SESSION_LIMIT_BYTES: u64 = 1 << 30;
const FALLBACK_LIMIT_BYTES: u64 = 2 << 30;
/// Overviews written at one time; each holds one in memory.
const MOST_WRITERS: usize = 8;
/// Goes up whenever linear codes or the reduction change, so that overviews of an older program are not used.
const CODES_VERSION: u32 = 1;

/// What an overview was made from. Equal identities give equal overviews.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Identity {
    pub(crate) scan: FileState,
    pub(crate) infrared: Option<FileState>,
    /// Hash of everything else that decides the codes: how the file is read, and the tables that make codes linear.
    pub(crate) reading: String,
    pub(crate) version: u32,
}

/// A file as it was: name without folder, length, time, hash of samples.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct FileState {
    name: String,
    bytes: u64,
    modified_ns: u64,
    sampled_blake3: String,
}

impl FileState {
    fn of(path: &Path) -> Option<Self> {
        let SampledPrint { bytes, modified_ns, blake3 } =
            glassine_scanfile::sampled_fingerprint(path).ok()?;
        let name = path.file_name()?.to_string_lossy().into_owned();
        Some(Self { name, bytes, modified_ns, sampled_blake3: blake3 })
    }
}

impl Identity {
    /// Read the state of the files; `None` if one can't be read.
    pub(crate) fn of(path: &Path, infrared: Option<&Path>, reading: String) -> Option<Self> {
        let infrared = match infrared {
            Some(path) => Some(FileState::of(path)?),
            None => None,
        };
        Some(Self { scan: FileState::of(path)?, infrared, reading, version: CODES_VERSION })
    }

    /// File name of the cached overview: the same for a file that was only touched, so that a new overview replaces the
    /// old.
    fn file_name(&self) -> String {
        let mut hasher = blake3::Hasher::new();
        for state in [Some(&self.scan), self.infrared.as_ref()].into_iter().flatten() {
            hasher.update(state.name.as_bytes()).update(&[0]).update(state.sampled_blake3.as_bytes());
        }
        hasher.update(self.reading.as_bytes()).update(&self.version.to_le_bytes());
        let hex = hasher.finalize().to_hex();
        format!("{}.{ENDING}", &hex.as_str()[..32])
    }
}

/// The overview cache on disk.
#[derive(Debug, Default)]
pub(crate) struct OverviewCache {
    places: Mutex<Places>,
    writers: Mutex<Vec<JoinHandle<()>>>,
}

#[derive(Debug, Default, Clone)]
struct Places {
    /// Folder beside the session.
    session_dir: Option<PathBuf>,
    /// The user's cache folder.
    fallback_dir: Option<PathBuf>,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // The guarded values are valid after every statement, so a poisoned lock can be used.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl OverviewCache {
    pub(crate) fn with_fallback(folder: Option<PathBuf>) -> Self {
        Self {
            places: Mutex::new(Places { session_dir: None, fallback_dir: folder }),
            writers: Mutex::default(),
        }
    }

    /// Set the file of the session under work, if it has one. Returns whether the folder changed.
    pub(crate) fn move_to(&self, session_path: Option<&Path>) -> bool {
        let session_dir = session_path.map(folder_beside);
        let mut places = lock(&self.places);
        let is_news = places.session_dir != session_dir;
        places.session_dir = session_dir;
        is_news
    }

    /// A cached overview made from exactly this identity.
    pub(crate) fn find(&self, identity: &Identity) -> Option<CachedOverview> {
        let Places { session_dir, fallback_dir } = lock(&self.places).clone();
        let name = identity.file_name();
        let places = [(session_dir, true), (fallback_dir, false)].into_iter();
        places
            .filter_map(|(folder, is_own)| Some((folder?.join(&name), is_own)))
            .find_map(|(path, is_own)| CachedOverview::open(&path, identity, is_own))
    }

    /// Write an overview to the cache on a separate thread; only [`Self::settle`] and dropping the engine wait for it.
    pub(crate) fn keep(&self, identity: Identity, overview: Arc<OverviewData>) {
        let places = lock(&self.places).clone();
        let mut writers = lock(&self.writers);
        writers.retain(|writer| !writer.is_finished());
        // The disk is slower than the scanner: an overview that is not kept is made again the next time.
        if writers.len() >= MOST_WRITERS {
            return;
        }
        let writer = std::thread::Builder::new().name("glassine-keep".to_owned()).spawn(move || {
            let targets =
                [(places.session_dir, SESSION_LIMIT_BYTES), (places.fallback_dir, FALLBACK_LIMIT_BYTES)];
            for (folder, limit) in targets.into_iter().filter_map(|(folder, limit)| Some((folder?, limit))) {
                if keep_in(&folder, limit, &identity, &overview) {
                    break;
                }
            }
        });
        writers.extend(writer);
    }

    /// Wait until all pending overviews are written.
    pub(crate) fn settle(&self) {
        let writers = std::mem::take(&mut *lock(&self.writers));
        for writer in writers {
            // A writer that panicked has kept nothing, which is allowed.
            drop(writer.join());
        }
    }
}

impl Drop for OverviewCache {
    fn drop(&mut self) {
        self.settle();
    }
}

/// `NAME.session.cache` for `NAME.session.json`.
fn folder_beside(session_path: &Path) -> PathBuf {
    let absolute = std::path::absolute(session_path).unwrap_or_else(|_| session_path.to_owned());
    absolute.with_extension("cache")
}

/// Write into a folder and enforce its limit; returns whether it worked.
fn keep_in(folder: &Path, limit_bytes: u64, identity: &Identity, overview: &OverviewData) -> bool {
    let is_new = !folder.exists();
    // The user's cache folder may lack its parents; beside a session only the last part is missing.
    if is_new && std::fs::create_dir_all(folder).is_err() {
        return false;
    }
    glassine_scanfile::remove_abandoned_parts(folder);
    let path = folder.join(identity.file_name());
    let written = file::write(&path, identity, overview);
    if written.is_err() && is_new {
        // Do not leave an empty folder behind.
        std::fs::remove_dir(folder).ok();
    }
    if written.is_ok() {
        hold_limit(folder, limit_bytes, &path);
    }
    written.is_ok()
}

/// Remove the least recently used overviews until the rest fits; `newest` stays.
fn hold_limit(folder: &Path, limit_bytes: u64, newest: &Path) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    let mut kept: Vec<(SystemTime, u64, PathBuf)> = entries
        .filter_map(Result::ok)
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|ending| ending == ENDING))
        .filter_map(|path| {
            let meta = path.symlink_metadata().ok().filter(std::fs::Metadata::is_file)?;
            Some((meta.modified().ok()?, meta.len(), path))
        })
        .collect();
    kept.sort();
    let mut total: u64 = kept.iter().map(|(_, bytes, _)| bytes).sum();
    for (_, bytes, path) in kept.iter().filter(|(.., path)| path != newest) {
        if total <= limit_bytes {
            break;
        }
        if std::fs::remove_file(path).is_ok() {
            total -= bytes;
        }
    }
}

#[cfg(test)]
mod tests;
