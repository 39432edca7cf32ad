//! Scan files are closed and reopened unnoticed, and never confused with other files.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_raster::{CancelToken, PixelRect, RegionSource as _};
use glassine_session::ScanRef;

use super::handles::Handles;
use super::store::ScanStore;
use crate::scans::overview_cache::OverviewCache;

/// A 16-bit uncompressed grey TIFF of 64 columns, all its samples `code`; rows beyond the first 64 are a hole.
pub(crate) fn write_scan(path: &Path, rows: u32, code: u16) {
    const WIDTH: u32 = 64;
    let bytes = WIDTH * rows * 2;
    let tags = [
        (256_u16, 4_u16, 1_u32, WIDTH),
        (257, 4, 1, rows),
        (258, 3, 1, 16),
        (259, 3, 1, 1),
        (262, 3, 1, 1),
        (273, 4, 1, 256),
        (277, 3, 1, 1),
        (278, 4, 1, rows),
        (279, 4, 1, bytes),
    ];
    let mut head = b"II\x2a\x00\x08\x00\x00\x00".to_vec();
    head.extend((tags.len() as u16).to_le_bytes());
    for (tag, kind, count, value) in tags {
        head.extend(tag.to_le_bytes());
        head.extend(kind.to_le_bytes());
        head.extend(count.to_le_bytes());
        head.extend(value.to_le_bytes());
    }
    head.resize(256, 0);
    head.extend(code.to_le_bytes().repeat((WIDTH * rows.min(64)) as usize));
    std::fs::write(path, head).expect("room");
    let file = File::options().write(true).open(path).expect("ours");
    file.set_len(256 + u64::from(bytes)).expect("room for a hollow file");
}

fn scan(path: PathBuf) -> ScanRef {
    ScanRef { path, ..ScanRef::default() }
}

fn first_code(open: &super::OpenScan) -> Result<u16, String> {
    let samples = open.read(PixelRect::of_size(1, 1), &CancelToken::new()).map_err(|e| e.to_string())?;
    Ok(samples.data()[0])
}

#[test]
fn scans_beyond_the_bound_are_closed_and_read_again_when_wanted() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let store = ScanStore::with_handles(Arc::default(), Handles::with_most(3));
    let open: Vec<_> = (0..10_u16)
        .map(|nth| {
            let path = folder.path().join(format!("{nth}.tif"));
            write_scan(&path, 64, 1000 + nth);
            store.get(&scan(path), None).expect("opens")
        })
        .collect();
    assert_eq!(store.shared.handles.count(), 3);
    for (nth, open) in open.iter().enumerate() {
        assert_eq!(first_code(open), Ok(1000 + nth as u16));
        assert!(store.shared.handles.count() <= 3);
    }
    // The least recently used was closed: the last three stay open.
    let handles = &store.shared.handles;
    drop(open);
    drop(store.keep_only(&[], None));
    assert_eq!(handles.count(), 0);
}

#[test]
fn a_file_that_took_the_place_of_a_closed_one_is_not_read_as_if_it_were_the_same() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let store = ScanStore::with_handles(Arc::default(), Handles::with_most(1));
    let [one, two] = ["one.tif", "two.tif"].map(|name| folder.path().join(name));
    write_scan(&one, 64, 100);
    write_scan(&two, 64, 200);
    let before = store.get(&scan(one.clone()), None).expect("opens");
    store.get(&scan(two), None).expect("opens");
    // Another file of the same length, under the same name.
    std::thread::sleep(std::time::Duration::from_millis(20));
    write_scan(&one, 64, 300);
    let told = first_code(&before).expect_err("another file");
    assert!(told.contains("changed while it was read"), "{told}");
    // The store gives the new file, under a new id, and reports the change once.
    let after = store.get(&scan(one.clone()), None).expect("opens");
    assert_eq!(first_code(&after), Ok(300));
    assert_ne!(after.id(), before.id());
    assert_eq!(store.take_changed(), [one]);
    assert!(store.take_changed().is_empty());
}

#[test]
fn a_file_that_is_away_for_a_moment_is_read_again() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let store = ScanStore::with_handles(Arc::default(), Handles::with_most(1));
    let [one, two, away] = ["one.tif", "two.tif", "away.tif"].map(|name| folder.path().join(name));
    write_scan(&one, 64, 100);
    write_scan(&two, 64, 200);
    let open = store.get(&scan(one.clone()), None).expect("opens");
    store.get(&scan(two), None).expect("opens");
    std::fs::rename(&one, &away).expect("ours");
    assert!(first_code(&open).is_err());
    assert!(store.get(&scan(one.clone()), None).is_ok_and(|same| same.id() == open.id()));
    std::fs::rename(&away, &one).expect("ours");
    assert_eq!(first_code(&open), Ok(100));
}

#[test]
fn an_overview_of_a_scan_that_could_not_be_looked_at_is_kept_once_it_can() {
    /// 200 MB of samples: worth keeping.
    const ROWS: u32 = 1_600_000;
    let folder = tempfile::tempdir().expect("temporary folder");
    let [path, away] = ["long.tif", "away.tif"].map(|name| folder.path().join(name));
    write_scan(&path, ROWS, 500);
    let cache = Arc::new(OverviewCache::with_fallback(Some(folder.path().join("cache"))));
    let store = ScanStore::with_handles(Arc::clone(&cache), Handles::with_most(4));
    let open = store.get(&scan(path.clone()), None).expect("opens");
    std::fs::rename(&path, &away).expect("ours");
    open.overview(&CancelToken::new(), &|_| {}).expect("the open file can be read");
    cache.settle();
    assert!(!folder.path().join("cache").exists());
    std::fs::rename(&away, &path).expect("ours");
    open.keep_overview();
    cache.settle();
    assert_eq!(std::fs::read_dir(folder.path().join("cache")).expect("kept").count(), 1);
}

#[test]
fn the_gain_of_a_scan_never_depends_on_who_else_is_at_work_on_it() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let path = folder.path().join("dark.tif");
    write_scan(&path, 64, 6_553);
    let store = ScanStore::default();
    let open = store.get(&scan(path), None).expect("opens");
    open.overview(&CancelToken::new(), &|_| {}).expect("reads");
    let busy = open.hold_overview();
    let gain = open.display_gain(&CancelToken::new()).expect("known");
    assert!((gain - 10.0).abs() < 0.01, "{gain}");
    drop(busy);
}

#[test]
fn two_thousand_scans_of_one_kind_share_their_tables() {
    let folder = tempfile::tempdir().expect("temporary folder");
    let store = ScanStore::default();
    let gamma = |nth: usize| {
        let path = folder.path().join(format!("{nth}.tif"));
        write_scan(&path, 64, 500);
        let encoding = glassine_session::EncodingChoice::Gamma(2.2);
        store.get(&ScanRef { encoding, ..scan(path) }, None).expect("opens")
    };
    let (one, two) = (gamma(1), gamma(2));
    assert!(Arc::ptr_eq(&one.tables, &two.tables));
}
