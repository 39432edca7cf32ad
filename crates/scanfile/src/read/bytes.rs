//! Positioned reads from one open file, shared by many threads; the file is never mapped into memory, so that a file
//! cut short by another program gives an error and not a crash.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use crate::Error;

/// An open file and its length when it was opened; any number of threads may read it at once.
#[derive(Debug)]
pub struct Positioned {
    path: PathBuf,
    file: File,
    len: u64,
}

impl Positioned {
    /// Open a file for reading; a folder is refused.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let file = File::open(path).map_err(Error::io(path, "open"))?;
        let meta = file.metadata().map_err(Error::io(path, "measure"))?;
        if meta.is_dir() {
            return Err(Error::unsupported(path, "a folder", "choose the scan file inside it"));
        }
        Ok(Self { path: path.to_owned(), file, len: meta.len() })
    }

    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// Bytes of the file when it was opened.
    pub fn len(&self) -> u64 {
        self.len
    }

    /// Whether the file had no byte when it was opened.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// Fill `buffer` from `offset`; fewer bytes in the file than that is a malformed file, and `what` is named.
    pub fn read_exact_at(&self, offset: u64, buffer: &mut [u8], what: &str) -> Result<(), Error> {
        let mut done = 0;
        while done < buffer.len() {
            match self.read_at(offset.saturating_add(done as u64), &mut buffer[done..]) {
                Ok(0) => {
                    let (wanted, got) = (buffer.len(), done);
                    return Err(Error::malformed(
                        &self.path,
                        format!("cut short: {what} needs {wanted} bytes at {offset}, only {got} are there,"),
                    ));
                }
                Ok(n) => done += n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(Error::io(&self.path, "read")(e)),
            }
        }
        Ok(())
    }

    /// `count` bytes from `offset`; the range is checked against the file before memory is taken.
    pub(crate) fn bytes(&self, offset: u64, count: u64, what: &str) -> Result<Vec<u8>, Error> {
        if offset.checked_add(count).is_none_or(|end| end > self.len) {
            let len = self.len;
            return Err(Error::malformed(
                &self.path,
                format!("cut short: {what} needs {count} bytes at {offset}, the file has {len} bytes,"),
            ));
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

/// Zeroed memory, or an error when the system has none to give.
pub(crate) fn zeroed<T: Clone + Default>(path: &Path, what: &str, count: u64) -> Result<Vec<T>, Error> {
    let over = || Error::memory(path, what, count.saturating_mul(size_of::<T>() as u64));
    let n = usize::try_from(count).map_err(|_| over())?;
    // Asked for first, so that a refusal is an answer; zeros straight from the system are then written by nobody.
    Vec::<T>::new().try_reserve_exact(n).map_err(|_| over())?;
    Ok(vec![T::default(); n])
}
