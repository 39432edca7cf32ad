//! What can go wrong with a file, by failure domain, always naming the file.

use std::io;
use std::path::{Path, PathBuf};

use glassine_raster::{Cancelled, RegionError};

/// Why a file could not be read or written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The file contradicts its own format: damaged, cut short, or made to mislead.
    #[error("{found} in {path}", path = path.display())]
    Malformed {
        /// The file.
        path: PathBuf,
        /// What was found, with numbers.
        found: String,
    },
    /// A sound file of a kind that is not read or written here.
    #[error("cannot use {found}: {hint} ({path})", path = path.display())]
    Unsupported {
        /// The file.
        path: PathBuf,
        /// What was found.
        found: String,
        /// What the person can do.
        hint: String,
    },
    /// More memory or pixels than the limits allow.
    #[error("{what} needs {wanted}, the limit is {limit} ({path})", path = path.display())]
    OverBudget {
        /// The file.
        path: PathBuf,
        /// What asked, with its unit.
        what: String,
        /// Amount asked for.
        wanted: u64,
        /// Amount allowed.
        limit: u64,
    },
    /// The system has no memory left to give.
    #[error("no memory for {bytes} bytes of {what} ({path})", path = path.display())]
    OutOfMemory {
        /// The file.
        path: PathBuf,
        /// What asked.
        what: String,
        /// Bytes asked for.
        bytes: u64,
    },
    /// The caller's numbers do not fit together.
    #[error("{what} ({path})", path = path.display())]
    Usage {
        /// The file.
        path: PathBuf,
        /// What does not fit.
        what: String,
    },
    /// A file with the wanted name is there already and may not be replaced.
    #[error("a file of this name is already there and was left alone: {path}", path = path.display())]
    AlreadyExists {
        /// The final name.
        path: PathBuf,
    },
    /// The operating system refused.
    #[error("could not {action} {path}: {source}", path = path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What was being done, as a verb: `open`, `read`, `write`.
        action: &'static str,
        /// The system's answer.
        source: io::Error,
    },
    /// A file that was just written does not hold what was meant.
    #[error("the finished picture was read back and {found}; it was not kept: {path}", path = path.display())]
    ReadBack {
        /// The final name, which was not given.
        path: PathBuf,
        /// What differs.
        found: String,
    },
    /// Stopped on request; nothing is wrong.
    #[error(transparent)]
    Cancelled(#[from] Cancelled),
    /// A region source that is not a file of ours failed.
    #[error("{0}")]
    Source(String),
}

impl Error {
    pub(crate) fn malformed(path: &Path, found: impl Into<String>) -> Self {
        Self::Malformed { path: path.to_owned(), found: found.into() }
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

    /// A short sentence on what the person can do.
    pub fn hint(&self) -> String {
        match self {
            Self::Malformed { .. } => "copy the file again from where it came, or scan again".into(),
            Self::Unsupported { hint, .. } => hint.clone(),
            Self::OverBudget { .. } | Self::OutOfMemory { .. } => {
                "close other scans, or save the scan in smaller pieces".into()
            }
            Self::Usage { .. } => "this is a mistake in the program, please report it".into(),
            Self::AlreadyExists { .. } => "choose another name or folder, or allow replacing".into(),
            Self::Io { source, .. } => io_hint(source).into(),
            Self::ReadBack { .. } => {
                "export it again; when it happens twice, check the drive and the memory".into()
            }
            Self::Cancelled(_) => "start it again when you like".into(),
            Self::Source(_) => "check that the scan is still where it was".into(),
        }
    }
}

fn io_hint(source: &io::Error) -> &'static str {
    match source.kind() {
        io::ErrorKind::NotFound => "check that the file is still there and the drive is connected",
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            "check the permissions, or choose another folder"
        }
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded | io::ErrorKind::FileTooLarge => {
            "make room on the disk, or choose another folder"
        }
        _ => "check the drive and try again",
    }
}

impl From<RegionError> for Error {
    fn from(error: RegionError) -> Self {
        match error {
            RegionError::Cancelled(c) => Self::Cancelled(c),
            other => Self::Source(other.to_string()),
        }
    }
}

impl From<Error> for RegionError {
    fn from(error: Error) -> Self {
        match error {
            Error::Cancelled(c) => Self::Cancelled(c),
            other => Self::Unreadable(other.to_string()),
        }
    }
}
