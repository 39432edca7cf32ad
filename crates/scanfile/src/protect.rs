//! Files that must never be written: the scans, infrared planes and other inputs of the sessions in use.
//!
//! The registry is process-wide, because every writer of the product must see every input of every open session.
//! A file is known by its place (device and inode, after links) and by its path. An inode number can be reused after
//! its file was removed; the time of birth tells the two files apart, if the file system keeps it.

use std::collections::BTreeMap;
use std::fs::{File, Metadata};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::SystemTime;

/// Identifies a file, whatever its names.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Identity {
    device: u64,
    inode: u64,
    born: Option<SystemTime>,
}

impl Identity {
    #[cfg(unix)]
    pub(crate) fn of(meta: &Metadata) -> Option<Self> {
        use std::os::unix::fs::MetadataExt as _;
        Some(Self { device: meta.dev(), inode: meta.ino(), born: meta.created().ok() })
    }

    /// Other systems give no stable number for a file, so only paths decide there.
    #[cfg(not(unix))]
    pub(crate) fn of(_meta: &Metadata) -> Option<Self> {
        None
    }

    fn at(path: &Path) -> Option<Self> {
        path.metadata().ok().as_ref().and_then(Self::of)
    }

    pub(crate) fn has_place_of(&self, other: &Self) -> bool {
        (self.device, self.inode) == (other.device, other.inode)
    }
}

#[derive(Debug)]
struct Entry {
    /// The registered path, made absolute.
    path: PathBuf,
    /// The same with links in its folder resolved, and with all links resolved.
    names: [PathBuf; 2],
    identity: Option<Identity>,
    /// An open handle keeps the inode from being reused.
    is_held_open: bool,
}

impl Entry {
    fn new(path: &Path, identity: Option<Identity>, is_held_open: bool) -> Self {
        let path = absolute(path);
        let names = [in_real_folder(&path), real(&path)];
        Self { path, names, identity, is_held_open }
    }

    /// Whether writing to a file of this name and identity changes the registered file.
    fn covers(&self, names: &[PathBuf; 3], identity: Option<Identity>) -> bool {
        let is_named = names.iter().any(|name| *name == self.path || self.names.contains(name));
        if is_named {
            return true;
        }
        let Some(identity) = identity else { return false };
        let now = Identity::at(&self.path);
        if now.is_some_and(|now| now.has_place_of(&identity)) {
            return true;
        }
        self.identity.is_some_and(|registered| {
            let same_birth = registered.born.is_some() && registered.born == identity.born;
            registered.has_place_of(&identity) && (self.is_held_open || same_birth)
        })
    }
}

#[derive(Debug)]
struct Registry {
    next: u64,
    entries: BTreeMap<u64, Entry>,
}

static REGISTRY: Mutex<Registry> = Mutex::new(Registry { next: 0, entries: BTreeMap::new() });

fn registry() -> MutexGuard<'static, Registry> {
    // An entry is inserted or removed whole, so a panic elsewhere does not spoil the registry.
    REGISTRY.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Keeps one file from being written for as long as it lives.
#[derive(Debug)]
#[must_use = "the file is protected only while this value lives"]
pub struct ProtectedFile {
    id: u64,
    path: PathBuf,
}

impl ProtectedFile {
    fn insert(entry: Entry) -> Self {
        let path = entry.path.clone();
        let mut registry = registry();
        let id = registry.next;
        registry.next += 1;
        registry.entries.insert(id, entry);
        Self { id, path }
    }

    /// The absolute path of the protected file.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for ProtectedFile {
    fn drop(&mut self) {
        registry().entries.remove(&self.id);
    }
}

/// Protect a file, which need not exist yet: a missing scan may come back under its path.
pub fn protect(path: &Path) -> ProtectedFile {
    ProtectedFile::insert(Entry::new(path, Identity::at(path), false))
}

/// Protect a file that stays open for as long as the guard lives.
pub(crate) fn protect_open(path: &Path, file: &File) -> ProtectedFile {
    let identity = file.metadata().ok().as_ref().and_then(Identity::of);
    ProtectedFile::insert(Entry::new(path, identity, true))
}

/// The protected file that writing to `path` would change, if there is one.
pub fn protected_at(path: &Path) -> Option<PathBuf> {
    let absolute = absolute(path);
    let names = [in_real_folder(&absolute), real(&absolute), absolute];
    let identity = Identity::at(path);
    let registry = registry();
    registry.entries.values().find(|entry| entry.covers(&names, identity)).map(|entry| entry.path.clone())
}

/// Whether two names refer to one file.
pub(crate) fn is_same_file(one: &Path, other: &Path) -> bool {
    matches!((Identity::at(one), Identity::at(other)), (Some(a), Some(b)) if a.has_place_of(&b))
}

fn absolute(path: &Path) -> PathBuf {
    std::path::absolute(path).unwrap_or_else(|_| path.to_owned())
}

/// The path with links in its folder resolved; the last part stays as it is.
fn in_real_folder(path: &Path) -> PathBuf {
    match (path.parent().and_then(|folder| folder.canonicalize().ok()), path.file_name()) {
        (Some(folder), Some(name)) => folder.join(name),
        _ => path.to_owned(),
    }
}

/// The path with all links resolved, as far as it exists.
fn real(path: &Path) -> PathBuf {
    path.canonicalize().unwrap_or_else(|_| in_real_folder(path))
}
