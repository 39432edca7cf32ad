//! The file at the path of a scan: which file, how long, when last written; and hashes, computed once for each such
//! state.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use glassine_raster::CancelToken;

use crate::error::{EngineError, Notice, Severity};

/// A file as the system describes it. Equal states mean that it was not written to in between.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(crate) struct DiskState {
    device: u64,
    inode: u64,
    bytes: u64,
    modified_ns: i128,
    /// Last change of anything about it, names and permissions included; 0 where the system does not say.
    changed_ns: i128,
}

impl DiskState {
    pub(crate) fn of(path: &Path) -> std::io::Result<Self> {
        let meta = std::fs::metadata(path)?;
        #[cfg(unix)]
        let (device, inode, changed_ns) = {
            use std::os::unix::fs::MetadataExt as _;
            let changed_ns = i128::from(meta.ctime()) * 1_000_000_000 + i128::from(meta.ctime_nsec());
            (meta.dev(), meta.ino(), changed_ns)
        };
        #[cfg(not(unix))]
        let (device, inode, changed_ns) = (0, 0, 0);
        let since = meta.modified().ok().and_then(|time| time.duration_since(std::time::UNIX_EPOCH).ok());
        let modified_ns = since.map_or(0, |since| since.as_nanos() as i128);
        Ok(Self { device, inode, bytes: meta.len(), modified_ns, changed_ns })
    }

    /// Length of the file.
    pub(crate) fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Whether both are the same file with the same last write. A new name or new permissions change no picture.
    fn is_same_writing(&self, other: &Self) -> bool {
        Self { changed_ns: 0, ..*self } == Self { changed_ns: 0, ..*other }
    }
}

/// The files that a scan is read from.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub(crate) struct ScanFiles {
    pub(crate) scan: PathBuf,
    pub(crate) infrared: Option<PathBuf>,
    /// Files of the further parts of a joined scan, of each the scan, then its infrared.
    pub(crate) further: Vec<PathBuf>,
}

/// All files at one moment, in the order of their paths.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct FilesState(Vec<DiskState>);

impl ScanFiles {
    pub(crate) fn paths(&self) -> impl Iterator<Item = &Path> {
        let own = [Some(&self.scan), self.infrared.as_ref()].into_iter().flatten();
        own.chain(&self.further).map(PathBuf::as_path)
    }

    /// State of the files now at all paths.
    pub(crate) fn state(&self) -> Result<FilesState, EngineError> {
        let of = |path: &Path| {
            DiskState::of(path).map_err(|source| glassine_scanfile::Error::Io {
                path: path.to_owned(),
                action: "open the file",
                source,
            })
        };
        self.paths().map(of).collect::<Result<_, _>>().map(FilesState).map_err(EngineError::from)
    }
}

impl FilesState {
    pub(crate) fn is_same_writing(&self, other: &Self) -> bool {
        self.0.len() == other.0.len() && self.0.iter().zip(&other.0).all(|(a, b)| a.is_same_writing(b))
    }
}

/// Error for a scan whose file was written to while it was in use.
pub(crate) fn changed_while_read(path: &Path) -> EngineError {
    EngineError::Permanent(
        Notice::new(
            Severity::Error,
            "the scan was changed while it was read",
            "wait until the program that writes it has finished, check the scan, then try again",
        )
        .about(path),
    )
}

/// Hashes of one state of a file.
#[derive(Debug, Clone, Default)]
struct Known {
    sampled: Option<String>,
    whole: Option<String>,
}

/// Hashes by the state of the file, so that none is computed twice while the file is unchanged.
#[derive(Debug, Default)]
pub(crate) struct Prints(Mutex<HashMap<DiskState, Known>>);

impl Prints {
    /// State of a file, and hash of its samples.
    pub(crate) fn sampled(&self, path: &Path) -> Result<(DiskState, String), EngineError> {
        self.look_up(
            path,
            |known| &mut known.sampled,
            || Ok(glassine_scanfile::sampled_fingerprint(path)?.blake3),
        )
    }

    /// State of a file, and hash of all of it; `progress` gets the bytes done, and is not called if the hash is known.
    pub(crate) fn whole(
        &self,
        path: &Path,
        cancel: &CancelToken,
        progress: &dyn Fn(u64),
    ) -> Result<(DiskState, String), EngineError> {
        self.look_up(
            path,
            |known| &mut known.whole,
            || Ok(glassine_scanfile::fingerprint(path, cancel, progress)?.blake3),
        )
    }

    /// The hash of the whole file, if it was computed for this state.
    pub(crate) fn whole_if_known(&self, state: &DiskState) -> Option<String> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get(state)?.whole.clone()
    }

    fn look_up(
        &self,
        path: &Path,
        field: fn(&mut Known) -> &mut Option<String>,
        make: impl FnOnce() -> Result<String, EngineError>,
    ) -> Result<(DiskState, String), EngineError> {
        let state = || {
            DiskState::of(path).map_err(|source| {
                let path = path.to_owned();
                glassine_scanfile::Error::Io { path, action: "open the file", source }
            })
        };
        let lock = || self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let before = state()?;
        if let Some(known) = lock().get_mut(&before).and_then(|known| field(known).clone()) {
            return Ok((before, known));
        }
        let made = make()?;
        if state()? != before {
            return Err(changed_while_read(path));
        }
        *field(lock().entry(before).or_default()) = Some(made.clone());
        Ok((before, made))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_was_written_to_is_hashed_again() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("scan");
        std::fs::write(&path, b"one").expect("room");
        let prints = Prints::default();
        let hash = |bytes: &[u8]| blake3::hash(bytes).to_hex().to_string();
        let whole = || prints.whole(&path, &CancelToken::new(), &|_| {}).expect("readable").1;
        assert_eq!(whole(), hash(b"one"));
        // Same length and same time of the last write: the system still shows that something changed.
        let time = std::fs::metadata(&path).and_then(|meta| meta.modified()).expect("has a time");
        std::thread::sleep(std::time::Duration::from_millis(20));
        std::fs::write(&path, b"two").expect("room");
        std::fs::File::options().append(true).open(&path).and_then(|f| f.set_modified(time)).expect("ours");
        assert_eq!(whole(), hash(b"two"));
    }

    #[test]
    fn a_file_written_to_while_it_is_hashed_is_told_and_not_remembered() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("scan");
        std::fs::write(&path, vec![1; 3 << 20]).expect("room");
        let prints = Prints::default();
        let has_grown = std::sync::atomic::AtomicBool::new(false);
        let grow = |_| {
            if has_grown.swap(true, std::sync::atomic::Ordering::SeqCst) {
                return;
            }
            let mut file = std::fs::File::options().append(true).open(&path).expect("ours");
            std::io::Write::write_all(&mut file, b"more").expect("room");
        };
        let error = prints.whole(&path, &CancelToken::new(), &grow).expect_err("changed");
        assert!(error.to_string().contains("changed while it was read"), "{error}");
        let bytes = std::fs::read(&path).expect("ours");
        let whole = prints.whole(&path, &CancelToken::new(), &|_| {}).expect("readable").1;
        assert_eq!(whole, blake3::hash(&bytes).to_hex().to_string());
    }
}
