//! Scans that appear in a folder: taken once they are complete, on folders of a network too.

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime};

use crossbeam_channel::{Receiver, bounded, unbounded};
use glassine_engine::{Notice, Severity, scans_with_infrared};
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

/// What a look at the folder gives.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct Arriving {
    /// Complete scans that are neither taken nor failed, in the order of their names.
    pub(crate) complete: Vec<NewScan>,
    /// Scans that were taken before their infrared file came, with that file.
    pub(crate) late_infrared: Vec<(PathBuf, PathBuf)>,
    pub(crate) is_growing: bool,
}

/// A scan, and the file beside it with its infrared.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct NewScan {
    pub(crate) path: PathBuf,
    pub(crate) infrared: Option<PathBuf>,
}

/// Files of the folder on their way into the session.
#[derive(Debug, Default)]
pub(crate) struct Arrivals {
    /// Since when each file has been as it is.
    seen: HashMap<PathBuf, (Stamp, Instant)>,
    /// Files that could not be taken, as they were then.
    pub(crate) failed: HashMap<PathBuf, Stamp>,
}

impl Arrivals {
    /// Complete scans that are not taken; a scan with an infrared file beside it waits until that is complete too.
    pub(crate) fn look(
        &mut self,
        found: &[(PathBuf, Stamp)],
        taken: &HashSet<PathBuf>,
        now: Instant,
    ) -> Arriving {
        let mut arriving = Arriving::default();
        let mut settled = HashSet::new();
        for (path, stamp) in found {
            let (known, since) = self.seen.entry(path.clone()).or_insert((*stamp, now));
            if known != stamp {
                (*known, *since) = (*stamp, now);
            }
            if stamp.0 > 0 && now.saturating_duration_since(*since) >= STABLE {
                settled.insert(path);
            }
        }
        let files: Vec<PathBuf> = found.iter().map(|(path, _)| path.clone()).collect();
        let failed: HashSet<&PathBuf> = found
            .iter()
            .filter(|(path, stamp)| self.failed.get(path) == Some(stamp))
            .map(|(path, _)| path)
            .collect();
        let is_done = |path: &PathBuf| taken.contains(path) || failed.contains(path);
        for (path, infrared) in scans_with_infrared(&files) {
            let to_come = infrared.filter(|file| !is_done(file));
            let is_whole = settled.contains(path) && to_come.is_none_or(|file| settled.contains(file));
            if is_done(path) && to_come.is_none() {
                continue;
            }
            if !is_whole {
                arriving.is_growing = true;
            } else if taken.contains(path) {
                arriving.late_infrared.extend(to_come.map(|file| (path.clone(), file.clone())));
            } else if !failed.contains(path) {
                arriving.complete.push(NewScan { path: path.clone(), infrared: infrared.cloned() });
            }
        }
        arriving.complete.sort_by(|a, b| a.path.cmp(&b.path));
        arriving.late_infrared.sort();
        arriving
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

/// The message that an infrared file came after its scan was taken.
pub(crate) fn late_infrared_notice(scan: &Path, what_to_do: impl Into<String>) -> Notice {
    Notice::new(Severity::Warning, "the infrared file of this scan came after the scan was taken", what_to_do)
        .about(scan)
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

/// What the thread reports about a watched folder.
#[derive(Debug)]
pub(crate) enum Arrived {
    /// A complete scan, and its path without links.
    Scan { scan: NewScan, real_path: PathBuf },
    /// A scan that was reported before its infrared file came.
    LateInfrared { scan: PathBuf },
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
                let Arriving { complete, late_infrared, .. } = arrivals.look(&found, &taken, Instant::now());
                let files_of = |scan: &NewScan| [Some(scan.path.clone()), scan.infrared.clone()];
                let told: HashSet<PathBuf> = complete
                    .iter()
                    .flat_map(|scan| files_of(scan).into_iter().flatten())
                    .chain(late_infrared.iter().map(|(_, infrared)| infrared.clone()))
                    .collect();
                known.extend(found.iter().filter(|(path, _)| told.contains(path)).cloned());
                let scans = complete.into_iter().map(|scan| {
                    let real_path = scan.path.canonicalize().unwrap_or_else(|_gone| scan.path.clone());
                    Arrived::Scan { scan, real_path }
                });
                let late = late_infrared.into_iter().map(|(scan, _)| Arrived::LateInfrared { scan });
                for arrived in scans.chain(late) {
                    if sender.send(arrived).is_err() {
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

    /// What has arrived since the last call.
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
            let now = start + Duration::from_secs_f64(seconds);
            let Arriving { complete, is_growing, .. } = arrivals.look(&found, &none, now);
            (complete.into_iter().map(|scan| scan.path).collect::<Vec<_>>(), is_growing)
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
    fn an_infrared_file_is_taken_with_its_scan_and_never_as_one() {
        let file = |name: &str| PathBuf::from("/scans").join(name);
        let (mut arrivals, start) = (Arrivals::default(), Instant::now());
        let mut look = |files: &[(&str, u64)], taken: &[&str], seconds: f64| {
            let found: Vec<_> = files.iter().map(|(name, bytes)| (file(name), (*bytes, None))).collect();
            let taken = taken.iter().map(|name| file(name)).collect();
            arrivals.look(&found, &taken, start + Duration::from_secs_f64(seconds))
        };
        // The scan waits for the file that is still growing beside it.
        look(&[("1.tif", 9), ("1_ir.tif", 1)], &[], 0.0);
        let waiting = look(&[("1.tif", 9), ("1_ir.tif", 3)], &[], 2.5);
        assert_eq!(waiting, Arriving { is_growing: true, ..Arriving::default() });
        let whole = look(&[("1.tif", 9), ("1_ir.tif", 3), ("2.tif", 9)], &[], 5.0);
        let pair = NewScan { path: file("1.tif"), infrared: Some(file("1_ir.tif")) };
        assert_eq!(whole.complete, [pair]);
        // One that comes later is told with its scan, once.
        let taken = ["1.tif", "1_ir.tif", "2.tif"];
        let all = [("1.tif", 9), ("1_ir.tif", 3), ("2.tif", 9), ("2_ir.tif", 3)];
        look(&all, &taken, 10.0);
        let late = look(&all, &taken, 12.5);
        assert_eq!((late.complete, late.late_infrared), (vec![], vec![(file("2.tif"), file("2_ir.tif"))]));
        let told = look(&all, &["1.tif", "1_ir.tif", "2.tif", "2_ir.tif"], 15.0);
        assert_eq!(told, Arriving::default());
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
        assert!(
            matches!(&arrived[..], [Arrived::Scan { scan, .. }] if scan.path.ends_with("new.tif")),
            "{arrived:?}"
        );
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
