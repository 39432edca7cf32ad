//! Checksums of files and lists of folders, for manifests.

use std::io::Read as _;
use std::path::Path;

use glassine_raster::CancelToken;
use glassine_scanfile::open_regular;
use sha2::{Digest as _, Sha256};

use crate::error::{EngineError, Notice, Severity};

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
