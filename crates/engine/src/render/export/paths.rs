//! Where the files of an export go: names by the settings, none twice, none outside the folder.

use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use glassine_session::{Frame, NameFacts, OutputSettings, Session, clash_key, frame_path};

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
) -> Vec<(Arc<Frame>, Result<PathBuf, Notice>)> {
    let paths = paths_of_kinds(session, frames, folder, &[output], date);
    frames.iter().cloned().zip(paths).collect()
}

/// The same for several kinds in one run, kind by kind, each with the position of its kind: no two files share a name.
pub fn planned_files(
    session: &Session,
    frames: &[Arc<Frame>],
    folder: &Path,
    kinds: &[OutputSettings],
    date: &str,
) -> Vec<(Arc<Frame>, usize, Result<PathBuf, Notice>)> {
    let kinds: Vec<&OutputSettings> = kinds.iter().collect();
    let paths = paths_of_kinds(session, frames, folder, &kinds, date);
    let named = paths.into_iter().enumerate();
    named.map(|(idx, path)| (Arc::clone(&frames[idx % frames.len()]), idx / frames.len(), path)).collect()
}

pub(super) fn paths_of_kinds(
    session: &Session,
    frames: &[Arc<Frame>],
    folder: &Path,
    kinds: &[&OutputSettings],
    date: &str,
) -> Vec<Result<PathBuf, Notice>> {
    let mut taken = Taken::default();
    let mut paths = Vec::with_capacity(kinds.len() * frames.len());
    for output in kinds {
        for (idx, frame) in frames.iter().enumerate() {
            let path = path_of(session, frame, (idx + 1, date), output, &mut taken);
            paths.push(path.map(|name| folder.join(name)));
        }
    }
    paths
}

fn path_of(
    session: &Session,
    frame: &Frame,
    (count, date): (usize, &str),
    output: &OutputSettings,
    taken: &mut Taken,
) -> Result<PathBuf, Notice> {
    let number = output.number_of(frame, 1);
    let shot = session.facts_of(frame).date_shot;
    let roll = session.roll_of(frame).map(|roll| roll.title.as_str()).filter(|title| !title.is_empty());
    let scanned = session.context(frame).and_then(|(_, scan)| scan.scanned_at.clone()).unwrap_or_default();
    let facts = NameFacts {
        roll: roll.unwrap_or(&session.title),
        strip: session.strip_place(frame.strip),
        count,
        kind: output.kind.key(),
        recipe: output.recipe_name(),
        date,
        shot: &shot,
        scanned: &scanned.split(' ').next().unwrap_or_default().replace(':', "-"),
    };
    let refused = |headline: String, what: &str| Notice::new(Severity::Error, headline, what);
    let path = frame_path(output, frame, &facts).map_err(|error| {
        refused(format!("frame {number}: {error}"), "change the base name or the frame's own name")
    })?;
    let name = format!("{path}.{}", output.extension());
    taken
        .take(&name, &path, &number)
        .map_err(|clash| refused(clash, "renumber the frames, or give one or its kind another name"))?;
    Ok(name.split('/').collect())
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

    /// What Windows, macOS and Linux have in common, written down apart from the code under test.
    fn is_safe_part(part: &str) -> bool {
        let base = part.split('.').next().unwrap_or_default().trim_end().to_uppercase();
        let is_device = ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"].contains(&base.as_str())
            || (base.chars().count() == 4
                && (base.starts_with("COM") || base.starts_with("LPT"))
                && base.ends_with(|c: char| c.is_ascii_digit() || "¹²³".contains(c)));
        !part.is_empty()
            && part.len() <= 255
            && !part.starts_with([' ', '.'])
            && !part.ends_with(['.', ' '])
            && !part.chars().any(|c| c.is_control() || "<>:\"/\\|?*".contains(c))
            && !is_device
    }

    /// Names that systems without case take for one; another way than the code under test goes.
    fn folded(path: &Path) -> String {
        path.to_string_lossy().to_lowercase().to_uppercase()
    }

    #[test]
    fn of_a_million_random_names_none_leads_out_of_the_folder_and_none_is_given_twice() {
        const PARTS: [&str; 26] = [
            "{roll}",
            "{title}",
            "{number:2}",
            "{count}",
            "{count:3:7}",
            "{kind}",
            "{recipe}",
            "{name}",
            "{shot}",
            "{strip}",
            "/",
            "/",
            "..",
            ".",
            " ",
            "nul",
            "COM1",
            "a",
            "A",
            "é",
            "e\u{301}",
            "ß",
            "SS",
            "\u{202e}",
            "\\",
            "x23456789x23456789x23456789x23456789x23456789x23456789x23456789x23456789x23456789x2345678",
        ];
        const FRAMES: usize = 100;
        let mut random = glassine_testdata::random::SplitMix64::new(81);
        let mut word = |most: usize| {
            let count = random.below(most);
            (0..count).fold(String::new(), |text, _| text + PARTS[random.below(PARTS.len())])
        };
        let mut session = session_of(FRAMES);
        let (mut named, mut refused) = (0_u32, 0_u32);
        while named + refused < 1_000_000 {
            let template = |text: String| if text.is_empty() { "{name}".to_owned() } else { text };
            let kinds = [word(7), word(7)].map(template).map(|name_template| OutputSettings {
                name_template: Some(name_template),
                recipe: "web".to_owned(),
                ..OutputSettings::default()
            });
            session.title = word(4);
            for frame in &mut session.frames {
                Arc::make_mut(frame).name = Some(word(3)).filter(|name| !name.is_empty());
            }
            let folder = Path::new("/prints");
            let files = planned_files(&session, &session.frames, folder, &kinds, "2026-11-29");
            let mut seen = HashSet::new();
            for (_, _, path) in &files {
                let Ok(path) = path else {
                    refused += 1;
                    continue;
                };
                named += 1;
                let below = path.strip_prefix(folder).expect("below the folder");
                assert!(below.iter().all(|part| part.to_str().is_some_and(is_safe_part)), "{path:?}");
                assert!(seen.insert(folded(path)), "{path:?} twice");
            }
            // No file has the name of a folder of another.
            for (_, _, path) in &files {
                let folders = path.iter().flat_map(|path| path.ancestors().skip(1));
                assert!(folders.into_iter().all(|above| !seen.contains(&folded(above))), "{path:?}");
            }
        }
        assert!(named > 100_000, "the test must see names, not refusals alone: {named}");
    }

    fn session_of(frames: usize) -> Session {
        use glassine_session::{Edit, FoundStripEdit, NewFrame, ScanRef};
        let scan = ScanRef { width_px: 900, height_px: 300, ..ScanRef::default() };
        let session = Edit::AddScans(vec![scan]).apply(&Session::default()).expect("adds");
        let film = glassine_film::FilmKind::Slide;
        let frame = NewFrame::in_box(glassine_raster::TiltedBox::from_edges(0.0, 0.0, 200.0, 200.0));
        let strip = FoundStripEdit { frames: vec![frame; frames], ..Default::default() };
        let stock_id = glassine_film::default_stock(film).id.clone();
        let scan = session.scans[0].id;
        Edit::ReplaceStrips { scan, film, stock_id, strips: vec![strip], keep: vec![] }
            .apply(&session)
            .expect("applies")
    }
}
