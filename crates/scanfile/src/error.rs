//! What can go wrong with a file, by failure domain, always naming the file.

use std::io;
use std::path::{Path, PathBuf};

use glassine_raster::{Cancelled, RegionError};

use crate::numbers::to_f64;

/// What happened to a file while it was open.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FileChange {
    /// No file has its name any more.
    Gone,
    /// Another file has its name.
    Replaced,
    /// The file itself was written to.
    Rewritten,
}

impl std::fmt::Display for FileChange {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Gone => "was moved or removed",
            Self::Replaced => "was replaced by another file",
            Self::Rewritten => "was written to",
        })
    }
}

/// Why a file could not be read or written.
#[derive(Debug)]
#[non_exhaustive]
pub enum Error {
    /// The file contradicts its own format: damaged, cut short, or crafted to mislead.
    Malformed {
        path: PathBuf,
        /// What was found, with numbers.
        found: String,
    },
    /// A sound file of a kind that this crate does not read or write.
    Unsupported {
        path: PathBuf,
        /// What was found.
        found: String,
        /// What the user can do.
        hint: String,
    },
    /// More memory or pixels than the limits allow.
    OverBudget {
        path: PathBuf,
        /// What needs it, with its unit.
        what: String,
        /// Amount requested.
        wanted: u64,
        /// Amount allowed.
        limit: u64,
    },
    /// The system has no memory left to give.
    OutOfMemory {
        path: PathBuf,
        /// What needs it.
        what: String,
        /// Bytes requested.
        bytes: u64,
    },
    /// The caller's values do not fit together.
    Usage {
        path: PathBuf,
        /// What does not fit.
        what: String,
    },
    /// A file of this name exists already and may not be replaced.
    AlreadyExists {
        /// The final name.
        path: PathBuf,
    },
    /// Writing there would change a scan or another input of a session in use.
    ProtectedInput {
        /// The name to be written.
        path: PathBuf,
        /// The protected file behind it.
        input: PathBuf,
    },
    /// The final name is a symbolic link; links are never followed and never replaced.
    IsLink {
        /// The final name.
        path: PathBuf,
    },
    /// Something other than a file has the name.
    NameTaken {
        path: PathBuf,
        /// What has the name: `a folder`.
        what: &'static str,
    },
    /// The file was replaced or rewritten while it was in use.
    Changed {
        path: PathBuf,
        /// What happened to it.
        change: FileChange,
    },
    /// The operating system refused.
    Io {
        path: PathBuf,
        /// What was being done: `open the file`.
        action: &'static str,
        /// The system's error.
        source: io::Error,
    },
    /// A file that was just written does not hold what it should.
    ReadBack {
        /// The final name, which the file did not get.
        path: PathBuf,
        /// What differs.
        found: String,
    },
    /// Stopped on request; nothing is wrong.
    Cancelled(Cancelled),
    /// A region source could not be read.
    Source {
        /// What happened.
        what: String,
        /// Advice for the user.
        what_to_do: String,
        /// The file, if there is one.
        path: Option<PathBuf>,
        /// Whether the cause may pass by itself.
        may_pass: bool,
    },
}

impl Error {
    pub(crate) fn malformed(path: &Path, found: impl Into<String>) -> Self {
        Self::Malformed { path: path.to_owned(), found: found.into() }
    }

    /// The file ends after `there` bytes; it should have `whole` bytes, if that is known.
    pub(crate) fn cut_short(path: &Path, there: u64, whole: Option<u64>) -> Self {
        Self::malformed(path, ends_early(there, whole))
    }

    pub(crate) fn unsupported(path: &Path, found: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::Unsupported { path: path.to_owned(), found: found.into(), hint: hint.into() }
    }

    pub(crate) fn over(path: &Path, what: impl Into<String>, wanted: u64, limit: u64) -> Self {
        Self::OverBudget { path: path.to_owned(), what: what.into(), wanted, limit }
    }

    pub(crate) fn memory(path: &Path, what: impl Into<String>, bytes: u64) -> Self {
        Self::OutOfMemory { path: path.to_owned(), what: what.into(), bytes }
    }

    pub(crate) fn usage(path: &Path, what: impl Into<String>) -> Self {
        Self::Usage { path: path.to_owned(), what: what.into() }
    }

    pub(crate) fn io(path: &Path, action: &'static str) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { path, action, source }
    }

    /// Whether the cause may pass by itself, so that it is worth trying again.
    pub fn may_pass(&self) -> bool {
        match self {
            Self::Io { .. } | Self::OutOfMemory { .. } | Self::OverBudget { .. } => true,
            Self::Source { may_pass, .. } => *may_pass,
            _ => false,
        }
    }

    /// What happened, without the file.
    pub fn headline(&self) -> String {
        match self {
            Self::Malformed { found, .. } => found.clone(),
            Self::Unsupported { found, .. } => format!("cannot use {found}"),
            Self::OverBudget { what, wanted, limit, .. } => {
                format!("{what} needs {wanted}, the limit is {limit}")
            }
            Self::OutOfMemory { what, bytes, .. } => format!("no memory for {bytes} bytes of {what}"),
            Self::Usage { what, .. } | Self::Source { what, .. } => what.clone(),
            Self::AlreadyExists { .. } => "a file of this name is already there and was left alone".into(),
            Self::ProtectedInput { path, input } => {
                let input = other_name(path, input);
                format!("the file is an input of a session that is open{input} and was left alone")
            }
            Self::IsLink { .. } => "this name is a link; it was not touched".into(),
            Self::NameTaken { what, .. } => format!("{what} has this name"),
            Self::Changed { change, .. } => format!("the file {change} since it was opened"),
            Self::Io { action, source, .. } => format!("could not {action}: {}", io_reason(source)),
            Self::ReadBack { found, .. } => {
                format!("the finished picture was read back and {found}; it was not kept")
            }
            Self::Cancelled(stop) => stop.to_string(),
        }
    }

    /// The file concerned.
    pub fn path(&self) -> Option<&Path> {
        match self {
            Self::Malformed { path, .. }
            | Self::Unsupported { path, .. }
            | Self::OverBudget { path, .. }
            | Self::OutOfMemory { path, .. }
            | Self::Usage { path, .. }
            | Self::AlreadyExists { path }
            | Self::ProtectedInput { path, .. }
            | Self::IsLink { path }
            | Self::NameTaken { path, .. }
            | Self::Changed { path, .. }
            | Self::Io { path, .. }
            | Self::ReadBack { path, .. } => Some(path),
            Self::Source { path, .. } => path.as_deref(),
            Self::Cancelled(_) => None,
        }
    }

    /// A short sentence on what the user can do.
    pub fn hint(&self) -> String {
        match self {
            Self::Malformed { .. } => "copy the file again from where it came, or scan again".into(),
            Self::Unsupported { hint, .. } => hint.clone(),
            Self::OverBudget { .. } | Self::OutOfMemory { .. } => {
                "close other scans, or save the scan in smaller pieces".into()
            }
            Self::Usage { .. } => "this is a bug in the program, please report it".into(),
            Self::AlreadyExists { .. } => "choose another name or folder, or allow replacing".into(),
            Self::ProtectedInput { .. } | Self::NameTaken { .. } => "choose another name or folder".into(),
            Self::IsLink { .. } => "choose another name, or name the file that the link points to".into(),
            Self::Changed { .. } => "open the session again, and check that its boxes still fit".into(),
            Self::Io { source, action, .. } => io_hint(source, action).into(),
            Self::ReadBack { .. } => {
                "export it again; when it happens twice, check the drive and the memory".into()
            }
            Self::Cancelled(_) => "start it again at any time".into(),
            Self::Source { what_to_do, .. } => what_to_do.clone(),
        }
    }
}

impl std::fmt::Display for Error {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.headline())?;
        self.path().map_or(Ok(()), |path| write!(f, " ({})", path.display()))
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io { source, .. } => Some(source),
            _ => None,
        }
    }
}

impl From<Cancelled> for Error {
    fn from(stop: Cancelled) -> Self {
        Self::Cancelled(stop)
    }
}

/// Where a file ends too early: `the file ends after 12.0 of 30.3 MB`.
pub(crate) fn ends_early(there: u64, whole: Option<u64>) -> String {
    // No file is longer; a position beyond comes from damage, and its number would say nothing.
    const LONGEST: u64 = 1 << 46;
    let unit = |bytes: u64| match bytes {
        0..1_000 => (1, "bytes"),
        1_000..1_000_000 => (1_000, "kB"),
        _ => (1_000_000, "MB"),
    };
    let text = |bytes: u64, size: u64| match size {
        1 => bytes.to_string(),
        _ => format!("{:.1}", to_f64(bytes) / to_f64(size)),
    };
    let Some(whole) = whole.filter(|whole| (there + 1..LONGEST).contains(whole)) else {
        let (size, name) = unit(there);
        return format!("the file ends after {} {name}, before its picture is complete", text(there, size));
    };
    let (size, name) = unit(whole);
    let (part, all) = (text(there, size), text(whole, size));
    if part == all {
        return format!("the file ends after {there} of {whole} bytes");
    }
    format!("the file ends after {part} of {all} {name}")
}

/// The other name of a protected file, if it differs from the name to be written.
fn other_name(path: &Path, input: &Path) -> String {
    if std::path::absolute(path).is_ok_and(|path| path == input) {
        return String::new();
    }
    format!(" ({})", input.display())
}

/// Whether the process or the system has no file handles left: `EMFILE` and `ENFILE`, the same numbers on every Unix.
fn is_out_of_handles(source: &io::Error) -> bool {
    cfg!(unix) && matches!(source.raw_os_error(), Some(23 | 24))
}

/// Reason of the system's refusal, in words.
fn io_reason(source: &io::Error) -> String {
    use io::ErrorKind as Kind;
    let words = match source.kind() {
        _ if is_out_of_handles(source) => "too many files are open",
        Kind::NotFound => "there is no such file or folder",
        Kind::PermissionDenied => "no permission",
        Kind::ReadOnlyFilesystem => "the drive or folder is read-only",
        Kind::StorageFull => "no space left on the disk",
        Kind::QuotaExceeded => "the disk quota is used up",
        Kind::FileTooLarge => "the file is too large for this disk",
        Kind::InvalidFilename => "the name is too long or not allowed there",
        Kind::NotADirectory => "part of the path is not a folder",
        Kind::IsADirectory => "it is a folder",
        Kind::StaleNetworkFileHandle => "the network drive has lost the file",
        Kind::TimedOut => "the drive did not answer in time",
        Kind::OutOfMemory => "the system has no memory left",
        _ => {
            let text = source.to_string();
            let text = text.split(" (os error").next().unwrap_or_default();
            let mut letters = text.chars();
            let first = letters.next().map(|c| c.to_lowercase().to_string()).unwrap_or_default();
            return first + letters.as_str();
        }
    };
    words.to_owned()
}

fn io_hint(source: &io::Error, action: &str) -> &'static str {
    use io::ErrorKind as Kind;
    let is_read = matches!(action, "open the file" | "read the file" | "measure the file");
    match source.kind() {
        _ if is_out_of_handles(source) => {
            "close other programs or scans, or raise the limit of open files (ulimit -n)"
        }
        Kind::NotFound if is_read => "check that the file is still there and the drive is connected",
        Kind::NotFound | Kind::NotADirectory => "check that the folder is there, or choose another one",
        Kind::PermissionDenied if is_read => "ask for permission to read it, or copy it to a folder of yours",
        Kind::PermissionDenied | Kind::ReadOnlyFilesystem => {
            "check the permissions, or choose another folder"
        }
        Kind::StorageFull | Kind::QuotaExceeded => "make room on the disk, or choose another folder",
        Kind::FileTooLarge => "choose a folder on another disk, or a smaller size",
        Kind::InvalidFilename => "choose a shorter and simpler name",
        Kind::IsADirectory => "choose a file",
        Kind::OutOfMemory => "close other programs or scans, then try again",
        _ => "check the drive and try again",
    }
}

impl From<RegionError> for Error {
    fn from(error: RegionError) -> Self {
        match error {
            RegionError::Cancelled(c) => Self::Cancelled(c),
            RegionError::Unreadable { what, what_to_do, path, may_pass } => {
                Self::Source { what, what_to_do, path, may_pass }
            }
            other => Self::Source {
                what: other.to_string(),
                what_to_do: "check that the scan is still where it was".into(),
                path: None,
                may_pass: false,
            },
        }
    }
}

impl From<Error> for RegionError {
    fn from(error: Error) -> Self {
        match error {
            Error::Cancelled(c) => Self::Cancelled(c),
            other => Self::Unreadable {
                what: other.headline(),
                what_to_do: other.hint(),
                path: other.path().map(Path::to_owned),
                may_pass: other.may_pass(),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_keeps_its_advice_on_its_way_through_a_region() {
        let error = Error::memory(Path::new("scan.tif"), "a strip", 1 << 20);
        let (text, hint) = (error.to_string(), error.hint());
        let back = Error::from(RegionError::from(error));
        assert_eq!((back.to_string(), back.hint(), back.may_pass()), (text, hint, true));
    }

    #[test]
    fn a_file_that_ends_early_is_told_in_the_unit_of_its_whole() {
        for (there, whole, told) in [
            (12_000_000, Some(30_340_000), "12.0 of 30.3 MB"),
            (400, Some(2_500), "0.4 of 2.5 kB"),
            (8, Some(900), "8 of 900 bytes"),
            // The tenths would not show the difference.
            (30_300_000, Some(30_300_001), "30300000 of 30300001 bytes"),
            (12_000_000, None, "12.0 MB, before its picture is complete"),
            (12_000_000, Some(u64::MAX), "12.0 MB, before its picture is complete"),
        ] {
            assert_eq!(ends_early(there, whole), format!("the file ends after {told}"));
        }
    }

    #[test]
    fn a_refusal_of_the_system_keeps_its_reason_and_a_hint_that_fits() {
        // Numbers as in errno(3) of Linux.
        for (number, reason, hint) in [
            (28, "no space left on the disk", "make room"),
            (13, "no permission", "permissions"),
            (30, "read-only", "permissions"),
            (122, "quota", "make room"),
            (36, "name is too long", "shorter"),
            (24, "too many files are open", "limit of open files"),
            (27, "too large", "smaller"),
        ] {
            let error = Error::io(Path::new("f.tif"), "write the file")(io::Error::from_raw_os_error(number));
            assert!(error.to_string().contains(reason), "{number}: {error}");
            assert!(error.hint().contains(hint), "{number}: {}", error.hint());
        }
        let other = Error::io(Path::new("f.tif"), "write the file")(io::Error::from_raw_os_error(5));
        assert_eq!(other.to_string(), "could not write the file: input/output error (f.tif)");
    }

    #[test]
    fn every_error_names_its_file_last() {
        let path = || PathBuf::from("folder/f.tif");
        let text = || "a strip".to_owned();
        for error in [
            Error::malformed(&path(), "a strip is cut short"),
            Error::unsupported(&path(), "a GIF", "save it as TIFF"),
            Error::over(&path(), "a strip", 2, 1),
            Error::memory(&path(), "a strip", 1),
            Error::usage(&path(), "rows of another length"),
            Error::AlreadyExists { path: path() },
            Error::ProtectedInput { path: path(), input: "other.tif".into() },
            Error::IsLink { path: path() },
            Error::NameTaken { path: path(), what: "a folder" },
            Error::Changed { path: path(), change: FileChange::Gone },
            Error::io(&path(), "open the file")(io::ErrorKind::NotFound.into()),
            Error::ReadBack { path: path(), found: text() },
            Error::Source { what: text(), what_to_do: text(), path: Some(path()), may_pass: false },
        ] {
            assert!(error.to_string().ends_with(" (folder/f.tif)"), "{error}");
            assert!(!error.headline().contains("f.tif") && !error.hint().contains("f.tif"), "{error}");
        }
    }

    #[test]
    fn a_refused_kind_does_not_say_its_advice_twice() {
        let error = Error::unsupported(Path::new("s.gif"), "a GIF", "save the scan as TIFF");
        let told = format!("{}; {}", error.headline(), error.hint());
        assert_eq!(told.matches("save the scan as TIFF").count(), 1, "{told}");
    }
}
