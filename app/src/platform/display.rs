//! Finds which display the window opens on, and which system libraries that needs.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

/// Command that installs what a minimal system lacks for the window, as one line for a terminal.
pub(crate) const INSTALL: &str =
    "apt-get install libxcursor1 libxi6 libxkbcommon-x11-0 libegl1 libgl1-mesa-dri";

/// Libraries that the window loads on X11; the last is for drawing.
const X11_LIBRARIES: &[&str] = &[
    "libX11.so.6",
    "libX11-xcb.so.1",
    "libXcursor.so.1",
    "libXi.so.6",
    "libxkbcommon.so.0",
    "libxkbcommon-x11.so.0",
    "libEGL.so.1",
];
/// Libraries that the window loads on Wayland.
const WAYLAND_LIBRARIES: &[&str] =
    &["libwayland-client.so.0", "libwayland-egl.so.1", "libxkbcommon.so.0", "libEGL.so.1"];
/// Folders that the dynamic loader searches besides its cache.
const LIBRARY_FOLDERS: &[&str] = &["/lib", "/usr/lib", "/lib64", "/usr/lib64", "/usr/local/lib"];

/// A display that can show the window.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Display {
    /// The display the window toolkit chooses by itself.
    Usual,
    /// X11, although a Wayland variable is set.
    X11InsteadOfWayland,
}

/// Why there is no display.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum NoDisplay {
    /// No variable names a display.
    Unnamed,
    /// A variable names a Wayland display that does not answer, and there is no X11 display to fall back to. With the
    /// reason.
    Stale(String),
}

/// The variables that name displays.
#[derive(Debug, Clone, Default)]
pub(crate) struct Named {
    wayland_display: Option<OsString>,
    wayland_socket: Option<OsString>,
    runtime_folder: Option<OsString>,
    x11: Option<OsString>,
}

impl Named {
    /// The variables of this process.
    pub(crate) fn of_process() -> Self {
        let var = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty());
        Self {
            wayland_display: var("WAYLAND_DISPLAY"),
            wayland_socket: var("WAYLAND_SOCKET"),
            runtime_folder: var("XDG_RUNTIME_DIR"),
            x11: var("DISPLAY"),
        }
    }

    /// The display to open the window on: Wayland if it answers and its library can be loaded, otherwise X11.
    pub(crate) fn choose(&self) -> Result<Display, NoDisplay> {
        if !cfg!(all(unix, not(target_os = "macos"))) {
            return Ok(Display::Usual);
        }
        let wayland = match (&self.wayland_socket, &self.wayland_display) {
            (Some(descriptor), _) => inherited_socket(descriptor),
            (None, Some(name)) => self.answers(name),
            (None, None) => {
                return if self.x11.is_some() { Ok(Display::Usual) } else { Err(NoDisplay::Unnamed) };
            }
        };
        match (wayland, &self.x11) {
            (Ok(()), Some(_)) if library("libwayland-client.so.0").is_none() => {
                Ok(Display::X11InsteadOfWayland)
            }
            (Ok(()), _) => Ok(Display::Usual),
            (Err(_), Some(_)) => Ok(Display::X11InsteadOfWayland),
            (Err(why), None) => Err(NoDisplay::Stale(why)),
        }
    }

    /// Whether a window on this display is one of a Wayland compositor.
    pub(crate) fn is_wayland(&self, display: Display) -> bool {
        display == Display::Usual && (self.wayland_display.is_some() || self.wayland_socket.is_some())
    }

    /// Libraries that the window would load and that this system lacks.
    pub(crate) fn missing_libraries(&self, display: Display) -> Vec<&'static str> {
        let needed = if self.is_wayland(display) { WAYLAND_LIBRARIES } else { X11_LIBRARIES };
        needed.iter().copied().filter(|name| library(name).is_none()).collect()
    }

    /// Checks that a server listens at the socket of a Wayland display; the error says why not.
    #[cfg(unix)]
    fn answers(&self, name: &OsString) -> Result<(), String> {
        let socket = match &self.runtime_folder {
            Some(folder) => Path::new(folder).join(name),
            None if Path::new(name).is_absolute() => PathBuf::from(name),
            None => {
                return Err(format!(
                    "WAYLAND_DISPLAY is {}, but XDG_RUNTIME_DIR is not set",
                    Path::new(name).display()
                ));
            }
        };
        std::os::unix::net::UnixStream::connect(&socket)
            .map(drop)
            .map_err(|error| format!("WAYLAND_DISPLAY leads to {}: {error}", socket.display()))
    }

    #[cfg(not(unix))]
    fn answers(&self, _name: &OsString) -> Result<(), String> {
        Ok(())
    }
}

/// Checks that the descriptor `WAYLAND_SOCKET` names was handed to this process.
fn inherited_socket(descriptor: &OsString) -> Result<(), String> {
    let number = descriptor.to_str().and_then(|text| text.parse::<u32>().ok());
    match number {
        Some(number) if Path::new(&format!("/proc/self/fd/{number}")).exists() => Ok(()),
        _ => Err(format!("WAYLAND_SOCKET is {}, which is not an open file", Path::new(descriptor).display())),
    }
}

/// Path of a library, from the usual folders, then from the dynamic loader's cache.
fn library(name: &str) -> Option<PathBuf> {
    let named = std::env::var_os("LD_LIBRARY_PATH").unwrap_or_default();
    let folders = std::env::split_paths(&named).chain(LIBRARY_FOLDERS.iter().map(PathBuf::from));
    let in_folder = folders.map(|folder| folder.join(name)).find(|path| path.exists());
    in_folder.or_else(|| in_cache(&std::fs::read("/etc/ld.so.cache").ok()?, name))
}

/// Path of a library in the dynamic loader's cache, which stores the paths as texts ending with a zero byte.
fn in_cache(cache: &[u8], name: &str) -> Option<PathBuf> {
    cache
        .split(|byte| *byte == 0)
        .filter_map(|text| std::str::from_utf8(text).ok())
        .filter(|text| text.starts_with('/'))
        .map(PathBuf::from)
        .find(|path| path.file_name().is_some_and(|file| file == name) && path.exists())
}

#[cfg(test)]
#[cfg(all(unix, not(target_os = "macos")))]
mod tests {
    use super::*;
    use std::os::unix::net::UnixListener;

    fn named(folder: &Path, wayland: Option<&str>, x11: bool) -> Named {
        Named {
            wayland_display: wayland.map(OsString::from),
            wayland_socket: None,
            runtime_folder: Some(folder.into()),
            x11: x11.then(|| ":0".into()),
        }
    }

    #[test]
    fn a_wayland_display_that_does_not_answer_gives_way_to_x11() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        // A socket file without a listener, and one that never existed.
        drop(UnixListener::bind(folder.path().join("wayland-0")).expect("binds"));
        for name in ["wayland-0", "wayland-1"] {
            assert_eq!(
                named(folder.path(), Some(name), true).choose(),
                Ok(Display::X11InsteadOfWayland),
                "{name}"
            );
            let alone = named(folder.path(), Some(name), false).choose();
            assert!(matches!(alone, Err(NoDisplay::Stale(why)) if why.contains(name)), "{name}");
        }
    }

    #[test]
    fn a_wayland_display_that_answers_is_used() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let listening = UnixListener::bind(folder.path().join("wayland-0")).expect("binds");
        assert_eq!(named(folder.path(), Some("wayland-0"), false).choose(), Ok(Display::Usual));
        drop(listening);
    }

    #[test]
    fn without_wayland_x11_is_used_and_without_both_there_is_no_display() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        assert_eq!(named(folder.path(), None, true).choose(), Ok(Display::Usual));
        assert_eq!(named(folder.path(), None, false).choose(), Err(NoDisplay::Unnamed));
    }

    #[test]
    fn a_socket_that_was_not_handed_down_is_noticed() {
        let mut named = Named { wayland_socket: Some("9999".into()), ..Named::default() };
        assert!(matches!(named.choose(), Err(NoDisplay::Stale(_))));
        named.x11 = Some(":0".into());
        assert_eq!(named.choose(), Ok(Display::X11InsteadOfWayland));
    }

    #[test]
    fn a_library_is_found_in_the_cache_only_while_its_file_is_there() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let file = folder.path().join("libdrawing.so.1");
        std::fs::write(&file, b"").expect("writes");
        let cache = format!("header\0libdrawing.so.1\0{}\0", file.display());
        assert_eq!(in_cache(cache.as_bytes(), "libdrawing.so.1"), Some(file.clone()));
        assert_eq!(in_cache(cache.as_bytes(), "libother.so.1"), None);
        std::fs::remove_file(&file).expect("removes");
        assert_eq!(in_cache(cache.as_bytes(), "libdrawing.so.1"), None);
    }
}
