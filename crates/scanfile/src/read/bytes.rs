//! Positioned reads from one open file, shared by many threads. The file is never mapped into memory, so that a file
//! cut short by another program gives an error and not a crash.

use std::fs::{File, Metadata};
use std::io;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use crate::error::{Error, FileChange, ends_early};
use crate::protect::Identity;
use bytemuck::Zeroable;

/// Length and time of the last change.
type Stamp = (u64, Option<SystemTime>);

fn stamp_of(meta: &Metadata) -> Stamp {
    (meta.len(), meta.modified().ok())
}

/// An open file and its length when it was opened; any number of threads may read it at once.
#[derive(Debug)]
pub struct Positioned {
    path: PathBuf,
    file: File,
    identity: Option<Identity>,
    stamp: Stamp,
}

impl Positioned {
    /// Open a regular file for reading; folders, pipes and devices are refused without waiting for them.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let (file, meta) = open_regular(path)?;
        Ok(Self { path: path.to_owned(), file, identity: Identity::of(&meta), stamp: stamp_of(&meta) })
    }

    pub(crate) fn handle(&self) -> &File {
        &self.file
    }

    /// Whether the file is still the one that was opened, by name and by handle.
    pub fn check_unchanged(&self) -> Result<(), Error> {
        let changed = |change| Err(Error::Changed { path: self.path.clone(), change });
        let held = self.file.metadata().map_err(Error::io(&self.path, "measure the file"))?;
        if stamp_of(&held) != self.stamp {
            return changed(FileChange::Rewritten);
        }
        let named = match self.path.metadata() {
            Ok(meta) => meta,
            Err(e) if matches!(e.kind(), io::ErrorKind::NotFound | io::ErrorKind::NotADirectory) => {
                return changed(FileChange::Gone);
            }
            Err(e) => return Err(Error::io(&self.path, "measure the file")(e)),
        };
        let is_same = match (self.identity, Identity::of(&named)) {
            (Some(opened), Some(now)) => opened.has_place_of(&now),
            _ => stamp_of(&named) == self.stamp,
        };
        if is_same { Ok(()) } else { changed(FileChange::Replaced) }
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// Bytes of the file when it was opened.
    pub fn len(&self) -> u64 {
        self.stamp.0
    }

    /// Whether the file was empty when it was opened.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Fill `buffer` from `offset`; a file with too few bytes is malformed, and the error names `what`.
    pub fn read_exact_at(&self, offset: u64, buffer: &mut [u8], what: &str) -> Result<(), Error> {
        let mut done = 0;
        while done < buffer.len() {
            match self.read_at(offset.saturating_add(done as u64), &mut buffer[done..]) {
                Ok(0) => {
                    let there = offset.saturating_add(done as u64).min(self.len());
                    // The file was longer when it was opened.
                    let found = format!("{}: {what} is incomplete", ends_early(there, Some(self.len())));
                    return Err(Error::malformed(&self.path, found));
                }
                Ok(n) => done += n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(Error::io(&self.path, "read the file")(e)),
            }
        }
        Ok(())
    }

    /// `count` bytes from `offset`; the range is checked against the file before memory is allocated.
    pub(crate) fn bytes(&self, offset: u64, count: u64, what: &str) -> Result<Vec<u8>, Error> {
        if offset.checked_add(count).is_none_or(|end| end > self.len()) {
            return Err(Error::cut_short(&self.path, self.len(), offset.checked_add(count)));
        }
        let mut buffer = zeroed(&self.path, what, count)?;
        self.read_exact_at(offset, &mut buffer, what)?;
        Ok(buffer)
    }

    #[cfg(unix)]
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        std::os::unix::fs::FileExt::read_at(&self.file, buffer, offset)
    }

    #[cfg(windows)]
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        std::os::windows::fs::FileExt::seek_read(&self.file, buffer, offset)
    }
}

/// Open a regular file for reading, with its metadata. Folders, pipes and devices are refused with a message, without
/// waiting for them.
pub fn open_regular(path: &Path) -> Result<(File, Metadata), Error> {
    let meta = path.metadata().map_err(Error::io(path, "open the file"))?;
    refuse_special(path, &meta)?;
    let mut options = File::options();
    options.read(true);
    // Another program may put a pipe in the file's place between the check and the opening.
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::custom_flags(
        &mut options,
        rustix::fs::OFlags::NONBLOCK.bits().cast_signed(),
    );
    let file = options.open(path).map_err(Error::io(path, "open the file"))?;
    let meta = file.metadata().map_err(Error::io(path, "measure the file"))?;
    refuse_special(path, &meta)?;
    Ok((file, meta))
}

/// Refuses anything but a regular file, in words.
fn refuse_special(path: &Path, meta: &Metadata) -> Result<(), Error> {
    if meta.is_file() {
        return Ok(());
    }
    if meta.is_dir() {
        return Err(Error::unsupported(path, "a folder", "choose the scan file inside it"));
    }
    Err(Error::unsupported(path, special_kind(meta), "choose a file"))
}

#[cfg(unix)]
fn special_kind(meta: &Metadata) -> &'static str {
    use std::os::unix::fs::FileTypeExt as _;
    let kind = meta.file_type();
    if kind.is_fifo() {
        "a pipe"
    } else if kind.is_socket() {
        "a socket"
    } else {
        "a device"
    }
}

#[cfg(not(unix))]
fn special_kind(_meta: &Metadata) -> &'static str {
    "something that is no file"
}

/// Zeroed memory, or an error if the system has none to give.
pub(crate) fn zeroed<T: Zeroable>(path: &Path, what: &str, count: u64) -> Result<Vec<T>, Error> {
    glassine_raster::zeroed(count).map_err(|refused| Error::memory(path, what, refused.bytes))
}
