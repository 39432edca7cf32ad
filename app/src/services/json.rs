//! What JSON documents of the program have in common.

use std::path::Path;

use glassine_engine::Notice;
use serde_json::Value;

/// A path for the JSON document: as text, which is only approximate for names that are not UTF-8.
pub(crate) fn path_json(path: &Path) -> Value {
    path.to_string_lossy().into()
}

/// The exact bytes of a path whose text is not exact, in hexadecimal.
pub(crate) fn path_bytes_json(path: &Path) -> Value {
    if path.to_str().is_some() {
        return Value::Null;
    }
    let bytes = glassine_session::file::path_bytes(path);
    bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>().into()
}

/// A file that a command could not take, for the list of failures.
pub(crate) fn failed_json(file: &Path, notice: &Notice) -> Value {
    serde_json::json!({
        "file": path_json(file),
        "file_bytes": path_bytes_json(file),
        "reason": notice.headline,
        "hint": notice.what_to_do,
    })
}
