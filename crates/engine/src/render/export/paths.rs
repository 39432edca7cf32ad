//! Where the files of an export go: names by the settings, none twice, none outside the folder.

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_session::{Frame, NameFacts, OutputSettings, Session, clash_key, frame_path};

use super::Planned;
use crate::error::{Notice, Severity};

/// Names given so far. Some file systems ignore case and the composition of letters.
#[derive(Default)]
struct Taken {
    files: HashMap<String, String>,
    folders: HashSet<String>,
}

impl Taken {
    /// Take a name for a frame, or tell why it is not free. `shown` is the name without its ending.
    fn take(&mut self, name: &str, shown: &str, number: &str) -> Result<(), String> {
        let key = clash_key(name);
        let folders: Vec<_> = key.match_indices('/').map(|(at, _)| key[..at].to_owned()).collect();
        if let Some(first) = self.files.get(&key) {
            return Err(format!("frames {first} and {number} would both be called “{shown}”"));
        }
        if self.folders.contains(&key) || folders.iter().any(|folder| self.files.contains_key(folder)) {
            return Err(format!("frame {number}: “{shown}” would be a file and a folder"));
        }
        self.files.insert(key, number.to_owned());
        self.folders.extend(folders);
        Ok(())
    }
}

/// Where each frame of an export will be written, in order, or why its name is impossible. `date` is that of the export,
/// `YYYY-MM-DD`.
pub fn planned_paths(
    session: &Session,
    frames: &[Arc<Frame>],
    folder: &Path,
    output: &OutputSettings,
    date: &str,
) -> Vec<Planned> {
    let mut taken = Taken::default();
    let plan = |(idx, frame): (usize, &Arc<Frame>)| {
        let number = output.number_of(frame, 1);
        let facts = NameFacts {
            roll: &session.title,
            strip: session.strip_place(frame.strip),
            count: idx + 1,
            kind: output.kind.key(),
            date,
        };
        let refused = |headline: String, what: &str| Notice::new(Severity::Error, headline, what);
        let path = match frame_path(output, frame, &facts) {
            Err(error) => Err(refused(
                format!("frame {number}: {error}"),
                "change the base name or the frame's own name",
            )),
            Ok(path) => {
                let name = format!("{path}.{}", output.kind.extension());
                taken
                    .take(&name, &path, &number)
                    .map_err(|clash| refused(clash, "renumber the frames or give one another name"))
                    .map(|()| folder.join(name.split('/').collect::<PathBuf>()))
            }
        };
        (Arc::clone(frame), path)
    };
    frames.iter().enumerate().map(plan).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_differ_in_case_alone_or_are_file_and_folder_at_once_clash() {
        let mut taken = Taken::default();
        assert_eq!(taken.take("roll/A.tif", "", "1"), Ok(()));
        assert_eq!(taken.take("roll/b.tif", "", "2"), Ok(()));
        for clash in ["roll/a.TIF", "ROLL/A.tif", "roll/a.tif/c.tif", "roll"] {
            assert!(taken.take(clash, "", "3").is_err(), "{clash}");
        }
    }
}
