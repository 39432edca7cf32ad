//! The user's folders of this program, by the rules of the system.

use std::path::PathBuf;

use directories::ProjectDirs;

/// Variable that names another folder for settings and small pictures, for tests and pictures of the window.
pub const CONFIG_VARIABLE: &str = "GLASSINE_CONFIG";

fn dirs() -> Option<ProjectDirs> {
    ProjectDirs::from("", "", "glassine")
}

fn chosen() -> Option<PathBuf> {
    std::env::var_os(CONFIG_VARIABLE).filter(|folder| !folder.is_empty()).map(PathBuf::from)
}

/// Folder of `state.json`.
pub(crate) fn config() -> Option<PathBuf> {
    chosen().or_else(|| Some(dirs()?.config_dir().to_path_buf()))
}

/// Folder for small pictures of recent sessions.
pub(crate) fn thumbnails() -> Option<PathBuf> {
    let folder = chosen().or_else(|| Some(dirs()?.cache_dir().to_path_buf()))?;
    Some(folder.join("thumbnails"))
}

/// Folder for autosaves of sessions without a file. `None` if it cannot be made; these are then not autosaved.
pub(crate) fn data() -> Option<PathBuf> {
    let folder = dirs()?.data_local_dir().to_path_buf();
    std::fs::create_dir_all(&folder).ok().map(|()| folder)
}

/// Folder for the overviews of a session without a file; `None` if the system names none.
pub(crate) fn overviews() -> Option<PathBuf> {
    Some(dirs()?.cache_dir().join("overviews"))
}
