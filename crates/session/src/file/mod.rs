//! The session file: readable JSON, `NAME.session.json`, that must open forever.
//!
//! A newer major version is refused; unknown keys are kept and written back. The model itself is never serialised: each
//! version has its own structures ([`v1`]), so that the model may change freely.

mod paths;
#[cfg(test)]
mod tests;
mod v1;

use std::path::Path;
use std::sync::Arc;

use serde::Deserialize as _;
use serde_json::Value;

use crate::{Session, unknown};

pub use self::paths::{path_bytes, path_from_bytes, resolve_path};
pub use self::v1::{recipe_from_json, recipe_to_json};

/// Value of the key `format` that marks a session file.
pub const FORMAT: &str = "glassine-session";
/// Newest version that this program reads and writes. A session without joined scans is written as version 1, so that older
/// programs open it.
pub const VERSION: u32 = 2;
/// Largest session file that is read.
pub const MAX_BYTES: u64 = 64 * 1024 * 1024;

/// Why a session file can't be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    /// Not JSON, or truncated.
    #[error("the file is damaged at line {line}, column {column} ({place}): {reason}")]
    Damaged {
        /// Line, from 1.
        line: usize,
        /// Column, from 1.
        column: usize,
        /// Path of keys to the entry; `.` stands for the file.
        place: String,
        /// What the parser found.
        reason: String,
    },
    /// JSON, but not a session.
    #[error("this is not a session file (no “format”: “{FORMAT}”)")]
    NotASession,
    /// Made by a newer program.
    #[error("the file has version {found}; this program reads up to version {supported}")]
    Newer {
        /// Version of the file.
        found: u64,
        /// Newest version that is read.
        supported: u32,
    },
    /// An impossible value.
    #[error("{place}: {reason}")]
    Invalid {
        /// The entry concerned.
        place: String,
        /// What is wrong with it.
        reason: String,
    },
    /// A session that could not be opened again.
    #[error("the session can't be written: {place}: {reason}")]
    Unwritable {
        /// The entry concerned.
        place: String,
        /// What is wrong with it.
        reason: String,
    },
}

/// Which state of a session a file holds. The generation orders the files of one session, never a clock.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FileStamp {
    /// Rises with every save and autosave.
    pub generation: u64,
    /// The run of the program that wrote the file; empty in files of older programs.
    pub run: String,
}

/// Content of a session file.
#[derive(Debug, Clone, PartialEq)]
pub struct OpenedFile {
    /// The session. Paths are as written; [`resolve_path`] resolves them.
    pub session: Session,
    /// Which state of the session this is.
    pub stamp: FileStamp,
    /// Messages about values that this program does not know.
    pub notes: Vec<String>,
}

/// The bytes of a session file: stable key order, one line per key, floats with full precision, a final newline.
///
/// Paths of scans in or near `folder` (where the file will be) are written relative to it. The bytes are read back
/// before they are returned, so that nothing is written that would not open again, such as a number that is not finite.
pub fn to_json(session: &Session, folder: Option<&Path>, stamp: &FileStamp) -> Result<Vec<u8>, FileError> {
    let unwritable = |place: &str, reason: &dyn std::fmt::Display| FileError::Unwritable {
        place: place.to_owned(),
        reason: reason.to_string(),
    };
    let file = v1::File::from_model(session, stamp, |path| paths::relative_path(path, folder))?;
    let mut value = serde_json::to_value(&file).map_err(|error| unwritable("session", &error))?;
    unknown::put_back(&mut value, &session.extra);
    let mut bytes = serde_json::to_vec_pretty(&value).map_err(|error| unwritable("session", &error))?;
    bytes.push(b'\n');
    match parse(&bytes).and_then(v1::File::into_model) {
        Ok(_) => Ok(bytes),
        // Non-finite numbers are the only values that are written as something else.
        Err(FileError::Damaged { place, reason, .. }) if reason.contains("null") => {
            Err(unwritable(&place, &"the value is not a finite number"))
        }
        Err(FileError::Damaged { place, reason, .. } | FileError::Invalid { place, reason }) => {
            Err(unwritable(&place, &reason))
        }
        Err(other) => Err(other),
    }
}

/// Read the bytes of a session file.
pub fn from_json(bytes: &[u8]) -> Result<OpenedFile, FileError> {
    let value: Value = serde_json::from_slice(bytes).map_err(|error| damaged(&error, "."))?;
    if value.get("format").and_then(Value::as_str) != Some(FORMAT) {
        return Err(FileError::NotASession);
    }
    let found = value.get("version").and_then(Value::as_u64).ok_or(FileError::NotASession)?;
    if found > u64::from(VERSION) {
        return Err(FileError::Newer { found, supported: VERSION });
    }
    // Parsed from the bytes again, not from the value, so that a wrong entry is reported with its line.
    let mut opened = parse(bytes)?.into_model()?;
    let known = v1::File::from_model(&opened.session, &opened.stamp, Path::to_owned)?;
    let known = serde_json::to_value(known).map_err(|error| damaged(&error, "."))?;
    let mut rest = unknown::left_over(&value, &known);
    v1::keep_unknown_choices(&value, &mut rest);
    opened.session.extra = Arc::new(rest);
    Ok(opened)
}

/// The oldest version that can hold a session.
fn version_of(session: &Session) -> u32 {
    if session.scans.iter().any(|scan| scan.join.is_some()) { VERSION } else { 1 }
}

fn parse(bytes: &[u8]) -> Result<v1::File, FileError> {
    let mut reader = serde_json::Deserializer::from_slice(bytes);
    let mut track = serde_path_to_error::Track::new();
    v1::File::deserialize(serde_path_to_error::Deserializer::new(&mut reader, &mut track))
        .map_err(|error| damaged(&error, &track.path().to_string()))
}

fn damaged(error: &serde_json::Error, place: &str) -> FileError {
    let text = error.to_string();
    let reason = text.split(" at line ").next().unwrap_or_default().to_owned();
    FileError::Damaged { line: error.line(), column: error.column(), place: place.to_owned(), reason }
}
