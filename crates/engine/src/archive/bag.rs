//! Packages after RFC 8493 (`BagIt` 1.0): a folder with checksums of everything in it, and the check of such a folder.

use std::collections::BTreeMap;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use glassine_raster::CancelToken;
use glassine_scanfile::{Overwrite, open_regular, write_bytes_atomic};
use sha2::{Digest as _, Sha256};

use super::notes::line;
use crate::error::{EngineError, Notice, Severity};
use crate::types::{FolderCheck, FolderFault, FolderFinding};

const DECLARATION: &str = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
const MANIFEST: &str = "manifest-sha256.txt";
const TAG_MANIFEST: &str = "tagmanifest-sha256.txt";
/// Folder of the payload.
pub(super) const PAYLOAD: &str = "data";

/// SHA-256 of a file, lower-case hexadecimal, and its length.
pub(super) fn sha256(path: &Path, cancel: &CancelToken) -> Result<(String, u64), EngineError> {
    let (mut file, _) = open_regular(path)?;
    let mut hasher = Sha256::new();
    let (mut piece, mut bytes) = (vec![0; 1 << 20], 0);
    loop {
        cancel.check()?;
        let count = file.read(&mut piece).map_err(|error| unreadable(path, &error))?;
        if count == 0 {
            break;
        }
        hasher.update(&piece[..count]);
        bytes += count as u64;
    }
    let hex = hasher.finalize().iter().fold(String::new(), |mut hex, byte| {
        hex.push_str(&format!("{byte:02x}"));
        hex
    });
    Ok((hex, bytes))
}

fn unreadable(path: &Path, error: &std::io::Error) -> EngineError {
    let headline = format!("the file or folder can't be read: {error}");
    EngineError::Permanent(Notice::new(Severity::Error, headline, "check the disk").about(path))
}

/// Every file below a folder as path with `/`, sorted. Links are listed, never followed.
fn files_below(folder: &Path) -> Result<Vec<String>, EngineError> {
    let (mut files, mut open) = (Vec::new(), vec![folder.to_owned()]);
    while let Some(inner) = open.pop() {
        let entries = std::fs::read_dir(&inner).map_err(|error| unreadable(&inner, &error))?;
        for entry in entries {
            let path = entry.map_err(|error| unreadable(&inner, &error))?.path();
            if path.is_dir() && !path.is_symlink() {
                open.push(path);
            } else if let Ok(below) = path.strip_prefix(folder) {
                let parts: Vec<_> = below.iter().map(|part| part.to_string_lossy()).collect();
                files.push(parts.join("/"));
            }
        }
    }
    files.sort();
    Ok(files)
}

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

/// Close a package: `about` are the labels and values of `bag-info.txt`.
pub(super) fn close(
    folder: &Path,
    about: &[(&str, String)],
    cancel: &CancelToken,
) -> Result<(), EngineError> {
    let (mut manifest, mut bytes, mut count) = (String::new(), 0, 0_u64);
    for file in files_below(&folder.join(PAYLOAD))? {
        let (hash, length) = sha256(&folder.join(PAYLOAD).join(&file), cancel)?;
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

/// Compare a package with its manifests: every file is read.
pub(super) fn check(folder: &Path, cancel: &CancelToken) -> Result<FolderCheck, EngineError> {
    let is_package = folder.join("bagit.txt").is_file() && folder.join(MANIFEST).is_file();
    if !is_package {
        return Err(EngineError::Permanent(
            Notice::new(
                Severity::Error,
                "this is no complete package: bagit.txt or manifest-sha256.txt is missing",
                "name the folder that glassine archive wrote, or a session",
            )
            .about(folder),
        ));
    }
    let mut listed = manifest_of(&folder.join(MANIFEST))?;
    let tags = folder.join(TAG_MANIFEST);
    if tags.is_file() {
        listed.extend(manifest_of(&tags)?);
    }
    let mut result = FolderCheck { files: listed.len(), findings: Vec::new() };
    let mut add =
        |path: &str, fault| result.findings.push(FolderFinding { path: PathBuf::from(path), fault });
    for (file, hash) in &listed {
        let path = folder.join(file);
        let leads_out =
            Path::new(file).components().any(|part| !matches!(part, std::path::Component::Normal(_)));
        if leads_out || !path.is_file() {
            add(file, FolderFault::Missing);
        } else {
            match sha256(&path, cancel) {
                Ok((found, _)) if found == *hash => {}
                Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
                _ => add(file, FolderFault::Changed),
            }
        }
    }
    for file in files_below(folder)? {
        // Tag files need not be listed.
        if !listed.contains_key(&file) && file != TAG_MANIFEST {
            add(&file, FolderFault::Extra);
        }
    }
    Ok(result)
}
