//! Who works on a session: a lock file beside it, which the system holds for as long as the program lives.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Weak};

use serde::{Deserialize, Serialize};

use super::runs::Run;

/// No lock file is larger.
const MOST_BYTES: u64 = 4096;

/// The run of the program that works on a session.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Holder {
    /// Name of the run; empty if it could not be read.
    pub run: String,
    /// Name of the computer.
    pub host: String,
    /// Process number there.
    pub pid: u32,
    /// Login name of the user.
    pub user: String,
    /// When the run began, seconds since 1970.
    pub since_unix_s: u64,
}

impl std::fmt::Display for Holder {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if self.run.is_empty() {
            return f.write_str("another program");
        }
        write!(f, "{} on {}, process {}", self.user, self.host, self.pid)
    }
}

/// Whether a session may be saved under its name.
#[derive(Debug, Clone, Default)]
pub enum Access {
    /// Not locked, or the file system has no locks: only the check before saving protects the file.
    #[default]
    Unlocked,
    /// This run holds the lock, until its last copy is dropped.
    Locked(Arc<SessionLock>),
    /// Another run works on it: it can be viewed, and saved under another name.
    HeldBy(Holder),
}

/// The lock on a session; dropping it lets other runs work on the session.
#[derive(Debug)]
pub struct SessionLock {
    path: PathBuf,
    /// Holds the lock while it is open.
    _file: File,
}

impl Drop for SessionLock {
    fn drop(&mut self) {
        // Removed while the lock is still held, so that no other run's lock is removed. A leftover file does no harm.
        drop(std::fs::remove_file(&self.path));
    }
}

/// Path of a session's lock file: `.roll.session.lock` beside `roll.session.json`.
pub fn lock_path(session_path: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    name.push(session_path.file_stem().unwrap_or_default());
    name.push(".lock");
    session_path.with_file_name(name)
}

/// Take the lock of a session for a run, without waiting.
pub fn lock_session(session_path: &Path, run: &Run) -> Access {
    let path = lock_path(session_path);
    let mut own = run.locks();
    own.retain(|lock| lock.strong_count() > 0);
    // This run has the session open already, so it keeps the same lock.
    if let Some(lock) = own.iter().filter_map(Weak::upgrade).find(|lock| lock.path == path) {
        return Access::Locked(lock);
    }
    // A lock file that is removed between opening and locking locks nothing: try again.
    for _ in 0..100 {
        match try_lock(&path, run.holder()) {
            Some(Access::Locked(lock)) => {
                own.push(Arc::downgrade(&lock));
                return Access::Locked(lock);
            }
            Some(access) => return access,
            None => std::thread::yield_now(),
        }
    }
    Access::Unlocked
}

/// Who holds the lock of a session now, if anyone.
pub fn lock_holder(session_path: &Path) -> Option<Holder> {
    let path = lock_path(session_path);
    let file = open_plain(&path, OpenOptions::new().read(true))?;
    match file.try_lock_shared() {
        Err(TryLockError::WouldBlock) => Some(read_holder(&file)),
        Ok(()) | Err(TryLockError::Error(_)) => None,
    }
}

/// Open a lock file, but never a link or a device in its place.
fn open_plain(path: &Path, options: &OpenOptions) -> Option<File> {
    if path.symlink_metadata().is_ok_and(|meta| !meta.is_file()) {
        return None;
    }
    options.open(path).ok()
}

fn try_lock(path: &Path, holder: &Holder) -> Option<Access> {
    let Some(mut file) =
        open_plain(path, OpenOptions::new().read(true).write(true).create(true).truncate(false))
    else {
        return Some(Access::Unlocked);
    };
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => return Some(Access::HeldBy(read_holder(&file))),
        Err(TryLockError::Error(_)) => return Some(Access::Unlocked),
    }
    if !is_at(&file, path) {
        return None;
    }
    // The content only informs other programs; the lock holds without it.
    let text = serde_json::to_string(holder).unwrap_or_default();
    drop(file.set_len(0).and_then(|()| file.write_all(text.as_bytes())));
    Some(Access::Locked(Arc::new(SessionLock { path: path.to_owned(), _file: file })))
}

fn read_holder(file: &File) -> Holder {
    let mut text = Vec::new();
    match file.take(MOST_BYTES).read_to_end(&mut text) {
        Ok(_) => serde_json::from_slice(&text).unwrap_or_default(),
        Err(_) => Holder::default(),
    }
}

/// Whether an open file is still the one at this path.
#[cfg(unix)]
fn is_at(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt as _;
    let place = |meta: std::fs::Metadata| (meta.dev(), meta.ino());
    match (file.metadata(), path.symlink_metadata()) {
        (Ok(open), Ok(named)) => place(open) == place(named),
        _ => false,
    }
}

/// Whether an open file is still the one at this path: always, as a locked file can't be removed here.
#[cfg(not(unix))]
fn is_at(_file: &File, _path: &Path) -> bool {
    true
}
