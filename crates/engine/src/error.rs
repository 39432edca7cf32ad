//! What went wrong, as a message the user can act on.

use std::path::PathBuf;

use glassine_session::FrameId;

/// How much a notice matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Good to know.
    Info,
    /// Worth checking.
    Warning,
    /// Something was not done.
    Error,
}

/// A message for the user: what happened, what to do, where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Notice {
    pub severity: Severity,
    /// What happened, in one line.
    pub headline: String,
    /// What to do about it.
    pub what_to_do: String,
    pub path: Option<PathBuf>,
}

impl Notice {
    pub fn new(severity: Severity, headline: impl Into<String>, what_to_do: impl Into<String>) -> Self {
        Self { severity, headline: headline.into(), what_to_do: what_to_do.into(), path: None }
    }

    /// The same notice, with the file it is about.
    #[must_use]
    pub fn about(mut self, path: impl Into<PathBuf>) -> Self {
        self.path = Some(path.into());
        self
    }
}

impl std::fmt::Display for Notice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.headline)?;
        if !self.what_to_do.is_empty() {
            write!(f, "; {}", self.what_to_do)?;
        }
        if let Some(path) = &self.path {
            write!(f, " ({})", path.display())?;
        }
        Ok(())
    }
}

/// Why the engine could not do something.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum EngineError {
    /// Stopped on request.
    #[error("stopped on request")]
    Cancelled,
    /// The frame is not in the session.
    #[error("frame {0} is not in this session")]
    NoFrame(FrameId),
    /// Fails again until the user acts; the notice says how.
    #[error("{0}")]
    Permanent(Notice),
    /// May pass by itself, such as a disk that is not connected.
    #[error("{0}")]
    Transient(Notice),
}

impl From<glassine_raster::Cancelled> for EngineError {
    fn from(_: glassine_raster::Cancelled) -> Self {
        Self::Cancelled
    }
}

impl From<glassine_raster::RegionError> for EngineError {
    fn from(error: glassine_raster::RegionError) -> Self {
        glassine_scanfile::Error::from(error).into()
    }
}

impl From<glassine_raster::OverBudget> for EngineError {
    fn from(error: glassine_raster::OverBudget) -> Self {
        Self::Transient(Notice::new(
            Severity::Error,
            error.to_string(),
            "wait until other work has ended, then try again",
        ))
    }
}

impl From<glassine_scanfile::Error> for EngineError {
    fn from(error: glassine_scanfile::Error) -> Self {
        if matches!(error, glassine_scanfile::Error::Cancelled(_)) {
            return Self::Cancelled;
        }
        let mut notice = Notice::new(Severity::Error, error.headline(), error.hint());
        notice.path = error.path().map(Into::into);
        if error.may_pass() { Self::Transient(notice) } else { Self::Permanent(notice) }
    }
}

impl From<glassine_session::EditError> for EngineError {
    fn from(error: glassine_session::EditError) -> Self {
        Self::Permanent(Notice::new(Severity::Error, error.to_string(), "nothing was changed"))
    }
}

impl EngineError {
    /// A broken assumption of the program itself.
    pub(crate) fn internal(what: &str) -> Self {
        Self::Permanent(Notice::new(
            Severity::Error,
            what,
            "this is a bug in the program; the session is intact, please report it",
        ))
    }

    /// An error with advice on what to do.
    pub(crate) fn user_error(headline: impl Into<String>, what_to_do: impl Into<String>) -> Self {
        Self::Permanent(Notice::new(Severity::Error, headline, what_to_do))
    }

    /// The scan asked for is unknown.
    pub(crate) fn no_scan() -> Self {
        Self::user_error("the scan is not in this session", "open it again")
    }

    /// The message for the user.
    pub fn notice(&self) -> Notice {
        match self {
            Self::Cancelled => Notice::new(Severity::Info, "stopped on request", "finished parts are kept"),
            Self::NoFrame(id) => Notice::new(
                Severity::Error,
                format!("frame {id} is not in this session"),
                "choose another frame",
            ),
            Self::Permanent(notice) | Self::Transient(notice) => notice.clone(),
        }
    }

    /// Whether the cause may go away by itself, so that it is worth trying again.
    pub fn may_pass(&self) -> bool {
        matches!(self, Self::Transient(_))
    }
}

impl From<glassine_layout::LayoutError> for EngineError {
    fn from(error: glassine_layout::LayoutError) -> Self {
        match error {
            glassine_layout::LayoutError::Cancelled(_) => Self::Cancelled,
            glassine_layout::LayoutError::Read(error) => error.into(),
            other => Self::user_error(other.to_string(), "check the scan, or draw the boxes by hand"),
        }
    }
}

/// A number of things, with an s unless it is one of them.
pub fn counted(count: usize, thing: &str) -> String {
    format!("{count} {thing}{}", if count == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_notice_about_a_file_says_what_happened_then_what_to_do_then_the_path() {
        let path = PathBuf::from("/nowhere/scan.tif");
        let told = EngineError::from(glassine_scanfile::Error::AlreadyExists { path }).notice().to_string();
        assert_eq!(
            told,
            "a file of this name is already there and was left alone; choose another name or folder, or allow replacing \
             (/nowhere/scan.tif)"
        );
    }
}
