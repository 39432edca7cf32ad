//! Scans that appear in a folder: taken once they are complete, on folders of a network too.

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime};

use crossbeam_channel::{Receiver, bounded, unbounded};
use notify::{RecursiveMode, Watcher as _};

/// A file counts as complete once its size and time have stayed the same for so long.
/// Our choice: scanners write a band at least every second.
const STABLE: Duration = Duration::from_secs(2);
/// Time between two looks at the folder. Network folders send no events.
pub(crate) const LOOK_AGAIN: Duration = Duration::from_millis(700);
/// Endings of files that may be scans.
const ENDINGS: [&str; 5] = ["tif", "tiff", "png", "jpg", "jpeg"];

/// Size and time of a file.
pub(crate) type Stamp = (u64, Option<SystemTime>);

/// Files of the folder on their way into the session.
#[derive(Debug, Default)]
pub(crate) struct Arrivals {
    /// Since when each file has been as it is.
    seen: HashMap<PathBuf, (Stamp, Instant)>,
    /// Files that could not be taken, as they were then.
    pub(crate) failed: HashMap<PathBuf, Stamp>,
}

impl Arrivals {
    /// Complete files that are neither taken nor failed, in the order of their names; and whether any is still growing.
    pub(crate) fn complete(
        &mut self,
        found: &[(PathBuf, Stamp)],
        taken: &HashSet<PathBuf>,
        now: Instant,
    ) -> (Vec<PathBuf>, bool) {
        let (mut complete, mut is_growing) = (Vec::new(), false);
        for (path, stamp) in found {
            if taken.contains(path) || self.failed.get(path) == Some(stamp) {
                continue;
            }
            let (known, since) = self.seen.entry(path.clone()).or_insert((*stamp, now));
            if known != stamp {
                (*known, *since) = (*stamp, now);
            }
            if stamp.0 > 0 && now.saturating_duration_since(*since) >= STABLE {
                complete.push(path.clone());
            } else {
                is_growing = true;
            }
        }
        complete.sort();
        (complete, is_growing)
    }
}

/// Files of a folder that may be scans. Hidden and temporary ones are left out by their names.
pub(crate) fn scans_in(folder: &Path) -> std::io::Result<Vec<(PathBuf, Stamp)>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let is_hidden = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.'));
        let ending = path.extension().map(|ending| ending.to_string_lossy().to_lowercase());
        if is_hidden || !ending.is_some_and(|ending| ENDINGS.contains(&ending.as_str())) {
            continue;
        }
        if let Ok(meta) = std::fs::metadata(&path)
            && meta.is_file()
        {
            let path = std::path::absolute(&path).unwrap_or(path);
            found.push((path, (meta.len(), meta.modified().ok())));
        }
    }
    Ok(found)
}

/// Events of a folder, and what sends them. Without events the folder is looked at often enough.
pub(crate) fn events_of(folder: &Path) -> (Receiver<()>, Option<notify::RecommendedWatcher>) {
    let (sender, receiver) = bounded(64);
    let watcher = notify::recommended_watcher(move |_event: notify::Result<notify::Event>| {
        // A full queue already wakes the loop.
        let _is_full = sender.try_send(());
    });
    let watcher = watcher.and_then(|mut watcher| {
        watcher.watch(folder, RecursiveMode::NonRecursive)?;
        Ok(watcher)
    });
    (receiver, watcher.ok())
}

/// A complete scan in a watched folder.
#[derive(Debug)]
pub(crate) struct Arrived {
    pub(crate) path: PathBuf,
    /// Without links.
    pub(crate) real_path: PathBuf,
}

/// A folder that is watched by a thread.
#[derive(Debug)]
pub(crate) struct FolderWatch {
    pub(crate) folder: PathBuf,
    arrived: Receiver<Arrived>,
    ends: Arc<AtomicBool>,
}

impl FolderWatch {
    /// Watches a folder for complete scans; those that are there already count as taken.
    ///
    /// # Errors
    /// The folder cannot be read, or the system starts no thread.
    pub(crate) fn begin(folder: &Path, wake: impl Fn() + Send + 'static) -> std::io::Result<Self> {
        let mut known: HashMap<PathBuf, Stamp> = scans_in(folder)?.into_iter().collect();
        let (sender, arrived) = unbounded();
        let ends = Arc::new(AtomicBool::new(false));
        let (watched, is_over) = (folder.to_path_buf(), Arc::clone(&ends));
        let work = move || {
            let (events, _watcher) = events_of(&watched);
            let mut arrivals = Arrivals::default();
            while !is_over.load(Ordering::Relaxed) {
                // A folder that is away for a moment, such as one on the network, is looked at again later.
                let found = scans_in(&watched).unwrap_or_default();
                // One that has changed since it was taken is told again.
                let is_taken = |(path, stamp): &&(PathBuf, Stamp)| known.get(path) == Some(stamp);
                let taken: HashSet<PathBuf> =
                    found.iter().filter(is_taken).map(|(path, _)| path.clone()).collect();
                for scan in arrivals.complete(&found, &taken, Instant::now()).0 {
                    known.extend(found.iter().find(|(path, _)| *path == scan).cloned());
                    let real_path = scan.canonicalize().unwrap_or_else(|_gone| scan.clone());
                    if sender.send(Arrived { path: scan, real_path }).is_err() {
                        return;
                    }
                    wake();
                }
                if events.recv_timeout(LOOK_AGAIN).is_ok() {
                    std::thread::sleep(Duration::from_millis(50));
                    events.try_iter().for_each(drop);
                }
            }
        };
        std::thread::Builder::new().name("glassine-watch".to_owned()).spawn(work)?;
        Ok(Self { folder: folder.to_path_buf(), arrived, ends })
    }

    /// Scans that have arrived since the last call.
    pub(crate) fn take(&self) -> Vec<Arrived> {
        self.arrived.try_iter().collect()
    }
}

impl Drop for FolderWatch {
    fn drop(&mut self) {
        self.ends.store(true, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_taken_once_it_has_stopped_growing_and_a_failed_one_only_after_a_change() {
        let mut arrivals = Arrivals::default();
        let (path, start) = (PathBuf::from("/scans/1.tif"), Instant::now());
        let none = HashSet::new();
        let at = |arrivals: &mut Arrivals, bytes: u64, seconds: f64| {
            let found = [(path.clone(), (bytes, None))];
            arrivals.complete(&found, &none, start + Duration::from_secs_f64(seconds))
        };
        assert_eq!(at(&mut arrivals, 100, 0.0), (vec![], true));
        assert_eq!(at(&mut arrivals, 200, 1.9), (vec![], true));
        assert_eq!(at(&mut arrivals, 200, 3.0), (vec![], true));
        assert_eq!(at(&mut arrivals, 200, 4.0), (vec![PathBuf::from("/scans/1.tif")], false));
        arrivals.failed.insert(PathBuf::from("/scans/1.tif"), (200, None));
        assert_eq!(at(&mut arrivals, 200, 9.0), (vec![], false));
        assert_eq!(at(&mut arrivals, 300, 10.0), (vec![], true));
        assert_eq!(at(&mut arrivals, 300, 12.5), (vec![PathBuf::from("/scans/1.tif")], false));
        // An empty file is one that is just being made.
        assert_eq!(at(&mut arrivals, 0, 20.0), (vec![], true));
        assert_eq!(at(&mut arrivals, 0, 30.0), (vec![], true));
    }

    #[test]
    fn hidden_temporary_and_other_files_are_left_alone() {
        let folder = tempfile::tempdir().expect("a folder");
        for name in ["1.tif", "2.TIFF", ".3.tif", "4.tif.part", "notes.txt"] {
            std::fs::write(folder.path().join(name), b"x").expect("writes");
        }
        std::fs::create_dir(folder.path().join("inside.tif")).expect("a folder");
        let mut names: Vec<_> = scans_in(folder.path())
            .expect("reads")
            .into_iter()
            .filter_map(|(path, _)| path.file_name().map(|name| name.to_string_lossy().into_owned()))
            .collect();
        names.sort();
        assert_eq!(names, ["1.tif", "2.TIFF"]);
    }

    #[test]
    fn a_watched_folder_tells_of_what_is_new_in_it() {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("old.tif"), b"x").expect("writes");
        let watch = FolderWatch::begin(folder.path(), || ()).expect("begins");
        std::fs::write(folder.path().join("new.tif"), b"x").expect("writes");
        let since = Instant::now();
        let mut arrived = Vec::new();
        while arrived.is_empty() && since.elapsed() < Duration::from_secs(20) {
            std::thread::sleep(Duration::from_millis(20));
            arrived = watch.take();
        }
        let names: Vec<_> = arrived.iter().filter_map(|arrived| arrived.path.file_name()).collect();
        assert_eq!(names, ["new.tif"]);
        // A program that paused goes on: the whole file is told.
        std::fs::write(folder.path().join("new.tif"), b"xyz").expect("writes");
        arrived.clear();
        while arrived.is_empty() && since.elapsed() < Duration::from_secs(40) {
            std::thread::sleep(Duration::from_millis(20));
            arrived = watch.take();
        }
        assert_eq!(arrived.len(), 1);
        assert!(FolderWatch::begin(&folder.path().join("none"), || ()).is_err());
    }
}
