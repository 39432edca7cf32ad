//! Paths in session files: relative where possible, readable, and exact even when they are not UTF-8.

use std::ffi::OsString;
use std::path::{Component, Path, PathBuf};

/// How many levels above the session's folder a stored relative path may begin.
const MAX_STEPS_UP: usize = 3;

/// A path as text and, if the text is not exact, its bytes in hexadecimal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct StoredPath {
    pub(super) text: String,
    pub(super) hex: Option<String>,
}

impl StoredPath {
    pub(super) fn of(path: &Path) -> Self {
        match path.to_str() {
            Some(text) => Self { text: text.to_owned(), hex: None },
            None => {
                let hex = path_bytes(path).iter().map(|byte| format!("{byte:02x}")).collect();
                Self { text: path.to_string_lossy().into_owned(), hex: Some(hex) }
            }
        }
    }

    /// The path as stored. The bytes count only if they match the text, so that the text can be corrected by hand.
    pub(super) fn into_path(self) -> PathBuf {
        let digit = |digit: u8| char::from(digit).to_digit(16);
        let byte = |pair: &[u8]| match pair {
            [high, low] => u8::try_from(16 * digit(*high)? + digit(*low)?).ok(),
            _ => None,
        };
        let bytes = self.hex.and_then(|hex| hex.as_bytes().chunks(2).map(byte).collect::<Option<Vec<_>>>());
        let exact = bytes.map(path_from_bytes).filter(|exact| exact.to_string_lossy() == self.text);
        exact.unwrap_or_else(|| PathBuf::from(self.text))
    }
}

/// The bytes of a path as the system has them.
pub fn path_bytes(path: &Path) -> &[u8] {
    path.as_os_str().as_encoded_bytes()
}

/// The path made of such bytes.
#[cfg(unix)]
pub fn path_from_bytes(bytes: Vec<u8>) -> PathBuf {
    PathBuf::from(<OsString as std::os::unix::ffi::OsStringExt>::from_vec(bytes))
}

/// The path made of such bytes.
#[cfg(not(unix))]
pub fn path_from_bytes(bytes: Vec<u8>) -> PathBuf {
    PathBuf::from(OsString::from(String::from_utf8_lossy(&bytes).into_owned()))
}

/// A stored path as a path on this machine: relative ones start at the session's folder.
pub fn resolve_path(stored: &Path, folder: Option<&Path>) -> PathBuf {
    match folder {
        Some(folder) if stored.is_relative() => folder.join(stored),
        _ => stored.to_owned(),
    }
}

/// A path relative to `folder` if it is in or near it, with `/` between its parts; else unchanged.
pub(super) fn relative_path(path: &Path, folder: Option<&Path>) -> PathBuf {
    let joined = |up: usize, parts: &mut dyn Iterator<Item = Component<'_>>| {
        let mut text = OsString::from("../".repeat(up));
        for (idx, part) in parts.enumerate() {
            if idx > 0 {
                text.push("/");
            }
            text.push(part);
        }
        PathBuf::from(text)
    };
    if path.is_relative() {
        return joined(0, &mut path.components());
    }
    let Some(folder) = folder.filter(|folder| folder.is_absolute()) else { return path.to_owned() };
    let common = folder.components().zip(path.components()).take_while(|(a, b)| a == b).count();
    let up = folder.components().count() - common;
    let shares_more_than_the_root =
        folder.components().take(common).any(|c| matches!(c, Component::Normal(_)));
    if up > MAX_STEPS_UP || !(shares_more_than_the_root || up == 0) {
        return path.to_owned();
    }
    joined(up, &mut path.components().skip(common))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn a_path_that_is_not_utf_8_survives_as_bytes_beside_its_text() {
        let path = path_from_bytes(b"/scans/r\xf6ll.tif".to_vec());
        let stored = StoredPath::of(&path);
        assert_eq!(stored.hex.as_deref(), Some("2f7363616e732f72f66c6c2e746966"));
        assert!(stored.text.starts_with("/scans/r"));
        assert_eq!(stored.into_path(), path);
        let plain = StoredPath::of(Path::new("/scans/röll.tif"));
        assert_eq!((plain.text.as_str(), plain.hex.as_deref()), ("/scans/röll.tif", None));
    }

    #[test]
    fn bytes_that_are_no_hexadecimal_or_say_something_else_count_as_none() {
        for hex in ["zz", "f", "é", "+1", "62"] {
            let stored = StoredPath { text: "a.tif".to_owned(), hex: Some(hex.to_owned()) };
            assert_eq!(stored.into_path(), Path::new("a.tif"), "{hex}");
        }
    }
}
