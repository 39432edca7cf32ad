//! The files that an export would write, named once for each change of what they depend on.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_engine::{FrameScope, planned_files};
use glassine_session::{Frame, Session};

use crate::model::ui_state::is_in;

/// A file that an export would write.
#[derive(Debug, Clone)]
pub struct NamedFile {
    pub frame: Arc<Frame>,
    /// Path below the folder, or the number of the frame if it has no possible name.
    pub name: String,
    /// Where it goes, or why it can't be written.
    pub path: Result<PathBuf, String>,
}

/// Every file of an export, kind by kind, and what they were named for.
#[derive(Debug, Clone, Default)]
pub struct ExportNames {
    session: Session,
    pub scope: FrameScope,
    date: String,
    pub files: Vec<NamedFile>,
}

impl ExportNames {
    /// The files of an export of `scope` on `date`, `YYYY-MM-DD`.
    pub(crate) fn of(session: &Session, scope: FrameScope, date: String) -> Self {
        let output = &session.output;
        let frames: Vec<_> = session.frames.iter().filter(|frame| is_in(&scope, frame)).cloned().collect();
        let folder = output.folder.as_deref().unwrap_or(Path::new(""));
        let kinds = output.chosen();
        let named = planned_files(session, &frames, folder, &kinds, &date).into_iter();
        let file = |(frame, kind, path): (Arc<Frame>, usize, Result<PathBuf, _>)| NamedFile {
            name: match &path {
                Ok(path) => path.strip_prefix(folder).unwrap_or(path).display().to_string(),
                Err(_) => format!("frame {}, {}", output.number_of(&frame, 1), kinds[kind].recipe_name()),
            },
            path: path.map_err(|notice: glassine_engine::Notice| notice.headline),
            frame,
        };
        Self { files: named.map(file).collect(), session: session.clone(), scope, date }
    }

    /// Whether they are named for this.
    pub(crate) fn are_of(&self, session: &Session, scope: &FrameScope, date: &str) -> bool {
        self.date == date && self.scope == *scope && self.session == *session
    }

    /// Where the files go, once there is a folder for them.
    pub(crate) fn paths(&self) -> impl Iterator<Item = &PathBuf> {
        let files = self.files.iter().filter(|_| self.session.output.folder.is_some());
        files.filter_map(|file| file.path.as_ref().ok())
    }
}
