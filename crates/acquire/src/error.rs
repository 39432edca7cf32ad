//! What can go wrong between the program and a scanner.

use std::io;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

/// Answer of a driver to a call (SANE Standard 1.06, section 4.2.7).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    Good,
    Unsupported,
    Cancelled,
    DeviceBusy,
    Invalid,
    EndOfFile,
    Jammed,
    NoDocuments,
    CoverOpen,
    IoError,
    NoMemory,
    AccessDenied,
    /// A number that the standard does not define.
    Unknown(i32),
}

impl Status {
    /// The status of a number of the interface.
    pub(crate) fn from_code(code: i32) -> Self {
        const KNOWN: [Status; 12] = [
            Status::Good,
            Status::Unsupported,
            Status::Cancelled,
            Status::DeviceBusy,
            Status::Invalid,
            Status::EndOfFile,
            Status::Jammed,
            Status::NoDocuments,
            Status::CoverOpen,
            Status::IoError,
            Status::NoMemory,
            Status::AccessDenied,
        ];
        usize::try_from(code).ok().and_then(|at| KNOWN.get(at)).copied().unwrap_or(Self::Unknown(code))
    }

    /// What the driver said.
    pub fn meaning(self) -> String {
        match self {
            Self::Good => "no error",
            Self::Unsupported => "the scanner cannot do this",
            Self::Cancelled => "the scan was cancelled",
            Self::DeviceBusy => "the scanner is busy",
            Self::Invalid => "the driver refused a value",
            Self::EndOfFile => "no more data came",
            Self::Jammed => "something is jammed in the scanner",
            Self::NoDocuments => "there is nothing in the feeder",
            Self::CoverOpen => "the cover of the scanner is open",
            Self::IoError => "the connection to the scanner failed",
            Self::NoMemory => "the driver ran out of memory",
            Self::AccessDenied => "access to the scanner is denied",
            Self::Unknown(code) => return format!("the driver answered with an unknown status, {code}"),
        }
        .to_owned()
    }

    /// What the user can do.
    pub fn advice(self) -> &'static str {
        match self {
            Self::DeviceBusy => {
                "close other programs that use it, or wait until its lamp is warm, then try again"
            }
            Self::Invalid => "choose a value that the driver lists, then try again",
            Self::Jammed => "free the holder or the film without force, then try again",
            Self::NoDocuments => "choose another source, or put the film in",
            Self::CoverOpen => "close the cover, then try again",
            Self::IoError | Self::EndOfFile => "check cable and power, then try again",
            Self::NoMemory => "choose a lower resolution or a smaller area",
            Self::AccessDenied => {
                "your account may not use the device; many systems have a group “scanner” for it"
            }
            Self::Unsupported => "choose another mode or source",
            Self::Good | Self::Cancelled | Self::Unknown(_) => "try again",
        }
    }
}

/// Why a scanner could not be used, or a scan did not come about.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The library of the interface is not installed or cannot be loaded.
    #[error("no scanner support is installed: {why}")]
    NoLibrary { why: String },
    /// The driver refused or failed.
    #[error("{what}: {}", status.meaning())]
    Driver { what: String, status: Status },
    /// The process of the driver ended in the middle of a request.
    #[error("the scanner driver crashed while it was asked to {what}")]
    Crashed { what: String },
    /// The driver did not answer in time and was ended.
    #[error("the scanner driver did not answer for {waited_s} s while it was asked to {what}")]
    Hangs { what: String, waited_s: u64 },
    /// The helper process sent something that is no answer.
    #[error("the scanner driver sent an answer that makes no sense: {found}")]
    Garbled { found: String },
    /// The process could not be started.
    #[error("the process for the scanner driver cannot be started: {0}")]
    Start(io::Error),
    /// No option of this name, or a value that it cannot take.
    #[error("option “{name}”: {why}")]
    Option { name: String, why: String },
    /// Fewer or more lines than announced, or a kind of data that is not supported.
    #[error("the scanner sent something else than it announced: {found}")]
    Data { found: String },
    /// The user stopped it.
    #[error("stopped")]
    Cancelled,
    /// The scan could not be written.
    #[error(transparent)]
    File(#[from] glassine_scanfile::Error),
    /// The folder for the scans cannot be made.
    #[error("the folder {} cannot be made: {source}", folder.display())]
    Folder { folder: PathBuf, source: io::Error },
    /// A temporary file for a scan in several passes failed.
    #[error("a temporary file in {} failed: {source}", folder.display())]
    Spool { folder: PathBuf, source: io::Error },
}

impl Error {
    /// What the user can do.
    pub fn hint(&self) -> String {
        match self {
            Self::NoLibrary { .. } => "install the package libsane1 (Debian: apt-get install libsane1)".to_owned(),
            Self::Driver { status, .. } => status.advice().to_owned(),
            Self::Crashed { .. } => "the session is safe; switch the scanner off and on, then try again".to_owned(),
            Self::Hangs { .. } => {
                "the driver was ended; switch the scanner off and on, then try again, with a longer wait if its lamp \
                 warms up slowly"
                    .to_owned()
            }
            Self::Garbled { .. } | Self::Data { .. } => "try another mode or resolution".to_owned(),
            Self::Option { .. } => "`glassine scanners --device NAME` lists the options and their values".to_owned(),
            Self::Start(_) | Self::Cancelled => String::new(),
            Self::File(error) => error.hint(),
            Self::Folder { .. } => "choose another folder".to_owned(),
            Self::Spool { .. } => "check the free space of the target folder".to_owned(),
        }
    }
}
