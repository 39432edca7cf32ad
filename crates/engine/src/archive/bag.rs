//! Packages after RFC 8493 (`BagIt` 1.0): a folder with checksums of everything in it, and the check of such a folder.

use std::collections::BTreeMap;
use std::path::Path;

use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, write_bytes_atomic};

use super::notes::line;
use crate::checksum::{compare, files_below, sha256, unreadable};
use crate::error::{EngineError, Notice, Severity};
use crate::types::FolderCheck;

const DECLARATION: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
const MANIFEST: &str = "manifest-sha256.txt";
const TAG_MANIFEST: &str = "tagmanifest-sha256.txt";
/// Folder of the payload.
pub(super) const PAYLOAD: &str = "data";

/// A path as a manifest holds it. Source: RFC 8493, 2.1.3.
fn escaped(path: &str) -> String {
    path.replace('%', "%25").replace('\n', "%0A").replace('\r', "%0D")
}

fn unescaped(path: &str) -> String {
    path.replace("%0A", "\n")
        .replace("%0D", "\r")
        .replace("%0a", "\n")
        .replace("%0d", "\r")
        .replace("%25", "%")
}

/// Checksums and lengths of files, by path below the payload.
pub(super) type Checksums = BTreeMap<String, (String, u64)>;

/// Close a package: `about` are the labels and values of `bag-info.txt`; files of `known` checksum are not read.
pub(super) fn close(
    folder: &Path,
    about: &[(&str, String)],
    known: &Checksums,
    cancel: &CancelToken,
) -> Result<(), EngineError> {
    let (mut manifest, mut bytes, mut count) = (String::new(), 0, 0_u64);
    for file in files_below(&folder.join(PAYLOAD))? {
        let (hash, length) = match known.get(&file) {
            Some(known) => known.clone(),
            None => sha256(&folder.join(PAYLOAD).join(&file), cancel)?,
        };
        line(&mut manifest, &format!("{hash}  {PAYLOAD}/{}", escaped(&file)));
        (bytes, count) = (bytes + length, count + 1);
    }
    let mut info = String::new();
    for (label, value) in about {
        line(&mut info, &format!("{label}: {}", value.replace(['\n', '\r'], " ").trim()));
    }
    line(&mut info, &format!("Payload-Oxum: {bytes}.{count}"));
    let mut tags = String::new();
    for (name, text) in
        [("bag-info.txt", &info), ("bagit.txt", &DECLARATION.to_owned()), (MANIFEST, &manifest)]
    {
        let path = folder.join(name);
        write_bytes_atomic(&path, text.as_bytes(), Overwrite::Never, None)?;
        line(&mut tags, &format!("{}  {name}", sha256(&path, cancel)?.0));
    }
    write_bytes_atomic(&folder.join(TAG_MANIFEST), tags.as_bytes(), Overwrite::Never, None)?;
    Ok(())
}

fn manifest_of(path: &Path) -> Result<BTreeMap<String, String>, EngineError> {
    let text = std::fs::read_to_string(path).map_err(|error| unreadable(path, &error))?;
    let entry = |line: &str| {
        let (hash, file) = line.split_once([' ', '\t'])?;
        Some((unescaped(file.trim_start().trim_start_matches('*')), hash.to_ascii_lowercase()))
    };
    Ok(text.lines().filter_map(entry).collect())
}

/// Whether a folder is a complete package.
pub(super) fn is_package(folder: &Path) -> bool {
    folder.join("bagit.txt").is_file() && folder.join(MANIFEST).is_file()
}

/// Compare a package with its manifests: every file is read.
pub(super) fn check(folder: &Path, cancel: &CancelToken) -> Result<FolderCheck, EngineError> {
    if !is_package(folder) {
        return Err(EngineError::Permanent(
            Notice::new(
                Severity::Error,
                "this is neither a complete package nor the folder of an export: it has no manifest",
                "name a folder that glassine archive or glassine export --update wrote, or a session",
            )
            .about(folder),
        ));
    }
    let mut listed = manifest_of(&folder.join(MANIFEST))?;
    let tags = folder.join(TAG_MANIFEST);
    if tags.is_file() {
        listed.extend(manifest_of(&tags)?);
    }
    // Tag files need not be listed.
    let is_listed = |file: &str| file == TAG_MANIFEST || listed.contains_key(file);
    compare(folder, listed.iter().map(|(file, hash)| (file.as_str(), hash.as_str())), is_listed, cancel)
}
