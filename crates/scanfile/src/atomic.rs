//! Files that appear whole or not at all.
//!
//! Bytes go to a temporary file in the same folder; committing syncs it, gives it the final name in one step of the
//! file system, and syncs the folder so that the name survives a power cut too. The final name never holds a partial
//! file, and an earlier file is kept until the new one is complete.

use std::fs::{self, File};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use tempfile::NamedTempFile;

use crate::Error;

const PART_PREFIX: &str = ".writing-";
const PART_SUFFIX: &str = ".part";

/// A part younger than this is left alone, because its writer may not have locked it yet.
const PART_AGE: Duration = Duration::from_secs(60);

/// What to do when the final name is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Overwrite {
    /// Leave the earlier file alone and fail.
    Never,
    /// Put the new file in its place.
    Replace,
}

/// A file being written; dropping it without [`Self::commit`] removes every trace.
#[derive(Debug)]
pub struct AtomicFile {
    temp: NamedTempFile,
    path: PathBuf,
    overwrite: Overwrite,
}

impl AtomicFile {
    /// Start a file that will be called `path`. Fails at once when the name is taken and may not be replaced.
    pub fn create(path: &Path, overwrite: Overwrite) -> Result<Self, Error> {
        if path.file_name().is_none() {
            return Err(Error::usage(path, "the name of the file is missing"));
        }
        if overwrite == Overwrite::Never && path.symlink_metadata().is_ok() {
            return Err(Error::AlreadyExists { path: path.to_owned() });
        }
        if path.is_dir() {
            return Err(Error::usage(path, "a folder has this name"));
        }
        // A link is followed, so that replacing a linked file replaces what it points to.
        let path = match (overwrite, path.is_symlink()) {
            (Overwrite::Replace, true) => {
                fs::canonicalize(path).map_err(Error::io(path, "resolve the link"))?
            }
            _ => path.to_owned(),
        };
        let mut builder = tempfile::Builder::new();
        builder.prefix(PART_PREFIX).suffix(PART_SUFFIX);
        #[cfg(unix)]
        builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
        let temp = builder
            .tempfile_in(folder_of(&path))
            .map_err(Error::io(&path, "create a temporary file next to"))?;
        // The lock tells a living writer from one that was killed; the system frees it with the process. Where locks do
        // not exist the file is merely never taken for abandoned.
        drop(temp.as_file().try_lock());
        Ok(Self { temp, path, overwrite })
    }

    /// The final name.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Where the bytes are until the file has its name.
    pub(crate) fn temporary_path(&self) -> &Path {
        self.temp.path()
    }

    /// Bring what was written so far to the disk.
    pub(crate) fn sync(&self) -> Result<(), Error> {
        self.temp.as_file().sync_all().map_err(Error::io(&self.path, "write to disk"))
    }

    /// Bytes written so far: the length of the temporary file.
    pub fn bytes(&self) -> Result<u64, Error> {
        Ok(self.temp.as_file().metadata().map_err(Error::io(&self.path, "measure"))?.len())
    }

    /// Sync, take the final name, sync the folder. Returns the length in bytes.
    ///
    /// With [`Overwrite::Never`] the name is taken by a step that fails when somebody else took it meanwhile.
    pub fn commit(self) -> Result<u64, Error> {
        let Self { mut temp, path, overwrite } = self;
        temp.flush().map_err(Error::io(&path, "write"))?;
        keep_permissions(temp.as_file(), &path)?;
        temp.as_file().sync_all().map_err(Error::io(&path, "write to disk"))?;
        let bytes = temp.as_file().metadata().map_err(Error::io(&path, "measure"))?.len();
        let persisted = match overwrite {
            Overwrite::Replace => temp.persist(&path),
            Overwrite::Never => temp.persist_noclobber(&path),
        };
        if let Err(refused) = persisted {
            return Err(match refused.error.kind() {
                io::ErrorKind::AlreadyExists => Error::AlreadyExists { path },
                _ => Error::io(&path, "give the final name to")(refused.error),
            });
        }
        sync_folder(&path)?;
        Ok(bytes)
    }
}

impl Write for AtomicFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.temp.as_file_mut().write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.temp.as_file_mut().flush()
    }
}

impl Seek for AtomicFile {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.temp.as_file_mut().seek(to)
    }
}

/// Write a whole small file so that the name always holds one complete version.
///
/// With `keep_previous` the version being replaced stays under that name: it is linked there before the new file takes
/// its place, so at no moment are both names without a complete file.
pub fn write_bytes_atomic(
    path: &Path,
    bytes: &[u8],
    overwrite: Overwrite,
    keep_previous: Option<&Path>,
) -> Result<(), Error> {
    let mut file = AtomicFile::create(path, overwrite)?;
    file.write_all(bytes).map_err(Error::io(path, "write"))?;
    if let (Some(previous), true) = (keep_previous, file.path().is_file()) {
        keep(file.path(), previous)?;
    }
    file.commit().map(|_| ())
}

/// Make `previous` hold what `path` holds now: by a hard link where the file system has them, else by a copy.
fn keep(path: &Path, previous: &Path) -> Result<(), Error> {
    let folder = folder_of(previous);
    let linked = tempfile::Builder::new()
        .prefix(PART_PREFIX)
        .suffix(PART_SUFFIX)
        .make_in(folder, |name| fs::hard_link(path, name));
    match linked {
        Ok(temp) => {
            temp.into_temp_path()
                .persist(previous)
                .map_err(|refused| Error::io(previous, "keep the previous version as")(refused.error))?;
            Ok(())
        }
        Err(_) => {
            let mut copy = AtomicFile::create(previous, Overwrite::Replace)?;
            let mut old = File::open(path).map_err(Error::io(path, "open"))?;
            io::copy(&mut old, &mut copy).map_err(Error::io(previous, "keep the previous version as"))?;
            copy.commit().map(|_| ())
        }
    }
}

/// Remove the parts that killed writers left in a folder, and say how many.
///
/// A part counts as abandoned when nobody holds its lock and it was last written more than a minute ago. Whatever cannot
/// be looked at or removed stays.
pub fn remove_abandoned_parts(folder: &Path) -> usize {
    remove_parts_older_than(folder, PART_AGE)
}

fn remove_parts_older_than(folder: &Path, age: Duration) -> usize {
    let Ok(entries) = fs::read_dir(folder) else { return 0 };
    let abandoned = |path: &Path| {
        let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
        let ours = name.starts_with(PART_PREFIX) && name.ends_with(PART_SUFFIX);
        let old = || {
            let written = path.symlink_metadata().and_then(|m| m.modified()).ok()?;
            Some(written.elapsed().ok()? >= age)
        };
        ours && path.is_file()
            && old() == Some(true)
            && File::open(path).is_ok_and(|file| file.try_lock().is_ok())
    };
    entries.flatten().filter(|e| abandoned(&e.path()) && fs::remove_file(e.path()).is_ok()).count()
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// A file that replaces another is as readable as that one was; a new one follows the rules of the process.
fn keep_permissions(file: &File, path: &Path) -> Result<(), Error> {
    match fs::metadata(path) {
        Ok(old) => file.set_permissions(old.permissions()).map_err(Error::io(path, "set the permissions of")),
        Err(_) => Ok(()),
    }
}

#[cfg(unix)]
fn sync_folder(path: &Path) -> Result<(), Error> {
    let folder = folder_of(path);
    match File::open(folder).and_then(|f| f.sync_all()) {
        // Some network file systems cannot sync a folder; there the name is already where it can be.
        Err(e) if matches!(e.kind(), io::ErrorKind::InvalidInput | io::ErrorKind::Unsupported) => Ok(()),
        other => other.map_err(Error::io(folder, "write to disk the folder")),
    }
}

#[cfg(not(unix))]
fn sync_folder(_path: &Path) -> Result<(), Error> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names_in(folder: &Path) -> Vec<String> {
        let mut names: Vec<_> = fs::read_dir(folder)
            .expect("folder is there")
            .map(|e| e.expect("entry").file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_dropped_file_leaves_nothing_behind_and_keeps_the_earlier_one() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("a.bin");
        fs::write(&path, b"earlier").expect("written");
        let mut file = AtomicFile::create(&path, Overwrite::Replace).expect("created");
        file.write_all(b"half").expect("written");
        drop(file);
        assert_eq!(fs::read(&path).expect("read"), b"earlier");
        assert_eq!(names_in(folder.path()), ["a.bin"]);
    }

    #[test]
    fn a_name_that_was_taken_while_writing_is_not_replaced() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("a.bin");
        let mut file = AtomicFile::create(&path, Overwrite::Never).expect("created");
        file.write_all(b"ours").expect("written");
        fs::write(&path, b"theirs").expect("written");
        assert!(matches!(file.commit(), Err(Error::AlreadyExists { .. })));
        assert_eq!(fs::read(&path).expect("read"), b"theirs");
        assert_eq!(names_in(folder.path()), ["a.bin"]);
        assert!(matches!(AtomicFile::create(&path, Overwrite::Never), Err(Error::AlreadyExists { .. })));
    }

    #[test]
    fn the_previous_version_is_kept_beside_the_new_one() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let (path, bak) = (folder.path().join("s.json"), folder.path().join("s.json.bak"));
        for text in ["one", "two", "three"] {
            write_bytes_atomic(&path, text.as_bytes(), Overwrite::Replace, Some(&bak)).expect("written");
        }
        assert_eq!(fs::read_to_string(&path).expect("read"), "three");
        assert_eq!(fs::read_to_string(&bak).expect("read"), "two");
        assert_eq!(names_in(folder.path()), ["s.json", "s.json.bak"]);
    }

    #[test]
    fn only_parts_without_a_living_writer_are_cleared_away() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("a.bin");
        for name in [".writing-dead.part", "other.part", ".writing-kept"] {
            fs::write(folder.path().join(name), b"x").expect("written");
        }
        let living = AtomicFile::create(&path, Overwrite::Never).expect("created");
        assert_eq!(remove_abandoned_parts(folder.path()), 0);
        assert_eq!(remove_parts_older_than(folder.path(), Duration::ZERO), 1);
        living.commit().expect("its part is still there");
        assert_eq!(names_in(folder.path()), [".writing-kept", "a.bin", "other.part"]);
    }

    #[test]
    fn a_missing_folder_is_an_error_that_names_the_file() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("no/such/a.bin");
        let error = AtomicFile::create(&path, Overwrite::Never).expect_err("no folder");
        assert!(error.to_string().contains("a.bin"), "{error}");
        assert!(!error.hint().is_empty());
    }
}
