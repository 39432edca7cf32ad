//! Runs of the program: each has a name, a lock that shows whether it lives, and a list of its autosaves.

use std::collections::BTreeSet;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError, Weak};
use std::time::{SystemTime, UNIX_EPOCH};

use glassine_session::file::{path_bytes, path_from_bytes};

use super::lock::{Holder, SessionLock};
use super::unsaved::{UnsavedWork, read_unsaved};
use super::{AUTOSAVE_MARK, SESSION_ENDING, with_suffix};

const RUNS_FOLDER: &str = "runs";
const LOCK_ENDING: &str = "lock";
const LIST_ENDING: &str = "autosaves";
/// A longer file is not a list of autosaves.
const MOST_LIST_BYTES: u64 = 16 << 20;

/// One run of the program. Files that it saves and autosaves carry its name.
#[derive(Debug)]
pub struct Run {
    holder: Holder,
    /// Folder for autosaves of sessions without a file, and for the locks of runs.
    folder: Option<PathBuf>,
    /// Locked as long as the run lives.
    _lock: Option<File>,
    /// Highest generation read or written.
    generation: AtomicU64,
    unnamed: AtomicU64,
    listed: Mutex<BTreeSet<PathBuf>>,
    /// Locks of the sessions that this run has open.
    locks: Mutex<Vec<Weak<SessionLock>>>,
}

impl Default for Run {
    fn default() -> Self {
        Self::begin(None)
    }
}

impl Run {
    /// Begin a run. Without a writable data folder, sessions without a file are not autosaved, and a later run finds
    /// autosaves only beside their sessions.
    pub fn begin(data_folder: Option<&Path>) -> Self {
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
        let user = ["USER", "LOGNAME", "USERNAME"].iter().find_map(|name| std::env::var(name).ok());
        let pid = std::process::id();
        let mut holder = Holder {
            run: String::new(),
            host: Self::host(),
            pid,
            user: user.unwrap_or_else(|| "somebody".to_owned()),
            since_unix_s: now.as_secs(),
        };
        let folder = data_folder.filter(|folder| std::fs::create_dir_all(folder.join(RUNS_FOLDER)).is_ok());
        // Two runs of one process can begin at the same moment.
        static COUNT: AtomicU64 = AtomicU64::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        holder.run = format!("{}-{pid}-{:x}-{count}", holder.host, now.as_nanos());
        let lock = folder.and_then(|folder| {
            // The file gets its name once it is locked: an unlocked one belongs to a run that ended.
            let path = run_file(folder, &holder.run, LOCK_ENDING);
            let new = path.with_extension("new");
            let mut file = OpenOptions::new().write(true).create_new(true).open(&new).ok()?;
            // Where locks do not exist, a run counts as ended: its autosaves are offered, but never touched.
            drop(file.try_lock());
            drop(file.write_all(&serde_json::to_vec(&holder).unwrap_or_default()));
            std::fs::rename(&new, &path).ok().map(|()| file)
        });
        Self {
            // Resolved by the system, like the paths of opened files.
            folder: folder.filter(|_| lock.is_some()).map(super::real_path),
            holder,
            _lock: lock,
            generation: AtomicU64::new(0),
            unnamed: AtomicU64::new(0),
            listed: Mutex::default(),
            locks: Mutex::default(),
        }
    }

    /// This computer's name, as used in names of runs.
    pub(crate) fn host() -> String {
        let name = gethostname::gethostname();
        let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
        name.to_string_lossy().chars().map(plain).take(40).collect()
    }

    /// Name of the run: computer, process, time, count.
    pub fn id(&self) -> &str {
        &self.holder.run
    }

    /// Locks that this run holds or held.
    pub(super) fn locks(&self) -> MutexGuard<'_, Vec<Weak<SessionLock>>> {
        self.locks.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What other programs read about this run.
    pub(crate) fn holder(&self) -> &Holder {
        &self.holder
    }

    /// Where this run autosaves a session: beside its file, or in the data folder under a name that no other session
    /// has. Call it once for each opened session. `None` for a session without a file if there is no data folder.
    pub fn autosave_path(&self, session_path: Option<&Path>) -> Option<PathBuf> {
        let place = match session_path {
            Some(path) => std::path::absolute(path).unwrap_or_else(|_| path.to_owned()),
            None => {
                let count = self.unnamed.fetch_add(1, Ordering::Relaxed) + 1;
                self.folder.as_ref()?.join(format!("unsaved-{count}{SESSION_ENDING}"))
            }
        };
        Some(with_suffix(&place, &format!("{AUTOSAVE_MARK}-{}", self.id())))
    }

    /// Whether an autosave belongs to a session without a file.
    pub(crate) fn keeps_unnamed(&self, autosave: &Path) -> bool {
        self.folder.as_deref().is_some_and(|folder| autosave.parent() == Some(folder))
    }

    /// Record a generation that was read.
    pub(crate) fn saw(&self, generation: u64) {
        self.generation.fetch_max(generation, Ordering::Relaxed);
    }

    /// A generation above all those read or written.
    pub(crate) fn next_generation(&self) -> u64 {
        self.generation.fetch_add(1, Ordering::Relaxed).saturating_add(1)
    }

    /// Record for later runs that an autosave is about to be written.
    pub(crate) fn list(&self, autosave: &Path) -> std::io::Result<()> {
        let Some(folder) = &self.folder else { return Ok(()) };
        let mut listed = self.listed.lock().unwrap_or_else(PoisonError::into_inner);
        if listed.contains(autosave) {
            return Ok(());
        }
        let mut line = path_bytes(autosave).to_vec();
        line.push(0);
        let path = run_file(folder, self.id(), LIST_ENDING);
        let mut file = OpenOptions::new().append(true).create(true).open(path)?;
        file.write_all(&line)?;
        file.sync_data()?;
        listed.insert(autosave.to_owned());
        Ok(())
    }

    /// Autosaves of runs that ended without saving or discarding them, the latest first; those whose sessions were saved
    /// since come last. Removes the records of runs
    /// that left none.
    pub fn unsaved_work(&self) -> Vec<UnsavedWork> {
        let Some(folder) = &self.folder else { return Vec::new() };
        let mut work = Vec::new();
        for run in runs(folder).filter(|run| run != self.id()) {
            // Held while the list is read and possibly removed, so that two programs do not do it at once.
            let Some(_lock) = lock_ended(folder, &run) else { continue };
            let mut there = listed_by(folder, &run);
            there.retain(|path| path.is_file());
            work.extend(there.iter().filter_map(|path| read_unsaved(path)));
            if there.is_empty() {
                for ending in [LIST_ENDING, LOCK_ENDING] {
                    drop(std::fs::remove_file(run_file(folder, &run, ending)));
                }
            }
        }
        work.extend(old_unnamed(folder).filter_map(|path| read_unsaved(&path)));
        for item in &mut work {
            if self.keeps_unnamed(&item.autosave) {
                item.session_path = None;
            }
        }
        work.sort_by_key(|item| (item.is_saved_later, std::cmp::Reverse(item.changed)));
        work
    }

    /// Whether a run lives, as far as this computer can tell.
    pub(crate) fn lives(&self, run: &str) -> bool {
        run == self.id() || self.folder.as_ref().is_some_and(|folder| is_locked(folder, run))
    }
}

impl Drop for Run {
    fn drop(&mut self) {
        // A run that left no autosave need not be checked again.
        let Some(folder) = &self.folder else { return };
        if listed_by(folder, self.id()).iter().all(|path| !path.is_file()) {
            for ending in [LIST_ENDING, LOCK_ENDING] {
                drop(std::fs::remove_file(run_file(folder, self.id(), ending)));
            }
        }
    }
}

/// The autosave of a session without a file, as earlier versions named it.
fn old_unnamed(folder: &Path) -> impl Iterator<Item = PathBuf> {
    let path = folder.join(format!("unsaved{SESSION_ENDING}{AUTOSAVE_MARK}"));
    Some(path).filter(|path| path.is_file()).into_iter()
}

fn run_file(folder: &Path, run: &str, ending: &str) -> PathBuf {
    folder.join(RUNS_FOLDER).join(format!("{run}.{ending}"))
}

/// Names of all runs that left a lock file.
fn runs(folder: &Path) -> impl Iterator<Item = String> {
    let entries = std::fs::read_dir(folder.join(RUNS_FOLDER)).into_iter().flatten().flatten();
    let mut names: Vec<_> = entries
        .filter_map(|entry| Some(entry.file_name().to_str()?.strip_suffix(".lock")?.to_owned()))
        .collect();
    names.sort();
    names.into_iter()
}

fn is_locked(folder: &Path, run: &str) -> bool {
    File::open(run_file(folder, run, LOCK_ENDING))
        .is_ok_and(|file| matches!(file.try_lock_shared(), Err(TryLockError::WouldBlock)))
}

/// The lock of a run that has ended; `None` while it lives.
fn lock_ended(folder: &Path, run: &str) -> Option<File> {
    let file = File::open(run_file(folder, run, LOCK_ENDING)).ok()?;
    match file.try_lock() {
        Err(TryLockError::WouldBlock) => None,
        Ok(()) | Err(TryLockError::Error(_)) => Some(file),
    }
}

fn listed_by(folder: &Path, run: &str) -> Vec<PathBuf> {
    let path = run_file(folder, run, LIST_ENDING);
    if std::fs::metadata(&path).is_ok_and(|meta| meta.len() > MOST_LIST_BYTES) {
        return Vec::new();
    }
    let bytes = std::fs::read(path).unwrap_or_default();
    bytes.split(|byte| *byte == 0).filter(|p| !p.is_empty()).map(|p| path_from_bytes(p.to_vec())).collect()
}
