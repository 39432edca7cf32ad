//! Files that appear whole or not at all.
//!
//! Bytes go to a temporary file in the same folder; committing syncs it, gives it the final name in one step of the
//! file system, and syncs the folder so that the name survives a power cut too. The final name never holds a partial
//! file, and an earlier file is kept until the new one is complete.

use std::fs::{self, File};
use std::io::{self, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use crate::protect::{is_same_file, protected_at};
use crate::{Error, parts};

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
    /// Start a file that will be called `path`. Fails at once if the name is taken and may not be replaced, or must not
    /// be written: a link, a folder, a protected file.
    pub fn create(path: &Path, overwrite: Overwrite) -> Result<Self, Error> {
        check_target(path, overwrite)?;
        parts::remove_abandoned_parts_once(folder_of(path));
        let new_part = |name: &Path| File::options().read(true).write(true).create_new(true).open(name);
        let temp = parts::builder()
            .make_in(folder_of(path), new_part)
            .map_err(Error::io(path, "create a temporary file beside it"))?;
        // The lock tells other hosts that the writer is alive; the system releases it when the process ends. Where
        // locks do not exist, other hosts leave the part alone.
        drop(temp.as_file().try_lock());
        Ok(Self { temp, path: path.to_owned(), overwrite })
    }

    /// The final name.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Path of the bytes until the file has its name.
    pub(crate) fn temporary_path(&self) -> &Path {
        self.temp.path()
    }

    /// Another handle to the same bytes and the same position in them, for encoders that keep their writer.
    pub(crate) fn second_handle(&self) -> Result<File, Error> {
        self.temp.as_file().try_clone().map_err(Error::io(&self.path, "write the file"))
    }

    /// Sync what was written so far to the disk.
    pub(crate) fn sync(&self) -> Result<(), Error> {
        self.temp.as_file().sync_all().map_err(Error::io(&self.path, "write the file to disk"))
    }

    /// Bytes written so far: the length of the temporary file.
    pub fn bytes(&self) -> Result<u64, Error> {
        Ok(self.temp.as_file().metadata().map_err(Error::io(&self.path, "measure the file"))?.len())
    }

    /// Sync, take the final name, sync the folder. Returns the length in bytes.
    ///
    /// With [`Overwrite::Never`], taking the name fails if another program took it meanwhile.
    pub fn commit(self) -> Result<u64, Error> {
        let Self { mut temp, path, overwrite } = self;
        temp.flush().map_err(Error::io(&path, "write the file"))?;
        keep_permissions(temp.as_file(), &path)?;
        temp.as_file().sync_all().map_err(Error::io(&path, "write the file to disk"))?;
        let bytes = temp.as_file().metadata().map_err(Error::io(&path, "measure the file"))?.len();
        // Checked again after long work: a scan may have come to the name since the first check.
        check_target(&path, overwrite)?;
        let persisted = match overwrite {
            Overwrite::Replace => temp.persist(&path),
            Overwrite::Never => temp.persist_noclobber(&path),
        };
        if let Err(refused) = persisted {
            return Err(match refused.error.kind() {
                io::ErrorKind::AlreadyExists => Error::AlreadyExists { path },
                _ => Error::io(&path, "give the file its final name")(refused.error),
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
/// With `keep_previous` the replaced version stays under that name: it is linked there before the new file takes its
/// place, so at no moment are both names without a complete file.
pub fn write_bytes_atomic(
    path: &Path,
    bytes: &[u8],
    overwrite: Overwrite,
    keep_previous: Option<&Path>,
) -> Result<(), Error> {
    let mut file = AtomicFile::create(path, overwrite)?;
    file.write_all(bytes).map_err(Error::io(path, "write the file"))?;
    if let (Some(previous), true) = (keep_previous, file.path().is_file()) {
        keep(file.path(), previous)?;
    }
    file.commit().map(|_| ())
}

/// Make `previous` hold what `path` holds now: by a hard link if the file system has them, else by a copy.
fn keep(path: &Path, previous: &Path) -> Result<(), Error> {
    check_target(previous, Overwrite::Replace)?;
    // A save that was stopped after this step leaves two names of one file. Renaming one link of a file over another
    // does nothing, so the temporary link would stay.
    if is_same_file(path, previous) {
        return Ok(());
    }
    let linked = parts::builder().make_in(folder_of(previous), |name| fs::hard_link(path, name));
    match linked {
        Ok(temp) => {
            temp.into_temp_path()
                .persist(previous)
                .map_err(|refused| Error::io(previous, "keep the version before")(refused.error))?;
            Ok(())
        }
        Err(_) => {
            let mut copy = AtomicFile::create(previous, Overwrite::Replace)?;
            let mut old = File::open(path).map_err(Error::io(path, "open the file"))?;
            io::copy(&mut old, &mut copy).map_err(Error::io(previous, "keep the version before"))?;
            copy.commit().map(|_| ())
        }
    }
}

/// Whether a file may take this name now.
fn check_target(path: &Path, overwrite: Overwrite) -> Result<(), Error> {
    if path.file_name().is_none() {
        return Err(Error::usage(path, "the name of the file is missing"));
    }
    if let Some(input) = protected_at(path) {
        return Err(Error::ProtectedInput { path: path.to_owned(), input });
    }
    let Ok(meta) = path.symlink_metadata() else { return Ok(()) };
    let kind = meta.file_type();
    if kind.is_symlink() {
        return Err(Error::IsLink { path: path.to_owned() });
    }
    if !kind.is_file() {
        let what = if kind.is_dir() { "a folder" } else { "a device or pipe" };
        return Err(Error::NameTaken { path: path.to_owned(), what });
    }
    match overwrite {
        Overwrite::Never => Err(Error::AlreadyExists { path: path.to_owned() }),
        Overwrite::Replace => Ok(()),
    }
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

/// A file that replaces another keeps its permissions; a new one follows the rules of the process.
fn keep_permissions(file: &File, path: &Path) -> Result<(), Error> {
    match fs::metadata(path) {
        Ok(old) => file.set_permissions(old.permissions()).map_err(Error::io(path, "set its permissions")),
        Err(_) => Ok(()),
    }
}

#[cfg(unix)]
fn sync_folder(path: &Path) -> Result<(), Error> {
    let folder = folder_of(path);
    match File::open(folder).and_then(|f| f.sync_all()) {
        // Some network file systems cannot sync a folder; there the name is already as safe as it can be.
        Err(e) if matches!(e.kind(), io::ErrorKind::InvalidInput | io::ErrorKind::Unsupported) => Ok(()),
        other => other.map_err(Error::io(folder, "write the folder to disk")),
    }
}

#[cfg(not(unix))]
fn sync_folder(_path: &Path) -> Result<(), Error> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::protect::protect;

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
    fn a_protected_file_is_refused_under_every_name_and_keeps_its_bytes() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let (scan, hard, soft) =
            (folder.path().join("scan.tif"), folder.path().join("hard.tif"), folder.path().join("soft.tif"));
        let linked_folder = folder.path().join("linked");
        fs::write(&scan, b"scan").expect("written");
        fs::hard_link(&scan, &hard).expect("linked");
        std::os::unix::fs::symlink(&scan, &soft).expect("linked");
        std::os::unix::fs::symlink(folder.path(), &linked_folder).expect("linked");
        let guard = protect(&scan);
        for name in [&scan, &hard, &soft, &linked_folder.join("scan.tif")] {
            for overwrite in [Overwrite::Replace, Overwrite::Never] {
                let refused = AtomicFile::create(name, overwrite).expect_err("protected");
                assert!(
                    matches!(&refused, Error::ProtectedInput { input, .. } if *input == scan),
                    "{} {refused}",
                    name.display()
                );
            }
        }
        let kept = write_bytes_atomic(&folder.path().join("new"), b"x", Overwrite::Never, Some(&scan));
        assert!(kept.is_ok(), "nothing to keep yet");
        let kept = write_bytes_atomic(&folder.path().join("new"), b"y", Overwrite::Replace, Some(&scan));
        assert!(matches!(kept, Err(Error::ProtectedInput { .. })), "{kept:?}");
        assert_eq!(fs::read(&scan).expect("read"), b"scan");
        drop(guard);
        AtomicFile::create(&scan, Overwrite::Replace).expect("protected no longer");
    }

    #[test]
    fn a_scan_that_comes_to_the_name_while_writing_is_not_replaced() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let (path, scan) = (folder.path().join("a.tif"), folder.path().join("scan.tif"));
        fs::write(&scan, b"scan").expect("written");
        let guard = protect(&scan);
        let mut file = AtomicFile::create(&path, Overwrite::Replace).expect("created");
        file.write_all(b"ours").expect("written");
        fs::rename(&scan, &path).expect("moved");
        let refused = file.commit().expect_err("the scan is there now");
        assert!(matches!(refused, Error::ProtectedInput { .. }), "{refused}");
        assert_eq!(fs::read(&path).expect("read"), b"scan");
        assert_eq!(names_in(folder.path()), ["a.tif"]);
        drop(guard);
    }

    #[test]
    fn a_scan_that_is_missing_is_protected_under_its_path_once_it_is_back() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let scan = folder.path().join("scan.tif");
        let guard = protect(&scan);
        assert!(matches!(AtomicFile::create(&scan, Overwrite::Never), Err(Error::ProtectedInput { .. })));
        fs::write(&scan, b"back").expect("written");
        let hard = folder.path().join("hard.tif");
        fs::hard_link(&scan, &hard).expect("linked");
        assert_eq!(protected_at(&hard).as_deref(), Some(scan.as_path()));
        drop(guard);
        assert_eq!(protected_at(&hard), None);
    }

    #[test]
    fn a_file_that_got_the_inode_of_a_removed_scan_may_be_written() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let scan = folder.path().join("scan.tif");
        fs::write(&scan, b"scan").expect("written");
        let guard = protect(&scan);
        fs::remove_file(&scan).expect("removed");
        for i in 0..20 {
            let other = folder.path().join(format!("other {i}"));
            fs::write(&other, b"other").expect("written");
            assert_eq!(protected_at(&other), None);
        }
        drop(guard);
    }

    #[test]
    fn a_link_at_the_final_name_is_refused_and_what_it_points_to_stays() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let (out, outside) = (folder.path().join("f 01.tif"), folder.path().join("outside.tif"));
        fs::write(&outside, b"outside").expect("written");
        std::os::unix::fs::symlink(&outside, &out).expect("linked");
        for overwrite in [Overwrite::Replace, Overwrite::Never] {
            assert!(matches!(AtomicFile::create(&out, overwrite), Err(Error::IsLink { .. })));
        }
        fs::remove_file(&out).expect("removed");
        let mut file = AtomicFile::create(&out, Overwrite::Replace).expect("created");
        file.write_all(b"ours").expect("written");
        std::os::unix::fs::symlink(&outside, &out).expect("linked");
        assert!(matches!(file.commit(), Err(Error::IsLink { .. })));
        assert_eq!(fs::read(&outside).expect("read"), b"outside");
    }

    #[test]
    fn a_folder_with_the_final_name_is_told_as_such() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let out = folder.path().join("f 01.tif");
        fs::create_dir(&out).expect("made");
        let refused = AtomicFile::create(&out, Overwrite::Replace).expect_err("a folder");
        assert!(refused.to_string().contains("a folder has this name"), "{refused}");
        assert_eq!(refused.hint(), "choose another name or folder");
    }

    #[test]
    fn a_save_after_one_that_was_stopped_halfway_leaves_no_temporary_link() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let (path, previous) = (folder.path().join("s.json"), folder.path().join("s.json.previous"));
        fs::write(&path, b"one").expect("written");
        fs::hard_link(&path, &previous).expect("linked");
        write_bytes_atomic(&path, b"two", Overwrite::Replace, Some(&previous)).expect("written");
        assert_eq!(fs::read(&path).expect("read"), b"two");
        assert_eq!(fs::read(&previous).expect("read"), b"one");
        assert_eq!(names_in(folder.path()), ["s.json", "s.json.previous"]);
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
    fn a_missing_folder_is_an_error_that_names_the_file() {
        let folder = tempfile::tempdir().expect("temporary folder");
        let path = folder.path().join("no/such/a.bin");
        let error = AtomicFile::create(&path, Overwrite::Never).expect_err("no folder");
        assert!(error.to_string().contains("a.bin"), "{error}");
        assert!(!error.hint().is_empty());
    }
}
