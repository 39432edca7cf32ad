//! The open TIFF corpus: sound files give the pixels of an independent reader, damaged ones an error.

use std::path::{Path, PathBuf};

use crate::common::{any_size, crc32, read_all};
use glassine_raster::RegionSource as _;
use glassine_scanfile::Error;
use glassine_testdata::folder;

fn files_under(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

#[test]
fn sound_files_give_the_pixels_of_an_independent_reader() {
    let Some(data) = folder("tiff-corpus").and_then(|corpus| Some(corpus.parent()?.to_owned())) else {
        return;
    };
    let table = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference/tiff_corpus_values.json");
    let table = std::fs::read_to_string(table).expect("the table of expected values is committed");
    let table: serde_json::Value = serde_json::from_str(&table).expect("the table is JSON");
    let mut read = 0;
    for (name, expected) in table.as_object().expect("one entry a file") {
        let result = read_all(&data.join(name), &any_size());
        match (expected.as_str(), result) {
            (Some("refused"), Err(Error::Unsupported { found, hint, .. })) => {
                assert!(!found.is_empty() && !hint.is_empty(), "{name}");
            }
            (None, Ok((scan, all))) => {
                let number = |key: &str| expected[key].as_u64();
                assert_eq!(Some(u64::from(scan.width())), number("width"), "{name}");
                assert_eq!(Some(u64::from(scan.height())), number("height"), "{name}");
                assert_eq!(Some(u64::from(scan.channels())), number("channels"), "{name}");
                assert_eq!(Some(crc32(all.data()).as_str()), expected["crc32"].as_str(), "{name}");
                read += 1;
            }
            (_, other) => panic!("{name}: expected {expected}, got {:?}", other.map(|(scan, _)| scan)),
        }
    }
    assert!(read >= 50, "only {read} files were read");
}

#[test]
fn damaged_files_give_an_error_and_never_a_crash() {
    let Some(damaged) = folder("tiff-corpus/malformed") else { return };
    let files = files_under(&damaged);
    assert!(files.len() >= 100, "only {} files", files.len());
    let start = std::time::Instant::now();
    for path in &files {
        if let Err(error) = read_all(path, &any_size()) {
            assert!(error.to_string().contains(&*path.to_string_lossy()), "{error}");
        }
    }
    assert!(start.elapsed().as_secs() < 30, "{:?}", start.elapsed());
}

/// The same walk in a process that is limited to 4 GiB of address space.
#[cfg(target_os = "linux")]
#[test]
fn damaged_files_are_harmless_in_a_small_address_space() {
    let me = std::env::current_exe().expect("own path");
    let status = std::process::Command::new("sh")
        .args([
            "-c",
            "ulimit -v 4194304 && exec \"$0\" --exact damaged_files_give_an_error_and_never_a_crash",
        ])
        .arg(me)
        .stdout(std::process::Stdio::null())
        .status()
        .expect("sh is there");
    assert!(status.success(), "{status}");
}
