//! Temporary files of [`crate::AtomicFile`]: their names, and the removal of those whose writer is dead.
//!
//! A part is called `.writing-OWNER-RANDOM.part`. The owner is host, process and the start of that process, so that a
//! part can be removed at once if its process has ended on this host. Parts of other hosts, on a shared folder, are
//! removed if they are unlocked and older than a minute.

use std::collections::BTreeSet;
use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, OnceLock, PoisonError};
use std::time::Duration;

use crate::protect::protected_at;

const PREFIX: &str = ".writing-";
const SUFFIX: &str = ".part";

/// A part of another host younger than this is left alone, because its writer may not have locked it yet.
const FOREIGN_AGE: Duration = Duration::from_secs(60);

/// Who writes a part.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Owner {
    host: String,
    process: u32,
    /// Start of the process in the system's own unit, to tell apart a process number that was used again.
    start: u64,
}

impl Owner {
    /// This process; `None` if the system does not say enough.
    fn this() -> Option<&'static Self> {
        static THIS: OnceLock<Option<Owner>> = OnceLock::new();
        THIS.get_or_init(|| {
            let process = std::process::id();
            Some(Self { host: host_tag()?, process, start: start_of(process)? })
        })
        .as_ref()
    }

    fn of_name(name: &str) -> Option<Self> {
        let mut fields = name.strip_prefix(PREFIX)?.split('-');
        let (host, process, start) = (fields.next()?, fields.next()?, fields.next()?);
        Some(Self { host: host.to_owned(), process: process.parse().ok()?, start: start.parse().ok()? })
    }

    /// Whether its process runs; `None` if that is unknown here.
    fn lives(&self) -> Option<bool> {
        let this = Self::this()?;
        (this.host == self.host).then(|| start_of(self.process) == Some(self.start))
    }
}

/// A short name for this host and its set of process numbers (containers have their own).
fn host_tag() -> Option<String> {
    let name = fs::read("/proc/sys/kernel/hostname").ok()?;
    let machine = fs::read("/etc/machine-id").unwrap_or_default();
    let processes = fs::read_link("/proc/self/ns/pid").ok()?;
    let mut hasher = blake3::Hasher::new();
    hasher.update(&name).update(&machine).update(processes.as_os_str().as_encoded_bytes());
    Some(hasher.finalize().to_hex().chars().take(8).collect())
}

/// When a process started, in clock ticks since boot; `None` if there is no such process.
///
/// Source: proc(5), field 22 of `/proc/PID/stat`; field 2 is in brackets and may hold anything.
fn start_of(process: u32) -> Option<u64> {
    let stat = fs::read(format!("/proc/{process}/stat")).ok()?;
    let stat = String::from_utf8_lossy(&stat);
    let (_, after_name) = stat.rsplit_once(')')?;
    let state = after_name.split_whitespace().next()?;
    // A process that has ended but was not collected yet writes no more.
    if matches!(state, "Z" | "X") {
        return None;
    }
    after_name.split_whitespace().nth(19)?.parse().ok()
}

/// Makes parts with the owner in their name.
pub(crate) fn builder() -> tempfile::Builder<'static, 'static> {
    static NAME: OnceLock<String> = OnceLock::new();
    let name = NAME.get_or_init(|| match Owner::this() {
        Some(owner) => format!("{PREFIX}{}-{}-{}-", owner.host, owner.process, owner.start),
        None => PREFIX.to_owned(),
    });
    let mut builder = tempfile::Builder::new();
    builder.prefix(name.as_str()).suffix(SUFFIX);
    builder
}

/// Remove the parts that dead writers left in a folder; returns how many.
///
/// A part that cannot be examined or removed stays.
pub fn remove_abandoned_parts(folder: &Path) -> usize {
    remove_parts(folder, FOREIGN_AGE)
}

/// The same, once for each folder while this process lives.
pub(crate) fn remove_abandoned_parts_once(folder: &Path) {
    static SEEN: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());
    let Ok(folder) = folder.canonicalize() else { return };
    let is_new = SEEN.lock().unwrap_or_else(PoisonError::into_inner).insert(folder.clone());
    if is_new {
        remove_abandoned_parts(&folder);
    }
}

fn remove_parts(folder: &Path, foreign_age: Duration) -> usize {
    let Ok(entries) = fs::read_dir(folder) else { return 0 };
    entries
        .flatten()
        .filter(|entry| is_abandoned(&entry.path(), foreign_age) && fs::remove_file(entry.path()).is_ok())
        .count()
}

fn is_abandoned(path: &Path, foreign_age: Duration) -> bool {
    let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
    if !name.starts_with(PREFIX) || !name.ends_with(SUFFIX) || protected_at(path).is_some() {
        return false;
    }
    let Ok(meta) = path.symlink_metadata() else { return false };
    if !meta.is_file() {
        return false;
    }
    match Owner::of_name(name).and_then(|owner| owner.lives()) {
        Some(lives) => !lives,
        None => {
            let age = meta.modified().ok().and_then(|written| written.elapsed().ok());
            age.is_some_and(|age| age >= foreign_age) && is_unlocked(path)
        }
    }
}

/// Whether a part is unlocked; false where locks do not exist, because that is then unknown.
fn is_unlocked(path: &Path) -> bool {
    let Ok(file) = File::open(path) else { return false };
    match file.try_lock() {
        Ok(()) => true,
        Err(TryLockError::WouldBlock | TryLockError::Error(_)) => false,
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write as _;

    use super::*;
    use crate::{AtomicFile, Overwrite};

    fn names_in(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(folder)
            .expect("folder is there")
            .map(|e| e.expect("entry").file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn an_old_part_of_an_unknown_writer_is_removed_and_other_files_stay() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("a.bin");
        for name in [".writing-dead.part", "other.part", ".writing-kept"] {
            fs::write(folder.path().join(name), b"x").expect("written");
        }
        let living = AtomicFile::create(&path, Overwrite::Never).expect("created");
        assert_eq!(remove_abandoned_parts(folder.path()), 0);
        assert_eq!(remove_parts(folder.path(), Duration::ZERO), 1);
        living.commit().expect("its part is still there");
        assert_eq!(names_in(folder.path()), [".writing-kept", "a.bin", "other.part"]);
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_save_removes_what_a_killed_process_of_this_host_left_and_nothing_of_a_living_one() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let this = Owner::this().expect("the system tells");
        let mut child = std::process::Command::new("sleep").arg("60").spawn().expect("started");
        let start = start_of(child.id()).expect("it runs");
        let part = |process, start, tail| format!("{PREFIX}{}-{process}-{start}-{tail}{SUFFIX}", this.host);
        let living = part(child.id(), start, "living");
        // The number of a living process, which another process had before.
        let earlier = part(child.id(), start - 1, "earlier");
        let foreign = format!("{PREFIX}00000000-1-1-foreign{SUFFIX}");
        for name in [&living, &earlier, &foreign] {
            fs::write(folder.path().join(name), b"x").expect("written");
        }
        let mut file = AtomicFile::create(&folder.path().join("a.bin"), Overwrite::Never).expect("created");
        file.write_all(b"ours").expect("written");
        file.commit().expect("complete");
        let mut expected = vec![foreign.clone(), living.clone(), "a.bin".to_owned()];
        expected.sort();
        assert_eq!(names_in(folder.path()), expected);
        child.kill().expect("it runs");
        child.wait().expect("it ended");
        assert_eq!(remove_abandoned_parts(folder.path()), 1);
        assert_eq!(names_in(folder.path()), [foreign, "a.bin".to_owned()]);
    }
}
