//! What the program remembers from one run to the next beside sessions: plain values, as `state.json` holds them.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use glassine_engine::FocusReport;
use glassine_film::{Look, Param};
use glassine_session::file::{recipe_from_json, recipe_to_json};
use glassine_session::{OutputKind, OutputSettings, TiffCompression};
use glassine_sharpness::sampling_efficiency;
use serde::{Deserialize, Serialize};

use crate::model::scanner_state::ScannerHabits;
use crate::model::screen_state::ScreenChoice;

/// Most sessions in the list of recent ones.
pub const RECENT_MAX: usize = 12;

/// Everything that is remembered. Paths that are not text are left out, because JSON cannot hold them.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Remembered {
    pub window: WindowPlace,
    /// Light surround instead of the dark one.
    pub light: bool,
    /// Share of the window's height for strip and prints.
    pub strip_share: Option<f64>,
    /// Where file dialogs begin.
    pub folders: LastFolders,
    /// Settings of the last export.
    pub export: Option<ExportHabits>,
    /// Newest first.
    pub recent_sessions: Vec<RecentSession>,
    /// What the user said about the screen.
    pub screen: ScreenChoice,
    /// Profile of the printer that was proofed last.
    pub printer_profile: Option<PathBuf>,
    /// Settings that the user named, in the order of their names.
    pub looks: Vec<NamedLook>,
    /// What was measured on the scanner.
    pub scanner: MeasuredScanner,
    /// Devices, what was chosen for them, reminders.
    pub scanner_habits: ScannerHabits,
}

/// What the user kept of measurements of the scanner.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct MeasuredScanner {
    /// Height of the holder at which film is sharpest, and its standard error.
    pub holder_height_mm: Option<f64>,
    pub holder_height_error_mm: Option<f64>,
    /// Resolution that scans really have, pixels per inch.
    pub resolution_ppi: Option<f64>,
}

impl MeasuredScanner {
    /// What a comparison of heights says, where it says something; the rest stays.
    #[must_use]
    pub fn with_focus(&self, report: &FocusReport) -> Self {
        let series = report.series.as_ref();
        let best = series.and_then(|series| series.best_height?.ok());
        let sharpest = series.and_then(|series| series.ranking.first()?.mtf50_cy_px);
        let ppi = sharpest.zip(report.ppi).map(|(found, ppi)| ppi * sampling_efficiency(found.value));
        Self {
            holder_height_mm: best.map(|best| best.height_mm).or(self.holder_height_mm),
            holder_height_error_mm: best.map(|best| best.error_mm).or(self.holder_height_error_mm),
            resolution_ppi: ppi.map(f64::round).or(self.resolution_ppi),
        }
    }
}

/// Settings of a frame under a name of the user's.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct NamedLook {
    pub name: String,
    /// Values by their names in session files. Those of a newer program are kept.
    pub settings: BTreeMap<String, f64>,
}

impl NamedLook {
    /// The values of a look that differ from those of a new frame.
    pub fn of(name: &str, look: &Look) -> Self {
        let changed = Param::all().filter(|param| look.is_changed(*param));
        let settings = changed.map(|param| (param.spec().key.to_owned(), look.kept(param))).collect();
        Self { name: name.to_owned(), settings }
    }

    pub fn look(&self) -> Look {
        let known = self.settings.iter().filter_map(|(key, value)| Some((Param::from_key(key)?, *value)));
        known.fold(Look::default(), |look, (param, value)| look.with(param, value))
    }
}

/// Size and place of the window.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct WindowPlace {
    /// Width and height of the content, points; those before it was maximised.
    pub size_points: Option<[f64; 2]>,
    /// Distance of its upper left corner from that of its screen, pixels; unknown where the system places windows.
    pub from_screen_px: Option<[i32; 2]>,
    /// Name of the screen it was on.
    pub screen: Option<String>,
    pub maximized: bool,
}

/// The folders used last.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct LastFolders {
    pub scans: Option<PathBuf>,
    pub sessions: Option<PathBuf>,
    pub exports: Option<PathBuf>,
}

/// Settings of an export that new sessions begin with. Names of files and folders belong to one session alone.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct ExportHabits {
    pub kind: String,
    pub space: String,
    pub rendering: String,
    pub compression: String,
    pub jpeg_quality: u8,
    pub web_long_side_px: u32,
    pub creator: String,
    pub copyright: String,
    /// Recipe files as text.
    pub recipes: Vec<String>,
}

/// A session that was opened or saved.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct RecentSession {
    pub path: PathBuf,
    /// Seconds since 1970.
    pub opened_unix_s: u64,
}

/// The path, if JSON can hold it.
fn storable(path: &Path) -> Option<PathBuf> {
    path.to_str().filter(|text| !text.is_empty()).map(PathBuf::from)
}

impl Remembered {
    /// Keeps settings under a name, in place of those that had it.
    pub fn keep_look(&mut self, look: NamedLook) {
        self.looks.retain(|other| other.name != look.name);
        let at = self.looks.partition_point(|other| other.name < look.name);
        self.looks.insert(at, look);
    }
}

impl LastFolders {
    /// Remembers the folder of scans that were opened.
    pub fn opened_scan(&mut self, scan: &Path) {
        self.scans = scan.parent().and_then(storable).or(self.scans.take());
    }

    /// Remembers the folder of a session that was opened or saved.
    pub fn used_session(&mut self, session: &Path) {
        self.sessions = session.parent().and_then(storable).or(self.sessions.take());
    }

    /// Remembers the folder of an export.
    pub fn exported_to(&mut self, folder: &Path) {
        self.exports = storable(folder).or(self.exports.take());
    }
}

impl ExportHabits {
    /// The habits that these settings show.
    pub fn of(output: &OutputSettings) -> Self {
        Self {
            kind: output.kind.key().to_owned(),
            space: output.space.clone(),
            rendering: output.rendering.clone(),
            compression: output.compression.key().to_owned(),
            jpeg_quality: output.jpeg_quality,
            web_long_side_px: output.web_long_side_px,
            creator: output.creator.clone(),
            copyright: output.copyright.clone(),
            recipes: output
                .recipes
                .iter()
                .map(|recipe| String::from_utf8_lossy(&recipe_to_json(recipe, None)).into_owned())
                .collect(),
        }
    }

    /// Settings of a new session with these habits; unchanged if one of them names something unknown.
    pub fn applied_to(&self, output: &OutputSettings) -> OutputSettings {
        let (Some(kind), Some(compression)) =
            (OutputKind::from_key(&self.kind), TiffCompression::from_key(&self.compression))
        else {
            return output.clone();
        };
        let applied = OutputSettings {
            kind,
            compression,
            space: self.space.clone(),
            rendering: self.rendering.clone(),
            jpeg_quality: self.jpeg_quality.clamp(1, 100),
            web_long_side_px: self.web_long_side_px.max(1),
            creator: self.creator.clone(),
            copyright: self.copyright.clone(),
            recipes: self
                .recipes
                .iter()
                .filter_map(|recipe| recipe_from_json(recipe.as_bytes(), None).ok())
                .collect(),
            ..output.clone()
        };
        if applied.unknown_choice().is_some() { output.clone() } else { applied }
    }
}

impl Remembered {
    /// Puts a session at the head of the recent ones.
    pub fn used_session(&mut self, path: &Path, now_unix_s: u64) {
        let Some(path) = storable(path) else { return };
        self.folders.used_session(&path);
        self.forget_session(&path);
        self.recent_sessions.insert(0, RecentSession { path, opened_unix_s: now_unix_s });
        self.recent_sessions.truncate(RECENT_MAX);
    }

    /// Takes a session out of the recent ones; its file stays.
    pub fn forget_session(&mut self, path: &Path) {
        self.recent_sessions.retain(|recent| recent.path != path);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_session_comes_first_once_and_the_list_has_twelve() {
        let mut remembered = Remembered::default();
        for nth in 0..20_u64 {
            remembered.used_session(Path::new(&format!("/rolls/{nth}.session.json")), nth);
        }
        remembered.used_session(Path::new("/rolls/15.session.json"), 99);
        let names: Vec<_> = remembered.recent_sessions.iter().map(|recent| recent.opened_unix_s).collect();
        assert_eq!(names, [99, 19, 18, 17, 16, 14, 13, 12, 11, 10, 9, 8]);
        assert_eq!(remembered.folders.sessions.as_deref(), Some(Path::new("/rolls")));
    }

    #[test]
    fn export_habits_leave_the_names_of_a_session_alone() {
        let last = OutputSettings {
            base_name: "theirs".to_owned(),
            folder: Some("/pictures".into()),
            space: "display-p3".to_owned(),
            creator: "A. Person".to_owned(),
            kind: OutputKind::Web,
            ..OutputSettings::default()
        };
        let new = ExportHabits::of(&last).applied_to(&OutputSettings::default());
        assert_eq!(
            (new.kind, new.space.as_str(), new.creator.as_str()),
            (OutputKind::Web, "display-p3", "A. Person")
        );
        assert_eq!((new.base_name.as_str(), new.folder), ("frame", None));
        let unknown = ExportHabits { space: "infra-pink".to_owned(), ..ExportHabits::of(&last) };
        assert_eq!(unknown.applied_to(&OutputSettings::default()), OutputSettings::default());
    }
}
