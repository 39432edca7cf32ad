//! Inputs that are no scan: pipes, devices, folders, pictures of a few pixels; and what happens to a file while it is
//! open.

#![cfg(unix)]

use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::common::{any_size, in_folder, read_all};
use glassine_scanfile::{AtomicFile, Error, FileChange, OpenOptions, Overwrite, Scan, protected_at};
use glassine_testdata::tiff::{Form, Page, make_tiff};

const LITTLE: Form = Form { big_endian: false, big: false };

/// Open on another thread, so that an endless wait fails the test.
fn opened(path: PathBuf) -> Result<Scan, Error> {
    let (sender, receiver) = std::sync::mpsc::sync_channel(1);
    std::thread::Builder::new()
        .spawn(move || sender.send(Scan::open(&path, &OpenOptions::default())).expect("somebody waits"))
        .expect("a thread");
    receiver.recv_timeout(Duration::from_secs(10)).expect("an answer in time")
}

#[test]
fn pipes_sockets_devices_and_folders_are_refused_in_words_and_at_once() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let (pipe, socket) = (folder.path().join("pipe"), folder.path().join("socket"));
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().expect("mkfifo runs").success());
    let _listener = std::os::unix::net::UnixListener::bind(&socket).expect("bound");
    let zero = PathBuf::from("/dev/zero");
    for (path, word) in
        [(pipe, "a pipe"), (socket, "a socket"), (zero, "a device"), (folder.path().to_owned(), "a folder")]
    {
        for print in [
            glassine_scanfile::sampled_fingerprint(&path).map(drop),
            glassine_scanfile::fingerprint(&path, &glassine_raster::CancelToken::new(), &|_| {}).map(drop),
        ] {
            assert!(matches!(print, Err(Error::Unsupported { .. })), "{print:?}");
        }
        match opened(path) {
            Err(Error::Unsupported { found, hint, .. }) => {
                assert!(found.contains(word) && !hint.is_empty(), "{found}");
            }
            other => panic!("{word}: {other:?}"),
        }
    }
}

#[test]
fn pictures_too_small_for_a_scan_are_refused() {
    for (w, h) in [(1, 1), (2, 2), (14, 14), (16, 12), (1, 100), (24, 4), (3000, 1), (63, 63), (64, 15)] {
        let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[Page::new(w, h, 3, 16)]));
        match Scan::open(&path, &OpenOptions::default()) {
            Err(Error::Unsupported { found, .. }) => {
                assert!(found.contains("too small for a scan"), "{found}")
            }
            other => panic!("{w} x {h}: {other:?}"),
        }
        read_all(&path, &any_size()).expect("readable when it is asked for");
    }
    let (_folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[Page::new(64, 16, 3, 16)]));
    Scan::open(&path, &OpenOptions::default()).expect("large enough");
}

#[test]
fn a_name_that_is_not_utf_8_is_read_and_written() {
    let bytes = make_tiff(LITTLE, &[Page::new(64, 32, 3, 16)]);
    let (folder, _) = in_folder("other", b"");
    let path = folder.path().join(OsStr::from_bytes(b"sc\xE4n \xFF.tif"));
    std::fs::write(&path, &bytes).expect("written");
    let scan = Scan::open(&path, &OpenOptions::default()).expect("readable");
    assert_eq!(scan.info().path, path);
    scan.check_unchanged().expect("the same file");
    assert!(glassine_scanfile::sampled_fingerprint(&path).is_ok());
    let out = folder.path().join(OsStr::from_bytes(b"\xE4\xFF.bin"));
    AtomicFile::create(&out, Overwrite::Never).and_then(AtomicFile::commit).expect("written");
    assert!(out.is_file());
}

fn change_of(scan: &Scan) -> Option<FileChange> {
    match scan.check_unchanged() {
        Ok(()) => None,
        Err(Error::Changed { change, .. }) => Some(change),
        Err(other) => panic!("{other}"),
    }
}

#[test]
fn an_open_scan_tells_when_its_file_was_moved_replaced_or_written_to() {
    let bytes = make_tiff(LITTLE, &[Page::new(64, 32, 3, 16)]);
    let (folder, path) = in_folder("scan.tif", &bytes);
    let beside = folder.path().join("beside.tif");
    let scan = Scan::open(&path, &OpenOptions::default()).expect("readable");
    assert_eq!(change_of(&scan), None);
    std::fs::rename(&path, &beside).expect("moved");
    assert_eq!(change_of(&scan), Some(FileChange::Gone));
    std::fs::write(&path, &bytes).expect("written");
    assert_eq!(change_of(&scan), Some(FileChange::Replaced));
    std::fs::rename(&beside, &path).expect("moved back");
    assert_eq!(change_of(&scan), None);
    std::fs::write(&path, &bytes).expect("the same bytes, written again");
    let later = std::time::SystemTime::now() + Duration::from_secs(3);
    std::fs::File::options().write(true).open(&path).and_then(|f| f.set_modified(later)).expect("set");
    assert_eq!(change_of(&scan), Some(FileChange::Rewritten));
}

#[test]
fn a_separate_infrared_file_is_watched_and_protected_too() {
    let (folder, path) = in_folder("scan.tif", &make_tiff(LITTLE, &[Page::new(64, 32, 3, 16)]));
    let side = folder.path().join("side.tif");
    std::fs::write(&side, make_tiff(LITTLE, &[Page::new(64, 32, 1, 16)])).expect("written");
    let options = OpenOptions { infrared_file: Some(side.clone()), ..OpenOptions::default() };
    let scan = Scan::open(&path, &options).expect("readable");
    let is_protected = |path: &Path| protected_at(path).is_some();
    assert!(is_protected(&path) && is_protected(&side));
    let moved = folder.path().join("moved.tif");
    std::fs::rename(&side, &moved).expect("moved");
    assert!(is_protected(&moved), "an open scan is known under its new name");
    assert!(matches!(scan.check_unchanged(), Err(Error::Changed { path, .. }) if path == side));
    drop(scan);
    assert!(!is_protected(&path) && !is_protected(&side) && !is_protected(&moved));
}
