//! Asks the user for files and folders.
//!
//! The system's dialog runs on its own thread, because the call waits for the user. Some systems have no dialog and
//! answer "nothing chosen" at once. The program detects this by first searching for a dialog service and then by timing
//! the answer, and the window asks for a typed path instead. This is the only file that names `rfd`.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, TryRecvError, bounded};

use crate::model::questions::PathPurpose;

/// Shortest time in which a user could see, read and cancel a dialog: an earlier empty answer means none was shown.
/// Source: ours; without a dialog service the answer took 5 to 11 ms, on a busy machine once more than 100 ms.
const NO_DIALOG_WITHIN: Duration = Duration::from_millis(400);

/// File name extensions of scans, offered as one filter.
pub const SCAN_ENDINGS: [&str; 5] = ["tif", "tiff", "png", "jpg", "jpeg"];

impl PathPurpose {
    /// What the button under a typed path says.
    pub fn verb(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::SaveAs => "save",
            Self::ExportFolder | Self::ScansInto | Self::WatchedFolder | Self::FocusFolder => {
                "use this folder"
            }
            Self::SaveStock | Self::SaveRecipe | Self::SaveTable | Self::WriteJoined(_) => "write",
            Self::LoadStock | Self::LoadRecipe | Self::LoadTable => "load",
            Self::FocusScans => "take these",
            Self::ScanFolder => "look there",
            Self::Infrared(_) | Self::ScreenProfile | Self::PrinterProfile | Self::RecipePrinter => {
                "use this file"
            }
        }
    }

    /// Title of the dialog.
    pub fn title(self) -> &'static str {
        match self {
            Self::Open => "open scans or a session",
            Self::SaveAs => "save the session",
            Self::ExportFolder => "choose the folder for finished pictures",
            Self::SaveStock => "write the stock to a file",
            Self::LoadStock => "load a stock file",
            Self::SaveRecipe => "write the recipe to a file",
            Self::LoadRecipe => "load a recipe file",
            Self::ScanFolder => "choose the folder that contains the scans",
            Self::WatchedFolder => "choose the folder whose new scans are taken",
            Self::ScansInto => "choose the folder that scans are written into",
            Self::WriteJoined(_) => "write the joined scan to a file",
            Self::Infrared(_) => "choose the infrared file of the scan",
            Self::ScreenProfile => "choose the colour profile of the screen",
            Self::PrinterProfile | Self::RecipePrinter => "choose the colour profile of a printer",
            Self::LoadTable => "take the facts of the frames from a table",
            Self::SaveTable => "write the facts of the frames as a table",
            Self::FocusScans => "choose scans of the same film at different holder heights",
            Self::FocusFolder => "choose the folder for the report",
        }
    }

    /// Hint for the text field that replaces the dialog.
    pub fn hint(self) -> &'static str {
        match self {
            Self::Open => "path of a session file or a scan; several scans are separated by a semicolon",
            Self::SaveAs => "path of the session file, for example /home/me/rolls/harbour.session.json",
            Self::ExportFolder => "path of a folder; it is created if missing",
            Self::SaveStock => "path of the stock file, for example /home/me/stocks/harbour.stock.json",
            Self::LoadStock => "path of a stock file",
            Self::SaveRecipe => "path of the recipe file, for example /home/me/recipes/web.recipe.json",
            Self::LoadRecipe => "path of a recipe file",
            Self::ScanFolder => "path of a folder; folders inside it are searched too",
            Self::ScansInto => "path of a folder; it is created if missing",
            Self::WatchedFolder => "path of the folder that another program scans into",
            Self::WriteJoined(_) => "path of the TIFF file, for example /home/me/scans/wide.tif",
            Self::Infrared(_) => "path of the grey file that the scanner wrote for its infrared light",
            Self::ScreenProfile | Self::PrinterProfile | Self::RecipePrinter => "path of an ICC profile",
            Self::LoadTable => "path of a table (CSV) with a column “frame”",
            Self::SaveTable => "path of the table, for example /home/me/rolls/harbour.csv",
            Self::FocusScans => "paths of the scans, separated by semicolons",
            Self::FocusFolder => "path of a folder; it is created if missing",
        }
    }
}

/// A request for files or a folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PickRequest {
    pub purpose: PathPurpose,
    /// Folder to begin in.
    pub folder: Option<PathBuf>,
    /// Name offered when saving.
    pub suggested_name: String,
}

/// How a dialog ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PickOutcome {
    /// The user chose these.
    Chosen(Vec<PathBuf>),
    /// The user cancelled.
    Cancelled,
    /// This system showed no dialog: ask for a typed path.
    NoDialog,
}

/// The answer to a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PickAnswer {
    /// Purpose of the request.
    pub purpose: PathPurpose,
    pub outcome: PickOutcome,
}

/// Wakes the window when an answer has arrived.
pub type Wake = Arc<dyn Fn() + Send + Sync>;

/// Asks the user for files. Tests answer from a list.
pub trait FilePicker {
    /// Asks; the answer comes through [`Self::poll`]. A second request while one is open is ignored.
    fn ask(&mut self, request: PickRequest, wake: Wake);

    /// The answer, once.
    fn poll(&mut self) -> Option<PickAnswer>;

    /// Whether a request is open.
    fn is_asking(&self) -> bool;
}

/// The dialogs of the system.
#[derive(Debug, Default)]
pub struct SystemPicker {
    open: Option<(PathPurpose, Receiver<PickOutcome>)>,
}

impl FilePicker for SystemPicker {
    fn ask(&mut self, request: PickRequest, wake: Wake) {
        if self.open.is_some() {
            return;
        }
        let (sender, receiver) = bounded(1);
        let purpose = request.purpose;
        let work = move || {
            // The receiver is gone only when the window is closing; then the answer is not needed.
            if sender.send(show(&request)).is_ok() {
                wake();
            }
        };
        // On this system the main thread must show the dialog.
        if cfg!(target_os = "macos") {
            work();
        } else if std::thread::Builder::new().name("glassine-dialog".to_owned()).spawn(work).is_err() {
            // The channel was dropped with the closure: the next poll reports that there is no dialog.
        }
        self.open = Some((purpose, receiver));
    }

    fn poll(&mut self) -> Option<PickAnswer> {
        let (purpose, receiver) = self.open.as_ref()?;
        let outcome = match receiver.try_recv() {
            Ok(outcome) => outcome,
            Err(TryRecvError::Empty) => return None,
            Err(TryRecvError::Disconnected) => PickOutcome::NoDialog,
        };
        let answer = PickAnswer { purpose: *purpose, outcome };
        self.open = None;
        Some(answer)
    }

    fn is_asking(&self) -> bool {
        self.open.is_some()
    }
}

/// Whether anything on this system can show a dialog: a message bus with a portal, or the helper program used without
/// one.
///
/// Only Unix systems other than macOS need this check; the others always have dialogs.
fn has_dialog_service(variable: impl Fn(&str) -> Option<OsString>) -> bool {
    if !cfg!(all(unix, not(target_os = "macos"))) {
        return true;
    }
    let has_bus = variable("DBUS_SESSION_BUS_ADDRESS").is_some_and(|address| !address.is_empty())
        || variable("XDG_RUNTIME_DIR").is_some_and(|folder| Path::new(&folder).join("bus").exists());
    has_bus
        || variable("PATH")
            .is_some_and(|path| std::env::split_paths(&path).any(|folder| folder.join("zenity").is_file()))
}

fn show(request: &PickRequest) -> PickOutcome {
    if !has_dialog_service(|name| std::env::var_os(name)) {
        return PickOutcome::NoDialog;
    }
    let mut dialog = rfd::FileDialog::new().set_title(request.purpose.title());
    // A folder that is gone, such as one on a drive, gives way to the nearest one that is there.
    let there = request.folder.iter().flat_map(|folder| folder.ancestors()).find(|folder| folder.is_dir());
    if let Some(folder) = there {
        dialog = dialog.set_directory(folder);
    }
    let asked = Instant::now();
    let chosen = match request.purpose {
        PathPurpose::Open => {
            let mut all = vec!["json"];
            all.extend(SCAN_ENDINGS);
            dialog
                .add_filter("sessions and scans", &all)
                .add_filter("sessions", &["json"])
                .add_filter("scans", &SCAN_ENDINGS)
                .add_filter("all files", &["*"])
                .pick_files()
        }
        PathPurpose::FocusScans => {
            dialog.add_filter("scans", &SCAN_ENDINGS).add_filter("all files", &["*"]).pick_files()
        }
        PathPurpose::LoadStock => dialog.add_filter("stocks", &["json"]).pick_file().map(|path| vec![path]),
        PathPurpose::LoadRecipe => dialog.add_filter("recipes", &["json"]).pick_file().map(|path| vec![path]),
        PathPurpose::SaveAs | PathPurpose::SaveStock | PathPurpose::SaveRecipe => dialog
            .add_filter("session or stock", &["json"])
            .set_file_name(&request.suggested_name)
            .save_file()
            .map(|path| vec![path]),
        PathPurpose::WriteJoined(_) => dialog
            .add_filter("scans", &SCAN_ENDINGS[..2])
            .set_file_name(&request.suggested_name)
            .save_file()
            .map(|path| vec![path]),
        PathPurpose::Infrared(_) => {
            dialog.add_filter("scans", &SCAN_ENDINGS).pick_file().map(|path| vec![path])
        }
        PathPurpose::SaveTable => dialog
            .add_filter("tables", &["csv"])
            .set_file_name(&request.suggested_name)
            .save_file()
            .map(|path| vec![path]),
        PathPurpose::LoadTable => {
            dialog.add_filter("tables", &["csv", "txt", "tsv"]).pick_file().map(|path| vec![path])
        }
        PathPurpose::ScreenProfile | PathPurpose::PrinterProfile | PathPurpose::RecipePrinter => dialog
            .add_filter("colour profiles", &["icc", "icm"])
            .add_filter("all files", &["*"])
            .pick_file()
            .map(|path| vec![path]),
        PathPurpose::ExportFolder
        | PathPurpose::ScanFolder
        | PathPurpose::ScansInto
        | PathPurpose::WatchedFolder
        | PathPurpose::FocusFolder => dialog.pick_folder().map(|path| vec![path]),
    };
    match chosen {
        Some(paths) if !paths.is_empty() => PickOutcome::Chosen(paths),
        _ if asked.elapsed() < NO_DIALOG_WITHIN => PickOutcome::NoDialog,
        _ => PickOutcome::Cancelled,
    }
}

/// A picker that gives prepared answers in order, for tests and for scripts without a user.
#[derive(Debug, Default)]
pub struct PreparedPicker {
    /// Remaining answers.
    pub answers: Vec<PickOutcome>,
    /// Requests so far.
    pub asked: Vec<PickRequest>,
    ready: Option<PickAnswer>,
}

impl PreparedPicker {
    /// Takes the answers in order; once they run out, every request counts as cancelled.
    pub fn new(answers: Vec<PickOutcome>) -> Self {
        Self { answers, asked: Vec::new(), ready: None }
    }
}

impl FilePicker for PreparedPicker {
    fn ask(&mut self, request: PickRequest, wake: Wake) {
        let outcome = if self.answers.is_empty() { PickOutcome::Cancelled } else { self.answers.remove(0) };
        self.ready = Some(PickAnswer { purpose: request.purpose, outcome });
        self.asked.push(request);
        wake();
    }

    fn poll(&mut self) -> Option<PickAnswer> {
        self.ready.take()
    }

    fn is_asking(&self) -> bool {
        self.ready.is_some()
    }
}

/// The paths the user typed: separated by semicolons, without surrounding quotes and blanks, `~` expanded.
///
/// `home` is the folder `~` stands for.
pub fn typed_paths(text: &str, home: Option<&Path>) -> Vec<PathBuf> {
    text.split(';')
        .map(|part| part.trim().trim_matches(['"', '\'']).trim())
        .filter(|part| !part.is_empty())
        .map(|part| match (part.strip_prefix("~/"), home) {
            (Some(rest), Some(home)) => home.join(rest),
            _ if part == "~" => home.map_or_else(|| PathBuf::from(part), Path::to_path_buf),
            _ => PathBuf::from(part),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(all(unix, not(target_os = "macos")))]
    fn a_system_without_bus_and_helper_has_no_dialog() {
        let bare = |name: &str| (name == "PATH").then(|| OsString::from("/nowhere:/also-nowhere"));
        assert!(!has_dialog_service(bare));
        let with_bus =
            |name: &str| (name == "DBUS_SESSION_BUS_ADDRESS").then(|| OsString::from("unix:path=/x"));
        assert!(has_dialog_service(with_bus));
    }

    #[test]
    fn typed_paths_are_split_and_cleaned() {
        let home = Path::new("/home/anna");
        assert_eq!(
            typed_paths(" \"/a b/one.tif\"; ~/two.tif ;; '~' ", Some(home)),
            [PathBuf::from("/a b/one.tif"), PathBuf::from("/home/anna/two.tif"), PathBuf::from("/home/anna")]
        );
        assert!(typed_paths(" ; ", Some(home)).is_empty());
        assert_eq!(typed_paths("~/x", None), [PathBuf::from("~/x")]);
    }

    #[test]
    fn a_prepared_picker_answers_in_order_and_then_cancels() {
        let mut picker = PreparedPicker::new(vec![PickOutcome::Chosen(vec!["/a".into()])]);
        let request = PickRequest { purpose: PathPurpose::Open, folder: None, suggested_name: String::new() };
        for expected in [PickOutcome::Chosen(vec!["/a".into()]), PickOutcome::Cancelled] {
            picker.ask(request.clone(), Arc::new(|| ()));
            assert!(picker.is_asking());
            assert_eq!(picker.poll().map(|answer| answer.outcome), Some(expected));
            assert!(picker.poll().is_none());
        }
    }
}
