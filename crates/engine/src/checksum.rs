//! Checksums of files and lists of folders, for manifests.

use std::io::Read as _;
use std::path::{Component, Path, PathBuf};

use glassine_raster::CancelToken;
use glassine_scanfile::open_regular;
use sha2::{Digest as _, Sha256};

use crate::error::{EngineError, Notice, Severity};
use crate::types::{FolderCheck, FolderFault, FolderFinding};

/// Lower-case hexadecimal of a finished hash.
pub(crate) fn hex(hasher: Sha256) -> String {
    hasher.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

/// SHA-256 of a file, lower-case hexadecimal, and its length.
pub(crate) fn sha256(path: &Path, cancel: &CancelToken) -> Result<(String, u64), EngineError> {
    copy_with_sha256(path, &mut std::io::sink(), cancel)
}

/// The same of a file that is copied on the way.
pub(crate) fn copy_with_sha256(
    path: &Path,
    to: &mut dyn std::io::Write,
    cancel: &CancelToken,
) -> Result<(String, u64), EngineError> {
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
        to.write_all(&piece[..count]).map_err(|error| {
            let headline = format!("the file can't be copied: {error}");
            EngineError::Permanent(Notice::new(Severity::Error, headline, "check the disk").about(path))
        })?;
        bytes += count as u64;
    }
    Ok((hex(hasher), bytes))
}

/// Compare the files below a folder with their checksums, reading every one. What `is_listed` names may be there too.
pub(crate) fn compare<'a>(
    folder: &Path,
    files: impl Iterator<Item = (&'a str, &'a str)>,
    is_listed: impl Fn(&str) -> bool,
    cancel: &CancelToken,
) -> Result<FolderCheck, EngineError> {
    let mut check = FolderCheck { files: 0, findings: Vec::new() };
    let mut add = |name: &str, fault| check.findings.push(FolderFinding { path: PathBuf::from(name), fault });
    let mut count = 0;
    for (name, hash) in files {
        count += 1;
        let path = folder.join(name);
        let leads_out = Path::new(name).components().any(|part| !matches!(part, Component::Normal(_)));
        if leads_out || !path.is_file() {
            add(name, FolderFault::Missing);
            continue;
        }
        match sha256(&path, cancel) {
            Ok((found, _)) if found == hash => {}
            Err(EngineError::Cancelled) => return Err(EngineError::Cancelled),
            _ => add(name, FolderFault::Changed),
        }
    }
    for name in files_below(folder)? {
        if !is_listed(&name) {
            add(&name, FolderFault::Extra);
        }
    }
    check.files = count;
    Ok(check)
}

pub(crate) fn unreadable(path: &Path, error: &std::io::Error) -> EngineError {
    let headline = format!("the file or folder can't be read: {error}");
    EngineError::Permanent(Notice::new(Severity::Error, headline, "check the disk").about(path))
}

/// Every file below a folder as path with `/`, sorted. Links are listed, never followed.
pub(crate) fn files_below(folder: &Path) -> Result<Vec<String>, EngineError> {
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
